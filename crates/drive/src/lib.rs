//! A drive on disk: record it, recover it, read it, make it from a table and write it as a table.
//!
//! This crate must not know cars or verdicts: it keeps samples, raw bytes, marks and gaps, and gives them back. Its main
//! types are [`Recorder`] (append while the drive lasts) and [`Opened`] (what [`read`] found); [`import`] and [`export`]
//! turn tables into drives and back. The file format is described in `docs/drive-format.md` and written down in `format`;
//! `recorder`, `write`, `read` and `table` each do one of the four jobs.
//!
//! ```
//! use signal::{Sample, SignalId, Unit};
//!
//! let folder = tempfile::tempdir().unwrap();
//! let path = folder.path().join("drive.mcap");
//! let mut recorder = drive::Recorder::create(&path, &drive::DriveInfo::default(), drive::Overwrite::Never).unwrap();
//! let speed = recorder.add_signal(&SignalId::new("vehicle.speed").unwrap(), &Unit::named("km/h"), "").unwrap();
//! recorder.push(speed, Sample { t_ns: 50_000_000, asked_ns: 42_000_000, exchange: 1, value: 81.0 }).unwrap();
//! recorder.finish().unwrap();
//! let opened = drive::read(&path).unwrap();
//! assert_eq!(opened.recording.series("vehicle.speed").unwrap().value, [81.0]);
//! assert!(opened.problems.is_empty());
//! ```

mod contents;
mod error;
mod format;
mod frames;
mod log;
mod read;
mod recorder;
mod source;
mod table;
mod write;

pub use contents::{Contents, write_file};
pub use error::{DriveError, Problem, ProblemKind};
pub use format::{DriveInfo, Exchange, Reply};
pub use frames::{Frame, FrameBatch};
pub use log::{FrameImport, FrameSignal, ImportedFrames, import_frames, is_frame_log, read_frame_log};
pub use read::{Opened, read, read_exchanges, read_frames};
pub use recorder::{Finished, Recorder, SignalHandle};
pub use table::{
    ExportOptions, Exported, ImportOptions, Imported, Layout, MapEntry, MapError, TableError, TableProblem, export,
    export_table, import, import_table, read_table,
};
pub use write::{Overwrite, Repaired, expect_room, repair, write};
