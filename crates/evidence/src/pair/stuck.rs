//! A track that keeps one value while the other moves on.

use super::align::{Aligned, Point};
use super::moments::{HOLE_S, is_met_nearby};
use super::relation::{CELLS, Relation, Residual, cell, range};
use crate::finding::Span;
use crate::stats::robust;

/// A track is looked at where the other moved by this share of its travel: a spot of a tenth is not passed unseen.
const MOVED_SHARE: f64 = 0.1;

/// Steps of the track that kept its value which the movement of the other must exceed: one either way, and one in between.
const STEPS: f64 = 3.0;

/// Readings of other times that tell what the track shows where the other is.
const LEAST_KNOWN: usize = 3;

/// A disagreement is counted anew after this long, seconds, as a visit of a place is.
const ANEW_S: f64 = 5.0;

/// Fewest readings that must disagree to count, and what that is worth, log10: one in ten may be a movement that fooled the
/// alignment.
const LEAST_READINGS: usize = 2;
const EACH: f64 = 1.0;

/// What one stretch counts at most, log10: one drive in a thousand has a recorder that repeats a value (assumed, no source).
const MOST_PER_RUN: f64 = 3.0;

/// Places that the other track must have gone to in one stretch, one less where the track that stood still caught up with it:
/// a contact that opens shows one level beside a foot that rests, and so does what is off for good.
const LEAST_LEVELS: usize = 3;

/// Where one track stood still.
#[derive(Debug, Clone)]
pub(crate) struct Stuck {
    /// Which of the two.
    pub(crate) track: usize,
    /// From the first to the last reading of each stretch that disagrees.
    pub(crate) spans: Vec<Span>,
    /// The value that it kept in the longest of them.
    pub(crate) value: f64,
    /// Least and greatest reading of the other track meanwhile.
    pub(crate) other: (f64, f64),
    /// Whether it came back at once to where the other track had gone: then the other was right.
    pub(crate) caught_up: bool,
    /// Evidence, log10.
    pub(crate) log10_lr: f64,
}

/// Neighbouring points in which a track keeps its value within a step.
struct Run {
    track: usize,
    points: std::ops::Range<usize>,
}

fn own(p: &Point, track: usize) -> f64 {
    if track == 0 { p.x } else { p.y }
}

/// Stretches in which one track keeps its value and the other moves, whatever relates them.
fn runs(aligned: &Aligned) -> Vec<Run> {
    let points = &aligned.points;
    let travel = [0, 1].map(|track| {
        let (least, most) = range(points.iter().map(|p| own(p, track)));
        most - least
    });
    let mut runs = Vec::new();
    for track in 0..2 {
        let other = 1 - track;
        if !(travel[track] > 0.0 && travel[other] > 0.0) {
            continue;
        }
        let steps = STEPS * aligned.step[track] * travel[other] / travel[track] + aligned.step[other];
        let least_moved = (MOVED_SHARE * travel[other]).max(steps);
        let mut from = 0;
        while from < points.len() {
            let (mut low, mut high) = (own(&points[from], track), own(&points[from], track));
            let mut to = from + 1;
            while to < points.len() {
                let value = own(&points[to], track);
                (low, high) = (low.min(value), high.max(value));
                if high - low > 1.01 * aligned.step[track] {
                    break;
                }
                to += 1;
            }
            let moved = range(points[from..to].iter().map(|p| own(p, other)));
            if to - from >= 3 && moved.1 - moved.0 > least_moved {
                runs.push(Run { track, points: from..to });
            }
            from = to;
        }
    }
    runs
}

/// What each track shows at other times where the other track is: middle of the difference from the line and of its own
/// readings, by cells of the other track's reading on the scale of the first.
struct Known([Vec<Option<(f64, f64)>>; 2], (f64, f64));

/// Where the other track says that the part is, on the scale of the first.
fn place(relation: &Relation, track: usize, x: f64, y: f64) -> f64 {
    if track == 1 { x } else { (y - relation.offset) / relation.slope }
}

impl Known {
    fn of(relation: &Relation, others: &[Residual]) -> Self {
        let of = |track: usize| {
            let mut cells = vec![(Vec::new(), Vec::new()); CELLS];
            for r in others {
                let (offs, values) = &mut cells[cell(place(relation, track, r.x, r.y), relation.visited, CELLS)];
                offs.push(r.off);
                values.push(if track == 0 { r.x } else { r.y });
            }
            let middles = |(offs, values): &mut (Vec<f64>, Vec<f64>)| {
                (offs.len() >= LEAST_KNOWN).then(|| robust::median(offs).zip(robust::median(values)))?
            };
            cells.iter_mut().map(middles).collect()
        };
        Self([of(0), of(1)], relation.visited)
    }

    /// Whether a reading is not what its track shows there at other times; `false` where that is not known.
    fn is_off(&self, relation: &Relation, track: usize, r: &Residual) -> bool {
        let known = self.0[track][cell(place(relation, track, r.x, r.y), self.1, CELLS)];
        let (own, scale) = if track == 0 { (r.x, relation.slope.abs()) } else { (r.y, 1.0) };
        known.is_some_and(|(off, usual)| (r.off - off).abs() > r.allowed && scale * (own - usual).abs() > r.allowed)
    }
}

/// The pair without what stood still: its points, the line between them, and the track that stood still; `None` where none did.
///
/// What the track shows at other times, while the other is at the same place, decides: a track that ends before the other, or
/// is flat there by design, does so every time.
pub(crate) fn find(aligned: &Aligned) -> Option<(Aligned, Relation, Stuck)> {
    let runs = runs(aligned);
    if runs.is_empty() {
        return None;
    }
    let is_kept = |runs: &[Run]| {
        let mut kept = vec![true; aligned.points.len()];
        runs.iter().for_each(|run| kept[run.points.clone()].fill(false));
        kept
    };
    let rest = aligned.only(&is_kept(&runs));
    let relation = Relation::of(&rest)?;
    let others: Vec<Residual> = rest.points.iter().filter_map(|p| relation.compare(p)).collect();
    let known = Known::of(&relation, &others);
    let mut found: [Option<Stuck>; 2] = [None, None];
    let mut stood: Vec<Run> = Vec::new();
    for run in runs {
        if let Some(stuck) = judge(aligned, &relation, &known, &run) {
            let all = &mut found[run.track];
            match all {
                Some(all) => all.add(stuck),
                None => *all = Some(stuck),
            }
            stood.push(run);
        }
    }
    let stuck = found.into_iter().flatten().max_by(|a, b| a.log10_lr.total_cmp(&b.log10_lr))?;
    let rest = aligned.only(&is_kept(&stood));
    let relation = Relation::of(&rest)?;
    Some((rest, relation, stuck))
}

impl Stuck {
    fn add(&mut self, other: Self) {
        let lasts_s = |spans: &[Span]| spans.iter().map(|span| span.to_s - span.from_s).fold(0.0, f64::max);
        if lasts_s(&other.spans) > lasts_s(&self.spans) {
            (self.value, self.other) = (other.value, other.other);
        }
        self.spans.extend(other.spans);
        self.caught_up |= other.caught_up;
        self.log10_lr += other.log10_lr;
    }
}

/// What one stretch shows; `None` where the tracks agree in it as ever, or too little of it could be compared.
fn judge(aligned: &Aligned, relation: &Relation, known: &Known, run: &Run) -> Option<Stuck> {
    let points = &aligned.points[run.points.clone()];
    let is_off = |r: &Residual| known.is_off(relation, run.track, r) && !is_met_nearby(aligned, relation, r);
    let bad: Vec<Residual> = points.iter().filter_map(|p| relation.compare(p)).filter(is_off).collect();
    let (first, last) = (bad.first()?, bad.last()?);
    if last.t_s - first.t_s < 2.0 * aligned.unresolved_s {
        return None;
    }
    let (mut n_anew, mut k) = (0, 0);
    while k < bad.len() {
        let n = bad[k..].iter().take_while(|r| r.t_s - bad[k].t_s <= ANEW_S).count();
        n_anew += usize::from(n >= LEAST_READINGS);
        k += n;
    }
    // A foot that moves is seen on its way too, where it moves too fast to be compared.
    let others = || points.iter().filter(|p| (first.t_s..=last.t_s).contains(&p.t_s)).map(|p| own(p, 1 - run.track));
    let apart = 2.0 * relation.floor / if run.track == 0 { 1.0 } else { relation.slope.abs() };
    let mut levels: Vec<f64> = Vec::new();
    for level in others() {
        if levels.iter().all(|known| (known - level).abs() > apart) {
            levels.push(level);
        }
    }
    // The last reading that it kept disagrees, and the next that can be compared agrees, the track being elsewhere.
    let next = aligned.points[run.points.end..].iter().take_while(|p| p.t_s - last.t_s <= HOLE_S).find_map(|p| {
        let residual = relation.compare(p)?;
        let moved = (own(p, run.track) - own(&points[0], run.track)).abs();
        Some((residual, moved))
    });
    let until_s = points.last()?.t_s;
    let caught_up = next.is_some_and(|(r, moved)| {
        let limit = r.allowed / if run.track == 0 { relation.slope.abs() } else { 1.0 };
        until_s - last.t_s <= HOLE_S && r.off.abs() <= r.allowed && moved > limit
    });
    if n_anew == 0 || levels.len() + usize::from(caught_up) < LEAST_LEVELS {
        return None;
    }
    Some(Stuck {
        track: run.track,
        spans: vec![Span { from_s: first.t_s, to_s: last.t_s }],
        value: if run.track == 0 { first.x } else { first.y },
        other: range(others()),
        caught_up,
        log10_lr: (EACH * n_anew as f64).min(MOST_PER_RUN),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A foot between 10 and 90 %, up and down in 25 s, ten readings a second for 200 s; what the tracks make of it.
    fn found(tracks: impl Fn(f64, f64) -> (f64, f64)) -> Option<Stuck> {
        let foot = |t: f64| 50.0 - 40.0 * (t / 25.0 * std::f64::consts::TAU).cos();
        let point = |k: usize| {
            let t_s = k as f64 / 10.0;
            let (x, y) = tracks(t_s, foot(t_s));
            Point { t_s, x, y, rate_x: 0.0, bend_x: 0.1, bend_y: 0.1 }
        };
        let points: Vec<Point> = (0..2000).map(point).collect();
        let n_samples = points.len();
        let aligned = Aligned { points, step: [0.4; 2], hidden_s: 0.01, interval_s: 0.1, unresolved_s: 0.0, n_samples };
        find(&aligned).map(|found| found.2)
    }

    const STICKS: std::ops::Range<f64> = 80.0..140.0;

    #[test]
    fn the_track_that_stands_still_is_told() {
        // At 80 s the foot is at 37.6 %, at 140 s at 82.4 %.
        for track in 0..2 {
            let stuck = found(|t, x| {
                let kept = if STICKS.contains(&t) { 37.6 } else { x };
                if track == 0 { (kept, x / 2.0) } else { (x, kept / 2.0) }
            })
            .unwrap();
            let scale = if track == 0 { 1.0 } else { 0.5 };
            assert!(stuck.track == track && (stuck.value - 37.6 * scale).abs() < 1.0 && stuck.caught_up, "{stuck:?}");
            let span = stuck.spans[0];
            assert!(stuck.spans.len() == 1 && span.from_s > 79.9 && span.to_s < 140.1, "{stuck:?}");
            assert!(span.from_s < 82.0 && span.to_s > 138.0 && stuck.log10_lr == MOST_PER_RUN, "{stuck:?}");
        }
    }

    #[test]
    fn what_does_not_stick() {
        assert!(found(|_, x| (x, x / 2.0)).is_none());
        // A track that ends before the other, and one that begins after it, do so every time.
        assert!(found(|_, x| (x, x.min(60.0))).is_none() && found(|_, x| (x.max(30.0), x)).is_none());
        // A foot that rests beside a contact that opens: one level.
        let rests = |t: f64, x: f64| if STICKS.contains(&t) { 37.6 } else { x };
        let opens = |t: f64| if t.rem_euclid(10.0) < 2.0 { 9.0 } else { 0.0 };
        assert!(found(|t, x| (rests(t, x), rests(t, x) - if STICKS.contains(&t) { opens(t) } else { 0.0 })).is_none());
        // A foot that rests beside a track that goes on: nothing tells which of them is right, so it is told without a name.
        let wanders = found(|t, x| {
            let off = if (90.0..130.0).contains(&t) { 20.0 * (t / 6.0).sin() } else { 0.0 };
            (rests(t, x), rests(t, x) + off)
        });
        assert!(wanders.is_some_and(|stuck| !stuck.caught_up));
    }
}
