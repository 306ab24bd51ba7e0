//! The same casebook on a PostgreSQL server, for several benches at once.

use std::path::Path;

use postgres::types::{IsNull, ToSql, Type, private::BytesMut, to_sql_checked};
use postgres::{Client, GenericClient};

use super::{Db, Dialect, Row, Sql, Sqlite, Value, Work};
use crate::CasebookError;
use crate::schema;

/// Held while a program brings the tables up to date, so that two that start at once do not do it twice. Any number will
/// do, as long as it stays the same.
const MIGRATION_LOCK: i64 = 0x0077_6974_6e65_7373;

pub(crate) struct Server {
    client: Client,
}

impl Server {
    /// Connects and brings the tables up to date.
    pub(crate) fn open(url: &str) -> Result<Self, CasebookError> {
        let mut client = super::tls::connect(url)?;
        let mut transaction = client.transaction()?;
        transaction.execute("SELECT pg_advisory_xact_lock($1)", &[&MIGRATION_LOCK])?;
        transaction.batch_execute("CREATE TABLE IF NOT EXISTS casebook_format (version BIGINT NOT NULL)")?;
        let found: i64 = transaction.query_opt("SELECT version FROM casebook_format", &[])?.map_or(0, |row| row.get(0));
        let known = schema::STEPS.len() as i64;
        if found > known {
            return Err(CasebookError::Newer { found, known });
        }
        if found < known {
            for step in schema::STEPS.iter().skip(usize::try_from(found).unwrap_or(0)) {
                transaction.batch_execute(step.postgres)?;
            }
            transaction.execute("DELETE FROM casebook_format", &[])?;
            transaction.execute("INSERT INTO casebook_format VALUES ($1)", &[&known])?;
        }
        transaction.commit()?;
        Ok(Self { client })
    }
}

impl ToSql for Value {
    fn to_sql(&self, kind: &Type, out: &mut BytesMut) -> Result<IsNull, Box<dyn std::error::Error + Sync + Send>> {
        match self {
            Self::Null => Ok(IsNull::Yes),
            Self::Int(value) => value.to_sql(kind, out),
            Self::Text(text) => text.to_sql(kind, out),
        }
    }

    fn accepts(kind: &Type) -> bool {
        matches!(*kind, Type::INT8 | Type::TEXT)
    }

    to_sql_checked!();
}

fn rows(client: &mut impl GenericClient, sql: &str, parameters: &[Value]) -> Result<Vec<Row>, CasebookError> {
    let parameters: Vec<&(dyn ToSql + Sync)> = parameters.iter().map(|value| value as &(dyn ToSql + Sync)).collect();
    let mut all = Vec::new();
    for row in client.query(sql, &parameters)? {
        let mut values = Vec::with_capacity(row.len());
        for (idx, column) in row.columns().iter().enumerate() {
            values.push(match *column.type_() {
                Type::INT8 => row.try_get::<_, Option<i64>>(idx)?.into(),
                Type::TEXT => row.try_get::<_, Option<&str>>(idx)?.into(),
                ref other => return Err(CasebookError::Strange(format!("a column of type {other}"))),
            });
        }
        all.push(values);
    }
    Ok(all)
}

impl Sql for Server {
    fn rows(&mut self, sql: &str, parameters: &[Value]) -> Result<Vec<Row>, CasebookError> {
        rows(&mut self.client, sql, parameters)
    }
}

struct Inside<'a>(postgres::Transaction<'a>);

impl Sql for Inside<'_> {
    fn rows(&mut self, sql: &str, parameters: &[Value]) -> Result<Vec<Row>, CasebookError> {
        rows(&mut self.0, sql, parameters)
    }
}

impl Db for Server {
    fn dialect(&self) -> Dialect {
        Dialect::Postgres
    }

    fn transaction(&mut self, work: &mut Work<'_>) -> Result<(), CasebookError> {
        let mut inside = Inside(self.client.transaction()?);
        work(&mut inside)?;
        Ok(inside.0.commit()?)
    }

    fn copy_into(&mut self, file: &Path) -> Result<(), CasebookError> {
        let mut copy = Sqlite::open(file)?;
        self.transaction(&mut |from| {
            from.run("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ", &[])?;
            copy.transaction(&mut |to| schema::TABLES.iter().try_for_each(|table| copy_table(from, to, table)))
        })
    }
}

/// Rows are read in pieces, so that a large casebook needs no large memory.
fn copy_table(from: &mut dyn Sql, to: &mut dyn Sql, table: &schema::Table) -> Result<(), CasebookError> {
    const PIECE: i64 = 1000;
    let columns = table.columns.join(", ");
    let places: Vec<String> = (1..=table.columns.len()).map(|place| format!("${place}")).collect();
    let insert = format!("INSERT INTO {} ({columns}) VALUES ({})", table.name, places.join(", "));
    let select = format!("SELECT {columns} FROM {} ORDER BY {} LIMIT $1 OFFSET $2", table.name, table.key);
    let mut offset = 0;
    loop {
        let rows = from.rows(&select, &[PIECE.into(), offset.into()])?;
        let n_rows = rows.len() as i64;
        rows.iter().try_for_each(|row| to.run(&insert, row))?;
        offset += n_rows;
        if n_rows < PIECE {
            return Ok(());
        }
    }
}
