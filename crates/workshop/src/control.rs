//! How a recording is marked and stopped from outside.

use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};

use signal::SignalId;

/// Marks and stops a recording; its clones all belong to the same one.
#[derive(Debug, Clone, Default)]
pub struct Control {
    stop: Arc<AtomicBool>,
    marks: Arc<Mutex<Marks>>,
    signals: Arc<Mutex<Option<Vec<SignalId>>>>,
}

/// Marks that wait for the recording.
#[derive(Debug, Default)]
struct Marks {
    waiting: Vec<String>,
    /// Nothing is recorded any more that they could stand in.
    is_over: bool,
}

impl Control {
    /// A control of its own that sets the marks of this one: what it stops goes on while the other one is stopped.
    pub(crate) fn with_the_same_marks(&self) -> Self {
        Self { marks: Arc::clone(&self.marks), ..Self::default() }
    }

    /// Asks the recording to end; it does so between two exchanges, and closes its file.
    pub fn stop(&self) {
        self.stop.store(true, Ordering::Relaxed);
    }

    /// Whether it was asked to end.
    #[must_use]
    pub fn is_stopped(&self) -> bool {
        self.stop.load(Ordering::Relaxed)
    }

    /// Sets a mark at the present time of the drive, within an exchange or two; `text` may be empty. Tells whether there is
    /// still a drive to mark.
    pub fn mark(&self, text: &str) -> bool {
        let mut marks = self.marks.lock().unwrap_or_else(PoisonError::into_inner);
        if !marks.is_over {
            marks.waiting.push(text.to_owned());
        }
        !marks.is_over
    }

    /// Asks for other signals from now on, in the same drive; what was recorded before stays.
    pub fn record_from_now_on(&self, signals: Vec<SignalId>) {
        *self.signals.lock().unwrap_or_else(PoisonError::into_inner) = Some(signals);
    }

    /// What [`Control::stop`] sets, for handlers of operating system signals.
    #[must_use]
    pub fn stop_flag(&self) -> Arc<AtomicBool> {
        Arc::clone(&self.stop)
    }

    /// Whether other signals are wanted.
    pub(crate) fn wants_others(&self) -> bool {
        self.signals.lock().unwrap_or_else(PoisonError::into_inner).is_some()
    }

    /// The signals that are wanted from now on, told once.
    pub(crate) fn take_signals(&self) -> Option<Vec<SignalId>> {
        self.signals.lock().unwrap_or_else(PoisonError::into_inner).take()
    }

    /// The marks that were set since this was last called.
    pub(crate) fn take_marks(&self) -> Vec<String> {
        std::mem::take(&mut self.marks.lock().unwrap_or_else(PoisonError::into_inner).waiting)
    }

    /// The same at the end of a drive: no mark is set from now on.
    pub(crate) fn take_last_marks(&self) -> Vec<String> {
        let mut marks = self.marks.lock().unwrap_or_else(PoisonError::into_inner);
        marks.is_over = true;
        std::mem::take(&mut marks.waiting)
    }
}
