//! Disagreement that belongs to a time and not to a place.

use super::align::{Aligned, Point};
use super::bend::Bends;
use super::relation::{CELLS, Relation, Residual, cell, middles};
use crate::finding::Span;

/// Shortest disagreement that counts: control units tolerate less than 0.24 s (published thresholds of two makes).
const SHORTEST_S: f64 = 0.24;

/// Fewest neighbouring readings that do.
const LEAST_READINGS: usize = 3;

/// Holes longer than this end a run, seconds.
pub(super) const HOLE_S: f64 = 2.5;

/// log10 prior odds of a contact that comes and goes.
const LOG10_PRIOR: f64 = -1.5;

/// What one run is worth, log10: one in ten may be a movement that fooled the alignment three readings long.
const PER_RUN: f64 = 1.0;

/// What each further second of it is worth, and the most that one run counts.
const PER_SECOND: f64 = 0.3;
const MOST_PER_RUN: f64 = 2.2;

/// Slower than this between readings a foot may go and come back unseen, so that no single reading of a moving part counts,
/// seconds.
const SLOW_S: f64 = 0.25;

/// Difference, in points of the first track, that three slow readings in a row show only if the tracks part: between
/// two readings of one round the part would have to go that far each time, and back before the next. In open drives of a sound
/// car (KIT OBD set: one reading a second, the tracks 0.09 s apart) no two in a row differ by so much.
const GROSS_PERCENT: f64 = 10.0;

/// What such runs come to at most, log10: a foot that pumps at the pace of the readings shows the same, so that they keep the
/// pair from being called sound, and convict nobody.
const MOST_OF_GROSS: f64 = 1.5;

/// Runs of disagreement.
#[derive(Debug, Clone, Default)]
pub(crate) struct Moments {
    /// Where.
    pub(crate) spans: Vec<Span>,
    /// Greatest difference, in units of the second track.
    pub(crate) worst: f64,
    /// log10 odds of a contact that comes and goes.
    pub(crate) log10_odds: f64,
    /// Greatest difference of what may be a bend by design, in units of the second track; 0 without one.
    pub(crate) bent: f64,
}

/// Finds runs of three and more neighbouring readings that are off the same way, outside the place `spot`.
///
/// Off means: off the line, and off what the same place of the travel shows at other times, as far as that may be a bend in
/// the line (no more than what is allowed anyway, but towards an end of the travel, see [`Bends`]).
///
/// Where both tracks carry the times of one table, a run tells nothing that reading them at different times explains: one that
/// is over before the next reading but one, or in which the second track shows what the first showed shortly before or after.
pub(crate) fn find(aligned: &Aligned, relation: &Relation, spot: Option<(f64, f64)>, bends: &Bends) -> Moments {
    let usable = &relation.usable;
    if !usable.iter().any(|r| r.off.abs() > r.allowed) {
        let mut moments = Moments { log10_odds: LOG10_PRIOR, ..Moments::default() };
        add_gross(aligned, relation, spot, &mut moments);
        return moments;
    }
    let usual = middles(usable.iter().map(|r| (cell(r.at, relation.visited, CELLS), r.off)));
    let excused = |r: &Residual| spot.is_some_and(|(from, to)| r.at >= from - 1.0 && r.at <= to + 1.0);
    // Which way each reading is off, and whether no bend explains that.
    let off = |r: &Residual| {
        let allowed = r.allowed.max(relation.floor + r.cut);
        let usual = usual[cell(r.at, relation.visited, CELLS)].unwrap_or(0.0).clamp(-allowed, allowed);
        let is_beyond = |usual: f64| (r.off - usual).abs() > allowed && r.off * (r.off - usual) > 0.0;
        let is_off = r.off.abs() > allowed && is_beyond(usual) && !excused(r);
        (if is_off { r.off.signum() } else { 0.0 }, bends.usual(r.x, r.y).all(is_beyond))
    };
    let ways: Vec<(f64, bool)> = usable.iter().map(off).collect();
    let greater = |a: f64, r: &Residual| if r.off.abs() > a.abs() { r.off } else { a };
    let in_a_row = usable.windows(LEAST_READINGS).zip(ways.windows(LEAST_READINGS));
    let bent = in_a_row.filter(|(_, ways)| ways[0].0 != 0.0 && ways.iter().all(|way| *way == (ways[0].0, false)));
    let bent = bent.flat_map(|(run, _)| run).fold(0.0, greater);
    let sign = |k: usize| if ways[k].1 { ways[k].0 } else { 0.0 };
    let mut moments = Moments { log10_odds: LOG10_PRIOR, bent, ..Moments::default() };
    let mut k = 0;
    while k < usable.len() {
        let (from, way) = (k, sign(k));
        k += 1;
        if way == 0.0 {
            continue;
        }
        while k < usable.len() && sign(k) == way && usable[k].t_s - usable[k - 1].t_s <= HOLE_S {
            k += 1;
        }
        let run = &usable[from..k];
        let lasts_s = run[run.len() - 1].t_s - run[0].t_s;
        if run.len() < LEAST_READINGS || lasts_s < SHORTEST_S.max(2.0 * aligned.unresolved_s) {
            continue;
        }
        if run.iter().filter(|r| !is_met_nearby(aligned, relation, r)).count() < LEAST_READINGS {
            continue;
        }
        moments.spans.push(Span { from_s: run[0].t_s, to_s: run[run.len() - 1].t_s });
        moments.log10_odds += (PER_RUN + PER_SECOND * lasts_s).min(MOST_PER_RUN);
        moments.worst = run.iter().fold(moments.worst, greater);
    }
    add_gross(aligned, relation, spot, &mut moments);
    moments
}

/// Adds runs of slow readings that are far off, whether or not the part moved meanwhile.
fn add_gross(aligned: &Aligned, relation: &Relation, spot: Option<(f64, f64)>, moments: &mut Moments) {
    if aligned.interval_s < SLOW_S || aligned.unresolved_s > 0.0 || relation.is_parted_by_timing {
        return;
    }
    let before = moments.log10_odds;
    let off = |p: &Point| p.y - relation.offset - relation.slope * p.x;
    let excused = |p: &Point| spot.is_some_and(|(from, to)| p.x >= from - 1.0 && p.x <= to + 1.0);
    let way = |p: &Point| {
        let is_gross = off(p).abs() > GROSS_PERCENT * relation.slope.abs() && !excused(p);
        if is_gross { off(p).signum() } else { 0.0 }
    };
    let is_run = |a: &Point, b: &Point| way(a) == way(b) && b.t_s - a.t_s <= HOLE_S;
    for run in aligned.points.chunk_by(is_run).filter(|run| run.len() >= 3 && way(&run[0]) != 0.0) {
        let span = Span { from_s: run[0].t_s, to_s: run[run.len() - 1].t_s };
        if moments.spans.iter().any(|known| known.from_s <= span.to_s && span.from_s <= known.to_s) {
            continue;
        }
        moments.spans.push(span);
        moments.log10_odds += (PER_RUN + PER_SECOND * (span.to_s - span.from_s)).min(MOST_PER_RUN);
        moments.worst = run.iter().map(off).fold(moments.worst, |a, b| if b.abs() > a.abs() { b } else { a });
    }
    moments.log10_odds = moments.log10_odds.min(before.max(MOST_OF_GROSS));
    moments.spans.sort_by(|a, b| a.from_s.total_cmp(&b.from_s));
}

/// Whether the second track reads what the first read at some moment no further away than the time between readings.
pub(super) fn is_met_nearby(aligned: &Aligned, relation: &Relation, reading: &Residual) -> bool {
    let (from_s, to_s) = (reading.t_s - aligned.unresolved_s, reading.t_s + aligned.unresolved_s);
    let points = &aligned.points;
    let from = points.partition_point(|point| point.t_s < from_s);
    let expected = points[from..].iter().take_while(|p| p.t_s <= to_s).map(|p| relation.offset + relation.slope * p.x);
    let (least, most) = expected.fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), y| (a.min(y), b.max(y)));
    aligned.unresolved_s > 0.0 && reading.y >= least - reading.allowed && reading.y <= most + reading.allowed
}

#[cfg(test)]
mod tests {
    use super::super::bend;
    use super::super::relation::tests::relation;
    use super::Point;
    use super::*;

    /// A foot that goes slowly up and down, ten readings a second, with such differences at some moments (index, off).
    fn usable(off: &[(std::ops::Range<usize>, f64)]) -> Vec<Residual> {
        let foot = |k: usize| 20.0 + 0.25 * (k % 480).min(480 - k % 480) as f64;
        let off_at = |k: usize| off.iter().find(|(range, _)| range.contains(&k)).map_or(0.0, |(_, off)| *off);
        let reading = |k: usize| {
            let (x, off) = (foot(k), off_at(k));
            Residual { t_s: k as f64 / 10.0, at: x, x, y: x / 2.0 + off, off, allowed: 1.0, cut: 0.0 }
        };
        (0..2400).map(reading).collect()
    }

    fn found(usable: Vec<Residual>, unresolved_s: f64, spot: Option<(f64, f64)>) -> Moments {
        let point = |r: &Residual| Point { t_s: r.t_s, x: r.x, y: r.y, rate_x: 0.0, bend_x: 0.0, bend_y: 0.0 };
        let points: Vec<Point> = usable.iter().map(point).collect();
        let n_samples = points.len();
        let aligned = Aligned { points, step: [0.4; 2], hidden_s: 0.01, interval_s: 0.1, unresolved_s, n_samples };
        let relation = relation(0.5, usable);
        super::find(&aligned, &relation, spot, &bend::find(&relation))
    }

    fn spans(moments: &Moments) -> Vec<(f64, f64)> {
        moments.spans.iter().map(|span| (span.from_s, span.to_s)).collect()
    }

    /// From the hundredth to the hundred and third reading: 0.3 s, worth a decade and 0.3 for each second.
    #[test]
    fn runs_of_disagreement_are_found_in_time() {
        let one = found(usable(&[(100..104, -3.0)]), 0.0, None);
        assert_eq!((spans(&one), one.worst), (vec![(10.0, 10.3)], -3.0));
        assert!((one.log10_odds - (-1.5 + 1.0 + 0.09)).abs() < 1e-9, "{}", one.log10_odds);
        let two = found(usable(&[(100..104, -3.0), (700..800, 5.0)]), 0.0, None);
        assert_eq!((spans(&two), two.worst), (vec![(10.0, 10.3), (70.0, 79.9)], 5.0));
        // The longer of them counts 2.2, which is the most for one.
        assert!((two.log10_odds - (-1.5 + 1.09 + 2.2)).abs() < 1e-9, "{}", two.log10_odds);
        // No disagreement, one within what is allowed, and one that is too short.
        for off in [vec![], vec![(100..104, 0.9)], vec![(100..103, 3.0)], vec![(100..101, 3.0), (102..103, 3.0)]] {
            let none = found(usable(&off), 0.0, None);
            assert_eq!((spans(&none), none.log10_odds), (vec![], -1.5), "{off:?}");
        }
        // Either way is no run; a hole ends one.
        assert!(spans(&found(usable(&[(100..102, 3.0), (102..104, -3.0)]), 0.0, None)).is_empty());
        let mut holed = usable(&[(100..110, 3.0)]);
        holed.iter_mut().skip(105).for_each(|r| r.t_s += 2.6);
        assert_eq!(spans(&found(holed, 0.0, None)), [(10.0, 10.4), (13.1, 13.5)]);
    }

    #[test]
    fn what_a_place_always_shows_is_no_moment() {
        // At every visit to 40 to 45 % the tracks part by 1.5, which a bend of the line may be, and once by 3.5.
        let mut always = usable(&[]);
        for r in always.iter_mut().filter(|r| (40.0..45.0).contains(&r.at)) {
            r.off = 1.5;
        }
        assert!(spans(&found(always.clone(), 0.0, None)).is_empty());
        always[80..90].iter_mut().for_each(|r| r.off = 3.5);
        assert_eq!(spans(&found(always, 0.0, None)), [(8.0, 8.9)]);
        // The place that is spoken of by itself does not count again: readings 80 to 99 lie at 40 to 44.75 %.
        let once = || usable(&[(80..100, 4.0)]);
        assert!(spans(&found(once(), 0.0, Some((41.0, 43.75)))).is_empty());
        assert_eq!(spans(&found(once(), 0.0, Some((46.0, 50.0)))), [(8.0, 9.9)]);
    }

    /// One reading a second of a foot that moves, so that none of them is still enough to be compared: three in a row that are
    /// far off, the same way, are no movement.
    #[test]
    fn slow_readings_that_are_far_off() {
        let gross = |off: &[(std::ops::Range<usize>, f64)], interval_s: f64, unresolved_s: f64| {
            let readings = usable(off);
            let point = |r: &Residual| Point {
                t_s: 10.0 * interval_s * r.t_s,
                x: r.x,
                y: r.y,
                rate_x: 0.0,
                bend_x: 9.0,
                bend_y: 9.0,
            };
            let points: Vec<Point> = readings.iter().map(point).collect();
            let n_samples = points.len();
            let aligned = Aligned { points, step: [0.4; 2], hidden_s: 0.01, interval_s, unresolved_s, n_samples };
            let relation = relation(0.5, usable(&[]));
            super::find(&aligned, &relation, None, &bend::find(&relation))
        };
        let of = |off: &[_], interval_s, unresolved_s| spans(&gross(off, interval_s, unresolved_s));
        // The second track has half of the slope: 10 % are 5 of its points.
        assert_eq!(of(&[(100..103, -5.1)], 1.0, 0.0), [(100.0, 102.0)]);
        // Any number of them leaves it open.
        assert_eq!(gross(&[(10..60, -9.0), (100..103, -9.0), (110..190, -9.0)], 1.0, 0.0).log10_odds, MOST_OF_GROSS);
        assert_eq!(of(&[(100..103, -4.9)], 1.0, 0.0), []);
        assert_eq!(of(&[(100..102, 9.0), (102..103, -9.0)], 1.0, 0.0), []);
        // Readings of one table, and quick ones, are judged by what lies still.
        assert_eq!(of(&[(100..103, -9.0)], 1.0, 1.0), []);
        assert_eq!(of(&[(100..103, -9.0)], 0.1, 0.0), []);
    }

    /// Where both tracks carry the times of one table, a run must outlast two readings and show what no moment nearby shows.
    #[test]
    fn readings_at_other_times_are_no_moment() {
        let run = |n: usize, off: f64| spans(&found(usable(&[(100..100 + n, off)]), 0.5, None)).len();
        // Within half a second the foot goes 1.25 %, the second track 0.625 points, and one is allowed.
        assert_eq!([run(10, 3.0), run(11, 3.0), run(11, -3.0), run(11, 1.5), run(11, -1.5)], [0, 1, 1, 0, 0]);
        assert_eq!(run(11, 1.7), 1);
    }
}
