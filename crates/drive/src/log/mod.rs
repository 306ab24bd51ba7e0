//! A drive from raw CAN frames: a log as text, or the frames that a drive holds already.
//!
//! What is in a frame is told by a function that the caller gives: this crate knows no definitions. Log lines read
//! `(SECONDS) INTERFACE ID#DATA`, identifier and data in hex, an identifier of eight digits having 29 bits; `ID##FDATA` is
//! a frame of CAN FD whose F are its flags.

mod collect;
mod line;

use std::fs::File;
use std::io::Read;
use std::path::Path;

use signal::{SignalId, Unit};

use crate::frames::Frame;
use crate::source::Source;
use crate::table::{MapEntry, TableError, TableProblem};
use crate::write::{DriveFile, NewFile, Overwrite};
use crate::{DriveError, DriveInfo, read, read_frames};
use collect::{Collector, slots};
use line::{Line, Lines};

/// Times from here on count from 1970 (this one is in 2001), seconds.
const UNIX_FROM_NS: i64 = 1_000_000_000_000_000_000;

/// A signal that frames may hold.
#[derive(Debug, Clone, PartialEq)]
pub struct FrameSignal {
    /// Name of its message.
    pub message: String,
    /// Its name within that.
    pub name: String,
    /// What it is called in the drive unless it is mapped.
    pub id: SignalId,
    /// Unit of its values.
    pub unit: Unit,
    /// Where its decoding comes from.
    pub definition: String,
}

/// How frames become a drive.
#[derive(Debug, Clone)]
pub struct FrameImport {
    /// Which signals get which names, as `SIGNAL`, `MESSAGE.SIGNAL` or by their name in the drive.
    pub map: Vec<MapEntry>,
    /// The bus to be read; `None`: all of them.
    pub bus: Option<String>,
    /// What to do if the drive exists already.
    pub overwrite: Overwrite,
    /// Description of the drive.
    pub info: DriveInfo,
}

/// What was imported.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct ImportedFrames {
    /// Frames that were read and kept.
    pub n_frames: u64,
    /// Frames of which the definitions say something.
    pub n_decoded: u64,
    /// Samples over all signals.
    pub n_samples: u64,
    /// Signals, in the order of their first appearance.
    pub signals: Vec<SignalId>,
    /// Interfaces with their numbers of frames.
    pub buses: Vec<(String, u64)>,
    /// What was assumed or converted, one line each.
    pub notes: Vec<String>,
    /// What was lost, one line each.
    pub problems: Vec<String>,
}

/// Whether a file looks like a log of CAN frames as text (plain or gzipped).
///
/// # Errors
/// [`DriveError::Io`].
pub fn is_frame_log(path: &Path) -> Result<bool, DriveError> {
    let file = File::open(path).map_err(DriveError::io("cannot open", path))?;
    let Ok((mut source, _)) = Source::start(file) else { return Ok(false) };
    let mut start = Vec::new();
    // A damaged stream is told of by whoever reads it for good.
    let _ = source.append_block(&mut start);
    let lines = start.split(|byte| *byte == b'\n').map(<[u8]>::trim_ascii);
    Ok(lines.filter(|line| !line.is_empty()).take(20).any(|line| matches!(Line::of(line), Line::Frame { .. })))
}

/// Hands the frames of a log as text (plain or gzipped) over, in the order of its lines and with the times as they stand
/// there; what could not be read, one line each.
///
/// # Errors
/// [`DriveError::Io`]; [`DriveError::Table`] if it cannot be read on.
pub fn read_frame_log(path: &Path, take: impl FnMut(&Frame<'_>)) -> Result<Vec<String>, DriveError> {
    let file = File::open(path).map_err(DriveError::io("cannot open", path))?;
    let refuse = |line: u64, problem| {
        let file = path.display().to_string();
        DriveError::Table(Box::new(TableError { file, line, column: None, problem }))
    };
    let mut lines = Lines::start(file).map_err(|problem| refuse(0, problem))?;
    lines.each(take).map_err(|problem| refuse(lines.n_lines, problem))?;
    Ok(lines.problems().collect())
}

/// Makes a drive from a log of CAN frames as text, plain or gzipped, or from the raw frames of a drive: its raw frames,
/// and every value that `decode` finds in them. The drive appears when it is complete; after an error nothing is left.
///
/// `decode` gives the index in `signals` and the value, in order of time or not; `false` if it does not know the frame.
///
/// # Errors
/// [`DriveError::Table`] if the log or a map cannot be used; [`DriveError::Exists`]; [`DriveError::Io`];
/// [`DriveError::Write`]; as [`read`] if the source is a drive.
pub fn import_frames(
    from: &Path,
    out: &Path,
    signals: &[FrameSignal],
    mut decode: impl FnMut(&Frame<'_>, &mut Vec<(usize, f64)>) -> bool,
    options: &FrameImport,
) -> Result<ImportedFrames, DriveError> {
    let name = from.display().to_string();
    let mut file = File::open(from).map_err(DriveError::io("cannot open", from))?;
    let mut magic = Vec::new();
    (&mut file).take(4).read_to_end(&mut magic).map_err(DriveError::io("cannot read", from))?;
    let refuse = |line: u64, problem| {
        DriveError::Table(Box::new(TableError { file: name.clone(), line, column: None, problem }))
    };
    let slots = slots(signals, &options.map).map_err(|problem| refuse(0, problem))?;
    let (new_file, sink) = NewFile::beside(out, options.overwrite)?;
    let failed = DriveError::write(out);
    let file_of = |info: &DriveInfo| DriveFile::start(Box::new(sink), info).map_err(&failed);
    let mut out = if magic == mcap::MAGIC[..4] {
        let opened = read(from)?;
        if opened.n_frames == 0 {
            return Err(refuse(0, TableProblem::NoFrames));
        }
        let info = DriveInfo { software: options.info.software.clone(), ..opened.info };
        let mut out = Collector::new(file_of(&info)?, signals, slots, options);
        out.done.problems.extend(opened.problems.iter().map(ToString::to_string));
        if opened.n_exchanges > 0 {
            out.done.notes.push(format!(
                "{} exchanges and the values that came with them are not taken over; they stay in `{name}`",
                opened.n_exchanges
            ));
        }
        read_frames(from, |frame| out.frame(&frame, &mut decode))?;
        for mark in &opened.recording.marks {
            out.file.write_mark(mark).map_err(&failed)?;
        }
        for gap in &opened.recording.gaps {
            out.file.write_gap(gap).map_err(&failed)?;
        }
        out
    } else {
        let source = std::io::Cursor::new(magic).chain(file);
        let mut lines = Lines::start(source).map_err(|problem| refuse(0, problem))?;
        let start_ns = lines.find_start().map_err(|problem| refuse(lines.n_lines, problem))?;
        let start_ns = start_ns.ok_or_else(|| refuse(1, TableProblem::NoLog))?;
        let is_unix = start_ns >= UNIX_FROM_NS;
        let mut info = options.info.clone();
        if is_unix {
            info.start_unix_ns = Some(start_ns);
        }
        let mut out = Collector::new(file_of(&info)?, signals, slots, options);
        let zero_ns = if is_unix { start_ns } else { 0 };
        let mut decode = |frame: &Frame<'_>, found: &mut Vec<(usize, f64)>| decode(frame, found);
        lines
            .each(|frame| out.frame(&Frame { t_ns: frame.t_ns - zero_ns, ..*frame }, &mut decode))
            .map_err(|problem| refuse(lines.n_lines, problem))?;
        out.done.problems.extend(lines.problems());
        out
    };
    out.finish().map_err(&failed)?;
    if let Some(problem) = out.no_bus() {
        return Err(refuse(0, problem));
    }
    let Collector { done, file, .. } = out;
    file.finish().map_err(&failed)?;
    new_file.keep()?;
    Ok(done)
}
