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

/// Travel of the first track below which no line is drawn, points.
pub(crate) const LEAST_MOVED: f64 = 5.0;

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
    /// Readings during which the tracks could be compared; none where timing parts them all.
    pub(crate) usable: Vec<Residual>,
    /// Robust standard deviation of those.
    pub(crate) sigma: f64,
    /// What a sound pair may be off by at rest, on the second track's scale.
    pub(crate) floor: f64,
    /// Unit of "one percent" on the second track's scale.
    pub(crate) scale: f64,
    /// Least and greatest position that was seen, though not all of it could be compared.
    pub(crate) visited: (f64, f64),
    /// What the times of the two tracks still leave open, seconds.
    left_s: f64,
    /// Whether both tracks see every movement.
    is_quick: bool,
}

/// Least and greatest value.
pub(crate) fn range(values: impl Iterator<Item = f64>) -> (f64, f64) {
    values.fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), v| (a.min(v), b.max(v)))
}

/// Index of the cell of `x` within `visited`.
pub(crate) fn cell(x: f64, visited: (f64, f64), n_cells: usize) -> usize {
    let share = (x - visited.0) / (visited.1 - visited.0).max(1e-9);
    ((share * n_cells as f64).max(0.0) as usize).min(n_cells - 1)
}

/// Middle of the values of each cell, which come with its number; `None` where there are none.
pub(crate) fn middles(values: impl Iterator<Item = (usize, f64)>) -> Vec<Option<f64>> {
    let mut cells = vec![Vec::new(); CELLS];
    values.for_each(|(cell, value)| cells[cell].push(value));
    cells.iter_mut().map(|values| robust::median(values)).collect()
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
    let middles = middles(usable.iter().map(|r| (cell(r.x, visited, CELLS), r.off)));
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
        if !(span.1 - span.0 >= LEAST_MOVED && span_y.1 - span_y.0 >= 1.0) {
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
        let is_quick = aligned.interval_s <= QUICK_S;
        let (usable, sigma, visited) = (Vec::new(), 0.0, span);
        let is_parted_by_timing = false;
        let mut relation =
            Self { slope, offset, skew_s, is_parted_by_timing, usable, sigma, floor, scale, visited, left_s, is_quick };
        let near = resolved::bends(&all.iter().map(|p| p.x).collect::<Vec<_>>(), aligned.interval_s);
        let mut readings: Vec<(Residual, f64)> = all
            .iter()
            .zip(near)
            .filter(|(p, _)| inside(p))
            .filter_map(|(p, near)| Some((relation.compare(p)?, slope.abs() * near)))
            .collect();
        relation.is_parted_by_timing =
            aligned.interval_s < resolved::SLOW_S.1 && resolved::is_parted_by_timing(&readings, span, floor);
        let is_parted_by_timing = relation.is_parted_by_timing;
        if is_parted_by_timing || (resolved::SLOW_S.0..resolved::SLOW_S.1).contains(&aligned.interval_s) {
            readings.iter_mut().for_each(|(residual, near)| residual.cut = resolved::CORNER * *near);
        }
        if is_parted_by_timing {
            readings.iter_mut().for_each(|(residual, _)| residual.allowed += residual.cut);
            readings.retain(|(residual, _)| residual.allowed <= floor + MAX_MOVED_PERCENT * scale);
        }
        relation.usable = readings.into_iter().map(|reading| reading.0).collect();
        straighten(&mut relation.usable, span, BEND_PERCENT * scale);
        let some = relation.usable.iter().step_by(relation.usable.len() / 20_000 + 1);
        let offs = robust::median_and_sigma(&mut some.map(|r| r.off).collect::<Vec<_>>());
        relation.sigma = offs.map_or(0.0, |(_, sigma)| sigma);
        Some(relation)
    }

    /// A moment held against the line, its gentle bend aside; `None` where the part may have moved too far in between.
    pub(crate) fn compare(&self, p: &Point) -> Option<Residual> {
        // A part that moves bends both tracks alike: one that bends more than the other jitters by itself.
        let bends = (self.slope.abs() * p.bend_x, p.bend_y);
        let bend = if self.is_quick { bends.0.min(bends.1) } else { bends.0.max(bends.1) };
        let moved = bend + self.slope.abs() * p.rate_x.abs() * self.left_s;
        let off = p.y - self.offset - self.slope * (p.x - self.skew_s * p.rate_x);
        let at = p.x + 0.5 * off / self.slope;
        let residual = Residual { t_s: p.t_s, at, x: p.x, y: p.y, off, allowed: self.floor + moved, cut: 0.0 };
        (moved <= MAX_MOVED_PERCENT * self.scale).then_some(residual)
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

#[cfg(test)]
pub(super) mod tests {
    use super::*;

    /// A relation of such a slope with these readings, which saw 10 to 90 % and may be off by one point.
    pub(in crate::pair) fn relation(slope: f64, usable: Vec<Residual>) -> Relation {
        Relation {
            slope,
            offset: 0.0,
            skew_s: 0.0,
            is_parted_by_timing: false,
            usable,
            sigma: 0.1,
            floor: 1.0,
            scale: 1.0,
            visited: (10.0, 90.0),
            left_s: 0.0,
            is_quick: false,
        }
    }

    /// A foot between 10 and 90 %, twenty readings a second for 200 s, and the second track of it.
    fn points(second: impl Fn(&Point) -> f64) -> Vec<Point> {
        let point = |k: i32| {
            let phase = f64::from(k) * 0.05 / 4.0;
            let (x, rate_x) = (50.0 + 40.0 * phase.sin(), 10.0 * phase.cos());
            let point = Point { t_s: f64::from(k) * 0.05, x, y: 0.0, rate_x, bend_x: 0.0, bend_y: 0.0 };
            Point { y: second(&point), ..point }
        };
        (0..4000).map(point).collect()
    }

    fn aligned(points: Vec<Point>, hidden_s: f64) -> Aligned {
        let n_samples = points.len();
        Aligned { points, step: [0.4, 0.4], hidden_s, interval_s: 0.05, unresolved_s: 0.0, n_samples }
    }

    #[test]
    fn cells_of_the_travel() {
        let of = |x: f64| cell(x, (10.0, 90.0), 40);
        assert_eq!([-50.0, 10.0, 11.9, 12.1, 50.1, 89.9, 90.0, 500.0].map(of), [0, 0, 0, 1, 20, 39, 39, 39]);
        let relation = relation(1.0, Vec::new());
        assert_eq!([10.0, 30.0, 90.0].map(|x| relation.share_of_travel(x)), [0.0, 25.0, 100.0]);
    }

    /// A line through a fifth of wrong travel, and through one end that was seen for most of the time.
    #[test]
    fn the_line_does_not_follow_what_is_worn() {
        for (slope, offset) in [(0.5, 2.0), (1.0, 0.0), (-1.0, 100.0)] {
            let worn = |p: &Point| offset + slope * p.x - if (30.0..46.0).contains(&p.x) { 6.0 } else { 0.0 };
            let mut points = points(worn);
            points.extend(vec![Point { x: 10.5, y: offset + slope * 10.5 + 3.0, ..points[0] }; 20_000]);
            let (found, at_zero) = line(points.iter(), (10.0, 90.0)).unwrap();
            assert!((found - slope).abs() < 1e-9 && (at_zero - offset).abs() < 1e-6, "{found} {at_zero}");
        }
        assert!(line([].into_iter(), (10.0, 90.0)).is_none());
    }

    /// The second track reads what the first read 20 ms before; over whole swings its speed has half of the square of the
    /// greatest, so that the standard error is step / sqrt(12) * sqrt(2 / (n * (slope * 10)² / 2)).
    #[test]
    fn a_delay_that_nobody_stated() {
        for slope in [0.5, -1.0] {
            let late = points(|p| 3.0 + slope * (p.x - 0.02 * p.rate_x));
            let (delay_s, error_s) = skew(&late, slope, 3.0, 0.4);
            let expected = 0.4 / 12f64.sqrt() * (2.0 / (4000.0 * (slope * 10.0).powi(2) / 2.0)).sqrt();
            assert!((delay_s - 0.02).abs() < 1e-9, "{delay_s}");
            assert!((error_s / expected - 1.0).abs() < 0.02, "{error_s} for {expected}");
        }
        // A tenth of wrong readings hardly moves it.
        let mut wrong = points(|p| p.x - 0.02 * p.rate_x);
        wrong.iter_mut().step_by(10).for_each(|p| p.y += 20.0);
        assert!((skew(&wrong, 1.0, 0.0, 0.4).0 - 0.02).abs() < 0.002);
        // What stands still or is bent tells nothing, nor do less than twenty readings.
        let still = |n: usize| {
            let mut few = points(|p| p.x - 0.02 * p.rate_x);
            few.iter_mut().skip(n).for_each(|p| p.rate_x = 0.0);
            skew(&few, 1.0, 0.0, 0.4)
        };
        assert!(still(20).1.is_finite() && still(19) == (0.0, f64::INFINITY));
        let mut bent = points(|p| p.x - 0.02 * p.rate_x);
        bent.iter_mut().for_each(|p| p.bend_x = 5.1);
        assert_eq!(skew(&bent, 1.0, 0.0, 0.4), (0.0, f64::INFINITY));
    }

    fn residuals(off: impl Fn(f64) -> f64) -> Vec<Residual> {
        let at = |k: i32| 10.1 + 0.2 * f64::from(k);
        let of = |x: f64| Residual { t_s: x, at: x, x, y: x, off: off(x), allowed: 1.0, cut: 0.0 };
        (0..400).map(|k| of(at(k))).collect()
    }

    #[test]
    fn a_gentle_bend_goes_and_a_spot_stays() {
        let straight = |off: &dyn Fn(f64) -> f64| {
            let mut readings = residuals(off);
            straighten(&mut readings, (10.0, 90.0), 1.6);
            readings
        };
        // A bend of a point goes, of three points all but 1.6.
        assert!(straight(&|_| -1.0).iter().all(|r| r.off.abs() < 1e-9));
        assert!(straight(&|_| 3.0).iter().all(|r| (r.off - 1.4).abs() < 1e-9));
        // A fifth of the travel that bends by itself is gentle, a tenth is a spot, also at either end.
        for from in [10.0, 50.0, 82.0] {
            let spot = move |x: f64| if (from..from + 8.0).contains(&x) { -4.0 } else { 0.0 };
            assert!(straight(&spot).iter().all(|r| (r.off - spot(r.x)).abs() < 1e-9), "{from}");
        }
    }

    #[test]
    fn how_far_off_a_sound_pair_may_be() {
        let sound = Relation::of(&aligned(points(|p| 2.0 + 0.5 * p.x), 0.01)).unwrap();
        assert!((sound.slope - 0.5).abs() < 1e-9 && (sound.offset - 2.0).abs() < 1e-6, "{}", sound.offset);
        // 1.6 % of a track of half the scale, since both steps of 0.4 make 0.6 there.
        assert!((sound.floor - 0.8).abs() < 1e-9 && (sound.scale - 0.5).abs() < 1e-9 && sound.sigma < 1e-9);
        assert!((sound.visited.0 - 10.0).abs() < 0.01 && (sound.visited.1 - 90.0).abs() < 0.01);
        assert!(sound.usable.len() == 4000 && sound.share_off(None) == 0.0);
        // A quarter of the 10 ms that the times leave open, once the delay is known: 0.5 * 10 % per second * 2.5 ms.
        assert!((sound.usable[0].allowed - (0.8 + 0.0125)).abs() < 1e-9, "{}", sound.usable[0].allowed);
        // Coarse steps count as they are: 2 steps of 1.5 points.
        let coarse = Aligned { step: [1.5, 1.5], ..aligned(points(|p| p.x), 0.01) };
        assert!((Relation::of(&coarse).unwrap().floor - 3.0).abs() < 1e-9);
        // A delay is taken out, as far as the times leave one open (and 50 ms more).
        let late = |delay_s: f64| Relation::of(&aligned(points(|p| p.x - delay_s * p.rate_x), 0.01)).unwrap();
        assert!((late(0.04).skew_s - 0.04).abs() < 1e-3 && late(0.04).usable.iter().all(|r| r.off.abs() < 0.05));
        let far = late(-0.5);
        assert!(
            (far.skew_s + 0.06).abs() < 1e-9 && far.share_off(None) > 0.3,
            "{} {}",
            far.skew_s,
            far.share_off(None)
        );
        // Where the part may have moved by more than 2 % between the readings they are not compared.
        let quick = |times: f64| {
            let mut quick = points(|p| p.x);
            quick.iter_mut().for_each(|p| (p.bend_x, p.bend_y) = (times, times));
            Relation::of(&aligned(quick, 0.01)).map_or(0, |relation| relation.usable.len())
        };
        assert_eq!((quick(1.9), quick(2.1)), (4000, 0));
    }

    #[test]
    fn the_place_is_the_middle_of_what_both_say() {
        let worn = |p: &Point| 0.5 * p.x - if (40.0..44.0).contains(&p.x) { 3.0 } else { 0.0 };
        let relation = Relation::of(&aligned(points(worn), 0.01)).unwrap();
        let off = relation.usable.iter().find(|r| (41.0..43.0).contains(&r.x)).unwrap();
        assert!((off.off + 3.0).abs() < 0.01 && (off.at - (off.x - 3.0)).abs() < 0.01, "{off:?}");
        // Two cells of 2 %: a twentieth; nothing without them.
        assert!((relation.share_off(None) - 0.05).abs() < 0.03, "{}", relation.share_off(None));
        assert_eq!(relation.share_off(Some((36.0, 44.0))), 0.0);
    }

    /// Off in most readings of a cell, not in a third of them.
    #[test]
    fn the_share_of_the_travel_that_is_off() {
        let of = |n: usize| {
            let mut readings = residuals(|_| 0.0);
            for cell in readings.chunks_mut(10).take(8) {
                cell.iter_mut().take(n).for_each(|r| r.off = -1.1);
            }
            relation(1.0, readings).share_off(None)
        };
        assert_eq!([of(10), of(6), of(5), of(3)], [0.2, 0.2, 0.0, 0.0]);
        let half =
            relation(1.0, residuals(|x| if x < 30.0 { 2.0 } else { 0.0 }).into_iter().filter(|r| r.x < 50.0).collect());
        assert_eq!(half.share_off(None), 0.5, "of what was seen");
        assert_eq!(half.share_off(Some((0.0, 29.9))), 0.0);
        assert!((half.share_off(Some((10.0, 20.0))) - 1.0 / 3.0).abs() < 1e-9, "of 20 to 50 % a third");
    }

    #[test]
    fn what_did_not_move_has_no_line() {
        let of = |least: f64, most: f64, slope: f64| {
            let squeezed = |p: Point| {
                let x = least + (most - least) * (p.x - 10.0) / 80.0;
                Point { x, y: 20.0 + slope * x, rate_x: p.rate_x * (most - least) / 80.0, ..p }
            };
            Relation::of(&aligned(points(|_| 0.0).into_iter().map(squeezed).collect(), 0.01)).is_some()
        };
        assert!(of(20.0, 25.5, 1.0) && !of(20.0, 24.5, 1.0));
        assert!(of(20.0, 60.0, 0.06) && !of(20.0, 60.0, 0.04) && !of(20.0, 30.0, 0.09));
        // What lies at the end of the scale may be cut off: 5 % of travel below it.
        assert!(of(94.0, 99.4, 0.5) && !of(96.0, 110.0, 0.5));
    }
}
