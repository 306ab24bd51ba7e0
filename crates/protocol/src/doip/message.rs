//! Messages of diagnostics over IP, and the bytes of a connection cut into them.

use super::{HEADER, MAX_PAYLOAD};

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
        0x11 => "it waits for a confirmation in the vehicle",
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
            0x8002 => Self::Ack { source: word(0)?, target: word(2)?, code: byte(4)? },
            0x8003 => Self::Nack { source: word(0)?, target: word(2)?, code: byte(4)? },
            0x0005 | 0x0006 | 0x4002 | 0x8001 => return Err(wrong),
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
