//! Disks that misbehave.

use std::fs::File;
use std::io::{self, Write};
use std::sync::mpsc::{Receiver, channel};

use super::*;
use crate::read;

const TICK_NS: i64 = 10_000_000;

/// A disk that stands still until a word comes through the channel, once per sync.
struct Slow {
    file: File,
    go: Receiver<()>,
}

impl Write for Slow {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.file.write(bytes)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.file.flush()
    }
}

impl Sink for Slow {
    fn sync(&mut self) -> io::Result<()> {
        // Once the test hangs up the disk is fast again.
        let _ = self.go.recv();
        self.file.sync()
    }
}

/// A disk of so many bytes.
struct Full {
    file: File,
    n_free: usize,
}

impl Write for Full {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        if self.n_free == 0 {
            return Err(io::ErrorKind::StorageFull.into());
        }
        let n_written = self.file.write(&bytes[..bytes.len().min(self.n_free)])?;
        self.n_free -= n_written;
        Ok(n_written)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.file.flush()
    }
}

impl Sink for Full {
    fn sync(&mut self) -> io::Result<()> {
        self.file.sync()
    }
}

fn speed(recorder: &mut Recorder) -> SignalHandle {
    recorder.add_signal(&SignalId::new("engine.speed").unwrap(), &Unit::named("rpm"), "").unwrap()
}

fn sample(k: i64) -> Sample {
    Sample { t_ns: k * TICK_NS, asked_ns: k * TICK_NS, exchange: 0, value: k as f64 }
}

#[test]
fn a_disk_that_stands_still_never_stops_the_car_and_what_is_lost_is_told() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("slow.mcap");
    let (go, wait) = channel();
    go.send(()).unwrap();
    let sink = Box::new(Slow { file: File::create(&path).unwrap(), go: wait });
    // Room for a thousand samples in front of the queue.
    let room = 1000 * size_of::<Sample>();
    let mut recorder = Recorder::with_sink(sink, path.clone(), None, &DriveInfo::default(), room).unwrap();
    let handle = speed(&mut recorder);
    let mut lost = None;
    for k in 0..3000 {
        recorder.push(handle, sample(k)).unwrap();
        // A tick returns at once although nothing is being saved: the disk has not moved since the file's head.
        match recorder.tick(k * TICK_NS) {
            Ok(()) => {}
            Err(DriveError::Lost { from_s, to_s, n_samples, n_exchanges: 0, .. }) => {
                assert!(lost.replace((from_s, to_s, n_samples)).is_none() || k > 1500);
            }
            Err(error) => panic!("{error}"),
        }
        if lost.is_some() && k > 1500 {
            break;
        }
    }
    let (from_s, to_s, n_lost) = lost.unwrap();
    drop(go);
    let n_pushed = recorder.series[0].1 / TICK_NS + 1;
    let finished = recorder.finish().unwrap();
    assert_eq!(finished.n_samples as i64, n_pushed - n_lost as i64);
    let opened = read(&path).unwrap();
    assert_eq!(opened.problems, []);
    let series = &opened.recording.series[0];
    assert!(series.t_ns.iter().all(|t| seconds_from_nanos(*t) < from_s || seconds_from_nanos(*t) > to_s));
    assert_eq!(series.len() as i64, n_pushed - n_lost as i64);
    let [gap] = opened.recording.gaps.as_slice() else { panic!("{:?}", opened.recording.gaps) };
    assert_eq!((seconds_from_nanos(gap.from_ns), seconds_from_nanos(gap.to_ns)), (from_s, to_s));
    assert_eq!(gap.reason, "the disk was too slow");
}

#[test]
fn a_full_disk_is_an_error_and_what_was_saved_stays_readable() {
    let folder = tempfile::tempdir().unwrap();
    let mut n_complete = 0;
    // From a disk that takes nothing, over one that fills up while the summary is written, to one with room enough.
    for n_free in (0..16_000).step_by(379) {
        let path = folder.path().join(format!("{n_free}.mcap"));
        let sink = Box::new(Full { file: File::create(&path).unwrap(), n_free });
        let started = Recorder::with_sink(sink, path.clone(), None, &DriveInfo::default(), MAX_WAITING_BYTES);
        let mut recorder = match started {
            Ok(recorder) => recorder,
            Err(DriveError::Stopped { .. }) => continue,
            Err(error) => panic!("{error}"),
        };
        let handle = speed(&mut recorder);
        let mut told = None;
        for k in 0..500 {
            recorder.push(handle, sample(k)).unwrap();
            if let Err(error) = recorder.tick(k * TICK_NS) {
                told = Some(error);
                break;
            }
            // In step with the disk, or the queue would put everything into one chunk.
            while recorder.waiting_since_ns.is_none()
                && recorder.saved_until_ns() != Some(k * TICK_NS)
                && recorder.failure().is_ok()
            {
                std::thread::yield_now();
            }
        }
        let told = told.or_else(|| recorder.finish().err());
        let opened = read(&path).unwrap();
        let saved = opened.recording.series.first().map_or(&[][..], |series| &series.t_ns);
        match told {
            Some(DriveError::Stopped { saved_until_s, .. }) => {
                let n_promised = if saved_until_s > 0.0 { (saved_until_s * 100.0).round() as usize + 1 } else { 0 };
                assert!(saved.len() >= n_promised, "{n_free}: {} of {n_promised}", saved.len());
                assert!(!opened.is_finished);
            }
            Some(error) => panic!("{error}"),
            None => {
                assert_eq!((saved.len(), opened.is_finished), (500, true));
                n_complete += 1;
            }
        }
        assert!(saved.iter().enumerate().all(|(k, t_ns)| *t_ns == k as i64 * TICK_NS));
    }
    assert!(n_complete > 0);
}

#[test]
fn samples_that_are_none_are_refused_one_by_one() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("x.mcap");
    let mut recorder = Recorder::create(&path, &DriveInfo::default(), Overwrite::Never).unwrap();
    assert!(matches!(Recorder::create(&path, &DriveInfo::default(), Overwrite::Never), Err(DriveError::Exists(_))));
    let handle = speed(&mut recorder);
    let id = SignalId::new("engine.speed").unwrap();
    assert!(matches!(recorder.add_signal(&id, &Unit::named("rpm"), ""), Err(DriveError::Signal { .. })));
    let load = SignalId::new("engine.load").unwrap();
    assert!(matches!(recorder.add_signal(&load, &Unit::named("V"), ""), Err(DriveError::Signal { .. })));
    recorder.push(handle, sample(5)).unwrap();
    for wrong in [sample(4), Sample { value: f64::NAN, ..sample(6) }, Sample { t_ns: i64::MAX, ..sample(6) }] {
        assert!(matches!(recorder.push(handle, wrong), Err(DriveError::Sample { .. })), "{wrong:?}");
    }
    recorder.push(handle, sample(5)).unwrap();
    let finished = recorder.finish().unwrap();
    assert_eq!((finished.n_samples, finished.path.as_path()), (2, path.as_path()));
    // Replaced only when asked, and only once complete.
    let mut recorder = Recorder::create(&path, &DriveInfo::default(), Overwrite::WhenDone).unwrap();
    assert_ne!(recorder.path(), path);
    let handle = speed(&mut recorder);
    recorder.push(handle, sample(7)).unwrap();
    assert_eq!(read(&path).unwrap().recording.series[0].len(), 2);
    recorder.finish().unwrap();
    assert_eq!(read(&path).unwrap().recording.series[0].value, [7.0]);
    assert_eq!(folder.path().read_dir().unwrap().count(), 1);
}
