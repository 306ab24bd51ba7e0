//! The transport side of one module: takes requests apart, sends its answers in segments (ISO 15765-2).

use super::can::{CanBus, Sender};
use super::frame::{CanFrame, CanId};
use crate::rng::Rng;
use protocol::Nanos;

/// How quick a module is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct NodeTiming {
    /// From the end of the request to the start of the answer, ms.
    pub base_ms: f64,
    /// Random addition, uniform from 0, ms.
    pub jitter_ms: f64,
    /// From a flow control to the consecutive frame that it allows, ms.
    pub flow_ms: f64,
}

/// A request that a module has received completely.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Incoming {
    /// Service and parameters.
    pub bytes: Vec<u8>,
    /// Sent to everyone.
    pub functional: bool,
    /// When the module will have worked out its answer.
    pub due: Nanos,
}

#[derive(Debug)]
struct Sending {
    message: Vec<u8>,
    sent: usize,
    sequence: u8,
    /// Frames still allowed before the next flow control; `None` without limit.
    allowed: Option<u8>,
    gap: Nanos,
    /// When to give up waiting for a flow control (N_Bs); `None` while frames are allowed.
    give_up: Option<Nanos>,
}

#[derive(Debug)]
struct Receiving {
    message: Vec<u8>,
    length: usize,
    sequence: u8,
    give_up: Nanos,
}

/// N_Bs and N_Cr: 1000 ms (ISO 15765-2, from memory; the project's reference page names two implementations).
const N_TIMEOUT_NS: Nanos = 1_000_000_000;
const FILL: u8 = 0xAA;

/// One module's place on the bus.
#[derive(Debug)]
pub(crate) struct Node {
    /// Identifier of requests to this module alone.
    pub request_id: CanId,
    /// Identifier of its answers.
    pub reply_id: CanId,
    functional_id: CanId,
    index: usize,
    timing: NodeTiming,
    rng: Rng,
    incoming: Option<Incoming>,
    receiving: Option<Receiving>,
    sending: Option<Sending>,
}

impl Node {
    /// A node with `index` as its name on the bus.
    #[must_use]
    pub(crate) fn new(index: usize, ids: [CanId; 3], timing: NodeTiming, rng: Rng) -> Self {
        let [functional_id, request_id, reply_id] = ids;
        Self { request_id, reply_id, functional_id, index, timing, rng, incoming: None, receiving: None, sending: None }
    }

    /// Forgets what was under way, and is as quick as at first.
    pub(crate) fn restart(&mut self, base_ms: f64) {
        (self.incoming, self.receiving, self.sending) = (None, None, None);
        self.timing.base_ms = base_ms;
    }

    /// Takes so long to an answer from now on, ms.
    pub(crate) fn set_base_ms(&mut self, base_ms: f64) {
        self.timing.base_ms = base_ms;
    }

    fn frame(&self, bytes: &[u8]) -> CanFrame {
        CanFrame::padded(self.reply_id, bytes, FILL)
    }

    fn accept(&mut self, at: Nanos, bytes: &[u8], functional: bool) {
        // "Tester present, no answer" to everyone is handled beside whatever the module is busy with (ISO 14229-1, from
        // memory), so that a tester can keep a session while it waits.
        if functional && bytes == [0x3E, 0x80] && (self.incoming.is_some() || self.sending.is_some()) {
            return;
        }
        let delay_ms = self.timing.base_ms + self.rng.between(0.0, self.timing.jitter_ms);
        // A new request before the answer to the last one replaces it, as modules with one buffer do.
        self.incoming = Some(Incoming { bytes: bytes.to_vec(), functional, due: at + ns(delay_ms) });
        self.sending = None;
    }

    /// A frame of the tester arrived at `at`.
    pub(crate) fn receive(&mut self, at: Nanos, frame: &CanFrame, bus: &mut CanBus) {
        let functional = frame.id == self.functional_id;
        let data = frame.data();
        let Some(&first) = data.first().filter(|_| functional || frame.id == self.request_id) else { return };
        match first >> 4 {
            0 => {
                let length = usize::from(first & 0x0F);
                if let Some(bytes) = data.get(1..=length).filter(|bytes| !bytes.is_empty()) {
                    self.receiving = None;
                    self.accept(at, bytes, functional);
                }
            }
            1 if !functional && data.len() == 8 => {
                let length = usize::from(first & 0x0F) << 8 | usize::from(data[1]);
                if length > 7 {
                    self.receiving = Some(Receiving {
                        message: data[2..].to_vec(),
                        length,
                        sequence: 1,
                        give_up: at + N_TIMEOUT_NS,
                    });
                    bus.send(at + ns(self.timing.flow_ms), Sender::Module(self.index), self.frame(&[0x30, 0, 0]));
                }
            }
            2 if !functional => self.consecutive(at, first & 0x0F, &data[1..]),
            3 if !functional => self.flow_control(at, data, bus),
            _ => {}
        }
    }

    fn consecutive(&mut self, at: Nanos, sequence: u8, bytes: &[u8]) {
        let Some(mut receiving) = self.receiving.take() else { return };
        // A wrong number or a late frame ends the reception without a word (ISO 15765-2).
        if receiving.sequence != sequence || at > receiving.give_up {
            return;
        }
        let missing = receiving.length - receiving.message.len();
        receiving.message.extend(bytes.iter().take(missing));
        if receiving.message.len() == receiving.length {
            self.accept(at, &receiving.message, false);
        } else {
            receiving.sequence = (sequence + 1) & 0x0F;
            receiving.give_up = at + N_TIMEOUT_NS;
            self.receiving = Some(receiving);
        }
    }

    fn flow_control(&mut self, at: Nanos, data: &[u8], bus: &mut CanBus) {
        let Some(sending) = self.sending.as_mut().filter(|s| s.give_up.is_some()) else { return };
        match data[0] & 0x0F {
            0 => {
                let (block_size, st_min) = (data.get(1).copied().unwrap_or(0), data.get(2).copied().unwrap_or(0));
                sending.allowed = (block_size != 0).then_some(block_size);
                sending.gap = separation_ns(st_min);
                sending.give_up = None;
                self.send_next(at + ns(self.timing.flow_ms), bus);
            }
            1 => sending.give_up = Some(at + N_TIMEOUT_NS),
            _ => self.sending = None,
        }
    }

    fn send_next(&mut self, ready: Nanos, bus: &mut CanBus) {
        let Some(sending) = self.sending.as_mut() else { return };
        let take = sending.message.len().min(sending.sent + 7);
        let mut bytes = vec![0x20 | sending.sequence];
        bytes.extend(&sending.message[sending.sent..take]);
        sending.sent = take;
        sending.sequence = (sending.sequence + 1) & 0x0F;
        bus.send(ready, Sender::Module(self.index), CanFrame::padded(self.reply_id, &bytes, FILL));
    }

    /// One of this module's own frames left the wire at `at`.
    pub(crate) fn sent(&mut self, at: Nanos, frame: &CanFrame, bus: &mut CanBus) {
        let Some(sending) = self.sending.as_mut().filter(|s| s.give_up.is_none()) else { return };
        if frame.data().first().is_none_or(|first| first >> 4 != 2) {
            return;
        }
        if sending.sent == sending.message.len() {
            self.sending = None;
        } else if let Some(left) = sending.allowed.as_mut() {
            *left -= 1;
            if *left == 0 {
                sending.give_up = Some(at + N_TIMEOUT_NS);
            } else {
                let ready = at + sending.gap;
                self.send_next(ready, bus);
            }
        } else {
            let ready = at + sending.gap;
            self.send_next(ready, bus);
        }
    }

    /// Sends a message: one frame, or the first of several.
    pub(crate) fn answer(&mut self, at: Nanos, message: &[u8], bus: &mut CanBus) {
        if message.len() <= 7 {
            let mut bytes = vec![message.len() as u8];
            bytes.extend(message);
            bus.send(at, Sender::Module(self.index), self.frame(&bytes));
        } else {
            let message = &message[..message.len().min(0xFFF)];
            let mut bytes = vec![0x10 | (message.len() >> 8) as u8, message.len() as u8];
            bytes.extend(&message[..6]);
            self.sending = Some(Sending {
                message: message.to_vec(),
                sent: 6,
                sequence: 1,
                allowed: None,
                gap: 0,
                give_up: Some(at + N_TIMEOUT_NS),
            });
            bus.send(at, Sender::Module(self.index), self.frame(&bytes));
        }
    }

    /// Sends a message that answers nothing, in one frame of an identifier of its own ("unacknowledged unsegmented
    /// transfer" of ISO 14229-1): 200 (hex) below that of its answers, as is common; with 29 bits another format byte.
    pub(crate) fn send_unasked(&mut self, at: Nanos, message: &[u8], bus: &mut CanBus) {
        let id = match self.reply_id {
            CanId::Standard(id) => CanId::Standard(id - 0x200),
            CanId::Extended(id) => CanId::Extended(id + 0x1_0000),
        };
        bus.send(at, Sender::Broadcast, CanFrame::padded(id, message, FILL));
    }

    /// When this module will have an answer ready.
    #[must_use]
    pub(crate) fn due(&self) -> Option<Nanos> {
        self.incoming.as_ref().map(|incoming| incoming.due)
    }

    /// The request that is due by `now`.
    pub(crate) fn take_due(&mut self, now: Nanos) -> Option<Incoming> {
        if self.sending.as_ref().is_some_and(|s| s.give_up.is_some_and(|give_up| give_up < now)) {
            self.sending = None;
        }
        self.incoming.take_if(|incoming| incoming.due <= now)
    }

    /// Puts a request back to be answered later ("response pending").
    pub(crate) fn postpone(&mut self, incoming: Incoming) {
        self.incoming = Some(incoming);
    }
}

/// Whole nanoseconds of a duration in milliseconds.
fn ns(ms: f64) -> Nanos {
    (ms * 1e6).round() as Nanos
}

/// Separation time of an `STmin` byte; reserved values count as 127 ms (ISO 15765-2, table in the reference page).
fn separation_ns(st_min: u8) -> Nanos {
    match st_min {
        0..=0x7F => Nanos::from(st_min) * 1_000_000,
        0xF1..=0xF9 => Nanos::from(st_min - 0xF0) * 100_000,
        _ => 127_000_000,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn node() -> (Node, CanBus) {
        let ids = [CanId::Standard(0x7DF), CanId::Standard(0x7E0), CanId::Standard(0x7E8)];
        let timing = NodeTiming { base_ms: 5.0, jitter_ms: 0.0, flow_ms: 0.2 };
        (Node::new(0, ids, timing, Rng::new(0, "node")), CanBus::new(500))
    }

    fn drain(node: &mut Node, bus: &mut CanBus, to: Nanos) -> Vec<Vec<u8>> {
        let mut frames = Vec::new();
        while let Some(delivery) = bus.advance(to) {
            if delivery.from == Sender::Tester {
                node.receive(delivery.at, &delivery.frame, bus);
            } else {
                frames.push(delivery.frame.data().to_vec());
                node.sent(delivery.at, &delivery.frame, bus);
            }
        }
        frames
    }

    /// The worked VIN reply of the reference page, section 3.4.
    #[test]
    fn a_vin_goes_out_as_in_the_worked_example() {
        let (mut node, mut bus) = node();
        let tester = |bytes: &[u8]| CanFrame::padded(CanId::Standard(0x7E0), bytes, 0x55);
        bus.send(0, Sender::Tester, tester(&[2, 9, 2]));
        assert!(drain(&mut node, &mut bus, 1_000_000).is_empty());
        let request = node.take_due(10_000_000).expect("a complete request");
        assert_eq!((request.bytes.as_slice(), request.functional), (&[9, 2][..], false));
        let mut message = vec![0x49, 2, 1];
        message.extend(b"1G4AH59H45G118341");
        node.answer(10_000_000, &message, &mut bus);
        assert_eq!(drain(&mut node, &mut bus, 50_000_000), [[0x10, 0x14, 0x49, 2, 1, 0x31, 0x47, 0x34]]);
        bus.send(50_000_000, Sender::Tester, tester(&[0x30, 0, 0]));
        assert_eq!(
            drain(&mut node, &mut bus, 100_000_000),
            [[0x21, 0x41, 0x48, 0x35, 0x39, 0x48, 0x34, 0x35], [0x22, 0x47, 0x31, 0x31, 0x38, 0x33, 0x34, 0x31]]
        );
    }

    #[test]
    fn block_size_and_separation_time_are_kept() {
        let (mut node, mut bus) = node();
        node.answer(0, &[0x62; 30], &mut bus);
        assert_eq!(drain(&mut node, &mut bus, 10_000_000).len(), 1);
        let tester = |bytes: &[u8]| CanFrame::padded(CanId::Standard(0x7E0), bytes, 0x55);
        bus.send(10_000_000, Sender::Tester, tester(&[0x30, 2, 20]));
        assert_eq!(drain(&mut node, &mut bus, 20_000_000).len(), 1, "20 ms between frames");
        assert_eq!(drain(&mut node, &mut bus, 900_000_000).len(), 1, "block of two");
        bus.send(900_000_000, Sender::Tester, tester(&[0x30, 0, 0]));
        assert_eq!(drain(&mut node, &mut bus, 990_000_000).len(), 2);
    }

    /// ISO 14229-1, from memory: a functional tester present without an answer runs beside other services.
    #[test]
    fn tester_present_to_everyone_disturbs_no_answer() {
        let (mut node, mut bus) = node();
        let send = |id, bytes: &[u8], at, bus: &mut CanBus| {
            bus.send(at, Sender::Tester, CanFrame::padded(CanId::Standard(id), bytes, 0x55));
        };
        send(0x7E0, &[3, 0x22, 0xF1, 0x90], 0, &mut bus);
        drain(&mut node, &mut bus, 1_000_000);
        let pending = node.take_due(10_000_000).expect("a request");
        node.postpone(Incoming { due: 300_000_000, ..pending.clone() });
        send(0x7DF, &[2, 0x3E, 0x80], 20_000_000, &mut bus);
        drain(&mut node, &mut bus, 30_000_000);
        assert_eq!(node.take_due(400_000_000).map(|r| r.bytes), Some(pending.bytes), "still to be answered");
        // Nor does it break off a long answer on its way.
        node.answer(400_000_000, &[0x62; 20], &mut bus);
        drain(&mut node, &mut bus, 401_000_000);
        send(0x7DF, &[2, 0x3E, 0x80], 402_000_000, &mut bus);
        send(0x7E0, &[0x30, 0, 0], 403_000_000, &mut bus);
        assert_eq!(drain(&mut node, &mut bus, 500_000_000).len(), 2);
        // To one module, or with an answer, it is a request like any other.
        node.postpone(Incoming { bytes: vec![0x22], functional: false, due: 900_000_000 });
        send(0x7E0, &[2, 0x3E, 0x00], 600_000_000, &mut bus);
        drain(&mut node, &mut bus, 610_000_000);
        assert_eq!(node.take_due(700_000_000).map(|r| r.bytes), Some(vec![0x3E, 0x00]));
    }

    #[test]
    fn a_segmented_request_is_put_together() {
        let (mut node, mut bus) = node();
        let tester = |bytes: &[u8]| CanFrame::padded(CanId::Standard(0x7E0), bytes, 0x55);
        bus.send(0, Sender::Tester, tester(&[0x10, 9, 0x22, 1, 2, 3, 4, 5]));
        assert_eq!(drain(&mut node, &mut bus, 5_000_000)[0][..3], [0x30, 0, 0]);
        bus.send(5_000_000, Sender::Tester, tester(&[0x21, 6, 7, 8]));
        drain(&mut node, &mut bus, 8_000_000);
        assert_eq!(node.take_due(20_000_000).map(|r| r.bytes), Some(vec![0x22, 1, 2, 3, 4, 5, 6, 7, 8]));
    }
}
