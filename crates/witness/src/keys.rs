//! What is typed.

use std::sync::mpsc::{Receiver, channel};
use std::time::Duration;

use crossterm::event::{self, Event};

/// Events of the terminal, read by a thread of their own: once the terminal is gone, reading it never returns, and
/// whatever drives the car must end all the same.
pub(crate) struct Keys(Receiver<Event>);

impl Keys {
    /// Reads from here on, until the program ends.
    pub(crate) fn listen() -> Self {
        let (typed, keys) = channel();
        std::thread::spawn(move || {
            while let Ok(event) = event::read() {
                if typed.send(event).is_err() {
                    break;
                }
            }
        });
        Self(keys)
    }

    /// The next event, waited for this long.
    pub(crate) fn next(&self, patience: Duration) -> Option<Event> {
        self.0.recv_timeout(patience).ok()
    }
}
