//! Times and values as decimal text, exactly.

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
        }
    }
}
