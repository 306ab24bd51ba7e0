//! What an answer says when something could not be done.

use std::path::Path;

use axum::Json;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use drive::{DriveError, TableError, TableProblem};
use serde::Serialize;
use workshop::{Blame, Lack, WorkshopError};

/// Why a request could not be served: what happened, and what to do next.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Failure {
    status: StatusCode,
    message: String,
    hints: Vec<String>,
}

/// The body of every answer that is no success.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(ts_rs::TS))]
pub(crate) struct FailureJson {
    /// What happened, one sentence.
    pub(crate) message: String,
    /// What to try, one sentence each.
    pub(crate) hints: Vec<String>,
}

impl Failure {
    pub(crate) fn new(status: StatusCode, message: impl ToString) -> Self {
        Self { status, message: message.to_string(), hints: Vec::new() }
    }

    /// What was asked for cannot be used.
    pub(crate) fn input(message: impl ToString) -> Self {
        Self::new(StatusCode::UNPROCESSABLE_ENTITY, message)
    }

    /// There is no such thing.
    pub(crate) fn missing(message: impl ToString) -> Self {
        Self::new(StatusCode::NOT_FOUND, message)
    }

    /// Who asked may not do that.
    pub(crate) fn forbidden(message: impl ToString) -> Self {
        Self::new(StatusCode::FORBIDDEN, message)
    }

    /// It cannot be done now, because of something else that is going on.
    pub(crate) fn busy(message: impl ToString) -> Self {
        Self::new(StatusCode::CONFLICT, message)
    }

    /// The server's own fault, or the disk's.
    pub(crate) fn own(message: impl ToString) -> Self {
        Self::new(StatusCode::INTERNAL_SERVER_ERROR, message)
    }

    #[must_use]
    pub(crate) fn hint(mut self, hint: impl Into<String>) -> Self {
        self.hints.push(hint.into());
        self
    }

    /// The same of a file as whoever chose it calls it, not as it is called while it is looked at.
    #[must_use]
    pub(crate) fn calling(mut self, file: &Path, name: &str) -> Self {
        self.message = self.message.replace(&file.display().to_string(), name);
        self
    }
}

impl std::fmt::Display for Failure {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(&self.message)
    }
}

impl From<Failure> for FailureJson {
    fn from(failure: Failure) -> Self {
        Self { message: failure.message, hints: failure.hints }
    }
}

impl IntoResponse for Failure {
    fn into_response(self) -> Response {
        (self.status, Json(FailureJson::from(self))).into_response()
    }
}

impl From<WorkshopError> for Failure {
    fn from(error: WorkshopError) -> Self {
        let status = match error.blame() {
            _ if error.is_no_case() => StatusCode::NOT_FOUND,
            Blame::Input => StatusCode::UNPROCESSABLE_ENTITY,
            Blame::NoAnswer => StatusCode::BAD_GATEWAY,
            Blame::Refused => StatusCode::CONFLICT,
            Blame::Failure => StatusCode::INTERNAL_SERVER_ERROR,
        };
        let hint = hint_on_a_page(&error).map(str::to_owned).or_else(|| error.hint());
        Self { status, message: said_on_a_page(&error), hints: hint.into_iter().collect() }
    }
}

impl From<DriveError> for Failure {
    fn from(error: DriveError) -> Self {
        WorkshopError::from(error).into()
    }
}

/// What happened, without what only somebody at a terminal could do about it.
fn said_on_a_page(error: &WorkshopError) -> String {
    match error {
        WorkshopError::Drive(DriveError::Table(error)) => said_of_table(error),
        WorkshopError::Photo { what, .. } => format!("the picture: {what}"),
        WorkshopError::Logo(_) => "the picture is neither PNG nor JPEG of at most 50 megapixels".to_owned(),
        error => error.to_string(),
    }
}

fn said_of_table(error: &TableError) -> String {
    let what = match &error.problem {
        TableProblem::NoTime { found, separator: None } => {
            format!("the first column must be `time_s`, it is `{found}`")
        }
        TableProblem::Name { heading, reason } => format!("`{heading}` cannot be the name of a signal ({reason})"),
        TableProblem::Unit { signal, unit, accepted } => {
            format!("`{signal}` cannot be in `{unit}`; accepted: {accepted}")
        }
        TableProblem::SameSignal { first, second, signal } => {
            format!("`{first}` and `{second}` both become `{signal}`")
        }
        _ => return error.to_string(),
    };
    format!("`{}`, line {}: {what}", error.file, error.line)
}

/// What to do next in the browser, where the workshop names what is typed at a terminal.
fn hint_on_a_page(error: &WorkshopError) -> Option<&'static str> {
    use WorkshopError as E;
    Some(match error {
        E::Lacking { lacking: Lack::Picture | Lack::Entry | Lack::Swap, .. } => "the ledger shows what was done",
        E::Lacking { lacking: Lack::Drive, .. } => "open it under Review, which brings it in",
        E::Lacking { lacking: Lack::DriveBefore, .. } => {
            "record a drive that shows the fault under Live, and open it under Review"
        }
        E::Lacking { lacking: Lack::MovedPart, .. } => "say under Swap what changed places or came in",
        E::Lacking { lacking: Lack::Pair, .. } => "survey or drive once more",
        E::NoOpenCase => "open one under Start",
        E::Elsewhere { .. } => "bring in the case as a file from the bench that has it, under Start",
        E::Standin(_) => "name one of those behind `standin:`",
        E::NoModel => "write it down when a case of this car is opened, under Start",
        E::NoCommand(_) => "a file of the car's maker is added under Settings",
        E::NoSignal | E::SignalName(_) => "choose signals from the list under Live",
        E::NoWatchlist(_) => "choose another one",
        E::Drive(DriveError::NotADrive { .. }) => "choose a drive, a table of values or a case",
        E::Drive(DriveError::Table(_)) => {
            "name the columns in its first line: `time_s`, then signals as `engine.speed [rpm]`"
        }
        // Of all that can be wrong with a casebook only these two are told of by a command.
        E::Casebook(_) if error.hint().is_some_and(|hint| hint.contains("`witness ")) => {
            "look for it among the cases, under Start"
        }
        _ => return None,
    })
}

#[cfg(test)]
mod tests {
    use workshop::{Import, NewCase, Places, Workshop};

    use super::*;

    #[test]
    fn nobody_is_told_to_type_a_command_into_a_page() {
        let folder = tempfile::tempdir().unwrap();
        let workshop = Workshop::new(Places::at(folder.path()).unwrap(), "test");
        let table = folder.path().join("7-0");
        std::fs::write(&table, "a,b\n1,2\n").unwrap();
        let import = Import { file: table.clone(), out: folder.path().join("made.mcap"), ..Import::default() };
        let mut all = vec![
            workshop.import(&import).unwrap_err(),
            workshop.show_case().unwrap_err(),
            WorkshopError::Elsewhere { path: "a.mcap".to_owned(), who: "test".to_owned() },
        ];
        workshop.new_case(&NewCase::default()).unwrap();
        all.push(workshop.judge_case().unwrap_err());
        all.push(workshop.undo_swap(true).unwrap_err());
        all.push(workshop.proof_of_case().unwrap_err());
        all.push(workshop.add_photo(&table, "none").unwrap_err());
        all.push(workshop.clone().in_case(workshop::CaseChoice::Number(7)).show_case().unwrap_err());
        for error in all {
            let FailureJson { message, hints } = Failure::from(error).calling(&table, "log.csv").into();
            assert!(!hints.is_empty(), "{message}");
            for text in hints.iter().chain([&message]) {
                let is_typed =
                    ["`witness ", "--", &folder.path().display().to_string()].iter().any(|one| text.contains(one));
                assert!(!is_typed, "{text}");
                assert!(phrases::spanish().said(text).is_some(), "{text}");
            }
        }
    }
}
