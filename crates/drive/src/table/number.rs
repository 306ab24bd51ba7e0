//! Times and values as decimal text, exactly.

use std::borrow::Cow;

/// Significant digits of a time that are kept; far more than 73 years in nanoseconds have.
const MAX_DIGITS: u32 = 30;

/// Nanoseconds from decimal text in units of 10^`unit_exponent` seconds, without the detour over a float.
///
/// Digits behind the nanosecond are rounded (half to even). `None` if it is no number or beyond what a drive can hold.
pub(crate) fn parse_time(text: &[u8], unit_exponent: i32) -> Option<i64> {
    let (negative, text) = match text.split_first()? {
        (b'-', rest) => (true, rest),
        (b'+', rest) => (false, rest),
        _ => (false, text),
    };
    let n_mantissa = text.iter().position(|c| matches!(c, b'e' | b'E')).unwrap_or(text.len());
    let exponent: i32 = match text.get(n_mantissa + 1..) {
        Some(digits) => std::str::from_utf8(digits).ok()?.parse().ok()?,
        None if n_mantissa == text.len() => 0,
        None => return None,
    };
    let (mut mantissa, mut n_digits, mut n_decimals) = (0u128, 0u32, 0i32);
    let (mut in_decimals, mut any, mut rest_is_zero) = (false, false, true);
    for &c in &text[..n_mantissa] {
        match c {
            b'.' if !in_decimals => in_decimals = true,
            b'0'..=b'9' => {
                any = true;
                if n_digits < MAX_DIGITS {
                    mantissa = mantissa * 10 + u128::from(c - b'0');
                    n_digits += u32::from(mantissa > 0);
                    n_decimals = n_decimals.checked_add(i32::from(in_decimals))?;
                } else if in_decimals {
                    rest_is_zero &= c == b'0';
                } else {
                    return None;
                }
            }
            _ => return None,
        }
    }
    if !any {
        return None;
    }
    // mantissa * 10^shift nanoseconds.
    let shift = exponent.checked_sub(n_decimals)?.checked_add(unit_exponent)?.checked_add(9)?;
    let magnitude = if mantissa == 0 {
        0
    } else if shift >= 0 {
        mantissa.checked_mul(10u128.checked_pow(shift.unsigned_abs())?)?
    } else {
        match 10u128.checked_pow(shift.unsigned_abs()) {
            None => 0,
            Some(divisor) => {
                let (whole, rest) = (mantissa / divisor, mantissa % divisor);
                let above_half = rest * 2 > divisor || (rest * 2 == divisor && (!rest_is_zero || whole % 2 == 1));
                whole + u128::from(above_half)
            }
        }
    };
    let magnitude = i64::try_from(magnitude).ok()?;
    let t_ns = if negative { -magnitude } else { magnitude };
    crate::format::is_time(t_ns).then_some(t_ns)
}

/// Nanoseconds since midnight, or since the start, from `HH:MM:SS` with or without decimals behind it. Nothing shorter:
/// `12:30` may be minutes as well as hours.
pub(super) fn parse_clock(text: &[u8]) -> Option<i64> {
    let mut parts = text.splitn(3, |byte| *byte == b':');
    let (hours, minutes, seconds) = (parts.next()?, parts.next()?, parts.next()?);
    let is_plain = |part: &[u8], most: usize| (1..=most).contains(&part.len()) && part.iter().all(u8::is_ascii_digit);
    let is_whole = seconds.len() == 2 || seconds.get(2) == Some(&b'.');
    if !is_plain(hours, 2) || minutes.len() != 2 || !is_plain(minutes, 2) || !is_whole {
        return None;
    }
    if !seconds.iter().enumerate().all(|(idx, byte)| byte.is_ascii_digit() || idx == 2) {
        return None;
    }
    let whole = |part: &[u8]| parse_time(part, 0);
    let (minutes, seconds) = (whole(minutes)?, whole(seconds)?);
    let is_clock = minutes < 60_000_000_000 && seconds < 60_000_000_000;
    is_clock.then(|| whole(hours).map(|hours| hours * 3600 + minutes * 60 + seconds)).flatten()
}

/// What stands before the decimals in a table with semicolons between its cells, `1,5` or `1.5`: the same mark in all of it.
/// `1.234` may be 1234 with a mark between its thousands, until another number tells that it is not.
#[derive(Debug, Default)]
pub(super) struct DecimalMark {
    mark: Option<u8>,
    is_certain: bool,
}

impl DecimalMark {
    /// A cell with a decimal point; `None` where it has two marks, or another one than the numbers before.
    pub(super) fn with_point<'c>(&mut self, cell: &'c [u8]) -> Option<Cow<'c, [u8]>> {
        let is_mark = |byte: &u8| matches!(byte, b'.' | b',');
        let Some(at) = cell.iter().position(is_mark) else { return Some(Cow::Borrowed(cell)) };
        let (before, behind) = (&cell[..at], &cell[at + 1..]);
        if behind.iter().any(is_mark) || *self.mark.get_or_insert(cell[at]) != cell[at] {
            return None;
        }
        let before = before.strip_prefix(b"-").or(before.strip_prefix(b"+")).unwrap_or(before);
        let may_be_thousands = matches!(before, [b'1'..=b'9'] | [b'1'..=b'9', _] | [b'1'..=b'9', _, _])
            && before.iter().chain(behind).all(u8::is_ascii_digit)
            && behind.len() == 3;
        self.is_certain |= !may_be_thousands;
        let mut text = cell.to_vec();
        text[at] = b'.';
        Some(Cow::Owned(text))
    }

    /// The mark, where numbers tell beyond doubt or there is none.
    ///
    /// # Errors
    /// The mark of which all numbers leave open whether it stands before decimals or thousands.
    pub(super) fn found(&self) -> Result<Option<char>, char> {
        match self.mark.map(char::from) {
            Some(mark) if !self.is_certain => Err(mark),
            mark => Ok(mark),
        }
    }
}

/// Appends nanoseconds as seconds with exactly as many decimals as needed, at most nine.
pub(super) fn write_time(out: &mut Vec<u8>, t_ns: i64) {
    if t_ns < 0 {
        out.push(b'-');
    }
    let (seconds, nanos) = (t_ns.unsigned_abs() / 1_000_000_000, t_ns.unsigned_abs() % 1_000_000_000);
    out.extend_from_slice(seconds.to_string().as_bytes());
    if nanos > 0 {
        let decimals = format!(".{nanos:09}");
        out.extend_from_slice(decimals.trim_end_matches('0').as_bytes());
    }
}

/// Why a cell holds no value.
pub(super) enum NoValue {
    /// Not a number at all.
    Text,
    /// NaN, infinity, or more than a double can hold.
    NotFinite,
}

/// The double nearest to a decimal number.
pub(super) fn parse_value(text: &[u8]) -> Result<f64, NoValue> {
    match std::str::from_utf8(text).ok().and_then(|text| text.parse::<f64>().ok()) {
        None => Err(NoValue::Text),
        Some(value) if value.is_finite() => Ok(value),
        Some(_) => Err(NoValue::NotFinite),
    }
}

/// Appends the shortest decimal number that reads back as the same double, bit by bit.
pub(super) fn write_value(out: &mut Vec<u8>, value: f64) {
    // `Debug` is the shortest form and, unlike `Display`, writes 1e300 as such; whole numbers end in `.0` there.
    let text = format!("{value:?}");
    out.extend_from_slice(text.strip_suffix(".0").unwrap_or(&text).as_bytes());
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_are_exact() {
        for (text, exponent, expected) in [
            ("0", 0, Some(0)),
            ("-0", 0, Some(0)),
            ("0.004572", 0, Some(4_572_000)),
            // As doubles these would be off: 0.1 + 0.2, and a time since 1970 to the nanosecond.
            ("0.3", 0, Some(300_000_000)),
            ("1764064065.123456789", 0, Some(1_764_064_065_123_456_789)),
            ("-12.5", 0, Some(-12_500_000_000)),
            ("+1.", 0, Some(1_000_000_000)),
            (".5", 0, Some(500_000_000)),
            ("1e-05", 0, Some(10_000)),
            ("1.5E2", 0, Some(150_000_000_000)),
            ("1500", -3, Some(1_500_000_000)),
            ("7", -9, Some(7)),
            // Behind the nanosecond: half to even, and anything above half up.
            ("0.0000000005", 0, Some(0)),
            ("0.0000000015", 0, Some(2)),
            ("0.00000000050000000000000000000000000000000000001", 0, Some(1)),
            ("0.30000000000000004", 0, Some(300_000_000)),
            ("000000000000000000000000000000000000000000001", 0, Some(1_000_000_000)),
            ("0e99999", 0, Some(0)),
            ("1e-99999", 0, Some(0)),
            ("", 0, None),
            (".", 0, None),
            ("-", 0, None),
            ("1e", 0, None),
            ("1.2.3", 0, None),
            ("1,5", 0, None),
            ("nan", 0, None),
            ("0x10", 0, None),
            ("12:30:00", 0, None),
            ("99999999999", 0, None),
            ("1e99999999999", 0, None),
            ("1e2147483647", 0, None),
        ] {
            assert_eq!(parse_time(text.as_bytes(), exponent), expected, "{text}");
        }
    }

    #[test]
    fn clocks_are_exact_and_nothing_else_is_one() {
        for (text, expected) in [
            ("00:00:00", Some(0)),
            ("0:00:01", Some(1_000_000_000)),
            ("14:03:12.5", Some(50_592_500_000_000)),
            ("14:03:12.123456789", Some(50_592_123_456_789)),
            ("23:59:59.999", Some(86_399_999_000_000)),
            // Longer than a day since the start.
            ("30:00:00", Some(108_000_000_000_000)),
            ("12:30", None),
            ("14:60:00", None),
            ("14:00:60", None),
            ("14:0:00", None),
            ("14:00:0", None),
            ("14:00:5.5", None),
            ("-1:00:00", None),
            ("1:-1:00", None),
            ("1:00:+1", None),
            ("1:00:1e1", None),
            ("100:00:00", None),
            ("14:00:00:00", None),
            ("14:00:00 PM", None),
            ("1.5:00:00", None),
            (":00:00", None),
            ("", None),
        ] {
            assert_eq!(parse_clock(text.as_bytes()), expected, "{text}");
        }
    }

    #[test]
    fn a_mark_that_may_stand_between_thousands_is_not_guessed() {
        let read = |cells: &[&str]| {
            let mut mark = DecimalMark::default();
            let cells: Option<Vec<String>> = cells
                .iter()
                .map(|cell| Some(String::from_utf8(mark.with_point(cell.as_bytes())?.into_owned()).unwrap()))
                .collect();
            cells.map(|cells| (cells.join(" "), mark.found()))
        };
        let is = |text: &str, mark: Result<Option<char>, char>| Some((text.to_owned(), mark));
        assert_eq!(read(&["0", "-12", "1e3"]), is("0 -12 1e3", Ok(None)));
        assert_eq!(read(&["0,5", "-1,234"]), is("0.5 -1.234", Ok(Some(','))));
        assert_eq!(read(&["1.234", "0.500"]), is("1.234 0.500", Ok(Some('.'))));
        for open in ["1,234", "12.345", "-123,456", "+1.000"] {
            assert!(matches!(read(&[open]), Some((_, Err('.' | ',')))), "{open}");
        }
        for certain in ["1,23", "1,2345", "1234,567", "0,123", "01,234", ",123", "1,", "1,2e3", "12:00:01,234"] {
            assert!(matches!(read(&[certain]), Some((_, Ok(Some(','))))), "{certain}");
        }
        for refused in [&["1.234,5"][..], &["1,234,567"], &["0,5", "1.234"], &["1.234", "0,5"], &["1.5.2"]] {
            assert_eq!(read(refused), None, "{refused:?}");
        }
    }

    proptest::proptest! {
        #[test]
        fn a_time_survives(t_ns in -(i64::MAX / 4)..=i64::MAX / 4, digits in 0u32..9) {
            let t_ns = t_ns / 10i64.pow(digits) * 10i64.pow(digits);
            let mut text = Vec::new();
            write_time(&mut text, t_ns);
            proptest::prop_assert_eq!(parse_time(&text, 0), Some(t_ns));
            proptest::prop_assert!(!text.contains(&b'.') || !text.ends_with(b"0"));
        }

        #[test]
        fn a_value_survives_bit_by_bit(bits: u64) {
            let value = f64::from_bits(bits);
            if value.is_finite() {
                let mut text = Vec::new();
                write_value(&mut text, value);
                proptest::prop_assert_eq!(parse_value(&text).ok().map(f64::to_bits), Some(bits));
            }
        }

        #[test]
        fn any_bytes_parse_without_a_panic(text: Vec<u8>, exponent in -9i32..=0) {
            let _ = parse_time(&text, exponent);
            let _ = parse_value(&text);
            let _ = parse_clock(&text);
            let _ = DecimalMark::default().with_point(&text);
        }
    }
}
