//! Location and scale that a few wrong values cannot move.

/// Factor from a median absolute deviation to the standard deviation of a normal distribution: 1 / quantile(3/4).
pub(crate) const SIGMA_PER_MAD: f64 = 1.482_602_218_505_602;

/// Median; reorders `values`. `None` when empty. The mean of the middle two for an even number.
pub(crate) fn median(values: &mut [f64]) -> Option<f64> {
    let n = values.len();
    if n == 0 {
        return None;
    }
    let (below, upper, _) = values.select_nth_unstable_by(n / 2, f64::total_cmp);
    let upper = *upper;
    if n % 2 == 1 {
        return Some(upper);
    }
    let lower = below.iter().copied().max_by(f64::total_cmp)?;
    Some(f64::midpoint(lower, upper))
}

/// Quantile at `share` (0..=1) by the nearest rank; reorders `values`. `None` when empty.
pub(crate) fn quantile(values: &mut [f64], share: f64) -> Option<f64> {
    let last = values.len().checked_sub(1)?;
    let rank = ((last as f64 * share.clamp(0.0, 1.0)).round() as usize).min(last);
    Some(*values.select_nth_unstable_by(rank, f64::total_cmp).1)
}

/// Median, and the standard deviation that the median absolute deviation stands for in a normal distribution.
/// Reorders and overwrites `values`. `None` when empty.
pub(crate) fn median_and_sigma(values: &mut [f64]) -> Option<(f64, f64)> {
    let middle = median(values)?;
    for value in values.iter_mut() {
        *value = (*value - middle).abs();
    }
    Some((middle, SIGMA_PER_MAD * median(values)?))
}

/// The value below and above which half of the weight lies; reorders `pairs` of (value, weight). `None` without weight.
pub(crate) fn weighted_median(pairs: &mut [(f64, f64)]) -> Option<f64> {
    pairs.sort_unstable_by(|a, b| a.0.total_cmp(&b.0));
    let total: f64 = pairs.iter().map(|pair| pair.1).sum();
    let mut below = 0.0;
    pairs.iter().find_map(|&(value, weight)| {
        below += weight;
        (weight > 0.0 && 2.0 * below >= total).then_some(value)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_middle() {
        assert_eq!(median(&mut []), None);
        assert_eq!(median(&mut [3.0]), Some(3.0));
        assert_eq!(median(&mut [9.0, 1.0, 2.0, 100.0]), Some(5.5));
        assert_eq!(quantile(&mut [5.0, 1.0, 3.0, 2.0, 4.0], 0.75), Some(4.0));
        assert_eq!(weighted_median(&mut [(1.0, 1.0), (9.0, 3.0), (2.0, 1.0)]), Some(9.0));
        assert_eq!(weighted_median(&mut [(1.0, 0.0)]), None);
        // Half of the weight lies at or below the first of two alike; a value without weight is never the middle.
        assert_eq!(weighted_median(&mut [(5.0, 2.0), (2.0, 2.0)]), Some(2.0));
        assert_eq!(weighted_median(&mut [(0.0, 0.0), (3.0, 1.0)]), Some(3.0));
        for (share, expected) in [(-1.0, 1.0), (0.0, 1.0), (0.4, 3.0), (1.0, 5.0), (2.0, 5.0)] {
            assert_eq!(quantile(&mut [5.0, 1.0, 3.0, 2.0, 4.0], share), Some(expected), "{share}");
        }
        assert_eq!(quantile(&mut [], 0.5), None);
        assert_eq!(median_and_sigma(&mut []), None);
    }

    #[test]
    fn the_spread_ignores_one_wild_value() {
        // scipy 1.14 documents the scale factor: stats.median_abs_deviation(x, scale="normal") divides by 0.67449.
        let (middle, sigma) = median_and_sigma(&mut [1.0, 2.0, 3.0, 4.0, 1e9]).unwrap();
        assert_eq!(middle, 3.0);
        assert!((sigma - 1.0 / 0.674_489_750_196_081_7).abs() < 1e-9);
    }
}
