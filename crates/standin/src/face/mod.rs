//! What the car shows to a tester: the adapters that can stand between it and the tester.

pub(crate) mod at;
pub(crate) mod doip;
pub(crate) mod slcan;

use crate::bus::{BusKind, CanFrame, KLine};
use protocol::Nanos;

/// The car's side of an adapter.
pub(crate) trait Wire {
    /// Puts a frame on a CAN bus of that kind at `at`; false when it cannot be sent because the bit rate is not the
    /// car's.
    fn transmit(&mut self, at: Nanos, bus: BusKind, frame: CanFrame) -> bool;

    /// Voltage at the diagnostic connector, V.
    fn volts(&mut self, at: Nanos) -> f64;

    /// Bit rate of the car's diagnostic CAN, kbit/s.
    fn kbit_s(&self) -> u32;

    /// The car's K-line, where it has one.
    fn k_line(&self) -> Option<KLine> {
        None
    }

    /// Whether somebody on the K-line answers a start of communication with this address.
    fn k_answers(&self, _to: u8) -> bool {
        false
    }

    /// What comes back for a request on the K-line: whole messages, each with the time at which it has passed.
    fn k_ask(&mut self, _at: Nanos, _to: u8, _request: &[u8]) -> Vec<(Nanos, Vec<u8>)> {
        Vec::new()
    }
}

/// An adapter: bytes and times to and from the tester, frames and times to and from the car.
pub(crate) trait Face: std::fmt::Debug + Send {
    /// Time of one character on the serial line; 0 where there is none.
    fn char_ns(&self) -> Nanos;
    /// A byte from the tester has arrived at `at`.
    fn byte(&mut self, at: Nanos, byte: u8);
    /// Time has reached `at`: does what was due.
    fn tick(&mut self, at: Nanos, wire: &mut dyn Wire);
    /// A module's frame has passed on the car's bus.
    fn frame(&mut self, at: Nanos, frame: &CanFrame, wire: &mut dyn Wire);
    /// When [`Face::tick`] has something to do.
    fn deadline(&self) -> Option<Nanos>;
    /// When the next byte will have arrived at the tester.
    fn next_output(&self) -> Option<Nanos>;
    /// The next byte that has arrived at the tester by then, with its time.
    fn take_output(&mut self, until: Nanos) -> Option<(Nanos, u8)>;
    /// The tester has gone: what was on its way to it is lost.
    fn drop_output(&mut self);
}

/// Bytes on their way to the tester, one after another.
#[derive(Debug, Default)]
pub(crate) struct Output {
    bytes: std::collections::VecDeque<(Nanos, u8)>,
    free: Nanos,
}

impl Output {
    /// Puts bytes onto the line at `at`, each taking `char_ns`.
    pub(crate) fn put(&mut self, at: Nanos, bytes: &[u8], char_ns: Nanos) {
        for &byte in bytes {
            self.free = self.free.max(at) + char_ns;
            self.bytes.push_back((self.free, byte));
        }
    }

    pub(crate) fn next(&self) -> Option<Nanos> {
        self.bytes.front().map(|(at, _)| *at)
    }

    pub(crate) fn take(&mut self, until: Nanos) -> Option<(Nanos, u8)> {
        self.bytes.pop_front_if(|(at, _)| *at <= until)
    }

    pub(crate) fn clear(&mut self) {
        self.bytes.clear();
    }
}
