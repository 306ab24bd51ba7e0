//! Disks that misbehave.

use std::fs::File;
use std::io::{self, Write};
use std::sync::Mutex;
use std::sync::mpsc::{Receiver, channel};
use std::time::{Duration, Instant};

use super::*;
use crate::read;

const TICK_NS: i64 = 10_000_000;

/// A disk that stands still until a word comes through the channel, once per flush.
struct Slow {
    file: File,
    go: Receiver<()>,
}

impl Write for Slow {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.file.write(bytes)
    }

    fn flush(&mut self) -> io::Result<()> {
        // Once the test hangs up the disk is fast again.
        let _ = self.go.recv();
        Ok(())
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

/// A disk that tells how many bytes it was given, and how many of them were there at the last flush.
#[derive(Clone, Default)]
struct Counted(Arc<Mutex<(usize, usize)>>);

impl Write for Counted {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.0.lock().unwrap().0 += bytes.len();
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        let mut counts = self.0.lock().unwrap();
        counts.1 = counts.0;
        Ok(())
    }
}

fn speed(recorder: &mut Recorder) -> SignalHandle {
    recorder.add_signal(&SignalId::new("engine.speed").unwrap(), &Unit::named("rpm"), "").unwrap()
}

fn sample(k: i64) -> Sample {
    Sample { t_ns: k * TICK_NS, asked_ns: k * TICK_NS, exchange: 0, value: k as f64 }
}

/// Records 3500 samples on a disk that has not moved since the file's head, with room for 1000 of them. The writing
/// thread takes one load with it, the next one waits, and what comes then is too much.
fn record_while_the_disk_stands_still(
    path: &Path,
    mut after_each: impl FnMut(&mut Recorder),
) -> Result<Finished, DriveError> {
    let (go, wait) = channel();
    go.send(()).unwrap();
    let sink = Box::new(Slow { file: File::create(path).unwrap(), go: wait });
    let room = 1000 * size_of::<(usize, Sample)>();
    let mut recorder = Recorder::with_sink(sink, path.to_owned(), None, &DriveInfo::default(), room).unwrap();
    let handle = speed(&mut recorder);
    for k in 0..3500 {
        recorder.push(handle, sample(k)).unwrap();
        after_each(&mut recorder);
    }
    drop(go);
    recorder.finish()
}

#[test]
fn what_is_saved_is_on_the_disk() {
    let disk = Counted::default();
    let counts = || *disk.0.lock().unwrap();
    let (sink, path, info) = (Box::new(disk.clone()), PathBuf::from("nowhere"), DriveInfo::default());
    let mut recorder = Recorder::with_sink(sink, path, None, &info, MAX_WAITING_BYTES).unwrap();
    let handle = speed(&mut recorder);
    let mut n_before = counts().0;
    for k in 0..100 {
        recorder.push(handle, sample(k)).unwrap();
        recorder.save().unwrap();
        let (n_written, n_synced) = counts();
        assert!(n_written > n_before, "sample {k} was not written");
        assert_eq!(n_synced, n_written, "sample {k} was not synced");
        n_before = n_written;
    }
    recorder.finish().unwrap();
    let (n_written, n_synced) = counts();
    assert!(n_written > n_before && n_synced == n_written);
}

#[test]
fn a_disk_that_stands_still_never_stops_the_car_and_what_is_lost_is_told() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("slow.mcap");
    let mut lost = Vec::new();
    let finished = record_while_the_disk_stands_still(&path, |recorder| match recorder.check() {
        Ok(()) => {}
        Err(DriveError::Lost { from_s, to_s, n_samples, n_exchanges: 0, .. }) => lost.push((from_s, to_s, n_samples)),
        Err(error) => panic!("{error}"),
    });
    let n_lost: usize = lost.iter().map(|(.., n_samples)| n_samples).sum();
    assert!(n_lost > 1000);
    assert_eq!(finished.unwrap().n_samples, 3500 - n_lost as u64);
    let opened = read(&path).unwrap();
    assert_eq!(opened.problems, []);
    let series = &opened.recording.series[0];
    assert_eq!(series.len(), 3500 - n_lost);
    assert_eq!(opened.recording.gaps.len(), lost.len());
    for (gap, (from_s, to_s, _)) in opened.recording.gaps.iter().zip(lost) {
        assert_eq!((seconds_from_nanos(gap.from_ns), seconds_from_nanos(gap.to_ns)), (from_s, to_s));
        assert_eq!(gap.reason, "the disk was too slow");
        assert!(!series.t_ns.iter().any(|t_ns| (gap.from_ns..=gap.to_ns).contains(t_ns)));
    }
}

#[test]
fn what_is_lost_and_was_not_asked_for_is_told_at_the_end() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("slow.mcap");
    let finished = record_while_the_disk_stands_still(&path, |_| {});
    let Err(DriveError::Lost { n_samples, from_s, to_s, .. }) = finished else { panic!("{finished:?}") };
    let opened = read(&path).unwrap();
    assert!(opened.is_finished);
    assert_eq!(opened.recording.series[0].len(), 3500 - n_samples);
    let gaps = &opened.recording.gaps;
    assert_eq!(gaps.first().map(|gap| seconds_from_nanos(gap.from_ns)), Some(from_s));
    assert_eq!(gaps.last().map(|gap| seconds_from_nanos(gap.to_ns)), Some(to_s));
}

#[test]
fn time_that_runs_faster_than_the_clock_does_not_fill_the_memory() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("fast.mcap");
    let room = 1000 * size_of::<(usize, Sample)>();
    let sink = Box::new(File::create(&path).unwrap());
    let mut recorder = Recorder::with_sink(sink, path, None, &DriveInfo::default(), room).unwrap();
    let handle = speed(&mut recorder);
    let start = Instant::now();
    for k in 0..20_000 {
        recorder.push(handle, sample(k)).unwrap();
        // A simulation that is not quite as fast as the processor: never more than half of the room ahead.
        while recorder.inbox.lock().saved.n_samples as i64 + 500 < k {
            std::thread::yield_now();
        }
    }
    // Forty times 500 samples, each waiting for the end of its 200 ms, would take 8 s.
    assert!(start.elapsed() < Duration::from_secs(4), "{:?}", start.elapsed());
    assert_eq!(recorder.finish().unwrap().n_samples, 20_000);
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
            if k % 20 == 19
                && let Err(error) = recorder.save()
            {
                told = Some(error);
                break;
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
