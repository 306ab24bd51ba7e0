//! Fourier sums at evenly spaced frequencies: fast transform, and its extension to samples at any place.

use std::f64::consts::{PI, TAU};

/// A complex number as (real, imaginary).
pub(crate) type Complex = (f64, f64);

pub(crate) fn times(a: Complex, b: Complex) -> Complex {
    (a.0 * b.0 - a.1 * b.1, a.0 * b.1 + a.1 * b.0)
}

/// `exp(i * angle)`.
pub(crate) fn turned(angle: f64) -> Complex {
    let (sin, cos) = angle.sin_cos();
    (cos, sin)
}

/// Sums `x[j] exp(+2 pi i j k / n)` in place for all k; `roots[k] = exp(2 pi i k / n)` for the first half of k.
///
/// Cooley and Tukey 1965, radix 2: the length must be a power of two.
fn transform(x: &mut [Complex], roots: &[Complex]) {
    let n = x.len();
    debug_assert!(n.is_power_of_two() && roots.len() == n / 2);
    let shift = usize::BITS - n.trailing_zeros();
    for j in 1..n {
        let swapped = j.reverse_bits() >> shift;
        if j < swapped {
            x.swap(j, swapped);
        }
    }
    let mut half = 1;
    while half < n {
        let stride = n / (2 * half);
        for pair in x.chunks_exact_mut(2 * half) {
            let (low, high) = pair.split_at_mut(half);
            for ((a, b), root) in low.iter_mut().zip(high).zip(roots.iter().step_by(stride)) {
                let turned = times(*b, *root);
                *b = (a.0 - turned.0, a.1 - turned.1);
                *a = (a.0 + turned.0, a.1 + turned.1);
            }
        }
        half *= 2;
    }
}

/// Cells that one sample is spread over. Eight give seven digits (Barnett, Magland and af Klinteberg 2019, SIAM J. Sci.
/// Comput. 41:C479: error about 10^(1 - width) when the grid is at least twice finer than the frequencies).
const WIDTH: usize = 8;

/// Shape of the spreading kernel `exp(SHARPNESS (sqrt(1 - z^2) - 1))`: 2.3 per cell of width, same source.
const SHARPNESS: f64 = 2.3 * WIDTH as f64;

/// Places within a cell for which the kernel is tabulated. Between them a straight line: error (1/2048)^2 / 8 times the
/// kernel's curvature of about 1.2 per cell squared, 4e-8.
const PLACES: usize = 2048;

fn kernel(cells: f64) -> f64 {
    let z = 2.0 * cells / WIDTH as f64;
    let inside = 1.0 - z * z;
    if inside <= 0.0 { 0.0 } else { (SHARPNESS * (inside.sqrt() - 1.0)).exp() }
}

/// Ready for sums at `n` evenly spaced frequencies over samples anywhere; used again for many sets of samples.
pub(crate) struct Plan {
    n: usize,
    cells: usize,
    roots: Vec<Complex>,
    table: Vec<[f64; WIDTH]>,
    /// Reciprocal of what the kernel does to each frequency, counted from the middle one.
    unspread: Vec<f64>,
}

impl Plan {
    pub(crate) fn new(n: usize) -> Self {
        let cells = (2 * n).next_power_of_two().max(4 * WIDTH);
        let roots = (0..cells / 2).map(|k| turned(TAU * k as f64 / cells as f64)).collect();
        let half = WIDTH as f64 / 2.0;
        let row = |place: usize| {
            let offset = place as f64 / PLACES as f64;
            std::array::from_fn(|cell| kernel(cell as f64 + 1.0 - half - offset))
        };
        let table = (0..=PLACES).map(row).collect();
        // The kernel's own transform by the midpoint rule, each node turned on from one frequency to the next.
        const NODES: usize = 48;
        let mut unspread = vec![0.0; n];
        for node in 0..NODES {
            let z = half * (node as f64 + 0.5) / NODES as f64;
            let weight = 2.0 * kernel(z) * half / NODES as f64;
            let step = turned(TAU * z / cells as f64);
            let mut at = turned(-TAU * z / cells as f64 * (n / 2) as f64);
            for sum in &mut unspread {
                *sum += weight * at.0;
                at = times(at, step);
            }
        }
        for sum in &mut unspread {
            *sum = sum.recip();
        }
        Self { n, cells, roots, table, unspread }
    }

    /// Where a sample lies on the grid if neighbouring frequencies differ by `turns` there, in turns of the phase: first
    /// cell, and the share of the kernel that each of the cells from there on gets. Rounding can make a whole turn of it:
    /// that cell lies in the margin behind the grid.
    fn place(&self, turns: f64) -> (usize, [f64; WIDTH]) {
        let at = (turns - turns.floor()) * self.cells as f64;
        let cell = at.floor();
        let fine = (at - cell) * PLACES as f64;
        let place = (fine as usize).min(PLACES - 1);
        let share = fine - place as f64;
        let (low, high) = (&self.table[place], &self.table[place + 1]);
        let weights = std::array::from_fn(|k| low[k] + share * (high[k] - low[k]));
        (cell as usize, weights)
    }

    /// `sums[s][k] = sum over j of values(j)[s] exp(2 pi i (k - n/2) turns(j))`, j = 0..count.
    ///
    /// `turns(j)`: step of the frequency times the place of sample j.
    pub(crate) fn sums<const S: usize>(
        &self,
        count: usize,
        turns: impl Fn(usize) -> f64,
        values: impl Fn(usize) -> [Complex; S],
    ) -> [Vec<Complex>; S] {
        // A margin behind the end, folded back below, spares a wrap per cell.
        let mut grids: [Vec<Complex>; S] = std::array::from_fn(|_| vec![(0.0, 0.0); self.cells + WIDTH]);
        for j in 0..count {
            let (cell, weights) = self.place(turns(j));
            for (grid, value) in grids.iter_mut().zip(values(j)) {
                for (to, weight) in grid[cell..cell + WIDTH].iter_mut().zip(weights) {
                    to.0 += value.0 * weight;
                    to.1 += value.1 * weight;
                }
            }
        }
        grids.map(|mut grid| {
            for k in 0..WIDTH {
                let over = grid[self.cells + k];
                grid[k].0 += over.0;
                grid[k].1 += over.1;
            }
            grid.truncate(self.cells);
            transform(&mut grid, &self.roots);
            // The first of the kernel's cells lies WIDTH/2 - 1 cells before the sample's.
            let first = WIDTH as f64 / 2.0 - 1.0;
            let step = turned(-TAU * first / self.cells as f64);
            let mut back = turned(TAU * first / self.cells as f64 * (self.n / 2) as f64);
            (0..self.n)
                .map(|k| {
                    let bin = (k + self.cells - self.n / 2) % self.cells;
                    let sum = times(grid[bin], back);
                    back = times(back, step);
                    (sum.0 * self.unspread[k], sum.1 * self.unspread[k])
                })
                .collect()
        })
    }
}

/// `sin(pi x) / (pi x)`: what averaging over x periods leaves of an oscillation.
pub(crate) fn sinc(x: f64) -> f64 {
    if x.abs() < 1e-6 { 1.0 } else { (PI * x).sin() / (PI * x) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sums_at_any_place_agree_with_the_definition() {
        let mut at: Vec<f64> =
            (0..300).map(|j| f64::from(j) * 0.013 + (f64::from(j) * 1.7).sin() * 0.4 - 1.0).collect();
        let value = |j: usize| ((j as f64 * 0.9).cos(), (j as f64 * 0.31).sin());
        // So little before a whole turn that rounding makes one of it.
        at[7] = -1e-20;
        for n in [1, 2, 7, 64, 501] {
            let plan = Plan::new(n);
            let [sums] = plan.sums(at.len(), |j| at[j], |j| [value(j)]);
            for (k, sum) in sums.iter().enumerate() {
                let mode = k as f64 - (n / 2) as f64;
                let direct = (0..at.len()).fold((0.0, 0.0), |(re, im), j| {
                    let term = times(value(j), turned(TAU * mode * at[j]));
                    (re + term.0, im + term.1)
                });
                let off = (sum.0 - direct.0).hypot(sum.1 - direct.1);
                assert!(off < 300.0 * 1e-7, "n = {n}, k = {k}: {sum:?} {direct:?}");
            }
            let [alone] = plan.sums(1, |_| -1e-20, |_| [(1.0, 0.0)]);
            assert!(alone.iter().all(|sum| (sum.0 - 1.0).hypot(sum.1) < 1e-6), "n = {n}");
        }
        assert!((sinc(0.5) - 2.0 / PI).abs() < 1e-12 && sinc(1.0).abs() < 1e-12 && sinc(0.0) == 1.0);
    }
}
