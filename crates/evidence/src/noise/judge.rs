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
    let quiet = calmer(windows, |window| window.reference);
    let mut logs: Vec<f64> = quiet.iter().map(|w| w.ln_ratio(w.reference)).collect();
    let (ln_ratio, spread) = robust::median_and_sigma(&mut logs)?;
    // The median of n normal values has 1.25 times the error of their mean; neighbouring windows are not independent.
    let error = 1.25 * spread.max(0.1) * (2.0 / quiet.len() as f64).sqrt();
    let of = |f: &dyn Fn(&Beside) -> f64| robust::median(&mut quiet.iter().map(f).collect::<Vec<_>>());
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

/// The half of the windows whose neighbours are the quieter by `roughness`: there noise shows best, and a window does not get in
/// by its own luck.
pub(super) fn calmer(windows: &[Beside], roughness: impl Fn(&Beside) -> f64) -> Vec<Beside> {
    if windows.len() < 2 * LEAST_WINDOWS {
        return windows.to_vec();
    }
    let around = |k: usize| {
        let before = &windows[if k > 0 { k - 1 } else { k + 1 }];
        let after = &windows[if k + 1 < windows.len() { k + 1 } else { k - 1 }];
        roughness(before) + roughness(after)
    };
    let all: Vec<f64> = (0..windows.len()).map(around).collect();
    let Some(middle) = robust::median(&mut all.clone()) else { return Vec::new() };
    windows.iter().zip(all).filter(|(_, around)| *around <= middle).map(|(window, _)| *window).collect()
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

    fn about(found: f64, expected: f64, within: f64) {
        assert!((found - expected).abs() <= within, "{found} for {expected}");
    }

    /// scipy 1.17.1: 0.99 norm.pdf(x, 0, hypot(0.3, e)) + 0.01 norm.pdf(x, 0, hypot(0.6, e)) of the ratio's logarithm x, and
    /// norm.cdf((x - ln 2) / e) - norm.cdf((x - ln 80) / e) over ln 40; the odds with a prior of 0.2.
    #[test]
    fn densities_by_another_library() {
        for (x, error, sound, faulty, odds) in [
            (0.0, 0.1, 0.227_541, -28.202_812, -4.0),
            (3_f64.ln(), 0.2, -4.426_853, -1.326_868, 0.647_336),
            (1.3_f64.ln(), 0.05, -0.104_087, -41.505_672, -4.0),
            (6_f64.ln(), 0.25, -8.712_377, -1.305_328, 2.517_870),
        ] {
            let found = ln_densities(x, error);
            about(found.0, sound, 1e-5);
            about(found.1, faulty, 1e-3);
            about(log10_odds(x, error), odds, 1e-4);
        }
        // Smoother than its partners is as sound as alike.
        assert_eq!(ln_densities(-1.0, 0.1).0, ln_densities(0.0, 0.1).0);
    }

    fn plain(id: i64, own: f64, reference: f64) -> Beside {
        Beside { id, own, reference, floor: 0.0, mean: 50.0 }
    }

    #[test]
    fn windows_beside_one_another() {
        // 0.3 and a floor of 0.4 are 0.5.
        let window = Beside { floor: 0.4, ..plain(0, 0.3, 9.0) };
        about(window.ln_ratio(0.0), (0.5_f64 / 0.4).ln(), 1e-12);
        about(window.ln_ratio(0.3), 0.0, 1e-12);
        // Neighbours tell: 2 2 2 2 10 10 18 18 18 18 by sums of both sides, of which 10 is the middle.
        let rows: Vec<Beside> = (0..10).map(|k| plain(k, k as f64, if k < 5 { 1.0 } else { 9.0 })).collect();
        assert_eq!(calmer(&rows, |w| w.reference).iter().map(|w| w.id).collect::<Vec<_>>(), [0, 1, 2, 3, 4, 5]);
        assert_eq!(calmer(&rows[..7], |w| w.reference).len(), 7, "too few to choose");
        assert_eq!(calmer(&rows, |w| -w.own).iter().map(|w| w.id).collect::<Vec<_>>(), [5, 6, 7, 8, 9]);
        // The greatest beside it, unless the neighbour was left out: 3 stands alone.
        let gaps: Vec<Beside> =
            [(0, 1.0), (1, 5.0), (3, 2.0), (5, 4.0), (6, 1.0)].map(|(id, r)| plain(id, 1.0, r)).into();
        assert_eq!(greatest_near(&gaps), [5.0, 5.0, 2.0, 4.0, 4.0]);
    }

    /// All windows like the reference but for a stretch: the error of the median is 1.25 0.1 sqrt(2 / n) at least.
    #[test]
    fn what_is_judged() {
        let rows: Vec<Beside> = (0..40).map(|k| plain(k, if (10..14).contains(&k) { 8.0 } else { 3.0 }, 2.0)).collect();
        let judged = judge(&rows).unwrap();
        about(judged.ln_ratio, 1.5_f64.ln(), 1e-12);
        about(judged.error, 1.25 * 0.1 * (2.0 / 40.0_f64).sqrt(), 1e-12);
        assert_eq!((judged.own, judged.reference, judged.near_reference, judged.mean), (3.0, 2.0, 2.0, 50.0));
        assert_eq!((judged.n_compared, judged.n_windows), (40, 40));
        assert_eq!(judged.rough, [(10, 13)]);
        about(judged.worst_ratio, 4.0, 1e-9);
        assert!(judge(&[]).is_none());
    }

    /// One window of 30 that counts a hundredfold, as the most may, and 29 that count r: the mean over the five shares s of
    /// (1 - s + 100 s) (1 - s + r s)^29, times the prior of a fifth.
    #[test]
    fn what_bursts_add() {
        let near = |n_loud: usize| (0..30).map(|k| if k < n_loud { 3.0 } else { 0.0 }).collect::<Vec<f64>>();
        let (sound, faulty) = ln_densities(0.0, WINDOW_ERROR);
        let usual = (faulty - sound).exp();
        let expected = |n_loud: i32| {
            let of = |s: f64| (1.0 - s + 100.0 * s).powi(n_loud) * (1.0 - s + usual * s).powi(30 - n_loud);
            (0.2 * [0.003, 0.01, 0.03, 0.1, 0.3].map(of).iter().sum::<f64>() / 5.0).log10()
        };
        about(bursts(&near(1), 0.0, &[(0, 0)]), expected(1), 1e-9);
        assert!(expected(1) < ONE_BURST && expected(12) > MANY_BURSTS);
        // However loud, a short one is 1.5 decades at most, a long one or two 2.5, four 4.
        let of = |rough: &[(i64, i64)]| bursts(&near(12), 0.0, rough);
        assert_eq!(of(&[(0, 8)]), ONE_BURST);
        assert_eq!(
            (of(&[(0, 9)]), of(&[(0, 1), (4, 5)]), of(&[(0, 1), (4, 5), (8, 9)])),
            (TWO_BURSTS, TWO_BURSTS, TWO_BURSTS)
        );
        assert_eq!(of(&[(0, 1), (4, 5), (8, 9), (12, 13)]), MANY_BURSTS);
        assert_eq!(bursts(&near(12), 0.0, &[]), f64::NEG_INFINITY);
        // What it is rougher by all the time is no burst.
        assert!(bursts(&near(12), 3.0, &[(0, 9)]) < 0.0);
    }
}
