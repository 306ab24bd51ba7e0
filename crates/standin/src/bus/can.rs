//! Who gets the wire, and when a frame has arrived.

use super::frame::CanFrame;
use protocol::Nanos;

/// Who sent a frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Sender {
    /// The tester: the adapter at the connector.
    Tester,
    /// The module with this index.
    Module(usize),
    /// A module, to all others and not to the tester.
    Broadcast,
}

/// A frame that everyone on the bus has received.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Delivery {
    /// End of its last bit.
    pub at: Nanos,
    /// Who sent it.
    pub from: Sender,
    /// The frame.
    pub frame: CanFrame,
}

#[derive(Debug)]
struct Waiting {
    ready: Nanos,
    from: Sender,
    frame: CanFrame,
}

/// One CAN segment without errors: frames wait, the lowest identifier wins, each takes the time of its bits.
#[derive(Debug)]
pub(crate) struct CanBus {
    bit_ns: Nanos,
    free_at: Nanos,
    waiting: Vec<Waiting>,
    flying: Option<Delivery>,
}

impl CanBus {
    /// An idle bus.
    #[must_use]
    pub(crate) fn new(kbit_s: u32) -> Self {
        Self { bit_ns: 1_000_000 / Nanos::from(kbit_s.max(1)), free_at: 0, waiting: Vec::new(), flying: None }
    }

    /// Hands a frame to a controller, which sends it from `ready` on as soon as it wins the bus.
    pub(crate) fn send(&mut self, ready: Nanos, from: Sender, frame: CanFrame) {
        self.waiting.push(Waiting { ready, from, frame });
    }

    fn next_start(&self) -> Option<Nanos> {
        self.waiting.iter().map(|w| w.ready).min().map(|ready| ready.max(self.free_at))
    }

    /// When the next frame will have arrived, as far as known now.
    #[must_use]
    pub(crate) fn next_event(&self) -> Option<Nanos> {
        self.flying.map(|d| d.at).or_else(|| self.next_start())
    }

    /// Lets the bus run until `to`; returns the first frame that has arrived by then, if any. Call again until `None`.
    pub(crate) fn advance(&mut self, to: Nanos) -> Option<Delivery> {
        if self.flying.is_none() {
            let start = self.next_start().filter(|&start| start <= to)?;
            // FIFO among equal identifiers, which only one sender uses.
            let winner = self
                .waiting
                .iter()
                .enumerate()
                .filter(|(_, w)| w.ready <= start)
                .min_by_key(|(idx, w)| (w.frame.id.arbitration(), *idx))
                .map(|(idx, _)| idx)?;
            let Waiting { from, frame, .. } = self.waiting.remove(winner);
            let end = start + Nanos::from(frame.bits()) * self.bit_ns;
            self.free_at = end + 3 * self.bit_ns;
            self.flying = Some(Delivery { at: end, from, frame });
        }
        self.flying.take_if(|d| d.at <= to)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::bus::CanId;

    #[test]
    fn the_lowest_identifier_goes_first_and_nobody_is_interrupted() {
        let mut bus = CanBus::new(500);
        let frame = |id| CanFrame::padded(CanId::Standard(id), &[2, 1, 0], 0x55);
        bus.send(0, Sender::Module(2), frame(0x7EA));
        assert!(bus.advance(1000).is_none());
        // Both become ready while 7EA is on the wire.
        bus.send(10_000, Sender::Module(1), frame(0x7E9));
        bus.send(20_000, Sender::Module(0), frame(0x7E8));
        let mut order = Vec::new();
        while let Some(delivery) = bus.advance(10_000_000) {
            order.push((delivery.frame.id, delivery.at));
        }
        let ids: Vec<_> = order.iter().map(|(id, _)| *id).collect();
        assert_eq!(ids, [CanId::Standard(0x7EA), CanId::Standard(0x7E8), CanId::Standard(0x7E9)]);
        // Frames follow each other after three bits of intermission (ISO 11898-1).
        let bits = Nanos::from(frame(0x7E8).bits());
        assert_eq!(order[1].1 - order[0].1, (bits + 3) * 2000);
    }
}
