//! Whether bursts of noise would have shown, so that their absence says something.
//!
//! A burst is seen by the windows that it fills. Half of all bursts of length B fill no less of their best window of length L
//! than B / (2 L) + 1/4 (derived: a burst that begins anywhere lies within one window with the probability 1 - B / L, else it is
//! cut at any place with equal odds), and no burst more than B / L. A window sets its greatest residuals aside, so that
//! what fills it partly counts for less, and what fills no more than that share for nothing.

use super::judge::DECIDING_RATIO;
use super::windows::{SET_ASIDE, kept_share};
use crate::physics::Roughness;

/// Length of the bursts that a verdict "healthy" must have been able to see, seconds: a contact that moves with one bump
/// or bend (common practice, no source).
pub(super) const LENGTH_S: f64 = 2.0;
/// And their noise, in times of the usual roughness at rest: 1 km/h at a wheel, 7 % at a track (common practice, no source).
const MATTERS: f64 = 10.0;

/// Noise that must show, in the unit of the signal.
pub(super) fn that_matter(usual: Roughness) -> f64 {
    MATTERS * usual.floor
}

/// Standard deviation from which on the noise of a burst would have spoken in half of the windows of `window_s`; infinite where
/// none would. `reference`: what windows are compared with; `ln_ratio`: how the signal usually stands to it.
pub(super) fn shown_from(reference: f64, ln_ratio: f64, window_s: f64) -> f64 {
    let usual = ln_ratio.max(0.0).exp();
    // Own roughness is in the window already.
    reference * usual * (DECIDING_RATIO * DECIDING_RATIO - 1.0).sqrt() / gain(window_s)
}

/// Share of a burst's noise that half of all bursts leave in their best window (derived, see above).
fn gain(window_s: f64) -> f64 {
    let filled = (LENGTH_S / window_s).min(LENGTH_S / (2.0 * window_s) + 0.25).min(1.0);
    if filled <= SET_ASIDE {
        return 0.0;
    }
    let (left, kept) = (filled - SET_ASIDE, 1.0 - SET_ASIDE);
    (left / kept * kept_share(left / filled) / kept_share(kept)).sqrt()
}

#[cfg(test)]
mod tests {
    use super::super::windows::Member;
    use super::*;
    use crate::stats::robust;
    use signal::{Series, SignalId, Unit};

    #[test]
    fn what_bursts_leave_in_their_best_window() {
        assert!((gain(1.0) - 1.0).abs() < 1e-12 && gain(8.0) == 0.0);
        // Counted on bursts of noise at 10 Hz and 5 Hz, put anywhere into silence; the windows are those of the check.
        let mut state = 9u64;
        let mut uniform = || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (state >> 40) as f64 / (1u64 << 24) as f64
        };
        for (hz, window_s) in [(50.0, 1.0), (10.0, 1.8), (5.0, 3.6)] {
            let mut greatest: Vec<f64> = (0..400)
                .map(|_| {
                    let begun_s = 20.0 + window_s * uniform();
                    let mut series = Series::new(SignalId::new("wheel.speed.front_left").unwrap(), Unit::named("km/h"));
                    (0..(40.0 * hz) as i64).for_each(|k| {
                        let t_s = k as f64 / hz;
                        let noise = (0..12).map(|_| uniform()).sum::<f64>() - 6.0;
                        let is_in = (0.0..LENGTH_S).contains(&(t_s - begun_s));
                        series
                            .push_value(signal::nanos_from_seconds(t_s), 50.0 + noise * if is_in { 1.0 } else { 1e-4 });
                    });
                    let windows = Member::new(&series).unwrap().windows(signal::nanos_from_seconds(window_s));
                    windows.iter().map(|w| w.sigma).fold(0.0, f64::max)
                })
                .collect();
            let middle = robust::median(&mut greatest).unwrap();
            assert!((middle - gain(window_s)).abs() < 0.2, "{hz} Hz: {middle} for {}", gain(window_s));
        }
    }

    /// Ratios of 4 decide: noise beside what is there anyway, sqrt(16 - 1) times it. kept_share(p) is scipy's truncnorm.var between
    /// the quantiles of the middle p: 0.7052 and 0.3592 are left in windows of 2 and 4 s (scipy 1.17.1).
    #[test]
    fn noise_that_would_have_shown() {
        let about = |found: f64, expected: f64| assert!((found - expected).abs() < 1e-4, "{found} for {expected}");
        about(gain(2.0), 0.7052);
        about(gain(4.0), 0.3592);
        about(shown_from(0.2, 1.5_f64.ln(), 1.0), 0.2 * 1.5 * 15_f64.sqrt());
        about(shown_from(0.2, -1.0, 1.0), 0.2 * 15_f64.sqrt());
        about(shown_from(0.2, 0.0, 2.0), 0.2 * 15_f64.sqrt() / 0.7052);
        assert!(shown_from(0.2, 0.0, 8.0).is_infinite());
        let wheel = crate::physics::roughness(&SignalId::new("wheel.speed.front_left").unwrap()).unwrap();
        about(that_matter(wheel), 1.0);
    }
}
