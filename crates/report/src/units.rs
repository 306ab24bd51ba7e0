//! Units and paper.

use signal::Unit;

/// Which units values are shown in.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub enum Units {
    /// km/h, degrees Celsius, kPa, km.
    #[default]
    Metric,
    /// mph, degrees Fahrenheit, psi, miles.
    Us,
}

/// What it is printed on.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub enum Paper {
    /// 210 by 297 mm.
    #[default]
    A4,
    /// 8.5 by 11 inches.
    Letter,
}

impl Units {
    /// A value in the units that the reader wants, with the unit's name.
    ///
    /// Factors: 1 mile = 1.609344 km and 1 psi = 6.894757 kPa by definition.
    ///
    /// ```
    /// let (value, unit) = report::Units::Us.shown(100.0, "km/h");
    /// assert_eq!((value.round(), unit.as_str()), (62.0, "mph"));
    /// ```
    #[must_use]
    pub fn shown(self, value: f64, unit: &str) -> (f64, String) {
        let to = match (self, unit) {
            (Self::Us, "km/h") => "mph",
            (Self::Us, "kPa") => return (value / 6.894_757, "psi".to_owned()),
            (Self::Us, "km") => return (value / 1.609_344, "mi".to_owned()),
            (Self::Us, "degC" | "°C") => return (value * 1.8 + 32.0, "°F".to_owned()),
            (Self::Metric, "degC") => return (value, "°C".to_owned()),
            _ => return (value, unit.to_owned()),
        };
        let converted = Unit::named(unit).convert(value, &Unit::named(to));
        converted.map_or((value, unit.to_owned()), |value| (value, to.to_owned()))
    }
}

/// A number as people write it: no more places than it is worth.
pub(crate) fn number(value: f64) -> String {
    if !value.is_finite() {
        return "–".to_owned();
    }
    let places = match value.abs() {
        x if x >= 100.0 || x == 0.0 => 0,
        x if x >= 10.0 => 1,
        x if x >= 0.1 => 2,
        _ => 4,
    };
    let text = format!("{value:.places$}");
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_owned() } else { text }
}

/// Seconds as `m:ss`.
pub(crate) fn clock(t_s: f64) -> String {
    let tenths = (t_s.max(0.0) * 10.0).round() as u64;
    match tenths % 10 {
        0 => format!("{}:{:02}", tenths / 600, tenths / 10 % 60),
        tenth => format!("{}:{:02}.{tenth}", tenths / 600, tenths / 10 % 60),
    }
}
