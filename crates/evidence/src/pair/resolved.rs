//! Whether the recording resolves in time what the part did.
//!
//! Two tracks that were polled in turn once a second and then filled up to many rows a second, each for itself, cut the corners
//! of every movement at different moments. They part there, although no row says that it was not measured. A contact or a worn
//! place parts them at some moments or places; only timing does wherever in the travel the part slows down or turns back.

use signal::{Series, seconds_from_nanos};

use super::relation::{CELLS, Residual, cell};
use crate::stats::{quantum, robust};

/// A recorder that polls its signals in turn comes back after a second (common practice, no source): corners are cut over so
/// long.
pub(super) const ROUND_S: f64 = 1.2;
/// A bend counts from so many times what a sound pair may be off by at rest.
const BENT: f64 = 4.0;
/// Parts of the travel in which so many readings lie beside a bend are looked at; timing shows in this share of those
/// readings, in this share of the parts, and in no fewer parts than these.
const LEAST_READINGS: usize = 5;
const PARTED: f64 = 0.05;
const MOST_PARTS: f64 = 0.5;
const LEAST_PARTS: usize = 2;
/// Rows between these intervals, seconds, are too slow to show themselves whether corners were cut, and quick enough to be made
/// of still slower ones; where a whole round or more lies between two rows nothing was filled in.
pub(super) const SLOW_S: (f64, f64) = (0.25, 0.6);
/// A straight line between samples leaves a parabola by an eighth, and a corner by half of its second difference.
pub(super) const CORNER: f64 = 0.5;

/// Straight pieces that a track travels in, times this, reach over the interval of its readings: between slow readings a table
/// draws one straight piece, and a smooth curve has about three.
const PIECES: f64 = 3.0;
/// Step of an 8-bit value, % (derived: 100 / 255): no piece is told straight more finely, as tables may hold sums of many digits.
const FINEST_STEP: f64 = 0.39;
/// No recorder is reckoned with whose readings lie further apart, seconds (see [`crate::skew::longest_join_s`]).
const SLOWEST_S: f64 = 2.5;
/// The course of so many rows tells how a table was made.
const ENOUGH_ROWS: usize = 60_000;

/// How far apart the readings behind a track may lie, as its own shape tells, seconds.
///
/// A foot bends its course all the time; between two readings a table has nothing but a straight line. So the typical straight
/// piece of the course, within one step of the track and weighed by how far it goes, bounds the time between readings.
pub(super) fn between_readings_s(series: &Series) -> f64 {
    let n = series.len().min(ENOUGH_ROWS);
    let step = quantum::step_of(&series.value[..n]).max(FINEST_STEP);
    let mut pieces: Vec<(f64, f64)> = Vec::new();
    let since_s = |from: usize, k: usize| seconds_from_nanos(series.t_ns[k].saturating_sub(series.t_ns[from]));
    let (mut from, mut slopes) = (0, (f64::NEG_INFINITY, f64::INFINITY));
    for k in 1..n {
        let change = series.value[k] - series.value[from];
        let lasted_s = since_s(from, k).max(1e-3);
        let met = (slopes.0.max((change - step) / lasted_s), slopes.1.min((change + step) / lasted_s));
        // Also false where a value is no number.
        if met.0 <= met.1 {
            slopes = met;
            continue;
        }
        pieces.push((since_s(from, k - 1), (series.value[k - 1] - series.value[from]).abs()));
        (from, slopes) = (k - 1, (f64::NEG_INFINITY, f64::INFINITY));
    }
    pieces.retain(|(_, travelled)| *travelled > 3.0 * step);
    let piece_s = robust::weighted_median(&mut pieces).unwrap_or(SLOWEST_S);
    (PIECES * piece_s).min(SLOWEST_S)
}

/// Greatest second difference over [`ROUND_S`] near each of evenly spaced values.
pub(super) fn bends(values: &[f64], interval_s: f64) -> Vec<f64> {
    let reach = ((ROUND_S / interval_s.max(1e-3)).ceil() as usize).max(1);
    let second_differences: Vec<f64> = (0..values.len())
        .map(|k| {
            let (before, after) = (values[k.saturating_sub(reach)], values[(k + reach).min(values.len() - 1)]);
            (before - 2.0 * values[k] + after).abs()
        })
        .collect();
    // Greatest over whole stretches of that length, so that the work does not grow with it.
    let stretches: Vec<f64> =
        second_differences.chunks(reach).map(|part| part.iter().copied().fold(0.0, f64::max)).collect();
    let near =
        |k: usize| stretches[k.saturating_sub(1)..(k + 2).min(stretches.len())].iter().copied().fold(0.0, f64::max);
    (0..values.len()).map(|k| near(k / reach)).collect()
}

/// Whether the tracks part all over the travel wherever the part bends its course; `readings` with the bend near each, in the
/// unit of the second track, of a sound pair that may be off by `floor` at rest.
pub(super) fn is_parted_by_timing(readings: &[(Residual, f64)], visited: (f64, f64), floor: f64) -> bool {
    let mut cells = [(0_usize, 0_usize); CELLS];
    for (reading, _) in readings.iter().filter(|(_, bend)| *bend >= BENT * floor) {
        let (all, off) = &mut cells[cell(reading.at, visited, CELLS)];
        *all += 1;
        *off += usize::from(reading.off.abs() > reading.allowed);
    }
    let seen = || cells.iter().filter(|(all, _)| *all >= LEAST_READINGS);
    let parted = seen().filter(|(all, off)| *off as f64 > PARTED * *all as f64).count();
    parted >= LEAST_PARTS && parted as f64 > MOST_PARTS * seen().count() as f64
}

#[cfg(test)]
mod tests {
    use signal::{SignalId, Unit};

    use super::*;

    #[test]
    fn straight_pieces_tell_how_far_readings_lie_apart() {
        let track = |value: &dyn Fn(f64) -> f64| {
            let mut series = Series::new(SignalId::new("pedal.position_1").unwrap(), Unit::named("%"));
            (0..4000).for_each(|k| series.push_value(k * 20_000_000, (value(k as f64 * 0.02) / 0.4).round() * 0.4));
            between_readings_s(&series)
        };
        // A foot that goes up and down in 0.8 s, as it is and as lines between readings a second apart show it.
        let foot = |t: f64| 40.0 + 30.0 * (7.85 * t).sin() * (0.3 * t).sin();
        let drawn = |t: f64| foot(t.floor()) + (t - t.floor()) * (foot(t.floor() + 1.0) - foot(t.floor()));
        assert!((0.1..0.7).contains(&track(&foot)), "{}", track(&foot));
        assert!((2.0..=SLOWEST_S).contains(&track(&drawn)), "{}", track(&drawn));
        assert_eq!(track(&|_| 20.0), SLOWEST_S, "nothing moved, nothing is known");
    }

    #[test]
    fn bends_are_seen_from_a_round_away() {
        // A corner of 10 per second after 5 s, a value every 0.4 s: three to either side.
        let values: Vec<f64> = (0..40).map(|k| (f64::from(k) * 0.4 - 6.0).max(0.0) * 10.0).collect();
        let bends = bends(&values, 0.4);
        assert!((bends[15] - 12.0).abs() < 1e-9, "{bends:?}");
        assert!(bends[3] < 1e-9 && bends[30] < 1e-9 && bends[12] > 5.0 && bends[18] > 5.0, "{bends:?}");
        assert!(super::bends(&[], 0.1).is_empty());
    }

    #[test]
    fn timing_parts_them_everywhere_and_a_worn_place_in_one() {
        let reading = |at: f64, off: f64| Residual { t_s: 0.0, at, x: at, y: at, off, allowed: 1.6, cut: 0.0 };
        let all = |off: &dyn Fn(usize, f64) -> f64| -> Vec<(Residual, f64)> {
            (0..400).map(|k| (k, 10.0 + k as f64 * 37.0 % 80.0)).map(|(k, at)| (reading(at, off(k, at)), 8.0)).collect()
        };
        let parted = |readings: &[(Residual, f64)]| is_parted_by_timing(readings, (10.0, 90.0), 1.6);
        assert!(parted(&all(&|k, _| if k % 3 == 0 { 3.0 } else { -0.2 })));
        assert!(!parted(&all(&|_, at| if (30.0..45.0).contains(&at) { 4.0 } else { 0.2 })), "a worn place");
        assert!(!parted(&all(&|k, _| if k % 20 == 0 { 9.0 } else { 0.2 })), "a contact now and then");
        assert!(!parted(&all(&|k, _| if k % 3 == 0 { 3.0 } else { -0.2 })[..12]), "too few");
    }
}
