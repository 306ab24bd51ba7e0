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

/// Ends a command whose words were not understood, or that only asked for help or the version. The words themselves say
/// whether `--json` is wanted: nothing else is known of them.
pub(crate) fn misread(error: &clap::Error) -> std::process::ExitCode {
    let _ = error.print();
    if !error.use_stderr() {
        return Exit::Done.into();
    }
    if std::env::args_os().take_while(|word| word != "--").any(|word| word == "--json") {
        let _ = print_json(&wire::Failed { error: told(&error.render().to_string()) });
    }
    Exit::Input.into()
}

/// What was said at the terminal, as data: what is wrong, then what to do, each by its paragraph.
fn told(said: &str) -> wire::Failure {
    let mut paragraphs = said.trim().split("\n\n").map(|text| text.split_whitespace().collect::<Vec<_>>().join(" "));
    // Without a word behind it a group of commands shows its help, which says nothing of a mistake.
    let message = match said.strip_prefix("error: ") {
        Some(_) => paragraphs.next().unwrap_or_default().trim_start_matches("error: ").to_owned(),
        None => "a command is missing".to_owned(),
    };
    wire::Failure { message, hints: paragraphs.collect(), exit_code: Exit::Input as u8 }
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
