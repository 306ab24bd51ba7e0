//! What one track should read when the other is known: a straight line, and how far off a sound pair may be.

use super::align::{Aligned, Point};
use super::resolved;
use crate::stats::robust;

/// Difference that a sound pair may show at rest, in points of the steeper track: four steps of an 8-bit value (working
/// tolerance, common practice, no source). Control units tolerate more, up to 4.5 % (published threshold of one make).
pub(crate) const FLOOR_PERCENT: f64 = 1.6;

/// A sound pair may bend away from a straight line by this much, if it does so gently over the travel (an open drive of a sound
/// car bends by 1.6 % near the floor, KIT OBD set, motorway).
const BEND_PERCENT: f64 = 1.6;

/// Cells to either side over which a bend is gentle: a spot of a tenth of the travel is a minority of them.
const BEND_CELLS: usize = 8;

/// A reading tells nothing when the pedal may have moved further than this between the two tracks: half of the stated
/// fault.
const MAX_MOVED_PERCENT: f64 = 2.0;

/// Within this interval no foot turns back and forth again (see the fastest taps in [`crate::physics`]): both tracks see every
/// movement, seconds.
const QUICK_S: f64 = 0.06;

/// Cells of the travel in which the line is fitted: each counts once, so that hours with the foot off do not outweigh the
/// travel, and a spot over a tenth of it is four cells of forty.
pub(crate) const CELLS: usize = 40;

/// A reading compared with the line.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Residual {
    /// When, seconds.
    pub(crate) t_s: f64,
    /// Position on the scale of the first track: the middle of what the two tracks say, since either may be wrong.
    pub(crate) at: f64,
    /// Reading of the first track.
    pub(crate) x: f64,
    /// Reading of the second track.
    pub(crate) y: f64,
    /// Second track less the line and its gentle bend, in its unit.
    pub(crate) off: f64,
    /// How far off a sound pair may be at that moment.
    pub(crate) allowed: f64,
    /// What corners of the movement that the recording may have cut add to that, see [`resolved`].
    pub(crate) cut: f64,
}

/// The straight line between two tracks and all readings compared with it.
pub(crate) struct Relation {
    /// Change of the second track per change of the first.
    pub(crate) slope: f64,
    /// Second track where the first reads zero.
    pub(crate) offset: f64,
    /// Delay of the second track that the recording did not state, seconds (negative: it is early).
    pub(crate) skew_s: f64,
    /// Whether the tracks part nearly every time that the part bends its course, see [`resolved`].
    pub(crate) is_parted_by_timing: bool,
    /// Readings during which the tracks could be compared.
    pub(crate) usable: Vec<Residual>,
    /// Robust standard deviation of those.
    pub(crate) sigma: f64,
    /// What a sound pair may be off by at rest, on the second track's scale.
    pub(crate) floor: f64,
    /// Unit of "one percent" on the second track's scale.
    pub(crate) scale: f64,
    /// Least and greatest position that was seen, though not all of it could be compared.
    pub(crate) visited: (f64, f64),
}

fn range(values: impl Iterator<Item = f64>) -> (f64, f64) {
    values.fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), v| (a.min(v), b.max(v)))
}

/// Index of the cell of `x` within `visited`.
pub(crate) fn cell(x: f64, visited: (f64, f64), n_cells: usize) -> usize {
    let share = (x - visited.0) / (visited.1 - visited.0).max(1e-9);
    ((share * n_cells as f64).max(0.0) as usize).min(n_cells - 1)
}

/// Theil-Sen line through the medians of the cells of the travel; breaks down only when 29 % of the travel is off.
fn line<'a>(points: impl Iterator<Item = &'a Point>, visited: (f64, f64)) -> Option<(f64, f64)> {
    let mut cells = vec![(Vec::new(), Vec::new()); CELLS];
    for point in points {
        let (xs, ys) = &mut cells[cell(point.x, visited, CELLS)];
        xs.push(point.x);
        ys.push(point.y);
    }
    let least = if cells.iter().filter(|c| c.0.len() >= 3).count() >= 8 { 3 } else { 1 };
    let middles: Vec<(f64, f64)> = cells
        .iter_mut()
        .filter(|c| c.0.len() >= least)
        .filter_map(|(xs, ys)| Some((robust::median(xs)?, robust::median(ys)?)))
        .collect();
    let mut slopes: Vec<f64> = middles
        .iter()
        .enumerate()
        .flat_map(|(i, a)| middles[i + 1..].iter().filter(|b| b.0 > a.0 + 1e-9).map(|b| (b.1 - a.1) / (b.0 - a.0)))
        .collect();
    let slope = robust::median(&mut slopes)?;
    let offset = robust::median(&mut middles.iter().map(|(x, y)| y - slope * x).collect::<Vec<_>>())?;
    Some((slope, offset))
}

/// Huber slope of the residual over the rate: the delay that nobody stated, and its standard error.
fn skew(points: &[Point], slope: f64, offset: f64, step_y: f64) -> (f64, f64) {
    let pairs: Vec<(f64, f64)> = points
        .iter()
        .filter(|p| p.rate_x != 0.0 && p.bend_x * slope.abs() < 5.0)
        .map(|p| (-slope * p.rate_x, p.y - offset - slope * p.x))
        .collect();
    if pairs.len() < 20 {
        return (0.0, f64::INFINITY);
    }
    // Some ten thousand moving readings tell a delay to well below a millisecond.
    let pairs: Vec<(f64, f64)> = pairs.iter().step_by(pairs.len() / 10_000 + 1).copied().collect();
    let mut value = 0.0;
    let mut error = f64::INFINITY;
    for _ in 0..8 {
        let Some((_, sigma)) =
            robust::median_and_sigma(&mut pairs.iter().map(|p| p.1 - value * p.0).collect::<Vec<_>>())
        else {
            return (0.0, f64::INFINITY);
        };
        let sigma = sigma.max(step_y / 12f64.sqrt()).max(1e-6);
        let (mut xy, mut xx) = (0.0, 0.0);
        for (x, y) in &pairs {
            let weight = (1.345 * sigma / (y - value * x).abs().max(1e-12)).min(1.0);
            xy += weight * x * y;
            xx += weight * x * x;
        }
        if xx <= 1e-12 {
            return (0.0, f64::INFINITY);
        }
        value = xy / xx;
        error = sigma * (2.0 / xx).sqrt();
    }
    (value, error)
}

/// Takes a gentle bend of at most `most` out of the residuals.
fn straighten(usable: &mut [Residual], visited: (f64, f64), most: f64) {
    let mut cells = vec![Vec::new(); CELLS];
    for r in usable.iter() {
        cells[cell(r.x, visited, CELLS)].push(r.off);
    }
    let middles: Vec<Option<f64>> = cells.iter_mut().map(|offs| robust::median(offs)).collect();
    let bend: Vec<f64> = (0..CELLS)
        .map(|k| {
            // Near the ends as many cells as elsewhere, lest a spot be the majority there.
            let from = k.saturating_sub(BEND_CELLS).min(CELLS - 2 * BEND_CELLS - 1);
            let around = &middles[from..=from + 2 * BEND_CELLS];
            robust::median(&mut around.iter().flatten().copied().collect::<Vec<_>>()).unwrap_or(0.0).clamp(-most, most)
        })
        .collect();
    for r in usable.iter_mut() {
        r.off -= bend[cell(r.x, visited, CELLS)];
    }
}

impl Relation {
    /// `None` when the tracks did not move enough to fit a line.
    pub(crate) fn of(aligned: &Aligned) -> Option<Self> {
        let all = &aligned.points;
        // A reading at the very end of the scale may be clipped.
        let inside = |p: &&Point| [p.x, p.y].into_iter().all(|v| v < 99.5);
        let span = range(all.iter().filter(inside).map(|p| p.x));
        let span_y = range(all.iter().filter(inside).map(|p| p.y));
        if !(span.1 - span.0 >= 5.0 && span_y.1 - span_y.0 >= 1.0) {
            return None;
        }
        // A rough line first, from some of the readings, then all that lie still.
        let some = all.iter().step_by(all.len() / 20_000 + 1);
        let (slope, offset) = line(some.filter(inside), span)?;
        let is_still = |p: &&Point| p.bend_x * slope.abs() <= 2.0 && p.bend_y <= 2.0;
        let (slope, offset) = line(all.iter().filter(inside).filter(is_still), span).unwrap_or((slope, offset));
        if slope.abs() < 0.05 {
            return None;
        }
        let (skew_s, skew_error_s) = skew(all, slope, offset, aligned.step[1]);
        let limit_s = aligned.hidden_s + 0.05;
        let (skew_s, left_s) = if skew_error_s < aligned.hidden_s / 2.0 {
            (skew_s.clamp(-limit_s, limit_s), (aligned.hidden_s / 4.0).max(2.0 * skew_error_s))
        } else {
            (0.0, aligned.hidden_s)
        };
        let scale = slope.abs().min(1.0);
        let steps = slope.abs() * aligned.step[0] + aligned.step[1];
        let floor = (FLOOR_PERCENT * scale).max(steps);
        // A part that moves bends both tracks alike: one that bends more than the other jitters by itself.
        let is_quick = aligned.interval_s <= QUICK_S;
        let near = resolved::bends(&all.iter().map(|p| p.x).collect::<Vec<_>>(), aligned.interval_s);
        let mut readings: Vec<(Residual, f64)> = all
            .iter()
            .zip(near)
            .filter(|(p, _)| inside(p))
            .filter_map(|(p, near)| {
                let bends = (slope.abs() * p.bend_x, p.bend_y);
                let bend = if is_quick { bends.0.min(bends.1) } else { bends.0.max(bends.1) };
                let moved = bend + slope.abs() * p.rate_x.abs() * left_s;
                let off = p.y - offset - slope * (p.x - skew_s * p.rate_x);
                let at = p.x + 0.5 * off / slope;
                let residual = Residual { t_s: p.t_s, at, x: p.x, y: p.y, off, allowed: floor + moved, cut: 0.0 };
                (moved <= MAX_MOVED_PERCENT * scale).then_some((residual, slope.abs() * near))
            })
            .collect();
        let is_parted_by_timing =
            aligned.interval_s < resolved::SLOW_S.1 && resolved::is_parted_by_timing(&readings, span, floor);
        if is_parted_by_timing || (resolved::SLOW_S.0..resolved::SLOW_S.1).contains(&aligned.interval_s) {
            readings.iter_mut().for_each(|(residual, near)| residual.cut = resolved::CORNER * *near);
        }
        if is_parted_by_timing {
            readings.iter_mut().for_each(|(residual, _)| residual.allowed += residual.cut);
            readings.retain(|(residual, _)| residual.allowed <= floor + MAX_MOVED_PERCENT * scale);
        }
        let mut usable: Vec<Residual> = readings.into_iter().map(|reading| reading.0).collect();
        straighten(&mut usable, span, BEND_PERCENT * scale);
        let some = usable.iter().step_by(usable.len() / 20_000 + 1);
        let (_, sigma) = robust::median_and_sigma(&mut some.map(|r| r.off).collect::<Vec<_>>())?;
        Some(Self { slope, offset, skew_s, is_parted_by_timing, usable, sigma, floor, scale, visited: span })
    }

    /// Share of the travel, without the part `except`, in which most readings are off.
    pub(crate) fn share_off(&self, except: Option<(f64, f64)>) -> f64 {
        let mut cells = [(0usize, 0usize); CELLS];
        for r in self.usable.iter().filter(|r| except.is_none_or(|(from, to)| r.at < from || r.at > to)) {
            let (all, off) = &mut cells[cell(r.at, self.visited, CELLS)];
            *all += 1;
            *off += usize::from(r.off.abs() > r.allowed);
        }
        let seen = cells.iter().filter(|c| c.0 > 0).count();
        cells.iter().filter(|c| 2 * c.1 > c.0).count() as f64 / seen.max(1) as f64
    }

    /// Positions in percent of the visited travel.
    pub(crate) fn share_of_travel(&self, x: f64) -> f64 {
        100.0 * (x - self.visited.0) / (self.visited.1 - self.visited.0).max(1e-9)
    }
}
