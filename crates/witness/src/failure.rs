//! How a command ends: exit codes and messages.

use std::fmt::Display;

use crate::output::{print_error, print_json};

/// How a command ended, as scripts see it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Exit {
    /// Done, whatever the verdict.
    Done = 0,
    /// Failed.
    Failed = 1,
    /// Wrong usage or unreadable input.
    Input = 2,
    /// No vehicle or adapter answers.
    NoAnswer = 3,
    /// Refused for safety.
    Refused = 4,
    /// Done, but some data was lost.
    Lost = 5,
}

impl From<Exit> for std::process::ExitCode {
    fn from(exit: Exit) -> Self {
        Self::from(exit as u8)
    }
}

/// Why a command could not be done, and what to do next.
#[derive(Debug)]
pub(crate) struct Failure {
    pub(crate) exit: Exit,
    pub(crate) message: String,
    pub(crate) hints: Vec<String>,
}

impl Failure {
    pub(crate) fn new(exit: Exit, message: impl Display) -> Self {
        Self { exit, message: message.to_string(), hints: Vec::new() }
    }

    /// Something that the user gave cannot be used.
    pub(crate) fn input(message: impl Display) -> Self {
        Self::new(Exit::Input, message)
    }

    #[must_use]
    pub(crate) fn hint(mut self, hint: impl Into<String>) -> Self {
        self.hints.push(hint.into());
        self
    }

    /// Tells the user on standard error; with `--json` also as the one object on standard output.
    pub(crate) fn report(&self, json: bool) {
        let hints = self.hints.iter().map(|hint| format!("hint: {hint}\n"));
        print_error(&format!("error: {}\n{}", self.message, hints.collect::<String>()));
        if json {
            let error =
                wire::Failure { message: self.message.clone(), hints: self.hints.clone(), exit_code: self.exit as u8 };
            let _ = print_json(&wire::Failed { error });
        }
    }
}

impl From<workshop::WorkshopError> for Failure {
    fn from(error: workshop::WorkshopError) -> Self {
        let exit = match error.blame() {
            workshop::Blame::Input => Exit::Input,
            workshop::Blame::NoAnswer => Exit::NoAnswer,
            workshop::Blame::Failure => Exit::Failed,
            workshop::Blame::Refused => Exit::Refused,
        };
        let failure = Self::new(exit, &error);
        match error.hint() {
            Some(hint) => failure.hint(hint),
            None => failure,
        }
    }
}
