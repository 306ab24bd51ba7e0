//! The inbox between a recorder, which must never wait for the disk, and the thread that writes.

use std::sync::{Condvar, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use mcap::McapError;
use signal::{Gap, Mark, Sample, Series, SignalId, Unit};

use crate::format::{DriveInfo, Exchange};
use crate::frames::FrameBatch;
use crate::write::DriveFile;

/// Longest time that data waits in the inbox. 250 ms are promised; the rest is for the writing itself.
const SAVE_EVERY: Duration = Duration::from_millis(200);

/// What has come in since the writing thread last looked.
#[derive(Default)]
pub(super) struct Waiting {
    pub(super) info: Option<DriveInfo>,
    pub(super) signals: Vec<(SignalId, Unit, String)>,
    /// Each with the number of its signal.
    pub(super) samples: Vec<(usize, Sample)>,
    pub(super) exchanges: Vec<Exchange>,
    pub(super) frames: Vec<FrameBatch>,
    pub(super) marks: Vec<Mark>,
    pub(super) gaps: Vec<Gap>,
    /// Memory that all of it takes, about.
    n_bytes: usize,
    /// Time of the latest data in here.
    latest_ns: Option<i64>,
}

/// What had to be given up because the disk was too slow.
#[derive(Clone, Copy)]
pub(super) struct Lost {
    pub(super) from_ns: i64,
    pub(super) to_ns: i64,
    pub(super) n_samples: usize,
    pub(super) n_exchanges: usize,
}

/// What is on the disk.
#[derive(Clone, Copy, Default)]
pub(super) struct Saved {
    /// Everything up to this time is; `None` before the first save.
    pub(super) until_ns: Option<i64>,
    pub(super) n_samples: u64,
    pub(super) n_exchanges: u64,
}

#[derive(Default)]
pub(super) struct State {
    waiting: Waiting,
    /// Until somebody was told.
    pub(super) lost: Option<Lost>,
    pub(super) saved: Saved,
    /// The recorder waits for what it has handed in.
    is_urgent: bool,
    /// Nothing more will come.
    is_closed: bool,
    /// The thread has taken something that is not yet on the disk.
    is_writing: bool,
    /// The thread has ended.
    pub(super) is_over: bool,
}

/// What the recorder and the writing thread share.
pub(super) struct Inbox {
    state: Mutex<State>,
    /// Data is urgent, saved, or will never be.
    changed: Condvar,
    /// Memory that may wait here; as much again may be with the writing thread.
    max_bytes: usize,
}

impl Inbox {
    pub(super) fn new(max_bytes: usize) -> Self {
        Self { state: Mutex::default(), changed: Condvar::new(), max_bytes }
    }

    pub(super) fn lock(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Puts something in that takes about `n_bytes` and happened at `t_ns`. Never waits for the disk.
    pub(super) fn add(&self, n_bytes: usize, t_ns: Option<i64>, put: impl FnOnce(&mut Waiting)) {
        let mut state = self.lock();
        if state.is_over {
            return;
        }
        let waiting = &mut state.waiting;
        put(waiting);
        waiting.n_bytes += n_bytes;
        waiting.latest_ns = waiting.latest_ns.max(t_ns);
        if waiting.n_bytes > self.max_bytes {
            let lost = waiting.give_up();
            state.lost = Some(state.lost.map_or(lost, |untold| untold.and(lost)));
        } else if waiting.n_bytes >= self.plenty() {
            self.changed.notify_all();
        }
    }

    /// Memory at which the thread does not wait any longer, bytes. A road test never gets there, but time may be a
    /// simulation's and run as fast as a processor can.
    fn plenty(&self) -> usize {
        self.max_bytes / 16
    }

    /// Returns when everything that was put in is on the disk, or will never be.
    pub(super) fn wait_until_saved(&self) {
        let mut state = self.lock();
        state.is_urgent = true;
        self.changed.notify_all();
        let is_open = |state: &mut State| !state.is_over && (state.waiting.n_bytes > 0 || state.is_writing);
        drop(self.changed.wait_while(state, is_open).unwrap_or_else(PoisonError::into_inner));
    }

    /// Tells the thread that nothing more will come.
    pub(super) fn close(&self) {
        self.lock().is_closed = true;
        self.changed.notify_all();
    }

    /// What waits at `due`, or before if it is urgent; and whether it is the last.
    fn take(&self, due: Instant) -> (Waiting, bool) {
        let rest = due.saturating_duration_since(Instant::now());
        let has_time =
            |state: &mut State| !(state.is_urgent || state.is_closed || state.waiting.n_bytes >= self.plenty());
        let (mut state, _) =
            self.changed.wait_timeout_while(self.lock(), rest, has_time).unwrap_or_else(PoisonError::into_inner);
        state.is_urgent = false;
        state.is_writing = true;
        (std::mem::take(&mut state.waiting), state.is_closed)
    }

    fn tell_saved(&self, waiting: &Waiting) {
        let mut state = self.lock();
        let saved = &mut state.saved;
        saved.until_ns = saved.until_ns.max(waiting.latest_ns);
        saved.n_samples += waiting.samples.len() as u64;
        saved.n_exchanges += waiting.exchanges.len() as u64;
        state.is_writing = false;
        self.changed.notify_all();
    }
}

impl Waiting {
    /// Gives up samples, exchanges and frames, keeps everything else, and marks the gap.
    fn give_up(&mut self) -> Lost {
        let samples = self.samples.iter().map(|(_, sample)| (sample.t_ns, sample.t_ns));
        let exchanges = self.exchanges.iter().map(|exchange| (exchange.asked_ns, exchange.over_ns));
        let (from_ns, to_ns) = samples.chain(exchanges).reduce(|a, b| (a.0.min(b.0), a.1.max(b.1))).unwrap_or_default();
        let lost = Lost { from_ns, to_ns, n_samples: self.samples.len(), n_exchanges: self.exchanges.len() };
        // New ones, because it is their memory that has run out.
        (self.samples, self.exchanges, self.frames) = (Vec::new(), Vec::new(), Vec::new());
        self.gaps.push(Gap { from_ns, to_ns, reason: "the disk was too slow".into() });
        self.n_bytes = size_of::<Gap>();
        lost
    }
}

impl Lost {
    fn and(self, other: Self) -> Self {
        Self {
            from_ns: self.from_ns.min(other.from_ns),
            to_ns: self.to_ns.max(other.to_ns),
            n_samples: self.n_samples + other.n_samples,
            n_exchanges: self.n_exchanges + other.n_exchanges,
        }
    }
}

/// The writing thread: until the inbox is closed or the disk fails.
pub(super) fn write_all(mut file: DriveFile, inbox: &Inbox) -> Result<(), McapError> {
    /// Nobody waits for this thread any more, however it ends.
    struct Over<'a>(&'a Inbox);
    impl Drop for Over<'_> {
        fn drop(&mut self) {
            self.0.lock().is_over = true;
            self.0.changed.notify_all();
        }
    }
    let _over = Over(inbox);
    let mut due = Instant::now() + SAVE_EVERY;
    let mut series = Vec::new();
    loop {
        // The time that the disk takes counts too, or it would come on top.
        let (waiting, is_last) = inbox.take(due);
        due = Instant::now() + SAVE_EVERY;
        if waiting.n_bytes > 0 {
            write(&mut file, &mut series, &waiting)?;
            file.save()?;
        }
        inbox.tell_saved(&waiting);
        if is_last {
            return file.finish();
        }
    }
}

/// Writes everything that waited. `series` has one entry per signal of the drive, empty before and after.
fn write(file: &mut DriveFile, series: &mut Vec<Series>, waiting: &Waiting) -> Result<(), McapError> {
    if let Some(info) = &waiting.info {
        file.write_info(info)?;
    }
    for (id, unit, definition) in &waiting.signals {
        file.add_signal(id, unit, definition)?;
        series.push(Series::new(id.clone(), unit.clone()));
    }
    for exchange in &waiting.exchanges {
        file.write_exchange(exchange)?;
    }
    for batch in &waiting.frames {
        file.write_frames(batch)?;
    }
    for (idx, sample) in &waiting.samples {
        series[*idx].push(*sample);
    }
    for (idx, series) in series.iter_mut().enumerate().filter(|(_, series)| !series.is_empty()) {
        file.write_samples(idx, series, 0..series.len())?;
        *series = Series::new(series.id.clone(), series.unit.clone());
    }
    for mark in &waiting.marks {
        file.write_mark(mark)?;
    }
    for gap in &waiting.gaps {
        file.write_gap(gap)?;
    }
    Ok(())
}
