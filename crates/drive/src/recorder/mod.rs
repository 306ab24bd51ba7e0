//! Appending to a drive while it lasts.

use std::collections::HashSet;
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::thread::JoinHandle;

use mcap::McapError;
use signal::{Gap, Mark, Sample, SignalId, Unit, seconds_from_nanos};

use crate::DriveError;
use crate::format::{DriveInfo, Exchange, is_time};
use crate::frames::FrameBatch;
use crate::write::{DriveFile, NewFile, Overwrite, check_signal};

mod inbox;

use inbox::{Inbox, Lost};

/// Memory that may wait for a slow disk, bytes: some ten minutes of the fastest link.
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

/// A drive that is being recorded.
///
/// Writing and syncing happen on a thread of its own, so that a slow disk never slows the car: nothing but
/// [`Recorder::save`] and [`Recorder::finish`] ever waits for the disk. What was handed in is on the disk at most 250 ms
/// later, as the wall clock counts, even if the recorder is never called again. Dropping a recorder finishes the file as
/// well as possible, without telling how that went; [`Recorder::finish`] tells.
pub struct Recorder {
    new_file: Option<NewFile>,
    path: PathBuf,
    inbox: Arc<Inbox>,
    writer: Option<JoinHandle<Result<(), McapError>>>,
    /// Why the writing thread ended early.
    failure: Option<Arc<McapError>>,
    seen: HashSet<SignalId>,
    /// The signals, and the time of the last sample of each.
    signals: Vec<(SignalId, i64)>,
}

impl Recorder {
    /// Starts a drive. An existing file is never touched unless `overwrite` says so, and then replaced only when the new
    /// one is finished; until then the new one is a file beside it, see [`Recorder::path`].
    ///
    /// # Errors
    /// [`DriveError::Exists`], [`DriveError::NoFile`], [`DriveError::Io`], or [`DriveError::Stopped`] if the disk takes
    /// nothing.
    pub fn create(path: &Path, info: &DriveInfo, overwrite: Overwrite) -> Result<Self, DriveError> {
        let (new_file, file) = NewFile::open(path, overwrite)?;
        Self::with_sink(Box::new(file), new_file.current(), Some(new_file), info, MAX_WAITING_BYTES)
    }

    fn with_sink(
        sink: Box<dyn Write + Send>,
        path: PathBuf,
        new_file: Option<NewFile>,
        info: &DriveInfo,
        max_waiting_bytes: usize,
    ) -> Result<Self, DriveError> {
        let stopped = |source| DriveError::Stopped { path: path.clone(), saved_until_s: 0.0, source: Arc::new(source) };
        let file = DriveFile::start(sink, info).map_err(stopped)?;
        let inbox = Arc::new(Inbox::new(max_waiting_bytes));
        let shared = Arc::clone(&inbox);
        let writer = std::thread::Builder::new()
            .name("drive-writer".into())
            .spawn(move || inbox::write_all(file, &shared))
            .map_err(DriveError::io("cannot start the thread that writes", &path))?;
        let (seen, signals) = (HashSet::new(), Vec::new());
        Ok(Self { new_file, path, inbox, writer: Some(writer), failure: None, seen, signals })
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
        let signal = (id.clone(), unit.clone(), definition.to_owned());
        self.inbox.add(128 + definition.len(), None, |waiting| waiting.signals.push(signal));
        self.signals.push((id.clone(), i64::MIN));
        Ok(SignalHandle(self.signals.len() - 1))
    }

    /// Records a sample. Its time must not be before that of the signal's last one.
    ///
    /// # Errors
    /// [`DriveError::Sample`] if it goes back in time or is no number, [`DriveError::Signal`] if the handle belongs to
    /// another recorder; the sample is then not recorded. Trouble with the disk is reported by [`Recorder::check`].
    pub fn push(&mut self, signal: SignalHandle, sample: Sample) -> Result<(), DriveError> {
        let Some((id, last_ns)) = self.signals.get_mut(signal.0) else {
            let problem = "its handle belongs to another recorder".into();
            return Err(DriveError::Signal { signal: format!("number {}", signal.0), problem });
        };
        let refuse = |problem| Err(DriveError::Sample { signal: id.clone(), t_ns: sample.t_ns, problem });
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
        let entry = (signal.0, sample);
        self.inbox.add(size_of_val(&entry), Some(sample.t_ns), |waiting| waiting.samples.push(entry));
        Ok(())
    }

    /// Records the bytes of one exchange.
    pub fn push_exchange(&mut self, exchange: Exchange) {
        let replies: usize = exchange.replies.iter().map(|reply| reply.bytes.len() + 64).sum();
        let n_bytes = 128 + exchange.request.len() + replies;
        self.inbox.add(n_bytes, Some(exchange.over_ns), |waiting| waiting.exchanges.push(exchange));
    }

    /// Records raw CAN frames that were listened to.
    pub fn push_frames(&mut self, batch: FrameBatch) {
        if !batch.is_empty() {
            self.inbox.add(batch.n_bytes(), Some(batch.last_ns), |waiting| waiting.frames.push(batch));
        }
    }

    /// Records a mark.
    pub fn mark(&mut self, mark: Mark) {
        self.inbox.add(64 + mark.text.len(), Some(mark.t_ns), |waiting| waiting.marks.push(mark));
    }

    /// Records a gap.
    pub fn gap(&mut self, gap: Gap) {
        self.inbox.add(64 + gap.reason.len(), Some(gap.to_ns), |waiting| waiting.gaps.push(gap));
    }

    /// Replaces the description of the drive, for instance when the vehicle's identity has become known.
    pub fn set_info(&mut self, info: &DriveInfo) {
        self.inbox.add(1024, None, |waiting| waiting.info = Some(info.clone()));
    }

    /// Whether the disk is still well. Call it now and then: this is where its trouble is told, and nothing else
    /// depends on it.
    ///
    /// # Errors
    /// [`DriveError::Stopped`] if the disk failed: nothing more will be recorded. [`DriveError::Lost`], once, if the
    /// disk is so slow that data had to be dropped: recording goes on, and the gap is marked in the drive.
    pub fn check(&mut self) -> Result<(), DriveError> {
        if self.inbox.lock().is_over {
            self.join();
        }
        self.failed()?;
        self.lost()
    }

    fn failed(&self) -> Result<(), DriveError> {
        let Some(source) = &self.failure else { return Ok(()) };
        Err(DriveError::Stopped {
            path: self.path.clone(),
            saved_until_s: self.inbox.lock().saved.until_ns.map_or(0.0, seconds_from_nanos),
            source: Arc::clone(source),
        })
    }

    fn lost(&self) -> Result<(), DriveError> {
        let Some(Lost { from_ns, to_ns, n_samples, n_exchanges }) = self.inbox.lock().lost.take() else {
            return Ok(());
        };
        Err(DriveError::Lost {
            path: self.path.clone(),
            from_s: seconds_from_nanos(from_ns),
            to_s: seconds_from_nanos(to_ns),
            n_samples,
            n_exchanges,
        })
    }

    /// Saves at once, and returns when everything handed in is on the disk.
    ///
    /// # Errors
    /// As [`Recorder::check`].
    pub fn save(&mut self) -> Result<(), DriveError> {
        self.inbox.wait_until_saved();
        self.check()
    }

    /// Saves everything, completes the file and gives it its name.
    ///
    /// # Errors
    /// [`DriveError::Stopped`] if the disk failed, and what was saved by then; [`DriveError::Exists`] or
    /// [`DriveError::Io`] if the complete file could not be given its name: it is then still at [`Recorder::path`];
    /// [`DriveError::Lost`] if [`Recorder::check`] has not told of it: the file is then complete but for that.
    pub fn finish(mut self) -> Result<Finished, DriveError> {
        self.inbox.close();
        self.join();
        self.failed()?;
        let path = match self.new_file.take() {
            Some(new_file) => new_file.keep()?,
            None => self.path.clone(),
        };
        self.lost()?;
        let bytes = path.metadata().map_or(0, |metadata| metadata.len());
        let saved = self.inbox.lock().saved;
        Ok(Finished { path, bytes, n_samples: saved.n_samples, n_exchanges: saved.n_exchanges })
    }

    /// Waits for the end of the writing thread, and keeps the reason if it ended early.
    fn join(&mut self) {
        let Some(writer) = self.writer.take() else { return };
        let broke_off = |_| Err(io::Error::other("the thread that writes broke off").into());
        self.failure = writer.join().unwrap_or_else(broke_off).err().map(Arc::new);
    }
}

impl Drop for Recorder {
    fn drop(&mut self) {
        self.inbox.close();
        self.join();
    }
}

#[cfg(test)]
mod tests;
