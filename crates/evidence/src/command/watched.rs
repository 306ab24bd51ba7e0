//! A signal prepared for many questions about means over windows.

use signal::{Series, seconds_from_nanos};

use crate::stats::quantum::step_of;
use crate::stats::robust::median;
use crate::stats::search::first_after;

/// Samples that a window needs.
pub(super) const LEAST_SAMPLES: usize = 2;
/// Intervals looked at to know the usual one: the cost of a long drive stays low.
const INTERVALS: usize = 4096;

/// Samples whose sum is kept as one number: a few more additions for every question, and a long drive is read but not
/// written out again.
const PART: usize = 32;

/// A signal with running sums.
pub(super) struct Watched<'a> {
    pub(super) series: &'a Series,
    /// Usual interval between samples, seconds.
    pub(super) interval_s: f64,
    /// The step in which it counts.
    pub(super) step: f64,
    /// First value; means are differences from it, which keeps their digits.
    base: f64,
    /// Sum and number of the finite values before each part.
    before: Vec<(f64, u32)>,
}

impl<'a> Watched<'a> {
    /// `None` for a signal that is constant.
    pub(super) fn new(series: &'a Series) -> Option<Self> {
        let stride = (series.len() / INTERVALS).max(1);
        let pairs = series.t_ns.windows(2).step_by(stride);
        let interval_s = median(&mut pairs.map(|pair| seconds_from_nanos(pair[1] - pair[0])).collect::<Vec<_>>())?;
        let base = series.value.iter().copied().find(|value| value.is_finite())?;
        let is_constant = !series.value.iter().any(|value| value.is_finite() && *value != base);
        if is_constant {
            return None;
        }
        let mut sum = (0.0, 0);
        let mut before = Vec::with_capacity(series.len() / PART + 1);
        for part in series.value.chunks(PART) {
            before.push(sum);
            sum = add(sum, part, base);
        }
        Some(Self { series, interval_s, step: step_of(&series.value), base, before })
    }

    /// Whether windows of `window_s` hold enough samples.
    pub(super) fn fills(&self, window_s: f64) -> bool {
        self.interval_s * LEAST_SAMPLES as f64 <= window_s
    }

    /// Sum, as differences from the base, and number of the finite values before a sample.
    fn before(&self, idx: usize) -> (f64, u32) {
        let part = (idx / PART).min(self.before.len() - 1);
        add(self.before[part], &self.series.value[part * PART..idx], self.base)
    }

    /// Index of the first sample at `t_s` or later.
    pub(super) fn first_at(&self, t_s: f64) -> usize {
        first_after(&self.series.t_ns, signal::nanos_from_seconds(t_s).saturating_sub(1))
    }

    /// Mean over `from_s <= t < to_s`, as a difference from an arbitrary constant; `None` with fewer than
    /// [`LEAST_SAMPLES`].
    pub(super) fn over(&self, from_s: f64, to_s: f64) -> Option<f64> {
        let from = self.first_at(from_s);
        let to = self.first_at(to_s).max(from);
        let (first, last) = (self.before(from), self.before(to));
        let n = last.1 - first.1;
        (n as usize >= LEAST_SAMPLES).then(|| (last.0 - first.0) / f64::from(n))
    }

    /// One value as a difference from the same constant.
    pub(super) fn value(&self, idx: usize) -> f64 {
        self.series.value[idx] - self.base
    }
}

fn add(sum: (f64, u32), values: &[f64], base: f64) -> (f64, u32) {
    values.iter().filter(|value| value.is_finite()).fold(sum, |(sum, n), value| (sum + (value - base), n + 1))
}
