//! Appending to a drive while it lasts.

use std::collections::HashSet;
use std::path::{Path, PathBuf};
use std::sync::mpsc::{Receiver, SyncSender, TrySendError, sync_channel};
use std::sync::{Arc, Mutex};
use std::thread::JoinHandle;

use mcap::McapError;
use signal::{Gap, Mark, Sample, Series, SignalId, Unit, seconds_from_nanos};

use crate::DriveError;
use crate::file::{DriveFile, Sink, check_signal};
use crate::format::{DriveInfo, Exchange, is_time};
use crate::place::{Overwrite, Place};

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
mod tests;
