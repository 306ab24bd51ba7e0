//! Which wheel is off? The explanations, their prior odds and their likelihoods.
//!
//! Relative speeds of the wheels = common speed + axle difference + side difference + tyres + fault + error. The common
//! speed is unknown, so only contrasts between wheels count. Axle difference (slip, other tyres in front) and side
//! difference (a turn that never ends) are unknown within physical bounds; each is a mixture of an ordinary and a rare
//! wide spread, so that no amount of data can turn a strange road into a strange wheel.

use nalgebra::{DMatrix, DVector};
use statrs::function::erf::erfc;

use crate::stats::gauss::{Normal, ln_sum_exp};

/// Spread of the rolling radius of sound, equal tyres, each: half of the same-axle difference of at most 0.5 to 1 % (common
/// practice, no source) taken as two standard deviations of a difference of two.
pub(crate) const TYRE_SIGMA: f64 = 0.0035;

/// Least size of what is called a fault: more than a wheel's share of any sound pair of tyres (1 %, see above), less
/// than a space-saver spare or a worn-out single tyre (2 %: 6.5 mm of tread on 316 mm).
pub(crate) const LEAST_FAULT: f64 = 0.015;

/// Greatest size: what a wheel approaches that reads far too much, in the measure of [`crate::wheels::Block::relative`]. One
/// that reads twice as much has 0.86, one that reads nothing -0.67.
const GREATEST_FAULT: f64 = 2.0;

/// Parts of the range of sizes, for each sign, for one fault and for two at a time.
const PARTS: [usize; 2] = [24, 12];

/// Prior odds of one odd wheel against none: drives are examined because somebody complains, and a car has four wheels.
pub(crate) const PRIOR_SINGLE: f64 = 0.2;

/// Prior odds of one certain pair of odd wheels against none: a second fault at the same time is a hundred times rarer than
/// the first (assumed, no source). Both tyres of an axle worn alike are no fault but an axle difference.
const PRIOR_PAIR: f64 = 0.002;

/// One component of a mixture: standard deviation and share.
pub(crate) type Mixture = [(f64, f64); 2];

/// How far the quantities that are not of interest may lie from zero.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Nuisance {
    /// Front against rear.
    pub(crate) axle: Mixture,
    /// Left against right.
    pub(crate) side: Mixture,
    /// Each wheel by itself.
    pub(crate) wheel: f64,
}

/// Sizes that a fault may have: from least to greatest, every factor equally likely.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Sizes {
    /// Least size.
    pub(crate) least: f64,
    /// Greatest size.
    pub(crate) greatest: f64,
    /// Whether a fault can have either sign.
    pub(crate) either_sign: bool,
}

impl Sizes {
    /// Sizes of a wrong relative speed.
    pub(crate) const SCALE: Self = Self { least: LEAST_FAULT, greatest: GREATEST_FAULT, either_sign: true };

    /// The range in parts of equal probability: from, to.
    fn parts(self, n_per_sign: usize) -> Vec<(f64, f64)> {
        let factor = (self.greatest / self.least).powf((n_per_sign as f64).recip());
        let bound = |k: usize| self.least * factor.powi(k as i32);
        let positive = (0..n_per_sign).map(|k| (bound(k), bound(k + 1)));
        positive.flat_map(|(from, to)| [(from, to), if self.either_sign { (-to, -from) } else { (from, to) }]).collect()
    }
}

/// Likelihood of a size over its greatest: normal about `best` with the standard deviation `sigma`.
#[derive(Clone, Copy)]
struct Bell {
    best: f64,
    sigma: f64,
}

impl Bell {
    /// Its mean over a part of the range. A size is known far better than the range is wide, so that values at a few points
    /// of the range would say nothing of it.
    fn mean(self, (from, to): (f64, f64)) -> f64 {
        let [a, b] = [from, to].map(|bound| (bound - self.best) / (self.sigma * std::f64::consts::SQRT_2));
        // The smaller tails of the two keep their digits.
        let (a, b) = if a > 0.0 { (a, b) } else { (-b, -a) };
        let area = 0.5 * (erfc(a) - erfc(b)) * std::f64::consts::TAU.sqrt() * self.sigma;
        area / (to - from)
    }

    /// Its mean over all parts, each as probable as the others.
    fn mean_of(self, parts: &[(f64, f64)]) -> f64 {
        parts.iter().map(|part| self.mean(*part)).sum::<f64>() / parts.len() as f64
    }

    /// Where in a part most of it lies.
    fn within(self, (from, to): (f64, f64)) -> f64 {
        if self.sigma > to - from { f64::midpoint(from, to) } else { self.best.clamp(from, to) }
    }
}

/// The independent contrasts between the wheels that are there: rows of weights in the order FL, FR, RL, RR.
pub(crate) fn contrasts(present: [bool; 4]) -> Vec<[f64; 4]> {
    let difference = |i: usize, j: usize| {
        let mut row = [0.0; 4];
        (row[i], row[j]) = (1.0, -1.0);
        row
    };
    let complete = |i: usize, j: usize| present[i] && present[j];
    if present == [true; 4] {
        // Diagonal, axles, sides.
        return vec![[1.0, -1.0, -1.0, 1.0], [0.5, 0.5, -0.5, -0.5], [0.5, -0.5, 0.5, -0.5]];
    }
    let pairs = [(0, 1), (2, 3), (0, 2), (1, 3)].into_iter().filter(|&(i, j)| complete(i, j));
    let rows: Vec<_> = pairs.map(|(i, j)| difference(i, j)).collect();
    if rows.is_empty() && complete(0, 3) {
        return vec![difference(0, 3)];
    }
    if rows.is_empty() && complete(1, 2) {
        return vec![difference(1, 2)];
    }
    rows
}

/// Sensitivity of a contrast to the axle difference (front less rear).
pub(crate) fn axle_share(row: &[f64; 4]) -> f64 {
    0.5 * (row[0] + row[1] - row[2] - row[3])
}

/// Sensitivity of a contrast to the side difference (left less right).
pub(crate) fn side_share(row: &[f64; 4]) -> f64 {
    0.5 * (row[0] - row[1] + row[2] - row[3])
}

/// What the data say of every explanation.
#[derive(Debug, Clone)]
pub(crate) struct Weighing {
    /// log10 of the odds of "this wheel is odd" against all explanations in which it is not.
    pub(crate) log10_odds: [f64; 4],
    /// log10 of the odds of "some wheel is odd" against "none".
    pub(crate) log10_any: f64,
    /// Most probable size of the fault of each wheel, beside the wheel that is odd for certain if there is one.
    pub(crate) size: [f64; 4],
    /// Standard error of those sizes.
    pub(crate) sigma: [f64; 4],
}

/// Weighs the explanations of contrasts `seen` with standard errors `errors` (of the contrasts, beyond the nuisances).
///
/// `rows` are the contrasts, `present` the wheels. `None` when the covariance is degenerate.
pub(crate) fn weigh(
    rows: &[[f64; 4]],
    present: [bool; 4],
    seen: &[f64],
    errors: &[f64],
    nuisance: &Nuisance,
    sizes: Sizes,
) -> Option<Weighing> {
    let n = rows.len();
    let there: Vec<usize> = (0..4).filter(|&i| present[i]).collect();
    let seen = DVector::from_column_slice(seen);
    let effect: Vec<DVector<f64>> = (0..4).map(|i| DVector::from_iterator(n, rows.iter().map(|row| row[i]))).collect();
    let axle = DVector::from_iterator(n, rows.iter().map(axle_share));
    let side = DVector::from_iterator(n, rows.iter().map(side_share));
    let mut own = DMatrix::from_diagonal(&DVector::from_iterator(n, errors.iter().map(|e| e * e + 1e-12)));
    for &i in &there {
        own += nuisance.wheel.powi(2) * &effect[i] * effect[i].transpose();
    }
    let [parts, of_two] = PARTS.map(|n| sizes.parts(n));
    let mut none = Vec::new();
    let mut single = [const { Vec::new() }; 4];
    let mut pair: Vec<((usize, usize), Vec<f64>)> =
        there.iter().flat_map(|&i| there.iter().filter(move |&&j| j > i).map(move |&j| ((i, j), Vec::new()))).collect();
    let mut best = [Best::default(); 4];
    let mut beside = [[Best::default(); 4]; 4];
    for (axle_sigma, axle_portion) in nuisance.axle {
        for (side_sigma, side_portion) in nuisance.side {
            let covariance =
                &own + axle_sigma.powi(2) * &axle * axle.transpose() + side_sigma.powi(2) * &side * side.transpose();
            let normal = Normal::new(covariance)?;
            let ln_portion = (axle_portion * side_portion).ln();
            let q = normal.product(&seen, &seen);
            none.push(ln_portion + normal.ln_density(q));
            let p: Vec<f64> = (0..4).map(|i| normal.product(&effect[i], &seen)).collect();
            let r = |i: usize, j: usize| normal.product(&effect[i], &effect[j]);
            for &i in &there {
                let r_ii = r(i, i);
                let bell = Bell { best: p[i] / r_ii, sigma: r_ii.sqrt().recip() };
                let ln = ln_portion + normal.ln_density(q - p[i] * p[i] / r_ii);
                single[i].push(ln + bell.mean_of(&parts).ln());
                best[i].take(ln, bell);
            }
            for ((i, j), likelihoods) in &mut pair {
                let (i, j) = (*i, *j);
                let (r_ii, r_jj, r_ij) = (r(i, i), r(j, j), r(i, j));
                let first_of = |f: f64| Bell { best: (p[i] - f * r_ij) / r_ii, sigma: r_ii.sqrt().recip() };
                // What is left for the second size once the first is free: nothing where one contrast sees both.
                let left = |a: f64, b: f64| Some(b - r_ij * r_ij / a).filter(|left| *left > 1e-9 * b);
                let Some(left_jj) = left(r_ii, r_jj) else {
                    let ln = ln_portion + normal.ln_density(q - p[i] * p[i] / r_ii);
                    let of = |&(from, to): &(f64, f64)| first_of(f64::midpoint(from, to)).mean_of(&of_two);
                    let all = of_two.iter().map(of).sum::<f64>();
                    likelihoods.push(ln + (all / of_two.len() as f64).ln());
                    continue;
                };
                let second = Bell { best: (p[j] - p[i] * r_ij / r_ii) / left_jj, sigma: left_jj.sqrt().recip() };
                let of_part = |part: &(f64, f64)| match second.mean(*part) {
                    0.0 => 0.0,
                    mean => mean * first_of(second.within(*part)).mean_of(&of_two),
                };
                let mean = of_two.iter().map(of_part).sum::<f64>() / of_two.len() as f64;
                let ln = ln_portion + normal.ln_density(q - p[i] * p[i] / r_ii - second.best * second.best * left_jj);
                likelihoods.push(ln + mean.ln());
                beside[i][j].take(ln, second);
                if let Some(left_ii) = left(r_jj, r_ii) {
                    beside[j][i].take(ln, Bell { sigma: left_ii.sqrt().recip(), ..first_of(second.best) });
                }
            }
        }
    }
    let none = ln_sum_exp(none);
    let single = single.map(|parts| PRIOR_SINGLE.ln() + ln_sum_exp(parts));
    let pair: Vec<_> = pair.into_iter().map(|(ij, parts)| (ij, PRIOR_PAIR.ln() + ln_sum_exp(parts))).collect();
    let odds = |includes: &dyn Fn(usize, Option<usize>) -> bool| {
        let all = || {
            let singles = there.iter().map(|&i| (includes(i, None), single[i]));
            singles.chain(pair.iter().map(|&((i, j), ln)| (includes(i, Some(j)), ln)))
        };
        let with = ln_sum_exp(all().filter(|x| x.0).map(|x| x.1));
        let without = ln_sum_exp(all().filter(|x| !x.0).map(|x| x.1).chain([none]));
        (with - without) / std::f64::consts::LN_10
    };
    let log10_odds = [0, 1, 2, 3].map(|wheel| odds(&|i, j| i == wheel || j == Some(wheel)));
    // Beside a wheel that is odd for certain the others are measured by what its error leaves.
    let best = [0, 1, 2, 3].map(|wheel| {
        surest_of(&log10_odds, |other| other != wheel)
            .map(|odd| beside[odd][wheel])
            .filter(|best| best.ln.is_finite())
            .unwrap_or(best[wheel])
    });
    Some(Weighing {
        log10_odds,
        log10_any: odds(&|_, _| true),
        size: best.map(|best| best.bell.best),
        sigma: best.map(|best| best.bell.sigma),
    })
}

/// The wheel that is odd most certainly, among those that are so for certain and are asked for.
pub(crate) fn surest_of(log10_odds: &[f64; 4], is_asked: impl Fn(usize) -> bool) -> Option<usize> {
    let odd = (0..4).filter(|&wheel| log10_odds[wheel] >= 2.0 && is_asked(wheel));
    odd.max_by(|&a, &b| log10_odds[a].total_cmp(&log10_odds[b]))
}

/// The likeliest of several sizes.
#[derive(Clone, Copy)]
struct Best {
    ln: f64,
    bell: Bell,
}

impl Default for Best {
    fn default() -> Self {
        Self { ln: f64::NEG_INFINITY, bell: Bell { best: 0.0, sigma: 0.0 } }
    }
}

impl Best {
    fn take(&mut self, ln: f64, bell: Bell) {
        if ln > self.ln {
            *self = Self { ln, bell };
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const ROAD: Nuisance =
        Nuisance { axle: [(0.007, 0.99), (0.02, 0.01)], side: [(0.003, 0.85), (0.01, 0.15)], wheel: TYRE_SIGMA };

    fn seen(present: [bool; 4], speeds: [f64; 4]) -> (Vec<[f64; 4]>, Vec<f64>) {
        let rows = contrasts(present);
        let values = rows.iter().map(|row| row.iter().zip(speeds).map(|(w, s)| w * s).sum()).collect();
        (rows, values)
    }

    fn weigh_four(speeds: [f64; 4]) -> Weighing {
        let (rows, values) = seen([true; 4], speeds);
        weigh(&rows, [true; 4], &values, &[0.001; 3], &ROAD, Sizes::SCALE).unwrap()
    }

    #[test]
    fn each_wheel_has_its_own_sign_pattern() {
        for wheel in 0..4 {
            for size in [-0.03, 0.03] {
                let mut speeds = [0.0; 4];
                speeds[wheel] = size;
                let weighing = weigh_four(speeds);
                for other in 0..4 {
                    assert_eq!(weighing.log10_odds[other] >= 2.0, other == wheel, "{wheel} {size}: {weighing:?}");
                }
                assert!((weighing.size[wheel] - size).abs() < 0.004, "{weighing:?}");
            }
        }
    }

    #[test]
    fn tyres_are_no_fault_and_worn_axles_accuse_nobody() {
        for speeds in [[0.0; 4], [0.002, -0.002, -0.002, 0.002], [0.004, 0.0, 0.0, 0.0]] {
            assert!(
                weigh_four(speeds).log10_odds.iter().all(|odds| *odds <= -1.0),
                "{speeds:?}: {:?}",
                weigh_four(speeds)
            );
        }
        for speeds in [[0.02, 0.02, 0.0, 0.0], [0.03, 0.0, 0.03, 0.0], [0.03, 0.0, 0.0, 0.03], [0.01, 0.0, 0.0, 0.0]] {
            assert!(
                weigh_four(speeds).log10_odds.iter().all(|odds| *odds < 2.0),
                "{speeds:?}: {:?}",
                weigh_four(speeds)
            );
        }
    }

    #[test]
    fn two_odd_wheels_are_told_where_a_front_and_a_rear_wheel_part() {
        // Turns are known; six pairs of wheels, alike and opposite.
        let known = Nuisance { side: [(0.001, 0.95), (0.003, 0.05)], ..ROAD };
        for (i, j) in [(0, 1), (0, 2), (0, 3), (1, 2), (1, 3), (2, 3)] {
            for sign in [1.0, -1.0] {
                let mut speeds = [0.0; 4];
                (speeds[i], speeds[j]) = (0.03, 0.03 * sign);
                let (rows, values) = seen([true; 4], speeds);
                let odds = weigh(&rows, [true; 4], &values, &[0.001; 3], &known, Sizes::SCALE).unwrap().log10_odds;
                // Alike they are a worn axle, a turn, or the other diagonal; opposite on one axle as much as one wheel and
                // a worn axle.
                let is_told = sign < 0.0 && i < 2 && j >= 2;
                for (wheel, odds) in odds.into_iter().enumerate() {
                    assert_eq!(odds >= 2.0, is_told && (wheel == i || wheel == j), "{i} {j} {sign} {wheel}: {odds}");
                }
            }
        }
    }

    #[test]
    fn three_wheels_tell_the_corner_only() {
        let present = [true, true, true, false];
        let weighed = |speeds| {
            let (rows, values) = seen(present, speeds);
            assert_eq!(rows.len(), 2);
            weigh(&rows, present, &values, &[0.001; 2], &ROAD, Sizes::SCALE).unwrap()
        };
        let corner = weighed([0.05, 0.0, 0.0, 0.0]);
        assert!(corner.log10_odds[0] > corner.log10_odds[1] && corner.log10_odds[0] > 1.0, "{corner:?}");
        let end = weighed([0.0, 0.0, 0.03, 0.0]);
        assert!(end.log10_odds[2] < 2.0, "slip of an axle explains it as well: {end:?}");
        assert_eq!(contrasts([false, true, true, false]).len(), 1);
    }
}
