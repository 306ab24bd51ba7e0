//! Messages with three header bytes, as K-lines and SAE J1850 carry them, without their check byte.
//!
//! Sources: ISO 9141-2, ISO 14230-2 and SAE J1850, from memory.

use crate::exchange::Target;
use crate::{Address, Bus};

/// Address of the tester.
const TESTER: u8 = 0xF1;
/// Address of all emissions modules on a K-line; a conversation with them is begun with it too.
pub const EVERYONE: u8 = 0x33;
/// Most data bytes behind a format byte that states the length itself.
const MOST_SHORT: usize = 0x3F;

/// Why bytes are no message to the tester.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum HeaderError {
    /// Less than a header and a byte of data.
    #[error("{have} bytes are no message")]
    Short {
        /// Bytes that there are.
        have: usize,
    },
    /// The length in the header is not that of the data.
    #[error("the header states {stated} bytes and {carried} follow")]
    Length {
        /// What the header says.
        stated: usize,
        /// Bytes behind it.
        carried: usize,
    },
    /// For somebody else.
    #[error("not addressed to a tester")]
    NotForUs,
}

/// Who sent a message to the tester, and its data.
///
/// ```
/// use protocol::{Address, Bus, header};
/// let (from, data) = header::read(&[0x83, 0xF1, 0x11, 0xC1, 0x8F, 0xEF], Bus::KwpFast).unwrap();
/// assert_eq!((from, data), (Address::Node(0x11), &[0xC1, 0x8F, 0xEF][..]));
/// ```
///
/// # Errors
/// [`HeaderError`]; on CAN and over IP always, which have other headers.
pub fn read(message: &[u8], bus: Bus) -> Result<(Address, &[u8]), HeaderError> {
    let short = HeaderError::Short { have: message.len() };
    let [format, target, source, data @ ..] = message else { return Err(short) };
    let data = match bus {
        Bus::Iso9141 | Bus::J1850Vpw if (*format, *target) == (0x48, 0x6B) => data,
        Bus::J1850Pwm if (*format, *target) == (0x41, 0x6B) => data,
        // Format byte: physical addressing, length in the low six bits, or in a byte of its own when they are 0.
        Bus::Kwp5Baud | Bus::KwpFast if format & 0xC0 == 0x80 && *target == TESTER => {
            let (stated, data) = match (usize::from(format & 0x3F), data) {
                (0, [length, data @ ..]) => (usize::from(*length), data),
                (length, data) => (length, data),
            };
            if stated != data.len() {
                return Err(HeaderError::Length { stated, carried: data.len() });
            }
            data
        }
        _ => return Err(HeaderError::NotForUs),
    };
    if data.is_empty() { Err(short) } else { Ok((Address::Node(*source), data)) }
}

/// A request with its header for a K-line; `None` where it cannot be sent: to somebody who is not on it, empty, or longer
/// than the network takes.
///
/// ```
/// use protocol::exchange::Target;
/// use protocol::{Address, Bus, header};
/// assert_eq!(header::write(Bus::Iso9141, Target::Everyone, &[1, 0]).unwrap(), [0x68, 0x6A, 0xF1, 1, 0]);
/// let engine = Target::Module(Address::Node(0x11));
/// assert_eq!(header::write(Bus::KwpFast, engine, &[0x21, 1]).unwrap(), [0x82, 0x11, 0xF1, 0x21, 1]);
/// ```
#[must_use]
pub fn write(bus: Bus, to: Target, data: &[u8]) -> Option<Vec<u8>> {
    let length = u8::try_from(data.len()).ok().filter(|length| *length > 0)?;
    let header = match (bus, to) {
        // Functional requests only: the sender of a reply tells whose it is. Seven bytes of data are the most.
        (Bus::Iso9141, Target::Everyone | Target::Module(Address::Node(_)) | Target::Anyone(Address::Node(_)))
            if data.len() <= 7 =>
        {
            vec![0x68, 0x6A, TESTER]
        }
        (Bus::Kwp5Baud | Bus::KwpFast, Target::Everyone) if data.len() <= MOST_SHORT => {
            vec![0xC0 | length, EVERYONE, TESTER]
        }
        (Bus::Kwp5Baud | Bus::KwpFast, Target::Module(Address::Node(node)) | Target::Anyone(Address::Node(node))) => {
            if data.len() <= MOST_SHORT {
                vec![0x80 | length, node, TESTER]
            } else {
                vec![0x80, node, TESTER, length]
            }
        }
        _ => return None,
    };
    Some([&header, data].concat())
}

#[cfg(test)]
mod tests {
    use super::*;

    const NODE: Address = Address::Node(0x11);

    /// A message on a network, and its data.
    type Case = (Bus, &'static [u8], Result<&'static [u8], HeaderError>);

    /// Layouts of ISO 14230-2, ISO 9141-2 and SAE J1850, from memory.
    #[test]
    fn only_whole_messages_to_the_tester_are_read() {
        use HeaderError::{Length, NotForUs, Short};
        let can = Bus::Can { wide: false, kbit_s: 500 };
        let cases: &[Case] = &[
            (Bus::Kwp5Baud, &[0x82, 0xF1, 0x11, 0x41, 0x00], Ok(&[0x41, 0x00])),
            (Bus::KwpFast, &[0x80, 0xF1, 0x11, 2, 0x41, 0x00], Ok(&[0x41, 0x00])),
            (Bus::KwpFast, &[0x83, 0xF1, 0x11, 0x41, 0x00], Err(Length { stated: 3, carried: 2 })),
            (Bus::KwpFast, &[0x80, 0xF1, 0x11, 1, 0x41, 0x00], Err(Length { stated: 1, carried: 2 })),
            (Bus::KwpFast, &[0x82, 0x10, 0x11, 0x41, 0x00], Err(NotForUs)),
            (Bus::KwpFast, &[0xC2, 0xF1, 0x11, 0x41, 0x00], Err(NotForUs)),
            (Bus::KwpFast, &[0x80, 0xF1, 0x11, 0], Err(Short { have: 4 })),
            (Bus::KwpFast, &[0x80, 0xF1], Err(Short { have: 2 })),
            (Bus::Iso9141, &[0x48, 0x6B, 0x11, 0x41, 0x00], Ok(&[0x41, 0x00])),
            (Bus::Iso9141, &[0x48, 0x6B, 0x11], Err(Short { have: 3 })),
            (Bus::Iso9141, &[0x68, 0x6A, 0xF1, 0x01, 0x00], Err(NotForUs)),
            (Bus::Iso9141, &[0x41, 0x6B, 0x11, 0x41, 0x00], Err(NotForUs)),
            (Bus::J1850Vpw, &[0x48, 0x6B, 0x11, 0x41, 0x00], Ok(&[0x41, 0x00])),
            (Bus::J1850Pwm, &[0x41, 0x6B, 0x11, 0x41, 0x00], Ok(&[0x41, 0x00])),
            (Bus::J1850Pwm, &[0x48, 0x6B, 0x11, 0x41, 0x00], Err(NotForUs)),
            (can, &[0x48, 0x6B, 0x11, 0x41, 0x00], Err(NotForUs)),
        ];
        for (bus, message, expected) in cases {
            assert_eq!(read(message, *bus), expected.map(|data| (NODE, data)), "{bus:?} {message:02X?}");
        }
    }

    /// As above; on ISO 9141-2 seven bytes of data are the most, on ISO 14230-2 63 without a length byte and 255 with one.
    #[test]
    fn headers_say_whom_and_how_much() {
        let module = Target::Module(NODE);
        let head = |bus, to, n: usize| write(bus, to, &vec![0x3E; n]).map(|bytes| bytes.into_iter().take(4).collect());
        let cases: &[(Bus, Target, usize, Option<[u8; 4]>)] = &[
            (Bus::Iso9141, Target::Everyone, 7, Some([0x68, 0x6A, 0xF1, 0x3E])),
            (Bus::Iso9141, module, 7, Some([0x68, 0x6A, 0xF1, 0x3E])),
            (Bus::Iso9141, Target::Everyone, 8, None),
            (Bus::KwpFast, Target::Everyone, 2, Some([0xC2, 0x33, 0xF1, 0x3E])),
            (Bus::KwpFast, Target::Everyone, 63, Some([0xFF, 0x33, 0xF1, 0x3E])),
            (Bus::KwpFast, Target::Everyone, 64, None),
            (Bus::Kwp5Baud, module, 63, Some([0xBF, 0x11, 0xF1, 0x3E])),
            (Bus::Kwp5Baud, Target::Anyone(NODE), 64, Some([0x80, 0x11, 0xF1, 64])),
            (Bus::KwpFast, module, 255, Some([0x80, 0x11, 0xF1, 255])),
            (Bus::KwpFast, module, 256, None),
            (Bus::KwpFast, module, 0, None),
            (Bus::KwpFast, Target::Module(Address::from_reply11(0x7E8)), 2, None),
            (Bus::J1850Vpw, module, 2, None),
        ];
        for (bus, to, n, expected) in cases {
            assert_eq!(head(*bus, *to, *n), expected.map(Vec::from), "{bus:?} {to:?} {n}");
        }
    }
}
