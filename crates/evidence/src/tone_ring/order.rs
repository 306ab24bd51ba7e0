//! The search for an error of every wheel turn.
//!
//! Places are metres rolled, frequencies cycles per metre: a wheel with circumference C repeats itself at 1/C, however fast
//! the car goes and however seldom it is sampled; where that frequency appears in *time* (aliased or not) follows from the
//! way by itself.

use std::rc::Rc;

use super::line::{Pieces, Size, growth, size};
use super::piece::{Cut, Piece, USUAL_CIRCUMFERENCE_M, cut, piece, variance};
use super::track::Track;
use crate::finding::Span;
use crate::stats::periodogram::{Grid, Periodogram, Samples, sum_false_alarm, wave, windows};
use crate::stats::robust;

/// Rolling circumferences of tyres of passenger cars and vans, metres (common practice, no source; 205/55R16 rolls 1.93).
pub(super) const CIRCUMFERENCE_M: (f64, f64) = (1.65, 2.45);
/// Frequencies beside order 1 that show how much noise there is: below it and between it and order 2.
const BESIDE: [(f64, f64); 2] = [(0.20, 0.375), (0.64, 0.80)];
/// Longest time over which a control unit averages (10 to 100 ms, common practice, no source).
const LONGEST_AVERAGE_S: f64 = 0.1;

/// Fewest frequencies beside order 1 from which noise is told.
const LEAST_BESIDE: f64 = 40.0;

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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn spans_less_than_a_second_apart_are_one() {
        let span = |from_s: f64, to_s: f64| Span { from_s, to_s };
        let found = joined([span(0.0, 4.0), span(4.9, 8.0), span(9.1, 10.0)].into_iter());
        assert_eq!(found, [span(0.0, 8.0), span(9.1, 10.0)]);
        assert!(joined(std::iter::empty()).is_empty());
    }

    /// Pieces of 87, 87 and 21 m, one sample a metre: 0.335 per metre beside order 1 are 29, 29 and 7 frequencies; 40 are needed,
    /// so each piece asks its neighbours.
    #[test]
    fn how_loud_the_noise_is_beside_a_turn() {
        let point = |k: usize| super::super::track::Point {
            t_s: 0.1 * k as f64,
            rolled_m: k as f64,
            speed_m_s: 10.0,
            error_m_s: 0.1,
            reach: 0,
        };
        let track =
            Track { stretches: vec![(0..198).map(point).collect()], interval_s: 0.1, step_m_s: 0.1, partners: 3 };
        let pieces: Vec<Piece> = cut(&track).iter().map(|cut| piece(cut, 0.0)).collect();
        let about = |found: f64, expected: f64| assert!((found - expected).abs() < 1e-9, "{found} for {expected}");
        pieces.iter().zip([0.335 * 87.0, 0.335 * 87.0, 0.335 * 21.0]).for_each(|(p, n)| about(n_beside(p), n));
        let grid = Grid { from: 0.2, step: 0.005, n: 121 };
        // White noise has z of mean 1, and a median of ln 2; three times that below order 1, or above it, in the first piece.
        let white = std::f64::consts::LN_2;
        for loud in [0.2..=0.375, 0.64..=0.80] {
            let z = |by: f64| {
                (0..121).map(|k| if loud.contains(&grid.at(k)) { by * white } else { white }).collect::<Vec<_>>()
            };
            let found = colours(&pieces, &[z(3.0), z(1.0), z(1.0)], grid);
            found.iter().zip([3.0, 5.0 / 3.0, 1.0]).for_each(|(found, expected)| about(*found, expected));
            // A line in between is no noise; nor is anything quieter than a fifth of what is white.
            let line: Vec<f64> =
                (0..121).map(|k| if (0.375..0.64).contains(&grid.at(k)) { 90.0 } else { white }).collect();
            colours(&pieces, &[line.clone(), line.clone(), line], grid).iter().for_each(|found| about(*found, 1.0));
        }
        let silent = vec![0.0; 121];
        assert_eq!(colours(&pieces, &[silent.clone(), silent.clone(), silent], grid), [0.2; 3]);
    }
}
