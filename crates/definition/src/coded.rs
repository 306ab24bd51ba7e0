//! A value somewhere in a module's data: where its bits are and what they mean.

use signal::Unit;

use crate::bits::{Bits, Encoding, Raw};
use crate::conversion::{Conversion, StateText};

/// Place and meaning of one value.
#[derive(Debug, Clone, PartialEq)]
pub struct Coded {
    /// Where it is.
    pub bits: Bits,
    /// From raw to the unit of the file.
    pub conversion: Conversion,
    /// Unit of the file, and the signal's own, where they differ.
    pub convert: Option<(Unit, Unit)>,
    /// Raw values that mean "no value".
    pub invalid: Vec<i64>,
    /// Texts of raw values.
    pub texts: Vec<StateText>,
}

impl Coded {
    /// An unconverted value in these bits.
    #[must_use]
    pub fn plain(bits: Bits) -> Self {
        Self { bits, conversion: Conversion::IDENTICAL, convert: None, invalid: Vec::new(), texts: Vec::new() }
    }

    /// The value in the signal's unit; `None` for a raw value that means none, and where the conversion has none.
    #[must_use]
    pub fn physical_from_raw(&self, raw: Raw) -> Option<f64> {
        if let Raw::Whole(whole) = raw
            && self.invalid.iter().any(|invalid| i128::from(*invalid) == whole)
        {
            return None;
        }
        let value = self.conversion.physical_from_raw(raw.number())?;
        match &self.convert {
            Some((from, to)) => from.convert(value, to),
            None => Some(value),
        }
    }

    /// The raw value nearest to a value in the signal's unit; `None` if the bits or the conversion cannot write it.
    #[must_use]
    pub fn raw_from_physical(&self, value: f64) -> Option<Raw> {
        let value = match &self.convert {
            Some((own, unit)) => unit.convert(value, own)?,
            None => value,
        };
        let raw = self.conversion.raw_from_physical(value)?;
        if self.bits.encoding == Encoding::Float {
            return Some(Raw::Real(raw));
        }
        // Beyond 64 bits nothing is held anyway.
        let whole = if raw.abs() < 1e20 { raw.round() as i128 } else { return None };
        self.bits.holds(whole).then_some(Raw::Whole(whole))
    }

    /// Writes a value in the signal's unit over its bits; `None`, and nothing is written, if that cannot be.
    #[must_use]
    pub fn write(&self, value: f64, data: &mut Vec<u8>) -> Option<()> {
        self.bits.write(self.raw_from_physical(value)?, data)
    }

    /// The text of the value in the data, where there is one.
    #[must_use]
    pub fn text(&self, data: &[u8]) -> Option<&str> {
        let raw = self.bits.raw(data)?.number();
        self.texts.iter().find(|state| state.raw.contains(raw)).map(|state| state.text.as_str())
    }
}
