//! A value somewhere in a module's data: where its bits are and what they mean.

/// Place and meaning of one value.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Bits {
    /// First byte, from 0.
    pub(crate) byte: usize,
    /// Lowest bit, 0 to 7, in the whole number that the bytes make.
    pub(crate) bit: u32,
    /// Number of bits, 1 to 32.
    pub(crate) bits: u32,
    /// Least significant byte first.
    pub(crate) little_endian: bool,
    /// Two's complement.
    pub(crate) signed: bool,
    /// `raw * multiply / divide + offset`.
    pub(crate) multiply: f64,
    /// See `multiply`.
    pub(crate) divide: f64,
    /// See `multiply`.
    pub(crate) offset: f64,
    /// Unit of the file, and the signal's own, where they differ.
    pub(crate) convert: Option<(signal::Unit, signal::Unit)>,
    /// Raw values that mean "no value".
    pub(crate) invalid: Vec<i64>,
    /// Texts of raw values.
    pub(crate) texts: Vec<(i64, String)>,
}

impl Bits {
    /// How many bytes it reaches over.
    pub(crate) fn n_bytes(&self) -> usize {
        (self.bit + self.bits).div_ceil(8) as usize
    }

    /// The raw value; `None` when the data ends before it.
    pub(crate) fn raw(&self, data: &[u8]) -> Option<i64> {
        let bytes = data.get(self.byte..self.byte.checked_add(self.n_bytes())?)?;
        let join = |number: u64, byte: &u8| number << 8 | u64::from(*byte);
        let number = if self.little_endian { bytes.iter().rev().fold(0, join) } else { bytes.iter().fold(0, join) };
        // At most 40 bits were joined, so that bit 63 is the sign after the first shift.
        let unused = 64 - self.bits;
        let top = number >> self.bit << unused;
        Some(if self.signed { top.cast_signed() >> unused } else { (top >> unused).cast_signed() })
    }

    /// The value in the signal's unit; `None` for a raw value that means none.
    pub(crate) fn physical(&self, raw: i64) -> Option<f64> {
        if self.invalid.contains(&raw) {
            return None;
        }
        let value = raw as f64 * self.multiply / self.divide + self.offset;
        match &self.convert {
            Some((from, to)) => from.convert(value, to),
            None => Some(value),
        }
    }

    /// The raw value nearest to a value in the signal's unit; `None` when the bits cannot hold it.
    pub(crate) fn raw_from_phys(&self, value: f64) -> Option<i64> {
        let own = match &self.convert {
            Some((from, to)) => to.convert(value, from)?,
            None => value,
        };
        let raw = ((own - self.offset) * self.divide / self.multiply).round();
        // Wider than 32 bits is refused where the definition is read, so that the cast is exact.
        let raw = (raw.abs() < 9e15).then_some(raw as i64)?;
        self.holds(raw).then_some(raw)
    }

    /// Puts a raw value into its bits of `data`, and leaves all other bits; `None` when the data is too short.
    pub(crate) fn write(&self, raw: i64, data: &mut [u8]) -> Option<()> {
        let bytes = data.get_mut(self.byte..self.byte.checked_add(self.n_bytes())?)?;
        let mask = u64::MAX >> (64 - self.bits) << self.bit;
        let mut number = raw.cast_unsigned() << self.bit & mask;
        let mut mask = mask;
        let order: &mut dyn Iterator<Item = &mut u8> =
            if self.little_endian { &mut bytes.iter_mut() } else { &mut bytes.iter_mut().rev() };
        for byte in order {
            *byte = *byte & !(mask as u8) | number as u8;
            (mask, number) = (mask >> 8, number >> 8);
        }
        Some(())
    }

    /// The text of a raw value.
    pub(crate) fn text(&self, raw: i64) -> Option<&str> {
        self.texts.iter().find(|(value, _)| *value == raw).map(|(_, text)| text.as_str())
    }

    /// Whether the bits can hold a raw value.
    pub(crate) fn holds(&self, raw: i64) -> bool {
        let (low, high) = if self.signed {
            (-(1i64 << (self.bits - 1)), (1i64 << (self.bits - 1)) - 1)
        } else {
            (0, (1i64 << self.bits) - 1)
        };
        (low..=high).contains(&raw)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn bits(byte: usize, bit: u32, bits: u32) -> Bits {
        Bits {
            byte,
            bit,
            bits,
            little_endian: false,
            signed: false,
            multiply: 1.0,
            divide: 1.0,
            offset: 0.0,
            convert: None,
            invalid: Vec::new(),
            texts: Vec::new(),
        }
    }

    #[test]
    fn bits_are_found_in_either_byte_order() {
        let data = [0x12, 0x34, 0x56, 0x78];
        assert_eq!(bits(0, 0, 16).raw(&data), Some(0x1234));
        assert_eq!(Bits { little_endian: true, ..bits(0, 0, 16) }.raw(&data), Some(0x3412));
        assert_eq!(bits(1, 4, 4).raw(&data), Some(3));
        assert_eq!(bits(1, 4, 12).raw(&data), Some(0x345));
        assert_eq!(Bits { little_endian: true, ..bits(1, 4, 12) }.raw(&data), Some(0x563));
        assert_eq!(bits(0, 0, 32).raw(&data), Some(0x1234_5678));
        assert_eq!(bits(3, 0, 9).raw(&data), None);
    }

    #[test]
    fn signed_values_of_any_width() {
        let signed = |n, data: &[u8]| Bits { signed: true, ..bits(0, 0, n) }.raw(data);
        assert_eq!(signed(16, &[0xFF, 0x38]), Some(-200));
        assert_eq!(signed(16, &[0x7F, 0xFF]), Some(32767));
        assert_eq!(signed(12, &[0xF8, 0x00]), Some(-2048));
        assert_eq!(signed(1, &[0x01]), Some(-1));
        assert_eq!(signed(32, &[0x80, 0, 0, 0]), Some(-2_147_483_648));
    }

    proptest::proptest! {
        #[test]
        fn a_written_value_reads_back_and_leaves_the_rest(
            before: [u8; 6], byte in 0usize..6, bit in 0u32..8, n in 1u32..=32, little_endian: bool, signed: bool, seed: i64,
        ) {
            let bits = Bits { little_endian, signed, ..bits(byte, bit, n) };
            let Some(old) = bits.raw(&before) else { return Ok(()) };
            let low = if signed { -(1i64 << (n - 1)) } else { 0 };
            let raw = low + seed.rem_euclid(1i64 << n);
            let mut data = before;
            bits.write(raw, &mut data).unwrap();
            proptest::prop_assert_eq!(bits.raw(&data), Some(raw));
            bits.write(old, &mut data).unwrap();
            proptest::prop_assert_eq!(data, before);
        }

        #[test]
        fn a_value_goes_to_the_nearest_raw_one(raw in 0i64..256, multiply in 1u32..50, divide in 1u32..50, offset in -40i32..40) {
            let bits = Bits { multiply: multiply.into(), divide: divide.into(), offset: offset.into(), ..bits(0, 0, 8) };
            proptest::prop_assert_eq!(bits.raw_from_phys(bits.physical(raw).unwrap()), Some(raw));
            proptest::prop_assert_eq!(bits.raw_from_phys(bits.physical(255).unwrap() + f64::from(multiply)), None);
        }

        #[test]
        fn any_data_gives_a_raw_value_that_the_bits_can_hold(
            data: Vec<u8>, byte in 0usize..12, bit in 0u32..8, n in 1u32..=32, little_endian: bool, signed: bool,
        ) {
            let bits = Bits { little_endian, signed, ..bits(byte, bit, n) };
            if let Some(raw) = bits.raw(&data) {
                proptest::prop_assert!(bits.holds(raw));
            }
        }
    }
}
