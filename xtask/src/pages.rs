//! The pages of the workbench: built, checked, and tried in a real browser.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use serde_json::Value;

use crate::step::{Failure, output, run};
use crate::testing::Tally;
use crate::workspace::Workspace;

const NO_NODE: &str = "install Node 20.19 or newer, and npm, which some systems pack apart from it (Debian: `apt-get \
                       install nodejs npm`)";
/// Major and minor version of the oldest Node that the packer of the pages runs on; as in web/package.json.
const OLDEST_NODE: [u32; 2] = [20, 19];
const NO_CHROMIUM: &str =
    "install Chromium (Debian: `apt-get install chromium`) or name one with the variable CHROMIUM";
const MEND: &str = "mend the first error above; all checks run alone in the folder `web`, see its package.json";

/// The folder of the pages.
fn folder(workspace: &Workspace) -> PathBuf {
    workspace.root().join("web")
}

fn npm(workspace: &Workspace, words: &[&str]) -> Command {
    let mut command = Command::new(if cfg!(windows) { "npm.cmd" } else { "npm" });
    command.args(words).current_dir(folder(workspace));
    command
}

/// Installs what the lock file names if that is not there yet, and builds the pages into `web/dist`, where the program
/// takes them from.
pub(crate) fn build(workspace: &Workspace) -> Result<(), Failure> {
    let node = output(Command::new("node").arg("--version"), NO_NODE)?;
    if version(&node).is_none_or(|version| version < OLDEST_NODE) {
        return Err(Failure::new(format!("Node {} is too old to build the pages", node.trim()), NO_NODE));
    }
    output(&mut npm(workspace, &["--version"]), NO_NODE)?;
    let pages = folder(workspace);
    let written = |file: &str| fs::metadata(pages.join(file)).and_then(|about| about.modified()).ok();
    let is_installed = written("node_modules/.package-lock.json").zip(written("package-lock.json"));
    if is_installed.is_none_or(|(installed, wanted)| installed < wanted) {
        run(&mut npm(workspace, &["ci", "--no-audit", "--no-fund"]), "the package index must be reachable once")?;
    }
    run(&mut npm(workspace, &["run", "--silent", "build", "--", "--logLevel", "warn"]), MEND)
}

/// Major and minor of a version as Node prints it, such as `v20.19.0`.
fn version(printed: &str) -> Option<[u32; 2]> {
    let mut numbers = printed.trim().trim_start_matches('v').split('.').map(str::parse);
    Some([numbers.next()?.ok()?, numbers.next()?.ok()?])
}

/// Types, lints and the tests that need no browser; `python` has the libraries that they compare with.
pub(crate) fn check(workspace: &Workspace, python: &Path) -> Result<Tally, Failure> {
    run(&mut npm(workspace, &["run", "--silent", "types"]), MEND)?;
    run(&mut npm(workspace, &["run", "--silent", "lint"]), MEND)?;
    tests(workspace, "test", &[("WITNESS_PYTHON", python)])
}

/// The tests in a browser, with the program that the tests of the workspace built for themselves: to build it alone would
/// choose other features of its dependencies, and with them build half of the workspace a second time.
pub(crate) fn browse(workspace: &Workspace) -> Result<Tally, Failure> {
    tests(workspace, "browser", &[("WITNESS_PROGRAM", &built_program(workspace)), ("CHROMIUM", &chromium()?)])
}

/// Writes pictures of every place at every size into `web/screenshots`.
pub(crate) fn screenshots(workspace: &Workspace) -> Result<(), Failure> {
    let program = debug_program(workspace)?;
    let mut npm = npm(workspace, &["run", "--silent", "screenshots"]);
    run(npm.env("WITNESS_PROGRAM", program).env("CHROMIUM", chromium()?), MEND)
}

/// Measures the workbench in a browser, with the program built in release; what it prints is its result.
pub(crate) fn bench(workspace: &Workspace) -> Result<(), Failure> {
    build(workspace)?;
    run(workspace.cargo().args(["build", "--release", "--package", "witness"]), "mend the first error above")?;
    let program = workspace.target().join("release").join(format!("witness{}", std::env::consts::EXE_SUFFIX));
    let mut npm = npm(workspace, &["run", "--silent", "bench"]);
    run(npm.env("WITNESS_PROGRAM", program).env("CHROMIUM", chromium()?), "the lines above are what the bench said")
}

/// The program as `cargo build` leaves it.
pub(crate) fn debug_program(workspace: &Workspace) -> Result<PathBuf, Failure> {
    run(workspace.cargo().args(["build", "--package", "witness"]), "mend the first error above")?;
    Ok(built_program(workspace))
}

/// Where a debug build leaves the program.
fn built_program(workspace: &Workspace) -> PathBuf {
    workspace.target().join("debug").join(format!("witness{}", std::env::consts::EXE_SUFFIX))
}

fn tests(workspace: &Workspace, script: &str, environment: &[(&str, &Path)]) -> Result<Tally, Failure> {
    let report = workspace.target().join(format!("web-{script}.json"));
    let to = format!("--outputFile.json={}", report.display());
    let mut npm = npm(workspace, &["run", "--silent", script, "--", "--reporter=default", "--reporter=json", &to]);
    run(npm.envs(environment.iter().copied()), MEND)?;
    let text = fs::read_to_string(&report).unwrap_or_default();
    let told: Value = serde_json::from_str(&text).unwrap_or_default();
    let tally = Tally::new(
        told["numPassedTests"].as_u64().unwrap_or(0),
        told["numFailedTests"].as_u64().unwrap_or(0),
        told["numPendingTests"].as_u64().unwrap_or(0),
    );
    if tally.is_empty() { Err(Failure::new(format!("`npm run {script}` ran no test"), MEND)) } else { Ok(tally) }
}

/// The browser; in CI it is installed when it is missing.
fn chromium() -> Result<PathBuf, Failure> {
    if let Some(named) = std::env::var_os("CHROMIUM") {
        return Ok(PathBuf::from(named));
    }
    let usual = PathBuf::from("/usr/bin/chromium");
    if !usual.exists() && std::env::var_os("CI").is_some() {
        run(Command::new("apt-get").args(["--quiet", "update"]), NO_CHROMIUM)?;
        let mut install = Command::new("apt-get");
        install.args(["--quiet", "install", "--yes", "--no-install-recommends", "chromium"]);
        run(install.env("DEBIAN_FRONTEND", "noninteractive"), NO_CHROMIUM)?;
    }
    if usual.exists() { Ok(usual) } else { Err(Failure::new("there is no Chromium to try the pages in", NO_CHROMIUM)) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn versions_of_node_compare_as_numbers() {
        assert_eq!(version("v20.19.0\n"), Some(OLDEST_NODE));
        assert!(version("v18.20.4\n").is_some_and(|old| old < OLDEST_NODE));
        assert!(version("v20.9.0\n").is_some_and(|old| old < OLDEST_NODE));
        assert!(version("v22.3.1\n").is_some_and(|new| new > OLDEST_NODE));
        assert_eq!(version("not a version"), None);
    }
}
