//! Reading two series at one moment although they were sampled one after the other.

use std::borrow::Cow;

use signal::{Series, seconds_from_nanos};

use crate::stats::{quantum, robust};

/// When the samples of a series were taken, nanoseconds, never decreasing.
///
/// The truth lies between request and answer; the middle is the best guess, and half the distance bounds its error.
/// Where the request times are unknown the arrival times stand alone.
pub(crate) fn taken_ns(series: &Series) -> Cow<'_, [i64]> {
    if series.asked_ns.len() != series.t_ns.len() {
        return Cow::Borrowed(&series.t_ns);
    }
    let mut latest = i64::MIN;
    let middle = series.t_ns.iter().zip(&series.asked_ns).map(|(&t, &asked)| {
        latest = latest.max(asked.saturating_add(t.saturating_sub(asked) / 2));
        latest
    });
    Cow::Owned(middle.collect())
}

/// So many waits tell how a table was made; the rest of a long drive need not be read for it.
const ENOUGH_WAITS: usize = 4096;

/// In how many rows a table shows each value, when it repeats it in every row until the next answer comes; `None` where every
/// row is a sample, or nothing shows the contrary. In rows, not in seconds: a poll comes back after as many answers, however
/// long they take.
///
/// A signal that has just moved by three steps and more goes on moving in the next sample; where the next change regularly
/// comes three or more rows later, the rows between are copies.
pub(crate) fn rows_per_sample(series: &Series) -> Option<usize> {
    let value = &series.value;
    let step = quantum::step_of(value);
    let mut waits: Vec<f64> = Vec::new();
    // The last change, and whether it was a large one.
    let mut last = (0, false);
    for k in 1..value.len() {
        if value[k] == value[k - 1] {
            continue;
        }
        if last.1 {
            waits.push((k - last.0) as f64);
            if waits.len() == ENOUGH_WAITS {
                break;
            }
        }
        last = (k, (value[k] - value[k - 1]).abs() >= 2.9 * step);
    }
    let is_told = waits.len() >= 10;
    let rows = robust::quantile(&mut waits, 0.1)? as usize;
    (is_told && rows >= 3).then_some(rows)
}

/// The samples that were really taken, see [`rows_per_sample`].
pub(crate) fn unheld(series: &Series) -> Cow<'_, Series> {
    let rows = rows_per_sample(series);
    rows.map_or(Cow::Borrowed(series), |rows| Cow::Owned(sampled(series, rows)))
}

/// What remains of a table that shows each value in so many rows: each change, and one sample per refresh while nothing changes.
pub(crate) fn sampled(series: &Series, rows_per_sample: usize) -> Series {
    let mut taken = Series::new(series.id.clone(), series.unit.clone());
    let mut n_rows = 0;
    for run in series.value.chunk_by(|a, b| a == b) {
        let from = n_rows;
        n_rows += run.len();
        // Readings of an unchanged value lie evenly in its run: the last of them is a whole refresh old when the next change
        // comes.
        let n = (run.len() / rows_per_sample).max(1);
        (0..n).for_each(|k| taken.push_value(series.t_ns[from + k * run.len() / n], run[0]));
    }
    taken
}

/// How two neighbours of a moment see it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Between {
    /// Value on the straight line between the neighbours.
    pub(crate) value: f64,
    /// Distance to the nearer neighbour in seconds.
    pub(crate) nearest_s: f64,
    /// Distance between the neighbours in seconds.
    pub(crate) gap_s: f64,
    /// Index of the neighbour before the moment, or at it.
    pub(crate) before: usize,
}

/// Walks along a series once while the moments asked for go forward.
pub(crate) struct Cursor<'a> {
    t_ns: &'a [i64],
    value: &'a [f64],
    longest_ns: i64,
    before: usize,
}

impl<'a> Cursor<'a> {
    /// `longest_s`: neighbours further apart than this do not tell what happened between them.
    pub(crate) fn new(t_ns: &'a [i64], value: &'a [f64], longest_s: f64) -> Self {
        Self { t_ns, value, longest_ns: signal::nanos_from_seconds(longest_s), before: 0 }
    }

    /// The value at `t_ns`, which must not lie before the last moment asked for.
    ///
    /// `None` outside the series, in a hole, and beside a value that is not a finite number.
    pub(crate) fn at(&mut self, t_ns: i64) -> Option<Between> {
        while self.before + 1 < self.t_ns.len() && self.t_ns[self.before + 1] <= t_ns {
            self.before += 1;
        }
        let (from, low) = (*self.t_ns.get(self.before)?, *self.value.get(self.before)?);
        if from > t_ns || !low.is_finite() {
            return None;
        }
        if from == t_ns {
            return Some(Between { value: low, nearest_s: 0.0, gap_s: 0.0, before: self.before });
        }
        let (to, high) = (*self.t_ns.get(self.before + 1)?, *self.value.get(self.before + 1)?);
        let gap = to.saturating_sub(from);
        if gap > self.longest_ns || !high.is_finite() {
            return None;
        }
        let since = t_ns.saturating_sub(from);
        let share = since as f64 / gap as f64;
        let nearest = since.min(to.saturating_sub(t_ns));
        Some(Between {
            value: low + share * (high - low),
            nearest_s: seconds_from_nanos(nearest),
            gap_s: seconds_from_nanos(gap),
            before: self.before,
        })
    }
}

/// Neighbours that may still be joined by a straight line: four usual intervals, so that a lost sample or two do not
/// cut a series, but at least 0.1 s and at most 2.5 s, in which a car can stop, turn and start again.
pub(crate) fn longest_join_s(median_interval_s: f64) -> f64 {
    (4.0 * median_interval_s).clamp(0.1, 2.5)
}

#[cfg(test)]
mod tests {
    use super::*;
    use signal::{Sample, SignalId, Unit};

    #[test]
    fn between_neighbours_and_not_beyond() {
        let (t, v) = ([0, 100, 200, 1000, 1100], [0.0, 10.0, f64::NAN, 3.0, 4.0]);
        let mut cursor = Cursor::new(&t, &v, 150e-9);
        let quarter = cursor.at(25).unwrap();
        assert!((quarter.value - 2.5).abs() < 1e-12 && (quarter.nearest_s - 25e-9).abs() < 1e-15);
        assert_eq!(cursor.at(100).unwrap().value, 10.0);
        assert_eq!(cursor.at(150), None, "beside a value that is not a number");
        assert_eq!(cursor.at(600), None, "in a hole");
        assert!((cursor.at(1050).unwrap().value - 3.5).abs() < 1e-12);
        assert_eq!(cursor.at(1200), None, "behind the end");
        let (t, v) = ([0, 100, 300], [0.0, 1.0, 2.0]);
        let mut cursor = Cursor::new(&t, &v, 100e-9);
        assert!(cursor.at(50).is_some(), "just near enough to be joined");
        assert_eq!(cursor.at(200), None, "too far apart, though both are known");
        assert_eq!(Cursor::new(&t, &v, 1.0).at(-5), None, "before the start");
        assert_eq!(Cursor::new(&[], &[], 1.0).at(0), None);
    }

    #[test]
    fn neighbours_are_joined_over_four_intervals_within_bounds() {
        for (interval_s, joined_s) in [(0.001, 0.1), (0.025, 0.1), (0.1, 0.4), (0.5, 2.0), (3.0, 2.5)] {
            assert!((longest_join_s(interval_s) - joined_s).abs() < 1e-12, "{interval_s}");
        }
    }

    /// Two steps are no large change, however large the step is: a slow movement of a coarse signal looks like that.
    #[test]
    fn only_three_steps_and_more_show_that_rows_are_copies() {
        let series = |steps: f64| {
            let mut series = Series::new(SignalId::new("wheel.speed.front_left").unwrap(), Unit::named("km/h"));
            // First it trembles by one step, then every change stays for five rows.
            let trembling = (0..40).map(|k| f64::from(k % 2));
            let moving = (5..305).map(|k| steps * f64::from(k / 5));
            let values = trembling.chain(moving).map(|in_steps| 5.0 * in_steps);
            values.enumerate().for_each(|(k, value)| series.push_value(k as i64 * 20_000_000, value));
            rows_per_sample(&series)
        };
        assert_eq!(series(2.0), None);
        assert_eq!(series(4.0), Some(5));
    }

    #[test]
    fn readings_of_an_unchanged_value_lie_evenly_in_its_run() {
        let mut series = Series::new(SignalId::new("pedal.position_1").unwrap(), Unit::named("%"));
        // Runs of 4, 11, 3 and 8 rows, one row a second, of values read every four rows.
        for (value, n) in [(1.0, 4), (2.0, 11), (3.0, 3), (4.0, 8)] {
            (0..n).for_each(|_| series.push_value(series.len() as i64, value));
        }
        let taken = sampled(&series, 4);
        assert_eq!(taken.t_ns, [0, 4, 9, 15, 18, 22]);
        assert_eq!(taken.value, [1.0, 2.0, 2.0, 3.0, 4.0, 4.0]);
        assert!(sampled(&Series::new(series.id.clone(), Unit::named("%")), 4).is_empty());
    }

    #[test]
    fn copies_are_told_from_samples() {
        let series = |n_held: usize, step: f64| {
            let mut series = Series::new(SignalId::new("pedal.position_1").unwrap(), Unit::named("%"));
            for k in 0..600_usize {
                let t = (k / n_held * n_held) as f64 * 0.1;
                series.push_value(k as i64 * 100_000_000, ((40.0 + 30.0 * (0.7 * t).sin()) / step).round() * step);
            }
            series
        };
        assert!(matches!(unheld(&series(1, 0.4)), Cow::Borrowed(_)), "every row is a sample");
        assert!(matches!(unheld(&series(1, 10.0)), Cow::Borrowed(_)), "a coarse step repeats by itself");
        let taken = unheld(&series(10, 0.4)).into_owned();
        assert!((60..=64).contains(&taken.len()), "{}", taken.len());
        assert!(taken.t_ns.windows(2).filter(|pair| pair[1] - pair[0] == 1_000_000_000).count() > 50);
    }

    #[test]
    fn the_middle_between_request_and_answer() {
        let mut series = Series::new(SignalId::new("pedal.position_1").unwrap(), Unit::named("%"));
        series.push(Sample { t_ns: 100, asked_ns: 60, exchange: 0, value: 0.0 });
        series.push(Sample { t_ns: 110, asked_ns: 10, exchange: 0, value: 0.0 });
        assert_eq!(taken_ns(&series).as_ref(), [80, 80]);
    }
}
