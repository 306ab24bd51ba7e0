//! What an answer says when something could not be done.

use axum::Json;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use serde::Serialize;
use workshop::{Blame, WorkshopError};

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
        if error.is_no_case() {
            return Self::missing(error).hint("look for it among the cases, under Start");
        }
        let status = match error.blame() {
            Blame::Input => StatusCode::UNPROCESSABLE_ENTITY,
            Blame::NoAnswer => StatusCode::BAD_GATEWAY,
            Blame::Refused => StatusCode::CONFLICT,
            Blame::Failure => StatusCode::INTERNAL_SERVER_ERROR,
        };
        Self { status, message: error.to_string(), hints: error.hint().into_iter().collect() }
    }
}

impl From<drive::DriveError> for Failure {
    fn from(error: drive::DriveError) -> Self {
        WorkshopError::from(error).into()
    }
}
