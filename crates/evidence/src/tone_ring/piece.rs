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

#[cfg(test)]
mod tests {
    use super::*;

    fn about(found: f64, expected: f64) {
        assert!((found - expected).abs() < 1e-9, "{found} for {expected}");
    }

    /// Points every `spacing_m` at 10 m/s, with 0.3 m/s of error.
    fn track(spacing_m: f64, n: usize, step_m_s: f64, partners: usize) -> Track {
        let point = |k: usize| Point {
            t_s: 0.1 * spacing_m * k as f64,
            rolled_m: 5.0 + spacing_m * k as f64,
            speed_m_s: 10.0,
            error_m_s: 0.3,
            reach: 6.min(k).min(n - 1 - k),
        };
        Track { stretches: vec![(0..n).map(point).collect()], interval_s: 0.1 * spacing_m, step_m_s, partners }
    }

    /// Steps of 0.1 m/s may hide 0.1 / sqrt(12) of 10 m/s, 0.29 %: an eighth of 2 m after 86.6 m.
    #[test]
    fn how_far_turns_can_be_counted() {
        about(countable_m(10.0, 0.1), 0.25 / (0.1 / 12_f64.sqrt() / 10.0));
        about(countable_m(20.0, 0.1), 2.0 * countable_m(10.0, 0.1));
        about(countable_m(10.0, 0.001), LONGEST_M);
        about(countable_m(10.0, 0.0), LONGEST_M);
    }

    #[test]
    fn a_track_is_cut_where_the_count_is_lost() {
        let lengths =
            |track: &Track| cut(track).iter().map(|cut| (cut.points().len(), cut.metres())).collect::<Vec<_>>();
        // 86.6 m are full after the 88th metre mark; what is left has 22 points.
        assert_eq!(lengths(&track(1.0, 198, 0.1, 3)), [(88, 87.0), (88, 87.0), (22, 21.0)]);
        // Sixteen metres and sixteen samples at least.
        assert_eq!((lengths(&track(1.0, 17, 0.001, 3)).len(), lengths(&track(1.0, 16, 0.001, 3)).len()), (1, 0));
        assert_eq!((lengths(&track(4.0, 16, 0.001, 3)).len(), lengths(&track(4.0, 15, 0.001, 3)).len()), (1, 0));
        // Alone a wheel needs three samples to a turn.
        assert_eq!([0.6, 0.7].map(|spacing_m| lengths(&track(spacing_m, 100, 0.001, 0)).len()), [1, 0]);
        // Of a long drive 64 pieces, spread over it: of 200 cuts every fourth, from the second on.
        let long = Track {
            stretches: (0..200).flat_map(|_| track(1.0, 20, 0.001, 3).stretches).collect(),
            ..Track::default()
        };
        assert_eq!(cut(&Track { partners: 3, ..long }).len(), 50);
        let many = Track {
            stretches: (0..10).flat_map(|_| track(0.1, 2000, 0.001, 3).stretches).collect(),
            ..Track::default()
        };
        assert_eq!(cut(&Track { partners: 3, ..many }).len(), 3, "8000 samples of 20 000");
    }

    /// At 10 m/s and 0.1 s of averaging half a turn is averaged: sin(pi / 2) / (pi / 2) of a wave is left, half a metre late.
    #[test]
    fn a_piece_knows_what_averaging_leaves() {
        let made = track(1.0, 40, 0.001, 3);
        let cuts = cut(&made);
        let plain = piece(&cuts[0], 0.0);
        about(plain.x[7], 7.0);
        about(plain.y[7], 0.03);
        about(plain.weight[7], 100.0);
        about(variance(&plain), 0.09);
        assert_eq!(
            (plain.around.len(), plain.from, plain.span),
            (40, 0, Span { from_s: 0.0, to_s: made.stretches[0][39].t_s })
        );
        let averaged = piece(&cuts[0], 0.1);
        let left = 2.0 / std::f64::consts::PI;
        about(averaged.x[7], 6.5);
        about(averaged.y[7], 0.03 / left);
        about(averaged.weight[7], (10.0 * left).powi(2));
        about(variance(&averaged), 0.09);
        // Nothing is left at a whole turn: no more than 2 % are believed.
        about(piece(&cuts[0], 0.2).y[7], 0.3 / (10.0 * 0.02));
        // A cut in the middle of a stretch takes along the points of its slow means.
        let long = track(1.0, 198, 0.1, 3);
        let middle = piece(&cut(&long)[1], 0.0);
        assert_eq!((middle.from, middle.around.len(), middle.x.len()), (6, 100, 88));
        about(middle.around[6].0, middle.x[0]);
    }
}
