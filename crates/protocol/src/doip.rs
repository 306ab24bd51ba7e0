//! Diagnostics over IP (ISO 13400-2): messages between tester and vehicle, and the tester's side of a connection.
//!
//! Source of layouts and codes: ISO 13400-2:2012 and 2019 as a general-purpose library of the protocol cites their tables;
//! times from memory.

use std::collections::VecDeque;

use crate::Nanos;

/// TCP and UDP port of vehicles.
pub const PORT: u16 = 13_400;
/// TCP port for connections with transport layer security (ISO 13400-2:2019).
pub const TLS_PORT: u16 = 3_496;
/// The edition of 2012: the one that vehicles of both editions understand most.
pub const VERSION_2012: u8 = 0x02;
/// The edition of 2019.
pub const VERSION_2019: u8 = 0x03;
/// For asking a vehicle whose edition is not known who it is.
pub const VERSION_ANY: u8 = 0xFF;
/// This tester's address: the first one for testers of independent make (ISO 13400-2, table of logical addresses, from
/// memory).
pub const TESTER: u16 = 0x0E80;
/// Functional requests to the emissions modules (ISO 27145 group, from memory).
pub const EVERYONE: u16 = 0xE000;
/// Longest message that is taken, bytes: as long as the longest message of one module, with room to spare.
pub const MAX_PAYLOAD: usize = 1 << 20;

const HEADER: usize = 8;

/// Who a vehicle is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Announcement {
    /// Vehicle identification number as it stands there; unset bytes are 00 or FF.
    pub vin: [u8; 17],
    /// Logical address of the entity that answers.
    pub logical_address: u16,
    /// Entity identification, usually a MAC address.
    pub eid: [u8; 6],
    /// Group identification.
    pub gid: [u8; 6],
    /// Further action that is required: 00 none, 10 routing activation with central security.
    pub further_action: u8,
    /// Whether VIN and group are known throughout the vehicle (00: yes), where it says so.
    pub sync: Option<u8>,
}

/// One message.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Payload {
    /// The header could not be used: 00 pattern, 01 unknown type, 02 too large, 03 out of memory, 04 length.
    HeaderNack(u8),
    /// Who is there?
    WhoIsThere,
    /// The same, for one entity.
    WhoHasEid([u8; 6]),
    /// The same, for one vehicle.
    WhoHasVin([u8; 17]),
    /// An answer to it, or said at power-up.
    Announcement(Announcement),
    /// A tester wants to speak.
    ActivationRequest {
        /// The tester's address.
        source: u16,
        /// 00 default, 01 required by regulation, E0 central security.
        kind: u8,
    },
    /// Whether it may.
    ActivationReply {
        /// The tester's address.
        tester: u16,
        /// The entity's.
        entity: u16,
        /// See [`activation_text`].
        code: u8,
    },
    /// Still there?
    AliveRequest,
    /// Yes, from this tester.
    AliveReply(u16),
    /// What kind of entity, and how many connections it takes.
    EntityStatusRequest,
    /// Node type (0 gateway, 1 node), most and present number of connections.
    EntityStatus {
        /// 0 gateway, 1 node.
        node: u8,
        /// Most connections.
        most: u8,
        /// Present ones.
        open: u8,
        /// Longest message, where it is said.
        max_bytes: Option<u32>,
    },
    /// Is the vehicle ready for diagnostics?
    PowerRequest,
    /// 00 not ready, 01 ready, 02 not supported.
    Power(u8),
    /// A diagnostic message.
    Diagnostic {
        /// Who sends it.
        source: u16,
        /// Whom it is for.
        target: u16,
        /// Service and data.
        data: Vec<u8>,
    },
    /// It has been taken.
    Ack {
        /// The module that it was for.
        source: u16,
        /// The tester.
        target: u16,
        /// 00.
        code: u8,
    },
    /// It has not.
    Nack {
        /// The module that it was for.
        source: u16,
        /// The tester.
        target: u16,
        /// See [`nack_text`].
        code: u8,
    },
}

/// Why bytes are not a message.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum DoipError {
    /// Version and its complement do not match: nothing behind can be trusted.
    #[error("not a message of diagnostics over IP (it begins with {0:02X} {1:02X})")]
    Pattern(u8, u8),
    /// A type that is not known here.
    #[error("a message of unknown type {0:04X}")]
    Unknown(u16),
    /// Longer than is taken.
    #[error("a message of {0} bytes, more than is taken")]
    TooLarge(u32),
    /// The length does not fit the type.
    #[error("a message of type {kind:04X} with {length} bytes")]
    Length {
        /// The type.
        kind: u16,
        /// Its length.
        length: usize,
    },
}

impl DoipError {
    /// Code of the negative acknowledgement that it is answered with.
    #[must_use]
    pub const fn nack(self) -> u8 {
        match self {
            Self::Pattern(..) => 0x00,
            Self::Unknown(_) => 0x01,
            Self::TooLarge(_) => 0x02,
            Self::Length { .. } => 0x04,
        }
    }
}

/// What the code of a routing activation reply means.
#[must_use]
pub fn activation_text(code: u8) -> &'static str {
    match code {
        0x00 => "the tester's address is not known",
        0x01 => "all connections are taken",
        0x02 => "another address is active on this connection",
        0x03 => "the tester's address is in use by another connection",
        0x04 => "authentication is missing",
        0x05 => "confirmation was refused",
        0x06 => "this kind of activation is not supported",
        0x07 => "a secured connection (TLS) is needed",
        0x10 => "active",
        0x11 => "active after confirmation in the vehicle",
        _ => "a reason that the standard does not name",
    }
}

/// What the code of a negative acknowledgement means.
#[must_use]
pub fn nack_text(code: u8) -> &'static str {
    match code {
        0x02 => "the tester's address is not valid",
        0x03 => "no module has this address",
        0x04 => "the message is too large",
        0x05 => "out of memory",
        0x06 => "the module cannot be reached",
        0x07 => "the network behind the gateway is not known",
        0x08 => "the network behind the gateway failed",
        _ => "a reason that the standard does not name",
    }
}

impl Payload {
    /// The whole message, header included.
    ///
    /// ```
    /// use protocol::doip::{Payload, VERSION_2012};
    /// let ask = Payload::Diagnostic { source: 0x0E00, target: 0x1010, data: vec![0x22, 0xF1, 0x90] };
    /// let bytes = ask.encode(VERSION_2012);
    /// assert_eq!(bytes, [2, 0xFD, 0x80, 1, 0, 0, 0, 7, 0x0E, 0, 0x10, 0x10, 0x22, 0xF1, 0x90]);
    /// ```
    #[must_use]
    pub fn encode(&self, version: u8) -> Vec<u8> {
        let (kind, body): (u16, Vec<u8>) = match self {
            Self::HeaderNack(code) => (0x0000, vec![*code]),
            Self::WhoIsThere => (0x0001, Vec::new()),
            Self::WhoHasEid(eid) => (0x0002, eid.to_vec()),
            Self::WhoHasVin(vin) => (0x0003, vin.to_vec()),
            Self::Announcement(who) => {
                let mut body = who.vin.to_vec();
                body.extend(who.logical_address.to_be_bytes());
                body.extend(who.eid.iter().chain(&who.gid));
                body.push(who.further_action);
                body.extend(who.sync);
                (0x0004, body)
            }
            Self::ActivationRequest { source, kind } => {
                let [high, low] = source.to_be_bytes();
                (0x0005, vec![high, low, *kind, 0, 0, 0, 0])
            }
            Self::ActivationReply { tester, entity, code } => {
                let mut body = [tester.to_be_bytes(), entity.to_be_bytes()].concat();
                body.extend([*code, 0, 0, 0, 0]);
                (0x0006, body)
            }
            Self::AliveRequest => (0x0007, Vec::new()),
            Self::AliveReply(source) => (0x0008, source.to_be_bytes().to_vec()),
            Self::EntityStatusRequest => (0x4001, Vec::new()),
            Self::EntityStatus { node, most, open, max_bytes } => {
                let mut body = vec![*node, *most, *open];
                body.extend(max_bytes.map(u32::to_be_bytes).into_iter().flatten());
                (0x4002, body)
            }
            Self::PowerRequest => (0x4003, Vec::new()),
            Self::Power(mode) => (0x4004, vec![*mode]),
            Self::Diagnostic { source, target, data } => {
                (0x8001, [&source.to_be_bytes()[..], &target.to_be_bytes(), data].concat())
            }
            Self::Ack { source, target, code } => (0x8002, acknowledgement(*source, *target, *code)),
            Self::Nack { source, target, code } => (0x8003, acknowledgement(*source, *target, *code)),
        };
        let length = u32::try_from(body.len()).unwrap_or(u32::MAX);
        [&[version, !version][..], &kind.to_be_bytes(), &length.to_be_bytes(), &body].concat()
    }

    /// Reads what stands behind the header.
    ///
    /// # Errors
    /// [`DoipError::Unknown`], [`DoipError::Length`].
    pub fn decode(kind: u16, body: &[u8]) -> Result<Self, DoipError> {
        let wrong = DoipError::Length { kind, length: body.len() };
        let word = |at: usize| -> Result<u16, DoipError> {
            let bytes = body.get(at..at + 2).and_then(|bytes| <[u8; 2]>::try_from(bytes).ok());
            bytes.map(u16::from_be_bytes).ok_or(wrong)
        };
        let byte = |at: usize| body.get(at).copied().ok_or(wrong);
        let exactly = |n: usize| if body.len() == n { Ok(()) } else { Err(wrong) };
        Ok(match kind {
            0x0000 => {
                exactly(1)?;
                Self::HeaderNack(byte(0)?)
            }
            0x0001 | 0x0007 | 0x4001 | 0x4003 => {
                exactly(0)?;
                match kind {
                    0x0001 => Self::WhoIsThere,
                    0x0007 => Self::AliveRequest,
                    0x4001 => Self::EntityStatusRequest,
                    _ => Self::PowerRequest,
                }
            }
            0x0002 => Self::WhoHasEid(body.try_into().map_err(|_| wrong)?),
            0x0003 => Self::WhoHasVin(body.try_into().map_err(|_| wrong)?),
            0x0004 => {
                let (vin, rest) = body.split_first_chunk::<17>().ok_or(wrong)?;
                let (address, rest) = rest.split_first_chunk::<2>().ok_or(wrong)?;
                let (eid, rest) = rest.split_first_chunk::<6>().ok_or(wrong)?;
                let (gid, rest) = rest.split_first_chunk::<6>().ok_or(wrong)?;
                let (further_action, sync) = match rest {
                    [action] => (*action, None),
                    [action, sync] => (*action, Some(*sync)),
                    _ => return Err(wrong),
                };
                let logical_address = u16::from_be_bytes(*address);
                Self::Announcement(Announcement {
                    vin: *vin,
                    logical_address,
                    eid: *eid,
                    gid: *gid,
                    further_action,
                    sync,
                })
            }
            0x0005 if matches!(body.len(), 7 | 11) => Self::ActivationRequest { source: word(0)?, kind: byte(2)? },
            0x0006 if matches!(body.len(), 9 | 13) => {
                Self::ActivationReply { tester: word(0)?, entity: word(2)?, code: byte(4)? }
            }
            0x0008 => {
                exactly(2)?;
                Self::AliveReply(word(0)?)
            }
            0x4002 if matches!(body.len(), 3 | 7) => {
                let max_bytes = body.get(3..7).and_then(|bytes| <[u8; 4]>::try_from(bytes).ok());
                let max_bytes = max_bytes.map(u32::from_be_bytes);
                Self::EntityStatus { node: byte(0)?, most: byte(1)?, open: byte(2)?, max_bytes }
            }
            0x4004 => {
                exactly(1)?;
                Self::Power(byte(0)?)
            }
            0x8001 if body.len() > 4 => Self::Diagnostic {
                source: word(0)?,
                target: word(2)?,
                data: body.get(4..).unwrap_or_default().to_vec(),
            },
            // The message that is acknowledged may be repeated behind.
            0x8002 if body.len() >= 5 => Self::Ack { source: word(0)?, target: word(2)?, code: byte(4)? },
            0x8003 if body.len() >= 5 => Self::Nack { source: word(0)?, target: word(2)?, code: byte(4)? },
            0x0005 | 0x0006 | 0x4002 | 0x8001..=0x8003 => return Err(wrong),
            _ => return Err(DoipError::Unknown(kind)),
        })
    }
}

fn acknowledgement(source: u16, target: u16, code: u8) -> Vec<u8> {
    let mut body = [source.to_be_bytes(), target.to_be_bytes()].concat();
    body.push(code);
    body
}

/// Takes a stream of bytes, or a datagram, apart.
#[derive(Debug, Clone, Default)]
pub struct Reader {
    bytes: Vec<u8>,
    /// Bytes of a message that is passed over.
    skip: usize,
    is_lost: bool,
}

impl Reader {
    /// Takes bytes in.
    pub fn push(&mut self, bytes: &[u8]) {
        let skipped = self.skip.min(bytes.len());
        self.skip -= skipped;
        if !self.is_lost {
            self.bytes.extend_from_slice(bytes.get(skipped..).unwrap_or_default());
        }
    }

    /// The next message with its version, as far as one is complete. Behind [`DoipError::Pattern`] nothing more comes.
    pub fn next_message(&mut self) -> Option<Result<(u8, Payload), DoipError>> {
        let (header, rest) = self.bytes.split_first_chunk::<HEADER>()?;
        let [version, inverse, k1, k0, l3, l2, l1, l0] = *header;
        if version != !inverse {
            self.is_lost = true;
            self.bytes.clear();
            return Some(Err(DoipError::Pattern(version, inverse)));
        }
        let (kind, length) = (u16::from_be_bytes([k1, k0]), u32::from_be_bytes([l3, l2, l1, l0]));
        let n = usize::try_from(length).unwrap_or(usize::MAX);
        if n > MAX_PAYLOAD {
            let there = rest.len().min(n);
            self.skip = n - there;
            self.bytes.drain(..HEADER + there);
            return Some(Err(DoipError::TooLarge(length)));
        }
        let read = Payload::decode(kind, rest.get(..n)?).map(|payload| (version, payload));
        self.bytes.drain(..HEADER + n);
        Some(read)
    }
}

/// What a connection brings.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Event {
    /// Routing is active through the entity with this address.
    Active(u16),
    /// It is not: this code of [`activation_text`], or `None` when no answer came in time.
    Refused(Option<u8>),
    /// The vehicle does not take our messages (code of the header's negative acknowledgement).
    HeaderNack(u8),
    /// A message of ours was taken.
    Acked(u16),
    /// It was not: code of [`nack_text`], or `None` when no acknowledgement came in time.
    Nacked(u16, Option<u8>),
    /// A module's message.
    Message(u16, Vec<u8>),
    /// Something could not be read.
    Broken(DoipError),
}

/// How long routing activation and acknowledgements may take (A_DoIP_Ctrl and A_DoIP_Diagnostic_Message, 2 s).
const ANSWER_NS: Nanos = 2_000_000_000;

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
                if matches!(code, 0x10 | 0x11) { Event::Active(entity) } else { Event::Refused(Some(code)) }
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

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn read(bytes: &[u8]) -> Vec<Result<(u8, Payload), DoipError>> {
        let mut reader = Reader::default();
        reader.push(bytes);
        std::iter::from_fn(|| reader.next_message()).collect()
    }

    /// Worked bytes of a general-purpose library (doipclient 1.2.2): activation, its reply, a diagnostic message, discovery.
    #[test]
    fn worked_messages() {
        let cases: [(&[u8], Payload); 4] = [
            (
                &[2, 0xFD, 0, 5, 0, 0, 0, 7, 0x0E, 0, 0, 0, 0, 0, 0],
                Payload::ActivationRequest { source: 0x0E00, kind: 0 },
            ),
            (
                &[2, 0xFD, 0, 6, 0, 0, 0, 9, 0x0E, 0, 0x10, 0x10, 0x10, 0, 0, 0, 0],
                Payload::ActivationReply { tester: 0x0E00, entity: 0x1010, code: 0x10 },
            ),
            (
                &[2, 0xFD, 0x80, 1, 0, 0, 0, 7, 0x0E, 0, 0x10, 0x10, 0x22, 0xF1, 0x90],
                Payload::Diagnostic { source: 0x0E00, target: 0x1010, data: vec![0x22, 0xF1, 0x90] },
            ),
            (&[2, 0xFD, 0, 1, 0, 0, 0, 0], Payload::WhoIsThere),
        ];
        for (bytes, payload) in cases {
            assert_eq!(payload.encode(VERSION_2012), bytes);
            assert_eq!(read(bytes), [Ok((2, payload))]);
        }
    }

    #[test]
    fn damage_is_told_apart() {
        assert_eq!(read(&[2, 0xFC, 0, 1, 0, 0, 0, 0]), [Err(DoipError::Pattern(2, 0xFC))]);
        assert_eq!(read(&[2, 0xFD, 0x12, 0x34, 0, 0, 0, 1, 9]), [Err(DoipError::Unknown(0x1234))]);
        assert_eq!(read(&[2, 0xFD, 0, 1, 0, 0, 0, 1, 9]), [Err(DoipError::Length { kind: 1, length: 1 })]);
        // What is too large is passed over, and what follows is read again.
        let mut reader = Reader::default();
        reader.push(&[2, 0xFD, 0x80, 1, 0x10, 0, 0, 0]);
        assert_eq!(reader.next_message(), Some(Err(DoipError::TooLarge(0x1000_0000))));
        for _ in 0..0x1000 {
            reader.push(&[0; 0x1_0000]);
        }
        reader.push(&Payload::AliveRequest.encode(2));
        assert_eq!(reader.next_message(), Some(Ok((2, Payload::AliveRequest))));
    }

    #[test]
    fn a_connection_from_activation_to_silence() {
        let mut tester = Tester::new(TESTER, VERSION_2012, 0);
        assert_eq!(read(&tester.take_output()), [Ok((2, Payload::ActivationRequest { source: TESTER, kind: 0 }))]);
        tester.receive(&Payload::ActivationReply { tester: TESTER, entity: 0x1000, code: 0x10 }.encode(2));
        assert_eq!(tester.poll(1), Some(Event::Active(0x1000)));
        tester.send(0x1010, &[0x3E, 0x00], 10);
        tester.take_output();
        // The vehicle asks whether anybody is still there, in the middle of everything; bytes come in pieces.
        for byte in Payload::AliveRequest.encode(2) {
            tester.receive(&[byte]);
        }
        assert_eq!(read(&tester.take_output()), [Ok((2, Payload::AliveReply(TESTER)))]);
        tester.receive(&Payload::Ack { source: 0x1010, target: TESTER, code: 0 }.encode(2));
        tester.receive(&Payload::Diagnostic { source: 0x1010, target: TESTER, data: vec![0x7E, 0] }.encode(2));
        assert_eq!(tester.poll(20), Some(Event::Acked(0x1010)));
        assert_eq!(tester.poll(20), Some(Event::Message(0x1010, vec![0x7E, 0])));
        tester.send(0x1011, &[0x3E, 0x00], 30);
        tester.receive(&Payload::Nack { source: 0x1011, target: TESTER, code: 3 }.encode(2));
        assert_eq!(tester.poll(40), Some(Event::Nacked(0x1011, Some(3))));
        tester.send(0x1012, &[0x3E, 0x00], 50);
        assert_eq!(tester.poll(60), None);
        assert_eq!(tester.deadline(), Some(50 + ANSWER_NS));
        assert_eq!(tester.poll(50 + ANSWER_NS), Some(Event::Nacked(0x1012, None)));
        let mut refused = Tester::new(TESTER, VERSION_2012, 0);
        assert_eq!(refused.poll(ANSWER_NS), Some(Event::Refused(None)));
    }

    proptest! {
        #[test]
        fn any_bytes_do_no_harm(pieces in proptest::collection::vec(proptest::collection::vec(any::<u8>(), 0..60), 0..20)) {
            let mut tester = Tester::new(TESTER, VERSION_2012, 0);
            for piece in pieces {
                tester.receive(&piece);
                while tester.poll(0).is_some() {}
            }
        }

        /// What is read and written again is the same, but for what the standard leaves to the maker.
        #[test]
        fn bodies_of_any_type(kind in prop_oneof![0_u16..9, 0x4001_u16..0x4005, 0x8001_u16..0x8004], body in proptest::collection::vec(any::<u8>(), 0..40)) {
            if let Ok(payload) = Payload::decode(kind, &body) {
                let bytes = payload.encode(2);
                let again = Payload::decode(kind, bytes.get(8..).unwrap_or_default());
                prop_assert_eq!(again, Ok(payload));
            }
        }
    }
}
