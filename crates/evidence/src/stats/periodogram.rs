//! Least-squares periodogram of samples at any place, and how seldom chance makes a peak.
//!
//! Lomb 1976, Scargle 1982; with floating mean and weights: Zechmeister and Kürster 2009, A&A 496:577, equations 4 to 13.
//! At each frequency the power is the share, 0 to 1, by which `mean + a cos + b sin` lowers the weighted sum of squares.

use std::f64::consts::{PI, TAU};

use statrs::function::gamma::{gamma_ur, ln_gamma};

use super::fourier::{Complex, Plan, times, turned};

/// Evenly spaced frequencies, in cycles per unit of the places.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Grid {
    /// First frequency.
    pub from: f64,
    /// Distance between neighbours.
    pub step: f64,
    /// How many.
    pub n: usize,
}

impl Grid {
    /// Frequency number `k`.
    #[must_use]
    pub fn at(&self, k: usize) -> f64 {
        self.from + self.step * k as f64
    }
}

/// Samples to be looked at: places, values and weights of equal length.
#[derive(Debug, Clone, Copy)]
pub struct Samples<'a> {
    /// Where (time, angle, distance).
    pub x: &'a [f64],
    /// What.
    pub y: &'a [f64],
    /// How much each counts; not negative.
    pub weight: &'a [f64],
}

/// The sums that one frequency needs, all divided by the sum of weights.
struct Sums {
    /// `w y exp(i phase)`, y with its mean taken out.
    y: Complex,
    /// `w exp(i phase)`.
    w: Complex,
    /// `w exp(2 i phase)`.
    w2: Complex,
}

impl Sums {
    /// Coefficients of cos and sin, and the drop of the sum of squares. Nothing where the wave cannot be told from a mean.
    fn solved(&self) -> (f64, f64, f64) {
        let cc = 0.5 * (1.0 + self.w2.0) - self.w.0 * self.w.0;
        let ss = 0.5 * (1.0 - self.w2.0) - self.w.1 * self.w.1;
        let cs = 0.5 * self.w2.1 - self.w.0 * self.w.1;
        let det = cc * ss - cs * cs;
        if det <= 1e-9 {
            return (0.0, 0.0, 0.0);
        }
        let a = (self.y.0 * ss - self.y.1 * cs) / det;
        let b = (self.y.1 * cc - self.y.0 * cs) / det;
        (a, b, a * self.y.0 + b * self.y.1)
    }
}

/// One wave fitted to samples.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Wave {
    /// Coefficient of the cosine, phase counted from place 0.
    pub cos: f64,
    /// Coefficient of the sine.
    pub sin: f64,
    /// Share of the sum of squares that it explains.
    pub power: f64,
}

/// Total weight, weighted mean and mean square about it; `None` when nothing varies.
fn moments(samples: &Samples<'_>) -> Option<(f64, f64, f64)> {
    let total: f64 = samples.weight.iter().sum();
    let pairs = || samples.y.iter().zip(samples.weight);
    let mean = pairs().map(|(y, w)| y * w).sum::<f64>() / total;
    let square = pairs().map(|(y, w)| w * (y - mean).powi(2)).sum::<f64>() / total;
    (total > 0.0 && square > 0.0 && square.is_finite()).then_some((total, mean, square))
}

/// Fits one frequency; `None` when the samples do not vary.
#[must_use]
pub fn wave(samples: &Samples<'_>, frequency: f64) -> Option<Wave> {
    let (total, mean, square) = moments(samples)?;
    let mut sums = Sums { y: (0.0, 0.0), w: (0.0, 0.0), w2: (0.0, 0.0) };
    let add = |to: &mut Complex, by: f64, wave: Complex| *to = (to.0 + by * wave.0, to.1 + by * wave.1);
    for ((x, y), w) in samples.x.iter().zip(samples.y).zip(samples.weight) {
        let one = turned(TAU * (frequency * x).fract());
        add(&mut sums.y, w * (y - mean) / total, one);
        add(&mut sums.w, w / total, one);
        add(&mut sums.w2, w / total, times(one, one));
    }
    let (cos, sin, drop) = sums.solved();
    Some(Wave { cos, sin, power: (drop / square).clamp(0.0, 1.0) })
}

/// A periodogram at the frequencies of a grid, ready for many sets of samples.
pub struct Periodogram {
    grid: Grid,
    plan: Plan,
}

impl Periodogram {
    /// Prepares a grid.
    #[must_use]
    pub fn new(grid: Grid) -> Self {
        Self { grid, plan: Plan::new(grid.n) }
    }

    /// The frequencies.
    #[must_use]
    pub fn grid(&self) -> Grid {
        self.grid
    }

    /// Power at each frequency; all zero when the samples do not vary. Errors stay below 1e-6 of the greatest power.
    #[must_use]
    pub fn power(&self, samples: &Samples<'_>) -> Vec<f64> {
        let Some((total, mean, square)) = moments(samples) else { return vec![0.0; self.grid.n] };
        let middle = self.grid.at(self.grid.n / 2);
        // Counting from the middle of the samples keeps the phases small.
        let count = samples.x.len().min(samples.y.len()).min(samples.weight.len());
        let zero = samples.x[count / 2];
        let x = |j: usize| samples.x[j] - zero;
        let one: Vec<Complex> = (0..count).map(|j| turned(TAU * (middle * x(j)).fract())).collect();
        let w = |j: usize| samples.weight[j] / total;
        let scaled = |by: f64, wave: Complex| (by * wave.0, by * wave.1);
        let [ys, ws] = self.plan.sums(
            count,
            |j| self.grid.step * x(j),
            |j| [scaled(w(j) * (samples.y[j] - mean), one[j]), scaled(w(j), one[j])],
        );
        let [w2s] = self.plan.sums(count, |j| 2.0 * self.grid.step * x(j), |j| [scaled(w(j), times(one[j], one[j]))]);
        ys.into_iter()
            .zip(ws)
            .zip(w2s)
            .map(|((y, w), w2)| (Sums { y, w, w2 }.solved().2 / square).clamp(0.0, 1.0))
            .collect()
    }
}

/// Probability that white normal noise gives at least this power at one frequency fixed beforehand, from `n` samples.
#[must_use]
pub fn single_false_alarm(power: f64, n: usize) -> f64 {
    (1.0 - power.clamp(0.0, 1.0)).powf((n as f64 - 3.0) / 2.0)
}

/// Probability that white normal noise at the places `x` gives at least this power anywhere up to frequency `highest`
/// (Baluev 2008, MNRAS 385:1279): an upper bound, close where the answer is small.
#[must_use]
pub fn false_alarm(power: f64, x: &[f64], highest: f64) -> f64 {
    let n = x.len() as f64;
    if n < 4.0 {
        return 1.0;
    }
    let power = power.clamp(0.0, 1.0);
    let ln_gamma_ratio = 0.5 * (2.0 / (n - 1.0)).ln() + ln_gamma((n - 1.0) / 2.0) - ln_gamma((n - 2.0) / 2.0);
    let crossings = ln_gamma_ratio.exp()
        * windows(x, highest)
        * (1.0 - power).powf((n - 4.0) / 2.0)
        * (0.5 * (n - 1.0) * power).sqrt();
    combined(single_false_alarm(power, x.len()), crossings)
}

/// Baluev's W: the width of a band of frequencies in units of what samples at `x` resolve.
#[must_use]
pub fn windows(x: &[f64], width: f64) -> f64 {
    let n = x.len() as f64;
    let mean = x.iter().sum::<f64>() / n;
    let variance = x.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / n;
    width * (4.0 * PI * variance).sqrt()
}

/// The same for the sum of `parts` independent periodograms, each scaled to a mean of 1 under noise, over a band of
/// [`windows`] `windows` in each part: up-crossings of a chi-square process (Davies 1987, Biometrika 74:33), which for one
/// part is the limit of [`false_alarm`] for many samples.
#[must_use]
pub fn sum_false_alarm(sum: f64, parts: usize, windows: f64) -> f64 {
    if parts == 0 || sum <= 0.0 {
        return 1.0;
    }
    let s = parts as f64;
    let crossings = windows * ((s - 0.5) * sum.ln() - sum - ln_gamma(s)).exp();
    combined(gamma_ur(s, sum), crossings)
}

fn combined(single: f64, crossings: f64) -> f64 {
    -((-single.clamp(0.0, 1.0)).ln_1p() - crossings).exp_m1()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn published_false_alarm_levels() {
        // The example of the R package `lomb`, which ports astropy: t = 1..100, P = 0.19, up to frequency 2.
        let x: Vec<f64> = (1..=100).map(f64::from).collect();
        assert!((false_alarm(0.19, &x, 2.0) - 0.024_936).abs() < 1e-6);
        assert!((single_false_alarm(0.19, 100) / 3.643_54e-5 - 1.0).abs() < 1e-5);
        // Scargle 1982: z = 10 at 500 independent frequencies, 0.022445.
        assert!((1.0 - (1.0 - (-10.0_f64).exp()).powi(500) - 0.022_445).abs() < 1e-6);
        // By hand from the formulas: four samples are the fewest, three parts have the gamma function of three.
        assert!((false_alarm(0.99, &[0.0, 1.0, 2.0, 3.0], 0.01) - 0.130_909_9).abs() < 1e-6);
        assert_eq!(false_alarm(0.99, &[0.0, 1.0, 2.0], 0.01), 1.0);
        assert!((sum_false_alarm(12.0, 3, 2.0) / 0.003_580_889_08 - 1.0).abs() < 1e-6);
        assert_eq!((sum_false_alarm(-1.0, 3, 2.0), sum_false_alarm(1.0, 0, 2.0)), (1.0, 1.0));
        // One part is Baluev's bound for many samples.
        let many: Vec<f64> = (0..200_000).map(f64::from).collect();
        let z = 14.0;
        let whole = false_alarm(2.0 * z / 200_000.0, &many, 0.01);
        assert!((sum_false_alarm(z, 1, windows(&many, 0.01)) / whole - 1.0).abs() < 1e-2);
    }

    #[test]
    fn a_known_wave_is_found_with_its_size() {
        let x: Vec<f64> = (0..400).map(|k| f64::from(k) * 0.2 + 0.05 * (f64::from(k) * 2.3).sin()).collect();
        let y: Vec<f64> = x.iter().map(|x| 5.0 + 0.3 * (TAU * 0.71 * x).cos() - 0.4 * (TAU * 0.71 * x).sin()).collect();
        let weight: Vec<f64> = (0..400).map(|k| 1.0 + f64::from(k % 3)).collect();
        let samples = Samples { x: &x, y: &y, weight: &weight };
        let wave_there = wave(&samples, 0.71).unwrap();
        assert!((wave_there.cos - 0.3).abs() < 1e-9 && (wave_there.sin + 0.4).abs() < 1e-9, "{wave_there:?}");
        let grid = Grid { from: 0.2, step: 0.001, n: 1000 };
        let power = Periodogram::new(grid).power(&samples);
        for (k, power) in power.iter().enumerate() {
            let direct = wave(&samples, grid.at(k)).unwrap().power;
            assert!((power - direct).abs() < 1e-6, "{k}: {power} {direct}");
        }
        assert!(power[510] > 0.999_999);
        let none = |samples: &Samples<'_>| {
            assert!(wave(samples, 0.71).is_none());
            assert!(Periodogram::new(grid).power(samples).iter().all(|power| *power == 0.0));
        };
        none(&Samples { x: &[], y: &[], weight: &[] });
        none(&Samples { x: &x, y: &[5.0; 400], weight: &weight });
        none(&Samples { x: &x, y: &y, weight: &[0.0; 400] });
        none(&Samples { x: &x, y: &[f64::INFINITY; 400], weight: &weight });
    }
}
