//! Marginal likelihoods of the misfires of all cylinders, given where the faults sat.
//!
//! A faulty place misses firings at a rate that is even on a logarithmic scale from one in a thousand to every one, in
//! clusters of an unknown size; from drive to drive the rate of the same fault changes somewhat, and seldom it is silent for
//! a whole drive. A healthy cylinder has an occasional rate of its own, the same in all drives. Rates and cluster sizes are
//! summed over, so that what is compared is the gamma-Poisson marginal likelihood with another prior than the gamma law
//! (which would put most of a fault's prior near zero) and with clusters.

use std::cell::RefCell;
use std::collections::HashMap;

use crate::poisson::{Count, ln_clustered};
use crate::stats::gauss::ln_sum_exp;

/// Rates of a fault, misses per firing.
const FAULT: (f64, f64) = (1e-3, 1.0);
const N_FAULT: usize = 36;

/// Occasional rates of a healthy cylinder.
const HEALTHY: (f64, f64) = (1e-6, 3e-3);
const N_HEALTHY: usize = 12;

/// Sizes of clusters and their prior weights: most faults miss independently, a bad contact misses dozens in
/// a row (a cylinder fires 20 times a second, and a contact opens for fractions of a second to many seconds).
const FAULT_CLUSTERS: [(f64, f64); 7] =
    [(1.0, 0.4), (2.0, 0.12), (4.0, 0.12), (8.0, 0.1), (20.0, 0.1), (50.0, 0.09), (125.0, 0.07)];
const HEALTHY_CLUSTERS: [(f64, f64); 2] = [(1.0, 0.7), (4.0, 0.3)];

/// How much a fault's rate differs from drive to drive: standard deviations of its logarithm, with weights.
const BETWEEN_DRIVES: [(f64, f64); 2] = [(0.3, 0.5), (1.0, 0.5)];
/// Chance that a fault does not show for a whole drive in its condition, other than by its clusters.
const SILENT: f64 = 0.005;

/// Step of the coarser grid on which two faults share a cylinder, in steps of the fine one.
const COARSE: usize = 3;

/// Where a source sat in each drive.
type Path = [Option<usize>];

/// Likelihoods per drive and cylinder, ready to be combined.
pub(super) struct Likelihood {
    n_cylinders: usize,
    /// `fault[drive][cylinder][cluster][rate]`: the cell carries a fault of that mean rate.
    fault: Vec<Vec<Vec<Vec<f64>>>>,
    /// `healthy[drive][cylinder][cluster][rate]`.
    healthy: Vec<Vec<Vec<Vec<f64>>>>,
    /// Marginal likelihood of a cylinder as healthy in the drives that the mask does not name.
    healthy_cache: RefCell<HashMap<(usize, u64), f64>>,
}

/// Middle of the `k`-th of `n` steps that are equal on a logarithmic scale.
fn rate((low, high): (f64, f64), n: usize, k: usize) -> f64 {
    low * (high / low).powf((k as f64 + 0.5) / n as f64)
}

/// Blocks of one drive and cylinder: those with events one by one, the others by their sum.
struct Cell {
    eventful: Vec<Count>,
    quiet: f64,
}

impl Cell {
    fn of(blocks: &[Count]) -> Self {
        Self {
            eventful: blocks.iter().copied().filter(|block| block.events > 0).collect(),
            quiet: blocks.iter().filter(|block| block.events == 0).map(|block| block.exposure).sum(),
        }
    }

    fn ln_likelihood(&self, rate: f64, cluster: f64) -> f64 {
        let eventful = self.eventful.iter().map(|block| ln_clustered(block.events, rate * block.exposure, cluster));
        ln_clustered(0, rate * self.quiet, cluster) + eventful.sum::<f64>()
    }

    /// Over all rates, as a healthy cylinder's.
    fn healthy(&self) -> Vec<Vec<f64>> {
        let over_rates = |cluster: f64| {
            (0..N_HEALTHY).map(move |k| self.ln_likelihood(rate(HEALTHY, N_HEALTHY, k), cluster)).collect()
        };
        HEALTHY_CLUSTERS.iter().map(|(cluster, _)| over_rates(*cluster)).collect()
    }

    /// Over all mean rates of a fault, its change from drive to drive and its silence summed over.
    fn fault(&self, silent: f64) -> Vec<Vec<f64>> {
        let step = (FAULT.1 / FAULT.0).ln() / N_FAULT as f64;
        // Rates beyond the grid occur too when the mean is near its end.
        let reach = (3.0 * BETWEEN_DRIVES[1].0 / step).ceil() as i64;
        let weights: Vec<f64> = (-reach..=reach).map(|shift| shift_weight(shift as f64 * step)).collect();
        let total: f64 = weights.iter().sum();
        FAULT_CLUSTERS
            .iter()
            .map(|(cluster, _)| {
                let wide: Vec<f64> = (-reach..N_FAULT as i64 + reach)
                    .map(|k| {
                        let ln_rate = FAULT.0.ln() + step * (k as f64 + 0.5);
                        // Nothing misses more often than always.
                        self.ln_likelihood(ln_rate.exp().min(1.0), *cluster)
                    })
                    .collect();
                let top = wide.iter().copied().fold(silent, f64::max);
                let plain: Vec<f64> = wide.iter().map(|ln| (ln - top).exp()).collect();
                let quiet = SILENT * (silent - top).exp();
                (0..N_FAULT)
                    .map(|k| {
                        let moved: f64 = weights.iter().zip(&plain[k..]).map(|(weight, value)| weight * value).sum();
                        top + ((1.0 - SILENT) * moved / total + quiet).ln()
                    })
                    .collect()
            })
            .collect()
    }
}

/// Weight of a shift of the logarithm of the rate between the mean and one drive, against other shifts.
fn shift_weight(shift: f64) -> f64 {
    let normal = |sigma: f64| (-0.5 * (shift / sigma).powi(2)).exp() / sigma;
    BETWEEN_DRIVES.iter().map(|(sigma, weight)| weight * normal(*sigma)).sum()
}

/// Marginal over clusters and rates of one healthy cylinder: `cells[..][cluster][rate]`.
fn over_healthy<'a>(cells: impl Iterator<Item = &'a Vec<Vec<f64>>> + Clone) -> f64 {
    ln_sum_exp(HEALTHY_CLUSTERS.iter().enumerate().flat_map(|(c, (_, weight))| {
        let prior = (weight / N_HEALTHY as f64).ln();
        let cells = cells.clone();
        (0..N_HEALTHY).map(move |k| prior + cells.clone().map(|cell| cell[c][k]).sum::<f64>())
    }))
}

impl Likelihood {
    /// `blocks[drive][cylinder]`: misfires and firings of consecutive stretches in the failing condition.
    pub(super) fn of(blocks: &[Vec<Vec<Count>>], n_cylinders: usize) -> Self {
        let cells: Vec<Vec<Cell>> =
            blocks.iter().map(|row| row.iter().map(|blocks| Cell::of(blocks)).collect()).collect();
        let healthy: Vec<Vec<Vec<Vec<f64>>>> =
            cells.iter().map(|row| row.iter().map(Cell::healthy).collect()).collect();
        let fault = cells
            .iter()
            .zip(&healthy)
            .map(|(row, healthy)| {
                row.iter()
                    .zip(healthy)
                    .map(|(cell, healthy)| cell.fault(over_healthy(std::iter::once(healthy))))
                    .collect()
            })
            .collect();
        Self { n_cylinders, fault, healthy, healthy_cache: RefCell::default() }
    }

    /// No fault anywhere.
    pub(super) fn nothing(&self) -> f64 {
        self.rest(&[])
    }

    /// One fault that follows `path`.
    pub(super) fn one(&self, path: &Path) -> f64 {
        self.alone(path) + self.rest(&[path])
    }

    /// Two faults with rates of their own.
    pub(super) fn two(&self, first: &Path, second: &Path) -> f64 {
        let meet = first.iter().zip(second).any(|(a, b)| a.is_some() && a == b);
        let faults = if meet { self.together(first, second) } else { self.alone(first) + self.alone(second) };
        faults + self.rest(&[first, second])
    }

    /// A fault on every cylinder, each with a rate of its own that stays.
    pub(super) fn all(&self) -> f64 {
        (0..self.n_cylinders).map(|cylinder| self.alone(&vec![Some(cylinder); self.fault.len()])).sum()
    }

    /// The cells on the path, summed over rate and clusters.
    fn alone(&self, path: &Path) -> f64 {
        ln_sum_exp(FAULT_CLUSTERS.iter().enumerate().flat_map(|(c, (_, weight))| {
            let prior = (weight / N_FAULT as f64).ln();
            (0..N_FAULT).map(move |k| {
                let cells = path.iter().enumerate().filter_map(|(drive, at)| Some(self.fault[drive][(*at)?][c][k]));
                prior + cells.sum::<f64>()
            })
        }))
    }

    /// Two faults that share a cylinder in some drive: there their rates add up; the clusters are taken as equal.
    fn together(&self, first: &Path, second: &Path) -> f64 {
        let step = (FAULT.1 / FAULT.0).ln() / N_FAULT as f64;
        let coarse = || (COARSE / 2..N_FAULT).step_by(COARSE);
        let n = coarse().count() as f64;
        // On a logarithmic grid the sum of two rates lies a fixed number of steps above the greater one.
        let sum = |a: usize, b: usize| {
            let above = (1.0 + (-(a.abs_diff(b) as f64) * step).exp()).ln() / step;
            (a.max(b) + above.round() as usize).min(N_FAULT - 1)
        };
        ln_sum_exp(FAULT_CLUSTERS.iter().enumerate().flat_map(|(c, (_, weight))| {
            let prior = (weight / (n * n)).ln();
            coarse().flat_map(move |a| coarse().map(move |b| (a, b))).map(move |(a, b)| {
                let cell = |drive: usize, at: usize, k: usize| self.fault[drive][at][c][k];
                let cells = first.iter().zip(second).enumerate().map(|(drive, places)| match places {
                    (Some(one), Some(two)) if one == two => cell(drive, *one, sum(a, b)),
                    (one, two) => {
                        one.map_or(0.0, |one| cell(drive, one, a)) + two.map_or(0.0, |two| cell(drive, two, b))
                    }
                });
                prior + cells.sum::<f64>()
            })
        }))
    }

    /// All cells that are on none of the paths, as healthy.
    fn rest(&self, paths: &[&Path]) -> f64 {
        (0..self.n_cylinders)
            .map(|cylinder| {
                let on_path = |drive: usize| paths.iter().any(|path| path[drive] == Some(cylinder));
                let mask = (0..self.healthy.len()).fold(0_u64, |mask, drive| mask | u64::from(on_path(drive)) << drive);
                *self.healthy_cache.borrow_mut().entry((cylinder, mask)).or_insert_with(|| {
                    over_healthy(
                        (0..self.healthy.len())
                            .filter(|drive| mask >> drive & 1 == 0)
                            .map(|drive| &self.healthy[drive][cylinder]),
                    )
                })
            })
            .sum()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// So many events and firings per drive and cylinder, evenly over so many stretches.
    fn of(counts: &[[(u64, f64); 2]], n: u64) -> Likelihood {
        let even = |events: u64, exposure: f64| {
            let until = |k: u64| events * k / n;
            (0..n).map(|k| Count { events: until(k + 1) - until(k), exposure: exposure / n as f64 }).collect()
        };
        let blocks: Vec<Vec<Vec<Count>>> =
            counts.iter().map(|row| row.iter().map(|&(events, exposure)| even(events, exposure)).collect()).collect();
        Likelihood::of(&blocks, 2)
    }

    #[test]
    fn nothing_driven_says_nothing() {
        let empty = of(&[[(0, 0.0); 2], [(0, 0.0); 2]], 1);
        for value in [
            empty.nothing(),
            empty.one(&[Some(0), Some(1)]),
            empty.two(&[Some(0), Some(1)], &[Some(0), Some(0)]),
            empty.all(),
        ] {
            assert!(value.abs() < 1e-9, "{value}");
        }
    }

    #[test]
    fn the_path_of_the_misfires_is_the_likeliest() {
        let moved = of(&[[(30, 1000.0), (0, 1000.0)], [(1, 1000.0), (28, 1000.0)]], 10);
        let follows = moved.one(&[Some(0), Some(1)]);
        assert!(follows > moved.one(&[Some(0), Some(0)]) + 10.0);
        assert!(follows > moved.nothing() + 30.0);
        assert!(follows > moved.two(&[Some(0), Some(1)], &[Some(0), Some(0)]));
        // Two faults that part: both cylinders after, one before.
        let parted = of(&[[(60, 1000.0), (0, 1000.0)], [(30, 1000.0), (28, 1000.0)]], 10);
        let both = parted.two(&[Some(0), Some(1)], &[Some(0), Some(0)]);
        assert!(both > parted.one(&[Some(0), Some(1)]) + 10.0 && both > parted.one(&[Some(0), Some(0)]) + 10.0);
    }

    #[test]
    fn the_sum_over_rates_is_the_integral() {
        // One drive, no change between drives would matter: against a fine sum of Poisson probabilities over the same
        // prior, within the smear of the rate from drive to drive.
        let one = of(&[[(12, 600.0), (0, 0.0)]], 1);
        let got = one.alone(&[Some(0)]);
        let n = 4000;
        let fine: Vec<f64> = FAULT_CLUSTERS
            .iter()
            .flat_map(|&(cluster, weight)| {
                (0..n).map(move |k| (weight / n as f64).ln() + ln_clustered(12, rate(FAULT, n, k) * 600.0, cluster))
            })
            .collect();
        assert!((got - ln_sum_exp(fine)).abs() < 0.02, "{got}");
    }

    /// Two faults on one cylinder miss as often as both: against the double sum over the same prior.
    #[test]
    fn the_rates_of_two_faults_add_up() {
        let one = of(&[[(12, 600.0), (0, 0.0)]], 1);
        let got = one.together(&[Some(0)], &[Some(0)]);
        let n = 120;
        let both = |k: usize, j: usize| (rate(FAULT, n, k) + rate(FAULT, n, j)).min(1.0) * 600.0;
        let fine = FAULT_CLUSTERS.iter().flat_map(|&(cluster, weight)| {
            let prior = (weight / (n * n) as f64).ln();
            (0..n * n).map(move |at| prior + ln_clustered(12, both(at / n, at % n), cluster))
        });
        let fine = ln_sum_exp(fine.collect::<Vec<_>>());
        assert!((got - fine).abs() < 0.05, "{got} for {fine}");
    }

    #[test]
    fn blocks_count_one_by_one() {
        let count = |events, exposure| Count { events, exposure };
        let cell = Cell::of(&[count(0, 100.0), count(2, 80.0), count(0, 50.0), count(1, 120.0)]);
        for cluster in [1.0, 8.0] {
            let expected: f64 =
                [(0, 150.0), (2, 80.0), (1, 120.0)].map(|(k, t)| ln_clustered(k, 0.01 * t, cluster)).iter().sum();
            assert!((cell.ln_likelihood(0.01, cluster) - expected).abs() < 1e-9);
        }
        // Middles of equal steps of the logarithm.
        assert!(
            (rate((1e-6, 1.0), 6, 0) / 10f64.powf(-5.5) - 1.0).abs() < 1e-9
                && (rate((1e-6, 1.0), 6, 5) / 10f64.powf(-0.5) - 1.0).abs() < 1e-9
        );
    }

    /// In one drive the rate of a fault lies about its mean, half of the faults with 0.3 in the logarithm and half with 1.0, or
    /// it is silent, once in 200: against a fine sum of Poisson probabilities over the two normal laws.
    #[test]
    fn the_rate_of_one_drive_lies_about_the_mean() {
        let cell = Cell::of(&[Count { events: 12, exposure: 600.0 }]);
        let silent = -30.0;
        for k in [5, 15, 20] {
            let mean = rate(FAULT, N_FAULT, k);
            let n = 3000;
            let sum: f64 = (0..n)
                .map(|j| {
                    let shift = 6.0 * (f64::from(j) + 0.5) / f64::from(n) - 3.0;
                    let normal =
                        |sigma: f64| (-0.5 * (shift / sigma).powi(2)).exp() / (sigma * std::f64::consts::TAU.sqrt());
                    let density = 0.5 * normal(0.3) + 0.5 * normal(1.0);
                    density * ln_clustered(12, (mean * shift.exp()).min(1.0) * 600.0, 1.0).exp() * 6.0 / f64::from(n)
                })
                .sum();
            let expected = (0.995 * sum + 0.005 * f64::exp(silent)).ln();
            let got = cell.fault(silent)[0][k];
            assert!((got - expected).abs() < 0.01, "{mean}: {got} for {expected}");
        }
    }

    /// Two parts that are both out of the engine do not meet, two on one cylinder do.
    #[test]
    fn faults_that_do_not_meet_are_independent() {
        let two = of(&[[(12, 600.0), (5, 600.0)], [(0, 600.0), (1, 600.0)]], 6);
        let (first, second) = ([Some(0), None], [Some(1), None]);
        let apart = two.alone(&first) + two.alone(&second) + two.rest(&[&first, &second]);
        assert!((two.two(&first, &second) - apart).abs() < 1e-9);
        let (first, second) = ([Some(0), Some(1)], [Some(0), Some(0)]);
        let together = two.together(&first, &second) + two.rest(&[&first, &second]);
        assert!((two.two(&first, &second) - together).abs() < 1e-9);
    }

    /// Half of the faults differ little from drive to drive (0.3 in the logarithm), half much (1.0): ordinates of the two
    /// normal laws, without their common factor, by hand.
    #[test]
    fn how_much_a_fault_changes_from_drive_to_drive() {
        assert!((shift_weight(0.0) - (0.5 / 0.3 + 0.5)).abs() < 1e-12);
        assert!((shift_weight(-0.6) - (0.5 / 0.3 * (-2.0_f64).exp() + 0.5 * (-0.18_f64).exp())).abs() < 1e-12);
    }
}
