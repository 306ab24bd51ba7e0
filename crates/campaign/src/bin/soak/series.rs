//! Arithmetic of the soak: a slope with its interval, and two clocks compared.

use signal::{Series, seconds_from_nanos};

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

/// The car's clock in the recording's time.
pub(crate) struct Clock;

impl Clock {
    /// How much further the recording's clock has run than the car's from the first tenth to the last, ms.
    ///
    /// The car tells whole seconds, cut off. A value v that was asked at a and had arrived at b was true between: the car's
    /// clock was at v or later when b was, and before v + 1 when a was. So the offset of the clocks lies below b - v and
    /// above a - v - 1 for every sample, and the tightest of many samples bound it; what the line takes at least moves both
    /// bounds, the same at the start and at the end. The drift is the mean of how far the two bounds have moved.
    pub(crate) fn drift_ms(run_time: &Series) -> f64 {
        // The car counts in two bytes: some start again at 0 after 18 hours, ours stays; the offset is per start of the engine.
        let bounds = |from: usize, to: usize| {
            let samples = (from..to).filter_map(|idx| run_time.get(idx));
            samples.fold((f64::INFINITY, f64::NEG_INFINITY), |(upper, lower), sample| {
                let (a, b) = (seconds_from_nanos(sample.asked_ns), seconds_from_nanos(sample.t_ns));
                (upper.min(b - sample.value), lower.max(a - sample.value - 1.0))
            })
        };
        let n = run_time.len();
        let ((upper_0, lower_0), (upper_1, lower_1)) = (bounds(0, n / 10), bounds(n - n / 10, n));
        500.0 * ((upper_1 - upper_0) + (lower_1 - lower_0))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use signal::{Sample, SignalId, Unit};

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
            // From the first tenth to the last nine tenths of the hour pass.
            let found = Clock::drift_ms(&drive(gain_ms));
            assert!((found - 0.9 * gain_ms).abs() < 0.35, "{gain_ms} in an hour: {found}");
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
