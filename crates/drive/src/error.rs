//! What can go wrong with a drive, and where.

use std::fmt;
use std::path::{Path, PathBuf};

use signal::{SignalId, seconds_from_nanos};

use crate::table::TableError;

/// Why a drive could not be written, read, made from a table or written as one.
#[derive(Debug, thiserror::Error)]
pub enum DriveError {
    /// The operating system refused.
    #[error("{doing} `{}`: {source}", path.display())]
    Io {
        /// What was attempted, such as "cannot open".
        doing: &'static str,
        /// The file.
        path: PathBuf,
        /// Its reason.
        source: std::io::Error,
    },
    /// There is a file of that name already.
    #[error("`{}` exists already and is left untouched; choose another name or ask to overwrite it", .0.display())]
    Exists(PathBuf),
    /// What has that name is no file that another could replace.
    #[error("`{}` is a folder, a device or a pipe, not a file, and is left untouched", .0.display())]
    NoFile(PathBuf),
    /// Writing failed part way. What was saved before stays readable.
    #[error(
        "cannot go on writing `{}`: {source}; everything up to {saved_until_s:.3} s is saved and readable, what came \
         later is lost; free some space or choose another disk, and start a new drive", path.display()
    )]
    Stopped {
        /// The drive.
        path: PathBuf,
        /// Time of the last saved data, seconds since the start of the drive.
        saved_until_s: f64,
        /// The cause.
        source: std::sync::Arc<mcap::McapError>,
    },
    /// A file that is written in one go could not be; nothing of it is left behind.
    #[error("cannot write `{}`: {source}; nothing was left behind", path.display())]
    Write {
        /// The file.
        path: PathBuf,
        /// The cause.
        source: Box<mcap::McapError>,
    },
    /// The disk was too slow for too long and memory ran out for what waited. Recording goes on.
    #[error(
        "the disk of `{}` is too slow: {n_samples} samples and {n_exchanges} exchanges from {from_s:.3} s to \
         {to_s:.3} s are lost; recording goes on", path.display()
    )]
    Lost {
        /// The drive.
        path: PathBuf,
        /// Start of what is lost, seconds since the start of the drive.
        from_s: f64,
        /// End of what is lost, seconds since the start of the drive.
        to_s: f64,
        /// Number of samples lost.
        n_samples: usize,
        /// Number of raw exchanges lost.
        n_exchanges: usize,
    },
    /// A sample that is not one: its value is no number, or it is older than the one before it.
    #[error("`{signal}`: sample at {} s not recorded: {problem}", seconds_from_nanos(*t_ns))]
    Sample {
        /// The signal.
        signal: SignalId,
        /// Its time.
        t_ns: i64,
        /// What is wrong with it.
        problem: &'static str,
    },
    /// A mark, a gap or a frame at a time that no drive has.
    #[error("{what} at {} s cannot be kept: the times of a drive lie within 73 years of its start", seconds_from_nanos(*t_ns))]
    Time {
        /// What it is, with its article.
        what: &'static str,
        /// Its time.
        t_ns: i64,
    },
    /// A signal that cannot be added.
    #[error("`{signal}` cannot be added to the drive: {problem}")]
    Signal {
        /// The signal.
        signal: String,
        /// Why not.
        problem: String,
    },
    /// Not a drive of ours, although perhaps a sound file of the same container.
    #[error("`{}` is not a drive: {missing}", path.display())]
    NotADrive {
        /// The file.
        path: PathBuf,
        /// What a drive has and this file has not.
        missing: String,
    },
    /// Written by a later version of this program.
    #[error("`{}` has drive format {found}, this program reads up to {known}; use a newer version", path.display())]
    Newer {
        /// The file.
        path: PathBuf,
        /// Its format.
        found: u32,
        /// Ours.
        known: u32,
    },
    /// More samples than are read into memory at once.
    #[error("`{}` holds more than {limit} samples, more than are read into memory at once", path.display())]
    TooLarge {
        /// The file.
        path: PathBuf,
        /// The limit.
        limit: u64,
    },
    /// A table that cannot become a drive.
    #[error(transparent)]
    Table(#[from] Box<TableError>),
    /// A drive that a table of the wanted layout cannot hold.
    #[error("this drive cannot be written as a {layout} table: {problem}")]
    NoTable {
        /// The layout.
        layout: &'static str,
        /// Why not, and what to do.
        problem: String,
    },
}

impl DriveError {
    pub(crate) fn io(doing: &'static str, path: &Path) -> impl FnOnce(std::io::Error) -> Self {
        let path = path.to_owned();
        move |source| Self::Io { doing, path, source }
    }

    pub(crate) fn write(path: &Path) -> impl Fn(mcap::McapError) -> Self {
        let path = path.to_owned();
        move |source| Self::Write { path: path.clone(), source: Box::new(source) }
    }
}

/// What is wrong at one place of a drive file. Everything around it was read.
#[derive(Debug, Clone, PartialEq)]
pub struct Problem {
    /// Where it starts, bytes from the start of the file.
    pub offset: u64,
    /// How many bytes are affected.
    pub length: u64,
    /// Time of the last data before it, nanoseconds since the start of the drive; `None` at the start of the file.
    pub after_ns: Option<i64>,
    /// Time of the first data behind it; `None` at the end of the file.
    pub before_ns: Option<i64>,
    /// What is wrong.
    pub kind: ProblemKind,
}

/// Kinds of damage.
#[derive(Debug, Clone, PartialEq, Eq)]
#[non_exhaustive]
pub enum ProblemKind {
    /// The bytes are not records of the container.
    NoRecord,
    /// The file ends within a record, as after a kill or a power cut.
    CutOff,
    /// A chunk whose checksum does not fit its content.
    Checksum,
    /// A chunk that does not unpack.
    Unpack(String),
    /// A chunk or message that unpacks to something that a drive does not hold.
    Content(String),
    /// The description of the drive is damaged: start time, vehicle and software are unknown.
    Info,
    /// Samples without a name, because the place that named their signal is damaged.
    Nameless {
        /// How many.
        n_samples: usize,
    },
    /// The file was never finished. Nothing is missing but what came after the last save.
    Unfinished,
}

impl fmt::Display for ProblemKind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NoRecord => f.write_str("unreadable bytes"),
            Self::CutOff => f.write_str("the file ends within a record"),
            Self::Checksum => f.write_str("checksum does not fit"),
            Self::Unpack(why) => write!(f, "does not unpack ({why})"),
            Self::Content(why) => write!(f, "holds what no drive holds ({why})"),
            Self::Info => f.write_str("the description of the drive is damaged"),
            Self::Nameless { n_samples } => write!(f, "{n_samples} samples have lost the name of their signal"),
            Self::Unfinished => f.write_str("the drive was not finished; everything that was saved is read"),
        }
    }
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}, at byte {}", self.kind, self.offset)?;
        if self.length > 0 {
            write!(f, " ({} bytes)", self.length)?;
        }
        let time = |t_ns: i64| format!("{:.3} s", seconds_from_nanos(t_ns));
        match (self.after_ns, self.before_ns) {
            (None, None) => Ok(()),
            (Some(after), None) => write!(f, ", after {}", time(after)),
            (None, Some(before)) => write!(f, ", before {}", time(before)),
            (Some(after), Some(before)) => write!(f, ", between {} and {}", time(after), time(before)),
        }
    }
}
