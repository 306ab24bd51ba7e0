//! Two tracks at common moments, each with how far the pedal may have moved between their readings.

use std::borrow::Cow;

use signal::Series;

use super::resolved;
use crate::skew::{Cursor, longest_join_s, taken_ns, unheld};
use crate::stats::quantum;

/// One reading of the second track, and what the first read at that moment.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Point {
    /// When, seconds on the drive's time base.
    pub(crate) t_s: f64,
    /// First track, on the line between its neighbours.
    pub(crate) x: f64,
    /// Second track.
    pub(crate) y: f64,
    /// Speed of the first track there, its unit per second.
    pub(crate) rate_x: f64,
    /// How far the first track may lie from the line between its neighbours, in its own unit.
    pub(crate) bend_x: f64,
    /// The same judged from the second track, in its unit.
    pub(crate) bend_y: f64,
}

/// Two tracks side by side.
pub(crate) struct Aligned {
    /// All moments at which both are known.
    pub(crate) points: Vec<Point>,
    /// Steps of the two tracks.
    pub(crate) step: [f64; 2],
    /// Error of the time between the two readings that the recording leaves open, seconds.
    pub(crate) hidden_s: f64,
    /// The longer median interval of the two, seconds.
    pub(crate) interval_s: f64,
    /// How far apart in time the tracks may really have been read where both carry the times of one table, which may have
    /// been filled up between slower readings, seconds; 0 where each has times of its own.
    pub(crate) unresolved_s: f64,
    /// Samples of the second track that were looked at.
    pub(crate) n_samples: usize,
}

/// Readings that carry one common time may be this far apart: a round of answers of an ordinary adapter.
const COMMON_STAMP_S: f64 = 0.1;

/// In a long drive readings closer together than this are one: the shortest disagreement that matters lasts 0.24 s (see
/// `moments`), and of visits there are plenty.
const SPACING_S: f64 = 0.05;

/// A drive with more readings than this is long: nearly an hour at 20 Hz.
const LONG: usize = 60_000;

/// Time stamps of answers vary by this much against the moment of measurement (adapter and operating system buffers; common
/// practice, no source).
const STAMP_S: f64 = 0.01;

/// A track bends between two samples by up to this many times what its neighbours' second difference says. A parabola
/// bends s (1 - s) / 2 of it; a foot that moves at once between two samples four times as much.
const BEND: f64 = 2.0;

impl Aligned {
    /// The same at those points alone that are `kept`.
    pub(crate) fn only(&self, kept: &[bool]) -> Self {
        let points = self.points.iter().zip(kept).filter(|(_, kept)| **kept).map(|(point, _)| *point).collect();
        Self { points, ..*self }
    }
}

/// Lines the tracks up; `None` without samples. What a table repeats until the next answer is read as one sample.
pub(crate) fn align(first: &Series, second: &Series) -> Option<Aligned> {
    let rows_s = first.median_interval_s()?.max(second.median_interval_s()?);
    let (first, second) = (unheld(first), unheld(second));
    // A change in such a table came somewhere between two of its rows.
    let row_s = if [&first, &second].iter().any(|s| matches!(s, Cow::Owned(_))) { rows_s } else { 0.0 };
    let (first, second) = (first.as_ref(), second.as_ref());
    let unresolved_s = resolved::between_readings_s(first).max(resolved::between_readings_s(second));
    let (ta, tb) = (taken_ns(first), taken_ns(second));
    let intervals = [first.median_interval_s()?, second.median_interval_s()?];
    let mut cursor = Cursor::new(&ta, &first.value, longest_join_s(intervals[0]));
    let mut points: Vec<Point> = Vec::new();
    let (mut n_common, mut n_samples) = (0usize, 0usize);
    let spacing_s = if second.len() > LONG { SPACING_S } else { 0.0 };
    let mut next_ns = i64::MIN;
    for k in 0..second.len() {
        if tb[k] < next_ns {
            continue;
        }
        let y = second.value[k];
        n_samples += 1;
        let Some(between) = cursor.at(tb[k]) else { continue };
        if !y.is_finite() {
            continue;
        }
        next_ns = tb[k].saturating_add(signal::nanos_from_seconds(spacing_s));
        let at = between.before;
        let value = |i: usize| first.value.get(i).copied().filter(|v| v.is_finite());
        let differences = [at.wrapping_sub(1), at, at + 1].map(|i| Some(value(i.wrapping_add(1))? - value(i)?));
        let second_difference = |a: Option<f64>, b: Option<f64>| (a.unwrap_or(0.0) - b.unwrap_or(0.0)).abs();
        let bend =
            second_difference(differences[0], differences[1]).max(second_difference(differences[1], differences[2]));
        // On a sample of the first track nothing is bent; half way between two all of it is.
        let share = if between.gap_s > 0.0 { between.nearest_s / between.gap_s } else { 0.0 };
        let own = |i: usize| second.value.get(i).copied().filter(|v| v.is_finite()).unwrap_or(y);
        let bend_y = (own(k.wrapping_sub(1)) - 2.0 * y + own(k + 1)).abs();
        let bent = BEND * share * (1.0 - share);
        let is_simultaneous = match (first.exchange.get(at), second.exchange.get(k)) {
            (Some(&a), Some(&b)) => a == b && a != 0,
            _ => false,
        };
        n_common += usize::from(between.nearest_s == 0.0 && !is_simultaneous);
        let step_s = signal::seconds_from_nanos(ta.get(at + 1).map_or(0, |next| next.saturating_sub(ta[at])));
        let step_s = step_s.min(longest_join_s(intervals[0])).max(1e-3);
        let rate_x = differences[1].or(differences[0]).unwrap_or(0.0) / step_s;
        points.push(Point {
            t_s: signal::seconds_from_nanos(tb[k]),
            x: between.value,
            y,
            rate_x: if is_simultaneous { 0.0 } else { rate_x },
            bend_x: bent * bend,
            bend_y: bent * bend_y,
        });
    }
    let is_common = 2 * n_common > points.len();
    let window_s = if second.asked_ns.len() == second.len() && !second.is_empty() {
        (0..second.len())
            .map(|k| signal::seconds_from_nanos(second.t_ns[k].saturating_sub(second.asked_ns[k])))
            .sum::<f64>()
            / second.len() as f64
            / 2.0
    } else {
        0.0
    };
    (!points.is_empty()).then(|| Aligned {
        points,
        step: [quantum::step_of(&first.value), quantum::step_of(&second.value)],
        hidden_s: if is_common { COMMON_STAMP_S } else { STAMP_S.max(window_s) }.max(row_s),
        interval_s: intervals[0].max(intervals[1]).max(spacing_s),
        unresolved_s: if is_common || row_s > 0.0 { unresolved_s } else { 0.0 },
        n_samples,
    })
}

#[cfg(test)]
mod tests {
    use signal::{Sample, SignalId, Unit};

    use super::*;

    /// A track with such a value at each of the moments; asked for so many seconds before it came.
    fn track(id: &str, times: impl Iterator<Item = f64>, asked_s: f64, value: impl Fn(f64) -> f64) -> Series {
        let answers = if id == "other" { 1000 } else { 1 };
        let mut series = Series::new(SignalId::new(id).unwrap(), Unit::named("%"));
        for t_s in times {
            let t_ns = signal::nanos_from_seconds(t_s);
            // What came without being asked for stands under its own time alone.
            let asked_ns = signal::nanos_from_seconds(t_s - asked_s);
            let sample = Sample { t_ns, asked_ns, exchange: (t_s * 10.0) as u32 + answers, value: value(t_s) };
            if asked_s > 0.0 { series.push(sample) } else { series.push_value(t_ns, sample.value) }
        }
        series
    }

    fn every(step_s: f64, from_s: f64) -> impl Iterator<Item = f64> {
        (0..100).map(move |k| from_s + f64::from(k) * step_s)
    }

    /// Half way between two samples of t² every 0.1 s, whose second difference is 0.02: a parabola lies 0.0025 off the line
    /// there, and four times that is allowed for.
    #[test]
    fn the_first_track_between_its_samples() {
        let first = track("pedal.position_1", every(0.1, 0.0), 0.0, |t| t * t);
        let second = track("pedal.position_2", every(0.1, 0.05), 0.0, |t| t * t / 2.0);
        let aligned = align(&first, &second).unwrap();
        assert_eq!((aligned.points.len(), aligned.n_samples), (99, 100));
        let point = aligned.points[50];
        assert!((point.t_s - 5.05).abs() < 1e-9 && (point.x - (5.05 * 5.05 + 0.0025)).abs() < 1e-9, "{point:?}");
        assert!((point.rate_x - 2.0 * 5.05).abs() < 1e-6 && (point.y - 5.05 * 5.05 / 2.0).abs() < 1e-9, "{point:?}");
        assert!((point.bend_x - 0.01).abs() < 1e-9 && (point.bend_y - 0.005).abs() < 1e-9, "{point:?}");
        assert!((aligned.interval_s - 0.1).abs() < 1e-9 && (aligned.hidden_s - STAMP_S).abs() < 1e-9);
        // A quarter of the way: 1/4 * 3/4 of it instead of 1/2 * 1/2. On a sample nothing is bent.
        let at = |shift: f64| align(&first, &track("b", every(0.1, shift), 0.0, |t| t)).unwrap().points[50].bend_x;
        assert!((at(0.025) - 0.0075).abs() < 1e-9 && (at(0.075) - 0.0075).abs() < 1e-9 && at(0.0).abs() < 1e-9);
        // A corner just behind the two samples bends what lies between them.
        let corner = |t: f64| (t - 5.0).max(0.0) * 10.0;
        let bent = align(&track("a", every(0.1, 0.0), 0.0, corner), &second).unwrap();
        assert_eq!([48, 49, 50, 51].map(|k| (bent.points[k].bend_x * 100.0).round()), [0.0, 50.0, 50.0, 0.0]);
    }

    /// How far apart the readings may really have been: a round of answers where they carry one time, half of the mean wait
    /// for the answer where each has its own, nothing that matters where one answer held both.
    #[test]
    fn what_the_times_leave_open() {
        let foot = |t: f64| 40.0 + 30.0 * t.sin();
        let of = |second: &str, second_s: f64, asked_s: f64| {
            let first = track("first", every(0.1, 0.001), asked_s, foot);
            let aligned = align(&first, &track(second, every(0.1, second_s), asked_s, foot)).unwrap();
            ((aligned.hidden_s * 1000.0).round(), aligned.points[50].rate_x == 0.0, aligned.unresolved_s > 0.0)
        };
        assert_eq!(of("second", 0.001, 0.0), (100.0, false, true), "one table");
        assert_eq!(of("second", 0.031, 0.0), (10.0, false, false), "times of their own");
        assert_eq!(of("second", 0.001, 0.04), (20.0, true, false), "one answer");
        assert_eq!(of("other", 0.001, 0.06), (100.0, false, true), "other answers at the same times");
        assert_eq!(of("other", 0.031, 0.06), (30.0, false, false));
    }
}
