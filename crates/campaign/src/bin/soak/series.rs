//! Arithmetic of the soak: a slope with its interval, and two clocks compared.

use signal::{Sample, Series, seconds_from_nanos};

/// A straight line through points.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(crate) struct Slope {
    pub(crate) per_unit: f64,
    /// Half of its 95 % interval.
    pub(crate) half: f64,
    /// From the first to the last point.
    pub(crate) span: f64,
}

impl Slope {
    /// Least squares. Neighbours are alike, so the interval is that of the means of forty stretches.
    pub(crate) fn of(points: &[(f64, f64)]) -> Self {
        let size = points.len().div_ceil(40).max(1);
        let mean = |values: &mut dyn Iterator<Item = f64>, n: usize| values.sum::<f64>() / n as f64;
        let means: Vec<(f64, f64)> = points
            .chunks(size)
            .map(|chunk| {
                (mean(&mut chunk.iter().map(|p| p.0), chunk.len()), mean(&mut chunk.iter().map(|p| p.1), chunk.len()))
            })
            .collect();
        let n = means.len();
        let (Some(first), Some(last)) = (points.first(), points.last()) else { return Self::default() };
        let span = last.0 - first.0;
        let middle = (mean(&mut means.iter().map(|p| p.0), n), mean(&mut means.iter().map(|p| p.1), n));
        let sxx: f64 = means.iter().map(|p| (p.0 - middle.0).powi(2)).sum();
        let sxy: f64 = means.iter().map(|p| (p.0 - middle.0) * (p.1 - middle.1)).sum();
        if n < 3 || sxx <= 0.0 {
            return Self { span, ..Self::default() };
        }
        let per_unit = sxy / sxx;
        let rest: f64 = means.iter().map(|p| (p.1 - middle.1 - per_unit * (p.0 - middle.0)).powi(2)).sum();
        // 1.96: the normal's; with forty stretches Student's is 2.02, which makes no difference here.
        Self { per_unit, half: 1.96 * (rest / (n - 2) as f64 / sxx).sqrt(), span }
    }

    pub(crate) fn low(&self) -> f64 {
        self.per_unit - self.half
    }
}

/// How much further the recording's clock has run than the car's from the first quarter of a drive to its last.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Drift {
    pub(crate) ms: f64,
    /// Half of its 95 % interval: what this way of measuring cannot tell apart.
    pub(crate) half_ms: f64,
}

impl Drift {
    /// The car tells the time that its engine has run in whole seconds, cut off. A value v was true at some moment after its
    /// request had left at a, so the recording is ahead of the car by more than a - v - 1. The tightest of many such bounds is
    /// short of the truth by the least time that a request takes to the module, the same at the start and at the end, and by
    /// how long before a tick of the car the best-timed request left. Whatever is late on a busy machine only makes a bound
    /// looser, and does not count.
    ///
    /// With a request every d seconds, at a moment that has nothing to do with the ticks, the best of n ticks is missed by an
    /// exponentially distributed time of mean d / n, and the difference of two of them is within ln 20 times that in 95 of
    /// 100 cases. Source: derived here (the least of n uniform variables, and the Laplace distribution).
    pub(crate) fn of(run_time: &Series) -> Self {
        let n = run_time.len();
        let (first, last) = (0..n / 4, 3 * n / 4..n);
        let missed_s = |quarter: &std::ops::Range<usize>| {
            let at = |idx: usize| run_time.get(idx);
            let ends = at(quarter.start).zip(at(quarter.end.saturating_sub(1)));
            let Some((begin, end)) = ends.filter(|(begin, end)| end.value > begin.value) else { return f64::INFINITY };
            let every_s = seconds_from_nanos(end.asked_ns - begin.asked_ns) / quarter.len() as f64;
            every_s / (end.value - begin.value)
        };
        Self {
            half_ms: 1000.0 * 20.0_f64.ln() * missed_s(&first).max(missed_s(&last)),
            ms: 1000.0 * (least_ahead_s(run_time, last) - least_ahead_s(run_time, first)),
        }
    }
}

fn least_ahead_s(run_time: &Series, samples: std::ops::Range<usize>) -> f64 {
    let bound = |sample: Sample| seconds_from_nanos(sample.asked_ns) - sample.value - 1.0;
    samples.filter_map(|idx| run_time.get(idx)).map(bound).fold(f64::NEG_INFINITY, f64::max)
}

#[cfg(test)]
mod tests {
    use super::*;
    use signal::{SignalId, Unit};

    /// A recording whose clock gains `gain_ms` in an hour, asked every 47.3 ms, answered between 5 and 9 ms later.
    fn drive(gain_ms: f64) -> Series {
        let mut series = Series::new(SignalId::new("custom.run_time").unwrap(), Unit::named("s"));
        for k in 0..76_000_u32 {
            let asked_s = f64::from(k) * 0.0473;
            let arrived_s = asked_s + 0.005 + 0.004 * f64::from(k % 7) / 6.0;
            let true_s = (asked_s + 0.003) / (1.0 + gain_ms / 3.6e6) + 12.34;
            let nanos = |s: f64| (s * 1e9) as i64;
            series.push(Sample {
                t_ns: nanos(arrived_s),
                asked_ns: nanos(asked_s),
                exchange: k,
                value: true_s.floor(),
            });
        }
        series
    }

    #[test]
    fn a_drift_of_milliseconds_is_seen() {
        for gain_ms in [0.0, 2.0, -5.0] {
            // From the first quarter to the last three quarters of the hour pass.
            let Drift { ms, half_ms } = Drift::of(&drive(gain_ms));
            assert!((ms - 0.75 * gain_ms).abs() < half_ms, "{gain_ms} in an hour: {ms} ± {half_ms}");
            assert!((0.1..0.3).contains(&half_ms), "{half_ms}");
        }
    }

    #[test]
    fn a_slope_with_its_interval() {
        let line = |k: u32, noise: f64| (f64::from(k), 5.0 + 0.25 * f64::from(k) + noise * f64::from(k * 7919 % 13));
        let exact = Slope::of(&(0..400).map(|k| line(k, 0.0)).collect::<Vec<_>>());
        assert!((exact.per_unit - 0.25).abs() < 1e-9 && exact.half < 1e-9, "{exact:?}");
        let noisy = Slope::of(&(0..400).map(|k| line(k, 1.0)).collect::<Vec<_>>());
        assert!((noisy.per_unit - 0.25).abs() < noisy.half * 2.0 && noisy.half < 0.01, "{noisy:?}");
    }
}
