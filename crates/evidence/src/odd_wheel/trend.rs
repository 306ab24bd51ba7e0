//! Errors that show only while something else varies: a value that comes late (error = acceleration x delay) and a value
//! with a constant added (relative error = constant / speed).

use super::model::{self, Nuisance, Sizes};
use super::steady::{HIDDEN_SKEW_S, Steady, contrast};
use crate::stats::robust;
use crate::wheels::{Block, Rig};

/// A wheel whose every sample has its own time may still be this late without a fault: modules renew wheel speeds every 10 to
/// 20 ms, links and operating systems hold answers back by as much (common practice, no source).
const OWN_TIME_S: f64 = 0.05;

/// Wheels that share one time for each row may have been polled one after another, four times 60 ms at most (common practice
/// for polling over a diagnostic link, no source).
const ONE_ROW_S: f64 = 0.2;

/// Less than this beyond what is allowed is nothing.
const LEAST_DELAY_S: f64 = 0.06;

/// Greatest delay looked for.
const GREATEST_DELAY_S: f64 = 3.0;

/// Least constant that is a fault, km/h, beyond what rounding explains: five times what the speed of a free wheel wanders.
const LEAST_CONSTANT_KMH: f64 = 0.5;

/// Late or shifted wheels are ten times rarer than odd ones (assumed, no source).
const LOG10_RARER: f64 = -1.0;

/// How each wheel's relative error follows something else.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Trend {
    /// log10 odds that each wheel follows it beyond what is allowed.
    pub(crate) log10_odds: [f64; 4],
    /// The coefficient if this wheel alone is at fault: seconds late, or km/h too much.
    pub(crate) size: [f64; 4],
    /// Standard error of that.
    pub(crate) sigma: [f64; 4],
    /// What sampling and roads alone may cause.
    pub(crate) allowed: f64,
}

impl Trend {
    /// Whether a wheel is more probably off than within what is allowed, though that proves nothing.
    pub(super) fn is_suspect(&self, wheel: usize) -> bool {
        self.size[wheel] - self.sigma[wheel] > self.allowed
    }

    /// Least size that the drive excludes for a wheel: two standard errors beyond what was found.
    pub(super) fn excluded_s(&self, wheel: usize) -> f64 {
        (self.size[wheel] + 2.0 * self.sigma[wheel]).max(self.allowed)
    }
}

/// Robust slope of `y` over `x` with an intercept (Huber weights, k = 1.345), and its standard error with half as many
/// independent values as there are. `None` when nothing varies.
pub(super) fn slope(points: &[(f64, f64)]) -> Option<(f64, f64)> {
    let mut value = (0.0, robust::median(&mut points.iter().map(|p| p.1).collect::<Vec<_>>())?);
    let mut error = f64::INFINITY;
    for _ in 0..8 {
        let off = |p: &(f64, f64)| p.1 - value.1 - value.0 * p.0;
        let sigma = robust::median_and_sigma(&mut points.iter().map(off).collect::<Vec<_>>())?.1.max(1e-6);
        let weights: Vec<f64> = points.iter().map(|p| (1.345 * sigma / off(p).abs().max(1e-12)).min(1.0)).collect();
        let sum = |of: &dyn Fn(&(f64, f64)) -> f64| points.iter().zip(&weights).map(|(p, w)| w * of(p)).sum::<f64>();
        let n = sum(&|_| 1.0);
        let (mx, my) = (sum(&|p| p.0) / n, sum(&|p| p.1) / n);
        let sxx = sum(&|p| (p.0 - mx).powi(2));
        if sxx <= 1e-9 {
            return None;
        }
        let s = sum(&|p| (p.0 - mx) * (p.1 - my)) / sxx;
        value = (s, my - s * mx);
        error = sigma * (2.0 / sxx).sqrt();
    }
    Some((value.0, error))
}

/// Regresses the contrasts on `regressor` and weighs whose fault the slopes are; `None` without four wheels or when the
/// regressor does not vary.
fn find(
    rig: &Rig,
    steady: &Steady,
    regressor: impl Fn(&Block) -> f64,
    nuisance: Nuisance,
    sizes: Sizes,
) -> Option<Trend> {
    if rig.present != [true; 4] {
        return None;
    }
    let mut seen = Vec::new();
    let mut errors = Vec::new();
    for row in &steady.rows {
        let used = rig.blocks.iter().zip(&steady.ordinary).filter(|(_, used)| **used).map(|(block, _)| block);
        let points: Vec<(f64, f64)> = used.map(|block| (regressor(block), contrast(row, block, f64::NAN))).collect();
        let (value, error) = slope(&points)?;
        // What rounding leaves does not average out over many samples of the same few values.
        let n = points.len() as f64;
        let mean = points.iter().map(|p| p.0).sum::<f64>() / n;
        let spread = (points.iter().map(|p| (p.0 - mean).powi(2)).sum::<f64>() / n).sqrt();
        let norm = row.iter().map(|w| w * w).sum::<f64>().sqrt();
        seen.push(value);
        errors.push(error.hypot(norm * steady.rounding / spread));
    }
    let weighing = model::weigh(&steady.rows, rig.present, &seen, &errors, &nuisance, sizes)?;
    // What lies beyond the greatest size is something else that happened to go along with the regressor.
    let odds =
        |wheel: usize| if weighing.size[wheel].abs() > sizes.greatest { -1.0 } else { weighing.log10_odds[wheel] };
    let log10_odds = [0, 1, 2, 3].map(|wheel| odds(wheel) + LOG10_RARER);
    Some(Trend { log10_odds, size: weighing.size, sigma: weighing.sigma, allowed: sizes.least })
}

/// Wheels that are late: what a wheel shows is what it did some time ago, so its error is minus acceleration times delay.
pub(crate) fn late(rig: &Rig, steady: &Steady) -> Option<Trend> {
    // Within one row everything between two rows may have passed.
    let allowed_s = if rig.shares_times { ONE_ROW_S.max(HIDDEN_SKEW_S + rig.interval_s) } else { OWN_TIME_S };
    // Polling spreads the wheels evenly over what is allowed: a standard deviation of less than a third, a quarter to the
    // mean of the others. Brakes that grip unlike each other by a tenth look like 0.02 s.
    // A wheel cannot know its speed before it turns: delays have one sign.
    // Slip of the driven axle looks like a delay of 0.01 v, some 0.15 s; braking into corners of one side like 0.05 s.
    let nuisance = Nuisance {
        axle: [(0.15, 0.8), (0.5, 0.2)],
        side: [(0.05, 0.9), (0.2, 0.1)],
        wheel: (allowed_s / 4.0).max(0.02),
    };
    let sizes =
        Sizes { least: allowed_s + LEAST_DELAY_S, greatest: GREATEST_DELAY_S.max(4.0 * allowed_s), either_sign: false };
    let mut trend = find(rig, steady, |block| -block.accel_m_s2 / block.speed_m_s, nuisance, sizes)?;
    trend.allowed = allowed_s;
    Some(trend)
}

/// A constant is told from a share only where the speed changes by this factor: slowest to fastest tenth of the drive.
const SPEED_FACTOR: f64 = 1.5;

/// Wheels to whose speed a constant is added, km/h.
pub(crate) fn shifted(rig: &Rig, steady: &Steady) -> Option<Trend> {
    // Wheels that cut their last digit instead of rounding it differ by half a step.
    let allowed_kmh = 0.1 + rig.step_kmh / 2.0;
    // Slip grows with speed (0.5 % from drag at 140 km/h looks like 0.3 km/h); corners are taken at low speed.
    let nuisance = Nuisance { axle: [(0.3, 0.8), (1.0, 0.2)], side: [(0.5, 0.8), (2.0, 0.2)], wheel: allowed_kmh };
    let used = || rig.blocks.iter().zip(&steady.used).filter(|(_, used)| **used);
    let speed_at =
        |share: f64| robust::quantile(&mut used().map(|(block, _)| block.speed_m_s).collect::<Vec<_>>(), share);
    if speed_at(0.9)? < SPEED_FACTOR * speed_at(0.1)? {
        return None;
    }
    let sizes = Sizes { least: LEAST_CONSTANT_KMH + rig.step_kmh / 2.0, greatest: 30.0, either_sign: true };
    find(rig, steady, |block| 1.0 / (3.6 * block.speed_m_s), nuisance, sizes)
}

#[cfg(test)]
mod tests {
    use super::slope;

    #[test]
    fn a_slope_that_one_wild_value_cannot_move() {
        // Reference line y = 2 x + 1 with one outlier: Huber gives 2.000, 1.000 where least squares gives 3.364.
        let points: Vec<(f64, f64)> =
            (0..10).map(|x| (f64::from(x), if x == 7 { 60.0 } else { 2.0 * f64::from(x) + 1.0 })).collect();
        assert!((slope(&points).unwrap().0 - 2.0).abs() < 0.01);
        assert!(slope(&[(1.0, 1.0), (1.0, 2.0)]).is_none());
        assert!(slope(&[]).is_none());
    }
}
