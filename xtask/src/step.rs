//! Steps with a heading and a time, and programs that are run for them.

use std::process::Command;
use std::time::{Duration, Instant};

/// What to do when a crate that brings C code does not build.
pub(crate) const C_COMPILER: &str =
    "if a C compiler is missing: install one (Debian: `apt-get install gcc`); otherwise mend the first error above";

/// A step that did not succeed: what happened, and what to do.
#[derive(Debug, thiserror::Error)]
#[error("error: {what}\nhint: {next}")]
pub(crate) struct Failure {
    what: String,
    next: String,
}

impl Failure {
    pub(crate) fn new(what: impl Into<String>, next: impl Into<String>) -> Self {
        Self { what: what.into(), next: next.into() }
    }
}

/// Runs the steps of a task, tells them apart on the terminal and keeps their times.
pub(crate) struct Steps {
    n_steps: usize,
    done: Vec<(String, Duration)>,
}

impl Steps {
    pub(crate) fn of(n_steps: usize) -> Self {
        Self { n_steps, done: Vec::new() }
    }

    /// Runs one step. `title` is `name: what is run`.
    pub(crate) fn step<T>(&mut self, title: &str, work: impl FnOnce() -> Result<T, Failure>) -> Result<T, Failure> {
        let (number, n_steps) = (self.done.len() + 1, self.n_steps);
        let name = title.split(':').next().unwrap_or(title);
        println!("\n== {number}/{n_steps} {title}");
        let start = Instant::now();
        let result = work();
        let took = start.elapsed();
        match &result {
            Ok(_) => println!("== {name}: done in {:.1} s", took.as_secs_f64()),
            Err(_) => println!("== {name}: FAILED after {:.1} s", took.as_secs_f64()),
        }
        self.done.push((name.to_owned(), took));
        result
    }

    /// Prints what each step took.
    pub(crate) fn summary(&self) {
        println!();
        for (name, took) in &self.done {
            println!("{name:>10} {:7.1} s", took.as_secs_f64());
        }
        let all: Duration = self.done.iter().map(|(_, took)| *took).sum();
        println!("{:>10} {:7.1} s", "all", all.as_secs_f64());
    }
}

/// Runs a program that prints for itself. Errors: it cannot be started, or ends with anything but success; `next` then
/// says what to do.
pub(crate) fn run(command: &mut Command, next: &str) -> Result<(), Failure> {
    let shown = shown(command);
    let status =
        command.status().map_err(|cause| Failure::new(format!("`{shown}` cannot be started: {cause}"), next))?;
    if status.success() { Ok(()) } else { Err(Failure::new(format!("`{shown}` ended with {status}"), next)) }
}

/// Runs a program and returns what it printed on standard output. Errors as in [`run`].
pub(crate) fn output(command: &mut Command, next: &str) -> Result<String, Failure> {
    let shown = shown(command);
    let output =
        command.output().map_err(|cause| Failure::new(format!("`{shown}` cannot be started: {cause}"), next))?;
    if output.status.success() {
        return Ok(String::from_utf8_lossy(&output.stdout).into_owned());
    }
    let said = String::from_utf8_lossy(&output.stderr);
    Err(Failure::new(format!("`{shown}` ended with {}: {}", output.status, said.trim()), next))
}

/// A command as one could type it.
pub(crate) fn shown(command: &Command) -> String {
    let words = std::iter::once(command.get_program()).chain(command.get_args());
    words.map(|word| word.to_string_lossy()).collect::<Vec<_>>().join(" ")
}
