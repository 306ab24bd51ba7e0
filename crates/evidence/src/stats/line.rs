//! A line through points of which some are wrong.

use super::robust::median;

/// More points than this are thinned evenly: the work grows with the square.
const MOST: usize = 200;

/// A robust line and how surely it rises or falls.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Line {
    /// Median of the slopes between all pairs of points (Theil 1950, Sen 1968; up to 29 % of the points may be wrong).
    pub(crate) slope: f64,
    /// Median of `y - slope x`.
    pub(crate) intercept: f64,
    /// Trend in standard errors (Mann 1945, Kendall): the number of rising minus falling pairs over its spread without a
    /// trend, `sqrt(n (n - 1) (2 n + 5) / 18)`. Points that depend on their neighbours make it look surer than it is.
    pub(crate) trend_sigmas: f64,
}

/// The robust line; `None` with fewer than three points of different x.
pub(crate) fn theil_sen(points: &[(f64, f64)]) -> Option<Line> {
    let stride = points.len().div_ceil(MOST).max(1);
    let points: Vec<(f64, f64)> = points.iter().copied().step_by(stride).collect();
    let mut slopes = Vec::with_capacity(points.len() * points.len() / 2);
    let mut rising = 0.0;
    for (k, a) in points.iter().enumerate() {
        for b in points.iter().skip(k + 1).filter(|b| b.0 != a.0) {
            let slope = (b.1 - a.1) / (b.0 - a.0);
            slopes.push(slope);
            rising += if slope == 0.0 { 0.0 } else { slope.signum() };
        }
    }
    let n = points.len() as f64;
    if n < 3.0 {
        return None;
    }
    let slope = median(&mut slopes)?;
    let mut rest: Vec<f64> = points.iter().map(|point| point.1 - slope * point.0).collect();
    let intercept = median(&mut rest)?;
    Some(Line { slope, intercept, trend_sigmas: rising / (n * (n - 1.0) * (2.0 * n + 5.0) / 18.0).sqrt() })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// y = 2 x + 1 at x = 0..9 with y(7) = 60: slope 2, intercept 1, where least squares gives 3.36364 and -0.63636.
    #[test]
    fn the_worked_line() {
        let points: Vec<(f64, f64)> =
            (0..10).map(|k| (f64::from(k), if k == 7 { 60.0 } else { 2.0 * f64::from(k) + 1.0 })).collect();
        let line = theil_sen(&points).unwrap();
        assert!((line.slope - 2.0).abs() < 1e-12 && (line.intercept - 1.0).abs() < 1e-12);
        let (x, y): (Vec<f64>, Vec<f64>) = points.iter().copied().unzip();
        let mean = |v: &[f64]| v.iter().sum::<f64>() / v.len() as f64;
        let sxy: f64 = points.iter().map(|p| (p.0 - mean(&x)) * (p.1 - mean(&y))).sum();
        let sxx: f64 = x.iter().map(|x| (x - mean(&points.iter().map(|p| p.0).collect::<Vec<_>>())).powi(2)).sum();
        assert!((sxy / sxx - 3.363_64).abs() < 1e-5 && (mean(&y) - sxy / sxx * mean(&x) + 0.636_36).abs() < 1e-5);
        assert_eq!(theil_sen(&points[..2]), None);
        // Mann and Kendall by hand: of three points in one line all three pairs rise, over sqrt(3 * 2 * 11 / 18).
        let three = theil_sen(&points[..3]).unwrap();
        assert!((three.trend_sigmas - 3.0 / (66.0_f64 / 18.0).sqrt()).abs() < 1e-12, "{three:?}");
        assert_eq!(theil_sen(&[(1.0, 1.0), (1.0, 2.0), (1.0, 3.0)]), None);
    }

    /// Of more points than are compared with each other every so many count; what stays level neither rises nor falls.
    #[test]
    fn many_points_are_thinned_and_level_ones_have_no_trend() {
        let line = |n: u32, f: &dyn Fn(f64) -> f64| {
            theil_sen(&(0..n).map(f64::from).map(|x| (x, f(x))).collect::<Vec<_>>()).unwrap()
        };
        let long = line(2001, &|x| 5.0 - 0.25 * x);
        assert!((long.slope + 0.25).abs() < 1e-12 && (long.intercept - 5.0).abs() < 1e-9, "{long:?}");
        // 2001 points in steps of eleven are 182: every pair of them falls.
        let (pairs, spread) = (182.0 * 181.0 / 2.0, (182.0 * 181.0 * 369.0 / 18.0_f64).sqrt());
        assert!((long.trend_sigmas + pairs / spread).abs() < 1e-9, "{long:?}");
        assert!(
            (line(200, &|x| x).trend_sigmas - 199.0 * 100.0 / (200.0 * 199.0 * 405.0 / 18.0_f64).sqrt()).abs() < 1e-9
        );
        let level = line(20, &|_| 3.0);
        assert_eq!((level.slope, level.intercept, level.trend_sigmas), (0.0, 3.0, 0.0));
    }

    #[test]
    fn the_reference_library_agrees() {
        let points: Vec<(f64, f64)> = (0..41)
            .map(f64::from)
            .map(|k| (k * 10.0, 12.0 - 0.004 * k + 0.1 * (k * 2.7).sin() + if k == 9.0 { 3.0 } else { 0.0 }))
            .collect();
        let numbers: Vec<f64> = points.iter().flat_map(|point| [point.0, point.1]).collect();
        let script = "t, y = x[::2], x[1::2]\nn = len(t)\nprint(stats.theilslopes(y, t).slope)\n\
                      tau = stats.kendalltau(t, y, variant='b').statistic\n\
                      print(tau * n * (n - 1) / 2 / np.sqrt(n * (n - 1) * (2 * n + 5) / 18))";
        let Some(expected) = crate::stats::oracle::scipy(script, &numbers) else { return };
        let line = theil_sen(&points).unwrap();
        assert!((line.slope - expected[0]).abs() < 1e-12, "{line:?} {expected:?}");
        assert!((line.trend_sigmas - expected[1]).abs() < 1e-9, "{line:?} {expected:?}");
    }
}
