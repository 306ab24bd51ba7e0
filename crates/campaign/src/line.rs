//! The line between program and adapter, made worse: bytes are lost, doubled, late, wrong, split, or at another rate.

use std::collections::VecDeque;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use link::{Dial, Port, PortError};
use protocol::Nanos;

use crate::dice::Dice;

/// Bytes of which there is no end.
#[derive(Debug, Clone, Copy)]
pub(crate) enum Flood {
    /// Any bytes.
    Noise,
    /// These, over and over.
    Over(&'static [u8]),
}

/// How long a byte of a flood takes: a line of about a megabit a second.
const FLOOD_BYTE_NS: Nanos = 10_000;
/// Bytes of a flood that come at once.
const FLOOD_BYTES: usize = 100;

/// What happens to bytes, and when.
#[derive(Debug, Clone, Default)]
pub(crate) struct Harm {
    /// Probability that a byte from the adapter is lost.
    pub(crate) lose: f64,
    /// Probability that it comes twice.
    pub(crate) double: f64,
    /// Probability that it is another one.
    pub(crate) garble: f64,
    /// Probability that from it on everything is late, and by how much at most.
    pub(crate) delay: f64,
    pub(crate) delay_ns: Nanos,
    /// What the adapter sends without end, before all else.
    pub(crate) flood: Option<Flood>,
    /// Bytes come in pieces of any size, each at a moment of its own.
    pub(crate) split: bool,
    /// Probability that a byte to the adapter is lost, and that it is another one.
    pub(crate) lose_to: f64,
    pub(crate) garble_to: f64,
    /// When, on the clock of the link.
    pub(crate) from_ns: Nanos,
    pub(crate) to_ns: Nanos,
    /// Both sides run at different rates within these times, so that nothing is understood.
    pub(crate) wrong_rate: Option<(Nanos, Nanos)>,
    /// Line rates that are wrong before the right one comes.
    pub(crate) n_wrong_rates: usize,
}

/// What became of a byte.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Became {
    Nothing,
    Other(u8),
    Twice,
}

/// A byte that was harmed.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Hit {
    pub(crate) at_ns: Nanos,
    was: u8,
    became: Became,
    /// On its way to the adapter.
    pub(crate) is_to: bool,
}

impl Hit {
    /// A hexadecimal digit became another: what an adapter prints has no check sum that could show it.
    pub(crate) fn is_digit_for_digit(&self) -> bool {
        self.was.is_ascii_hexdigit() && matches!(self.became, Became::Other(is) if is.is_ascii_hexdigit())
    }

    /// A hexadecimal digit was lost or came twice, or something else became one: two of that in one frame, and it looks like
    /// a shorter or longer one.
    pub(crate) fn is_shift(&self) -> bool {
        match self.became {
            Became::Nothing | Became::Twice => self.was.is_ascii_hexdigit(),
            Became::Other(is) => is.is_ascii_hexdigit() && !self.was.is_ascii_hexdigit(),
        }
    }
}

struct State {
    harm: Harm,
    dice: Dice,
    hits: Vec<Hit>,
    /// Bytes of the flood so far.
    n_flood: usize,
    /// Which of the line rates is tried.
    rate: usize,
}

/// What was done to the bytes.
#[derive(Clone)]
pub(crate) struct Line(Arc<Mutex<State>>);

impl Line {
    fn state(&self) -> MutexGuard<'_, State> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    pub(crate) fn hits(&self) -> Vec<Hit> {
        self.state().hits.clone()
    }
}

/// A dial whose ports harm what passes.
pub(crate) struct HarmedDial {
    inner: Box<dyn Dial>,
    line: Line,
}

impl HarmedDial {
    pub(crate) fn new(inner: Box<dyn Dial>, harm: Harm, dice: Dice) -> (Self, Line) {
        let line = Line(Arc::new(Mutex::new(State { harm, dice, hits: Vec::new(), n_flood: 0, rate: 0 })));
        (Self { inner, line: line.clone() }, line)
    }
}

impl Dial for HarmedDial {
    fn address(&self) -> &str {
        self.inner.address()
    }

    fn dial(&mut self) -> Result<Box<dyn Port>, PortError> {
        let inner = self.inner.dial()?;
        Ok(Box::new(HarmedPort { inner, line: self.line.clone(), inbox: VecDeque::new(), free_ns: 0 }))
    }

    fn try_next(&mut self) -> bool {
        let mut state = self.line.state();
        let n_rates = state.harm.n_wrong_rates + 1;
        state.rate = (state.rate + 1) % n_rates;
        state.rate != 0
    }

    fn now(&self) -> Nanos {
        self.inner.now()
    }

    fn pause(&mut self, nanos: Nanos) {
        self.inner.pause(nanos);
    }
}

struct HarmedPort {
    inner: Box<dyn Port>,
    line: Line,
    /// Bytes that have come, and when they are let through.
    inbox: VecDeque<(Nanos, u8)>,
    /// When the latest of them is.
    free_ns: Nanos,
}

impl State {
    fn is_active(&self, now: Nanos) -> bool {
        (self.harm.from_ns..self.harm.to_ns).contains(&now)
    }

    fn is_at_wrong_rate(&self, now: Nanos) -> bool {
        self.rate < self.harm.n_wrong_rates || self.harm.wrong_rate.is_some_and(|(from, to)| (from..to).contains(&now))
    }

    /// The next bytes of the flood, if it is on.
    fn flood(&mut self, now: Nanos) -> Option<Vec<u8>> {
        let flood = self.harm.flood.filter(|_| self.is_active(now))?;
        let bytes = (self.n_flood..self.n_flood + FLOOD_BYTES).map(|at| match flood {
            Flood::Noise => self.dice.next() as u8,
            Flood::Over(bytes) => bytes[at % bytes.len()],
        });
        let bytes = bytes.collect();
        self.n_flood += FLOOD_BYTES;
        Some(bytes)
    }

    /// One byte for another.
    fn garbled(&mut self, at_ns: Nanos, was: u8, is_to: bool) -> u8 {
        let is = loop {
            // Half of them one hexadecimal digit for another, which is the worst that can happen.
            let digits = b"0123456789ABCDEF";
            let new = if self.dice.chance(0.5) { self.dice.of(digits) } else { self.dice.next() as u8 };
            if new != was {
                break new;
            }
        };
        self.hits.push(Hit { at_ns, was, became: Became::Other(is), is_to });
        is
    }

    /// What becomes of a byte on its way, as often as it arrives.
    fn pass(&mut self, at_ns: Nanos, byte: u8, is_to: bool) -> Vec<u8> {
        let Harm { lose, double, garble, lose_to, garble_to, .. } = self.harm;
        let (lose, garble, double) = if is_to { (lose_to, garble_to, 0.0) } else { (lose, garble, double) };
        if self.is_at_wrong_rate(at_ns) {
            // Ten bits of one rate make any number of bytes of another.
            let n = self.dice.next() % 3;
            return (0..n).map(|_| self.dice.next() as u8).collect();
        }
        if !self.is_active(at_ns) {
            return vec![byte];
        }
        if self.dice.chance(lose) {
            self.hits.push(Hit { at_ns, was: byte, became: Became::Nothing, is_to });
            return Vec::new();
        }
        if self.dice.chance(garble) {
            return vec![self.garbled(at_ns, byte, is_to)];
        }
        if self.dice.chance(double) {
            self.hits.push(Hit { at_ns, was: byte, became: Became::Twice, is_to });
            return vec![byte, byte];
        }
        vec![byte]
    }
}

impl HarmedPort {
    fn take_in(&mut self, bytes: &[u8]) {
        let now = self.inner.now();
        let line = self.line.clone();
        let mut state = line.state();
        let Harm { delay, delay_ns, split, .. } = state.harm;
        for byte in bytes {
            for passed in state.pass(now, *byte, false) {
                let mut at = self.free_ns.max(now);
                if state.is_active(now) && state.dice.chance(delay) {
                    at += (state.dice.between(0.0, 1.0) * delay_ns as f64) as Nanos;
                }
                if state.is_active(now) && split && state.dice.chance(0.3) {
                    at += (state.dice.between(0.0, 3e6)) as Nanos;
                }
                self.free_ns = at;
                self.inbox.push_back((at, passed));
            }
        }
    }

    fn give_out(&mut self, buffer: &mut [u8]) -> usize {
        let now = self.inner.now();
        let mut n = 0;
        for slot in buffer {
            let Some((_, byte)) = self.inbox.pop_front_if(|(at, _)| *at <= now) else { break };
            *slot = byte;
            n += 1;
        }
        n
    }
}

impl Port for HarmedPort {
    fn now(&self) -> Nanos {
        self.inner.now()
    }

    fn write_all(&mut self, bytes: &[u8]) -> Result<(), PortError> {
        let now = self.inner.now();
        let passed: Vec<u8> = {
            let mut state = self.line.state();
            bytes.iter().flat_map(|byte| state.pass(now, *byte, true)).collect()
        };
        self.inner.write_all(&passed)
    }

    fn read_until(&mut self, buffer: &mut [u8], deadline: Nanos) -> Result<usize, PortError> {
        let mut raw = [0; 256];
        loop {
            let n = self.give_out(buffer);
            if n > 0 {
                return Ok(n);
            }
            let now = self.inner.now();
            let flood = self.line.state().flood(now);
            if let Some(flood) = flood {
                // Whatever the adapter has to say comes behind it.
                let n = self.inner.read_until(&mut raw, now + FLOOD_BYTES as Nanos * FLOOD_BYTE_NS)?;
                let over_ns = self.inner.now();
                self.inbox.extend(flood.into_iter().map(|byte| (over_ns, byte)));
                self.free_ns = self.free_ns.max(over_ns);
                self.take_in(&raw[..n]);
                continue;
            }
            let due = self.inbox.front().map_or(deadline, |(at, _)| deadline.min(*at));
            let n = self.inner.read_until(&mut raw, due)?;
            self.take_in(&raw[..n]);
            if n == 0 && self.inner.now() >= deadline && self.inbox.front().is_none_or(|(at, _)| *at > deadline) {
                return Ok(0);
            }
        }
    }
}
