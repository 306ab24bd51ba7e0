//! From raw numbers to physical ones and back, in the terms of ISO 22901-1 (computational methods).
//!
//! There is no formula language: a conversion is linear, rational, a function by ranges, or an interpolated table, and
//! states have texts. Source of the categories: ISO 22901-1:2008, 7.3.6.6 (clause from memory).

/// A stretch of numbers, with or without its ends.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Interval {
    /// Lower end; negative infinity for none.
    pub low: f64,
    /// Upper end; infinity for none.
    pub high: f64,
    /// Whether the lower end itself is outside.
    pub low_is_open: bool,
    /// Whether the upper end itself is outside.
    pub high_is_open: bool,
}

impl Interval {
    /// Everything.
    pub const ALL: Self = Self::new(f64::NEG_INFINITY, f64::INFINITY);

    /// From `low` to `high`, both within.
    #[must_use]
    pub const fn new(low: f64, high: f64) -> Self {
        Self { low, high, low_is_open: false, high_is_open: false }
    }

    /// Whether a number lies within.
    #[must_use]
    pub fn contains(&self, number: f64) -> bool {
        let above = if self.low_is_open { number > self.low } else { number >= self.low };
        let below = if self.high_is_open { number < self.high } else { number <= self.high };
        above && below
    }
}

/// A quotient of two polynomials, coefficients from the constant up; an empty denominator is 1.
#[derive(Debug, Clone, PartialEq)]
pub struct Quotient {
    /// Coefficients above the line.
    pub numerator: Vec<f64>,
    /// Coefficients below it.
    pub denominator: Vec<f64>,
}

impl Quotient {
    /// Its value; `None` where the denominator is 0.
    #[must_use]
    pub fn at(&self, x: f64) -> Option<f64> {
        let sum = |coefficients: &[f64]| coefficients.iter().rev().fold(0.0, |sum, coefficient| sum * x + coefficient);
        let below = if self.denominator.is_empty() { 1.0 } else { sum(&self.denominator) };
        (below != 0.0).then(|| sum(&self.numerator) / below)
    }

    /// The x at which a quotient of two polynomials of first degree at most has a value; `None` for others, and where
    /// no x or every x has it.
    fn solve(&self, y: f64) -> Option<f64> {
        let [v0, v1] = first_degree(&self.numerator)?;
        let [d0, d1] = if self.denominator.is_empty() { [1.0, 0.0] } else { first_degree(&self.denominator)? };
        // y (d0 + d1 x) = v0 + v1 x
        let slope = v1 - y * d1;
        (slope != 0.0).then(|| (y * d0 - v0) / slope)
    }
}

fn first_degree(coefficients: &[f64]) -> Option<[f64; 2]> {
    let is_first = coefficients.iter().skip(2).all(|coefficient| *coefficient == 0.0);
    let at = |idx: usize| coefficients.get(idx).copied().unwrap_or(0.0);
    is_first.then(|| [at(0), at(1)])
}

/// One range of a conversion by ranges.
#[derive(Debug, Clone, PartialEq)]
pub struct Piece {
    /// The raw numbers that it is for.
    pub raw: Interval,
    /// What becomes of them.
    pub quotient: Quotient,
    /// The raw number that is written for the value of a constant piece.
    pub inverse: Option<f64>,
}

/// How a raw number becomes a physical one.
#[derive(Debug, Clone, PartialEq)]
pub enum Conversion {
    /// `raw * multiply / divide + offset`.
    Linear {
        /// Factor.
        multiply: f64,
        /// Divisor, not 0.
        divide: f64,
        /// What is added in the end.
        offset: f64,
    },
    /// A quotient of polynomials of the raw number.
    Rational(Quotient),
    /// The first range that holds the raw number says what becomes of it; outside all of them there is no value.
    Pieces(Vec<Piece>),
    /// Straight lines between points (raw, physical), raw numbers increasing; outside the first and last one there is
    /// no value.
    Table(Vec<(f64, f64)>),
}

impl Conversion {
    /// The raw number as it is.
    pub const IDENTICAL: Self = Self::Linear { multiply: 1.0, divide: 1.0, offset: 0.0 };

    /// The physical number; `None` where the conversion has none.
    ///
    /// ```
    /// use definition::Conversion;
    /// // A temperature sensor by its curve: 40 degrees at 112, 80 at 48; half way between them 60.
    /// let curve = Conversion::Table(vec![(48.0, 80.0), (112.0, 40.0)]);
    /// assert_eq!(curve.physical_from_raw(80.0), Some(60.0));
    /// assert_eq!(curve.physical_from_raw(113.0), None);
    /// ```
    #[must_use]
    pub fn physical_from_raw(&self, raw: f64) -> Option<f64> {
        let value = match self {
            Self::Linear { multiply, divide, offset } => raw * multiply / divide + offset,
            Self::Rational(quotient) => quotient.at(raw)?,
            Self::Pieces(pieces) => pieces.iter().find(|piece| piece.raw.contains(raw))?.quotient.at(raw)?,
            Self::Table(points) => between(points.iter().copied(), raw)?,
        };
        value.is_finite().then_some(value)
    }

    /// A raw number that has this physical one, not yet rounded; `None` where there is none or it cannot be told.
    ///
    /// A quotient whose polynomials are above the first degree is not turned round.
    #[must_use]
    pub fn raw_from_physical(&self, value: f64) -> Option<f64> {
        let raw = match self {
            Self::Linear { multiply, divide, offset } => (value - offset) * divide / multiply,
            Self::Rational(quotient) => quotient.solve(value)?,
            Self::Pieces(pieces) => pieces.iter().find_map(|piece| match piece.quotient.solve(value) {
                // Room for rounding at the ends of a range.
                Some(raw) => {
                    let near = |end: f64| (raw - end).abs() <= 1e-9 * end.abs().max(1.0);
                    (piece.raw.contains(raw) || near(piece.raw.low) || near(piece.raw.high)).then_some(raw)
                }
                None if piece.quotient.at(piece.raw.low.max(f64::MIN)) == Some(value) => {
                    piece.inverse.or_else(|| piece.raw.low.is_finite().then_some(piece.raw.low))
                }
                None => None,
            })?,
            Self::Table(points) => {
                // The curve may fall: look at each of its lines.
                points.windows(2).find_map(|pair| {
                    let turned = |(raw, physical): (f64, f64)| (physical, raw);
                    let (a, b) = (turned(pair[0]), turned(pair[1]));
                    between(if a.0 <= b.0 { [a, b] } else { [b, a] }.into_iter(), value)
                })?
            }
        };
        raw.is_finite().then_some(raw)
    }

    /// What is wrong with it: numbers that are none, a division by 0, ranges or points that are out of order.
    #[must_use]
    pub fn problem(&self) -> Option<&'static str> {
        let all_finite = |numbers: &[f64]| numbers.iter().all(|number| number.is_finite());
        let is_sound = |quotient: &Quotient| {
            all_finite(&quotient.numerator)
                && all_finite(&quotient.denominator)
                && !quotient.numerator.is_empty()
                && (quotient.denominator.is_empty() || quotient.denominator.iter().any(|number| *number != 0.0))
        };
        const QUOTIENT: &str = "a quotient needs finite coefficients above the line, and below it one other than 0";
        match self {
            Self::Linear { multiply, divide, offset } => {
                let usable = |number: f64| number.is_finite() && number != 0.0;
                let is_usable = usable(*multiply) && usable(*divide) && offset.is_finite();
                (!is_usable).then_some("multiply and divide must be numbers other than 0, and offset a number")
            }
            Self::Rational(quotient) => (!is_sound(quotient)).then_some(QUOTIENT),
            Self::Pieces(pieces) if pieces.is_empty() => Some("a conversion by ranges needs a range"),
            Self::Pieces(pieces) => {
                // Written so that NaN is refused too.
                if pieces
                    .iter()
                    .any(|piece| !matches!(piece.raw.low.partial_cmp(&piece.raw.high), Some(order) if order.is_le()))
                {
                    return Some("a range ends before it begins");
                }
                pieces.iter().any(|piece| !is_sound(&piece.quotient)).then_some(QUOTIENT)
            }
            Self::Table(points) => {
                let rise = |pair: &[(f64, f64)]| pair[0].0 < pair[1].0;
                let is_sound = points.len() >= 2
                    && points.iter().all(|(raw, physical)| raw.is_finite() && physical.is_finite())
                    && points.windows(2).all(rise);
                (!is_sound).then_some("a table needs two points or more, their raw numbers finite and increasing")
            }
        }
    }
}

/// The straight line between the two points around `x`.
fn between(points: impl Iterator<Item = (f64, f64)>, x: f64) -> Option<f64> {
    let mut previous: Option<(f64, f64)> = None;
    for (x1, y1) in points {
        if x == x1 {
            return Some(y1);
        }
        if x < x1 {
            let (x0, y0) = previous?;
            return Some(y0 + (y1 - y0) * (x - x0) / (x1 - x0));
        }
        previous = Some((x1, y1));
    }
    None
}

/// The text of raw numbers that stand for a state.
#[derive(Debug, Clone, PartialEq)]
pub struct StateText {
    /// The raw numbers.
    pub raw: Interval,
    /// Their text.
    pub text: String,
}

#[cfg(test)]
mod tests {
    use super::*;

    fn quotient(numerator: &[f64], denominator: &[f64]) -> Quotient {
        Quotient { numerator: numerator.to_vec(), denominator: denominator.to_vec() }
    }

    #[test]
    fn worked_conversions_both_ways() {
        let linear = Conversion::Linear { multiply: 1.0, divide: 2.0, offset: -40.0 };
        let rational = Conversion::Rational(quotient(&[10.0, 1.0], &[0.0, 2.0]));
        let pieces = Conversion::Pieces(vec![
            Piece { raw: Interval::new(0.0, 100.0), quotient: quotient(&[0.0, 1.0], &[]), inverse: None },
            Piece {
                raw: Interval { low_is_open: true, ..Interval::new(100.0, 200.0) },
                quotient: quotient(&[-900.0, 10.0], &[]),
                inverse: None,
            },
            Piece { raw: Interval::new(255.0, 255.0), quotient: quotient(&[-1.0], &[]), inverse: Some(255.0) },
        ]);
        let table = Conversion::Table(vec![(0.0, 150.0), (128.0, 40.0), (255.0, -40.0)]);
        for (conversion, raw, value) in [
            (&linear, 164.0, 42.0),
            (&rational, 5.0, 1.5),
            (&pieces, 100.0, 100.0),
            (&pieces, 150.0, 600.0),
            (&pieces, 255.0, -1.0),
            (&table, 64.0, 95.0),
            (&table, 255.0, -40.0),
        ] {
            assert_eq!(conversion.physical_from_raw(raw), Some(value), "{conversion:?}");
            assert_eq!(conversion.raw_from_physical(value), Some(raw), "{conversion:?}");
            assert_eq!(conversion.problem(), None);
        }
        assert_eq!(pieces.physical_from_raw(201.0), None);
        assert_eq!(rational.physical_from_raw(0.0), None, "a division by 0 is no value");
        assert_eq!(table.physical_from_raw(-1.0), None);
        assert_eq!(table.raw_from_physical(151.0), None);
    }

    #[test]
    fn what_cannot_convert_says_so() {
        for conversion in [
            Conversion::Linear { multiply: 0.0, divide: 1.0, offset: 0.0 },
            Conversion::Rational(quotient(&[], &[])),
            Conversion::Rational(quotient(&[1.0], &[0.0])),
            Conversion::Pieces(Vec::new()),
            Conversion::Pieces(vec![Piece {
                raw: Interval::new(1.0, 0.0),
                quotient: quotient(&[1.0], &[]),
                inverse: None,
            }]),
            Conversion::Table(vec![(0.0, 1.0)]),
            Conversion::Table(vec![(0.0, 1.0), (0.0, 2.0)]),
            Conversion::Table(vec![(0.0, f64::NAN), (1.0, 2.0)]),
        ] {
            assert!(conversion.problem().is_some(), "{conversion:?}");
        }
    }

    proptest::proptest! {
        #[test]
        fn a_falling_or_rising_curve_is_turned_round(raw in 0.0f64..300.0, step in -50.0f64..50.0) {
            let points = (0..4u8).map(|k| (f64::from(k) * 100.0, f64::from(k) * step)).collect();
            let table = Conversion::Table(points);
            let value = table.physical_from_raw(raw).unwrap();
            let back = table.raw_from_physical(value).unwrap();
            proptest::prop_assert!(step.abs() < 1e-3 || (back - raw).abs() < 1e-6, "{} {} {}", raw, value, back);
        }
    }
}
