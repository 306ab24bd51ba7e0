//! How strongly a ratio of roughness speaks for a fault.

use statrs::distribution::{ContinuousCDF, Normal};

use super::windows::Window;
use crate::stats::{change, robust};

/// Prior odds of a noisy signal against none: drives are examined because somebody complains.
const PRIOR: f64 = 0.2;
/// Sound partners differ by this much in the logarithm of their roughness: rings, axles and roads are not alike. On the
/// open motorway drive (comma2k19) the wheels differ by 0.15; taken twice as wide.
const SOUND: f64 = 0.3;
/// One sound signal in a hundred differs by this much.
const STRANGE: (f64, f64) = (0.01, 0.6);
/// Ratio from which on noise is worth a fault.
pub(super) const LEAST_RATIO: f64 = 2.0;
/// Ratio that decides even if the partners are as unlike as sound ones ever are (see the odds below).
pub(super) const DECIDING_RATIO: f64 = 4.0;
/// Greatest ratio: beyond it a signal is no longer a measurement.
const GREATEST_RATIO: f64 = 80.0;
/// The error of a single window's logarithm.
const WINDOW_ERROR: f64 = 0.25;
/// Most that one window may count: a stone, a rut or a patch of ice under one wheel comes once in a hundred windows.
const MOST_PER_WINDOW: f64 = 2.0;
/// Shares of the drive that bursts may take up, each as likely as the others.
const BURST_SHARES: [f64; 5] = [0.003, 0.01, 0.03, 0.1, 0.3];
/// One short burst may be anything; a long one, or two, are hardly the road.
const ONE_BURST: f64 = 1.5;
const TWO_BURSTS: f64 = 2.5;
const MANY_BURSTS: f64 = 4.0;
/// Windows that make a single burst long.
const LONG_BURST: usize = 10;
/// Odds are not reported beyond this.
pub(super) const MAX_LOG10_ODDS: f64 = 4.0;
/// Fewest windows on which a verdict rests, and the greatest error of the logarithm of the ratio.
pub(super) const LEAST_WINDOWS: usize = 4;
pub(super) const MOST_ERROR: f64 = 0.25;
/// Windows that change points are looked for in at a time, so that the work grows with the length of the drive only.
const CHUNK: usize = 512;

/// A window of the signal beside what is allowed there.
#[derive(Debug, Clone, Copy)]
pub(super) struct Beside {
    pub(super) id: i64,
    /// Own roughness.
    pub(super) own: f64,
    /// Roughness of the roughest partner, or what physics allow.
    pub(super) reference: f64,
    /// Roughness that is never held against a signal: half a step, and a part of what is usual.
    pub(super) floor: f64,
    /// Mean value.
    pub(super) mean: f64,
}

impl Beside {
    /// Logarithm of the ratio to a reference, both with the floor added.
    fn ln_ratio(&self, reference: f64) -> f64 {
        (self.own.hypot(self.floor) / reference.hypot(self.floor)).ln()
    }
}

/// What a comparison says.
#[derive(Debug, Clone)]
pub(super) struct Judged {
    /// Evidence that it is rough all the time.
    pub(super) steady: f64,
    /// Evidence that it is rough now and then; minus infinity without any burst.
    pub(super) bursts: f64,
    /// Logarithm of the ratio, and its standard error.
    pub(super) ln_ratio: f64,
    pub(super) error: f64,
    /// Median roughness of the signal and of the reference in the windows compared.
    pub(super) own: f64,
    pub(super) reference: f64,
    pub(super) mean: f64,
    /// Median of what bursts are compared with: the roughest reference in a window or beside it, with the floor added.
    pub(super) near_reference: f64,
    /// Windows compared, and all windows.
    pub(super) n_compared: usize,
    pub(super) n_windows: usize,
    /// Windows, first and last, of the stretches in which it is rougher than the midpoint between sound and faulty.
    pub(super) rough: Vec<(i64, i64)>,
    /// Greatest mean ratio of such a stretch.
    pub(super) worst_ratio: f64,
}

/// Weighs all windows of a signal; `None` without any.
pub(super) fn judge(windows: &[Beside]) -> Option<Judged> {
    let quiet = quiet(windows);
    let mut logs: Vec<f64> = quiet.iter().map(|w| w.ln_ratio(w.reference)).collect();
    let (ln_ratio, spread) = robust::median_and_sigma(&mut logs)?;
    // The median of n normal values has 1.25 times the error of their mean; neighbouring windows are not independent.
    let error = 1.25 * spread.max(0.1) * (2.0 / quiet.len() as f64).sqrt();
    let of = |f: &dyn Fn(&Beside) -> f64| robust::median(&mut quiet.iter().map(|w| f(w)).collect::<Vec<_>>());
    let (own, reference, mean) = (of(&|w| w.own)?, of(&|w| w.reference.hypot(w.floor))?, of(&|w| w.mean)?);
    let greatest = greatest_near(windows);
    let near: Vec<f64> = windows.iter().zip(&greatest).map(|(window, greatest)| window.ln_ratio(*greatest)).collect();
    let mut with_floor: Vec<f64> = windows.iter().zip(&greatest).map(|(window, r)| r.hypot(window.floor)).collect();
    let (rough, worst_ratio) = stretches(windows, &near);
    Some(Judged {
        steady: log10_odds(ln_ratio, error),
        bursts: bursts(&near, ln_ratio, &rough),
        ln_ratio,
        error,
        own,
        reference,
        mean,
        near_reference: robust::median(&mut with_floor)?,
        n_compared: quiet.len(),
        n_windows: windows.len(),
        rough,
        worst_ratio,
    })
}

/// The half of the windows whose neighbours' references are the quieter: there noise shows best, and a window does not get in
/// by its own luck.
fn quiet(windows: &[Beside]) -> Vec<&Beside> {
    if windows.len() < 2 * LEAST_WINDOWS {
        return windows.iter().collect();
    }
    let around = |k: usize| {
        let before = if k > 0 { windows[k - 1].reference } else { windows[k + 1].reference };
        let after = if k + 1 < windows.len() { windows[k + 1].reference } else { before };
        before + after
    };
    let all: Vec<f64> = (0..windows.len()).map(around).collect();
    let Some(middle) = robust::median(&mut all.clone()) else { return Vec::new() };
    windows.iter().zip(all).filter(|(_, around)| *around <= middle).map(|(window, _)| window).collect()
}

/// The greatest reference in a window or beside it: one wheel after the other meets a stone.
fn greatest_near(windows: &[Beside]) -> Vec<f64> {
    let reference = |k: usize, other: usize| {
        let is_beside = windows.get(other).is_some_and(|w| (w.id - windows[k].id).abs() <= 1);
        if is_beside { windows[other].reference } else { 0.0 }
    };
    let around = |k: usize| reference(k, k).max(reference(k, k.wrapping_sub(1))).max(reference(k, k + 1));
    (0..windows.len()).map(around).collect()
}

/// Logarithms of the probability densities of a ratio's logarithm: sound, and faulty.
fn ln_densities(ln_ratio: f64, error: f64) -> (f64, f64) {
    let density = |x: f64, s: f64| (-0.5 * (x / s).powi(2)).exp() / (s * std::f64::consts::TAU.sqrt());
    let x = ln_ratio.max(0.0);
    let (share, strange) = STRANGE;
    let sound = (1.0 - share) * density(x, SOUND.hypot(error)) + share * density(x, strange.hypot(error));
    let (least, greatest) = (LEAST_RATIO.ln(), GREATEST_RATIO.ln());
    let below = |x: f64| Normal::standard().cdf(x / error.max(0.05));
    let x = ln_ratio.min(greatest - 1.0);
    let faulty = (below(x - least) - below(x - greatest)) / (greatest - least);
    (sound.max(1e-300).ln(), faulty.max(1e-300).ln())
}

/// Odds of a lasting fault.
fn log10_odds(ln_ratio: f64, error: f64) -> f64 {
    let (sound, faulty) = ln_densities(ln_ratio, error);
    (PRIOR.log10() + (faulty - sound) / std::f64::consts::LN_10).clamp(-MAX_LOG10_ODDS, MAX_LOG10_ODDS)
}

/// Odds of bursts: every window is rough with a small probability, and each of those probabilities is averaged over.
fn bursts(near: &[f64], ln_ratio: f64, rough: &[(i64, i64)]) -> f64 {
    if rough.is_empty() {
        return f64::NEG_INFINITY;
    }
    let usual = ln_ratio.max(0.0);
    let ratios: Vec<f64> = near
        .iter()
        .map(|x| {
            let (sound, faulty) = ln_densities(x - usual, WINDOW_ERROR);
            10f64.powf(((faulty - sound) / std::f64::consts::LN_10).min(MOST_PER_WINDOW))
        })
        .collect();
    let of_share = |share: f64| ratios.iter().map(|ratio| (1.0 - share + share * ratio).log10()).sum::<f64>();
    let all: Vec<f64> = BURST_SHARES.iter().map(|share| of_share(*share)).collect();
    let greatest = all.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let mean = greatest + (all.iter().map(|x| 10f64.powf(x - greatest)).sum::<f64>() / all.len() as f64).log10();
    let is_long = rough.iter().any(|(from, to)| (to - from + 1) as usize >= LONG_BURST);
    let most = match rough.len() {
        1 if is_long => TWO_BURSTS,
        1 => ONE_BURST,
        2 | 3 => TWO_BURSTS,
        _ => MANY_BURSTS,
    };
    (PRIOR.log10() + mean).min(most)
}

/// Stretches between change points in which the mean ratio lies above the least that is a fault, and the greatest ratio.
fn stretches(windows: &[Beside], near: &[f64]) -> (Vec<(i64, i64)>, f64) {
    let is_quiet = |chunk: &[f64]| chunk.iter().all(|x| *x < LEAST_RATIO.ln());
    if is_quiet(near) {
        return (Vec::new(), 1.0);
    }
    let mut steps: Vec<f64> = near.windows(2).map(|pair| pair[1] - pair[0]).collect();
    // Differences of neighbours have sqrt(2) times the spread, whatever the level does.
    let sigma = robust::median_and_sigma(&mut steps).map_or(0.0, |(_, sigma)| sigma / std::f64::consts::SQRT_2);
    let sigma = sigma.max(0.1);
    let mut found: Vec<(i64, i64)> = Vec::new();
    let mut worst = 1.0_f64;
    for from in (0..near.len()).step_by(CHUNK) {
        let chunk = &near[from..(from + CHUNK).min(near.len())];
        if is_quiet(chunk) {
            continue;
        }
        let penalty = 2.0 * sigma * sigma * (near.len() as f64).ln();
        let mut bounds = vec![0];
        bounds.extend(change::pelt(chunk, penalty, 1));
        bounds.push(chunk.len());
        for pair in bounds.windows(2) {
            let mean = chunk[pair[0]..pair[1]].iter().sum::<f64>() / (pair[1] - pair[0]) as f64;
            if mean < LEAST_RATIO.ln() {
                continue;
            }
            worst = worst.max(mean.exp());
            let (first, last) = (windows[from + pair[0]].id, windows[from + pair[1] - 1].id);
            match found.last_mut().filter(|before| first - before.1 <= 2) {
                Some(before) => before.1 = last,
                None => found.push((first, last)),
            }
        }
    }
    (found, worst)
}

/// The windows that both have, side by side.
pub(super) fn beside(own: &[Window], partners: &[&[Window]], floor: impl Fn(f64) -> f64) -> Vec<Beside> {
    let mut at = vec![0usize; partners.len()];
    own.iter()
        .filter_map(|window| {
            let mut reference: Option<f64> = None;
            for (partner, at) in partners.iter().zip(&mut at) {
                while partner.get(*at).is_some_and(|w| w.id < window.id) {
                    *at += 1;
                }
                // Where one partner is not seen nothing is compared: it may be the one that is as rough.
                let other = partner.get(*at).filter(|w| w.id == window.id)?;
                reference = Some(reference.map_or(other.sigma, |r| r.max(other.sigma)));
            }
            Some(Beside {
                id: window.id,
                own: window.sigma,
                reference: reference?,
                floor: floor(window.mean),
                mean: window.mean,
            })
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ratios_and_their_odds() {
        assert!(log10_odds(0.0, 0.1) <= -1.0);
        assert!(log10_odds(1.5_f64.ln(), 0.05) <= -1.0);
        assert!((-1.0..2.0).contains(&log10_odds(2.5_f64.ln(), 0.1)));
        assert!(log10_odds(4.5_f64.ln(), 0.1) >= 2.0);
        assert!(log10_odds(200_f64.ln(), 0.1) >= 2.0, "ever rougher is never sound");
        assert!(log10_odds(4.5_f64.ln(), 0.8) < 2.0, "an unsure ratio decides nothing");
    }

    fn row(own: impl Fn(i64) -> f64, n: i64) -> Vec<Beside> {
        // A little scatter, the same every time.
        let wobble = |k: i64| 1.0 + 0.1 * ((k * 37 % 11) as f64 / 5.0 - 1.0);
        (0..n)
            .map(|k| Beside { id: k, own: own(k) * wobble(k), reference: wobble(3 * k + 1), floor: 0.1, mean: 50.0 })
            .collect()
    }

    #[test]
    fn steady_and_now_and_then() {
        let sound = judge(&row(|_| 1.0, 60)).unwrap();
        assert!(sound.steady <= -1.0 && sound.rough.is_empty() && sound.bursts < -10.0, "{sound:?}");
        let rough = judge(&row(|_| 6.0, 60)).unwrap();
        assert!(rough.steady >= 2.0 && rough.rough == [(0, 59)], "{rough:?}");
        let stone = judge(&row(|k| if k == 30 { 20.0 } else { 1.0 }, 60)).unwrap();
        assert!(stone.steady <= -1.0 && stone.bursts < 2.0, "one burst decides nothing: {stone:?}");
        let loose = judge(&row(|k| if k % 20 < 2 { 8.0 } else { 1.0 }, 60)).unwrap();
        assert!(loose.steady <= -1.0 && loose.bursts >= 2.0 && loose.rough.len() == 3, "{loose:?}");
        let since = judge(&row(|k| if k >= 45 { 8.0 } else { 1.0 }, 60)).unwrap();
        assert_eq!(since.rough, [(45, 59)], "{since:?}");
    }
}
