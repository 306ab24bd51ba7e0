//! The search for an error of every wheel turn.
//!
//! Places are metres rolled, frequencies cycles per metre: a wheel with circumference C repeats itself at 1/C, however fast
//! the car goes and however seldom it is sampled; where that frequency appears in *time* (aliased or not) follows from the
//! way by itself.

use std::f64::consts::TAU;
use std::rc::Rc;

use super::track::{Point, Track};
use crate::finding::Span;
use crate::stats::fourier::{Complex, sinc, turned};
use crate::stats::periodogram::{Grid, Periodogram, Samples, sum_false_alarm, wave, windows};
use crate::stats::robust;

/// Rolling circumferences of tyres of passenger cars and vans, metres (common practice, no source; 205/55R16 rolls 1.93).
pub(super) const CIRCUMFERENCE_M: (f64, f64) = (1.65, 2.45);

/// Usual one, for what needs no more than a guess.
pub(super) const USUAL_CIRCUMFERENCE_M: f64 = 2.0;

/// Frequencies beside order 1 that show how much noise there is: below it and between it and order 2.
const BESIDE: [(f64, f64); 2] = [(0.20, 0.375), (0.64, 0.80)];

/// Longest stretch taken as one piece: speed is known to some per mille, so a longer one would smear.
const LONGEST_M: f64 = 400.0;

/// Shortest piece: eight turns tell order 1 from its neighbours.
const SHORTEST_M: f64 = 16.0;

/// Least number of samples in a piece.
const LEAST_SAMPLES: usize = 16;

/// Most pieces, and most samples, that are looked at: a ring that is broken is broken all the time, so a long drive is
/// judged by pieces spread over it.
const MOST_PIECES: usize = 64;
const MOST_SAMPLES: usize = 8000;

/// Longest time over which a control unit averages (10 to 100 ms, common practice, no source).
const LONGEST_AVERAGE_S: f64 = 0.1;

/// Fewest frequencies beside order 1 from which noise is told.
const LEAST_BESIDE: f64 = 40.0;

/// A part of a stretch in which a wheel's turns can be counted without losing count.
#[derive(Clone, Copy)]
struct Cut<'a> {
    stretch: &'a [Point],
    from: usize,
    to: usize,
}

impl<'a> Cut<'a> {
    fn points(&self) -> &'a [Point] {
        &self.stretch[self.from..self.to]
    }

    fn metres(&self) -> f64 {
        self.stretch[self.to - 1].rolled_m - self.stretch[self.from].rolled_m
    }
}

/// A cut as the periodogram wants it.
struct Piece {
    x: Vec<f64>,
    y: Vec<f64>,
    weight: Vec<f64>,
    /// When, seconds.
    t_s: Vec<f64>,
    /// Place, gain and speed of the cut's points and of those around it that took part in their slow means.
    around: Vec<(f64, f64, f64)>,
    /// Where the cut begins in `around`.
    from: usize,
    /// Reach of each point's slow mean.
    reach: Vec<usize>,
    speed_m_s: f64,
    span: Span,
}

/// What was found at one frequency over all pieces.
#[derive(Debug, Clone, Copy)]
pub(super) struct Size {
    /// Amplitude of the relative error.
    pub(super) amplitude: f64,
    /// Its standard error.
    pub(super) error: f64,
}

/// Result of the search over one wheel.
#[derive(Debug, Clone)]
pub(super) struct Order {
    /// Strongest line's circumference, metres.
    pub(super) circumference_m: f64,
    /// Chance of such a line from noise alone.
    pub(super) false_alarm: f64,
    /// Mean square of the error that it explains, (m/s)^2, to compare wheels.
    pub(super) explained: f64,
    /// Size at orders 1, 2 and 3 of it.
    pub(super) sizes: [Size; 3],
    /// Exponent of its growth with speed and the exponent's standard error, where the speeds differ enough.
    pub(super) growth: Option<(f64, f64)>,
    /// Size at order 1 if the control unit averages as long as may be, with the error that order 1 has at any circumference:
    /// what may be hidden.
    pub(super) hidden: Size,
    /// Metres looked at.
    pub(super) metres: f64,
    /// Where.
    pub(super) spans: Vec<Span>,
    /// Amplitude by piece, for other wheels to be compared at the same frequency.
    pieces: Pieces,
}

/// Pieces under one model of averaging.
#[derive(Clone)]
struct Pieces(Rc<Vec<Piece>>, Rc<Vec<f64>>);

impl Pieces {
    /// Each piece with the variance of its noise.
    fn all(&self) -> impl Iterator<Item = (&Piece, &f64)> {
        self.0.iter().zip(self.1.iter())
    }
}

impl std::fmt::Debug for Pieces {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{} pieces", self.0.len())
    }
}

impl Order {
    /// Size of the error that repeats so many times per metre.
    pub(super) fn size_at(&self, frequency: f64) -> Size {
        size(self.pieces.all(), frequency)
    }

    /// Size of the error at the frequency of another wheel's line, at most: the largest within 2 % of it.
    pub(super) fn size_near(&self, circumference_m: f64) -> Size {
        let near = (-4..=4).map(|k| self.size_at(1.0 / (circumference_m * (1.0 + 0.005 * f64::from(k)))));
        near.max_by(|a, b| a.amplitude.total_cmp(&b.amplitude)).unwrap_or(Size { amplitude: 0.0, error: 1.0 })
    }
}

impl Order {
    /// Frequency in Hz of an oscillation in time that explains clearly more of the error than the turns do, if there is one:
    /// something that hums or flaps, whatever the speed.
    pub(super) fn timed(&self) -> Option<f64> {
        let pieces = &self.pieces.0;
        let seconds = |p: &Piece| p.t_s[p.t_s.len() - 1] - p.t_s[0];
        let longest_s = pieces.iter().map(seconds).fold(0.0, f64::max);
        let samples: usize = pieces.iter().map(|p| p.x.len()).sum();
        let interval_s = pieces.iter().map(seconds).sum::<f64>() / samples as f64;
        let step = 0.2 / longest_s;
        let grid = Grid { from: step, step, n: (0.5 / interval_s / step).clamp(1.0, 20_000.0) as usize };
        let periodogram = Periodogram::new(grid);
        let mut explained = vec![0.0; grid.n];
        for piece in pieces.iter() {
            let error: Vec<f64> = piece.y.iter().zip(&piece.weight).map(|(y, w)| y * w.sqrt()).collect();
            let ones = vec![1.0; error.len()];
            let power = periodogram.power(&Samples { x: &piece.t_s, y: &error, weight: &ones });
            let square = variance(piece) * error.len() as f64 / samples as f64;
            explained.iter_mut().zip(power).for_each(|(sum, power)| *sum += power * square);
        }
        let best = (0..grid.n).max_by(|&i, &j| explained[i].total_cmp(&explained[j]))?;
        (explained[best] > CLEARLY * self.explained).then(|| grid.at(best))
    }
}

/// At one steady speed turns and time are the same; the search over all frequencies of time finds a little more by chance.
const CLEARLY: f64 = 1.2;

/// How far a wheel rolls before the count of its turns is off by an eighth: the step in which a speed counts may hide a
/// constant error of step / sqrt(12).
pub(super) fn countable_m(speed_m_s: f64, step_m_s: f64) -> f64 {
    let hidden = step_m_s / 12f64.sqrt() / speed_m_s;
    (USUAL_CIRCUMFERENCE_M / 8.0 / hidden.max(1e-9)).min(LONGEST_M)
}

/// Searches a wheel's track; `None` when it holds too little to count turns in.
pub(super) fn search(track: &Track) -> Option<Order> {
    let cuts = cut(track);
    let longest_m = cuts.iter().map(Cut::metres).fold(0.0, f64::max);
    let beside: f64 = cuts.iter().map(|cut| cut.metres().min(cut.points().len() as f64)).sum::<f64>()
        * BESIDE.iter().map(|b| b.1 - b.0).sum::<f64>();
    if cuts.is_empty() || beside < LEAST_BESIDE {
        return None;
    }
    let from = BESIDE[0].0;
    let step = 0.2 / longest_m;
    let grid = Grid { from, step, n: ((BESIDE[1].1 - from) / step) as usize + 1 };
    let periodogram = Periodogram::new(grid);
    let best = Model::of(&cuts, 0.0, &periodogram);
    // Where a turn takes much longer than the averaging both models are the same.
    let average_s = track.interval_s.min(LONGEST_AVERAGE_S);
    let fastest = best.pieces.0.iter().map(|p| p.speed_m_s).fold(0.0, f64::max);
    let may_hide = fastest / USUAL_CIRCUMFERENCE_M * average_s > 0.25;
    let sizes = [1.0, 2.0, 3.0].map(|order| size(best.pieces.all(), order * best.frequency));
    let hidden = if may_hide {
        let averaged = Model::of(&cuts, average_s, &periodogram);
        let amplitude = size(averaged.pieces.all(), averaged.frequency).amplitude.max(sizes[0].amplitude);
        Size { amplitude, error: averaged.error.max(best.error) }
    } else {
        Size { error: best.error, ..sizes[0] }
    };
    let metres = best.pieces.0.iter().map(|p| p.x[p.x.len() - 1] - p.x[0]).sum();
    Some(Order {
        circumference_m: best.frequency.recip(),
        false_alarm: best.false_alarm,
        explained: best.explained,
        // Unknown averaging changes with speed, too.
        growth: if may_hide { None } else { growth(&best.pieces, best.frequency) },
        sizes,
        hidden,
        metres,
        spans: joined(best.pieces.0.iter().map(|p| p.span)),
        pieces: best.pieces,
    })
}

/// Spans of which those less than a second apart are made one.
fn joined(spans: impl Iterator<Item = Span>) -> Vec<Span> {
    let mut all: Vec<Span> = Vec::new();
    for span in spans {
        match all.last_mut() {
            Some(last) if span.from_s - last.to_s < 1.0 => last.to_s = span.to_s,
            _ => all.push(span),
        }
    }
    all
}

/// Cuts a track into pieces in which turns can be counted, and takes as many as are needed, spread over the drive.
fn cut(track: &Track) -> Vec<Cut<'_>> {
    let mut cuts = Vec::new();
    for stretch in &track.stretches {
        let mut from = 0;
        for k in 1..=stretch.len() {
            let (first, last) = (&stretch[from], &stretch[k - 1]);
            let rolled = last.rolled_m - first.rolled_m;
            let is_full = rolled >= countable_m(0.5 * (first.speed_m_s + last.speed_m_s), track.step_m_s);
            if is_full || k == stretch.len() {
                let is_enough = rolled >= SHORTEST_M && k - from >= LEAST_SAMPLES;
                // Its own course shows a wheel's turns only while there are three samples to each.
                let spacing_m = rolled / (k - from) as f64;
                if is_enough && (track.partners > 0 || spacing_m <= USUAL_CIRCUMFERENCE_M / 3.0) {
                    cuts.push(Cut { stretch, from, to: k });
                }
                from = k;
            }
        }
    }
    let samples: usize = cuts.iter().map(|cut| cut.points().len()).sum();
    let every = cuts.len().div_ceil(MOST_PIECES).max(samples.div_ceil(MOST_SAMPLES)).max(1);
    cuts.into_iter().skip((every - 1) / 2).step_by(every).collect()
}

/// The pieces under the assumption that the control unit averages over `average_s`, and the strongest line in them.
struct Model {
    pieces: Pieces,
    frequency: f64,
    false_alarm: f64,
    explained: f64,
    error: f64,
}

impl Model {
    fn of(cuts: &[Cut<'_>], average_s: f64, periodogram: &Periodogram) -> Self {
        let pieces: Vec<Piece> = cuts.iter().map(|cut| piece(cut, average_s)).collect();
        let grid = periodogram.grid();
        // White noise gives each frequency of each piece an exponential z of mean 1, whatever the number of samples.
        let mut z: Vec<Vec<f64>> = pieces
            .iter()
            .map(|p| {
                let power = periodogram.power(&Samples { x: &p.x, y: &p.y, weight: &p.weight });
                let half = 0.5 * (p.x.len() as f64 - 3.0);
                power.into_iter().map(|power| -half * (-power.min(1.0 - 1e-12)).ln_1p()).collect()
            })
            .collect();
        let colours = colours(&pieces, &z, grid);
        for (z, colour) in z.iter_mut().zip(&colours) {
            z.iter_mut().for_each(|z| *z /= colour);
        }
        let inside = |k: &usize| (1.0 / CIRCUMFERENCE_M.1..=1.0 / CIRCUMFERENCE_M.0).contains(&grid.at(*k));
        let sum_at = |k: usize| z.iter().map(|z| z[k]).sum::<f64>();
        let best = (0..grid.n).filter(inside).map(|k| (k, sum_at(k))).max_by(|a, b| a.1.total_cmp(&b.1));
        let (k, sum) = best.unwrap_or((0, 0.0));
        let band = 1.0 / CIRCUMFERENCE_M.0 - 1.0 / CIRCUMFERENCE_M.1;
        let windows = pieces.iter().map(|p| windows(&p.x, band)).sum::<f64>() / pieces.len() as f64;
        // The noise was measured at few frequencies only: its own error, one standard deviation, is taken off.
        let known = 1.0 + 1.44 / pieces.iter().map(n_beside).sum::<f64>().sqrt();
        let samples: usize = pieces.iter().map(|p| p.x.len()).sum();
        let explained = pieces
            .iter()
            .map(|p| {
                let wave = wave(&Samples { x: &p.x, y: &p.y, weight: &p.weight }, grid.at(k));
                wave.map_or(0.0, |wave| wave.power) * variance(p) * p.x.len() as f64
            })
            .sum::<f64>()
            / samples as f64;
        let noises: Vec<f64> = pieces.iter().zip(&colours).map(|(p, colour)| variance(p) * colour).collect();
        let pieces = Pieces(Rc::new(pieces), Rc::new(noises));
        Self {
            frequency: grid.at(k),
            false_alarm: sum_false_alarm(sum / known, pieces.0.len(), windows),
            explained,
            error: widest(&pieces),
            pieces,
        }
    }
}

/// The greatest error that order 1 has at any circumference.
///
/// Dense samples know all of them alike; samples of half a metre and more may know nothing of a wheel that turns about
/// once per sample.
fn widest(pieces: &Pieces) -> f64 {
    let samples: usize = pieces.0.iter().map(|p| p.x.len()).sum();
    let metres: f64 = pieces.0.iter().map(|p| p.x[p.x.len() - 1] - p.x[0]).sum();
    let tried = if metres / samples as f64 > 0.5 { 40 } else { 3 };
    let (low, high) = (1.0 / CIRCUMFERENCE_M.1, 1.0 / CIRCUMFERENCE_M.0);
    let at = |k: u32| size(pieces.all(), low + (high - low) * (f64::from(k) + 0.5) / f64::from(tried)).error;
    (0..tried).map(at).fold(0.0, f64::max)
}

/// How many independent frequencies beside order 1 a piece has.
fn n_beside(piece: &Piece) -> f64 {
    let length = piece.x[piece.x.len() - 1] - piece.x[0];
    (length * BESIDE.iter().map(|b| b.1 - b.0).sum::<f64>()).min(piece.x.len() as f64 / 2.0)
}

/// How much louder the noise is around order 1 than if it were white: the louder side counts, of the piece and of as many
/// of its neighbours as it takes to know.
fn colours(pieces: &[Piece], z: &[Vec<f64>], grid: Grid) -> Vec<f64> {
    let side = |z: &[f64], beside: (f64, f64)| {
        let mut values: Vec<f64> =
            (0..grid.n).filter(|&k| (beside.0..=beside.1).contains(&grid.at(k))).map(|k| z[k]).collect();
        // The median of an exponential is ln 2 of its mean; a line in between leaves it alone.
        robust::median(&mut values).unwrap_or(1.0) / std::f64::consts::LN_2
    };
    let own: Vec<f64> =
        z.iter().map(|z| BESIDE.map(|beside| side(z, beside)).into_iter().fold(0.0, f64::max)).collect();
    let mean_beside = pieces.iter().map(n_beside).sum::<f64>() / pieces.len().max(1) as f64;
    let reach = (0.5 * (LEAST_BESIDE / mean_beside.max(1.0) - 1.0)).ceil().max(0.0) as usize;
    (0..own.len())
        .map(|k| {
            let near = &own[k.saturating_sub(reach)..(k + reach + 1).min(own.len())];
            (near.iter().sum::<f64>() / near.len() as f64).max(own[k]).max(0.2)
        })
        .collect()
}

/// The error in m/s is speed times the relative error, so relative errors are weighed with the square of the speed, and with
/// what averaging leaves of them.
fn piece(cut: &Cut<'_>, average_s: f64) -> Piece {
    let points = cut.points();
    let zero = points[0].rolled_m;
    let gain = |point: &Point| {
        let left = sinc(point.speed_m_s / USUAL_CIRCUMFERENCE_M * average_s);
        point.speed_m_s * left.abs().max(0.02).copysign(left)
    };
    let place = |point: &Point| point.rolled_m - zero - 0.5 * point.speed_m_s * average_s;
    let reach = |offset: usize, point: &Point| point.reach.saturating_sub(offset);
    let before = points.iter().enumerate().map(|(k, point)| reach(k, point)).max().unwrap_or(0);
    let after = points.iter().rev().enumerate().map(|(k, point)| reach(k, point)).max().unwrap_or(0);
    let around = &cut.stretch[cut.from - before..cut.to + after];
    Piece {
        x: points.iter().map(place).collect(),
        y: points.iter().map(|point| point.error_m_s / gain(point)).collect(),
        weight: points.iter().map(|point| gain(point).powi(2)).collect(),
        t_s: points.iter().map(|point| point.t_s).collect(),
        around: around.iter().map(|point| (place(point), gain(point), point.speed_m_s)).collect(),
        from: before,
        reach: points.iter().map(|point| point.reach).collect(),
        speed_m_s: robust::median(&mut points.iter().map(|p| p.speed_m_s).collect::<Vec<_>>()).unwrap_or(1.0),
        span: Span { from_s: points[0].t_s, to_s: points[points.len() - 1].t_s },
    }
}

/// Mean square of a piece's error in m/s.
fn variance(piece: &Piece) -> f64 {
    piece.y.iter().zip(&piece.weight).map(|(y, w)| w * y * y).sum::<f64>() / piece.x.len() as f64
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

/// Fits a wave whose relative size grows with the `power`-th power of speed, 1 at `usual_m_s`.
///
/// Taking out the slow part takes away from a line, too, the more the slower sampling makes it look (a turn of the wheel per
/// sample looks like standing still): the waves that are fitted have lost the same. `None` where nothing is left of them.
fn fitted(piece: &Piece, frequency: f64, power: f64, usual_m_s: f64) -> Option<Fit> {
    let mut sums = Vec::with_capacity(piece.around.len() + 1);
    let mut waves = Vec::with_capacity(piece.around.len());
    let mut sum: Complex = (0.0, 0.0);
    sums.push(sum);
    for (x, gain, speed_m_s) in &piece.around {
        let (cos, sin) = turned(TAU * (frequency * x).fract());
        let gain = if power == 0.0 { *gain } else { gain * (speed_m_s / usual_m_s).powf(power) };
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
fn size<'a>(pieces: impl Iterator<Item = (&'a Piece, &'a f64)>, frequency: f64) -> Size {
    let (mut sum, mut square, mut error) = (0.0, 0.0, 0.0);
    for (piece, noise) in pieces {
        let Some(fit) = fitted(piece, frequency, 0.0, 1.0) else { continue };
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
fn growth(pieces: &Pieces, frequency: f64) -> Option<(f64, f64)> {
    let usual_m_s = robust::median(&mut pieces.0.iter().map(|p| p.speed_m_s).collect::<Vec<_>>())?;
    let step = 0.25;
    // How much better than nothing one size for all pieces explains them, in squared standard deviations.
    let score = |power: f64| {
        let (mut gain, mut weights, mut mean, mut square) = (0.0, 0.0, 0.0, 0.0);
        for (piece, noise) in pieces.all() {
            let (Some(plain), Some(fit)) =
                (fitted(piece, frequency, 0.0, 1.0), fitted(piece, frequency, power, usual_m_s))
            else {
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
