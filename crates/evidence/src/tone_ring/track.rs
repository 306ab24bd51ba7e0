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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::made::series;

    fn about(found: f64, expected: f64) {
        assert!((found - expected).abs() < 1e-9, "{found} for {expected}");
    }

    #[test]
    fn values_that_were_lost() {
        let lost = |own: f64, partners: [f64; 3]| is_lost(own, &mut partners.clone());
        assert!(
            !lost(10.0, [10.0; 3]) && !lost(4.6, [10.0; 3]) && lost(4.4, [10.0; 3]),
            "a missing tooth reads a half"
        );
        assert!(!lost(10.0, [10.0, 10.0, 11.9]) && lost(10.0, [10.0, 10.0, 12.1]) && lost(10.0, [10.0, 7.9, 10.0]));
        assert!(!is_lost(0.0, &mut []), "nobody to tell");
    }

    /// 8 m/s for 200 samples of an eighth of a second, a metre each; the slow part is the mean over 6 m to either side, 13 samples.
    #[test]
    fn the_quick_part_of_an_error() {
        let of = |compared: bool, error: &dyn Fn(usize) -> f64| {
            let raw: Vec<Raw> =
                (0..200).map(|k| Raw { t_s: 0.125 * k as f64, expected_m_s: 8.0, own_m_s: 8.0 + error(k) }).collect();
            rolled(&raw, compared).unwrap()
        };
        // A tyre that is a thirty-second smaller: no quick error, and the way by its own scale.
        let small = of(true, &|_| 0.25);
        assert!(small.iter().all(|point| point.error_m_s.abs() < 1e-9));
        about(small[100].speed_m_s, 8.25);
        about(small[100].rolled_m, 103.125);
        assert_eq!([0, 3, 6, 100, 193, 197, 199].map(|k| small[k].reach), [0, 3, 6, 6, 6, 2, 0], "even at the ends");
        // A spike of 1.3 m/s is 0.1 of each mean around it; of the way it counts for no more than a turn explains, 0.4 / 13.
        let spike = of(true, &|k| if k == 100 { 1.3 } else { 0.0 });
        about(spike[100].error_m_s, 1.2);
        [94, 106].into_iter().for_each(|k| about(spike[k].error_m_s, -0.1));
        [93, 107].into_iter().for_each(|k| about(spike[k].error_m_s, 0.0));
        about(spike[100].speed_m_s, 8.0 + 0.4 / 13.0);
        about(spike[199].rolled_m, 199.0 + 0.4 * 0.125);
        // Alone, its own course takes the place of the others.
        let alone = of(false, &|k| if k == 100 { 1.3 } else { 0.0 });
        about(alone[100].error_m_s, 1.2);
        about(alone[100].speed_m_s, 8.0 + 0.1);
        // More quickly sampled the mean has more of them: seven at least, however far apart.
        let quick = |step_s: f64| {
            let raw: Vec<Raw> =
                (0..400).map(|k| Raw { t_s: step_s * f64::from(k), expected_m_s: 8.0, own_m_s: 8.0 }).collect();
            rolled(&raw, true).unwrap()[200].reach
        };
        assert_eq!([quick(0.0625), quick(0.375), quick(1.0)], [12, 3, 3]);
        assert!(rolled(&[Raw { t_s: 0.0, expected_m_s: 10.0, own_m_s: 10.0 }; 6], true).is_none());
    }

    #[test]
    fn stretches_end_at_holes_and_below_walking_speed() {
        let drive = |value: &dyn Fn(usize, usize) -> f64| Recording {
            series: (0..4).map(|which| series(WHEELS[which], "km/h", 0.125, 400, |k| value(which, k))).collect(),
            ..Recording::default()
        };
        let lengths = |recording: &Recording, others: &[usize]| {
            of(recording, 0, others).unwrap().stretches.iter().map(Vec::len).collect::<Vec<_>>()
        };
        let steady = drive(&|_, k| 28.8 + 0.1 * (k % 2) as f64);
        let track = of(&steady, 0, &[1, 2, 3]).unwrap();
        assert_eq!((track.partners, track.stretches.len(), track.stretches[0].len()), (3, 1, 400));
        about(track.interval_s, 0.125);
        about(track.step_m_s, 0.1 / 3.6);
        // With one other wheel nobody knows whose an error is: it is compared with its own course.
        assert_eq!(
            [of(&steady, 0, &[1, 2]), of(&steady, 0, &[1]), of(&steady, 0, &[])].map(|t| t.unwrap().partners),
            [2, 0, 0]
        );
        // Its error is what the mean of the others does not have.
        let faster = drive(&|which, k| 28.8 + if which == 0 && k == 200 { 3.6 } else { 0.0 });
        about(of(&faster, 0, &[1, 2, 3]).unwrap().stretches[0][200].error_m_s, 1.0 - 1.0 / 13.0);
        let partner = drive(&|which, k| 28.8 + if which == 2 && k == 200 { 3.6 } else { 0.0 });
        // A third of the spike of one of three; and the way is a little longer there, so that six metres end a sample earlier.
        about(of(&partner, 0, &[1, 2, 3]).unwrap().stretches[0][200].error_m_s, -(1.0 - 1.0 / 11.0) / 3.0);
        // Slower than 10 km/h it is not judged; a lost value is left out, a hole of more than four intervals parts.
        assert_eq!(lengths(&drive(&|_, k| if (100..150).contains(&k) { 9.9 } else { 28.8 }), &[1, 2, 3]), [100, 250]);
        assert_eq!(lengths(&drive(&|which, k| if which == 0 && k == 100 { 0.0 } else { 28.8 }), &[1, 2, 3]), [399]);
        let mut hole = steady;
        hole.series.iter_mut().for_each(|series| series.t_ns.iter_mut().skip(150).for_each(|t| *t += 380_000_000));
        assert_eq!(lengths(&hole, &[1, 2, 3]), [150, 250]);
        assert!(of(&Recording::default(), 0, &[1]).is_none());
    }
}
