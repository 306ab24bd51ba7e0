//! Who speaks on a vehicle's network, and how to reach it.

use std::fmt;

use crate::CanId;

/// A control module's address, as its replies carry it.
///
/// Sources: ISO 15765-4 for the legislated CAN identifiers, ISO 9141-2 and ISO 14230-2 for the source byte (from memory).
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Address {
    /// 11-bit CAN identifiers.
    Can11 {
        /// Identifier of requests to this module alone.
        request: u16,
        /// Identifier of its replies.
        reply: u16,
    },
    /// 29-bit CAN identifiers.
    Can29 {
        /// Identifier of requests to this module alone.
        request: u32,
        /// Identifier of its replies.
        reply: u32,
    },
    /// The source byte of a message with a three-byte header (ISO 9141-2, ISO 14230, SAE J1850).
    Node(u8),
    /// CAN with extended or mixed addressing: the first data byte of every frame belongs to the address (ISO 15765-2).
    CanByte {
        /// Identifier of requests.
        request: CanId,
        /// First data byte of requests: this module's own address, or an address extension.
        request_byte: u8,
        /// Identifier of replies.
        reply: CanId,
        /// First data byte of replies: the tester's address, or the same extension.
        reply_byte: u8,
    },
    /// Logical address of diagnostics over IP (ISO 13400-2).
    Logical(u16),
}

/// Why a text is not an address.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error(
    "a module address is 2 hex digits (K-line), 3 (11-bit CAN), 4 (diagnostics over IP) or 8 (29-bit CAN), as the car gives it, `REQUEST-REPLY` where the one does not follow from the other, or `REQUEST:BYTE-REPLY:BYTE` for CAN with extended addressing: `{0}`"
)]
pub struct AddressError(pub String);

impl Address {
    /// The module that answers with this 11-bit identifier, by the rule request = reply - 8 of ISO 15765-4.
    ///
    /// ```
    /// use protocol::Address;
    /// assert_eq!(Address::from_reply11(0x7E8), Address::Can11 { request: 0x7E0, reply: 0x7E8 });
    /// ```
    #[must_use]
    pub const fn from_reply11(reply: u16) -> Self {
        let reply = reply & 0x7FF;
        Self::Can11 { request: reply.wrapping_sub(8) & 0x7FF, reply }
    }

    /// The module that answers with this 29-bit identifier: normal fixed addressing swaps target and source,
    /// `18DAF1tt` answers `18DAttF1`.
    ///
    /// ```
    /// use protocol::Address;
    /// assert_eq!(Address::from_reply29(0x18DA_F110), Address::Can29 { request: 0x18DA_10F1, reply: 0x18DA_F110 });
    /// ```
    #[must_use]
    pub const fn from_reply29(reply: u32) -> Self {
        let reply = reply & 0x1FFF_FFFF;
        let (target, source) = ((reply >> 8) & 0xFF, reply & 0xFF);
        Self::Can29 { request: (reply & 0x1FFF_0000) | (source << 8) | target, reply }
    }
}

/// The address as the car gives it, in hex without prefix: `7E8`, `18DAF110`, `11`, `1010`; with extended addressing both
/// directions are needed: `6F1:12-612:F1`.
///
/// With `#` also where the identifier of requests does not follow from that of the replies: `714-77E`. This form always
/// reads back.
///
/// ```
/// use protocol::Address;
/// let module = Address::Can11 { request: 0x714, reply: 0x77E };
/// assert_eq!((module.to_string(), format!("{module:#}")), ("77E".to_owned(), "714-77E".to_owned()));
/// assert_eq!("714-77E".parse(), Ok(module));
/// ```
impl fmt::Display for Address {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Can11 { request, reply } if f.alternate() && Self::from_reply11(*reply) != *self => {
                f.write_str(&format!("{request:03X}-{reply:03X}"))
            }
            Self::Can29 { request, reply } if f.alternate() && Self::from_reply29(*reply) != *self => {
                f.write_str(&format!("{request:08X}-{reply:08X}"))
            }
            Self::Can11 { reply, .. } => f.pad(&format!("{reply:03X}")),
            Self::Can29 { reply, .. } => f.pad(&format!("{reply:08X}")),
            Self::Node(node) => f.pad(&format!("{node:02X}")),
            Self::CanByte { request, request_byte, reply, reply_byte } => {
                f.pad(&format!("{request}:{request_byte:02X}-{reply}:{reply_byte:02X}"))
            }
            Self::Logical(address) => f.pad(&format!("{address:04X}")),
        }
    }
}

impl std::str::FromStr for Address {
    type Err = AddressError;

    fn from_str(text: &str) -> Result<Self, AddressError> {
        let wrong = || AddressError(text.escape_debug().to_string());
        if let Some((request, reply)) = text.split_once('-') {
            if let Some((request, reply)) = request.parse().ok().zip(reply.parse().ok()) {
                return match (request, reply) {
                    (CanId::Standard(request), CanId::Standard(reply)) => Ok(Self::Can11 { request, reply }),
                    (CanId::Extended(request), CanId::Extended(reply)) => Ok(Self::Can29 { request, reply }),
                    _ => Err(wrong()),
                };
            }
            let side = |side: &str| {
                let (id, byte) = side.split_once(':')?;
                let hex = byte.len() == 2 && byte.bytes().all(|byte| byte.is_ascii_hexdigit());
                Some((id.parse().ok()?, u8::from_str_radix(byte, 16).ok().filter(|_| hex)?))
            };
            let ((request, request_byte), (reply, reply_byte)) = side(request).zip(side(reply)).ok_or_else(wrong)?;
            return Ok(Self::CanByte { request, request_byte, reply, reply_byte });
        }
        if !text.bytes().all(|byte| byte.is_ascii_hexdigit()) {
            return Err(wrong());
        }
        let number = u32::from_str_radix(text, 16).map_err(|_| wrong())?;
        match (text.len(), u8::try_from(number), u16::try_from(number)) {
            (2, Ok(node), _) => Ok(Self::Node(node)),
            (4, _, Ok(address)) => Ok(Self::Logical(address)),
            (3, _, Ok(reply)) if reply <= 0x7FF => Ok(Self::from_reply11(reply)),
            (8, _, _) if number <= 0x1FFF_FFFF => Ok(Self::from_reply29(number)),
            _ => Err(wrong()),
        }
    }
}

/// The network that the diagnostic connector leads to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Bus {
    /// SAE J1850, pulse width modulation, 41.6 kbit/s.
    J1850Pwm,
    /// SAE J1850, variable pulse width, 10.4 kbit/s.
    J1850Vpw,
    /// ISO 9141-2, K-line, 5-baud start.
    Iso9141,
    /// ISO 14230-4, K-line, 5-baud start.
    Kwp5Baud,
    /// ISO 14230-4, K-line, fast start.
    KwpFast,
    /// ISO 15765-4 CAN.
    Can {
        /// Whether identifiers have 29 bits instead of 11.
        wide: bool,
        /// Bit rate in kbit/s: 500 or 250.
        kbit_s: u16,
    },
    /// Diagnostics over IP, ISO 13400.
    Doip,
}

impl Bus {
    /// Whether messages are segmented by ISO 15765-2 over CAN.
    #[must_use]
    pub const fn is_can(self) -> bool {
        matches!(self, Self::Can { .. })
    }

    /// Whether an answer is one message however long it is, so that OBD services have the layout that they have on CAN.
    #[must_use]
    pub const fn has_long_messages(self) -> bool {
        matches!(self, Self::Can { .. } | Self::Doip)
    }
}

impl fmt::Display for Bus {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::J1850Pwm => f.pad("SAE J1850 PWM"),
            Self::J1850Vpw => f.pad("SAE J1850 VPW"),
            Self::Iso9141 => f.pad("ISO 9141-2"),
            Self::Doip => f.pad("ISO 13400-2, diagnostics over IP"),
            Self::Kwp5Baud => f.pad("ISO 14230-4, 5-baud start"),
            Self::KwpFast => f.pad("ISO 14230-4, fast start"),
            Self::Can { wide, kbit_s } => {
                f.pad(&format!("ISO 15765-4, {} bit, {kbit_s} kbit/s", if *wide { 29 } else { 11 }))
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn addresses_read_back_as_printed() {
        let (request, reply) = (CanId::Standard(0x6F1), CanId::Standard(0x612));
        for address in [
            Address::from_reply11(0x7E8),
            Address::from_reply29(0x18DA_F110),
            Address::Node(0x11),
            Address::Logical(0x1010),
            Address::CanByte { request, request_byte: 0x12, reply, reply_byte: 0xF1 },
        ] {
            assert_eq!(address.to_string().parse(), Ok(address));
            assert_eq!(format!("{address:#}").parse(), Ok(address));
            // The one follows from the other: the short form says all.
            assert_eq!(format!("{address:#}"), address.to_string());
        }
        for address in [
            Address::Can11 { request: 0x714, reply: 0x77E },
            Address::Can29 { request: 0x18DA_10F1, reply: 0x18DA_F911 },
        ] {
            assert_eq!(format!("{address:#}").parse(), Ok(address));
            assert!(!address.to_string().contains('-'), "{address}");
        }
        for text in [
            "",
            "7",
            "7E881",
            "FFF",
            "FFFFFFFF",
            "7G8",
            "+E8",
            "é8",
            "6F1-61",
            "6F1:12-612",
            "6F1:+2-612:F1",
            "-",
            "7E0-18DAF110",
        ] {
            assert_eq!(text.parse::<Address>(), Err(AddressError(text.to_owned())));
        }
    }
}
