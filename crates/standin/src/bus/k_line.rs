//! The K-line: who answers a start of communication, and how messages look and how long they take (ISO 9141-2, ISO 14230-2;
//! from memory).

use protocol::Nanos;

/// Which K-line a car has.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum KLine {
    /// ISO 9141-2, 5-baud start.
    Iso9141,
    /// ISO 14230-4, 5-baud start.
    Kwp5Baud,
    /// ISO 14230-4, fast start.
    KwpFast,
}

/// Address of all emissions modules.
pub(crate) const EVERYONE: u8 = 0x33;
/// One byte at 10 400 baud, ten bits.
const BYTE_NS: Nanos = 961_538;
/// Between the bytes of a request (P4 min).
const P4_NS: Nanos = 5_000_000;
/// From a request to its answer, and from one answer to the next (P2 min).
pub(crate) const P2_NS: Nanos = 25_000_000;
/// From an answer to the next request (P3 min).
pub(crate) const P3_MIN_NS: Nanos = 55_000_000;
/// After this long without traffic a module has ended the conversation (P3 max).
pub(crate) const P3_MAX_NS: Nanos = 5_000_000_000;

impl KLine {
    /// A module's answer with header and check sum.
    pub(crate) fn reply(self, from: u8, data: &[u8]) -> Vec<u8> {
        let mut bytes = match self {
            Self::Iso9141 => vec![0x48, 0x6B, from],
            Self::Kwp5Baud | Self::KwpFast if data.len() < 0x40 => vec![0x80 | data.len() as u8, 0xF1, from],
            Self::Kwp5Baud | Self::KwpFast => vec![0x80, 0xF1, from, data.len() as u8],
        };
        bytes.extend(data);
        bytes.push(bytes.iter().fold(0, |sum: u8, byte| sum.wrapping_add(*byte)));
        bytes
    }

    /// How long a request with so many data bytes is on the line: header, data and check sum.
    pub(crate) fn request_ns(n_data: usize) -> Nanos {
        let n = n_data as Nanos + 4;
        n * BYTE_NS + (n - 1) * P4_NS
    }

    /// How long an answer is on the line.
    pub(crate) fn reply_ns(bytes: &[u8]) -> Nanos {
        bytes.len() as Nanos * BYTE_NS
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Worked messages of ISO 9141-2 and ISO 14230-2; sums computed by hand: 83 F1 11 C1 8F EF -> C4.
    #[test]
    fn headers_and_sums() {
        assert_eq!(KLine::KwpFast.reply(0x11, &[0xC1, 0x8F, 0xEF]), [0x83, 0xF1, 0x11, 0xC1, 0x8F, 0xEF, 0xC4]);
        assert_eq!(KLine::Iso9141.reply(0x10, &[0x41, 0x0D, 0x32]), [0x48, 0x6B, 0x10, 0x41, 0x0D, 0x32, 0x43]);
    }
}
