//! A wheel whose value comes late shows it while the speed changes: error = acceleration x delay.

use super::model::{self, Nuisance, Sizes};
use super::steady::{HIDDEN_SKEW_S, Steady, contrast};
use crate::stats::robust;
use crate::wheels::Rig;

/// Less than this beyond the skew of polling is nothing: gateways repeat wheel speeds every 10 to 100 ms (common practice, no
/// source).
const LEAST_DELAY_S: f64 = 0.1;

/// Greatest delay looked for.
const GREATEST_DELAY_S: f64 = 3.0;

/// A late wheel is ten times rarer than an odd one (assumed, no source).
const LOG10_RARER: f64 = -1.0;

/// Delay of each wheel against the others.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Lag {
    /// log10 odds that each wheel is late beyond what sampling explains.
    pub(crate) log10_odds: [f64; 4],
    /// Delay in seconds if this wheel alone is late.
    pub(crate) delay_s: [f64; 4],
    /// Delay that sampling alone may cause.
    pub(crate) allowed_s: f64,
}

/// Robust slope of `y` over `x` with an intercept (Huber weights, k = 1.345), and its standard error with half as many
/// independent values as there are. `None` when nothing varies.
fn slope(points: &[(f64, f64)]) -> Option<(f64, f64)> {
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

/// Delays of the wheels; `None` without four wheels or without changes of speed.
pub(crate) fn find(rig: &Rig, steady: &Steady) -> Option<Lag> {
    if rig.present != [true; 4] {
        return None;
    }
    let mut seen = Vec::new();
    let mut errors = Vec::new();
    for row in &steady.rows {
        let points: Vec<(f64, f64)> = rig
            .blocks
            .iter()
            .zip(&steady.used)
            .filter(|(_, used)| **used)
            .map(|(block, _)| (block.accel_m_s2 / block.speed_m_s, contrast(row, block, f64::NAN)))
            .collect();
        let (value, error) = slope(&points)?;
        seen.push(-value);
        errors.push(error);
    }
    let allowed_s = HIDDEN_SKEW_S + rig.interval_s;
    // Slip of the driven axle looks like a delay of 0.01 v, some 0.15 s; braking into corners of one side like 0.05 s.
    let nuisance = Nuisance { axle: [(0.15, 0.8), (0.5, 0.2)], side: [(0.05, 0.8), (0.2, 0.2)], wheel: allowed_s / 2.0 };
    let sizes = Sizes { least: allowed_s + LEAST_DELAY_S, greatest: GREATEST_DELAY_S.max(4.0 * allowed_s) };
    let weighing = model::weigh(&steady.rows, rig.present, &seen, &errors, &nuisance, sizes)?;
    let late = |i: usize| weighing.size[i] > allowed_s;
    Some(Lag {
        log10_odds: [0, 1, 2, 3].map(|i| if late(i) { weighing.log10_odds[i] + LOG10_RARER } else { -2.0 }),
        delay_s: weighing.size,
        allowed_s,
    })
}

#[cfg(test)]
mod tests {
    use super::slope;

    #[test]
    fn a_slope_that_one_wild_value_cannot_move() {
        // Reference line y = 2 x + 1 with one outlier: Huber gives 2.000, 1.000 where least squares gives 3.364.
        let points: Vec<(f64, f64)> = (0..10).map(|x| (f64::from(x), if x == 7 { 60.0 } else { 2.0 * f64::from(x) + 1.0 })).collect();
        assert!((slope(&points).unwrap().0 - 2.0).abs() < 0.01);
        assert!(slope(&[(1.0, 1.0), (1.0, 2.0)]).is_none());
        assert!(slope(&[]).is_none());
    }
}
