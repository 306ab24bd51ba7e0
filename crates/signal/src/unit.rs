//! Units and conversions between them.

use std::fmt;
use std::sync::Arc;

/// A unit of measurement, by its symbol.
///
/// The symbols of the catalogue and their usual spellings are known and can be converted; any other text is kept as it
/// is and converts to nothing but itself.
#[derive(Clone, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Unit(Arc<str>);

/// A known unit: `value_in_base = value * scale + offset`.
struct Row {
    symbol: &'static str,
    spellings: &'static [&'static str],
    /// Symbol of the unit that the whole family is converted through.
    base: &'static str,
    scale: f64,
    offset: f64,
}

const fn row(
    symbol: &'static str,
    spellings: &'static [&'static str],
    base: &'static str,
    scale: f64,
    offset: f64,
) -> Row {
    Row { symbol, spellings, base, scale, offset }
}

/// Factors that are exact by definition: mile 1609.344 m, pound 453.59237 g, pound-force per square inch 6.894757293168 kPa
/// (international pound and inch, standard gravity), US gallon not used; and the conventional inch of mercury, 3.386389 kPa.
/// Source: NIST SP 811 (2008), appendix B.8, from memory.
const ROWS: &[Row] = &[
    row("rpm", &["1/min", "min-1", "r/min", "rev/min"], "rpm", 1.0, 0.0),
    row("Hz", &[], "Hz", 1.0, 0.0),
    row("%", &["percent", "pct"], "1", 0.01, 0.0),
    row("1", &["", "-", "ratio", "lambda", "bool"], "1", 1.0, 0.0),
    row("count", &["counts", "cnt", "#"], "count", 1.0, 0.0),
    row("km/h", &["kmh", "kph", "km/hr"], "km/h", 1.0, 0.0),
    row("m/s", &["mps"], "km/h", 3.6, 0.0),
    row("mph", &["mi/h"], "km/h", 1.609_344, 0.0),
    row("g/s", &["g/sec", "gps"], "g/s", 1.0, 0.0),
    row("kg/h", &["kg/hr"], "g/s", 1000.0 / 3600.0, 0.0),
    row("lb/min", &["lbs/min"], "g/s", 453.592_37 / 60.0, 0.0),
    row("kPa", &[], "kPa", 1.0, 0.0),
    row("Pa", &[], "kPa", 1e-3, 0.0),
    row("hPa", &["mbar"], "kPa", 0.1, 0.0),
    row("MPa", &[], "kPa", 1000.0, 0.0),
    row("bar", &[], "kPa", 100.0, 0.0),
    row("psi", &["lbf/in2"], "kPa", 6.894_757_293_168, 0.0),
    row("inHg", &["in Hg", "in.Hg"], "kPa", 3.386_389, 0.0),
    row("degC", &["°C", "ºC", "C", "celsius", "deg C", "℃"], "degC", 1.0, 0.0),
    row("degF", &["°F", "ºF", "F", "fahrenheit", "deg F", "℉"], "degC", 5.0 / 9.0, -160.0 / 9.0),
    row("K", &["kelvin"], "degC", 1.0, -273.15),
    row("deg", &["°", "degree", "degrees"], "deg", 1.0, 0.0),
    row("rad", &["radian", "radians"], "deg", 180.0 / std::f64::consts::PI, 0.0),
    row("deg/s", &["°/s", "dps", "deg/sec"], "deg/s", 1.0, 0.0),
    row("rad/s", &["rad/sec"], "deg/s", 180.0 / std::f64::consts::PI, 0.0),
    row("V", &["volt", "volts"], "V", 1.0, 0.0),
    row("mV", &["millivolt"], "V", 1e-3, 0.0),
    row("A", &["amp", "ampere"], "A", 1.0, 0.0),
    row("mA", &["milliampere"], "A", 1e-3, 0.0),
    row("s", &["sec", "second", "seconds"], "s", 1.0, 0.0),
    row("ms", &["millisecond"], "s", 1e-3, 0.0),
    row("min", &["minute", "minutes"], "s", 60.0, 0.0),
    row("h", &["hour", "hours"], "s", 3600.0, 0.0),
    row("km", &["kilometre", "kilometer"], "km", 1.0, 0.0),
    row("m", &["metre", "meter"], "km", 1e-3, 0.0),
    row("mi", &["mile", "miles"], "km", 1.609_344, 0.0),
    row("Nm", &["N*m", "N·m"], "Nm", 1.0, 0.0),
    row("L/h", &["l/h", "L/hr", "l/hr"], "L/h", 1.0, 0.0),
    row("L", &["l", "liter", "litre"], "L", 1.0, 0.0),
    row("m/s2", &["m/s^2", "m/s²"], "m/s2", 1.0, 0.0),
    row("ppm", &[], "ppm", 1.0, 0.0),
    row("mg/stroke", &["mg/str"], "mg/stroke", 1.0, 0.0),
];

impl Row {
    /// Whether a text is the symbol or a spelling but for capitals. A single letter says something else in a capital.
    fn is_written(&self, text: &str) -> bool {
        let mut names = self.spellings.iter().chain([&self.symbol]);
        text.len() > 1 && names.any(|name| name.eq_ignore_ascii_case(text))
    }
}

fn row_of(symbol: &str) -> Option<&'static Row> {
    ROWS.iter().find(|row| row.symbol == symbol)
}

impl Unit {
    /// The unit that a text names: usual spellings become the catalogue's symbol, anything else is kept.
    ///
    /// ```
    /// use signal::Unit;
    /// assert_eq!(Unit::named("°C").symbol(), "degC");
    /// assert_eq!(Unit::named("furlong").symbol(), "furlong");
    /// ```
    #[must_use]
    pub fn named(text: &str) -> Self {
        let text = text.trim();
        let symbol = row_of(text)
            .or_else(|| ROWS.iter().find(|row| row.spellings.contains(&text)))
            .or_else(|| ROWS.iter().find(|row| row.is_written(text)))
            .map_or(text, |row| row.symbol);
        Self(symbol.into())
    }

    /// A plain number, symbol `1`.
    #[must_use]
    pub fn one() -> Self {
        Self("1".into())
    }

    /// The symbol as it is printed.
    #[must_use]
    pub fn symbol(&self) -> &str {
        &self.0
    }

    /// Whether values in this unit can be converted to another one.
    #[must_use]
    pub fn is_known(&self) -> bool {
        row_of(&self.0).is_some()
    }

    /// The unit of a difference between two values of this unit: `K` for degrees Celsius, whose zero is not that of
    /// other scales, and the unit itself for all others.
    ///
    /// Source: NIST SP 811 (2008), 8.5: an interval of 1 degree Celsius is 1 K (from memory).
    ///
    /// ```
    /// use signal::Unit;
    /// assert_eq!(Unit::named("degC").of_difference().symbol(), "K");
    /// assert_eq!(Unit::named("kPa").of_difference().symbol(), "kPa");
    /// ```
    #[must_use]
    pub fn of_difference(&self) -> Self {
        if self.symbol() == "degC" { Self("K".into()) } else { self.clone() }
    }

    /// `value` of this unit in `to`; `None` when the two do not measure the same thing.
    ///
    /// Rounding: the factors are applied in double precision; the same unit returns the value untouched.
    ///
    /// ```
    /// use signal::Unit;
    /// assert_eq!(Unit::named("degF").convert(212.0, &Unit::named("degC")), Some(100.0));
    /// assert_eq!(Unit::named("m/s").convert(10.0, &Unit::named("km/h")), Some(36.0));
    /// assert_eq!(Unit::named("km/h").convert(1.0, &Unit::named("V")), None);
    /// ```
    #[must_use]
    pub fn convert(&self, value: f64, to: &Unit) -> Option<f64> {
        self.conversion(to).map(|convert| convert(value))
    }

    /// [`Unit::convert`] for many values: finds the factors once.
    #[must_use]
    pub fn conversion(&self, to: &Unit) -> Option<impl Fn(f64) -> f64 + Copy + use<>> {
        let rows = if self == to { None } else { Some((row_of(&self.0)?, row_of(&to.0)?)) };
        if rows.is_some_and(|(from, to)| from.base != to.base) {
            return None;
        }
        Some(move |value: f64| match rows {
            None => value,
            Some((from, to)) => (value * from.scale + from.offset - to.offset) / to.scale,
        })
    }

    /// The symbols of all units that can be converted to this one, itself first; only itself if it is not a known one.
    pub fn convertible(&self) -> impl Iterator<Item = &str> {
        let base = row_of(&self.0).map(|row| row.base);
        let others = ROWS.iter().filter(move |row| Some(row.base) == base).map(|row| row.symbol);
        std::iter::once(self.symbol()).chain(others.filter(|symbol| *symbol != self.symbol()))
    }
}

impl fmt::Display for Unit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&self.0)
    }
}

impl fmt::Debug for Unit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "[{}]", &self.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn convert(value: f64, from: &str, to: &str) -> f64 {
        Unit::named(from).convert(value, &Unit::named(to)).unwrap()
    }

    #[test]
    fn worked_conversions() {
        // NIST SP 811 (2008), appendix B.8, from memory; the temperatures are the fixed points of water and -40.
        for (value, from, to, expected) in [
            (1.0, "mi", "km", 1.609_344),
            (14.5, "psi", "kPa", 99.973_980_750_936),
            (-40.0, "degF", "degC", -40.0),
            (32.0, "degF", "K", 273.15),
            (1013.25, "mbar", "kPa", 101.325),
            (50.0, "%", "1", 0.5),
            (180.0, "deg", "rad", std::f64::consts::PI),
            (3.6, "kg/h", "g/s", 1.0),
            (29.92, "inHg", "kPa", 101.320_758_88),
            (1.0, "lb/min", "g/s", 7.559_872_833_333),
        ] {
            let got = convert(value, from, to);
            assert!((got - expected).abs() <= 1e-9 * expected.abs().max(1.0), "{value} {from} -> {got} {to}");
        }
    }

    #[test]
    fn spellings_are_unambiguous() {
        for row in ROWS {
            for spelling in row.spellings {
                let owners = ROWS.iter().filter(|r| r.symbol == *spelling || r.spellings.contains(spelling)).count();
                assert_eq!(owners, 1, "`{spelling}` must belong to one unit");
            }
            assert!(row_of(row.base).is_some(), "{} has a base without a row", row.symbol);
        }
    }

    /// Loggers shout, and keyboards write the degree sign as an ordinal (common practice, no source). A letter alone is
    /// left as it is: a capital S is a siemens, not a second.
    #[test]
    fn capitals_of_whole_words_make_no_difference() {
        for (text, symbol) in [
            ("RPM", "rpm"),
            ("PSI", "psi"),
            ("Bar", "bar"),
            ("MPH", "mph"),
            ("KM/H", "km/h"),
            ("KPA", "kPa"),
            ("1/MIN", "rpm"),
            ("Deg C", "degC"),
            ("ºC", "degC"),
            ("MILES", "mi"),
            ("S", "S"),
            ("M", "M"),
            ("k", "k"),
        ] {
            assert_eq!(Unit::named(text).symbol(), symbol, "{text}");
        }
        let lower = |text: &&str| text.to_ascii_lowercase();
        for (idx, row) in ROWS.iter().enumerate() {
            let others = ROWS[idx + 1..].iter().flat_map(|other| other.spellings.iter().chain([&other.symbol]));
            let others: Vec<String> = others.map(lower).filter(|text| text.len() > 1).collect();
            let mut own = row.spellings.iter().chain([&row.symbol]).map(lower);
            assert!(!own.any(|text| others.contains(&text)), "{} is also another unit but for capitals", row.symbol);
        }
    }

    #[test]
    fn different_quantities_do_not_convert() {
        assert_eq!(Unit::named("count").convert(1.0, &Unit::one()), None);
        assert_eq!(Unit::named("furlong").convert(1.0, &Unit::named("km")), None);
        assert_eq!(Unit::named("furlong").convert(2.0, &Unit::named("furlong")), Some(2.0));
    }

    proptest::proptest! {
        #[test]
        fn there_and_back_is_the_same_value(value in -1e6f64..1e6, i in 0..ROWS.len(), j in 0..ROWS.len()) {
            let (a, b) = (Unit::named(ROWS[i].symbol), Unit::named(ROWS[j].symbol));
            if let Some(there) = a.convert(value, &b) {
                let back = b.convert(there, &a).unwrap();
                proptest::prop_assert!((back - value).abs() <= 1e-9 * value.abs().max(1e3));
            }
        }

        #[test]
        fn any_text_names_a_unit(text in ".{0,40}") {
            let unit = Unit::named(&text);
            proptest::prop_assert_eq!(Unit::named(unit.symbol()), unit);
        }
    }
}
