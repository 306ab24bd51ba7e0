//! A wheel's error against the way it rolled.

use signal::{Recording, Series, Unit, seconds_from_nanos};

use crate::skew::{Cursor, longest_join_s, taken_ns};
use crate::stats::{quantum, robust};
use crate::wheels::{MIN_SPEED_KMH, WHEELS};

/// The slow part of an error (turns, slip, tyres) is its mean over this many metres: five to seven turns of a wheel, so that
/// an error of every turn stays.
const SLOW_M: f64 = 12.0;

/// Most that a wheel's speed leaves the mean of its partners by in a turn, beyond which it is its sensor (radius 15 m; tighter
/// turns are few and slow).
const LARGEST_TURN: f64 = 0.05;

/// A partner that leaves the middle of the partners by more than this, relative, has lost its value (in the tightest turn,
/// radius 6 m, a wheel leaves it by 13 %, see the turn table in [`crate::wheels`]): its pulse would look like any frequency.
const PARTNER_LOST: f64 = 0.2;

/// A wheel that reads less than this share of its partners has lost its value; over a missing tooth that is timed alone it
/// reads a half.
const OWN_LOST: f64 = 0.45;

/// Of a longer series only slices are read, spread evenly along it: a ring that is broken is broken all the time, and the
/// search takes no more than some thousand samples.
const MOST_READ: usize = 65_536;

/// Samples in a slice: several hundred metres at 50 Hz.
const SLICE: usize = 1024;

/// Least number of samples in that mean.
const SLOW_SAMPLES: usize = 7;

/// One moment of a wheel.
#[derive(Debug, Clone, Copy)]
pub(super) struct Point {
    /// When, seconds.
    pub(super) t_s: f64,
    /// How far the wheel had rolled, metres by its own scale.
    pub(super) rolled_m: f64,
    /// How fast, m/s.
    pub(super) speed_m_s: f64,
    /// The quick part of its error, m/s: less its mean over this point and `reach` points before and after it.
    pub(super) error_m_s: f64,
    /// See `error_m_s`.
    pub(super) reach: usize,
}

/// All that was compared of a wheel, in stretches without a hole.
#[derive(Debug, Default)]
pub(super) struct Track {
    /// Each stretch in order of time.
    pub(super) stretches: Vec<Vec<Point>>,
    /// Median sampling interval, seconds.
    pub(super) interval_s: f64,
    /// Step of the speeds compared, m/s.
    pub(super) step_m_s: f64,
    /// Wheels that it was compared with; none: with its own course.
    pub(super) partners: usize,
}

fn metres_per_second(series: &Series) -> Option<f64> {
    series.unit.convert(1.0, &Unit::named("km/h")).map(|scale| scale / 3.6)
}

/// Compares `wheel` with the mean of `others`, or with its own course when there are fewer than two of them: with one
/// other wheel an error cannot be told from the other's.
///
/// `None` when the wheel was not recorded.
pub(super) fn of(recording: &Recording, wheel: usize, others: &[usize]) -> Option<Track> {
    let own = recording.series(WHEELS[wheel])?;
    let scale = metres_per_second(own)?;
    let interval_s = own.median_interval_s()?;
    let mut others: Vec<(&Series, f64)> = others
        .iter()
        .filter_map(|&i| recording.series(WHEELS[i]))
        .filter_map(|series| Some((series, metres_per_second(series)?)))
        .collect();
    if others.len() < 2 {
        others.clear();
    }
    // The usual one of the wheels: an error that jumps from sample to sample looks like a coarse step.
    let mut steps: Vec<f64> = others.iter().map(|(series, scale)| quantum::step_of(&series.value) * scale).collect();
    steps.push(quantum::step_of(&own.value) * scale);
    let step_m_s = robust::median(&mut steps)?;
    let mut track = Track { stretches: Vec::new(), interval_s, step_m_s, partners: others.len() };
    let times: Vec<_> = others.iter().map(|(series, _)| taken_ns(series)).collect();
    let mut cursors: Vec<(Cursor<'_>, f64)> = others
        .iter()
        .zip(&times)
        .map(|((series, scale), t_ns)| {
            let longest_s = longest_join_s(series.median_interval_s().unwrap_or(0.0));
            (Cursor::new(t_ns, &series.value, longest_s), *scale)
        })
        .collect();
    let longest_s = longest_join_s(interval_s);
    let mut stretch: Vec<Raw> = Vec::new();
    let every = (own.len() / (MOST_READ / SLICE)).max(SLICE);
    for (k, (&t_ns, &value)) in taken_ns(own).iter().zip(&own.value).enumerate() {
        if k % every >= SLICE {
            continue;
        }
        let own_m_s = value * scale;
        let mut partners = [0.0; 3];
        let read = cursors.iter_mut().zip(&mut partners).all(|((cursor, scale), partner)| match cursor.at(t_ns) {
            Some(between) => {
                *partner = between.value * *scale;
                true
            }
            None => false,
        });
        let partners = &mut partners[..cursors.len().min(3)];
        if read && is_lost(own_m_s, partners) {
            continue;
        }
        let seen = (read && own_m_s.is_finite()).then(|| {
            let expected_m_s =
                if track.partners == 0 { own_m_s } else { partners.iter().sum::<f64>() / track.partners as f64 };
            Raw { t_s: seconds_from_nanos(t_ns), expected_m_s, own_m_s }
        });
        let rolls = seen.filter(|raw| raw.expected_m_s >= MIN_SPEED_KMH / 3.6);
        let joined = |raw: &Raw| stretch.last().is_none_or(|last| raw.t_s - last.t_s <= longest_s);
        match rolls {
            // Two values with one stamp would have no way between them.
            Some(raw) if stretch.last().is_some_and(|last| raw.t_s <= last.t_s) => {}
            Some(raw) if joined(&raw) => stretch.push(raw),
            rolls => {
                track.stretches.extend(rolled(&stretch, track.partners > 0));
                stretch.clear();
                stretch.extend(rolls);
            }
        }
    }
    track.stretches.extend(rolled(&stretch, track.partners > 0));
    Some(track)
}

/// Whether a value was lost at a moment: it says nothing of any ring then.
fn is_lost(own_m_s: f64, partners: &mut [f64]) -> bool {
    let Some(middle) = robust::median(partners) else { return false };
    partners.iter().any(|partner| (partner - middle).abs() > PARTNER_LOST * middle) || own_m_s < OWN_LOST * middle
}

/// A moment before the slow part is taken out.
#[derive(Clone, Copy)]
struct Raw {
    t_s: f64,
    expected_m_s: f64,
    own_m_s: f64,
}

/// Takes out the slow part and integrates the way; `None` for less than one slow mean.
fn rolled(stretch: &[Raw], compared: bool) -> Option<Vec<Point>> {
    if stretch.len() < SLOW_SAMPLES {
        return None;
    }
    let way = |speed: &dyn Fn(usize) -> f64| {
        let mut at_m = 0.0;
        let mut all = vec![0.0];
        for k in 1..stretch.len() {
            at_m += 0.5 * (speed(k) + speed(k - 1)) * (stretch[k].t_s - stretch[k - 1].t_s);
            all.push(at_m);
        }
        all
    };
    let error = |k: usize| stretch[k].own_m_s - if compared { stretch[k].expected_m_s } else { 0.0 };
    let rough_m = way(&|k| stretch[k].expected_m_s);
    // For the way only what turns and tyres explain counts: a tooth that is missing does not slow the wheel down.
    let tame = |k: usize| {
        let limit = if compared { LARGEST_TURN * stretch[k].expected_m_s } else { f64::INFINITY };
        error(k).clamp(-limit, limit)
    };
    let mut sums = vec![(0.0, 0.0)];
    for k in 0..stretch.len() {
        let sum: (f64, f64) = sums[k];
        sums.push((sum.0 + error(k), sum.1 + tame(k)));
    }
    let (mut from, mut to) = (0, 0);
    let slow: Vec<(f64, f64, usize)> = (0..stretch.len())
        .map(|k| {
            while rough_m[from] < rough_m[k] - SLOW_M / 2.0 {
                from += 1;
            }
            while to < stretch.len() && rough_m[to] <= rough_m[k] + SLOW_M / 2.0 {
                to += 1;
            }
            // At the ends the mean stays symmetric: a one-sided one would lag behind every change of speed.
            let reach = (k - from).max(to - 1 - k).max(SLOW_SAMPLES / 2).min(k).min(stretch.len() - 1 - k);
            let (low, high, n) = (sums[k - reach], sums[k + reach + 1], (2 * reach + 1) as f64);
            ((high.0 - low.0) / n, (high.1 - low.1) / n, reach)
        })
        .collect();
    // The way by the wheel's own speed without its quick error: quick errors are not equally spread over a turn when the
    // samples are few, and would add up.
    let own_m_s = |k: usize| slow[k].1 + if compared { stretch[k].expected_m_s } else { 0.0 };
    let way_m = way(&own_m_s);
    let points = (0..stretch.len()).map(|k| Point {
        t_s: stretch[k].t_s,
        rolled_m: way_m[k],
        speed_m_s: own_m_s(k).max(0.1),
        error_m_s: error(k) - slow[k].0,
        reach: slow[k].2,
    });
    Some(points.collect())
}
