//! How rough a signal is, window by window.

use signal::{Catalogue, Series};

use crate::drawn;
use crate::skew::{longest_join_s, unheld};
use crate::stats::{quantum, robust};

/// Fewest three-point residuals from which a window's roughness is read.
const LEAST: usize = 12;
/// Greatest share of a window's residuals that is set aside: a lost value, a step or a stone is no noise.
pub(super) const SET_ASIDE: f64 = 0.25;
/// Fewest that are set aside: a value that is lost for several samples spoils four residuals.
const SET_ASIDE_LEAST: usize = 4;
/// A window spans this many of the slowest member's intervals, so that a few lost samples do not empty it.
pub(super) const INTERVALS: f64 = 18.0;
/// Shortest window, seconds: longer than the way from the front to the rear wheels takes at walking pace.
pub(super) const SHORTEST_S: f64 = 1.0;

/// A signal ready to be looked at.
pub(super) struct Member<'a> {
    pub(super) series: &'a Series,
    /// Factor and offset to the unit of the catalogue.
    scale: f64,
    offset: f64,
    /// Unit of all values here.
    pub(super) unit: String,
    /// Usual interval between new values, seconds.
    pub(super) interval_s: f64,
    /// Step between neighbouring values.
    pub(super) step: f64,
    /// Whether it ever changed.
    pub(super) moves: bool,
    /// Whether its rows were drawn between slower samples, see [`crate::drawn`].
    pub(super) is_drawn: bool,
    taken: std::borrow::Cow<'a, Series>,
}

/// One stretch of a signal.
#[derive(Debug, Clone, Copy)]
pub(super) struct Window {
    /// Number of the window on the group's common grid.
    pub(super) id: i64,
    /// Standard deviation of what looks like noise.
    pub(super) sigma: f64,
    /// Mean value.
    pub(super) mean: f64,
    /// Whether it shows one value all along, and that of the window before.
    pub(super) is_flat: bool,
}

impl<'a> Member<'a> {
    /// `None` with too few samples for a single window, or in an unknown unit.
    pub(super) fn new(series: &'a Series) -> Option<Self> {
        let to = &Catalogue::standard().get(&series.id)?.unit;
        let offset = series.unit.convert(0.0, to)?;
        let scale = series.unit.convert(1.0, to)? - offset;
        if series.len() < LEAST + 2 {
            return None;
        }
        let taken = unheld(series);
        let interval_s = taken.median_interval_s()?.max(1e-3);
        let step = quantum::step_of(&taken.value) * scale.abs();
        let first = series.value[0];
        let moves = series.value.iter().any(|value| *value != first);
        let is_drawn = drawn::interval_s(&taken).is_some();
        Some(Self { series, scale, offset, unit: to.symbol().to_owned(), interval_s, step, moves, is_drawn, taken })
    }

    pub(super) fn id(&self) -> &str {
        self.series.id.as_str()
    }

    /// Middle nine tenths of the values.
    pub(super) fn spread(&self) -> f64 {
        let value = &self.taken.value;
        let mut some: Vec<f64> =
            value.iter().copied().step_by(value.len() / 8192 + 1).filter(|v| v.is_finite()).collect();
        let high = robust::quantile(&mut some, 0.95).unwrap_or(0.0);
        (high - robust::quantile(&mut some, 0.05).unwrap_or(0.0)) * self.scale.abs()
    }

    /// All windows of `length_ns` with enough samples, in order.
    ///
    /// The residual of a sample is its distance from the straight line between its neighbours, over sqrt(1 + a² + b²) with the
    /// line's weights a and b: for pure noise its standard deviation is that of the noise, a steady slope gives none. The
    /// greatest residuals are set aside, and what remains is scaled to the standard deviation of the normal distribution.
    pub(super) fn windows(&self, length_ns: i64) -> Vec<Window> {
        let (t, value) = (&self.taken.t_ns, &self.taken.value);
        let longest_ns = signal::nanos_from_seconds(longest_join_s(self.interval_s));
        let mut found = Vec::new();
        let mut squares: Vec<f64> = Vec::new();
        let (mut id, mut sum, mut first) = (i64::MIN, 0.0, 0);
        let mut sigma = Sigma::default();
        let mut close = |id: i64, squares: &mut Vec<f64>, sum: &mut f64, from: usize, to: usize| {
            if squares.len() >= LEAST {
                let mean = *sum / squares.len() as f64 * self.scale + self.offset;
                let is_flat = value[from.saturating_sub(1)..to].windows(2).all(|pair| pair[0] == pair[1]);
                found.push(Window { id, sigma: sigma.of(squares) * self.scale.abs(), mean, is_flat });
            }
            squares.clear();
            *sum = 0.0;
        };
        let mut end_ns = i64::MIN;
        for k in 1..value.len().saturating_sub(1) {
            if t[k] >= end_ns {
                let here = t[k].div_euclid(length_ns);
                end_ns = here.saturating_add(1).saturating_mul(length_ns);
                close(id, &mut squares, &mut sum, first, k);
                (id, first) = (here, k);
            }
            let (before, after) = (t[k].saturating_sub(t[k - 1]), t[k + 1].saturating_sub(t[k]));
            if before > longest_ns || after > longest_ns {
                continue;
            }
            let whole = (before + after) as f64;
            let share = if whole > 0.0 { before as f64 / whole } else { 0.5 };
            let line = value[k - 1] + share * (value[k + 1] - value[k - 1]);
            let residual = value[k] - line;
            if residual.is_finite() {
                squares.push(residual * residual / (1.0 + share * share + (1.0 - share) * (1.0 - share)));
                sum += value[k];
            }
        }
        close(id, &mut squares, &mut sum, first, value.len());
        found
    }
}

/// Standard deviation that squared residuals stand for, without the greatest of them.
///
/// The mean square of a normal variable below the quantile p of its size is 1 - 2 q phi(q) / p with phi the density and
/// q the quantile of the size (derived). It is computed anew only when the number of residuals changes.
#[derive(Default)]
struct Sigma {
    n: usize,
    share: f64,
}

impl Sigma {
    fn of(&mut self, squares: &mut [f64]) -> f64 {
        let n = squares.len();
        let aside = ((n as f64 * SET_ASIDE) as usize).max(SET_ASIDE_LEAST).min(n / 2);
        let kept = n - aside;
        if self.n != n {
            (self.n, self.share) = (n, kept_share(kept as f64 / n as f64));
        }
        let (below, _, _) = squares.select_nth_unstable_by(kept, f64::total_cmp);
        (below.iter().sum::<f64>() / kept as f64 / self.share).sqrt()
    }
}

/// Mean square of a standard normal variable whose size is below its quantile `p` (0..1).
pub(super) fn kept_share(p: f64) -> f64 {
    use statrs::distribution::{Continuous, ContinuousCDF, Normal};
    let normal = Normal::standard();
    let q = normal.inverse_cdf(0.5 + 0.5 * p);
    1.0 - 2.0 * q * normal.pdf(q) / p
}

#[cfg(test)]
mod tests {
    use super::*;
    use signal::{SignalId, Unit};

    #[test]
    fn the_share_of_the_middle() {
        // Half of all normal values lie within 0.6745; the mean square of those by Simpson's rule over the density.
        let (q, n) = (0.674_489_75, 2000);
        let f = |x: f64| x * x * (-0.5 * x * x).exp() / std::f64::consts::TAU.sqrt();
        let sum: f64 = (0..n)
            .map(|k| {
                let h = 2.0 * q / f64::from(n);
                let a = -q + h * f64::from(k);
                h / 6.0 * (f(a) + 4.0 * f(a + 0.5 * h) + f(a + h))
            })
            .sum();
        assert!((kept_share(0.5) - sum / 0.5).abs() < 1e-6);
    }

    #[test]
    fn noise_is_measured_on_a_slope_with_holes_and_stones() {
        let mut state = 5u64;
        let mut uniform = || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (state >> 40) as f64 / (1u64 << 24) as f64
        };
        let mut series = Series::new(SignalId::new("vehicle.speed").unwrap(), Unit::named("km/h"));
        for k in 0..4000_i64 {
            let noise = (0..12).map(|_| uniform()).sum::<f64>() - 6.0;
            let t_ns = k * 20_000_000 + (uniform() * 15e6) as i64;
            let lost = k % 100 == 50;
            let value = if lost { 0.0 } else { 30.0 + t_ns as f64 * 4e-9 + 0.5 * noise };
            if k % 700 < 690 {
                series.push_value(t_ns, value);
            }
        }
        let member = Member::new(&series).unwrap();
        let mut sigmas: Vec<f64> = member.windows(1_000_000_000).iter().map(|w| w.sigma).collect();
        assert!(sigmas.len() > 70);
        let middle = robust::median(&mut sigmas).unwrap();
        assert!((middle / 0.5 - 1.0).abs() < 0.1, "{middle}");
        assert!(sigmas.iter().all(|s| *s < 1.2), "{sigmas:?}");
    }

    #[test]
    fn means_stand_in_the_catalogues_unit() {
        // 212 degF, a tremble of 1.8, without a hole and with one of five intervals.
        let mut warm = crate::made::series("coolant.temperature", "degF", 0.1, 200, |k| 212.0 + 1.8 * (k % 2) as f64);
        let means = |series: &Series| {
            let windows = Member::new(series).unwrap().windows(2_000_000_000);
            windows.iter().map(|w| (w.id, (w.mean * 10.0).round())).collect::<Vec<_>>()
        };
        assert_eq!(means(&warm), (0..10).map(|id| (id, 1005.0)).collect::<Vec<_>>());
        warm.t_ns.iter_mut().skip(100).for_each(|t| *t += 4_000_000_000);
        assert_eq!(means(&warm).iter().map(|w| w.0).collect::<Vec<_>>(), [0, 1, 2, 3, 4, 7, 8, 9, 10, 11]);
    }
}
