//! What is neither build nor test of one crate: setup, the whole check, the demo, the benches.
//!
//! It drives other programs and reads the workspace's text; it must not know anything of cars, and no crate depends on
//! it. A task is a list of [`step`]s: each has a heading and a time, and the first that fails says what to do.

mod audit;
mod bench;
mod fuzz;
mod house;
mod kernel_can;
mod oracles;
mod pages;
mod postgres;
mod release;
mod step;
mod testing;
mod toolchain;
mod workspace;

use std::ffi::OsString;
use std::io::IsTerminal;
use std::process::{Command, ExitCode};

use step::{Failure, Steps, run};
use workspace::Workspace;

const USAGE: &str = "usage: cargo xtask TASK

  build                build the pages and the release binary
  demo [ARGUMENT ...]  build both and run `witness demo`
  test                 everything that must hold before a change is handed on; installs what it needs
  detection            count detection and false alarms of the checks anew and write docs/detection.md (takes a while)
  campaign [...]       faults at every boundary, by a seed, and what must hold; writes docs/robustness.md when run whole;
                       --seed N, --drives N, --fault NAME, --repeat OPERATION:FAULT:SEED
  soak [...]           20 minutes and 8 hours of car through the server: memory, descriptors, time base;
                       --minutes N, --hours N (0 leaves one out)
  bench [web]          run every benchmark in release, or those of the workbench in a browser alone; print what they say
  fuzz [TARGET ...] [--seconds N] [--jobs N]
                       feed every reader of bytes from outside with any bytes, N s each (default 60), N at a time;
                       with --report instead: add the runs since the last report to the page of all runs
  screenshots          pictures of every place of the workbench at three sizes, in web/screenshots
  kernel-can           boot Debian's kernel in an emulator and let its own ISO-TP sockets be the modules behind SocketCAN
  house                the rules of the house alone: crates, headers, words, markdown
  oracles              install the Python libraries that tests compare with; prints how to run one test with them
  audit                licences, bans and sources of all dependencies (installs cargo-deny under target/tools)
  release [--without-pdf] [TARGET ...]
                       archives to hand out, each with its manual, completions and licences, under target/releases;
                       without a target for this machine";

fn main() -> ExitCode {
    let mut arguments = std::env::args_os().skip(1);
    let task = arguments.next().unwrap_or_default();
    let rest: Vec<OsString> = arguments.collect();
    let done = match task.to_str() {
        Some("build") if rest.is_empty() => {
            Workspace::load().and_then(|workspace| build(&workspace, &mut Steps::of(2)))
        }
        Some("demo") => demo(&rest),
        Some("test") if rest.is_empty() => test(),
        Some("detection") if rest.is_empty() => detection(),
        Some("campaign") => campaign(&rest),
        Some("soak") => soak(&rest),
        Some("bench") if rest.is_empty() => Workspace::load().and_then(|workspace| bench::all(&workspace)),
        Some("bench") if rest == ["web"] => Workspace::load().and_then(|workspace| bench::web(&workspace)),
        Some("fuzz") if fuzz::Ask::read(&rest).is_some() => {
            Workspace::load().and_then(|workspace| fuzz::all(&workspace, &fuzz::Ask::read(&rest).unwrap_or_default()))
        }
        Some("screenshots") if rest.is_empty() => Workspace::load().and_then(|workspace| {
            pages::build(&workspace)?;
            pages::screenshots(&workspace)
        }),
        Some("house") if rest.is_empty() => Workspace::load().and_then(|workspace| house::check(&workspace)),
        Some("oracles") if rest.is_empty() => Workspace::load().and_then(|workspace| {
            let python = oracles::install(&workspace)?;
            println!("WITNESS_PYTHON={} cargo test -p CRATE", python.display());
            Ok(())
        }),
        Some("kernel-can") if rest.is_empty() => Workspace::load().and_then(|workspace| kernel_can::run_it(&workspace)),
        Some("audit") if rest.is_empty() => Workspace::load().and_then(|workspace| audit::run_all(&workspace)),
        Some("release") => Workspace::load().and_then(|workspace| release::make(&workspace, &rest)),
        _ => {
            eprintln!("{USAGE}");
            return ExitCode::from(2);
        }
    };
    match done {
        Ok(()) => ExitCode::SUCCESS,
        Err(failure) => {
            eprintln!("{failure}");
            ExitCode::FAILURE
        }
    }
}

/// Builds the pages, and the release binary with them inside.
fn build(workspace: &Workspace, steps: &mut Steps) -> Result<(), Failure> {
    steps.step("pages: npm ci, vite build", || pages::build(workspace))?;
    steps.step("build: cargo build --release --package witness --features pdf", || {
        let features = if has_bluetooth() { "pdf,ble" } else { "pdf" };
        if features == "pdf" {
            println!("without Bluetooth low energy, for want of its headers (Debian: libdbus-1-dev and pkg-config)");
        }
        let arguments = ["build", "--release", "--package", "witness", "--features", features];
        run(workspace.cargo().args(arguments), step::C_COMPILER)
    })
}

/// Whether adapters over Bluetooth low energy can be built in: on Linux that takes the headers of libdbus.
pub(crate) fn has_bluetooth() -> bool {
    let found =
        || Command::new("pkg-config").args(["--exists", "dbus-1"]).status().is_ok_and(|status| status.success());
    !cfg!(target_os = "linux") || found()
}

/// Builds the release binary and hands it `demo` and the arguments.
fn demo(arguments: &[OsString]) -> Result<(), Failure> {
    let workspace = Workspace::load()?;
    let mut steps = Steps::of(3);
    build(&workspace, &mut steps)?;
    let binary = workspace.target().join("release").join(format!("witness{}", std::env::consts::EXE_SUFFIX));
    steps.step("demo: witness demo", || {
        // With somebody in front of it the workbench opens afterwards; a script only wants the demo.
        let open = std::io::stdout().is_terminal().then_some("--open");
        run(
            Command::new(&binary).arg("demo").args(open).args(arguments),
            "the lines above say what the demo could not do",
        )
    })
}

/// Runs the test that is left out of the whole check because it takes long, and that writes the page.
fn detection() -> Result<(), Failure> {
    let workspace = Workspace::load()?;
    let arguments = ["test", "--package", "evidence", "--test", "detection", "--", "--ignored", "--nocapture"];
    let mut steps = Steps::of(1);
    steps.step("detection: docs/detection.md", || {
        run(workspace.cargo().args(arguments), "the lines above say which drive could not be judged")
    })
}

/// Builds the fault campaign and hands it the arguments; without any it is the whole one, whose table goes into the page.
fn campaign(arguments: &[OsString]) -> Result<(), Failure> {
    let workspace = Workspace::load()?;
    let mut steps = Steps::of(1);
    steps.step("campaign: faults at every boundary", || {
        let mut command = workspace.cargo();
        command.args(["run", "--quiet", "--package", "campaign", "--"]).args(arguments);
        if arguments.is_empty() {
            command.arg("--page").arg(workspace.root().join("docs/robustness.md"));
        }
        run(&mut command, "each line with BROKEN is followed by the command that repeats it")
    })
}

/// Builds the program and the soak, and lets the one watch the other.
fn soak(arguments: &[OsString]) -> Result<(), Failure> {
    let workspace = Workspace::load()?;
    let mut steps = Steps::of(2);
    let witness = steps.step("build: cargo build --package witness", || pages::debug_program(&workspace))?;
    steps.step("soak: hours of car through the server", || {
        let mut command = workspace.cargo();
        command.args(["run", "--quiet", "--package", "campaign", "--bin", "soak", "--", "--witness"]).arg(witness);
        run(command.args(arguments), "the figures above say what did not stay as it was")
    })
}

/// The whole check, cheapest first.
fn test() -> Result<(), Failure> {
    let workspace = Workspace::load()?;
    let mut steps = Steps::of(13);
    steps.step("house: crates, headers, words, markdown", || house::check(&workspace))?;
    steps.step("format: cargo fmt --all --check", || {
        run(workspace.cargo().args(["fmt", "--all", "--check"]), "run `cargo fmt --all` and look at what it changed")
    })?;
    steps.step("audit: licences, bans and sources of dependencies", || audit::run_all(&workspace))?;
    steps.step("pages: npm ci, vite build", || pages::build(&workspace))?;
    let python = steps.step("oracles: Python libraries that tests compare with", || oracles::install(&workspace))?;
    let mut tally = steps.step("web: types, lints and tests of the pages", || pages::check(&workspace, &python))?;
    steps.step("lints: cargo clippy --workspace --all-targets -- -D warnings", || {
        run(
            workspace.cargo().args(["clippy", "--workspace", "--all-targets", "--", "-D", "warnings"]),
            "mend the first lint above, then `cargo clippy --workspace --all-targets`",
        )?;
        if !has_bluetooth() {
            println!("feature `ble` skipped: libdbus-1-dev or pkg-config is missing");
            return Ok(());
        }
        run(
            workspace.cargo().args([
                "clippy",
                "-p",
                "link",
                "--features",
                "ble",
                "--all-targets",
                "--",
                "-D",
                "warnings",
            ]),
            "mend the first lint above, then `cargo clippy -p link --features ble --all-targets`",
        )
    })?;
    steps.step("docs: cargo doc --workspace --no-deps, warnings as errors", || {
        run(
            workspace.cargo().args(["doc", "--quiet", "--workspace", "--no-deps"]).env("RUSTDOCFLAGS", "-D warnings"),
            "mend the first documentation warning above",
        )
    })?;
    let server = steps.step("postgres: a server for the casebook's tests", postgres::Server::start)?;
    let url = server.as_ref().map(postgres::Server::url);
    let features = url.map_or(&[][..], |_| &["--features", "casebook/postgres"]);
    let which = [&["--workspace"], features].concat();
    tally += steps.step("tests: cargo test --workspace", || testing::run(&workspace, &python, url, &which))?;
    drop(server);
    steps.step("fuzz: every reader of bytes from outside, 3 s each", || fuzz::briefly(&workspace, features))?;
    tally += steps.step("browser: the workbench in a real browser", || pages::browse(&workspace))?;
    // Apart from the rest, because the typesetter takes many minutes to build.
    let print = ["--package", "report", "--features", "pdf"];
    tally += steps.step("tests: cargo test --package report --features pdf", || {
        testing::run(&workspace, &python, None, &print)
    })?;
    steps.summary();
    println!("{tally}");
    Ok(())
}
