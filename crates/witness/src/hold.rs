//! A key that has to be held down: whoever lets go of it, or of the terminal, lets go of the command.

use std::io::IsTerminal;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use crossterm::event::{
    Event, KeyCode, KeyEventKind, KeyboardEnhancementFlags, PopKeyboardEnhancementFlags, PushKeyboardEnhancementFlags,
};
use crossterm::{execute, terminal};

use crate::failure::{Exit, Failure};
use crate::keys::Keys;
use crate::output::progress;

/// Longest pause from the first press of a key to its first repetition: terminals wait half a second and more.
const FIRST_REPEAT: Duration = Duration::from_millis(1000);
/// Longest pause between repetitions of a key that is held.
const REPEAT: Duration = Duration::from_millis(300);

/// The space bar, held. Terminals that report when a key is let go end it at once; the others when it stops repeating.
pub(crate) struct HeldKey {
    reports_release: bool,
    state: State,
    keys: Keys,
}

/// What is known of the key.
#[derive(Debug, Clone, Copy, PartialEq)]
enum State {
    /// Not yet pressed.
    Waiting,
    /// Pressed, at this time, and repeated or not.
    Down { seen: Instant, is_repeated: bool },
    /// Let go.
    Up,
}

impl State {
    /// The state that ends the wait for the first press: it was pressed, or it will not be any more. `next` gives what a
    /// short while brings.
    fn of_first_press(stop: &AtomicBool, mut next: impl FnMut() -> Self) -> Self {
        loop {
            if stop.load(Ordering::Relaxed) {
                return Self::Up;
            }
            match next() {
                Self::Waiting => {}
                state => return state,
            }
        }
    }

    /// After an event of the key; `None` is no event.
    fn after(self, kind: Option<KeyEventKind>, reports_release: bool, now: Instant) -> Self {
        match (self, kind) {
            (Self::Up, _) | (Self::Down { .. }, Some(KeyEventKind::Release)) => Self::Up,
            (Self::Waiting, Some(KeyEventKind::Press | KeyEventKind::Repeat)) => {
                Self::Down { seen: now, is_repeated: false }
            }
            (Self::Down { .. }, Some(_)) => Self::Down { seen: now, is_repeated: true },
            (Self::Down { seen, is_repeated }, None) if !reports_release => {
                let most = if is_repeated { REPEAT } else { FIRST_REPEAT };
                if now.duration_since(seen) > most { Self::Up } else { self }
            }
            (state, _) => state,
        }
    }
}

impl HeldKey {
    /// Takes over the keyboard and waits until the space bar is pressed, or `stop` says that it is over.
    pub(crate) fn take(stop: &AtomicBool) -> Result<Self, Failure> {
        progress("hold the space bar down to drive it; let go to give control back");
        terminal::enable_raw_mode()
            .map_err(|error| Failure::new(Exit::Failed, format!("cannot take over the terminal: {error}")))?;
        let reports_release = terminal::supports_keyboard_enhancement().unwrap_or(false);
        if reports_release {
            let flags = PushKeyboardEnhancementFlags(KeyboardEnhancementFlags::REPORT_EVENT_TYPES);
            let _ = execute!(std::io::stdout(), flags);
        }
        let mut key = Self { reports_release, state: State::Waiting, keys: Keys::listen() };
        let first = State::of_first_press(stop, || {
            key.look(Duration::from_millis(100));
            key.state
        });
        if first == State::Up {
            return Err(Failure::new(Exit::Refused, "it was left alone"));
        }
        Ok(key)
    }

    /// Whether it is held still.
    pub(crate) fn is_held(&mut self) -> bool {
        self.look(Duration::ZERO);
        self.state = self.state.after(None, self.reports_release, Instant::now());
        matches!(self.state, State::Down { .. })
    }

    /// Takes what was typed since, or is within `patience`; any other key lets go, and so does a terminal that is gone.
    fn look(&mut self, mut patience: Duration) {
        while let Some(event) = self.keys.next(std::mem::take(&mut patience)) {
            match event {
                Event::Key(key) if key.code == KeyCode::Char(' ') => {
                    self.state = self.state.after(Some(key.kind), self.reports_release, Instant::now());
                }
                Event::Key(key) if key.kind != KeyEventKind::Release => self.state = State::Up,
                _ => {}
            }
        }
        if !std::io::stdin().is_terminal() {
            self.state = State::Up;
        }
    }
}

impl Drop for HeldKey {
    fn drop(&mut self) {
        if self.reports_release {
            let _ = execute!(std::io::stdout(), PopKeyboardEnhancementFlags);
        }
        let _ = terminal::disable_raw_mode();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_key_that_stops_repeating_was_let_go() {
        let start = Instant::now();
        let at = |ms| start + Duration::from_millis(ms);
        let press = Some(KeyEventKind::Press);
        let mut state = State::Waiting.after(None, false, at(5000));
        assert_eq!(state, State::Waiting);
        state = state.after(press, false, at(5000));
        for (kind, ms) in [(None, 5600), (press, 5650), (press, 5700), (None, 5990)] {
            state = state.after(kind, false, at(ms));
            assert!(matches!(state, State::Down { .. }), "{ms}");
        }
        state = state.after(None, false, at(6001));
        assert_eq!(state, State::Up);
        assert_eq!(state.after(press, false, at(6010)), State::Up, "for good");
    }

    #[test]
    fn the_wait_for_the_key_ends_when_the_program_is_to_end() {
        let down = State::Down { seen: Instant::now(), is_repeated: false };
        let stop = AtomicBool::new(false);
        let mut states = [State::Waiting, State::Waiting, down].into_iter();
        assert_eq!(State::of_first_press(&stop, || states.next().unwrap_or(State::Up)), down);
        let mut n_looks = 0;
        let waits = || {
            n_looks += 1;
            assert!(n_looks < 4, "nobody presses anything any more");
            stop.store(n_looks == 3, Ordering::Relaxed);
            State::Waiting
        };
        assert_eq!(State::of_first_press(&stop, waits), State::Up);
    }

    #[test]
    fn a_terminal_that_reports_it_is_believed() {
        let now = Instant::now();
        let state = State::Waiting.after(Some(KeyEventKind::Press), true, now);
        let later = now + Duration::from_secs(9);
        assert!(matches!(state.after(None, true, later), State::Down { .. }));
        assert_eq!(state.after(Some(KeyEventKind::Release), true, later), State::Up);
    }
}
