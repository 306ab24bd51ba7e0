//! Rates of events with exposure: exact intervals, comparisons of two rates, and likelihoods of clustered counts.
//!
//! Exposure is whatever the events come per: firings, seconds, revolutions. Nothing here asks what it is.

use statrs::function::beta::checked_beta_reg;
use statrs::function::gamma::{gamma_lr, gamma_ur, ln_gamma};

/// Events, and what they came out of.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Count {
    /// How many events.
    pub events: u64,
    /// Exposure, greater than 0 to say anything.
    pub exposure: f64,
}

impl Count {
    /// Events per unit of exposure; 0 without exposure.
    #[must_use]
    pub fn rate(self) -> f64 {
        if self.exposure > 0.0 { self.events as f64 / self.exposure } else { 0.0 }
    }
}

/// Regularised incomplete beta function; not a number for arguments outside its domain, where the library would panic.
pub(crate) fn beta_reg(a: f64, b: f64, x: f64) -> f64 {
    checked_beta_reg(a, b, x).unwrap_or(f64::NAN)
}

/// Argument in 0..=1 where [`beta_reg`] reaches `p`.
fn beta_quantile(a: f64, b: f64, p: f64) -> f64 {
    halved(0.0, 1.0, |x| beta_reg(a, b, x) >= p)
}

/// Least argument between `low` and `high` that `reaches`, for a condition that stays true once it is.
///
/// A bracket may span many orders of magnitude: 200 steps exhaust double precision from any start.
pub(crate) fn halved(mut low: f64, mut high: f64, reaches: impl Fn(f64) -> bool) -> f64 {
    for _ in 0..200 {
        let middle = f64::midpoint(low, high);
        if middle <= low || middle >= high {
            break;
        }
        if reaches(middle) { high = middle } else { low = middle }
    }
    high
}

/// Argument where the regularised lower incomplete gamma function of shape `shape` reaches `p`.
pub(crate) fn gamma_quantile(shape: f64, p: f64) -> f64 {
    if shape <= 0.0 || p <= 0.0 {
        return 0.0;
    }
    let reaches = move |x: f64| if p < 0.5 { gamma_lr(shape, x) >= p } else { gamma_ur(shape, x) <= 1.0 - p };
    let mut high = shape + 1.0;
    while !reaches(high) && high < 1e300 {
        high *= 2.0;
    }
    halved(0.0, high, reaches)
}

/// Exact two-sided interval of the expected number of events when `events` were seen.
///
/// Source: Garwood 1936, chi2(alpha/2; 2k)/2 and chi2(1 - alpha/2; 2k + 2)/2. A count divided by its index of dispersion
/// may be passed too; the interval is then an approximation.
///
/// ```
/// let (low, high) = evidence::poisson::interval(3.0, 0.95);
/// assert!((low - 0.618672).abs() < 1e-6 && (high - 8.76727).abs() < 1e-5);
/// ```
#[must_use]
pub fn interval(events: f64, confidence: f64) -> (f64, f64) {
    let tail = 0.5 * (1.0 - confidence);
    (gamma_quantile(events, tail), gamma_quantile(events + 1.0, 1.0 - tail))
}

/// Exact one-sided upper bound of the expected number of events. Source: Garwood 1936; for no event it is -ln(1 - c).
///
/// ```
/// assert!((evidence::poisson::upper_bound(0.0, 0.95) - 2.99573).abs() < 1e-5);
/// ```
#[must_use]
pub fn upper_bound(events: f64, confidence: f64) -> f64 {
    gamma_quantile(events + 1.0, confidence)
}

/// Probability of `k` or more out of `n` when each falls here with probability `share`; counts may be fractions, as they
/// are after division by an index of dispersion.
pub(crate) fn binomial_tail(k: f64, n: f64, share: f64) -> f64 {
    if k <= 0.0 {
        return 1.0;
    }
    if k > n || share <= 0.0 {
        return 0.0;
    }
    if share >= 1.0 {
        return 1.0;
    }
    beta_reg(k, n - k + 1.0, share)
}

/// Two rates side by side.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Comparison {
    /// One-sided: chance of so many or more in the first, were the rates equal.
    pub p_greater: f64,
    /// One-sided: chance of so few or fewer in the first, were the rates equal.
    pub p_less: f64,
    /// Two-sided: chance of all outcomes that are no more likely than this one.
    pub p_two_sided: f64,
    /// First rate over second; infinite when the second count is 0 and the first is not.
    pub ratio: f64,
    /// Exact 95 % interval of the ratio of the true rates.
    pub ratio_interval: (f64, f64),
}

/// Exact comparison of two rates, given the sum of their counts.
///
/// Source: conditional test of Przyborowski and Wilenski 1940 as reviewed in Krishnamoorthy and Thomson 2004; the
/// interval is Clopper and Pearson's, carried over to the ratio. `None` without exposure on either side.
#[must_use]
pub fn compare(first: Count, second: Count) -> Option<Comparison> {
    if !(first.exposure > 0.0 && second.exposure > 0.0) {
        return None;
    }
    let (k, n) = (first.events as f64, (first.events + second.events) as f64);
    let share = first.exposure / (first.exposure + second.exposure);
    // But for a constant, which no comparison notices.
    let ln_p = |j: f64| j * share.ln() + (n - j) * (-share).ln_1p() - ln_gamma(j + 1.0) - ln_gamma(n - j + 1.0);
    // Rounding must not part outcomes that are equally likely: the same allowance as scipy's.
    let limit = ln_p(k) + 1e-7;
    // The outcomes on the other side of the mode that are no more likely form one tail: found by halving.
    let mode = ((n + 1.0) * share).floor().min(n);
    let p_greater = binomial_tail(k, n, share);
    let p_less = binomial_tail(n - k, n, 1.0 - share);
    let p_two_sided = if ln_p(mode) <= limit {
        1.0
    } else if k < mode {
        let from = first_where(mode, n, |j| ln_p(j) <= limit);
        p_less + from.map_or(0.0, |j| binomial_tail(j, n, share))
    } else {
        let from = first_where(n - mode, n, |j| ln_p(n - j) <= limit);
        p_greater + from.map_or(0.0, |j| binomial_tail(j, n, 1.0 - share))
    };
    let odds = |p: f64| p / (1.0 - p) * second.exposure / first.exposure;
    let low = if k > 0.0 { odds(beta_quantile(k, n - k + 1.0, 0.025)) } else { 0.0 };
    let high = if k < n { odds(beta_quantile(k + 1.0, n - k, 0.975)) } else { f64::INFINITY };
    let ratio = match (first.events, second.events) {
        (0, _) => 0.0,
        (_, 0) => f64::INFINITY,
        _ => first.rate() / second.rate(),
    };
    Some(Comparison { p_greater, p_less, p_two_sided: p_two_sided.min(1.0), ratio, ratio_interval: (low, high) })
}

/// Smallest whole number from `from` to `to` that `holds`, for a condition that stays true once it is.
fn first_where(from: f64, to: f64, holds: impl Fn(f64) -> bool) -> Option<f64> {
    if !holds(to) {
        return None;
    }
    let (mut below, mut at) = (from, to);
    while at - below > 1.0 {
        let middle = f64::midpoint(below, at).floor();
        if holds(middle) { at = middle } else { below = middle }
    }
    Some(at)
}

/// Two-sided p-value of the E-test that two rates are equal: more powerful than the conditional test for few events.
///
/// Source: Krishnamoorthy and Thomson 2004, JSPI 119:23-35. Time grows with the product of the counts' spreads.
#[must_use]
pub fn e_test(first: Count, second: Count) -> Option<f64> {
    if !(first.exposure > 0.0 && second.exposure > 0.0) {
        return None;
    }
    let (n1, n2) = (first.exposure, second.exposure);
    let pooled = (first.events + second.events) as f64 / (n1 + n2);
    if pooled == 0.0 {
        return Some(1.0);
    }
    let statistic = |x1: f64, x2: f64| {
        let variance = x1 / (n1 * n1) + x2 / (n2 * n2);
        if variance > 0.0 { (x1 / n1 - x2 / n2).abs() / variance.sqrt() } else { 0.0 }
    };
    // Outcomes that are equally far from equality belong together, whatever rounding makes of them.
    let observed = statistic(first.events as f64, second.events as f64) * (1.0 - 1e-12);
    let terms = |mean: f64| {
        // Ten standard deviations and thirty counts on either side leave less than 1e-12 outside.
        let reach = 10.0 * mean.sqrt() + 30.0;
        let from = (mean - reach).max(0.0).floor() as u64;
        (from..=(mean + reach) as u64).map(move |k| (k as f64, ln_poisson(k, mean).exp()))
    };
    let seconds: Vec<(f64, f64)> = terms(n2 * pooled).collect();
    let p: f64 = terms(n1 * pooled)
        .map(|(x1, p1)| {
            p1 * seconds.iter().filter(|(x2, _)| statistic(x1, *x2) >= observed).map(|(_, p2)| p2).sum::<f64>()
        })
        .sum();
    Some(p.min(1.0))
}

/// Probability that the first rate is more than `times` the second, with Jeffreys' prior on both: Gamma(1/2, 0).
///
/// Source: the ratio of two gamma variables is a beta variable; `times` = 1 gives P(Beta(k1 + 1/2, k2 + 1/2) > T1/(T1+T2)).
///
/// ```
/// use evidence::poisson::{Count, probability_greater};
/// let p = probability_greater(Count { events: 20, exposure: 1000.0 }, Count { events: 4, exposure: 1000.0 }, 1.0);
/// assert!((p - 0.999661).abs() < 1e-6);
/// ```
#[must_use]
pub fn probability_greater(first: Count, second: Count, times: f64) -> f64 {
    if !(first.exposure > 0.0 && second.exposure > 0.0) {
        return 0.5;
    }
    let at = times * first.exposure / (times * first.exposure + second.exposure);
    let (a, b) = (first.events as f64 + 0.5, second.events as f64 + 0.5);
    // The complement from the other side keeps small probabilities exact.
    beta_reg(b, a, 1.0 - at)
}

/// Natural logarithm of the Poisson probability of `k` events.
pub(crate) fn ln_poisson(k: u64, mean: f64) -> f64 {
    if mean <= 0.0 {
        return if k == 0 { 0.0 } else { f64::NEG_INFINITY };
    }
    k as f64 * mean.ln() - mean - ln_gamma(k as f64 + 1.0)
}

/// Natural logarithm of the probability of `k` events that come in clusters: a negative binomial whose variance is
/// `dispersion` times its mean; Poisson for a dispersion of 1 or less.
///
/// Counts of neighbouring stretches add up to the same law with the same dispersion, so that it does not matter how a
/// drive is cut. Source: negative binomial of size `mean / (dispersion - 1)`, success probability `1 / dispersion`
/// ("NB1" in Cameron and Trivedi, Regression Analysis of Count Data, from memory).
#[must_use]
pub fn ln_clustered(k: u64, mean: f64, dispersion: f64) -> f64 {
    if dispersion <= 1.0 + 1e-9 || mean <= 0.0 {
        return ln_poisson(k, mean);
    }
    let size = mean / (dispersion - 1.0);
    let zero = -size * dispersion.ln();
    if k == 0 {
        return zero;
    }
    let k = k as f64;
    ln_gamma(k + size) - ln_gamma(size) - ln_gamma(k + 1.0) + zero + k * (1.0 - 1.0 / dispersion).ln()
}

/// Natural logarithm of the probability of `count` when its rate is drawn from Gamma(`shape`, `rate`): the gamma-Poisson
/// marginal likelihood, a negative binomial of size `shape`.
#[must_use]
pub fn ln_gamma_poisson(count: Count, shape: f64, rate: f64) -> f64 {
    let (k, t) = (count.events as f64, count.exposure);
    if t <= 0.0 {
        return if count.events == 0 { 0.0 } else { f64::NEG_INFINITY };
    }
    ln_gamma(shape + k) - ln_gamma(shape) - ln_gamma(k + 1.0)
        + shape * (rate / (rate + t)).ln()
        + k * (t / (rate + t)).ln()
}

/// Chance of `k` or fewer events in `exposure` when the rate is known only from `before`, with Jeffreys' prior.
///
/// Source: sum of [`ln_gamma_poisson`] with shape k1 + 1/2 and rate T1: the distribution function of a negative binomial,
/// which is a regularised incomplete beta function. `scale` divides counts and exposures alike (index of dispersion).
pub(crate) fn predictive_at_most(before: Count, k: u64, exposure: f64, scale: f64) -> f64 {
    if !(before.exposure > 0.0 && exposure > 0.0) {
        return 1.0;
    }
    let shape = before.events as f64 / scale + 0.5;
    beta_reg(shape, k as f64 / scale + 1.0, before.exposure / (before.exposure + exposure))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn clusters_add_up() {
        // Two stretches of mean 2 and 3 make one of mean 5.
        let whole = ln_clustered(7, 5.0, 4.0);
        let parts: f64 = (0..=7).map(|k| (ln_clustered(k, 2.0, 4.0) + ln_clustered(7 - k, 3.0, 4.0)).exp()).sum();
        assert!((whole - parts.ln()).abs() < 1e-10);
        assert!((ln_clustered(3, 2.0, 1.0 + 1e-6) - ln_poisson(3, 2.0)).abs() < 1e-5);
    }

    #[test]
    fn prediction_is_the_sum_of_its_terms() {
        let before = Count { events: 4, exposure: 100.0 };
        let sum: f64 = (0..=3).map(|k| ln_gamma_poisson(Count { events: k, exposure: 50.0 }, 4.5, 100.0).exp()).sum();
        assert!((predictive_at_most(before, 3, 50.0, 1.0) - sum).abs() < 1e-10);
        assert_eq!(predictive_at_most(Count::default(), 3, 50.0, 1.0), 1.0);
    }

    fn count(events: u64, exposure: f64) -> Count {
        Count { events, exposure }
    }

    fn close(ours: f64, table: f64) -> bool {
        ours == table || (ours / table - 1.0).abs() < 1e-6
    }

    /// Values of scipy 1.17.1: `binomtest` (both sides, tails, exact interval), `poisson_means_test` and `beta.sf` with
    /// Jeffreys' prior for once, half and twice the rate.
    #[test]
    fn two_rates_as_a_reference_library_compares_them() {
        struct Case {
            counts: (Count, Count),
            tails: (f64, f64, f64),
            interval: (f64, f64),
            e: f64,
            greater: [f64; 3],
        }
        let inf = f64::INFINITY;
        let cases = [
            Case {
                counts: (count(20, 1000.0), count(4, 1000.0)),
                tails: (0.000_771_939_75, 0.999_861_42, 0.001_543_879_5),
                interval: (1.674_928_9, 20.117_707),
                e: 0.000_907_599_92,
                greater: [0.999_660_9, 0.999_999_79, 0.964_430_7],
            },
            Case {
                counts: (count(0, 1000.0), count(5, 500.0)),
                tails: (1.0, 0.004_115_226_3, 0.004_115_226_3),
                interval: (0.0, 0.545_639_55),
                e: 0.047_477_222,
                greater: [0.000_660_313_52, 0.006_872_303_3, 3.693_776_1e-5],
            },
            Case {
                counts: (count(7, 300.0), count(0, 900.0)),
                tails: (6.103_515_6e-5, 1.0, 6.103_515_6e-5),
                interval: (4.323_925_6, inf),
                // 0.027 981 58 there, which loses 0 and 7 events to rounding: as far from equality, chance 0.019 889 47.
                e: 0.047_871_05,
                greater: [0.999_992_99, 0.999_999_9, 0.999_738_62],
            },
            Case {
                counts: (count(3, 100.0), count(5, 700.0)),
                tails: (0.067_347_229, 0.988_752_19, 0.067_347_229),
                interval: (0.652_225_29, 21.587_389),
                e: 0.401_480_48,
                greater: [0.970_998_81, 0.996_008_1, 0.851_430_82],
            },
            Case {
                counts: (count(2, 5.0), count(9, 10.0)),
                tails: (0.924_853_37, 0.234_110_65, 0.356_195_7),
                interval: (0.046_729_282, 2.147_276_9),
                e: 0.257_230_33,
                greater: [0.141_756_37, 0.472_069_75, 0.014_863_253],
            },
        ];
        for Case { counts: (first, second), tails, interval, e, greater } in cases {
            let ours = compare(first, second).unwrap();
            let what = format!("{first:?} {second:?}: {ours:?}");
            assert!(close(ours.p_greater, tails.0) && close(ours.p_less, tails.1), "{what}");
            assert!(close(ours.p_two_sided, tails.2), "{what}");
            assert!(close(ours.ratio_interval.0, interval.0) && close(ours.ratio_interval.1, interval.1), "{what}");
            assert!(close(e_test(first, second).unwrap(), e), "{what}: {:?}", e_test(first, second));
            for (times, p) in [1.0, 0.5, 2.0].into_iter().zip(greater) {
                assert!(close(probability_greater(first, second, times), p), "{what} {times}");
            }
            let ratio = match (first.events, second.events) {
                (0, _) => 0.0,
                (_, 0) => inf,
                _ => first.rate() / second.rate(),
            };
            assert_eq!(ours.ratio, ratio, "{what}");
        }
        // Nothing on either side is no difference.
        let none = compare(count(0, 10.0), count(0, 20.0)).unwrap();
        assert_eq!((none.p_two_sided, none.ratio, none.ratio_interval), (1.0, 0.0, (0.0, inf)));
        assert_eq!(e_test(count(0, 10.0), count(0, 20.0)), Some(1.0));
    }

    /// `beta.cdf` of scipy 1.17.1.
    #[test]
    fn predictions_from_clustered_events() {
        for (before, after, scale, p) in [
            (count(20, 4000.0), count(3, 1500.0), 1.0, 0.082_589_405),
            (count(20, 4000.0), count(3, 1500.0), 4.0, 0.368_078_89),
            (count(2, 100.0), count(0, 50.0), 2.0, 0.544_331_05),
        ] {
            let ours = predictive_at_most(before, after.events, after.exposure, scale);
            assert!(close(ours, p), "{before:?} {after:?} {scale}: {ours}");
        }
        assert_eq!(predictive_at_most(count(3, 100.0), 0, 0.0, 1.0), 1.0);
        assert_eq!(ln_gamma_poisson(count(0, 0.0), 2.0, 1.0), 0.0);
        assert_eq!(ln_gamma_poisson(count(1, 0.0), 2.0, 1.0), f64::NEG_INFINITY);
    }

    #[test]
    fn tails_of_what_cannot_or_must_happen() {
        let cases = [(0.0, 5.0, 0.3, 1.0), (6.0, 5.0, 0.3, 0.0), (1.0, 5.0, 0.0, 0.0), (5.0, 5.0, 1.0, 1.0)];
        for (k, n, share, p) in cases {
            assert_eq!(binomial_tail(k, n, share), p, "{k} of {n} at {share}");
        }
        assert!(close(binomial_tail(2.0, 2.0, 0.5), 0.25));
    }

    #[test]
    fn nothing_is_said_without_exposure() {
        for (first, second) in [(count(1, 0.0), count(1, 1.0)), (count(1, 1.0), count(1, 0.0))] {
            assert_eq!((compare(first, second), e_test(first, second)), (None, None));
            assert_eq!(probability_greater(first, second, 1.0), 0.5);
        }
        assert_eq!(compare(Count::default(), Count { events: 1, exposure: 1.0 }), None);
        assert_eq!(e_test(Count::default(), Count { events: 1, exposure: 1.0 }), None);
        assert_eq!(probability_greater(Count::default(), Count::default(), 1.0), 0.5);
        assert_eq!(Count::default().rate(), 0.0);
    }
}
