//! The tester's side of a connection.

use std::collections::VecDeque;

use super::{DoipError, Payload, Reader};
use crate::Nanos;

/// What a connection brings.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Event {
    /// Routing is active through the entity with this address.
    Active(u16),
    /// It will be, as soon as somebody confirms it in the vehicle: the answer is still to come.
    ToConfirm,
    /// It is not: this code of [`activation_text`](super::activation_text), or `None` when no answer came in time.
    Refused(Option<u8>),
    /// The vehicle does not take our messages (code of the header's negative acknowledgement).
    HeaderNack(u8),
    /// A message of ours was taken.
    Acked(u16),
    /// It was not: code of [`nack_text`](super::nack_text), or `None` when no acknowledgement came in time.
    Nacked(u16, Option<u8>),
    /// A module's message.
    Message(u16, Vec<u8>),
    /// Something could not be read.
    Broken(DoipError),
}

/// How long routing activation and acknowledgements may take (A_DoIP_Ctrl and A_DoIP_Diagnostic_Message, 2 s).
pub(super) const ANSWER_NS: Nanos = 2_000_000_000;

/// The tester's side of one connection.
#[derive(Debug, Clone)]
pub struct Tester {
    source: u16,
    version: u8,
    reader: Reader,
    out: Vec<u8>,
    events: VecDeque<Event>,
    activating_until: Option<Nanos>,
    /// Messages that are still to be acknowledged, oldest first.
    unacknowledged: VecDeque<(Nanos, u16)>,
}

impl Tester {
    /// Begins a connection: routing activation goes out first. `source`: our address.
    #[must_use]
    pub fn new(source: u16, version: u8, now: Nanos) -> Self {
        Self {
            source,
            version,
            reader: Reader::default(),
            out: Payload::ActivationRequest { source, kind: 0 }.encode(version),
            events: VecDeque::new(),
            activating_until: Some(now.saturating_add(ANSWER_NS)),
            unacknowledged: VecDeque::new(),
        }
    }

    /// Bytes to be sent.
    pub fn take_output(&mut self) -> Vec<u8> {
        std::mem::take(&mut self.out)
    }

    /// Sends a message to a module.
    pub fn send(&mut self, target: u16, data: &[u8], now: Nanos) {
        let message = Payload::Diagnostic { source: self.source, target, data: data.to_vec() };
        self.out.extend(message.encode(self.version));
        self.unacknowledged.push_back((now.saturating_add(ANSWER_NS), target));
    }

    /// Bytes have come.
    pub fn receive(&mut self, bytes: &[u8]) {
        self.reader.push(bytes);
        while let Some(read) = self.reader.next_message() {
            match read {
                Ok((_, payload)) => self.payload(payload),
                Err(error) => {
                    self.out.extend(Payload::HeaderNack(error.nack()).encode(self.version));
                    self.events.push_back(Event::Broken(error));
                }
            }
        }
    }

    fn payload(&mut self, payload: Payload) {
        let event = match payload {
            Payload::ActivationReply { entity, code, .. } => {
                self.activating_until = None;
                match code {
                    0x10 => Event::Active(entity),
                    0x11 => Event::ToConfirm,
                    code => Event::Refused(Some(code)),
                }
            }
            Payload::AliveRequest => {
                self.out.extend(Payload::AliveReply(self.source).encode(self.version));
                return;
            }
            Payload::Ack { source, .. } => {
                self.settle(source);
                Event::Acked(source)
            }
            Payload::Nack { source, code, .. } => {
                self.settle(source);
                Event::Nacked(source, Some(code))
            }
            Payload::Diagnostic { source, target, data } if target == self.source => Event::Message(source, data),
            Payload::HeaderNack(code) => Event::HeaderNack(code),
            // For other testers, or said to everyone: nothing to do with this connection.
            _ => return,
        };
        self.events.push_back(event);
    }

    fn settle(&mut self, target: u16) {
        if let Some(idx) = self.unacknowledged.iter().position(|(_, sent_to)| *sent_to == target) {
            self.unacknowledged.remove(idx);
        }
    }

    /// What has happened by `now`; call again until `None`.
    pub fn poll(&mut self, now: Nanos) -> Option<Event> {
        if let Some(event) = self.events.pop_front() {
            return Some(event);
        }
        if self.activating_until.take_if(|until| *until <= now).is_some() {
            return Some(Event::Refused(None));
        }
        let (_, target) = self.unacknowledged.pop_front_if(|(until, _)| *until <= now)?;
        Some(Event::Nacked(target, None))
    }

    /// When [`Tester::poll`] has something to say, unless bytes come first.
    #[must_use]
    pub fn deadline(&self) -> Option<Nanos> {
        self.activating_until.into_iter().chain(self.unacknowledged.front().map(|(until, _)| *until)).min()
    }
}
