//! The test run, and how many tests it was.

use std::fmt;
use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::Stdio;

use crate::step::{Failure, shown};
use crate::workspace::Workspace;

/// Counts over all test programs of a run.
#[derive(Debug, Default, PartialEq, Eq)]
pub(crate) struct Tally {
    passed: u64,
    failed: u64,
    skipped: u64,
}

impl fmt::Display for Tally {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "tests: {} passed, {} failed, {} skipped", self.passed, self.failed, self.skipped)
    }
}

impl std::ops::AddAssign for Tally {
    fn add_assign(&mut self, other: Self) {
        self.passed += other.passed;
        self.failed += other.failed;
        self.skipped += other.skipped;
    }
}

impl Tally {
    pub(crate) fn new(passed: u64, failed: u64, skipped: u64) -> Self {
        Self { passed, failed, skipped }
    }

    /// Whether no test ran.
    pub(crate) fn is_empty(&self) -> bool {
        self.passed + self.failed == 0
    }

    /// Adds a closing line of a test program: `test result: ok. 3 passed; 0 failed; 1 ignored; …`. Other lines count
    /// nothing.
    fn add(&mut self, line: &str) {
        let Some((_, counts)) = line.strip_prefix("test result: ").and_then(|rest| rest.split_once(". ")) else {
            return;
        };
        for count in counts.split("; ") {
            let Some((number, what)) = count.split_once(' ') else { continue };
            let number = number.parse().unwrap_or(0);
            match what {
                "passed" => self.passed += number,
                "failed" => self.failed += number,
                "ignored" => self.skipped += number,
                _ => {}
            }
        }
    }
}

/// Runs the tests that `which` chooses, documentation examples included, with the oracles at hand, and with a database
/// server where there is one.
///
/// A failing test program does not keep the others from running: one run shows everything that is broken. Errors: a
/// test failed, or none ran.
pub(crate) fn run(
    workspace: &Workspace,
    python: &Path,
    postgres: Option<&str>,
    which: &[&str],
) -> Result<Tally, Failure> {
    let mut command = workspace.cargo();
    command.args(["test", "--no-fail-fast"]).args(which).env("WITNESS_PYTHON", python).stdout(Stdio::piped());
    if let Some(url) = postgres {
        command.env("WITNESS_POSTGRES", url);
    }
    let shown = shown(&command);
    let failed =
        |what: String| Failure::new(format!("`{shown}`: {what}"), "run one test alone with `cargo test -p CRATE NAME`");
    let mut child = command.spawn().map_err(|cause| failed(format!("cannot be started: {cause}")))?;
    let mut tally = Tally::default();
    if let Some(stdout) = child.stdout.take() {
        // Lines can be anything that a test prints: bytes that are no text must not end the run.
        for line in BufReader::new(stdout).split(b'\n') {
            let line = line.map_err(|cause| failed(format!("its output cannot be read: {cause}")))?;
            let line = String::from_utf8_lossy(&line);
            println!("{line}");
            tally.add(&line);
        }
    }
    let status = child.wait().map_err(|cause| failed(cause.to_string()))?;
    if !status.success() {
        return Err(failed(format!("{status}; {tally}")));
    }
    if tally.passed == 0 {
        return Err(failed("no test ran".to_owned()));
    }
    Ok(tally)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn closing_lines_are_added_up_and_nothing_else() {
        let mut tally = Tally::default();
        for line in [
            "running 3 tests",
            "test a ... ok",
            "test result: ok. 10 passed; 0 failed; 1 ignored; 0 measured; 7 filtered out; finished in 0.05s",
            "a test that prints 99 passed; 99 failed",
            "test result: FAILED. 2 passed; 3 failed; 0 ignored; 0 measured; 0 filtered out; finished in 0.00s",
        ] {
            tally.add(line);
        }
        assert_eq!(tally, Tally { passed: 12, failed: 3, skipped: 1 });
        assert_eq!(tally.to_string(), "tests: 12 passed, 3 failed, 1 skipped");
    }
}
