//! Which wheel is off? The explanations, their prior odds and their likelihoods.
//!
//! Relative speeds of the wheels = common speed + axle difference + side difference + tyres + fault + error. The common
//! speed is unknown, so only contrasts between wheels count. Axle difference (slip, other tyres in front) and side
//! difference (a turn that never ends) are unknown within physical bounds; each is a mixture of an ordinary and a rare
//! wide spread, so that no amount of data can turn a strange road into a strange wheel.

use nalgebra::{DMatrix, DVector};

use crate::stats::gauss::{Normal, ln_sum_exp};

/// Spread of the rolling radius of sound, equal tyres, each: half of the same-axle difference of at most 0.5 to 1 % (common
/// practice, no source) taken as two standard deviations of a difference of two.
pub(crate) const TYRE_SIGMA: f64 = 0.0035;

/// Least size of what is called a fault: more than a wheel's share of any sound pair of tyres (1 %, see above), less
/// than a space-saver spare or a worn-out single tyre (2 %: 6.5 mm of tread on 316 mm).
pub(crate) const LEAST_FAULT: f64 = 0.015;

/// Greatest size: beyond it a wheel hardly reads at all and looks no different.
const GREATEST_FAULT: f64 = 0.6;

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

    fn grid(self, n_per_sign: usize) -> Vec<f64> {
        let step = (self.greatest / self.least).ln() / (n_per_sign - 1) as f64;
        (0..n_per_sign)
            .map(|k| self.least * (step * k as f64).exp())
            .flat_map(|size| [size, if self.either_sign { -size } else { size }])
            .collect()
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
    /// Most probable size of the fault of each wheel if it alone is odd.
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
    let fine = sizes.grid(24);
    let coarse = sizes.grid(8);
    let mut none = Vec::new();
    let mut single = [const { Vec::new() }; 4];
    let mut pair: Vec<((usize, usize), Vec<f64>)> =
        there.iter().flat_map(|&i| there.iter().filter(move |&&j| j > i).map(move |&j| ((i, j), Vec::new()))).collect();
    let mut best = [(f64::NEG_INFINITY, 0.0, 0.0); 4];
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
                let ln = |e: f64| ln_portion + normal.ln_density(q - 2.0 * e * p[i] + e * e * r_ii);
                single[i].push(ln_sum_exp(fine.iter().map(|&e| ln(e))) - (fine.len() as f64).ln());
                let size = p[i] / r_ii;
                if ln(size) > best[i].0 {
                    best[i] = (ln(size), size, r_ii.sqrt().recip());
                }
            }
            for ((i, j), likelihoods) in &mut pair {
                let (i, j) = (*i, *j);
                let (r_ii, r_jj, r_ij) = (r(i, i), r(j, j), r(i, j));
                let all = coarse
                    .iter()
                    .flat_map(|&e| coarse.iter().map(move |&f| (e, f)))
                    .map(|(e, f)| q - 2.0 * (e * p[i] + f * p[j]) + e * e * r_ii + f * f * r_jj + 2.0 * e * f * r_ij);
                let n_all = (coarse.len() * coarse.len()) as f64;
                likelihoods.push(ln_portion + ln_sum_exp(all.map(|x| normal.ln_density(x))) - n_all.ln());
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
    Some(Weighing {
        log10_odds: [0, 1, 2, 3].map(|wheel| odds(&|i, j| i == wheel || j == Some(wheel))),
        log10_any: odds(&|_, _| true),
        size: best.map(|b| b.1),
        sigma: best.map(|b| b.2),
    })
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
