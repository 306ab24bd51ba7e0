//! Where the bits of a number are, and how they write it.

/// How bits write a number.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Encoding {
    /// A whole number from 0 up.
    #[default]
    Unsigned,
    /// A whole number with sign, two's complement.
    TwosComplement,
    /// A whole number with sign, all bits inverted when it is negative.
    OnesComplement,
    /// A whole number with sign: the highest bit says that it is negative, the others how large it is.
    SignMagnitude,
    /// Decimal digits, four bits each.
    PackedBcd,
    /// Decimal digits, eight bits each, of which the upper four are 0.
    UnpackedBcd,
    /// A number of IEEE 754, 32 or 64 bits.
    Float,
}

/// A number as it stands in the data, before any conversion.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Raw {
    /// A whole number of at most 64 bits, with or without sign.
    Whole(i128),
    /// An IEEE 754 number.
    Real(f64),
}

impl Raw {
    /// As a double; whole numbers beyond 2^53 are rounded.
    #[must_use]
    pub fn number(self) -> f64 {
        match self {
            Self::Whole(number) => number as f64,
            Self::Real(number) => number,
        }
    }
}

/// Place of a number in data: which bits, in which order, writing it how.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Bits {
    /// First byte, from 0.
    pub byte: usize,
    /// Lowest bit, 0 to 7, in the whole number that the bytes make.
    pub bit: u32,
    /// Number of bits, 1 to 64.
    pub bits: u32,
    /// Least significant byte first.
    pub little_endian: bool,
    /// What the bits write.
    pub encoding: Encoding,
}

impl Bits {
    /// Whether such a place can exist: 1 to 64 bits, the lowest 0 to 7, and a width that the encoding has.
    #[must_use]
    pub fn is_sound(&self) -> bool {
        let width_fits = match self.encoding {
            Encoding::Float => matches!(self.bits, 32 | 64),
            Encoding::PackedBcd => self.bits.is_multiple_of(4),
            Encoding::UnpackedBcd => self.bits.is_multiple_of(8),
            _ => true,
        };
        self.bit <= 7 && (1..=64).contains(&self.bits) && width_fits && self.byte <= usize::MAX - 16
    }

    /// How many bytes it reaches over.
    #[must_use]
    pub fn n_bytes(&self) -> usize {
        (self.bit + self.bits).div_ceil(8) as usize
    }

    /// First byte behind it.
    #[must_use]
    pub fn end(&self) -> usize {
        self.byte.saturating_add(self.n_bytes())
    }

    /// The bits as an unsigned number; `None` when the data ends before them.
    pub(crate) fn unsigned(&self, data: &[u8]) -> Option<u64> {
        let bytes = data.get(self.byte..self.end())?;
        let join = |number: u128, byte: &u8| number << 8 | u128::from(*byte);
        let number = if self.little_endian { bytes.iter().rev().fold(0, join) } else { bytes.iter().fold(0, join) };
        // At most 71 bits were joined.
        Some((number >> self.bit) as u64 & self.mask())
    }

    /// All bits set.
    pub(crate) fn mask(&self) -> u64 {
        u64::MAX >> (64 - self.bits.clamp(1, 64))
    }

    /// The number; `None` when the data ends before it, or its decimal digits are none.
    #[must_use]
    pub fn raw(&self, data: &[u8]) -> Option<Raw> {
        self.raw_from_unsigned(self.unsigned(data)?)
    }

    /// What the bits, as an unsigned number, write.
    pub(crate) fn raw_from_unsigned(&self, number: u64) -> Option<Raw> {
        let is_negative = number >> (self.bits - 1) & 1 == 1;
        let whole = |number: i128| Some(Raw::Whole(number));
        match self.encoding {
            Encoding::Unsigned => whole(i128::from(number)),
            Encoding::TwosComplement => {
                let unused = 64 - self.bits;
                whole(i128::from((number << unused).cast_signed() >> unused))
            }
            Encoding::OnesComplement if is_negative => whole(-i128::from(!number & self.mask())),
            Encoding::SignMagnitude if is_negative => whole(-i128::from(number & self.mask() >> 1)),
            Encoding::OnesComplement | Encoding::SignMagnitude => whole(i128::from(number)),
            Encoding::PackedBcd => digits(number, self.bits, 4).and_then(whole),
            Encoding::UnpackedBcd => digits(number, self.bits, 8).and_then(whole),
            Encoding::Float if self.bits == 32 => Some(Raw::Real(f64::from(f32::from_bits(number as u32)))),
            Encoding::Float => Some(Raw::Real(f64::from_bits(number))),
        }
    }

    /// The bits, as an unsigned number, that write `raw`; `None` if they cannot.
    pub(crate) fn unsigned_from_raw(&self, raw: Raw) -> Option<u64> {
        let number = match (self.encoding, raw) {
            (Encoding::Float, raw) if self.bits == 32 => return Some(u64::from((raw.number() as f32).to_bits())),
            (Encoding::Float, raw) => return Some(raw.number().to_bits()),
            (_, Raw::Whole(number)) => number,
            (_, Raw::Real(_)) => return None,
        };
        let (low, high) = self.whole_limits()?;
        if !(low..=high).contains(&number) {
            return None;
        }
        Some(match self.encoding {
            // The lowest bits of the two's complement of 128 bits are those of any shorter one.
            Encoding::Unsigned | Encoding::TwosComplement => number as u64 & self.mask(),
            Encoding::OnesComplement if number < 0 => !(number.unsigned_abs() as u64) & self.mask(),
            Encoding::SignMagnitude if number < 0 => number.unsigned_abs() as u64 | 1 << (self.bits - 1),
            Encoding::OnesComplement | Encoding::SignMagnitude => number as u64,
            Encoding::PackedBcd => from_digits(number, 4),
            Encoding::UnpackedBcd => from_digits(number, 8),
            Encoding::Float => return None,
        })
    }

    /// Least and greatest whole number that the bits can write; `None` for floats.
    pub(crate) fn whole_limits(&self) -> Option<(i128, i128)> {
        let decimal = |n_digits: u32| 10i128.pow(n_digits) - 1;
        Some(match self.encoding {
            Encoding::Unsigned => (0, i128::from(self.mask())),
            Encoding::TwosComplement => (-(1 << (self.bits - 1)), i128::from(self.mask() >> 1)),
            Encoding::OnesComplement | Encoding::SignMagnitude => {
                (-i128::from(self.mask() >> 1), i128::from(self.mask() >> 1))
            }
            Encoding::PackedBcd => (0, decimal(self.bits / 4)),
            Encoding::UnpackedBcd => (0, decimal(self.bits / 8)),
            Encoding::Float => return None,
        })
    }

    /// Whether the bits can write a whole number.
    #[must_use]
    pub fn holds(&self, raw: i128) -> bool {
        self.whole_limits().is_none_or(|(low, high)| (low..=high).contains(&raw))
    }

    /// Writes a number over its bits in `data`, which is made long enough; `None`, and nothing is written, if the bits
    /// cannot hold it.
    #[must_use]
    pub fn write(&self, raw: Raw, data: &mut Vec<u8>) -> Option<()> {
        let number = self.unsigned_from_raw(raw)?;
        let end = self.end();
        if data.len() < end {
            data.resize(end, 0);
        }
        let (mut value, mut mask) = (u128::from(number) << self.bit, u128::from(self.mask()) << self.bit);
        let bytes = data.get_mut(self.byte..end)?;
        let mut put = |byte: &mut u8| {
            *byte = *byte & !(mask as u8) | value as u8;
            (value, mask) = (value >> 8, mask >> 8);
        };
        if self.little_endian {
            bytes.iter_mut().for_each(&mut put);
        } else {
            bytes.iter_mut().rev().for_each(&mut put);
        }
        Some(())
    }
}

/// The decimal number whose digits take `step` bits each; `None` if one is above 9.
fn digits(number: u64, bits: u32, step: u32) -> Option<i128> {
    (0..bits / step).rev().try_fold(0i128, |sum, idx| {
        let digit = number >> (idx * step) & ((1 << step) - 1);
        (digit <= 9).then(|| sum * 10 + i128::from(digit))
    })
}

fn from_digits(mut number: i128, step: u32) -> u64 {
    let (mut bits, mut shift) = (0u64, 0);
    while number > 0 && shift < 64 {
        bits |= ((number % 10) as u64) << shift;
        (number, shift) = (number / 10, shift + step);
    }
    bits
}

#[cfg(test)]
mod tests {
    use super::*;

    fn bits(byte: usize, bit: u32, bits: u32) -> Bits {
        Bits { byte, bit, bits, little_endian: false, encoding: Encoding::Unsigned }
    }

    #[test]
    fn bits_are_found_in_either_byte_order() {
        let data = [0x12, 0x34, 0x56, 0x78];
        let whole = |number| Some(Raw::Whole(number));
        assert_eq!(bits(0, 0, 16).raw(&data), whole(0x1234));
        assert_eq!(Bits { little_endian: true, ..bits(0, 0, 16) }.raw(&data), whole(0x3412));
        assert_eq!(bits(1, 4, 4).raw(&data), whole(3));
        assert_eq!(bits(1, 4, 12).raw(&data), whole(0x345));
        assert_eq!(Bits { little_endian: true, ..bits(1, 4, 12) }.raw(&data), whole(0x563));
        assert_eq!(bits(0, 0, 32).raw(&data), whole(0x1234_5678));
        assert_eq!(bits(3, 0, 9).raw(&data), None);
        assert_eq!(bits(0, 3, 64).raw(&[0xFF; 9]), whole(i128::from(u64::MAX)));
    }

    #[test]
    fn encodings_of_any_width() {
        let of = |encoding, n, data: &[u8]| Bits { encoding, ..bits(0, 0, n) }.raw(data);
        let whole = |number| Some(Raw::Whole(number));
        assert_eq!(of(Encoding::TwosComplement, 16, &[0xFF, 0x38]), whole(-200));
        assert_eq!(of(Encoding::TwosComplement, 16, &[0x7F, 0xFF]), whole(32767));
        assert_eq!(of(Encoding::TwosComplement, 12, &[0xF8, 0x00]), whole(-2048));
        assert_eq!(of(Encoding::TwosComplement, 1, &[0x01]), whole(-1));
        assert_eq!(of(Encoding::TwosComplement, 32, &[0x80, 0, 0, 0]), whole(-2_147_483_648));
        assert_eq!(of(Encoding::OnesComplement, 8, &[0xFE]), whole(-1));
        assert_eq!(of(Encoding::SignMagnitude, 8, &[0x81]), whole(-1));
        assert_eq!(of(Encoding::PackedBcd, 16, &[0x12, 0x34]), whole(1234));
        assert_eq!(of(Encoding::PackedBcd, 16, &[0x1A, 0x34]), None);
        assert_eq!(of(Encoding::UnpackedBcd, 16, &[0x01, 0x09]), whole(19));
        assert_eq!(of(Encoding::Float, 32, &[0x3F, 0xC0, 0, 0]), Some(Raw::Real(1.5)));
    }

    proptest::proptest! {
        #[test]
        fn any_data_gives_a_number_that_the_bits_hold_and_write_back(
            data in proptest::collection::vec(proptest::num::u8::ANY, 0..20), byte in 0usize..12, bit in 0u32..8,
            n in 1u32..=64, little_endian: bool, kind in 0usize..7,
        ) {
            use Encoding::*;
            let encoding =
                [Unsigned, TwosComplement, OnesComplement, SignMagnitude, PackedBcd, UnpackedBcd, Float][kind];
            let bits = Bits { little_endian, encoding, ..bits(byte, bit, n) };
            if bits.is_sound() && let Some(raw) = bits.raw(&data) {
                if let Raw::Whole(number) = raw {
                    proptest::prop_assert!(bits.holds(number));
                }
                let mut again = data.clone();
                bits.write(raw, &mut again).unwrap();
                if matches!(encoding, Unsigned | TwosComplement | PackedBcd | UnpackedBcd) {
                    proptest::prop_assert_eq!(&again, &data);
                }
                // A quiet NaN may lose its payload, a negative zero its sign.
                let back = bits.raw(&again).unwrap();
                proptest::prop_assert!(back == raw || back.number().is_nan() && raw.number().is_nan());
            }
        }
    }
}
