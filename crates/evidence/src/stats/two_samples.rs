//! Two samples side by side: their means, and where one lies in the other.

use super::poisson::{beta_reg, halved};

/// Mean, variance and the number of independent values that they stand for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Moments {
    pub(crate) mean: f64,
    /// Of the sample, with n - 1.
    pub(crate) variance: f64,
    /// Independent values; less than were counted where neighbours resemble each other.
    pub(crate) n: f64,
}

impl Moments {
    /// Of values that are worth `worth` independent ones each; `None` with fewer than two values.
    pub(crate) fn of(values: &[f64], worth: f64) -> Option<Self> {
        let n = values.len() as f64;
        let mean = values.iter().sum::<f64>() / n;
        let variance = values.iter().map(|value| (value - mean).powi(2)).sum::<f64>() / (n - 1.0);
        (values.len() >= 2 && variance.is_finite()).then_some(Self { mean, variance, n: n * worth.clamp(0.0, 1.0) })
    }
}

/// Difference of two means with its interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Difference {
    /// Second less first.
    pub(crate) difference: f64,
    /// Ends of the interval.
    pub(crate) interval: (f64, f64),
}

/// Welch's interval of `second` less `first` at `confidence`; `None` with less than two independent values on a side.
///
/// Source: Welch 1947, Biometrika 34:28-35, with the degrees of freedom of Satterthwaite 1946.
pub(crate) fn welch(first: Moments, second: Moments, confidence: f64) -> Option<Difference> {
    if first.n < 2.0 || second.n < 2.0 {
        return None;
    }
    let difference = second.mean - first.mean;
    let (a, b) = (first.variance / first.n, second.variance / second.n);
    let error = (a + b).sqrt();
    if error == 0.0 {
        return Some(Difference { difference, interval: (difference, difference) });
    }
    let freedom = (a + b).powi(2) / (a * a / (first.n - 1.0) + b * b / (second.n - 1.0));
    let reach = t_quantile(freedom, 0.5 + confidence / 2.0) * error;
    Some(Difference { difference, interval: (difference - reach, difference + reach) })
}

/// Upper quantile of Student's t, `p` above 1/2.
///
/// Source: its tail is half of I_x(f/2, 1/2) with x = f / (f + t^2), Abramowitz and Stegun 26.7.1.
fn t_quantile(freedom: f64, p: f64) -> f64 {
    let tail = |t: f64| beta_reg(freedom / 2.0, 0.5, freedom / (freedom + t * t)) / 2.0;
    let mut high = 2.0;
    while tail(high) > 1.0 - p && high < 1e150 {
        high *= 2.0;
    }
    halved(0.0, high, |t| tail(t) <= 1.0 - p)
}

/// Two-sided p-value that neither of two samples tends to be greater, each value worth `worth` independent ones.
///
/// Source: Mann and Whitney 1947; the normal approximation with the correction for ties and for continuity (as in scipy,
/// `mannwhitneyu(method="asymptotic")`), its variance divided by `worth` for values that resemble their neighbours
/// (derived here: the mean of n correlated values has the variance of `worth` n independent ones).
pub(crate) fn mann_whitney(first: &[f64], second: &[f64], worth: f64) -> f64 {
    let (n1, n2) = (first.len() as f64, second.len() as f64);
    let n = n1 + n2;
    if n1 < 1.0 || n2 < 1.0 {
        return 1.0;
    }
    let mut all: Vec<(f64, bool)> =
        first.iter().map(|&value| (value, true)).chain(second.iter().map(|&value| (value, false))).collect();
    all.sort_by(|a, b| a.0.total_cmp(&b.0));
    let (mut ranks, mut ties, mut below) = (0.0, 0.0, 0.0);
    for equal in all.chunk_by(|a, b| a.0 == b.0) {
        let size = equal.len() as f64;
        let own = equal.iter().filter(|value| value.1).count() as f64;
        ranks += own * (below + (size + 1.0) / 2.0);
        ties += size.powi(3) - size;
        below += size;
    }
    let u = ranks - n1 * (n1 + 1.0) / 2.0;
    let variance = n1 * n2 / 12.0 * ((n + 1.0) - ties / (n * (n - 1.0)));
    if variance <= 0.0 || worth <= 0.0 {
        return 1.0;
    }
    let z = ((u - n1 * n2 / 2.0).abs() - 0.5).max(0.0) / (variance / worth).sqrt();
    statrs::function::erf::erfc(z / std::f64::consts::SQRT_2)
}

/// Value below which `share` of the sorted values lie, between two neighbours where it falls between them.
/// `None` when empty. Source: definition 7 of Hyndman and Fan 1996, the default of numpy.
pub(crate) fn percentile(sorted: &[f64], share: f64) -> Option<f64> {
    let at = share.clamp(0.0, 1.0) * sorted.len().checked_sub(1)? as f64;
    let (low, high) = (*sorted.get(at.floor() as usize)?, *sorted.get(at.ceil() as usize)?);
    Some(low + (high - low) * at.fract())
}

/// Share of the values below `value`, equal ones counted half.
pub(crate) fn rank_share(values: &[f64], value: f64) -> f64 {
    let below = values.iter().filter(|other| **other < value).count() as f64;
    let equal = values.iter().filter(|other| **other == value).count() as f64;
    (below + equal / 2.0) / values.len().max(1) as f64
}

#[cfg(test)]
mod tests {
    use super::super::oracle::scipy;
    use super::*;

    /// Twenty pairs of samples of several sizes, with ties.
    fn samples() -> Vec<(Vec<f64>, Vec<f64>)> {
        let mut state = 7_u64;
        let mut next = || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            ((state >> 11) as f64 / (1_u64 << 53) as f64 * 40.0).round() / 4.0
        };
        (0..20)
            .map(|k| {
                let first = (0..3 + 2 * k).map(|_| next()).collect();
                let second = (0..4 + k).map(|_| next() * 1.5 + f64::from(k as u32 % 3)).collect();
                (first, second)
            })
            .collect()
    }

    fn against(script: &str, own: impl Fn(&[f64], &[f64]) -> f64) {
        let mut numbers = Vec::new();
        for (first, second) in samples() {
            numbers.push(first.len() as f64);
            numbers.push(second.len() as f64);
            numbers.extend(first.iter().chain(&second));
        }
        let script = format!(
            "at = 0\nwhile at < len(x):\n n, m = int(x[at]), int(x[at + 1])\n a, b = x[at + 2:at + 2 + n], x[at + 2 + n:at + 2 + n + m]\n at += 2 + n + m\n {script}"
        );
        let Some(wanted) = scipy(&script, &numbers) else { return };
        for ((first, second), wanted) in samples().iter().zip(wanted) {
            let found = own(first, second);
            assert!((found - wanted).abs() <= 1e-8 * wanted.abs().max(1e-3), "{found} is not {wanted}");
        }
    }

    /// Worked values of scipy 1.17.1 and numpy, so that they hold without an interpreter too.
    #[test]
    fn worked_samples_with_ties() {
        let a = [1.0, 2.0, 2.0, 3.5, 7.0, 8.0, 8.0];
        let b = [2.0, 4.0, 8.0, 9.0, 9.5, 11.0, 12.0, 15.0];
        let near = |ours: f64, table: f64| assert!((ours - table).abs() < 1e-8, "{ours} is not {table}");
        near(mann_whitney(&a, &b, 1.0), 0.031_051_089_62);
        near(mann_whitney(&b, &a, 1.0), 0.031_051_089_62);
        near(mann_whitney(&[1.0, 2.0, 3.0], &[4.0, 5.0, 6.0, 7.0], 1.0), 0.051_829_927_22);
        assert_eq!(mann_whitney(&[5.0; 4], &[5.0; 6], 1.0), 1.0);
        assert_eq!(mann_whitney(&a, &b, 0.0), 1.0);
        let (a_moments, b_moments) = (Moments::of(&a, 1.0).unwrap(), Moments::of(&b, 1.0).unwrap());
        let interval = welch(a_moments, b_moments, 0.95).unwrap().interval;
        near(interval.0, 0.225_248_301_06);
        near(interval.1, 8.399_751_698_94);
        for (share, value) in [(0.0, 1.0), (0.1, 1.6), (0.5, 3.5), (0.9, 8.0), (1.0, 8.0)] {
            near(percentile(&a, share).unwrap(), value);
        }
        for (value, share) in [(0.0, 0.0), (2.0, 2.0 / 7.0), (3.0, 3.0 / 7.0), (8.0, 6.0 / 7.0), (9.0, 1.0)] {
            near(rank_share(&a, value), share);
        }
    }

    #[test]
    fn welch_as_in_scipy() {
        let ends = |a: &[f64], b: &[f64]| {
            welch(Moments::of(a, 1.0).unwrap(), Moments::of(b, 1.0).unwrap(), 0.99).unwrap().interval
        };
        let scipy = "print(stats.ttest_ind(b, a, equal_var=False).confidence_interval(0.99)";
        against(&format!("{scipy}.low)"), |a, b| ends(a, b).0);
        against(&format!("{scipy}.high)"), |a, b| ends(a, b).1);
    }

    #[test]
    fn mann_whitney_as_in_scipy() {
        against("print(stats.mannwhitneyu(a, b, method='asymptotic').pvalue)", |a, b| mann_whitney(a, b, 1.0));
        assert!(mann_whitney(&[1.0; 9], &[2.0; 9], 0.2) > mann_whitney(&[1.0; 9], &[2.0; 9], 1.0));
        assert_eq!(mann_whitney(&[1.0], &[], 1.0), 1.0);
    }

    #[test]
    fn percentiles_as_in_numpy_and_scipy() {
        let sorted = |a: &[f64]| {
            let mut a = a.to_vec();
            a.sort_by(f64::total_cmp);
            a
        };
        against("print(np.percentile(a, 95))", |a, _| percentile(&sorted(a), 0.95).unwrap());
        against("print(np.percentile(b, 5))", |_, b| percentile(&sorted(b), 0.05).unwrap());
        against("print(stats.percentileofscore(a, b[0], kind='mean') / 100)", |a, b| rank_share(a, b[0]));
        assert_eq!(percentile(&[], 0.5), None);
    }

    #[test]
    fn too_little_says_nothing() {
        assert_eq!(Moments::of(&[1.0], 1.0), None);
        let few = Moments::of(&[1.0, 2.0, 3.0], 0.1).unwrap();
        assert_eq!(welch(few, few, 0.95), None, "three values that are worth a third of one");
    }
}
