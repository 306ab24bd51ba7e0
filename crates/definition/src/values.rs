//! The keys of a maker's file that say where a value lies and what its numbers mean.

use std::collections::BTreeMap;

use serde::Deserialize;
use toml::Spanned;

use crate::bits::{Bits, Encoding};
use crate::coded::Coded;
use crate::conversion::{Conversion, Interval, Piece, Quotient, StateText};
use crate::error::{DefinitionError, FileProblem, Place};

#[derive(Deserialize, Default, Clone, Copy, PartialEq)]
#[serde(rename_all = "lowercase")]
pub(crate) enum ByteOrder {
    #[default]
    Big,
    Little,
}

#[derive(Deserialize, Clone, Copy)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum EncodingRow {
    Unsigned,
    Signed,
    OnesComplement,
    SignMagnitude,
    Bcd,
    UnpackedBcd,
    Float,
}

#[derive(Deserialize, Clone)]
#[serde(deny_unknown_fields)]
pub(crate) struct RationalRow {
    numerator: Vec<f64>,
    denominator: Vec<f64>,
}

#[derive(Deserialize, Clone)]
#[serde(deny_unknown_fields)]
pub(crate) struct RangeRow {
    from: Option<f64>,
    to: Option<f64>,
    multiply: Option<f64>,
    divide: Option<f64>,
    offset: Option<f64>,
    rational: Option<RationalRow>,
}

/// Declares a row that has the keys of a value beside its own, and how its value is read.
///
/// The rows share their keys this way because the reader of TOML cannot refuse unknown keys of flattened rows.
macro_rules! row_with_value {
    ($(#[$about:meta])* $vis:vis struct $name:ident { $($fields:tt)* }) => {
        $(#[$about])*
        #[derive(serde::Deserialize)]
        #[serde(deny_unknown_fields)]
        $vis struct $name {
            $($fields)*
            #[serde(default)]
            bit: u32,
            #[serde(default = "crate::values::eight")]
            bits: u32,
            #[serde(default)]
            byte_order: crate::values::ByteOrder,
            #[serde(default)]
            signed: bool,
            encoding: Option<crate::values::EncodingRow>,
            multiply: Option<f64>,
            divide: Option<f64>,
            offset: Option<f64>,
            rational: Option<crate::values::RationalRow>,
            #[serde(default)]
            ranges: Vec<crate::values::RangeRow>,
            #[serde(default)]
            table: Vec<(f64, f64)>,
            #[serde(default)]
            invalid: Vec<toml::Spanned<i64>>,
            #[serde(default)]
            texts: std::collections::BTreeMap<toml::Spanned<String>, String>,
        }

        impl $name {
            /// The keys of the value, which starts in `byte`.
            fn value_keys(&self, byte: usize) -> crate::values::ValueKeys<'_> {
                crate::values::ValueKeys {
                    byte,
                    bit: self.bit,
                    bits: self.bits,
                    byte_order: self.byte_order,
                    signed: self.signed,
                    encoding: self.encoding,
                    linear: [self.multiply, self.divide, self.offset],
                    rational: self.rational.as_ref(),
                    ranges: &self.ranges,
                    table: &self.table,
                    invalid: &self.invalid,
                    texts: &self.texts,
                }
            }
        }
    };
}
pub(crate) use row_with_value;

pub(crate) const fn eight() -> u32 {
    8
}

/// What a row says of its value.
pub(crate) struct ValueKeys<'r> {
    pub(crate) byte: usize,
    pub(crate) bit: u32,
    pub(crate) bits: u32,
    pub(crate) byte_order: ByteOrder,
    pub(crate) signed: bool,
    pub(crate) encoding: Option<EncodingRow>,
    /// Factor, divisor and what is added.
    pub(crate) linear: [Option<f64>; 3],
    pub(crate) rational: Option<&'r RationalRow>,
    pub(crate) ranges: &'r [RangeRow],
    pub(crate) table: &'r [(f64, f64)],
    pub(crate) invalid: &'r [Spanned<i64>],
    pub(crate) texts: &'r BTreeMap<Spanned<String>, String>,
}

impl ValueKeys<'_> {
    /// The value, which must lie within `n_bytes`; `at` is where errors are said to be.
    pub(crate) fn coded(
        &self,
        place: &Place<'_>,
        n_bytes: usize,
        at: &std::ops::Range<usize>,
    ) -> Result<Coded, DefinitionError> {
        let wrong = |problem| place.error(at.clone(), problem);
        let &Self { byte, bit, bits, .. } = self;
        let encoding = match self.encoding {
            Some(_) if self.signed => return Err(wrong(FileProblem::Encoding)),
            Some(EncodingRow::Unsigned) => Encoding::Unsigned,
            Some(EncodingRow::Signed) => Encoding::TwosComplement,
            Some(EncodingRow::OnesComplement) => Encoding::OnesComplement,
            Some(EncodingRow::SignMagnitude) => Encoding::SignMagnitude,
            Some(EncodingRow::Bcd) => Encoding::PackedBcd,
            Some(EncodingRow::UnpackedBcd) => Encoding::UnpackedBcd,
            Some(EncodingRow::Float) => Encoding::Float,
            None if self.signed => Encoding::TwosComplement,
            None => Encoding::Unsigned,
        };
        let place_of = Bits { byte, bit, bits, little_endian: self.byte_order == ByteOrder::Little, encoding };
        if bit > 7 || !(1..=64).contains(&bits) {
            return Err(wrong(FileProblem::Bits { bit, bits }));
        }
        // Before the encoding, so that a byte beyond all memory is named as what it is.
        if place_of.end() > n_bytes {
            return Err(wrong(FileProblem::OutsideData { byte, bit, bits, length: n_bytes }));
        }
        if !place_of.is_sound() {
            return Err(wrong(FileProblem::Encoding));
        }
        let conversion = self.conversion().ok_or_else(|| wrong(FileProblem::ConversionKeys))?;
        if let Some(problem) = conversion.problem() {
            return Err(wrong(FileProblem::Scaling(problem)));
        }
        let held = |raw: i64, at| {
            if place_of.holds(raw.into()) { Ok(raw) } else { Err(place.error(at, FileProblem::Raw { raw, bits })) }
        };
        let invalid = self.invalid.iter().map(|raw| held(*raw.get_ref(), raw.span())).collect::<Result<_, _>>()?;
        let texts = self.texts.iter().map(|(raw, text)| {
            let whole = |number: &str| {
                let wrong = || {
                    let what = format!("`{}` is no whole number", number.escape_debug());
                    place.error(raw.span(), FileProblem::Format(what))
                };
                held(number.trim().parse().map_err(|_| wrong())?, raw.span())
            };
            let (low, high) = match raw.get_ref().split_once("..") {
                Some((low, high)) => (whole(low)?, whole(high)?),
                None => (whole(raw.get_ref())?, whole(raw.get_ref())?),
            };
            if low > high {
                return Err(place.error(raw.span(), FileProblem::Limits(format!("{low} .. {high}"))));
            }
            Ok(StateText { raw: Interval::new(low as f64, high as f64), text: text.clone() })
        });
        let texts = texts.collect::<Result<_, _>>()?;
        Ok(Coded { bits: place_of, conversion, convert: None, invalid, texts })
    }

    /// The one conversion that the keys give; `None` for several.
    fn conversion(&self) -> Option<Conversion> {
        let is_linear = self.linear.iter().any(Option::is_some);
        let linear = |[multiply, divide, offset]: [Option<f64>; 3]| Conversion::Linear {
            multiply: multiply.unwrap_or(1.0),
            divide: divide.unwrap_or(1.0),
            offset: offset.unwrap_or(0.0),
        };
        let quotient =
            |row: &RationalRow| Quotient { numerator: row.numerator.clone(), denominator: row.denominator.clone() };
        match (is_linear, self.rational, self.ranges, self.table) {
            (_, None, [], []) => Some(linear(self.linear)),
            (false, Some(row), [], []) => Some(Conversion::Rational(quotient(row))),
            (false, None, [], points) => Some(Conversion::Table(points.to_vec())),
            (false, None, rows, []) => {
                let pieces = rows.iter().map(|row| {
                    let own = [row.multiply, row.divide, row.offset];
                    let quotient = match (&row.rational, own.iter().any(Option::is_some)) {
                        (Some(rational), false) => quotient(rational),
                        (Some(_), true) => return None,
                        // (raw * multiply + offset * divide) / divide
                        (None, _) => {
                            let (divide, offset) = (row.divide.unwrap_or(1.0), row.offset.unwrap_or(0.0));
                            let numerator = vec![offset * divide, row.multiply.unwrap_or(1.0)];
                            Quotient { numerator, denominator: vec![divide] }
                        }
                    };
                    let ends = (row.from.unwrap_or(f64::NEG_INFINITY), row.to.unwrap_or(f64::INFINITY));
                    Some(Piece { raw: Interval::new(ends.0, ends.1), quotient, inverse: None })
                });
                pieces.collect::<Option<_>>().map(Conversion::Pieces)
            }
            _ => None,
        }
    }
}
