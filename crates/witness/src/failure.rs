//! How a command ends: exit codes and messages.

use std::fmt::Display;

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
        eprintln!("error: {}", self.message);
        for hint in &self.hints {
            eprintln!("hint: {hint}");
        }
        if json {
            let error =
                wire::Failure { message: self.message.clone(), hints: self.hints.clone(), exit_code: self.exit as u8 };
            let _ = crate::output::print_json(&wire::Failed { error });
        }
    }
}

/// A failed write to a file that the user named, or one that the tool keeps for them.
pub(crate) fn cannot_write(path: &std::path::Path, source: &std::io::Error) -> Failure {
    let failure = Failure::new(Exit::Failed, format!("cannot write `{}`: {source}", path.display()));
    match source.kind() {
        std::io::ErrorKind::AlreadyExists => failure.hint("choose another name, or give --force to replace the file"),
        std::io::ErrorKind::PermissionDenied => failure.hint("choose a folder that you may write to with --out"),
        std::io::ErrorKind::StorageFull => failure.hint("free some space; nothing that was there before was touched"),
        _ => failure,
    }
}

/// A file that cannot be read.
pub(crate) fn cannot_read(path: &std::path::Path, source: &std::io::Error) -> Failure {
    Failure::input(format!("cannot read `{}`: {source}", path.display()))
}

impl From<drive::DriveError> for Failure {
    fn from(error: drive::DriveError) -> Self {
        use drive::DriveError as E;
        let failure = match &error {
            E::Io { .. } | E::Stopped { .. } | E::Write { .. } | E::Lost { .. } => Failure::new(Exit::Failed, &error),
            _ => Failure::input(&error),
        };
        match &error {
            E::Exists(_) => failure.hint("give --force to replace it"),
            E::Io { source, .. } if source.kind() == std::io::ErrorKind::NotFound => {
                Failure { exit: Exit::Input, ..failure }.hint("check the path")
            }
            E::NotADrive { .. } => {
                failure.hint("make a drive from a table with `witness import FILE.csv --out DRIVE.mcap`")
            }
            _ => failure,
        }
    }
}
