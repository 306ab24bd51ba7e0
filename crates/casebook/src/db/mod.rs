//! The little that the casebook needs of a database, so that the same statements run on both kinds.
//!
//! Statements are written once, with `$1, $2, …` in the order of their first appearance (SQLite numbers them that way),
//! and with what both kinds understand; where they differ, [`Db::dialect`] tells.

mod sqlite;

#[cfg(feature = "postgres")]
mod server;
#[cfg(feature = "postgres")]
mod tls;

pub(crate) use sqlite::Sqlite;

#[cfg(feature = "postgres")]
pub(crate) use server::Server;

use crate::CasebookError;

/// A value of a column or of a parameter.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Value {
    Null,
    Int(i64),
    Text(String),
}

/// One row.
pub(crate) type Row = Vec<Value>;

impl Value {
    pub(crate) fn int(&self) -> Result<i64, CasebookError> {
        match self {
            Self::Int(value) => Ok(*value),
            other => Err(CasebookError::Strange(format!("{other:?} where a number belongs"))),
        }
    }

    pub(crate) fn text(&self) -> Result<&str, CasebookError> {
        match self {
            Self::Text(text) => Ok(text),
            other => Err(CasebookError::Strange(format!("{other:?} where a text belongs"))),
        }
    }

    pub(crate) fn optional_int(&self) -> Option<i64> {
        self.int().ok()
    }

    pub(crate) fn optional_text(&self) -> Option<String> {
        self.text().ok().map(str::to_owned)
    }
}

impl From<i64> for Value {
    fn from(value: i64) -> Self {
        Self::Int(value)
    }
}

impl From<&str> for Value {
    fn from(text: &str) -> Self {
        Self::Text(text.to_owned())
    }
}

impl<T: Into<Value>> From<Option<T>> for Value {
    fn from(value: Option<T>) -> Self {
        value.map_or(Self::Null, Into::into)
    }
}

/// What differs between the two kinds of database.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Dialect {
    Sqlite,
    #[cfg_attr(not(feature = "postgres"), expect(dead_code, reason = "there is no server then"))]
    Postgres,
}

impl Dialect {
    /// Behind a `SELECT` that is followed by a change: keeps others from changing the row in between. SQLite has one
    /// writer at a time anyway.
    pub(crate) fn for_update(self) -> &'static str {
        match self {
            Self::Sqlite => "",
            Self::Postgres => " FOR UPDATE",
        }
    }
}

/// Runs statements.
pub(crate) trait Sql {
    /// Runs a statement and gives its rows.
    fn rows(&mut self, sql: &str, parameters: &[Value]) -> Result<Vec<Row>, CasebookError>;

    /// Runs a statement; its rows, if any, are thrown away.
    fn run(&mut self, sql: &str, parameters: &[Value]) -> Result<(), CasebookError> {
        self.rows(sql, parameters).map(|_| ())
    }
}

/// What is done inside a transaction.
pub(crate) type Work<'a> = dyn FnMut(&mut dyn Sql) -> Result<(), CasebookError> + 'a;

/// A connection.
pub(crate) trait Db: Sql + Send {
    /// Which kind.
    fn dialect(&self) -> Dialect;

    /// All of it or nothing; on an error nothing.
    fn transaction(&mut self, work: &mut Work<'_>) -> Result<(), CasebookError>;

    /// Copies everything into a new file, as it is at one moment.
    fn copy_into(&mut self, file: &std::path::Path) -> Result<(), CasebookError>;
}
