//! Everything in a drive, in memory: what other formats are made of and become.

use std::collections::{BTreeMap, HashSet};
use std::io::{self, Write};
use std::path::Path;

use signal::{Recording, SignalId};

use crate::format::{DriveInfo, Exchange, is_time};
use crate::frames::{FrameBatch, each};
use crate::write::{DriveFile, FRAMES_AT_ONCE, NewFile, Overwrite, check_samples, check_signal, write_recording};
use crate::{DriveError, Problem, read, read_exchanges, read_frames};

/// Everything in a drive.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Contents {
    /// Samples, marks and gaps.
    pub recording: Recording,
    /// The description.
    pub info: DriveInfo,
    /// Where the decoding of a signal came from, for those that said so.
    pub definitions: BTreeMap<SignalId, String>,
    /// Raw exchanges in the order of recording.
    pub exchanges: Vec<Exchange>,
    /// Raw frames, in batches of one bus.
    pub frames: Vec<FrameBatch>,
}

impl Contents {
    /// Reads everything in a drive, and what is damaged in it.
    ///
    /// # Errors
    /// As [`read`].
    pub fn read(path: &Path) -> Result<(Self, Vec<Problem>), DriveError> {
        let opened = read(path)?;
        let (mut exchanges, mut frames): (Vec<Exchange>, Vec<FrameBatch>) = (Vec::new(), Vec::new());
        if opened.n_exchanges > 0 {
            read_exchanges(path, |exchange| exchanges.push(exchange))?;
        }
        if opened.n_frames > 0 {
            read_frames(path, |frame| {
                let fits = |batch: &&mut FrameBatch| batch.bus() == frame.bus && batch.len() < FRAMES_AT_ONCE;
                match frames.last_mut().filter(fits) {
                    Some(batch) => batch.push(frame.t_ns, frame.number, frame.is_extended, frame.data),
                    None => {
                        let mut batch = FrameBatch::new(frame.bus);
                        batch.push(frame.t_ns, frame.number, frame.is_extended, frame.data);
                        frames.push(batch);
                    }
                }
            })?;
        }
        let (recording, info, definitions) = (opened.recording, opened.info, opened.definitions);
        Ok((Self { recording, info, definitions, exchanges, frames }, opened.problems))
    }

    /// Writes a drive. The file appears when it is complete; on an error nothing is left.
    ///
    /// # Errors
    /// As [`crate::write()`].
    pub fn write(&self, path: &Path, overwrite: Overwrite) -> Result<(), DriveError> {
        let Self { recording, info, definitions, exchanges, frames } = self;
        write_parts(path, recording, info, definitions, exchanges, frames, overwrite)
    }
}

/// Writes the parts of a drive; see [`Contents::write`].
pub(crate) fn write_parts(
    path: &Path,
    recording: &Recording,
    info: &DriveInfo,
    definitions: &BTreeMap<SignalId, String>,
    exchanges: &[Exchange],
    frames: &[FrameBatch],
    overwrite: Overwrite,
) -> Result<(), DriveError> {
    let mut seen = HashSet::new();
    for series in &recording.series {
        check_signal(&mut seen, &series.id, &series.unit)?;
        check_samples(series)?;
    }
    check_times(recording, frames)?;
    let (new_file, file) = NewFile::beside(path, overwrite)?;
    let info = DriveInfo { start_unix_ns: recording.start_unix_ns.or(info.start_unix_ns), ..info.clone() };
    let written = || {
        let mut file = DriveFile::start(Box::new(file), &info)?;
        write_recording(&mut file, recording, definitions)?;
        exchanges.iter().try_for_each(|exchange| file.write_exchange(exchange))?;
        frames.iter().try_for_each(|batch| file.write_frames(batch))?;
        file.finish()
    };
    written().map_err(DriveError::write(path))?;
    new_file.keep()?;
    Ok(())
}

/// What reading would call damaged is not written.
fn check_times(recording: &Recording, frames: &[FrameBatch]) -> Result<(), DriveError> {
    let marks = recording.marks.iter().map(|mark| ("a mark", mark.t_ns));
    let gaps = recording.gaps.iter().flat_map(|gap| [("a gap", gap.from_ns), ("a gap", gap.to_ns)]);
    let odd = marks.chain(gaps).find(|(_, t_ns)| !is_time(*t_ns));
    let odd_frame = || frames.iter().find(|batch| each(&batch.frames, |_| {}).is_err());
    match odd.or_else(|| odd_frame().map(|batch| ("a frame", batch.last_ns))) {
        Some((what, t_ns)) => Err(DriveError::Time { what, t_ns }),
        None => Ok(()),
    }
}

/// Writes a file of any other format, which appears when it is complete and on the disk; on an error nothing is left.
///
/// # Errors
/// [`DriveError::Exists`]; [`DriveError::Io`], also for what `fill` reports.
pub fn write_file(
    path: &Path,
    overwrite: Overwrite,
    fill: impl FnOnce(&mut (dyn Write + Send)) -> io::Result<()>,
) -> Result<(), DriveError> {
    let (new_file, mut file) = NewFile::beside(path, overwrite)?;
    fill(&mut file).and_then(|()| file.flush()).map_err(DriveError::io("cannot write", path))?;
    new_file.keep()?;
    Ok(())
}
