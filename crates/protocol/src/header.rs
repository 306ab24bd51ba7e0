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
