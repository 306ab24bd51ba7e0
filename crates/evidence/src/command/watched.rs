//! A signal prepared for many questions about means over windows.

use signal::{Series, seconds_from_nanos};

use crate::stats::quantum::step_of;
use crate::stats::robust::median;

/// Samples that a window needs.
pub(super) const LEAST_SAMPLES: usize = 2;
/// Intervals looked at to know the usual one: the cost of a long drive stays low.
const INTERVALS: usize = 4096;

/// A signal with running sums.
pub(super) struct Watched<'a> {
    pub(super) series: &'a Series,
    /// Usual interval between samples, seconds.
    pub(super) interval_s: f64,
    /// The step in which it counts.
    pub(super) step: f64,
    /// First value; means are differences from it, which keeps their digits.
    base: f64,
    sum: Vec<f64>,
    n: Vec<u32>,
}

impl<'a> Watched<'a> {
    /// `None` for a signal that is constant, or too seldom for windows of `window_s`.
    pub(super) fn new(series: &'a Series, window_s: f64) -> Option<Self> {
        let stride = (series.len() / INTERVALS).max(1);
        let pairs = series.t_ns.windows(2).step_by(stride);
        let interval_s = median(&mut pairs.map(|pair| seconds_from_nanos(pair[1] - pair[0])).collect::<Vec<_>>())?;
        let base = series.value.iter().copied().find(|value| value.is_finite())?;
        let is_constant = !series.value.iter().any(|value| value.is_finite() && *value != base);
        if interval_s * LEAST_SAMPLES as f64 > window_s || is_constant {
            return None;
        }
        let (mut sum, mut n) = (Vec::with_capacity(series.len() + 1), Vec::with_capacity(series.len() + 1));
        let (mut total, mut count) = (0.0, 0);
        for value in &series.value {
            sum.push(total);
            n.push(count);
            if value.is_finite() {
                total += value - base;
                count += 1;
            }
        }
        sum.push(total);
        n.push(count);
        Some(Self { series, interval_s, step: step_of(&series.value), base, sum, n })
    }

    /// Index of the first sample at `t_s` or later.
    pub(super) fn first_at(&self, t_s: f64) -> usize {
        let t_ns = signal::nanos_from_seconds(t_s);
        self.series.t_ns.partition_point(|&t| t < t_ns)
    }

    /// Mean over `from_s <= t < to_s`, as a difference from an arbitrary constant; `None` with fewer than
    /// [`LEAST_SAMPLES`].
    pub(super) fn over(&self, from_s: f64, to_s: f64) -> Option<f64> {
        let from = self.first_at(from_s);
        let to = self.first_at(to_s).max(from);
        let n = self.n[to] - self.n[from];
        (n as usize >= LEAST_SAMPLES).then(|| (self.sum[to] - self.sum[from]) / f64::from(n))
    }

    /// One value as a difference from the same constant.
    pub(super) fn value(&self, idx: usize) -> f64 {
        self.series.value[idx] - self.base
    }
}
