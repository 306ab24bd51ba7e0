//! A drive as Parquet and as ASAM MDF 4, and back.
//!
//! Times, values, units, request times and raw bytes are kept to the last bit. This crate must not know cars or verdicts,
//! and it is apart from `drive` because the libraries of these formats take long to build. [`export`] and [`import`] are the
//! two ways through; [`Format`] tells the formats apart, by the ending of a name to be written and by the first bytes of a
//! file to be read.
//!
//! ```
//! use interchange::Format;
//! assert_eq!(Format::of_name("drive.parquet".as_ref()), Some(Format::Parquet));
//! assert_eq!(Format::of_content(b"MDF     4.10    "), Some(Format::Mdf));
//! ```

mod mdf;
mod outline;
mod parquet;

use std::path::Path;

use drive::{Contents, DriveError, Overwrite, Problem};
use signal::SignalId;

/// Longest file that is read into memory, bytes.
const MAX_FILE: u64 = 4 << 30;

/// An open format.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Format {
    /// Apache Parquet.
    Parquet,
    /// ASAM MDF, version 4.
    Mdf,
}

impl Format {
    /// The format that the ending of a name stands for.
    #[must_use]
    pub fn of_name(path: &Path) -> Option<Self> {
        match path.extension()?.to_string_lossy().to_ascii_lowercase().as_str() {
            "parquet" => Some(Self::Parquet),
            "mf4" | "mdf" => Some(Self::Mdf),
            _ => None,
        }
    }

    /// The format of a file that begins with these bytes.
    #[must_use]
    pub fn of_content(start: &[u8]) -> Option<Self> {
        match start {
            [b'P', b'A', b'R', b'1', ..] => Some(Self::Parquet),
            [b'M', b'D', b'F', b' ', ..] | [b'U', b'n', b'F', b'i', b'n', b'M', b'F', ..] => Some(Self::Mdf),
            _ => None,
        }
    }
}

/// Why a file could not be written or read.
#[derive(Debug, thiserror::Error)]
pub enum InterchangeError {
    /// The drive could not be read or written.
    #[error(transparent)]
    Drive(#[from] DriveError),
    /// The file could not be read.
    #[error("cannot read `{file}`: {source}")]
    Io {
        /// The file.
        file: String,
        /// The reason.
        source: std::io::Error,
    },
    /// The file is not what it should be.
    #[error("`{file}` cannot be read as {format}: {what}")]
    Content {
        /// The file.
        file: String,
        /// The format.
        format: &'static str,
        /// What is wrong.
        what: String,
    },
    /// The format cannot hold the drive.
    #[error("this drive cannot be written as {format}: {what}")]
    CannotHold {
        /// The format.
        format: &'static str,
        /// Why not.
        what: String,
    },
}

/// What was exported.
#[derive(Debug, Clone, PartialEq)]
pub struct Exported {
    /// Rows or records.
    pub n_rows: u64,
    /// Samples over all signals.
    pub n_samples: u64,
    /// What is damaged in the drive and therefore missing.
    pub problems: Vec<Problem>,
}

/// What was imported.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Imported {
    /// Rows or records.
    pub n_rows: u64,
    /// Samples over all signals.
    pub n_samples: u64,
    /// The signals.
    pub signals: Vec<SignalId>,
    /// What was assumed or left out, one line each.
    pub notes: Vec<String>,
}

/// Writes a drive in an open format. The file appears when it is complete; after an error nothing is left behind.
///
/// # Errors
/// [`InterchangeError`].
pub fn export(drive: &Path, out: &Path, format: Format, overwrite: Overwrite) -> Result<Exported, InterchangeError> {
    let (contents, problems) = Contents::read(drive)?;
    let n_samples = contents.recording.series.iter().map(|series| series.len() as u64).sum();
    let n_rows = match format {
        Format::Parquet => parquet::write(&contents, out, overwrite)?,
        Format::Mdf => mdf::write(&contents, out, overwrite)?,
    };
    Ok(Exported { n_rows, n_samples, problems })
}

/// Makes a drive from a file in an open format. The drive appears when it is complete.
///
/// # Errors
/// [`InterchangeError`].
pub fn import(
    file: &Path,
    out: &Path,
    format: Format,
    software: &str,
    overwrite: Overwrite,
) -> Result<Imported, InterchangeError> {
    let name = file.display().to_string();
    let io = |source| InterchangeError::Io { file: name.clone(), source };
    let opened = std::fs::File::open(file).map_err(io)?;
    if opened.metadata().map_err(io)?.len() > MAX_FILE {
        let what = format!("it is longer than {} GB", MAX_FILE >> 30);
        return Err(InterchangeError::Content { file: name, format: "a recording", what });
    }
    let read = || match format {
        Format::Parquet => parquet::read(opened, &name),
        Format::Mdf => mdf::read(file, &name),
    };
    let (mut contents, n_rows, notes) = contained(read).unwrap_or_else(|what| {
        let what = format!("it is damaged or contradicts itself: {what}");
        Err(InterchangeError::Content { file: name.clone(), format: "a recording", what })
    })?;
    contents.info.software.get_or_insert_with(|| software.to_owned());
    contents.write(out, overwrite)?;
    let series = &contents.recording.series;
    Ok(Imported {
        n_rows,
        n_samples: series.iter().map(|series| series.len() as u64).sum(),
        signals: series.iter().map(|series| series.id.clone()).collect(),
        notes,
    })
}

/// Name of the thread in which libraries read what comes from elsewhere.
pub const READING: &str = "foreign file";

/// Runs what believes a file too much: the libraries of these formats panic where lengths and offsets in it contradict
/// each other. They do so in a thread of their own, and the caller learns of it as of any other damage.
fn contained<T: Send>(work: impl FnOnce() -> T + Send) -> Result<T, String> {
    std::thread::scope(|scope| {
        let thread = std::thread::Builder::new().name(READING.to_owned());
        let running = thread.spawn_scoped(scope, work).map_err(|error| error.to_string())?;
        running.join().map_err(|panic| {
            let text =
                panic.downcast_ref::<String>().map(String::as_str).or_else(|| panic.downcast_ref::<&str>().copied());
            text.unwrap_or("its reader gave up").to_owned()
        })
    })
}

/// A signal's counterpart in the open vehicle signal catalogue.
fn vss(id: &SignalId) -> Option<&'static str> {
    signal::Catalogue::standard().get(id)?.vss.as_deref()
}

/// What a drive says of itself, as text keys and values.
fn describe(contents: &Contents) -> Vec<(String, String)> {
    let info = &contents.info;
    let start = contents.recording.start_unix_ns.or(info.start_unix_ns).map(|start| start.to_string());
    let named = [
        ("start_unix_ns", &start),
        ("software", &info.software),
        ("adapter", &info.adapter),
        ("protocol", &info.protocol),
        ("vin", &info.vin),
    ];
    let mut pairs: Vec<(String, String)> =
        named.into_iter().filter_map(|(key, value)| Some((key.to_owned(), value.clone()?))).collect();
    pairs.extend(info.extra.iter().map(|(key, value)| (format!("extra.{key}"), value.clone())));
    pairs.extend(contents.definitions.iter().map(|(id, text)| (format!("definition.{id}"), text.clone())));
    pairs
}

/// Takes back what [`describe`] gave.
fn take_description(contents: &mut Contents, key: &str, value: &str) {
    let value = value.to_owned();
    let info = &mut contents.info;
    match key {
        "start_unix_ns" => {
            info.start_unix_ns = value.parse().ok();
            contents.recording.start_unix_ns = info.start_unix_ns;
        }
        "software" => info.software = Some(value),
        "adapter" => info.adapter = Some(value),
        "protocol" => info.protocol = Some(value),
        "vin" => info.vin = Some(value),
        _ => {
            if let Some(key) = key.strip_prefix("extra.") {
                info.extra.insert(key.to_owned(), value);
            } else if let Some(id) = key.strip_prefix("definition.").and_then(|id| SignalId::new(id).ok()) {
                contents.definitions.insert(id, value);
            }
        }
    }
}
