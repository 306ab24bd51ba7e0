//! Parts of a track in which a wheel's turns can be counted.

use super::track::{Point, Track};
use crate::finding::Span;
use crate::stats::fourier::sinc;
use crate::stats::robust;

/// Usual one, for what needs no more than a guess.
pub(super) const USUAL_CIRCUMFERENCE_M: f64 = 2.0;
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

/// A part of a stretch in which a wheel's turns can be counted without losing count.
#[derive(Clone, Copy)]
pub(super) struct Cut<'a> {
    stretch: &'a [Point],
    from: usize,
    to: usize,
}

impl<'a> Cut<'a> {
    pub(super) fn points(&self) -> &'a [Point] {
        &self.stretch[self.from..self.to]
    }

    pub(super) fn metres(&self) -> f64 {
        self.stretch[self.to - 1].rolled_m - self.stretch[self.from].rolled_m
    }
}

/// A cut as the periodogram wants it.
pub(super) struct Piece {
    pub(super) x: Vec<f64>,
    pub(super) y: Vec<f64>,
    pub(super) weight: Vec<f64>,
    /// When, seconds.
    pub(super) t_s: Vec<f64>,
    /// Place, gain and speed of the cut's points and of those around it that took part in their slow means.
    pub(super) around: Vec<(f64, f64, f64)>,
    /// Where the cut begins in `around`.
    pub(super) from: usize,
    /// Reach of each point's slow mean.
    pub(super) reach: Vec<usize>,
    pub(super) speed_m_s: f64,
    pub(super) span: Span,
}

/// How far a wheel rolls before the count of its turns is off by an eighth: the step in which a speed counts may hide a
/// constant error of step / sqrt(12).
pub(super) fn countable_m(speed_m_s: f64, step_m_s: f64) -> f64 {
    let hidden = step_m_s / 12f64.sqrt() / speed_m_s;
    (USUAL_CIRCUMFERENCE_M / 8.0 / hidden.max(1e-9)).min(LONGEST_M)
}

/// Cuts a track into pieces in which turns can be counted, and takes as many as are needed, spread over the drive.
pub(super) fn cut(track: &Track) -> Vec<Cut<'_>> {
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

/// The error in m/s is speed times the relative error, so relative errors are weighed with the square of the speed, and with
/// what averaging leaves of them.
pub(super) fn piece(cut: &Cut<'_>, average_s: f64) -> Piece {
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
pub(super) fn variance(piece: &Piece) -> f64 {
    piece.y.iter().zip(&piece.weight).map(|(y, w)| w * y * y).sum::<f64>() / piece.x.len() as f64
}
