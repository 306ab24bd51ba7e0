//! How strongly one excursion speaks for a lost value.

use super::excursion::Excursion;
use super::track::Track;
use crate::physics::{
    EDGE_SHARE_FAST, EDGE_SHARE_SLOW, EDGE_SLOW_KMH, Family, GRAVITY_M_S2, KMH_PER_M_S, SENSOR_ALIVE_KMH,
    WHEEL_GRIP_M_S2, WHEEL_LIMIT_M_S2, WHEEL_SLIP_GAIN, WHEEL_SPIN_M_S2,
};
use crate::stats::robust;

/// Most that one event may count, log10 of the likelihood ratio. However impossible it looks, one in three hundred such
/// events may be something that this model does not know.
pub(super) const STRONGEST: f64 = 2.5;
/// A value that no working sensor can give.
const DEAD_VALUE: f64 = 2.4;
/// Something that a healthy machine does seldom, but can do: about one in five.
const UNUSUAL: f64 = 0.7;
/// A jump and return far out of the ordinary in a signal of unknown physics.
const STANDS_OUT: f64 = 0.5;
/// Beyond a limit, but not clearly: it speaks for neither side, and keeps the signal from being called healthy.
const OPEN: f64 = 0.0;
/// A redundant track that did not move.
const CONTRADICTED: f64 = 2.0;
/// Slowest cadence of two tracks that can contradict each other, seconds: nobody lifts a foot and puts it back between.
const SLOWEST_WITNESS_S: f64 = 0.1;
/// How long a position must have been held to count as held, seconds.
const PLATEAU_S: f64 = 0.1;
/// Limits are exceeded only when they are by this factor: they are for ordinary cars, and times are read off samples.
const CLEARLY: f64 = 1.5;
/// Above this the brakes may well be on, m/s²: coasting in gear stays below it (common practice, no source).
const BRAKING_M_S2: f64 = 0.7;
/// Above this wheels may slip on any wet road, m/s²; below it only where all of them would (common practice, no source).
const LIGHT_BRAKING_M_S2: f64 = 2.0;
/// How near another wheel's slip counts, seconds.
const SLIP_NEAR_S: f64 = 2.0;
/// Above this speed wheels do not spin while the car hardly accelerates, km/h (common practice, no source).
const SPIN_KMH: f64 = 40.0;
/// Stretches over which the car's acceleration is read, seconds.
const STRETCHES_S: [f64; 2] = [0.75, 2.5];
/// Longest absence, seconds, within which a lone slow sample counts at all: stop and start again take longer.
const LONE_SAMPLE_S: f64 = 2.5;
/// An engine that turns more slowly than this stands; starters turn at 150 rpm and more (common practice, no source).
const STANDING_RPM: f64 = 50.0;
/// Shortest cranking before an engine runs up, seconds (belt-driven starters; common practice, no source).
const CRANKING_S: f64 = 0.25;
/// Longest time that a curb or pothole shakes a wheel, seconds (wheel hop at 10-15 Hz dies out within two or three
/// cycles; common practice, no source).
const EDGE_LASTS_S: f64 = 0.25;

/// What an excursion is worth.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Weight {
    /// log10 of the likelihood ratio of a lost value over a healthy machine.
    pub(super) log10_lr: f64,
    /// Whether the machine cannot do it; otherwise it is merely seldom, and neighbours in time share one cause.
    pub(super) is_impossible: bool,
    /// The rate it took and the rate allowed, in the signal's unit per second; infinite where none is known.
    pub(super) allowed_per_s: f64,
}

/// `None` when a healthy machine does this.
pub(super) fn assess(track: &Track<'_>, tracks: &[Track<'_>], event: &Excursion) -> Option<Weight> {
    match track.family() {
        Some(Family::Speed) => speed(track, tracks, event),
        Some(_) => limited(track, tracks, event),
        None if track.is_quantity && stands_out(track, event) => {
            seldom(STANDS_OUT, track.exceptional_change / track.interval_s.max(1e-3))
        }
        None => None,
    }
}

/// Beyond a limit the odds of a healthy machine fall with the square of the excess for each of the two edges: heavy tails,
/// because the limits are for ordinary cars.
fn beyond(ratio: f64) -> f64 {
    (4.0 * ratio.log10()).min(STRONGEST)
}

fn impossible(log10_lr: f64, allowed_per_s: f64) -> Option<Weight> {
    Some(Weight { log10_lr, is_impossible: true, allowed_per_s })
}

fn seldom(log10_lr: f64, allowed_per_s: f64) -> Option<Weight> {
    Some(Weight { log10_lr, is_impossible: false, allowed_per_s })
}

fn speed(track: &Track<'_>, tracks: &[Track<'_>], event: &Excursion) -> Option<Weight> {
    let limits = track.dynamics?;
    let (before, after) = (track.value(event.before), track.value(event.after));
    let depth = event.depth(track);
    let is_down = depth < 0.0;
    if is_down && before.min(after) < SENSOR_ALIVE_KMH {
        return None;
    }
    let rate_m_s2 = event.rate_per_s / KMH_PER_M_S;
    let car_m_s2 = acceleration_m_s2(track, tracks, event);
    let mut allowed_m_s2 = (WHEEL_GRIP_M_S2 + WHEEL_SLIP_GAIN * car_m_s2).min(WHEEL_LIMIT_M_S2);
    if !is_down {
        allowed_m_s2 = allowed_m_s2.max(WHEEL_SPIN_M_S2);
    }
    if event.level > limits.living.1 && before.max(after) < 0.6 * limits.living.1 {
        return impossible(DEAD_VALUE, allowed_m_s2 * KMH_PER_M_S);
    }
    let share = if before < EDGE_SLOW_KMH { EDGE_SHARE_SLOW } else { EDGE_SHARE_FAST };
    if depth.abs() < share * before && event.away_s(track) < EDGE_LASTS_S {
        return None;
    }
    if rate_m_s2 > CLEARLY * allowed_m_s2 {
        return impossible(beyond(rate_m_s2 / allowed_m_s2), allowed_m_s2 * KMH_PER_M_S);
    }
    // Too slow a sampling to exclude a wheel that locked, or spun, and gripped again: but nobody was braking, and the car
    // was faster than cars spin their wheels.
    let is_brief = event.away_s(track) <= LONE_SAMPLE_S && rate_m_s2 > GRAVITY_M_S2;
    let nobody_brakes = car_m_s2 < BRAKING_M_S2
        || (car_m_s2 < LIGHT_BRAKING_M_S2 && n_that_grip(track, tracks, event).is_some_and(|n| n >= 2));
    let is_calm = nobody_brakes && (is_down || before > SPIN_KMH);
    if is_brief && is_calm && depth.abs() > 0.5 * before {
        return seldom(UNUSUAL, GRAVITY_M_S2 * KMH_PER_M_S);
    }
    if rate_m_s2 > allowed_m_s2 { seldom(OPEN, allowed_m_s2 * KMH_PER_M_S) } else { None }
}

/// Greatest acceleration, either sign, that the car may have had around an event, m/s², as all its recorded speeds see it.
fn acceleration_m_s2(track: &Track<'_>, tracks: &[Track<'_>], event: &Excursion) -> f64 {
    let (from_s, to_s) = (track.t_s(event.before), track.t_s(event.after));
    let speeds = tracks.iter().filter(|other| other.family() == Some(Family::Speed));
    let around = speeds.map(|speed| trend_m_s2(speed, from_s, to_s)).fold(0.0, f64::max);
    // A short stab at the brake shows in the event itself only.
    let lost = (track.value(event.after) - track.value(event.before)).abs() - track.step - 2.0 * track.usual_change;
    around.max(lost.max(0.0) / KMH_PER_M_S / (to_s - from_s).max(1e-3))
}

/// Greatest slope of one speed between stretches on both sides of `from_s..to_s`, m/s²: of medians, so that neighbouring
/// losses do not pass for motion; over short stretches and over longer ones, because braking on ice is slow and long.
fn trend_m_s2(track: &Track<'_>, from_s: f64, to_s: f64) -> f64 {
    let middle_of = |from_s: f64, to_s: f64| {
        let (from, to) = (track.after(from_s), track.after(to_s));
        let stride = ((to - from) / 64).max(1);
        let values =
            (from..to).step_by(stride).map(|idx| (track.t_s(idx), track.value(idx))).filter(|s| s.1.is_finite());
        let (mut times, mut speeds): (Vec<f64>, Vec<f64>) = values.unzip();
        Some((robust::median(&mut times)?, robust::median(&mut speeds)?))
    };
    let slope = |stretch_s: f64| {
        let edges =
            [from_s - 2.0 * stretch_s, from_s - stretch_s, from_s, to_s, to_s + stretch_s, to_s + 2.0 * stretch_s];
        let stretches = [(edges[0], edges[1]), (edges[1], edges[2]), (edges[3] - 1e-6, edges[4]), (edges[4], edges[5])];
        let points: Vec<(f64, f64)> = stretches.into_iter().filter_map(|(a, b)| middle_of(a, b)).collect();
        let rise = |pair: &[(f64, f64)]| (pair[1].1 - pair[0].1).abs() / (pair[1].0 - pair[0].0).max(0.1);
        points.windows(2).map(rise).fold(0.0, f64::max) / KMH_PER_M_S
    };
    STRETCHES_S.into_iter().map(|stretch_s| slope(stretch_s.max(2.0 * track.interval_s))).fold(0.0, f64::max)
}

/// How many other speeds ran without any slip around the event; `None` if one of them slipped.
fn n_that_grip(track: &Track<'_>, tracks: &[Track<'_>], event: &Excursion) -> Option<usize> {
    let (from_s, to_s) = (track.t_s(event.before) - SLIP_NEAR_S, track.t_s(event.after) + SLIP_NEAR_S);
    let others = tracks.iter().filter(|other| other.family() == Some(Family::Speed) && other.id() != track.id());
    let mut n = 0;
    for other in others {
        let (from, to) = (other.after(from_s), other.after(to_s));
        if to < from + 3 {
            continue;
        }
        let slips = |idx: usize| {
            let most = SENSOR_ALIVE_KMH + GRAVITY_M_S2 * KMH_PER_M_S * (other.t_s(idx + 1) - other.t_s(idx));
            (other.value(idx + 1) - other.value(idx)).abs() > most
        };
        if (from..to - 1).take(4096).any(slips) {
            return None;
        }
        n += 1;
    }
    Some(n)
}

/// Signals with a limit of their own.
fn limited(track: &Track<'_>, tracks: &[Track<'_>], event: &Excursion) -> Option<Weight> {
    let limits = track.dynamics?;
    let (before, depth) = (track.value(event.before), event.depth(track));
    let is_engine = limits.family == Family::Engine;
    if track.is_dead(event.level) {
        return impossible(DEAD_VALUE, limits.fastest_per_s);
    }
    let mut ratio = event.rate_per_s / limits.fastest_per_s;
    // An engine that speeds up and slows down has no least time, one that stops and starts again has.
    let has_least_time = limits.shortest_return_s > 0.0
        && if is_engine { event.level < 0.1 * before } else { is_from_plateau(track, event) };
    if has_least_time {
        let away_s = event.away_s(track) + track.age_s();
        ratio = ratio.max(limits.shortest_return_s / away_s.max(1e-3));
        // Straight from standstill to running, without cranking between.
        if is_engine && track.value(event.last) < STANDING_RPM {
            let start_s = CRANKING_S + track.value(event.after) / limits.fastest_per_s;
            ratio = ratio.max(start_s / track.longest_between_s(event.last, event.after).max(1e-3));
        }
    }
    let contradiction = if is_contradicted(track, tracks, event) { CONTRADICTED } else { 0.0 };
    if ratio > CLEARLY {
        return impossible((beyond(ratio) + contradiction).min(STRONGEST), limits.fastest_per_s);
    }
    if contradiction > 0.0 {
        return impossible(contradiction, limits.fastest_per_s);
    }
    // An engine that stops on purpose stays off for more than one slow sample, and does not come back as it went.
    let missed = (track.value(event.after) - before).abs();
    let is_stopped_at_speed =
        is_engine && before > 1300.0 && event.level < STANDING_RPM && depth < 0.0 && missed < 0.15 * before;
    if is_stopped_at_speed && event.first == event.last && event.away_s(track) <= LONE_SAMPLE_S {
        return seldom(UNUSUAL, limits.fastest_per_s);
    }
    if ratio > 1.0 { seldom(OPEN, limits.fastest_per_s) } else { None }
}

/// Whether another track of the same sensor stayed where it was while this one was away.
///
/// Stamps may be off by a cadence on either side (answers of one round often carry one common stamp), so the event must be
/// longer than two of them, and the sampling quick enough that nothing can go and return between two samples.
fn is_contradicted(track: &Track<'_>, tracks: &[Track<'_>], event: &Excursion) -> bool {
    let Some(limits) = track.dynamics else { return false };
    if !matches!(limits.family, Family::Pedal | Family::Throttle) {
        return false;
    }
    let depth = event.depth(track).abs();
    let lost_s = track.t_s(event.last) - track.t_s(event.first);
    tracks.iter().filter(|other| other.family() == track.family() && other.id() != track.id()).any(|other| {
        let cadence_s = track.hold_s.max(other.hold_s);
        if cadence_s > SLOWEST_WITNESS_S || lost_s < 2.0 * cadence_s {
            return false;
        }
        let from = other.after(track.t_s(event.before) - 1.5 * cadence_s);
        let to = other.after(track.t_s(event.after) + 1.5 * cadence_s);
        // Tracks move at least 0.4 times as far as each other (half-slope sensors, with a margin).
        let stays = |idx: usize| (other.value(idx) - other.value(from)).abs() < 0.1 * depth;
        to > from + 3 && (from..to.min(from + 4096)).all(stays)
    })
}

/// Whether the value stood still before and after, at one level: a steady foot that left and came back, not one that taps.
fn is_from_plateau(track: &Track<'_>, event: &Excursion) -> bool {
    let (before, depth) = (track.value(event.before), event.depth(track).abs());
    let n = ((PLATEAU_S / track.interval_s.max(1e-3)).ceil() as usize).clamp(2, 64);
    let mut around =
        (event.before.saturating_sub(n)..event.before).chain(event.after..(event.after + n + 1).min(track.len()));
    around.all(|idx| (track.value(idx) - before).abs() <= 0.1 * depth)
}

/// For signals of unknown physics: the levels on both sides lie inside what the signal does otherwise (an angle that wraps
/// sits at one end of it), and the excursion is far larger than any usual change.
fn stands_out(track: &Track<'_>, event: &Excursion) -> bool {
    let depth = event.depth(track).abs();
    let missed = (track.value(event.after) - track.value(event.before)).abs();
    event.is_flat && missed < 0.1 * depth && depth > track.exceptional_change
}

#[cfg(test)]
mod tests {
    use signal::Series;

    use super::super::excursion;
    use super::*;
    use crate::made::series;

    const WHEEL: &str = "wheel.speed.front_left";
    const OTHER: &str = "wheel.speed.front_right";
    const ENGINE: &str = "engine.speed";
    const PEDAL: &str = "pedal.position_1";

    /// Interval, level, lost value, samples, and what that is worth.
    type Case = (f64, f64, f64, usize, Worth);
    /// Strength, and whether the machine cannot do it.
    type Worth = Option<(f64, bool)>;

    /// A signal that stays at a level but for some samples in the middle.
    fn lost(id: &str, unit: &str, interval_s: f64, level: f64, to: f64, samples: usize) -> Series {
        series(id, unit, interval_s, 200, |k| if (100..100 + samples).contains(&k) { to } else { level })
    }

    /// What the one excursion of a signal beside others is worth.
    fn weight(own: &Series, others: &[Series]) -> Worth {
        let tracks: Vec<Track<'_>> = [own].into_iter().chain(others).map(|s| Track::new(s).unwrap()).collect();
        let found = excursion::find(&tracks[0]).unwrap();
        assert_eq!(found.len(), 1, "one loss of {}", own.id);
        assess(&tracks[0], &tracks, &found[0]).map(|weight| (weight.log10_lr, weight.is_impossible))
    }

    fn assert_weight(found: Worth, expected: Worth, of: &str) {
        let is_alike = match (found, expected) {
            (Some(a), Some(b)) => (a.0 - b.0).abs() < 5e-4 && a.1 == b.1,
            (a, b) => a == b,
        };
        assert!(is_alike, "{of}: {found:?} instead of {expected:?}");
    }

    /// By hand: the rate is (change - step of 1 km/h) / 3.6 over the interval and the age of the stamp (one interval, 0.1 s at
    /// most); a wheel with grip does 15 m/s2 and 50 times what the car does, one that is driven 136; what is clearly beyond (half
    /// more) counts 4 log10 of the ratio, 2.5 at most.
    #[test]
    fn what_a_jump_of_a_wheel_is_worth() {
        let cases: &[Case] = &[
            // 71 / 3.6 / 0.6 = 32.87 m/s2, 4 log10(32.87 / 15) = 1.3628.
            (0.5, 72.0, 0.0, 1, Some((1.3628, true))),
            // 71 / 3.6 / 1.1 = 17.93: not clearly beyond, but brief (2 s) and nobody braked.
            (1.0, 72.0, 0.0, 1, Some((UNUSUAL, false))),
            // Away for 3 s: beyond the limit, and no more than that. 49 / 3.6 / 1.1 = 12.37 is within.
            (1.0, 72.0, 0.0, 2, Some((OPEN, false))),
            (1.0, 50.0, 0.0, 1, Some((UNUSUAL, false))),
            (1.0, 50.0, 0.0, 2, None),
            // More than half was lost, or less.
            (1.0, 144.0, 70.0, 1, Some((UNUSUAL, false))),
            (1.0, 144.0, 80.0, 1, Some((OPEN, false))),
            // Up: 39 / 3.6 / 0.04 = 270.8 m/s2, 4 log10(270.8 / 136) = 1.1967.
            (0.02, 50.0, 90.0, 1, Some((1.1967, true))),
            // A wheel spins at 38 km/h, not at 42.
            (1.0, 38.0, 80.0, 1, None),
            (1.0, 42.0, 86.0, 1, Some((UNUSUAL, false))),
            // No car goes from 60 to 300 km/h; from 160 the rate tells: 139 / 3.6 / 0.6 = 64 m/s2.
            (0.5, 60.0, 300.0, 1, Some((DEAD_VALUE, true))),
            (0.5, 160.0, 300.0, 1, Some((UNUSUAL, false))),
            // An edge of the road shakes a wheel for a quarter of a second, by 55 % below 30 km/h and by 30 % above.
            (0.02, 25.0, 12.5, 2, None),
            (0.02, 25.0, 11.0, 2, Some((STRONGEST, true))),
            (0.02, 50.0, 36.0, 2, None),
            (0.02, 50.0, 34.0, 2, Some((STRONGEST, true))),
            (0.02, 50.0, 36.0, 14, Some((STRONGEST, true))),
        ];
        for (interval_s, level, to, samples, expected) in cases {
            let found = weight(&lost(WHEEL, "km/h", *interval_s, *level, *to, *samples), &[]);
            assert_weight(found, *expected, &format!("{level} to {to} km/h, {samples} of {interval_s} s"));
            // The same in m/s: units change nothing.
            let found = weight(&lost(WHEEL, "m/s", *interval_s, level / 3.6, to / 3.6, *samples), &[]);
            assert_weight(found, *expected, &format!("{level} to {to} km/h in m/s, {samples} of {interval_s} s"));
        }
        for (before, after, expected) in [(9.5, 9.5, None), (12.0, 9.5, None), (12.0, 12.0, Some((2.5, true)))] {
            let asleep = series(WHEEL, "km/h", 0.02, 200, |k| match k {
                ..100 => before,
                100 => -0.9,
                _ => after,
            });
            assert_weight(weight(&asleep, &[]), expected, "sensors fall silent below 10 km/h");
        }
    }

    /// Other wheels of a car that slows down for 20 s around the loss, and one that slips there.
    fn slowing(id: &str, m_s2: f64, slips_at_s: Option<usize>) -> Series {
        series(id, "km/h", 1.0, 200, |k| {
            let v = 150.0 - 3.6 * m_s2 * (k.clamp(90, 110) - 90) as f64;
            if slips_at_s == Some(k) { v - 55.0 } else { v }
        })
    }

    /// 72 km/h lost for a second at 1 Hz, 17.93 m/s2: a wheel that locks and grips again does it too when the car is braked.
    #[test]
    fn braking_excuses_a_lost_sample() {
        let own = lost(WHEEL, "km/h", 1.0, 72.0, 0.0, 1);
        let two = |m_s2: f64, slips_at_s| [slowing(OTHER, m_s2, None), slowing("vehicle.speed", m_s2, slips_at_s)];
        assert_weight(weight(&own, &two(0.0, None)), Some((UNUSUAL, false)), "a steady car");
        // 15 + 50 0.6 = 45 m/s2 are allowed, but coasting locks no wheel.
        assert_weight(weight(&own, &two(0.6, None)), Some((UNUSUAL, false)), "coasting");
        assert_weight(weight(&own, &two(1.0, None)), Some((UNUSUAL, false)), "light braking, the others grip");
        assert_weight(weight(&own, &two(2.5, None)), None, "braking");
        assert_weight(weight(&own, &[slowing(OTHER, 1.0, None)]), None, "one that grips is too few");
        assert_weight(weight(&own, &two(1.0, Some(102))), None, "another slipped within two seconds");
        assert_weight(weight(&own, &two(1.0, Some(106))), Some((UNUSUAL, false)), "another slipped five seconds later");
        // 0.5 s apart the loss took 32.87 m/s2: 15 + 50 0.1 = 20 are allowed, 4 log10(32.87 / 20) = 0.863.
        let own = lost(WHEEL, "km/h", 0.5, 72.0, 0.0, 1);
        let slow = series(OTHER, "km/h", 0.5, 200, |k| 100.0 - 3.6 * 0.1 * 0.5 * k as f64);
        assert_weight(weight(&own, &[slow]), Some((0.863, true)), "0.1 m/s2");
    }

    /// The middles of two stretches of 0.75 s before an event, or after it, lie 0.75 s apart: of 1 m/s2 that lasts for one of
    /// the stretches they see half. Those of 2.5 s see less.
    #[test]
    fn the_cars_own_acceleration_around_an_event() {
        let car = |from_s: f64| {
            series("vehicle.speed", "km/h", 0.02, 1000, |k| 90.0 - 3.6 * (0.02 * k as f64 - from_s).clamp(0.0, 0.75))
        };
        let trend = |series: &Series| trend_m_s2(&Track::new(series).unwrap(), 10.0, 10.1);
        for from_s in [8.5, 9.25, 10.1, 10.85] {
            assert!((trend(&car(from_s)) - 0.5).abs() < 0.02, "{from_s}: {}", trend(&car(from_s)));
        }
        // Steadily it is seen as it is, in either direction, and losses among the samples do not count.
        for m_s2 in [-2.0, 0.05, 2.0] {
            let steady = series("vehicle.speed", "km/h", 0.02, 1000, |k| {
                if k % 10 == 0 { 0.0 } else { 90.0 + 3.6 * m_s2 * 0.02 * (k as f64 - 500.0) }
            });
            assert!((trend(&steady) - f64::abs(m_s2)).abs() < 0.01 + 0.02 * f64::abs(m_s2), "{}", trend(&steady));
        }
        // Long and slow: 0.3 m/s2 from 5 s before to the event.
        let long =
            series("vehicle.speed", "km/h", 0.02, 1000, |k| 90.0 - 3.6 * 0.3 * (0.02 * k as f64 - 5.0).clamp(0.0, 5.0));
        assert!((trend(&long) - 0.3).abs() < 0.01, "{}", trend(&long));
    }

    /// By hand for 2000 rpm at 10 Hz (rates over 0.2 s; returns count the stamp's 0.1 s): away and back takes 0.5 s, from
    /// standstill 0.25 s of cranking and 2000 / 20 000 s.
    #[test]
    fn what_a_jump_of_the_engine_is_worth() {
        let cases: &[Case] = &[
            // max(0.5 / 0.3, 0.35 / 0.2) = 1.75, 4 log10 of it.
            (0.1, 2000.0, 0.0, 1, Some((0.9722, true))),
            // 0.5 / 0.3 alone.
            (0.1, 2000.0, 100.0, 1, Some((0.8874, true))),
            // Cranking still takes 0.35 s when it is away for longer; else 0.5 / 0.4 is not clear.
            (0.1, 2000.0, 0.0, 2, Some((0.9722, true))),
            (0.1, 2000.0, 100.0, 2, Some((OPEN, false))),
            (0.1, 2000.0, 100.0, 4, None),
            // Not far enough down to have stopped: it only slowed down.
            (0.1, 2000.0, 250.0, 1, None),
            // At 4 Hz nothing is too quick: a lone sample at zero is seldom, two are not, nor is one at idle.
            (0.25, 1900.0, 0.0, 1, Some((UNUSUAL, false))),
            (0.25, 1900.0, 0.0, 2, None),
            (0.25, 1200.0, 0.0, 1, None),
            // No engine turns at 16 383 rpm.
            (0.25, 1900.0, 16_383.0, 1, Some((DEAD_VALUE, true))),
        ];
        for (interval_s, level, to, samples, expected) in cases {
            let found = weight(&lost(ENGINE, "rpm", *interval_s, *level, *to, *samples), &[]);
            assert_weight(found, *expected, &format!("{level} to {to} rpm, {samples} of {interval_s} s"));
        }
        let back_at = |after: f64| {
            series(ENGINE, "rpm", 0.25, 200, |k| match k {
                ..100 => 1900.0,
                100 => 0.0,
                _ => after,
            })
        };
        assert_weight(weight(&back_at(1700.0), &[]), Some((UNUSUAL, false)), "back within 15 %");
        assert_weight(weight(&back_at(1500.0), &[]), None, "a stop and a start");
    }

    /// A foot that leaves 50 % for 20 % and is back takes 0.17 s: with one sample of 20 ms lost it took 0.06 s by the stamps, 4 log10(0.17
    /// / 0.06) = 1.809; with three 0.1 s, 0.922.
    #[test]
    fn what_a_jump_of_a_pedal_is_worth() {
        let own = |samples| lost(PEDAL, "%", 0.02, 50.0, 20.0, samples);
        assert_weight(weight(&own(1), &[]), Some((1.8092, true)), "one sample");
        assert_weight(weight(&own(3), &[]), Some((0.9218, true)), "three");
        assert_weight(weight(&own(11), &[]), None, "0.24 s");
        // A foot that was moving is no plateau: 3 % before and after.
        let tapping = |around: usize, by: f64| {
            series(PEDAL, "%", 0.02, 200, |k| {
                if k == 100 {
                    20.0
                } else if k == around {
                    50.0 + by
                } else {
                    50.0
                }
            })
        };
        for around in [95, 105] {
            assert_weight(weight(&tapping(around, 3.5), &[]), None, "it moved just before or after");
            assert_weight(weight(&tapping(around, 2.5), &[]), Some((1.8092, true)), "it hardly moved");
        }
        for around in [92, 108] {
            assert_weight(weight(&tapping(around, 3.5), &[]), Some((1.8092, true)), "it moved well before or after");
        }
        // The other track, which moves half as far, did not.
        let other = |id: &str, interval_s: f64, by: f64| {
            let n = (4.0 / interval_s) as usize;
            let is_away = move |k: usize| (1.98..2.5).contains(&(k as f64 * interval_s));
            series(id, "%", interval_s, n, move |k| if is_away(k) { 15.0 - by } else { 15.0 })
        };
        let beside = |samples, other: Series| weight(&own(samples), &[other]);
        let second = "pedal.position_2";
        assert_weight(beside(1, other(second, 0.02, 0.0)), Some((1.8092, true)), "stamps may be off by as much");
        assert_weight(beside(3, other(second, 0.02, 0.0)), Some((STRONGEST, true)), "0.922 and 2");
        assert_weight(
            beside(11, other(second, 0.02, 0.0)),
            Some((CONTRADICTED, true)),
            "no foot could have been so slow",
        );
        assert_weight(beside(11, other(second, 0.02, 2.5)), Some((CONTRADICTED, true)), "less than a tenth of it");
        assert_weight(beside(11, other(second, 0.02, 12.0)), None, "it went along");
        for (at, expected) in [(96, Some((2.0, true))), (98, None), (112, None), (114, Some((2.0, true)))] {
            let moves = series(second, "%", 0.02, 200, |k| if k == at { 8.0 } else { 15.0 });
            assert_weight(
                beside(11, moves),
                expected,
                "one that moves within one and a half cadences of it does not contradict",
            );
        }
        assert_weight(beside(11, other("throttle.position_1", 0.02, 0.0)), None, "another part");
        assert_weight(beside(11, other(second, 0.125, 0.0)), None, "too slow a witness");
    }

    /// A signal of unknown physics: seldom, never proof, and only where it is far beyond its own habits and comes back.
    #[test]
    fn what_a_jump_of_an_unknown_signal_is_worth() {
        let unknown = |to: f64, after: f64, states: f64| {
            series("custom.angle", "deg", 0.1, 600, move |k| match k {
                300 => to,
                301 => after,
                _ => ((20.0 * (k as f64 / 40.0).sin()) * states).round() / states,
            })
        };
        let level = |k: f64| (20.0 * (k / 40.0).sin() * 100.0).round() / 100.0;
        assert_weight(weight(&unknown(150.0, level(301.0), 100.0), &[]), Some((STANDS_OUT, false)), "far off");
    }
}
