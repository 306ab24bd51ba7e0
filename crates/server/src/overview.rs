//! A drive at a glance, kept in a file of its own: a drive of hours shows its first picture without being read.
//!
//! It holds what is in the drive and the least and greatest sample of every signal in each of [`COLUMNS`] equal
//! stretches. It is made from the drive whenever there is none, or when it is not of the drive as it is now; throwing it
//! away loses nothing. Little-endian:
//!
//! | bytes | what |
//! | --- | --- |
//! | 8 | `WOVERV1\n` |
//! | 8, 8 | size of the drive's file, and when it was last written, nanoseconds since 1970 |
//! | 4, then as many | length and text of a JSON object with `drive` (as `witness examine` gives it) and `problems` |
//! | per signal: 4, 8 n, 8 n | number of samples, their times in nanoseconds, and values |

use std::io::Read as _;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::UNIX_EPOCH;

use drive::{Opened, Overwrite};
use serde::{Deserialize, Serialize};

use crate::app::App;
use crate::failure::Failure;
use crate::thin;

/// Stretches that a drive is divided into: a screen has no more columns of pixels.
pub(crate) const COLUMNS: usize = 4096;
const MAGIC: &[u8; 8] = b"WOVERV1\n";
/// Bytes before the JSON object.
const HEAD: usize = 24;

/// Tells one state of a file from another.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Stamp {
    bytes: u64,
    written_unix_ns: u64,
}

impl Stamp {
    /// The file as it is now.
    pub(crate) fn of(path: &Path) -> Option<Self> {
        let about = std::fs::metadata(path).ok()?;
        let written = about.modified().ok()?.duration_since(UNIX_EPOCH).ok()?;
        Some(Self { bytes: about.len(), written_unix_ns: u64::try_from(written.as_nanos()).ok()? })
    }
}

/// The extremes of one signal.
#[derive(Debug, Clone, PartialEq, Default)]
pub(crate) struct Track {
    pub(crate) t_ns: Vec<i64>,
    pub(crate) value: Vec<f64>,
}

/// A drive at a glance.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Overview {
    pub(crate) about: About,
    /// In the order of the drive's signals.
    pub(crate) tracks: Vec<Track>,
}

/// What is in a drive.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct About {
    pub(crate) drive: wire::DriveSummary,
    /// What is damaged of it.
    pub(crate) problems: Vec<String>,
}

impl Overview {
    /// Of a drive that was read from `path`.
    pub(crate) fn of(path: &Path, opened: &Opened) -> Self {
        let recording = &opened.recording;
        let to_ns = signal::nanos_from_seconds(recording.duration_s());
        let track = |series: &signal::Series| {
            let kept = thin::extremes(&series.t_ns, &series.value, 0, to_ns, COLUMNS);
            let (t_ns, value) = kept.into_iter().map(|idx| (series.t_ns[idx], series.value[idx])).unzip();
            Track { t_ns, value }
        };
        let problems = opened.problems.iter().map(ToString::to_string).collect();
        Self {
            about: About { drive: workshop::summary(path, recording), problems },
            tracks: recording.series.iter().map(track).collect(),
        }
    }

    /// Whether a stretch in so many columns is no finer than what is kept.
    pub(crate) fn suffices(&self, from_s: f64, to_s: f64, columns: usize) -> bool {
        (to_s - from_s) / columns as f64 >= 0.999 * self.about.drive.duration_s / COLUMNS as f64
    }

    fn to_bytes(&self, stamp: Stamp) -> serde_json::Result<Vec<u8>> {
        let json = serde_json::to_vec(&self.about)?;
        let mut bytes = Vec::with_capacity(json.len() + 64 + self.tracks.len() * COLUMNS * 32);
        bytes.extend(MAGIC);
        bytes.extend(stamp.bytes.to_le_bytes());
        bytes.extend(stamp.written_unix_ns.to_le_bytes());
        bytes.extend((json.len() as u32).to_le_bytes());
        bytes.extend(json);
        for track in &self.tracks {
            bytes.extend((track.t_ns.len() as u32).to_le_bytes());
            bytes.extend(track.t_ns.iter().flat_map(|t| t.to_le_bytes()));
            bytes.extend(track.value.iter().flat_map(|value| value.to_le_bytes()));
        }
        Ok(bytes)
    }

    /// `None` for anything but a whole overview of the drive with this stamp.
    fn from_bytes(bytes: &[u8], stamp: Stamp) -> Option<Self> {
        let mut rest = bytes;
        if stamp_in(&mut rest)? != stamp {
            return None;
        }
        let about: About = serde_json::from_slice(take_counted(&mut rest, 1)?).ok()?;
        let mut tracks = Vec::new();
        while !rest.is_empty() {
            let (t_ns, value) = take_counted(&mut rest, 16).map(|both| both.split_at(both.len() / 2))?;
            let words = |bytes: &[u8]| bytes.as_chunks::<8>().0.to_vec();
            let t_ns: Vec<i64> = words(t_ns).into_iter().map(i64::from_le_bytes).collect();
            let value = words(value).into_iter().map(f64::from_le_bytes).collect();
            tracks.push(Track { t_ns, value });
        }
        let is_whole = tracks.len() == about.drive.signals.len() && tracks.iter().all(|track| track.t_ns.is_sorted());
        is_whole.then_some(Self { about, tracks })
    }
}

/// What the head says of the drive.
fn stamp_in(rest: &mut &[u8]) -> Option<Stamp> {
    *rest = rest.strip_prefix(MAGIC)?;
    Some(Stamp { bytes: take_u64(rest)?, written_unix_ns: take_u64(rest)? })
}

fn take_u64(rest: &mut &[u8]) -> Option<u64> {
    let (word, left) = rest.split_first_chunk()?;
    *rest = left;
    Some(u64::from_le_bytes(*word))
}

/// A number, and as many items of `size` bytes.
fn take_counted<'a>(rest: &mut &'a [u8], size: usize) -> Option<&'a [u8]> {
    let (word, left) = rest.split_first_chunk()?;
    let (items, left) = left.split_at_checked((u32::from_le_bytes(*word) as usize).checked_mul(size)?)?;
    *rest = left;
    Some(items)
}

/// Where the overview of a drive is kept.
fn file_of(app: &App, drive: &Path) -> Option<PathBuf> {
    let folder = app.workshop().places().sub("overviews").ok()?;
    Some(folder.join(format!("{}.overview", drive.file_stem()?.to_str()?)))
}

/// The one that is kept, if it is of the drive as it is now.
fn kept(app: &App, drive: &Path) -> Option<Overview> {
    Overview::from_bytes(&std::fs::read(file_of(app, drive)?).ok()?, Stamp::of(drive)?)
}

/// Whether there is one of the drive as it is now; its head alone is read.
fn is_kept(app: &App, drive: &Path) -> bool {
    let mut head = [0; HEAD];
    let file = file_of(app, drive).and_then(|file| std::fs::File::open(file).ok());
    let is_read = file.is_some_and(|mut file| file.read_exact(&mut head).is_ok());
    is_read && Stamp::of(drive).is_some_and(|stamp| stamp_in(&mut &head[..]) == Some(stamp))
}

/// Makes one and keeps it; that it cannot be kept costs time alone.
fn make(app: &App, drive: &Path, opened: &Opened) -> Overview {
    let stamp = Stamp::of(drive);
    let overview = Overview::of(drive, opened);
    if let (Some(stamp), Some(file)) = (stamp, file_of(app, drive))
        && let Ok(bytes) = overview.to_bytes(stamp)
    {
        let _ = drive::write_file(&file, Overwrite::WhenDone, |to| to.write_all(&bytes));
    }
    overview
}

impl App {
    /// A drive at a glance. Blocks while it reads, for long only if there is no overview yet.
    pub(crate) fn overview(&self, drive: &Path) -> Result<Arc<Overview>, Failure> {
        self.shelf().overviews.get(drive, || match kept(self, drive) {
            Some(overview) => Ok(overview),
            None => Ok(make(self, drive, &*self.shelf().open(drive)?)),
        })
    }

    /// Makes what overviews are missing of these drives, and throws away those of drives that are gone. Blocks.
    pub(crate) fn complete_overviews(&self, drives: &[PathBuf]) {
        for drive in drives {
            if !is_kept(self, drive)
                && let Ok(opened) = drive::read(drive)
            {
                make(self, drive, &opened);
            }
        }
        let wanted: Vec<PathBuf> = drives.iter().filter_map(|drive| file_of(self, drive)).collect();
        let folder = self.workshop().places().folder().join("overviews");
        for entry in std::fs::read_dir(folder).into_iter().flatten().flatten() {
            if !wanted.contains(&entry.path()) {
                let _ = std::fs::remove_file(entry.path());
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn overview() -> Overview {
        let mut drive = wire::DriveSummary { duration_s: 8.0 * 3600.0, ..wire::DriveSummary::default() };
        drive.signals = vec![wire::SignalSummary::default(); 2];
        let track = Track { t_ns: vec![1, 2, 3], value: vec![1.0, -2.0, 3.5] };
        Overview { about: About { drive, problems: vec!["a hole".into()] }, tracks: vec![track, Track::default()] }
    }

    const STAMP: Stamp = Stamp { bytes: 7, written_unix_ns: 1_800_000_000_000_000_000 };

    #[test]
    fn what_is_kept_comes_back_and_only_for_the_same_state_of_the_drive() {
        let bytes = overview().to_bytes(STAMP).unwrap();
        assert_eq!(Overview::from_bytes(&bytes, STAMP), Some(overview()));
        assert_eq!(Overview::from_bytes(&bytes, Stamp { bytes: 8, ..STAMP }), None);
        assert_eq!(Overview::from_bytes(&bytes, Stamp { written_unix_ns: 1, ..STAMP }), None);
        (0..bytes.len()).for_each(|n| assert_eq!(Overview::from_bytes(&bytes[..n], STAMP), None, "cut at {n}"));
    }

    #[test]
    fn a_whole_drive_on_one_screen_needs_no_more_and_a_minute_of_it_does() {
        assert!(overview().suffices(0.0, 8.0 * 3600.0, 1400));
        assert!(overview().suffices(0.0, 8.0 * 3600.0, COLUMNS));
        assert!(!overview().suffices(600.0, 660.0, 1400));
    }

    proptest! {
        #[test]
        fn rubbish_is_no_overview_and_no_panic(bytes in proptest::collection::vec(proptest::num::u8::ANY, 0..300)) {
            let mut whole = overview().to_bytes(STAMP).unwrap();
            whole.truncate(HEAD);
            whole.extend(bytes);
            if let Some(found) = Overview::from_bytes(&whole, STAMP) {
                prop_assert_eq!(found.tracks.len(), found.about.drive.signals.len());
            }
        }
    }
}
