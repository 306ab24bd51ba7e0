//! Writing a drive: a whole recording at once, or a good copy of a damaged or unfinished drive.
//!
//! `file` writes the records of a drive file into the `container`, for the recorder and the import too; `new_file` sees to it that no file is
//! ever replaced by half of another.

mod container;
mod file;
mod new_file;

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use signal::{Recording, Series, SignalId};

use crate::contents::write_parts;
use crate::format::is_time;
use crate::{DriveError, DriveInfo, FrameBatch, Problem, read, read_exchanges, read_frames};

pub(crate) use file::{DriveFile, check_signal};
pub(crate) use new_file::NewFile;
pub use new_file::{Overwrite, expect_room};

/// Stretches in which the signals of a recording follow each other in the file, nanoseconds: long enough to pack well,
/// short enough for other programs to read by time.
const STRETCH_NS: i64 = 60_000_000_000;

/// Raw frames in one message of a drive.
pub(crate) const FRAMES_AT_ONCE: usize = 4096;

/// What [`repair`] made.
#[derive(Debug, Clone, PartialEq)]
pub struct Repaired {
    /// The good copy.
    pub path: PathBuf,
    /// What was wrong with the original and is therefore missing in the copy.
    pub problems: Vec<Problem>,
}

/// Writes a finished copy of everything readable in a damaged or unfinished drive beside it, as `NAME.repaired.mcap`.
/// The original is never touched, and neither is an earlier copy.
///
/// # Errors
/// As [`read`]; [`DriveError::Exists`] if there is a copy already.
pub fn repair(path: &Path) -> Result<Repaired, DriveError> {
    let copy = path.with_extension("repaired.mcap");
    let opened = read(path)?;
    let (new_file, file) = NewFile::beside(&copy, Overwrite::Never)?;
    let failed = DriveError::write(&copy);
    let mut file = DriveFile::start(Box::new(file), &opened.info).map_err(&failed)?;
    write_recording(&mut file, &opened.recording, &opened.definitions).map_err(&failed)?;
    let mut failure = None;
    read_exchanges(path, |exchange| {
        if failure.is_none() {
            failure = file.write_exchange(&exchange).err();
        }
    })?;
    let mut batch = FrameBatch::default();
    if opened.n_frames > 0 && failure.is_none() {
        read_frames(path, |frame| {
            if batch.bus() != frame.bus || batch.len() >= FRAMES_AT_ONCE {
                let full = std::mem::replace(&mut batch, FrameBatch::new(frame.bus));
                failure = failure.take().or_else(|| file.write_frames(&full).err());
            }
            batch.push(frame.t_ns, frame.number, frame.is_extended, frame.data);
        })?;
        failure = failure.or_else(|| file.write_frames(&batch).err());
    }
    failure.map_or(Ok(()), Err).and_then(|()| file.finish()).map_err(&failed)?;
    Ok(Repaired { path: new_file.keep()?, problems: opened.problems })
}

/// Writes a recording that is in memory as a drive. The file appears when it is complete; on an error nothing is left.
///
/// # Errors
/// [`DriveError::Exists`], [`DriveError::Io`], [`DriveError::Write`]; [`DriveError::Signal`], [`DriveError::Sample`] or
/// [`DriveError::Time`] if the recording holds what a drive must not.
pub fn write(path: &Path, recording: &Recording, info: &DriveInfo, overwrite: Overwrite) -> Result<(), DriveError> {
    write_parts(path, recording, info, &BTreeMap::new(), &[], &[], overwrite)
}

pub(crate) fn check_samples(series: &Series) -> Result<(), DriveError> {
    let refuse = |idx: usize, problem| {
        let t_ns = series.t_ns.get(idx).copied().unwrap_or_default();
        Err(DriveError::Sample { signal: series.id.clone(), t_ns, problem })
    };
    let (n_samples, fits) = (series.len(), |length: usize| length == 0 || length == series.len());
    if series.value.len() != n_samples || !fits(series.asked_ns.len()) || !fits(series.exchange.len()) {
        return refuse(0, "the columns of its series have different lengths");
    }
    if let Some(idx) = series.value.iter().position(|value| !value.is_finite()) {
        return refuse(idx, "its value is not a number");
    }
    if let Some(idx) = series.t_ns.iter().position(|t_ns| !is_time(*t_ns)) {
        return refuse(idx, "its time is beyond all limits");
    }
    if let Some(idx) = series.asked_ns.iter().position(|t_ns| !is_time(*t_ns)) {
        return refuse(idx, "the time of its request is beyond all limits");
    }
    match series.t_ns.windows(2).position(|pair| pair[1] < pair[0]) {
        Some(idx) => refuse(idx + 1, "it is older than the sample before it"),
        None => Ok(()),
    }
}

pub(crate) fn write_recording(
    file: &mut DriveFile,
    recording: &Recording,
    definitions: &BTreeMap<SignalId, String>,
) -> Result<(), mcap::McapError> {
    for series in &recording.series {
        let definition = definitions.get(&series.id).map_or("", String::as_str);
        file.add_signal(&series.id, &series.unit, definition)?;
    }
    let mut starts = vec![0; recording.series.len()];
    while let Some(first_ns) = earliest_ns(recording, &starts) {
        let until_ns = first_ns.saturating_add(STRETCH_NS);
        for (idx, series) in recording.series.iter().enumerate() {
            let from = starts[idx];
            let to = from + series.t_ns[from..].partition_point(|t_ns| *t_ns < until_ns);
            file.write_samples(idx, series, from..to)?;
            starts[idx] = to;
        }
    }
    for mark in &recording.marks {
        file.write_mark(mark)?;
    }
    for gap in &recording.gaps {
        file.write_gap(gap)?;
    }
    Ok(())
}

/// The earliest time in a recording of which the first `n_done[idx]` samples of each signal are done; `None` at the end.
pub(crate) fn earliest_ns(recording: &Recording, n_done: &[usize]) -> Option<i64> {
    recording.series.iter().zip(n_done).filter_map(|(series, n_done)| series.t_ns.get(*n_done).copied()).min()
}
