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

/// What stands between two numbers that share a unit, in all languages.
const BETWEEN: [&str; 7] = ["to", "and", "against", "+-", "a", "y", "contra"];

impl Units {
    /// A sentence with its numbers in the units that the reader wants: `20 to 35 km/h` becomes `12 to 22 mph`.
    /// `decimal_mark` stands before the decimals, as the sentence's language has it.
    ///
    /// Every number stands before its unit, apart by spaces; two that share it have `to`, `and`, `against` or `+-` between
    /// them (in Spanish `a`, `y` or `contra`). What is not written so stays as it is.
    #[must_use]
    pub fn sentence(self, text: &str, decimal_mark: &str) -> String {
        if self == Self::Metric {
            return text.to_owned();
        }
        let mut words: Vec<String> = text.split(' ').map(str::to_owned).collect();
        for at in 1..words.len() {
            let unit = words[at].trim_matches(|c: char| "(),;.:".contains(c)).to_owned();
            if self.shown(0.0, &unit).1 == unit {
                continue;
            }
            // The number before the unit, and the other one that shares it.
            let is_shared = at >= 3 && BETWEEN.contains(&words[at - 2].as_str());
            let ends: &[usize] = if is_shared { &[1, 3] } else { &[1] };
            let mut shown = None;
            for back in ends {
                let Some((converted, name)) = self.converted(&words[at - back], &unit, decimal_mark) else { break };
                words[at - back] = converted;
                shown = Some(name);
            }
            if let Some(name) = shown {
                words[at] = words[at].replacen(&unit, &name, 1);
            }
        }
        words.join(" ")
    }

    /// A number within a word, converted; `None` where there is none.
    fn converted(self, word: &str, unit: &str, decimal_mark: &str) -> Option<(String, String)> {
        let digits = word.trim_start_matches('(');
        let value: f64 = digits.replace(decimal_mark, ".").parse().ok()?;
        let (value, name) = self.shown(value, unit);
        let shown = number(value).replace('.', decimal_mark);
        Some((format!("{}{shown}", &word[..word.len() - digits.len()]), name))
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn units_inside_a_sentence() {
        let us = |text| Units::Us.sentence(text, ".");
        assert_eq!(us("It fails at 20 to 35 km/h, twice."), "It fails at 12.4 to 21.7 mph, twice.");
        assert_eq!(us("up to 100 km/h (at 90 degC)"), "up to 62.1 mph (at 194 °F)");
        assert_eq!(us("above 3000 rpm and load above 60 %"), "above 3000 rpm and load above 60 %");
        assert_eq!(us("several km/h below the others"), "several km/h below the others");
        assert_eq!(us("between 0 and 50 km/h;"), "between 0 and 31.1 mph;");
        assert_eq!(us("0.50 against 1.00 km/h"), "0.31 against 0.62 mph");
        assert_eq!(us("by 100 +- 10 kPa"), "by 14.5 +- 1.45 psi");
        assert_eq!(us("km"), "km");
        let spanish = |text| Units::Us.sentence(text, ",");
        assert_eq!(spanish("de 20 a 35 km/h, en pasos de 1,5 km/h"), "de 12,4 a 21,7 mph, en pasos de 0,93 mph");
        assert_eq!(spanish("a 20 km/h y no más"), "a 12,4 mph y no más");
        assert_eq!(Units::Metric.sentence("at 20 km/h", "."), "at 20 km/h");
    }
}
