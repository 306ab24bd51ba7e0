//! Small series for tests.
#![cfg(test)]
#![allow(clippy::unwrap_used)]

use signal::{Series, SignalId, Unit};

/// `n` samples, one each `interval_s`, with the value of each by its number.
pub(crate) fn series(id: &str, unit: &str, interval_s: f64, n: usize, value: impl Fn(usize) -> f64) -> Series {
    let mut series = Series::new(SignalId::new(id).unwrap(), Unit::named(unit));
    (0..n).for_each(|k| series.push_value(signal::nanos_from_seconds(k as f64 * interval_s), value(k)));
    series
}
