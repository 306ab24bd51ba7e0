//! Tables: drives made from them, and written as them.
//!
//! A wide table has one row per time and one column per signal; a long one has one row per sample. Both are streamed: no
//! part of a table but one row, of bounded length, is ever held as text.

mod error;
mod export;
mod heading;
mod import;
mod number;
mod rows;

pub use error::{TableError, TableProblem};
pub use export::{ExportOptions, Exported, export, export_table};
pub use heading::{MapEntry, MapError};
pub(crate) use import::{Conversion, quote, signal_for};
pub use import::{ImportOptions, Imported, import, import_table, read_table};
pub(crate) use number::parse_time;

/// The two kinds of table.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Layout {
    /// One row per time: `time_s,SIGNAL [UNIT],SIGNAL [UNIT],…`, an empty cell where a signal has no sample.
    #[default]
    Wide,
    /// One row per sample: `time_s,signal,value,unit`.
    Long,
}

/// Heading of the time column, in seconds.
const TIME: &str = "time_s";
