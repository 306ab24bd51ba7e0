//! The embedded database: one file.

use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use rusqlite::backup::Backup;
use rusqlite::types::ValueRef;
use rusqlite::{Connection, ErrorCode, ToSql, TransactionBehavior, types::ToSqlOutput};

use super::{Db, Dialect, Row, Sql, Value, Work};
use crate::CasebookError;
use crate::schema;

/// How long a writer waits for another one.
const PATIENCE: Duration = Duration::from_secs(30);
/// Up to this size a file is checked whole whenever it is opened, bytes; a larger one only after a run that ended early.
const CHECKED_ALWAYS: u64 = 16 << 20;

/// Makes the file, if it is not there, as the user's alone; what the database lays beside it follows. Where that cannot be
/// done the database says why when it opens it.
#[cfg(unix)]
fn make_private(path: &Path) {
    use std::os::unix::fs::OpenOptionsExt;
    let _ = std::fs::OpenOptions::new().write(true).create_new(true).mode(0o600).open(path);
}

/// Folders of a user are the user's alone on this system.
#[cfg(not(unix))]
fn make_private(_: &Path) {}

/// Turns write-ahead logging on. Where several do so at once on a new file, one of them is told that it is busy without
/// having waited: SQLite does not let two wait for each other.
fn use_wal(connection: &Connection) -> Result<(), CasebookError> {
    let begun = Instant::now();
    loop {
        match connection.pragma_update(None, "journal_mode", "WAL") {
            Err(error) if error.sqlite_error_code() == Some(ErrorCode::DatabaseBusy) && begun.elapsed() < PATIENCE => {
                std::thread::sleep(Duration::from_millis(2));
            }
            result => return Ok(result?),
        }
    }
}

/// Pages that a backup copies in one go, and how long others get their turn in between.
const BACKUP_STEP: (i32, Duration) = (256, Duration::from_millis(1));

pub(crate) struct Sqlite {
    connection: Connection,
    path: PathBuf,
}

impl Sqlite {
    /// Opens or makes the file, checks it and brings it up to date.
    pub(crate) fn open(path: &Path) -> Result<Self, CasebookError> {
        let left_behind = Path::new(&format!("{}-wal", path.display())).exists();
        let size = path.metadata().map_or(0, |metadata| metadata.len());
        make_private(path);
        let connection = Connection::open(path)?;
        connection.busy_timeout(PATIENCE)?;
        use_wal(&connection)?;
        // With WAL, FULL syncs at every commit: what was acknowledged survives a power cut.
        connection.pragma_update(None, "synchronous", "FULL")?;
        connection.pragma_update(None, "foreign_keys", "ON")?;
        connection.set_prepared_statement_cache_capacity(64);
        let mut db = Self { connection, path: path.to_owned() };
        if left_behind || size <= CHECKED_ALWAYS {
            db.check()?;
        }
        db.migrate()?;
        Ok(db)
    }

    /// The database's own check of the file.
    pub(crate) fn check(&self) -> Result<(), CasebookError> {
        let said: String = self.connection.query_row("PRAGMA quick_check(1)", [], |row| row.get(0))?;
        if said == "ok" { Ok(()) } else { Err(CasebookError::Damaged { path: self.path.clone(), problem: said }) }
    }

    fn version(connection: &Connection) -> Result<i64, CasebookError> {
        Ok(connection.query_row("PRAGMA user_version", [], |row| row.get(0))?)
    }

    fn migrate(&mut self) -> Result<(), CasebookError> {
        let known = schema::STEPS.len() as i64;
        if Self::version(&self.connection)? == known {
            return Ok(());
        }
        let transaction = self.connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
        // Asked again inside: another bench may have been faster.
        let found = Self::version(&transaction)?;
        if found > known {
            return Err(CasebookError::Newer { found, known });
        }
        for step in schema::STEPS.iter().skip(usize::try_from(found).unwrap_or(0)) {
            transaction.execute_batch(step.sqlite)?;
        }
        transaction.pragma_update(None, "user_version", known)?;
        Ok(transaction.commit()?)
    }
}

impl ToSql for Value {
    fn to_sql(&self) -> rusqlite::Result<ToSqlOutput<'_>> {
        Ok(match self {
            Self::Null => ToSqlOutput::Borrowed(ValueRef::Null),
            Self::Int(value) => ToSqlOutput::Borrowed(ValueRef::Integer(*value)),
            Self::Text(text) => ToSqlOutput::Borrowed(ValueRef::Text(text.as_bytes())),
        })
    }
}

fn rows(connection: &Connection, sql: &str, parameters: &[Value]) -> Result<Vec<Row>, CasebookError> {
    let mut statement = connection.prepare_cached(sql)?;
    let n_columns = statement.column_count();
    let mut rows = statement.query(rusqlite::params_from_iter(parameters))?;
    let mut all = Vec::new();
    while let Some(row) = rows.next()? {
        let mut values = Vec::with_capacity(n_columns);
        for column in 0..n_columns {
            values.push(match row.get_ref(column)? {
                ValueRef::Null => Value::Null,
                ValueRef::Integer(value) => Value::Int(value),
                ValueRef::Text(text) => Value::Text(String::from_utf8_lossy(text).into_owned()),
                other => return Err(CasebookError::Strange(format!("a column of type {}", other.data_type()))),
            });
        }
        all.push(values);
    }
    Ok(all)
}

impl Sql for Sqlite {
    fn rows(&mut self, sql: &str, parameters: &[Value]) -> Result<Vec<Row>, CasebookError> {
        rows(&self.connection, sql, parameters)
    }
}

struct Inside<'a>(rusqlite::Transaction<'a>);

impl Sql for Inside<'_> {
    fn rows(&mut self, sql: &str, parameters: &[Value]) -> Result<Vec<Row>, CasebookError> {
        rows(&self.0, sql, parameters)
    }
}

impl Db for Sqlite {
    fn dialect(&self) -> Dialect {
        Dialect::Sqlite
    }

    fn transaction(&mut self, work: &mut Work<'_>) -> Result<(), CasebookError> {
        let mut inside = Inside(self.connection.transaction_with_behavior(TransactionBehavior::Immediate)?);
        work(&mut inside)?;
        Ok(inside.0.commit()?)
    }

    fn copy_into(&mut self, file: &Path) -> Result<(), CasebookError> {
        make_private(file);
        let mut copy = Connection::open(file)?;
        Backup::new(&self.connection, &mut copy)?.run_to_completion(BACKUP_STEP.0, BACKUP_STEP.1, None)?;
        Ok(())
    }
}
