//! Units and paper.

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
    /// A value in the units that the reader wants, with the unit's name as people write it; none for a plain number.
    ///
    /// Temperatures are `degC`; a difference of temperatures is `K`, for the zero of another scale is elsewhere.
    /// Factors: NIST SP 811 (2008), appendix B.8 (from memory): 1 mile = 1.609344 km, 1 psi = 6.894757 kPa,
    /// t/°F = 1.8 t/°C + 32, and an interval of 1 K is one of 1.8 °F.
    ///
    /// ```
    /// use report::Units;
    /// let (value, unit) = Units::Us.shown(100.0, "km/h");
    /// assert_eq!((value.round(), unit.as_str()), (62.0, "mph"));
    /// assert_eq!(Units::Us.shown(10.0, "degC"), (50.0, "°F".to_owned()));
    /// assert_eq!(Units::Us.shown(10.0, "K"), (18.0, "°F".to_owned()));
    /// ```
    #[must_use]
    pub fn shown(self, value: f64, unit: &str) -> (f64, String) {
        let (value, unit) = match (self, unit) {
            (Self::Us, "km/h") => (value / 1.609_344, "mph"),
            (Self::Us, "km") => (value / 1.609_344, "mi"),
            (Self::Us, "kPa") => (value / 6.894_757, "psi"),
            (Self::Us, "degC" | "°C") => (value * 1.8 + 32.0, "°F"),
            (Self::Us, "K") => (value * 1.8, "°F"),
            (Self::Metric, "degC") => (value, "°C"),
            (_, "deg") => (value, "°"),
            (_, "deg/s") => (value, "°/s"),
            (_, "1") => (value, ""),
            _ => (value, unit),
        };
        (value, unit.to_owned())
    }
}

/// What stands between two numbers that share a unit, in all languages.
const BETWEEN: [&str; 7] = ["to", "and", "against", "+-", "a", "y", "contra"];
/// Those of them that end a list, as in `20, 50 and 80 km/h`.
const LAST: [&str; 2] = ["and", "y"];

impl Units {
    /// A sentence with its numbers in the units that the reader wants: `20 to 35 km/h` becomes `12 to 22 mph`.
    /// `decimal_mark` stands before the decimals, as the sentence's language has it.
    ///
    /// Every number stands before its unit, apart by spaces; two that share it have `to`, `and`, `against` or `+-` between
    /// them (in Spanish `a`, `y` or `contra`), and commas may stand before. What is not written so stays as it is.
    #[must_use]
    pub fn sentence(self, text: &str, decimal_mark: &str) -> String {
        let mut words: Vec<String> = text.split(' ').map(str::to_owned).collect();
        for at in 1..words.len() {
            let unit = words[at].trim_matches(|c: char| "(),;.:".contains(c)).to_owned();
            let name = self.shown(0.0, &unit).1;
            if name == unit || name.is_empty() {
                continue;
            }
            let numbers = sharing(&words[..at], decimal_mark);
            if !numbers.is_empty() {
                words[at] = words[at].replacen(&unit, &name, 1);
            }
            for number in numbers {
                words[number] = self.converted(&words[number], &unit, decimal_mark);
            }
        }
        words.join(" ")
    }

    /// The number within a word, converted.
    fn converted(self, word: &str, unit: &str, decimal_mark: &str) -> String {
        let Some((before, value, after)) = parts(word, decimal_mark) else { return word.to_owned() };
        // Where only the name of the unit changes, a number stays as it was written.
        if self.shown(1.0, unit).0.to_bits() == 1.0_f64.to_bits() {
            return word.to_owned();
        }
        let (shown, _) = self.shown(value, unit);
        let sign = if word[before.len()..].starts_with('+') { "+" } else { "" };
        format!("{before}{sign}{}{after}", number(shown).replace('.', decimal_mark))
    }
}

/// Where the numbers stand that share the unit behind these words.
fn sharing(words: &[String], decimal_mark: &str) -> Vec<usize> {
    let number_at = |at: usize| words.get(at).and_then(|word| parts(word, decimal_mark));
    let last = words.len().wrapping_sub(1);
    if number_at(last).is_none_or(|(_, _, after)| !after.is_empty()) {
        return Vec::new();
    }
    let mut all = vec![last];
    let between = words.len().checked_sub(2).map(|at| words[at].as_str());
    if between.is_some_and(|word| BETWEEN.contains(&word)) {
        let mut at = words.len() - 2;
        while let Some(before) = at.checked_sub(1)
            && number_at(before).is_some_and(|(_, _, after)| after.is_empty() == (all.len() == 1))
        {
            all.push(before);
            at = before;
            if !between.is_some_and(|word| LAST.contains(&word)) {
                break;
            }
        }
    }
    all
}

/// What stands before a number in its word, the number, and a comma behind it.
fn parts<'w>(word: &'w str, decimal_mark: &str) -> Option<(&'w str, f64, &'w str)> {
    let digits = word.trim_start_matches('(');
    let bare = digits.strip_suffix(',').unwrap_or(digits);
    let value = bare.replace(decimal_mark, ".").parse().ok().filter(|value: &f64| value.is_finite())?;
    Some((&word[..word.len() - digits.len()], value, &digits[bare.len()..]))
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

/// Seconds as `m:ss`; a table of a logger with a trigger begins before its zero.
pub(crate) fn clock(t_s: f64) -> String {
    let signed = (t_s * 10.0).round() as i64;
    let (sign, tenths) = (if signed < 0 { "-" } else { "" }, signed.unsigned_abs());
    match tenths % 10 {
        0 => format!("{sign}{}:{:02}", tenths / 600, tenths / 10 % 60),
        tenth => format!("{sign}{}:{:02}.{tenth}", tenths / 600, tenths / 10 % 60),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Temperatures as 20 °C is 68 °F and a difference of 10 K is one of 18 °F (NIST SP 811, B.8, from memory).
    #[test]
    fn ranges_lists_and_differences() {
        let us = |text| Units::Us.sentence(text, ".");
        assert_eq!(us("a steady speed (60 to 90 km/h), then idle"), "a steady speed (37.3 to 55.9 mph), then idle");
        assert_eq!(us("(60 to 90 km/h)"), "(37.3 to 55.9 mph)");
        assert_eq!(
            us("a minute each at 20, 50 and 80 km/h, straight on"),
            "a minute each at 12.4, 31.1 and 49.7 mph, straight on"
        );
        assert_eq!(us("steady 2500 rpm, 50 and 100 km/h"), "steady 2500 rpm, 31.1 and 62.1 mph");
        assert_eq!(us("20 to 88 degC (highest 90 degC) in 12 min"), "68 to 190 °F (highest 194 °F) in 12 min");
        assert_eq!(us("is 10 K higher afterwards (5.0 to 15 K)"), "is 18 °F higher afterwards (9 to 27 °F)");
        assert_eq!(us("0.00 against 0.50 K from sample to sample"), "0 against 0.9 °F from sample to sample");
        assert_eq!(us("changes by +100 +- 20 kPa with"), "changes by +14.5 +- 2.9 psi with");
        assert_eq!(us("from 90.0 to -40.0 degC and back"), "from 194 to -40 °F and back");
        let metric = |text| Units::Metric.sentence(text, ".");
        assert_eq!(metric("held at 80 degC, 5.00 K above"), "held at 80 °C, 5.00 K above");
        assert_eq!(metric("1.50 to 2.50 deg (10.0 deg/s)"), "1.50 to 2.50 ° (10.0 °/s)");
    }

    #[test]
    fn times_before_and_after_zero() {
        for (t_s, expected) in [(-65.0, "-1:05"), (-0.5, "-0:00.5"), (-0.01, "0:00"), (0.0, "0:00"), (62.5, "1:02.5")] {
            assert_eq!(clock(t_s), expected);
        }
    }

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
        assert_eq!(spanish("a 20, 50 y 80 km/h"), "a 12,4, 31,1 y 49,7 mph");
        assert_eq!(Units::Metric.sentence("at 20 km/h", "."), "at 20 km/h");
    }
}
