//! Appending to a drive while it lasts.

use std::collections::HashSet;
use std::path::{Path, PathBuf};
use std::sync::mpsc::{Receiver, SyncSender, TrySendError, sync_channel};
use std::sync::{Arc, Mutex};
use std::thread::JoinHandle;

use mcap::McapError;
use signal::{Gap, Mark, Sample, Series, SignalId, Unit, seconds_from_nanos};

use crate::DriveError;
use crate::file::{DriveFile, Overwrite, Place, Sink, check_signal};
use crate::format::{DriveInfo, Exchange, is_time};

/// Longest time that data waits before it is handed to the disk, nanoseconds. 250 ms are promised; the rest is for the
/// writing itself.
const SAVE_EVERY_NS: i64 = 200_000_000;
/// Stretches that may wait for a slow disk in the queue; more of them gather in one piece in front of it.
const QUEUE_LENGTH: usize = 4;
/// Memory that may gather in front of the queue, bytes: some ten minutes of the fastest link.
const MAX_WAITING_BYTES: usize = 64 << 20;

/// One signal of a [`Recorder`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct SignalHandle(usize);

/// What a finished recording holds.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Finished {
    /// Where it is.
    pub path: PathBuf,
    /// Its size in bytes.
    pub bytes: u64,
    /// Samples saved.
    pub n_samples: u64,
    /// Raw exchanges saved.
    pub n_exchanges: u64,
}

/// What has come in since the last hand-over to the writing thread.
#[derive(Default)]
struct Waiting {
    signals: Vec<(SignalId, Unit, String)>,
    /// Index into all signals of the drive, and its new samples.
    series: Vec<(usize, Series)>,
    exchanges: Vec<Exchange>,
    marks: Vec<Mark>,
    gaps: Vec<Gap>,
    info: Option<DriveInfo>,
    /// Time of the latest data in here.
    latest_ns: i64,
}

/// How far the writing thread is.
#[derive(Default)]
struct Progress {
    saved_until_ns: Option<i64>,
    n_samples: u64,
    n_exchanges: u64,
    failure: Option<Arc<McapError>>,
}

/// A drive that is being recorded.
///
/// Writing and syncing happen on a thread of its own, so that a slow disk never slows the car. What was handed in is on
/// the disk at most 250 ms later if [`Recorder::tick`] is called as often. Dropping a recorder finishes the file as well
/// as possible, without telling how that went; [`Recorder::finish`] tells.
pub struct Recorder {
    place: Option<Place>,
    path: PathBuf,
    to_writer: Option<SyncSender<Waiting>>,
    writer: Option<JoinHandle<()>>,
    progress: Arc<Mutex<Progress>>,
    seen: HashSet<SignalId>,
    /// One per signal: what waits, and the time of its last sample.
    series: Vec<(Series, i64)>,
    waiting: Waiting,
    waiting_bytes: usize,
    max_waiting_bytes: usize,
    waiting_since_ns: Option<i64>,
}

impl Recorder {
    /// Starts a drive. An existing file is never touched unless `overwrite` says so, and then replaced only when the new
    /// one is finished; until then the new one is a file beside it, see [`Recorder::path`].
    ///
    /// # Errors
    /// [`DriveError::Exists`], [`DriveError::Io`], or [`DriveError::Stopped`] if the disk takes nothing.
    pub fn create(path: &Path, info: &DriveInfo, overwrite: Overwrite) -> Result<Self, DriveError> {
        let (place, file) = Place::open(path, overwrite)?;
        Self::with_sink(Box::new(file), place.current().to_owned(), Some(place), info, MAX_WAITING_BYTES)
    }

    fn with_sink(
        sink: Box<dyn Sink>,
        path: PathBuf,
        place: Option<Place>,
        info: &DriveInfo,
        max_waiting_bytes: usize,
    ) -> Result<Self, DriveError> {
        let stopped = |source| DriveError::Stopped { path: path.clone(), saved_until_s: 0.0, source: Arc::new(source) };
        let file = DriveFile::start(sink, info).map_err(stopped)?;
        let progress = Arc::new(Mutex::new(Progress::default()));
        let (to_writer, from_recorder) = sync_channel(QUEUE_LENGTH);
        let shared = Arc::clone(&progress);
        let writer = std::thread::Builder::new()
            .name("drive-writer".into())
            .spawn(move || write_all(file, &from_recorder, &shared))
            .map_err(DriveError::io("cannot start the thread that writes", &path))?;
        Ok(Self {
            place,
            path,
            to_writer: Some(to_writer),
            writer: Some(writer),
            progress,
            seen: HashSet::new(),
            series: Vec::new(),
            waiting: Waiting::default(),
            waiting_bytes: 0,
            max_waiting_bytes,
            waiting_since_ns: None,
        })
    }

    /// Where the data goes until [`Recorder::finish`]: the wanted name, or a hidden one beside it while that name still
    /// belongs to the file that is to be replaced.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Adds a signal, at any time. `definition` says where its decoding comes from; it may be empty.
    ///
    /// # Errors
    /// [`DriveError::Signal`] if it is there already, or known to the catalogue with another unit.
    pub fn add_signal(&mut self, id: &SignalId, unit: &Unit, definition: &str) -> Result<SignalHandle, DriveError> {
        check_signal(&mut self.seen, id, unit)?;
        self.waiting.signals.push((id.clone(), unit.clone(), definition.to_owned()));
        self.series.push((Series::new(id.clone(), unit.clone()), i64::MIN));
        Ok(SignalHandle(self.series.len() - 1))
    }

    /// Records a sample. Its time must not be before that of the signal's last one.
    ///
    /// # Errors
    /// [`DriveError::Sample`] if it goes back in time or is no number, [`DriveError::Signal`] if the handle belongs to
    /// another recorder; the sample is then not recorded. Trouble with the disk is reported by [`Recorder::tick`].
    pub fn push(&mut self, signal: SignalHandle, sample: Sample) -> Result<(), DriveError> {
        let Some((series, last_ns)) = self.series.get_mut(signal.0) else {
            let problem = "its handle belongs to another recorder".into();
            return Err(DriveError::Signal { signal: format!("number {}", signal.0), problem });
        };
        let refuse = |problem| Err(DriveError::Sample { signal: series.id.clone(), t_ns: sample.t_ns, problem });
        if !sample.value.is_finite() {
            return refuse("its value is not a number");
        }
        if sample.t_ns < *last_ns {
            return refuse("it is older than the sample before it");
        }
        if !is_time(sample.t_ns) || !is_time(sample.asked_ns) {
            return refuse("its time is beyond all limits");
        }
        *last_ns = sample.t_ns;
        series.push(sample);
        self.note(size_of::<Sample>(), sample.t_ns);
        Ok(())
    }

    /// Records the bytes of one exchange.
    pub fn push_exchange(&mut self, exchange: Exchange) {
        let replies: usize = exchange.replies.iter().map(|reply| reply.bytes.len() + 64).sum();
        self.note(128 + exchange.request.len() + replies, exchange.over_ns);
        self.waiting.exchanges.push(exchange);
    }

    /// Records a mark.
    pub fn mark(&mut self, mark: Mark) {
        self.note(64 + mark.text.len(), mark.t_ns);
        self.waiting.marks.push(mark);
    }

    /// Records a gap.
    pub fn gap(&mut self, gap: Gap) {
        self.note(64 + gap.reason.len(), gap.to_ns);
        self.waiting.gaps.push(gap);
    }

    /// Replaces the description of the drive, for instance when the vehicle's identity has become known.
    pub fn set_info(&mut self, info: &DriveInfo) {
        self.waiting.info = Some(info.clone());
    }

    fn note(&mut self, n_bytes: usize, t_ns: i64) {
        self.waiting_bytes += n_bytes;
        self.waiting.latest_ns = self.waiting.latest_ns.max(t_ns);
        self.waiting_since_ns = Some(self.waiting_since_ns.map_or(t_ns, |since| since.min(t_ns)));
    }

    /// Hands what has waited long enough to the disk. Call it at least every 50 ms or so while data comes; it never
    /// waits. `now_ns` is on the clock of the samples.
    ///
    /// # Errors
    /// [`DriveError::Stopped`] if the disk failed: nothing more will be recorded. [`DriveError::Lost`] if the disk is so
    /// slow that data had to be dropped: recording goes on, and the gap is marked in the drive.
    pub fn tick(&mut self, now_ns: i64) -> Result<(), DriveError> {
        self.failure()?;
        if self.waiting_since_ns.is_some_and(|since| now_ns.saturating_sub(since) >= SAVE_EVERY_NS) {
            self.hand_over()?;
        }
        Ok(())
    }

    /// Time up to which everything is on the disk; `None` before the first save.
    #[must_use]
    pub fn saved_until_ns(&self) -> Option<i64> {
        self.progress.lock().ok().and_then(|progress| progress.saved_until_ns)
    }

    fn failure(&self) -> Result<(), DriveError> {
        let Ok(progress) = self.progress.lock() else { return Ok(()) };
        match &progress.failure {
            None => Ok(()),
            Some(source) => Err(DriveError::Stopped {
                path: self.path.clone(),
                saved_until_s: progress.saved_until_ns.map_or(0.0, seconds_from_nanos),
                source: Arc::clone(source),
            }),
        }
    }

    /// What waits, taken out of the recorder.
    fn take_waiting(&mut self) -> Waiting {
        let mut waiting = std::mem::take(&mut self.waiting);
        for (idx, (series, _)) in self.series.iter_mut().enumerate() {
            if !series.is_empty() {
                let empty = Series::new(series.id.clone(), series.unit.clone());
                waiting.series.push((idx, std::mem::replace(series, empty)));
            }
        }
        self.waiting_bytes = 0;
        self.waiting_since_ns = None;
        waiting
    }

    fn hand_over(&mut self) -> Result<(), DriveError> {
        let Some(to_writer) = &self.to_writer else { return Ok(()) };
        // Only this thread sends, so a place that is free now is still free below.
        let (n_bytes, since_ns) = (self.waiting_bytes, self.waiting_since_ns);
        let to_writer = to_writer.clone();
        match to_writer.try_send(self.take_waiting()) {
            Ok(()) => Ok(()),
            Err(TrySendError::Disconnected(_)) => self.failure(),
            Err(TrySendError::Full(waiting)) if n_bytes < self.max_waiting_bytes => {
                self.put_back(waiting, n_bytes, since_ns);
                Ok(())
            }
            Err(TrySendError::Full(waiting)) => Err(self.drop_data(waiting)),
        }
    }

    fn put_back(&mut self, mut waiting: Waiting, n_bytes: usize, since_ns: Option<i64>) {
        for (idx, series) in waiting.series.drain(..) {
            self.series[idx].0 = series;
        }
        self.waiting = waiting;
        self.waiting_bytes = n_bytes;
        self.waiting_since_ns = since_ns;
    }

    /// Gives up samples and exchanges, keeps everything else, and marks the gap.
    fn drop_data(&mut self, mut waiting: Waiting) -> DriveError {
        let first = waiting.series.iter().filter_map(|(_, series)| series.t_ns.first().copied()).min();
        let from_ns = waiting.exchanges.first().map(|exchange| exchange.asked_ns).into_iter().chain(first).min();
        let n_samples = waiting.series.drain(..).map(|(_, series)| series.len()).sum();
        let n_exchanges = waiting.exchanges.drain(..).len();
        let to_ns = waiting.latest_ns;
        let from_ns = from_ns.unwrap_or(to_ns);
        waiting.gaps.push(Gap { from_ns, to_ns, reason: "the disk was too slow".into() });
        self.put_back(waiting, 0, Some(to_ns));
        DriveError::Lost {
            path: self.path.clone(),
            from_s: seconds_from_nanos(from_ns),
            to_s: seconds_from_nanos(to_ns),
            n_samples,
            n_exchanges,
        }
    }

    /// Saves everything, completes the file and gives it its name.
    ///
    /// # Errors
    /// [`DriveError::Stopped`] if the disk failed, and what was saved by then; [`DriveError::Exists`] or
    /// [`DriveError::Io`] if the complete file could not be given its name: it is then still at [`Recorder::path`].
    pub fn finish(mut self) -> Result<Finished, DriveError> {
        self.close();
        self.failure()?;
        let target = match self.place.take() {
            Some(place) => place.keep()?,
            None => self.path.clone(),
        };
        let bytes = target.metadata().map_or(0, |metadata| metadata.len());
        let (n_samples, n_exchanges) =
            self.progress.lock().map_or((0, 0), |progress| (progress.n_samples, progress.n_exchanges));
        Ok(Finished { path: target, bytes, n_samples, n_exchanges })
    }

    /// Hands over the rest and waits for the writing thread.
    fn close(&mut self) {
        if let Some(to_writer) = self.to_writer.take() {
            let waiting = self.take_waiting();
            // If the thread is gone, its reason is in `progress`.
            let _ = to_writer.send(waiting);
        }
        if let Some(writer) = self.writer.take() {
            let _ = writer.join();
        }
    }
}

impl Drop for Recorder {
    fn drop(&mut self) {
        self.close();
    }
}

/// The writing thread: until the recorder hangs up or the disk fails.
fn write_all(mut file: DriveFile, from_recorder: &Receiver<Waiting>, progress: &Mutex<Progress>) {
    let set = |act: &dyn Fn(&mut Progress)| {
        if let Ok(mut progress) = progress.lock() {
            act(&mut progress);
        }
    };
    while let Ok(first) = from_recorder.recv() {
        let (mut n_samples, mut n_exchanges, mut until_ns) = (0, 0, i64::MIN);
        let mut result = Ok(());
        // After a slow sync several stretches wait; one more sync is enough for all of them.
        for waiting in std::iter::once(first).chain(from_recorder.try_iter().take(QUEUE_LENGTH)) {
            result = result.and_then(|()| write_waiting(&mut file, &waiting));
            n_samples += waiting.series.iter().map(|(_, series)| series.len() as u64).sum::<u64>();
            n_exchanges += waiting.exchanges.len() as u64;
            until_ns = until_ns.max(waiting.latest_ns);
        }
        if let Err(error) = result.and_then(|()| file.save()) {
            let error = Arc::new(error);
            return set(&|progress| progress.failure = Some(Arc::clone(&error)));
        }
        set(&|progress| {
            progress.n_samples += n_samples;
            progress.n_exchanges += n_exchanges;
            progress.saved_until_ns = progress.saved_until_ns.max(Some(until_ns));
        });
    }
    if let Err(error) = file.finish() {
        let error = Arc::new(error);
        set(&|progress| progress.failure = Some(Arc::clone(&error)));
    }
}

fn write_waiting(file: &mut DriveFile, waiting: &Waiting) -> Result<(), McapError> {
    if let Some(info) = &waiting.info {
        file.write_info(info)?;
    }
    for (id, unit, definition) in &waiting.signals {
        file.add_signal(id, unit, definition)?;
    }
    for exchange in &waiting.exchanges {
        file.write_exchange(exchange)?;
    }
    for (idx, series) in &waiting.series {
        file.write_samples(*idx, series, 0..series.len())?;
    }
    for mark in &waiting.marks {
        file.write_mark(mark)?;
    }
    for gap in &waiting.gaps {
        file.write_gap(gap)?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
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
}
