//! Fuzzing: builds the program of the crate `fuzz`, makes seeds, runs its targets and says what came of it.
//!
//! libFuzzer needs counters in the code that it runs. The stable compiler puts them in when asked for its sanitizer-coverage
//! pass; those flags make a build of its own, in a target folder of its own. Seeds, corpora, findings and the list of all
//! runs lie there too.

mod ask;
mod report;
mod run;

use std::path::PathBuf;
use std::process::Command;
use std::sync::Mutex;

pub(crate) use ask::Ask;

use crate::step::{self, Failure, Steps, output};
use crate::toolchain::Toolchain;
use crate::workspace::Workspace;
use run::{Run, Target};

/// What the compiler is told besides: counters at every edge, their table, and what comparisons compare.
const FLAGS: &str = "-Cpasses=sancov-module -Cllvm-args=-sanitizer-coverage-level=4 \
                     -Cllvm-args=-sanitizer-coverage-inline-8bit-counters -Cllvm-args=-sanitizer-coverage-pc-table \
                     -Cllvm-args=-sanitizer-coverage-trace-compares";

const NO_COMPILER: &str =
    "libFuzzer takes a C++ compiler (Debian: `apt-get install g++`); otherwise mend the first error";

/// Where the targets run.
pub(crate) struct Fuzzer {
    /// Folder of everything that is made.
    folder: PathBuf,
    program: PathBuf,
    /// Folder of the open recordings beside the clone.
    shared: PathBuf,
}

/// The whole task: build, run, tell, and write the page if asked for.
pub(crate) fn all(workspace: &Workspace, ask: &Ask) -> Result<(), Failure> {
    if ask.is_report {
        return report::write(workspace);
    }
    let mut steps = Steps::of(2);
    let fuzzer = steps.step("build: the fuzzing program", || Fuzzer::build(workspace))?;
    steps.step("fuzz: every target that was asked for", || fuzzer.run(ask))
}

/// The part of the whole check: a moment for each target, two at a time. `features` are those that the tests were built
/// with: packages from elsewhere serve once more as they are, and only the workspace's own crates are built with counters.
pub(crate) fn briefly(workspace: &Workspace, features: &[&str]) -> Result<(), Failure> {
    if !cfg!(unix) {
        println!("skipped: libFuzzer is run on Linux and macOS; the tests of the crate `fuzz` have run");
        return Ok(());
    }
    Fuzzer::build_briefly(workspace, features)?.run(&Ask { seconds: 3, n_jobs: 2, ..Ask::default() })
}

impl Fuzzer {
    /// Builds the program with counters in everything. Errors: no C++ compiler, or it does not build.
    pub(crate) fn build(workspace: &Workspace) -> Result<Self, Failure> {
        let folder = workspace.target().join("fuzz");
        let host = Toolchain::ask()?.host;
        let mut cargo = workspace.cargo();
        // With a target named, build scripts and macros are built without the counters, which nothing there would define.
        cargo.args(["build", "--quiet", "--package", "fuzz", "--features", "libfuzzer", "--profile", "fuzz"]);
        cargo.args(["--target", &host, "--target-dir"]).arg(&folder).env("RUSTFLAGS", FLAGS);
        step::run(&mut cargo, NO_COMPILER)?;
        let program = folder.join(&host).join("fuzz").join(format!("fuzz{}", std::env::consts::EXE_SUFFIX));
        Ok(Self::of(workspace, program))
    }

    /// Builds it beside the tests of the workspace. Errors: as [`Fuzzer::build`].
    fn build_briefly(workspace: &Workspace, features: &[&str]) -> Result<Self, Failure> {
        let mut cargo = workspace.cargo();
        cargo.args(["build", "--quiet", "--workspace", "--bin", "fuzz", "--features", "fuzz/libfuzzer"]).args(features);
        cargo.env("RUSTC_WORKSPACE_WRAPPER", workspace.root().join("fuzz").join("counted"));
        // A cache of compiled crates would take the script for a compiler that it does not know.
        cargo.env("WITNESS_COUNTERS", FLAGS).env_remove("RUSTC_WRAPPER");
        step::run(&mut cargo, NO_COMPILER)?;
        Ok(Self::of(workspace, workspace.target().join("debug").join("fuzz")))
    }

    fn of(workspace: &Workspace, program: PathBuf) -> Self {
        let shared = workspace.root().join("..").join("shared").join("data");
        Self { folder: workspace.target().join("fuzz"), program, shared }
    }

    /// Runs the targets, several at a time. Errors: a target found something, or cannot run.
    pub(crate) fn run(&self, ask: &Ask) -> Result<(), Failure> {
        let targets = self.targets(&ask.targets)?;
        let open = Mutex::new(targets.iter());
        let runs: Mutex<Vec<Result<Run, Failure>>> = Mutex::new(Vec::new());
        println!("{}", Run::HEADING);
        std::thread::scope(|scope| {
            for _ in 0..ask.n_jobs.max(1) {
                scope.spawn(|| {
                    loop {
                        let Some(target) = lock(&open).next() else { return };
                        let run = target.run(self, ask.seconds);
                        if let Ok(run) = &run {
                            println!("{run}");
                        }
                        let mut runs = lock(&runs);
                        // Kept at once: half a day of runs may be ended in the middle.
                        runs.push(run.and_then(|run| report::keep(&self.folder, &run).map(|()| run)));
                    }
                });
            }
        });
        let runs = lock(&runs).drain(..).collect::<Result<Vec<Run>, Failure>>()?;
        let findings: Vec<String> = runs.iter().flat_map(|run| run.findings(self)).collect();
        if findings.is_empty() {
            return Ok(());
        }
        Err(Failure::new(
            findings.join("\n"),
            "mend what the input breaks, and keep the shortest input as a test beside the code",
        ))
    }

    /// The targets of these names, or all.
    fn targets(&self, names: &[String]) -> Result<Vec<Target>, Failure> {
        let next = "the list of targets comes from the program itself: look at what it says";
        let list = output(Command::new(&self.program).env("WITNESS_FUZZ_TARGET", "?"), next)?;
        let all: Vec<Target> = list.lines().filter_map(Target::read).collect();
        if let Some(unknown) = names.iter().find(|name| all.iter().all(|target| target.name != **name)) {
            let known: Vec<&str> = all.iter().map(|target| target.name.as_str()).collect();
            return Err(Failure::new(format!("no target `{unknown}`"), format!("there are {}", known.join(", "))));
        }
        Ok(all.into_iter().filter(|target| names.is_empty() || names.contains(&target.name)).collect())
    }
}

fn lock<T>(mutex: &Mutex<T>) -> std::sync::MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(std::sync::PoisonError::into_inner)
}
