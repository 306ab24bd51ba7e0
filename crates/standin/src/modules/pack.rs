//! Physical values into message bytes, rounded and held at the ends of their range.

/// Whole number of steps in one byte.
pub(super) fn byte(steps: f64) -> u8 {
    steps.round().clamp(0.0, 255.0) as u8
}

/// Whole number of steps in two bytes, high byte first.
pub(super) fn word(steps: f64) -> [u8; 2] {
    (steps.round().clamp(0.0, 65_535.0) as u16).to_be_bytes()
}

/// Signed steps in two bytes, high byte first.
pub(super) fn signed_word(steps: f64) -> [u8; 2] {
    (steps.round().clamp(-32_768.0, 32_767.0) as i16).to_be_bytes()
}

/// 0 to 100 % over 0 to 255.
pub(super) fn percent(value: f64) -> u8 {
    byte(value * 255.0 / 100.0)
}

/// -100 to 99.2 % around 128.
pub(super) fn signed_percent(value: f64) -> u8 {
    byte(value * 128.0 / 100.0 + 128.0)
}

/// Degrees Celsius from -40.
pub(super) fn celsius(value: f64) -> u8 {
    byte(value + 40.0)
}
