//! The hand on a command: a dead man's switch that a page holds over its stream.
//!
//! While a command is prepared, the workbench beats ten times a second on the stream of the page that may press. A page
//! whose button is held answers each beat, and an answer counts only for a short while *from when the beat left*: so a
//! page that is closed, hidden, stalled or cut off lets go by itself, and so does one whose answers arrive, but late.
//! A press that ran out is over for good, whatever still comes of it; it takes a new one.
//!
//! A state machine: it is given `now` and never reads a clock.

use std::time::Duration;

use workshop::Hand;

use crate::access::Now;

/// How often the workbench beats.
pub(crate) const BEATS_EVERY: Duration = Duration::from_millis(100);
/// How long an answer counts after its beat has left: a wireless network of a shop loses some packets, no more.
const DEADLINE: Duration = Duration::from_millis(500);

/// One press of a button: the stream that it came in, and its number there.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Press {
    pub(crate) stream: u64,
    pub(crate) number: u32,
}

/// Who may press, and whether they do.
#[derive(Debug, Default)]
pub(crate) struct Grip {
    /// The client for which a command is prepared.
    client: Option<u32>,
    pressed: Option<(Press, Now)>,
    over: Option<Press>,
}

impl Grip {
    /// From now on this client may press.
    pub(crate) fn arm(&mut self, client: u32) {
        *self = Self { client: Some(client), ..Self::default() };
    }

    /// Nobody may press any more.
    pub(crate) fn disarm(&mut self) {
        *self = Self::default();
    }

    /// The client that may press.
    pub(crate) fn client(&self) -> Option<u32> {
        self.client
    }

    /// A page of `client` says that a button is held; it answers the beat that left at `beat`.
    pub(crate) fn hold(&mut self, client: u32, press: Press, beat: Now, now: Now) {
        self.expire(now);
        let until = beat + DEADLINE;
        let is_other = self.pressed.is_some_and(|(held, _)| held != press);
        if self.client != Some(client) || self.over == Some(press) || is_other || until <= now {
            return;
        }
        self.pressed = Some((press, until));
    }

    /// The button of a stream was let go, or the stream has ended.
    pub(crate) fn let_go(&mut self, stream: u64) {
        if let Some((press, _)) = self.pressed.take_if(|(press, _)| press.stream == stream) {
            self.over = Some(press);
        }
    }

    /// What the hand does.
    pub(crate) fn hand(&mut self, now: Now) -> Hand {
        self.expire(now);
        match (self.client, self.pressed) {
            (None, _) => Hand::Away,
            (Some(_), None) => Hand::Near,
            (Some(_), Some(_)) => Hand::Pressed,
        }
    }

    fn expire(&mut self, now: Now) {
        if let Some((press, _)) = self.pressed.take_if(|(_, until)| *until <= now) {
            self.over = Some(press);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const fn ms(millis: u64) -> Now {
        Duration::from_millis(millis)
    }

    const fn press(stream: u64, number: u32) -> Press {
        Press { stream, number }
    }

    #[test]
    fn it_is_held_for_as_long_as_beats_are_answered() {
        let mut grip = Grip::default();
        assert_eq!(grip.hand(ms(0)), Hand::Away);
        grip.arm(1);
        assert_eq!(grip.hand(ms(0)), Hand::Near);
        for beat in (0..2000).step_by(100) {
            grip.hold(1, press(7, 1), ms(beat), ms(beat + 60));
            assert_eq!(grip.hand(ms(beat + 160)), Hand::Pressed);
        }
        assert_eq!(grip.hand(ms(2399)), Hand::Pressed);
        assert_eq!(grip.hand(ms(2400)), Hand::Near, "500 ms after the last beat that was answered");
        grip.hold(1, press(7, 1), ms(2400), ms(2450));
        assert_eq!(grip.hand(ms(2450)), Hand::Near, "that press is over");
        grip.hold(1, press(7, 2), ms(2400), ms(2450));
        assert_eq!(grip.hand(ms(2450)), Hand::Pressed);
        grip.let_go(7);
        assert_eq!(grip.hand(ms(2460)), Hand::Near);
    }

    #[test]
    fn answers_that_come_late_count_for_nothing() {
        let mut grip = Grip::default();
        grip.arm(1);
        grip.hold(1, press(7, 1), ms(1000), ms(1500));
        assert_eq!(grip.hand(ms(1500)), Hand::Near);
    }

    #[test]
    fn only_the_one_who_prepared_it_presses_and_one_button_at_a_time() {
        let mut grip = Grip::default();
        grip.arm(1);
        grip.hold(2, press(8, 1), ms(0), ms(10));
        assert_eq!(grip.hand(ms(10)), Hand::Near);
        grip.hold(1, press(7, 1), ms(0), ms(10));
        grip.hold(1, press(9, 1), ms(0), ms(10));
        grip.let_go(9);
        assert_eq!(grip.hand(ms(20)), Hand::Pressed, "the button of another page lets nothing go");
        grip.let_go(7);
        assert_eq!(grip.hand(ms(20)), Hand::Near);
        grip.disarm();
        grip.hold(1, press(7, 2), ms(30), ms(40));
        assert_eq!(grip.hand(ms(40)), Hand::Away);
    }
}
