//! How a recording is marked and stopped from outside.

use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};

/// Marks and stops a recording; its clones all belong to the same one.
#[derive(Debug, Clone, Default)]
pub struct Control {
    stop: Arc<AtomicBool>,
    marks: Arc<Mutex<Vec<String>>>,
}

impl Control {
    /// Asks the recording to end; it does so between two exchanges, and closes its file.
    pub fn stop(&self) {
        self.stop.store(true, Ordering::Relaxed);
    }

    /// Whether it was asked to end.
    #[must_use]
    pub fn is_stopped(&self) -> bool {
        self.stop.load(Ordering::Relaxed)
    }

    /// Sets a mark at the present time of the drive, within an exchange or two; `text` may be empty.
    pub fn mark(&self, text: &str) {
        self.marks.lock().unwrap_or_else(PoisonError::into_inner).push(text.to_owned());
    }

    /// What [`Control::stop`] sets, for handlers of operating system signals.
    #[must_use]
    pub fn stop_flag(&self) -> Arc<AtomicBool> {
        Arc::clone(&self.stop)
    }

    /// The marks that were set since this was last called.
    pub(crate) fn take_marks(&self) -> Vec<String> {
        std::mem::take(&mut *self.marks.lock().unwrap_or_else(PoisonError::into_inner))
    }
}
