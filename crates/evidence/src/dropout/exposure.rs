//! For how long a loss would have been seen.

use super::track::Track;
use super::{PRIOR_LOG10_ODDS, REFERENCE_LOSS_S, REFERENCE_PER_S, STICK};
use crate::physics::{Family, GRAVITY_M_S2, KMH_PER_M_S, SENSOR_ALIVE_KMH, WHEEL_GRIP_M_S2, WHEEL_SLIP_GAIN};

/// Acceleration of ordinary driving for which the exposure of speeds is reckoned, m/s².
const ORDINARY_M_S2: f64 = 0.5;
/// Worth of a moment in which a loss would be noticed, but would be no proof by itself.
const HALF_SEEN: f64 = 0.35;

/// Time under observation.
#[derive(Debug, Clone, Copy)]
pub(super) struct Exposure {
    /// Seconds in which a loss to zero, or off the scale, would have stood out.
    pub(super) visible_s: f64,
    /// The same, weighted with the odds that a loss of the reference length meets a sample and is recognised.
    pub(super) effective_s: f64,
    /// Odds that a sample meets a loss of the reference length.
    pub(super) p_catch: f64,
    /// A loss of this length meets a sample for sure, seconds.
    pub(super) always_caught_s: f64,
}

impl Exposure {
    /// Effective seconds that are still lacking for "healthy".
    pub(super) fn lacking_s(&self) -> f64 {
        (needed_s() - self.effective_s).max(0.0)
    }
}

/// Effective seconds that "healthy" needs.
pub(super) fn needed_s() -> f64 {
    (1.0 + PRIOR_LOG10_ODDS) * std::f64::consts::LN_10 / REFERENCE_PER_S
}

/// Probability that a fault stays unseen for so many effective seconds.
pub(super) fn unseen(effective_s: f64) -> f64 {
    (-REFERENCE_PER_S * effective_s).exp()
}

/// Seconds in which a value that sticks must have been able to show for "healthy", when losses stayed unseen with a
/// probability below a tenth.
pub(super) fn stuck_needed_s(loss_unseen: f64) -> f64 {
    let left = (10f64.powf(-1.0 - PRIOR_LOG10_ODDS) - (1.0 - STICK) * loss_unseen) / STICK;
    -left.clamp(1e-3, 1.0).ln() / REFERENCE_PER_S
}

/// How well a loss to zero or off the scale would be seen at a value: 0 not at all, 1 as a proof.
pub(super) fn would_show_at(track: &Track<'_>, value: f64) -> f64 {
    if !value.is_finite() {
        return 0.0;
    }
    let between_s = track.interval_s + track.age_s();
    let Some(limits) = track.dynamics else {
        let stands_out = track.is_quantity && value.abs() > track.exceptional_change;
        return if stands_out { HALF_SEEN } else { 0.0 };
    };
    match limits.family {
        Family::Speed => {
            let rate_m_s2 = value / KMH_PER_M_S / between_s;
            if value < 1.5 * SENSOR_ALIVE_KMH || rate_m_s2 < GRAVITY_M_S2 {
                0.0
            } else if rate_m_s2 > WHEEL_GRIP_M_S2 + WHEEL_SLIP_GAIN * ORDINARY_M_S2 {
                1.0
            } else {
                HALF_SEEN
            }
        }
        Family::Engine if value < limits.smallest => 0.0,
        Family::Engine if 2.0 * between_s < limits.shortest_return_s => 1.0,
        Family::Engine if value > 1300.0 => HALF_SEEN,
        Family::Engine => 0.0,
        Family::Pedal | Family::Throttle => {
            let rests_above_zero = track.stop.is_some();
            let is_quick_enough = value > limits.smallest && 2.0 * between_s < limits.shortest_return_s;
            f64::from(u8::from(rests_above_zero || is_quick_enough))
        }
        // A scale that begins below zero at the same size as it ends above has its zero in ordinary use.
        Family::Other if limits.living.0 > -limits.living.1 => {
            f64::from(u8::from(value - limits.living.0 > limits.smallest))
        }
        Family::Other if value.abs() > limits.smallest => HALF_SEEN,
        Family::Other => 0.0,
    }
}

/// The most that a moment of this signal can be worth, quick sampling granted.
pub(super) fn best_worth(track: &Track<'_>) -> f64 {
    let has_zero_within = |(least, most): (f64, f64)| least <= -most;
    match &track.dynamics {
        Some(limits) if limits.family != Family::Other || !has_zero_within(limits.living) => 1.0,
        _ => HALF_SEEN,
    }
}

/// One pass over the samples. The odds of catching are those of irregular sampling: sum of min(d, T) over sum of T.
pub(super) fn of(track: &Track<'_>) -> Exposure {
    let (mut visible_s, mut worth_s, mut caught_s, mut total_s) = (0.0, 0.0, 0.0, 0.0);
    let longest_s = track.longest_gap_s();
    let n = track.len();
    // The worth of a moment changes slowly: it is asked for every few samples only, and held between.
    let stride = (0.05 / track.interval_s.max(1e-3)).clamp(1.0, 16.0) as usize;
    let mut worth = 0.0;
    let t_ns = &track.series.t_ns;
    for idx in 1..n {
        let gap_s = t_ns[idx].saturating_sub(t_ns[idx - 1]) as f64 * 1e-9;
        if gap_s > longest_s {
            continue;
        }
        if idx % stride == 0 || idx < stride {
            worth = would_show_at(track, track.value(idx - 1));
        }
        total_s += gap_s;
        caught_s += gap_s.min(REFERENCE_LOSS_S);
        if worth > 0.0 {
            visible_s += gap_s;
            worth_s += worth * gap_s.min(REFERENCE_LOSS_S);
        }
    }
    let is_held = track.hold_s > 1.5 * track.interval_s;
    // A value that is renewed more slowly than it is polled meets a loss only when it is renewed.
    let held_share = if is_held { (track.interval_s.max(REFERENCE_LOSS_S) / track.hold_s).min(1.0) } else { 1.0 };
    let mean_share = if total_s > 0.0 { (caught_s / total_s).min(1.0) } else { 0.0 };
    Exposure {
        visible_s,
        effective_s: worth_s * held_share,
        p_catch: mean_share * held_share,
        always_caught_s: if is_held { track.hold_s } else { track.interval_s },
    }
}
