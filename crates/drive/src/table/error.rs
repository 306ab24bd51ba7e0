//! What can be wrong with a table, and where.

use std::fmt;

use super::number::write_time;

/// A table that cannot become a drive: which file, which line, which column, what is wrong, and what to do.
#[derive(Debug, thiserror::Error)]
pub struct TableError {
    /// Name of the file, as it was given.
    pub file: String,
    /// Line, from 1; 0 if the file as a whole is meant.
    pub line: u64,
    /// Heading of the column, where one is to blame.
    pub column: Option<String>,
    /// What is wrong.
    #[source]
    pub problem: TableProblem,
}

impl fmt::Display for TableError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "`{}`", self.file)?;
        if self.line > 0 {
            write!(f, ", line {}", self.line)?;
        }
        if let Some(column) = &self.column {
            write!(f, ", column `{column}`")?;
        }
        write!(f, ": {}", self.problem)
    }
}

/// What is wrong with a table.
#[derive(Debug, thiserror::Error)]
pub enum TableProblem {
    /// Reading failed.
    #[error("cannot be read on: {0}")]
    Io(std::io::Error),
    /// A damaged or truncated gzip stream.
    #[error("the gzip stream is damaged or ends early ({0}); get the file anew, or unpack what is left of it first")]
    Gzip(std::io::Error),
    /// A gzip stream that unpacks to a multiple of itself that no measurement reaches.
    #[error(
        "unpacks to more than {0} times its size, which no table of measurements does; unpack it first if it is one"
    )]
    Bomb(u64),
    /// Nothing in it.
    #[error("the table is empty; its first line must name the columns, starting with `time_s`")]
    Empty,
    /// Not text.
    #[error(
        "this is not a table of text ({0}); save it as text in UTF-8 with commas or semicolons between the columns"
    )]
    Binary(&'static str),
    /// A row that does not end.
    #[error("a row of more than {0} bytes; are line ends or a closing quote missing?")]
    LongRow(usize),
    /// More columns than a drive can have signals.
    #[error("more than {0} columns")]
    ManyColumns(usize),
    /// No time column.
    #[error(
        "the first column must be `time_s`, it is `{found}`{}; map the column that holds the time with \
         `--map 'COLUMN=time_s [UNIT]'` (unit s, ms, us or ns)",
        .separator.map_or(String::new(), |c| format!(" (columns seem to be separated by {c:?}, they must be by commas or semicolons)"))
    )]
    NoTime {
        /// Heading of the first column.
        found: String,
        /// What seems to stand between the columns instead of a comma or semicolon.
        separator: Option<char>,
    },
    /// Two columns for the time.
    #[error("there are two columns for the time; map only one to `time_s`")]
    TwoTimes,
    /// A time unit that is not one.
    #[error("the time cannot be in `{0}`; use s, ms, us or ns")]
    TimeUnit(String),
    /// No signal.
    #[error("there is no column besides the time")]
    NoSignal,
    /// A heading that cannot be a signal's name.
    #[error("`{heading}` cannot be the name of a signal ({reason}); map it with `--map 'COLUMN=SIGNAL [UNIT]'`")]
    Name {
        /// The heading.
        heading: String,
        /// Why not.
        reason: signal::IdError,
    },
    /// A mapped column that the table does not have.
    #[error("the table has no `{column}` to map to `{signal}`; it has: {has}")]
    UnknownMap {
        /// The column in the map.
        column: String,
        /// What it was mapped to.
        signal: String,
        /// Names that the table has.
        has: String,
    },
    /// A mapped name that several signals have.
    #[error("several signals are called `{column}`: {has}; map one of these")]
    AmbiguousMap {
        /// The name in the map.
        column: String,
        /// The signals.
        has: String,
    },
    /// Text that is no log of frames.
    #[error("this is no log of CAN frames: its lines must read `(SECONDS) INTERFACE ID#DATA`")]
    NoLog,
    /// A drive that was recorded without frames.
    #[error("this drive holds no raw CAN frames that could be decoded")]
    NoFrames,
    /// A bus that no frame of a log is of.
    #[error("no frame is of `{bus}`; the log has {has}")]
    NoBus {
        /// The bus that was asked for.
        bus: String,
        /// Those that the log has.
        has: String,
    },
    /// Two map entries for one column.
    #[error("`{0}` is mapped twice")]
    MapTwice(String),
    /// Two columns for one signal.
    #[error("`{first}` and `{second}` both become `{signal}`; map one of them to another name, such as `custom.NAME`")]
    SameSignal {
        /// One heading.
        first: String,
        /// The other.
        second: String,
        /// The signal.
        signal: String,
    },
    /// Two columns of the same name, which a map cannot tell apart.
    #[error("two columns are called `{0}`; give one of them another name in the table")]
    SameHeading(String),
    /// A unit that a signal of the catalogue cannot be in.
    #[error("`{signal}` cannot be in `{unit}`; accepted: {accepted}; say so with `--map 'COLUMN={signal} [UNIT]'`")]
    Unit {
        /// The signal.
        signal: String,
        /// The unit in the table or the map.
        unit: String,
        /// The units that can be converted.
        accepted: String,
    },
    /// A table names two units for one signal: in its rows, or in a heading and below it.
    #[error("the unit of `{signal}` changes from `{from}` to `{to}`; use one unit per signal")]
    UnitChanges {
        /// The signal.
        signal: String,
        /// The unit so far.
        from: String,
        /// The unit in this line.
        to: String,
    },
    /// A row with too many or too few cells.
    #[error("{found} cells instead of {expected}; is a comma used as decimal point, or a quote missing?")]
    Ragged {
        /// Cells in this row.
        found: usize,
        /// Cells in the first row.
        expected: usize,
    },
    /// A cell that should hold a number.
    #[error(
        "`{0}` is not a number; leave the cell empty where there is no sample, use a decimal point and no separators"
    )]
    Number(String),
    /// A number in a table of semicolons with other marks than those before it.
    #[error(
        "`{0}` has two marks, or another one than the numbers before it; write all of the table with the same mark \
         before decimals, and none between thousands"
    )]
    Marks(String),
    /// Numbers that may be a thousand times what they seem to be.
    #[error(
        "every number with `{0}` may have it before decimals or between thousands, such as 1{0}234; write them without \
         marks between thousands, and times or values with another number of decimals"
    )]
    Thousands(char),
    /// NaN or infinity, or a number too large for one.
    #[error("`{0}` is not a finite number; leave the cell empty where there is no sample")]
    NotFinite(String),
    /// A cell that should hold a time.
    #[error(
        "`{0}` is not a time in decimal notation, within 73 years of zero; write it as a plain number, such as the \
         seconds since the first row, or as HH:MM:SS in a column without a unit that is mapped to `time_s`"
    )]
    Time(String),
    /// Time does not increase from row to row of a wide table.
    #[error("the time {} s {} the row before; times must increase from row to row, sort or thin out the table",
        seconds(*.t_ns), if *.is_same { "is the same as in" } else { "is before that of" })]
    NotIncreasing {
        /// The time, nanoseconds.
        t_ns: i64,
        /// Whether it is equal to the one before, not less.
        is_same: bool,
    },
    /// Time decreases in a long table.
    #[error("the time {} s is before that of the row before; sort the rows by time", seconds(*.0))]
    Decreasing(i64),
    /// A long table without the columns that make it one.
    #[error("a long table has the columns `time_s,signal,value` or `time_s,signal,value,unit`, not `{0}`")]
    LongHeading(String),
}

/// A time in seconds, whatever unit the table has it in.
fn seconds(t_ns: i64) -> String {
    let mut text = Vec::new();
    write_time(&mut text, t_ns);
    String::from_utf8_lossy(&text).into_owned()
}
