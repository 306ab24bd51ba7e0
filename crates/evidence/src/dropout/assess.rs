//! How strongly one excursion speaks for a lost value.

#[cfg(test)]
mod tests;

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
    // For a while it may spin on ice at a gentle pedal; no car comes back with 1 g from a speed that it lost with as much.
    let is_brief = (is_down || event.away_s(track) <= LONE_SAMPLE_S) && rate_m_s2 > GRAVITY_M_S2;
    let nobody_brakes = car_m_s2 < BRAKING_M_S2
        || (car_m_s2 < LIGHT_BRAKING_M_S2 && n_that_grip(track, tracks, event).is_some_and(|n| n >= 2));
    let is_calm = nobody_brakes && (is_down || before > SPIN_KMH);
    if is_brief && is_calm && depth.abs() > 0.5 * before {
        return seldom(UNUSUAL, GRAVITY_M_S2 * KMH_PER_M_S);
    }
    let is_open = rate_m_s2 > allowed_m_s2 || (is_brief && is_calm && is_down);
    if is_open { seldom(OPEN, allowed_m_s2 * KMH_PER_M_S) } else { None }
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
    // Off for a few samples it may have been stopped on purpose by a hybrid; that is no reason to call the signal sound.
    if is_stopped_at_speed && event.away_s(track) <= 2.0 * LONE_SAMPLE_S {
        return seldom(OPEN, limits.fastest_per_s);
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
