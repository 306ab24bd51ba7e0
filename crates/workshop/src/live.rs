//! A drive that is recorded in a thread of its own, and whoever watches it.
//!
//! The recording never waits for a watcher: each has a queue of bounded length, and one that does not keep up loses its
//! oldest events and is told how many. The recording itself loses nothing by that.

use std::collections::VecDeque;
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use protocol::Nanos;
use signal::Sample;

use crate::{Car, Control, Observer, Wish, Workshop, WorkshopError};

/// Most events that wait for one watcher: some ten seconds of the fastest link.
const MAX_WAITING: usize = 1 << 14;

/// Something that happened while a drive was recorded.
#[derive(Debug, Clone, PartialEq)]
pub enum Event {
    /// A line of progress before the recording began.
    Said(String),
    /// The recording began, or goes on with other signals; samples come by the numbers of these.
    Began(Arc<[wire::PlannedSignal]>),
    /// A value.
    Sample {
        /// Number of the signal, from 0.
        signal: usize,
        /// The sample.
        sample: Sample,
    },
    /// Something worth telling.
    Note {
        /// When, nanoseconds since the start of the drive.
        t_ns: Nanos,
        /// What.
        text: String,
    },
    /// A mark was set.
    Mark {
        /// When, nanoseconds since the start of the drive.
        t_ns: Nanos,
        /// What was said of it; may be empty.
        text: String,
    },
}

/// How far a recording is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Stage {
    /// Planning and measuring rates.
    #[default]
    Preparing,
    /// Samples are taken.
    Recording,
    /// The file is complete, or the recording failed; [`Recording::join`] tells.
    Over,
}

/// A recording at a glance.
#[derive(Debug, Clone, Default)]
pub struct State {
    /// How far it is.
    pub stage: Stage,
    /// Time of the drive, nanoseconds.
    pub t_ns: Nanos,
    /// Samples so far.
    pub n_samples: u64,
    /// Marks so far.
    pub n_marks: u64,
    /// The signals, once they are known.
    pub signals: Option<Arc<[wire::PlannedSignal]>>,
}

#[derive(Default)]
struct Queue {
    waiting: VecDeque<Event>,
    n_missed: u64,
    is_over: bool,
    is_left: bool,
}

#[derive(Default)]
struct Mailbox {
    queue: Mutex<Queue>,
    news: Condvar,
}

#[derive(Default)]
struct Shared {
    state: Mutex<State>,
    mailboxes: Mutex<Vec<Arc<Mailbox>>>,
}

/// Nothing that is kept behind these locks can be left half changed by a panic.
fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Shared {
    fn tell(&self, event: &Event) {
        lock(&self.mailboxes).retain(|mailbox| {
            let mut queue = lock(&mailbox.queue);
            if queue.is_left {
                return false;
            }
            if queue.waiting.len() >= MAX_WAITING {
                queue.waiting.pop_front();
                queue.n_missed += 1;
            }
            queue.waiting.push_back(event.clone());
            mailbox.news.notify_one();
            true
        });
    }

    fn end(&self) {
        let mailboxes = lock(&self.mailboxes);
        lock(&self.state).stage = Stage::Over;
        for mailbox in mailboxes.iter() {
            lock(&mailbox.queue).is_over = true;
            mailbox.news.notify_one();
        }
    }
}

/// What a watcher has not seen yet.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Taken {
    /// In order.
    pub events: Vec<Event>,
    /// How many were dropped before the first of them, because nobody took them in time.
    pub n_missed: u64,
    /// Whether the recording is over: nothing more will come.
    pub is_over: bool,
}

/// Watches a recording; dropping it ends the watching, not the recording.
pub struct Watch {
    mailbox: Arc<Mailbox>,
}

impl Watch {
    /// What has happened since this was last called; waits for up to `patience` if that is nothing.
    #[must_use]
    pub fn take(&self, patience: Duration) -> Taken {
        let until = Instant::now() + patience;
        let mut queue = lock(&self.mailbox.queue);
        while queue.waiting.is_empty() && !queue.is_over {
            let left = until.saturating_duration_since(Instant::now());
            if left.is_zero() {
                break;
            }
            queue = self.mailbox.news.wait_timeout(queue, left).unwrap_or_else(PoisonError::into_inner).0;
        }
        Taken {
            events: std::mem::take(&mut queue.waiting).into(),
            n_missed: std::mem::take(&mut queue.n_missed),
            is_over: queue.is_over,
        }
    }
}

impl Drop for Watch {
    fn drop(&mut self) {
        lock(&self.mailbox.queue).is_left = true;
    }
}

/// A drive that is being recorded in a thread of its own. Dropping it lets the drive go on until its time is over; to end
/// it, [`Recording::stop`] it.
pub struct Recording {
    control: Control,
    shared: Arc<Shared>,
    thread: JoinHandle<Done>,
}

/// What came of a recording.
pub struct Done {
    /// The car, free for the next thing.
    pub car: Car,
    /// What was recorded.
    pub outcome: Result<wire::Recorded, WorkshopError>,
}

impl Recording {
    /// Watches from now on.
    #[must_use]
    pub fn watch(&self) -> Watch {
        let mailbox = Arc::new(Mailbox::default());
        let mut mailboxes = lock(&self.shared.mailboxes);
        let state = lock(&self.shared.state);
        let mut queue = lock(&mailbox.queue);
        // Whoever comes late still learns what the numbers of the samples mean.
        queue.waiting.extend(state.signals.clone().map(Event::Began));
        queue.is_over = state.stage == Stage::Over;
        drop(queue);
        mailboxes.push(Arc::clone(&mailbox));
        Watch { mailbox }
    }

    /// How far it is.
    #[must_use]
    pub fn state(&self) -> State {
        lock(&self.shared.state).clone()
    }

    /// Sets a mark at the present time of the drive; whether it is not over yet.
    pub fn mark(&self, text: &str) -> bool {
        self.control.mark(text)
    }

    /// Asks it to end; [`Recording::join`] then returns soon.
    pub fn stop(&self) {
        self.control.stop();
    }

    /// Marks and stops it from elsewhere.
    #[must_use]
    pub fn control(&self) -> Control {
        self.control.clone()
    }

    /// Waits for its end.
    ///
    /// # Errors
    /// [`WorkshopError::Broke`].
    pub fn join(self) -> Result<Done, WorkshopError> {
        self.thread.join().map_err(|_| WorkshopError::Broke)
    }
}

/// Hands on to all watchers.
struct Fan {
    shared: Arc<Shared>,
}

impl Observer for Fan {
    fn say(&mut self, line: &str) {
        self.shared.tell(&Event::Said(line.to_owned()));
    }

    fn begin(&mut self, signals: &[wire::PlannedSignal]) {
        let signals: Arc<[wire::PlannedSignal]> = signals.into();
        // Under one lock with the list of watchers: who comes at this moment must hear of it once.
        let mailboxes = lock(&self.shared.mailboxes);
        {
            let mut state = lock(&self.shared.state);
            state.stage = Stage::Recording;
            state.signals = Some(Arc::clone(&signals));
        }
        for mailbox in mailboxes.iter() {
            lock(&mailbox.queue).waiting.push_back(Event::Began(Arc::clone(&signals)));
            mailbox.news.notify_one();
        }
    }

    fn change(&mut self, signals: &[wire::PlannedSignal]) {
        self.begin(signals);
    }

    fn sample(&mut self, signal: usize, sample: Sample) {
        lock(&self.shared.state).n_samples += 1;
        self.shared.tell(&Event::Sample { signal, sample });
    }

    fn note(&mut self, t_ns: Nanos, text: &str) {
        self.shared.tell(&Event::Note { t_ns, text: text.to_owned() });
    }

    fn mark(&mut self, t_ns: Nanos, text: &str) {
        lock(&self.shared.state).n_marks += 1;
        self.shared.tell(&Event::Mark { t_ns, text: text.to_owned() });
    }

    fn turn(&mut self, t_ns: Nanos) {
        lock(&self.shared.state).t_ns = t_ns;
    }
}

/// Watchers are told of the end also when the thread breaks off.
impl Drop for Fan {
    fn drop(&mut self) {
        self.shared.end();
    }
}

impl Workshop {
    /// Records a drive in a thread of its own, which goes on whether anybody watches or not.
    #[must_use]
    pub fn start_recording(&self, mut car: Car, wish: Wish) -> Recording {
        let (control, shared) = (Control::default(), Arc::new(Shared::default()));
        let mut fan = Fan { shared: Arc::clone(&shared) };
        let (workshop, stop) = (self.clone(), control.clone());
        let thread = std::thread::spawn(move || {
            let outcome = workshop.record(&mut car, &wish, &stop, &mut fan);
            drop(fan);
            Done { car, outcome }
        });
        Recording { control, shared, thread }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn recording_of(n_samples: usize) -> (Arc<Shared>, Watch) {
        let shared = Arc::new(Shared::default());
        let mailbox = Arc::new(Mailbox::default());
        lock(&shared.mailboxes).push(Arc::clone(&mailbox));
        let mut fan = Fan { shared: Arc::clone(&shared) };
        for k in 0..n_samples {
            let t_ns = k as i64;
            fan.sample(0, Sample { t_ns, asked_ns: t_ns, exchange: 0, value: 0.0 });
        }
        (shared, Watch { mailbox })
    }

    #[test]
    fn a_watcher_that_does_not_keep_up_loses_the_oldest_and_is_told() {
        let (shared, watch) = recording_of(MAX_WAITING + 10);
        assert_eq!(lock(&shared.state).n_samples, (MAX_WAITING + 10) as u64);
        let taken = watch.take(Duration::ZERO);
        assert_eq!((taken.events.len(), taken.n_missed, taken.is_over), (MAX_WAITING, 10, true));
        assert!(matches!(taken.events[0], Event::Sample { sample, .. } if sample.t_ns == 10));
        assert_eq!(watch.take(Duration::ZERO).n_missed, 0, "told once");
    }

    #[test]
    fn a_watcher_that_left_is_forgotten() {
        let (shared, watch) = recording_of(1);
        drop(watch);
        shared.tell(&Event::Said("anything".into()));
        assert!(lock(&shared.mailboxes).is_empty());
    }
}
