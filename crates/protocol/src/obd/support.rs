//! Support bitmaps: which PIDs, monitors, tests and information types a module has.

use std::collections::BTreeSet;

use crate::{Problem, ReplyError, reply_body};

/// Numbers that one module supports in one service.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Supported {
    numbers: BTreeSet<u8>,
}

/// The numbers that a bitmap for `base` names: bit 7 of A is `base + 1`, bit 0 of D is `base + 20` (hex).
///
/// ```
/// use protocol::obd::numbers_in;
/// assert_eq!(numbers_in(0x20, [0x80, 0, 0, 0x01]).collect::<Vec<_>>(), [0x21, 0x40]);
/// ```
pub fn numbers_in(base: u8, bitmap: [u8; 4]) -> impl Iterator<Item = u8> {
    let bits = u32::from_be_bytes(bitmap);
    (1u8..=32).filter(move |n| bits >> (32 - n) & 1 == 1).filter_map(move |n| base.checked_add(n))
}

/// The bitmap for `base` that names these numbers: the inverse of [`numbers_in`].
#[must_use]
pub fn bitmap_of(base: u8, numbers: impl IntoIterator<Item = u8>) -> [u8; 4] {
    let bit = |number: u8| number.checked_sub(base).filter(|n| (1..=32).contains(n)).map_or(0, |n| 1u32 << (32 - n));
    numbers.into_iter().fold(0, |bits, number| bits | bit(number)).to_be_bytes()
}

/// Whether this number is that of a bitmap: 00, 20 .. E0.
#[must_use]
pub const fn is_bitmap(number: u8) -> bool {
    number.is_multiple_of(0x20)
}

/// Asks one module for the bitmap `base` (00, 20 ..) of a service.
///
/// The filler bytes of services 02 (frame 0), 05 (first sensor) and 08 (no data) are those of SAE J1979, from memory.
///
/// ```
/// assert_eq!(protocol::obd::support_request(0x06, 0xA0), [0x06, 0xA0]);
/// ```
#[must_use]
pub fn support_request(service: u8, base: u8) -> Vec<u8> {
    let filler: &[u8] = match service {
        0x02 => &[0x00],
        0x05 => &[0x01],
        0x08 => &[0x00; 5],
        _ => &[],
    };
    [&[service, base], filler].concat()
}

impl Supported {
    /// The bitmap to ask for next, `None` when all are known: 00 first, then each one that the one before announces.
    #[must_use]
    pub fn next_bitmap(&self, last: Option<u8>) -> Option<u8> {
        match last {
            None => Some(0),
            Some(last) => last.checked_add(0x20).filter(|next| self.has(*next)),
        }
    }

    /// Takes the four bytes that a module gave for the bitmap `base`.
    pub fn add(&mut self, base: u8, bitmap: [u8; 4]) {
        self.numbers.extend(numbers_in(base, bitmap));
    }

    /// Takes a whole reply to [`support_request`]. One byte between the echo and the bitmap is skipped: the frame number
    /// of service 02, the sensor of 05, the filler of 06 and the message number of 09 without CAN.
    ///
    /// # Errors
    /// [`ReplyError`]; nothing is taken then.
    pub fn add_reply(&mut self, request: &[u8], reply: &[u8]) -> Result<(), ReplyError> {
        let body = reply_body(request, reply)?;
        let asked = request.get(1).copied();
        match body {
            [base, rest @ ..] if Some(*base) == asked && is_bitmap(*base) => {
                // Four bytes at the end, whatever filler stands before them. Without CAN the filler is one byte.
                let bitmap = rest.len().checked_sub(4).filter(|filler| *filler <= 1).and_then(|n| rest.get(n..));
                match bitmap {
                    Some(&[a, b, c, d]) => {
                        self.add(*base, [a, b, c, d]);
                        Ok(())
                    }
                    _ => {
                        let problem = Problem::Short { what: "support bitmap".into(), need: 4, have: rest.len() };
                        Err(ReplyError::malformed(request, reply, problem))
                    }
                }
            }
            _ => Err(ReplyError::foreign(request, reply)),
        }
    }

    /// Whether a number is supported.
    #[must_use]
    pub fn has(&self, number: u8) -> bool {
        self.numbers.contains(&number)
    }

    /// All numbers but those of the bitmaps, rising.
    pub fn iter(&self) -> impl Iterator<Item = u8> {
        self.numbers.iter().copied().filter(|number| !is_bitmap(*number))
    }

    /// Whether nothing is supported, or nothing was asked.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.numbers.is_empty()
    }

    /// Which bank and sensor the eight oxygen sensor PIDs of a group mean, from PID 13 or 1D.
    #[must_use]
    pub fn oxygen_layout(&self) -> OxygenLayout {
        if self.has(0x1D) && !self.has(0x13) { OxygenLayout::FourBanks } else { OxygenLayout::TwoBanks }
    }
}

impl FromIterator<u8> for Supported {
    fn from_iter<T: IntoIterator<Item = u8>>(numbers: T) -> Self {
        Self { numbers: numbers.into_iter().collect() }
    }
}

/// Where the eight oxygen sensors of PIDs 14-1B, 24-2B and 34-3B sit.
///
/// Source: SAE J1979 as public tables give it for PID 13 and 1D; the order under 1D from memory.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum OxygenLayout {
    /// PID 13: four sensors on each of two banks.
    TwoBanks,
    /// PID 1D: two sensors on each of four banks.
    FourBanks,
}

impl OxygenLayout {
    /// Bank and sensor, from 1, of the `n`-th sensor PID of its group, from 1.
    ///
    /// ```
    /// use protocol::obd::OxygenLayout;
    /// assert_eq!(OxygenLayout::TwoBanks.bank_and_sensor(3), (1, 3));
    /// assert_eq!(OxygenLayout::FourBanks.bank_and_sensor(3), (2, 1));
    /// ```
    #[must_use]
    pub const fn bank_and_sensor(self, n: u8) -> (u8, u8) {
        let per_bank = match self {
            Self::TwoBanks => 4,
            Self::FourBanks => 2,
        };
        let idx = n.saturating_sub(1);
        (idx / per_bank + 1, idx % per_bank + 1)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn worked_bitmap() {
        // SAE J1979 layout, worked bit by bit: BE 3F A8 13.
        let mut supported = Supported::default();
        assert_eq!(supported.next_bitmap(None), Some(0x00));
        supported.add_reply(&[0x01, 0x00], &[0x41, 0x00, 0xBE, 0x3F, 0xA8, 0x13]).unwrap();
        let expected =
            [0x01, 0x03, 0x04, 0x05, 0x06, 0x07, 0x0B, 0x0C, 0x0D, 0x0E, 0x0F, 0x10, 0x11, 0x13, 0x15, 0x1C, 0x1F];
        assert_eq!(supported.iter().collect::<Vec<_>>(), expected);
        assert_eq!(supported.next_bitmap(Some(0x00)), Some(0x20));
        supported.add_reply(&[0x01, 0x20], &[0x41, 0x20, 0, 0, 0, 0]).unwrap();
        assert_eq!(supported.next_bitmap(Some(0x20)), None);
        assert_eq!(supported.next_bitmap(Some(0xE0)), None);
        assert!(!supported.is_empty() && Supported::default().is_empty());
        assert_eq!(bitmap_of(0, [0x01, 0x20, 0x01, 0x21, 0x00]), [0x80, 0, 0, 0x01], "twice is once");
    }

    #[test]
    fn a_filler_byte_is_skipped_and_anything_else_refused() {
        let mut supported = Supported::default();
        for service in [0x01, 0x02, 0x05, 0x06, 0x08, 0x09] {
            let request = support_request(service, 0x00);
            for filler in [&[][..], &[0x00], &[0x01], &[0xFF]] {
                let mut supported = Supported::default();
                let reply = [&[service + 0x40, 0x00], filler, &[0x80, 0, 0, 0]].concat();
                supported.add_reply(&request, &reply).unwrap();
                assert_eq!(supported.iter().collect::<Vec<_>>(), [0x01], "{reply:02X?}");
            }
        }
        for reply in [&[0x41, 0x00, 1, 2, 3][..], &[0x41, 0x00, 1, 2, 3, 4, 5, 6], &[0x41, 0x20, 1, 2, 3, 4], &[0x41]] {
            assert!(supported.add_reply(&[0x01, 0x00], reply).is_err(), "{reply:02X?}");
        }
    }

    #[test]
    fn the_label_follows_whichever_of_13_and_1d_is_there() {
        let layout = |pids: &[u8]| pids.iter().copied().collect::<Supported>().oxygen_layout();
        assert_eq!(layout(&[0x13]), OxygenLayout::TwoBanks);
        assert_eq!(layout(&[0x1D]), OxygenLayout::FourBanks);
        assert_eq!(layout(&[]), OxygenLayout::TwoBanks);
        let all = |layout: OxygenLayout| (1..=8).map(|n| layout.bank_and_sensor(n)).collect::<Vec<_>>();
        assert_eq!(all(OxygenLayout::TwoBanks), [(1, 1), (1, 2), (1, 3), (1, 4), (2, 1), (2, 2), (2, 3), (2, 4)]);
        assert_eq!(all(OxygenLayout::FourBanks), [(1, 1), (1, 2), (2, 1), (2, 2), (3, 1), (3, 2), (4, 1), (4, 2)]);
    }

    proptest::proptest! {
        #[test]
        fn bitmaps_read_back(n in 0u8..8, bits: u32) {
            let base = n * 0x20;
            let bitmap = if n == 7 { bits & !1 } else { bits }.to_be_bytes();
            proptest::prop_assert_eq!(bitmap_of(base, numbers_in(base, bitmap)), bitmap);
        }
    }
}
