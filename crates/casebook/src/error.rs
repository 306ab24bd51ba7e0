//! What can go wrong with a casebook.

use std::path::PathBuf;

/// Why a casebook could not be opened, read or added to.
#[derive(Debug, thiserror::Error)]
pub enum CasebookError {
    /// The embedded database.
    #[error("casebook: {0}")]
    File(#[from] rusqlite::Error),
    /// The database server.
    #[cfg(feature = "postgres")]
    #[error("casebook on a server: {}", server_text(.0))]
    Server(#[from] postgres::Error),
    /// The address is one of a server, and this program was built without it.
    #[error("this program was built without PostgreSQL (cargo feature `postgres`)")]
    NoServer,
    /// The connection to a server cannot be secured as its URL says.
    #[error("the connection to the casebook's server cannot be secured: {0}")]
    Security(String),
    /// The file system refused.
    #[error("{doing} `{}`: {source}", path.display())]
    Io {
        /// What was attempted, such as "cannot write".
        doing: &'static str,
        /// The file.
        path: PathBuf,
        /// Its reason.
        source: std::io::Error,
    },
    /// The file is damaged.
    #[error("the casebook `{}` is damaged: {problem}", path.display())]
    Damaged {
        /// The file.
        path: PathBuf,
        /// What the database says.
        problem: String,
    },
    /// Written by a later version of this program.
    #[error("the casebook has format {found}, this program knows up to {known}; use a newer version")]
    Newer {
        /// Its format.
        found: i64,
        /// Ours.
        known: i64,
    },
    /// There is no such case.
    #[error("there is no case {0}")]
    NoCase(i64),
    /// There is no such entry.
    #[error("case {case} has no entry {entry}")]
    NoEntry {
        /// The case.
        case: i64,
        /// The entry.
        entry: u64,
    },
    /// The case is closed.
    #[error("case {0} is closed")]
    Closed(i64),
    /// The case is here already.
    #[error("this case is here already, as case {0}")]
    Known(i64),
    /// A ledger that is to be taken in does not verify.
    #[error("its ledger does not hold: {0}")]
    Unsound(String),
    /// Something in the database is not what this program writes.
    #[error("the casebook holds what it should not: {0}")]
    Strange(String),
}

impl CasebookError {
    /// Whether the disk that holds the casebook has no room for what was to be written.
    #[must_use]
    pub fn is_full(&self) -> bool {
        matches!(self, Self::File(error) if error.sqlite_error_code() == Some(rusqlite::ErrorCode::DiskFull))
    }

    /// Whether another program kept the casebook to itself for as long as one waits.
    #[must_use]
    pub fn is_busy(&self) -> bool {
        matches!(self, Self::File(error) if error.sqlite_error_code() == Some(rusqlite::ErrorCode::DatabaseBusy))
    }
}

/// The server's own words are behind the error, not in it.
#[cfg(feature = "postgres")]
fn server_text(error: &postgres::Error) -> String {
    match (error.as_db_error(), std::error::Error::source(error)) {
        (Some(said), _) => said.to_string(),
        (None, Some(cause)) => format!("{error}: {cause}"),
        (None, None) => error.to_string(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// SQLite documentation, "Result and Error Codes": SQLITE_BUSY is 5, SQLITE_FULL 13.
    #[test]
    fn a_full_disk_and_a_busy_casebook_are_known() {
        let error = |code| CasebookError::from(rusqlite::Error::SqliteFailure(rusqlite::ffi::Error::new(code), None));
        let told = |code| (error(code).is_full(), error(code).is_busy());
        assert_eq!((told(13), told(5), told(11)), ((true, false), (false, true), (false, false)));
    }
}
