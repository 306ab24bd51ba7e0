//! A line of one frequency in the pieces of a track: how large it is, and how it grows with speed.

use std::f64::consts::TAU;
use std::rc::Rc;

use super::piece::{Piece, variance};
use crate::stats::fourier::{Complex, turned};

/// What was found at one frequency over all pieces.
#[derive(Debug, Clone, Copy)]
pub(super) struct Size {
    /// Amplitude of the relative error.
    pub(super) amplitude: f64,
    /// Its standard error.
    pub(super) error: f64,
}

/// Pieces under one model of averaging.
#[derive(Clone)]
pub(super) struct Pieces(pub(super) Rc<Vec<Piece>>, pub(super) Rc<Vec<f64>>);

impl Pieces {
    /// Each piece with the variance of its noise.
    pub(super) fn all(&self) -> impl Iterator<Item = (&Piece, &f64)> {
        self.0.iter().zip(self.1.iter())
    }
}

impl std::fmt::Debug for Pieces {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{} pieces", self.0.len())
    }
}

/// A wave fitted to one piece.
struct Fit {
    /// Squared amplitude of the relative error.
    square: f64,
    /// Variance of one coefficient per variance of the noise.
    unit: f64,
    /// Mean square of the error before and after, (m/s)^2.
    before: f64,
    after: f64,
}

/// Fits a wave whose relative size grows with the `power`-th power of speed, in m/s.
///
/// Taking out the slow part takes away from a line, too, the more the slower sampling makes it look (a turn of the wheel per
/// sample looks like standing still): the waves that are fitted have lost the same. `None` where nothing is left of them.
fn fitted(piece: &Piece, frequency: f64, power: f64) -> Option<Fit> {
    let mut sums = Vec::with_capacity(piece.around.len() + 1);
    let mut waves = Vec::with_capacity(piece.around.len());
    let mut sum: Complex = (0.0, 0.0);
    sums.push(sum);
    for (x, gain, speed_m_s) in &piece.around {
        let (cos, sin) = turned(TAU * (frequency * x).fract());
        let gain = if power == 0.0 { *gain } else { gain * speed_m_s.powf(power) };
        let wave = (gain * cos, gain * sin);
        sum = (sum.0 + wave.0, sum.1 + wave.1);
        waves.push(wave);
        sums.push(sum);
    }
    let (mut cc, mut ss, mut cs, mut yc, mut ys) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for (j, &reach) in piece.reach.iter().enumerate() {
        let k = piece.from + j;
        let n = (2 * reach + 1) as f64;
        let (low, high) = (sums[k - reach], sums[k + reach + 1]);
        let (c, s) = (waves[k].0 - (high.0 - low.0) / n, waves[k].1 - (high.1 - low.1) / n);
        let error = piece.y[j] * piece.around[k].1;
        cc += c * c;
        ss += s * s;
        cs += c * s;
        yc += error * c;
        ys += error * s;
    }
    let det = cc * ss - cs * cs;
    if det <= 1e-6 * (cc + ss).powi(2) || cc + ss <= 0.0 {
        return None;
    }
    let (a, b) = ((yc * ss - ys * cs) / det, (ys * cc - yc * cs) / det);
    let before = variance(piece);
    let after = (before - (a * yc + b * ys) / piece.x.len() as f64).max(1e-12 * before);
    Some(Fit { square: a * a + b * b, unit: 0.5 * (cc + ss) / det, before, after })
}

/// The size of an error at a frequency over some pieces, each counting by what it knows.
pub(super) fn size<'a>(pieces: impl Iterator<Item = (&'a Piece, &'a f64)>, frequency: f64) -> Size {
    let (mut sum, mut square, mut error) = (0.0, 0.0, 0.0);
    for (piece, noise) in pieces {
        let Some(fit) = fitted(piece, frequency, 0.0) else { continue };
        let variance = noise / fit.before.max(1e-300) * fit.after * fit.unit;
        // Weighing with what the fit left would favour the pieces that happen to fit; their spread without a line will do.
        let weight: f64 = piece.weight.iter().sum::<f64>() / noise.max(1e-12);
        sum += weight;
        square += weight * (fit.square - 2.0 * variance);
        error += weight * weight * variance;
    }
    if sum <= 0.0 {
        return Size { amplitude: 0.0, error: 1.0 };
    }
    Size { amplitude: (square / sum).max(0.0).sqrt(), error: error.sqrt() / sum }
}

/// Exponent of the growth of the relative error with speed, and its standard error; `None` where the drive does not tell.
pub(super) fn growth(pieces: &Pieces, frequency: f64) -> Option<(f64, f64)> {
    let step = 0.25;
    // How much better than nothing one size for all pieces explains them, in squared standard deviations.
    let score = |power: f64| {
        let (mut gain, mut weights, mut mean, mut square) = (0.0, 0.0, 0.0, 0.0);
        for (piece, noise) in pieces.all() {
            let (Some(plain), Some(fit)) = (fitted(piece, frequency, 0.0), fitted(piece, frequency, power)) else {
                continue;
            };
            let noise = noise / plain.before.max(1e-300) * plain.after;
            gain += (fit.before - fit.after) * piece.x.len() as f64 / noise;
            let (weight, amplitude) = ((noise * fit.unit).recip(), fit.square.sqrt());
            weights += weight;
            mean += weight * amplitude;
            square += weight * amplitude * amplitude;
        }
        gain - (square - mean * mean / weights)
    };
    let scores: Vec<f64> = (-8..=16).map(|k| score(step * f64::from(k))).collect();
    let best = (1..scores.len() - 1).max_by(|&i, &j| scores[i].total_cmp(&scores[j]))?;
    let (low, top, high) = (scores[best - 1], scores[best], scores[best + 1]);
    let bend = 2.0 * top - low - high;
    if !bend.is_finite() || bend <= 0.0 || top < low || top < high {
        return None;
    }
    let error = step * (2.0 / bend).sqrt();
    let power = step * (best as f64 - 8.0 + 0.5 * (high - low) / bend);
    // More than this and a constant error looks like one that grows.
    (error < 0.3).then_some((power, error.max(0.05)))
}
