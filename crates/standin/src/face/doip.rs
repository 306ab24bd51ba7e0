//! The gateway: diagnostics over IP on one side, the car's CAN on the other.
//!
//! Its messages are those of [`protocol::doip`]; the other end of them is tested against a general-purpose library.

use super::{Face, Output, Wire};
use crate::bus::{self, BusKind};
use protocol::doip::{Announcement, EVERYONE, Payload, Reader, VERSION_2012};
use protocol::exchange::Target;
use protocol::isotp::{Conversations, Event, Said, Settings, Step};
use protocol::{Address, CanFrame, CanId, Nanos};
use std::collections::VecDeque;

/// Logical address of the gateway itself.
const GATEWAY: u16 = 0x1000;
/// Source addresses of testers (ISO 13400-2, table of logical addresses).
const TESTERS: std::ops::RangeInclusive<u16> = 0x0E00..=0x0FFF;
/// From a message to what the gateway does with it, ns.
const HOP_NS: Nanos = 200_000;

/// The car with this number as it announces itself.
#[must_use]
pub(crate) fn announcement(vin: &str) -> Announcement {
    // A car that has none fills the place with zeros.
    let digits = vin.as_bytes().first_chunk().copied();
    let vin = digits.unwrap_or([b'0'; 17]);
    // A locally administered address: belongs to no maker.
    let eid = [0x02, 0x00, 0x5E, 0x00, 0x53, 0x01];
    Announcement { vin, logical_address: GATEWAY, eid, gid: eid, further_action: 0, sync: Some(0) }
}

/// Logical address of a module: 1000 and the last digits of its request identifier.
fn logical(module: Address) -> Option<u16> {
    match module {
        Address::Can11 { request, .. } => Some(GATEWAY | (request & 0x7FF)),
        Address::Can29 { request, .. } => Some(GATEWAY | (request >> 8 & 0xFF) as u16),
        _ => None,
    }
}

/// The gateway and one connection to it.
#[derive(Debug)]
pub(crate) struct DoipFace {
    kind: BusKind,
    vin: &'static str,
    modules: Vec<(u16, Address)>,
    conversations: Conversations,
    reader: Reader,
    inbox: VecDeque<(Nanos, Payload)>,
    /// Messages for modules that are busy with the one before.
    queue: VecDeque<(Target, Vec<u8>)>,
    tester: Option<u16>,
    version: u8,
    out: Output,
}

impl DoipFace {
    /// The gateway of the car with this number, in front of the modules with these request and reply identifiers.
    #[must_use]
    pub(crate) fn new(kind: BusKind, vin: &'static str, modules: &[[bus::CanId; 2]]) -> Self {
        let addresses = modules.iter().filter_map(|ids| match ids {
            [bus::CanId::Standard(request), bus::CanId::Standard(reply)] => {
                Some(Address::Can11 { request: *request, reply: *reply })
            }
            [bus::CanId::Extended(request), bus::CanId::Extended(reply)] => {
                Some(Address::Can29 { request: *request, reply: *reply })
            }
            _ => None,
        });
        let modules: Vec<(u16, Address)> = addresses.filter_map(|module| Some((logical(module)?, module))).collect();
        let mut conversations = Conversations::new(Settings::default(), kind.wide);
        for (_, module) in &modules {
            // All of them are on CAN.
            let _ = conversations.open(*module);
        }
        Self {
            kind,
            vin,
            modules,
            conversations,
            reader: Reader::default(),
            inbox: VecDeque::new(),
            queue: VecDeque::new(),
            tester: None,
            version: VERSION_2012,
            out: Output::default(),
        }
    }

    fn say(&mut self, at: Nanos, payload: &Payload) {
        let bytes = payload.encode(self.version);
        self.out.put(at, &bytes, 0);
    }

    fn take(&mut self, at: Nanos, payload: Payload) {
        match payload {
            Payload::ActivationRequest { source, kind } => {
                let code = match self.tester {
                    _ if !TESTERS.contains(&source) => 0x00,
                    Some(active) if active != source => 0x02,
                    _ if kind > 1 => 0x06,
                    _ => {
                        self.tester = Some(source);
                        0x10
                    }
                };
                self.say(at, &Payload::ActivationReply { tester: source, entity: GATEWAY, code });
            }
            Payload::Diagnostic { source, target, data } => {
                let module = self.modules.iter().find(|(logical, _)| *logical == target).map(|(_, module)| *module);
                let to = match module {
                    Some(module) => Some(Target::Module(module)),
                    None if target == EVERYONE => Some(Target::Everyone),
                    None => None,
                };
                match to {
                    _ if self.tester != Some(source) => {
                        self.say(at, &Payload::Nack { source: target, target: source, code: 0x02 });
                    }
                    None => self.say(at, &Payload::Nack { source: target, target: source, code: 0x03 }),
                    Some(to) => {
                        self.say(at, &Payload::Ack { source: target, target: source, code: 0x00 });
                        self.queue.push_back((to, data));
                    }
                }
            }
            Payload::AliveRequest => {
                let source = self.tester.unwrap_or(GATEWAY);
                self.say(at, &Payload::AliveReply(source));
            }
            Payload::WhoIsThere => self.say(at, &Payload::Announcement(announcement(self.vin))),
            Payload::EntityStatusRequest => {
                let open = u8::from(self.tester.is_some());
                self.say(at, &Payload::EntityStatus { node: 0, most: 1, open, max_bytes: Some(4095) });
            }
            Payload::PowerRequest => self.say(at, &Payload::Power(1)),
            _ => {}
        }
    }

    fn pump(&mut self, at: Nanos, wire: &mut dyn Wire) {
        let mut waiting = VecDeque::new();
        while let Some((to, data)) = self.queue.pop_front() {
            if self.conversations.send(to, &data, at) == Err(protocol::isotp::SendError::Busy) {
                waiting.push_back((to, data));
            }
        }
        self.queue = waiting;
        loop {
            match self.conversations.poll(at) {
                Step::Send(frame) => {
                    let id = match frame.id {
                        CanId::Standard(id) => bus::CanId::Standard(id),
                        CanId::Extended(id) => bus::CanId::Extended(id),
                    };
                    wire.transmit(at, self.kind, bus::CanFrame::new(id, &frame.data));
                    self.conversations.confirm(at);
                }
                Step::Event(Said { with: Target::Module(module), event: Event::Received(data) }) => {
                    if let (Some(source), Some(target)) = (logical(module), self.tester) {
                        self.say(at + HOP_NS, &Payload::Diagnostic { source, target, data });
                    }
                }
                Step::Event(_) => {}
                Step::Wait(_) | Step::Idle => return,
            }
        }
    }
}

impl Face for DoipFace {
    fn char_ns(&self) -> Nanos {
        0
    }

    fn byte(&mut self, at: Nanos, byte: u8) {
        self.reader.push(&[byte]);
        while let Some(read) = self.reader.next_message() {
            match read {
                Ok((version, payload)) => {
                    self.version = version;
                    self.inbox.push_back((at + HOP_NS, payload));
                }
                Err(error) => self.say(at, &Payload::HeaderNack(error.nack())),
            }
        }
    }

    fn tick(&mut self, at: Nanos, wire: &mut dyn Wire) {
        while let Some((due, payload)) = self.inbox.pop_front_if(|(due, _)| *due <= at) {
            self.take(due, payload);
        }
        self.pump(at, wire);
    }

    fn frame(&mut self, at: Nanos, frame: &bus::CanFrame, wire: &mut dyn Wire) {
        let id = match frame.id {
            bus::CanId::Standard(id) => CanId::Standard(id),
            bus::CanId::Extended(id) => CanId::Extended(id),
        };
        self.conversations.receive(&CanFrame::classic(id, frame.data()), at);
        self.pump(at, wire);
    }

    fn deadline(&self) -> Option<Nanos> {
        let own = self.inbox.front().map(|(due, _)| *due);
        // What can be done at once was done when its cause came.
        let timers = self.conversations.deadline().filter(|at| *at > Nanos::MIN);
        [own, timers].into_iter().flatten().min()
    }

    fn next_output(&self) -> Option<Nanos> {
        self.out.next()
    }

    fn take_output(&mut self, until: Nanos) -> Option<(Nanos, u8)> {
        self.out.take(until)
    }

    /// A connection that ends takes its routing with it.
    fn drop_output(&mut self) {
        self.out.clear();
        self.inbox.clear();
        self.queue.clear();
        self.reader = Reader::default();
        self.tester = None;
    }
}
