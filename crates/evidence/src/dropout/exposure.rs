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

#[cfg(test)]
mod tests {
    use signal::Series;

    use super::*;
    use crate::made::series;

    const WHEEL: &str = "wheel.speed.rear_right";

    /// Worth of a moment at a level that is sampled so often.
    fn worth(id: &str, unit: &str, interval_s: f64, level: f64) -> f64 {
        let series = series(id, unit, interval_s, 50, |_| level);
        let track = Track::new(&series).unwrap();
        would_show_at(&track, track.value(0))
    }

    /// Four losses a minute stay away by chance for exp(-t / 15 s): a tenth is ln 10 15 s = 34.5 s.
    #[test]
    fn how_long_nothing_must_be_lost() {
        assert!((needed_s() - 34.539).abs() < 1e-3);
        assert!((unseen(15.0) - (-1.0_f64).exp()).abs() < 1e-12 && unseen(0.0) == 1.0);
        assert!((unseen(needed_s()) - 0.1).abs() < 1e-12);
        // Of the faults a fifth sticks: what is left of both kinds is a tenth together, for any time without a loss.
        for effective_s in [35.0, 40.0, 60.0, 200.0] {
            let loss = unseen(effective_s);
            let stuck = unseen(stuck_needed_s(loss));
            assert!((0.8 * loss + 0.2 * stuck - 0.1).abs() < 1e-9, "{effective_s} s: {loss} {stuck}");
        }
        // The more losses may still be unseen, the longer; where they alone are more than a tenth the time has an end.
        assert!(stuck_needed_s(0.1) > stuck_needed_s(0.01) && stuck_needed_s(1.0).is_finite());
        let lacking =
            |effective_s| Exposure { visible_s: 0.0, effective_s, p_catch: 0.0, always_caught_s: 0.0 }.lacking_s();
        assert!((lacking(14.539) - 20.0).abs() < 1e-3 && lacking(90.0) == 0.0);
    }

    /// Rate of a loss to zero, v / 3.6 over interval and age of the stamp (0.1 s at most): 1 g notices it, the grip of a wheel in
    /// ordinary driving, 15 + 50 0.5 = 40 m/s2, is exceeded as a proof.
    #[test]
    fn what_a_moment_of_a_speed_is_worth() {
        for (interval_s, kmh, expected) in [
            // Over 1.1 s: 8.8, 9.97, 39.9 and 40.2 m/s2.
            (1.0, 35.0, 0.0),
            (1.0, 39.5, HALF_SEEN),
            (1.0, 158.0, HALF_SEEN),
            (1.0, 159.0, 1.0),
            // Over 0.2 s the least speed is 28.8 km/h.
            (0.1, 28.5, HALF_SEEN),
            (0.1, 29.0, 1.0),
            // Half more than the speed at which sensors fall silent.
            (0.02, 14.9, 0.0),
            (0.02, 15.1, 1.0),
        ] {
            assert_eq!(worth(WHEEL, "km/h", interval_s, kmh), expected, "{kmh} km/h each {interval_s} s");
            assert_eq!(worth(WHEEL, "m/s", interval_s, kmh / 3.6), expected, "{kmh} km/h in m/s");
        }
        assert_eq!(worth(WHEEL, "km/h", 0.02, f64::NAN), 0.0);
    }

    /// An engine returns within 0.5 s at the earliest: twice interval and age must be less. A foot takes 0.17 s.
    #[test]
    fn what_a_moment_of_other_signals_is_worth() {
        for (id, unit, interval_s, level, expected) in [
            ("engine.speed", "rpm", 0.12, 900.0, 1.0),
            ("engine.speed", "rpm", 0.16, 900.0, 0.0),
            ("engine.speed", "rpm", 0.16, 1400.0, HALF_SEEN),
            ("engine.speed", "rpm", 0.12, 390.0, 0.0),
            ("pedal.position_1", "%", 0.04, 50.0, 1.0),
            ("pedal.position_1", "%", 0.045, 50.0, 0.0),
            ("pedal.position_1", "%", 0.04, 9.0, 0.0),
            // 5 kPa are the end of the scale and 20 the least that counts.
            ("intake.manifold_pressure", "kPa", 0.5, 24.0, 0.0),
            ("intake.manifold_pressure", "kPa", 0.5, 26.0, 1.0),
            // Zero is within what a steering wheel does.
            ("steering.angle", "deg", 0.1, 29.0, 0.0),
            ("steering.angle", "deg", 0.1, -31.0, HALF_SEEN),
            ("custom.level", "1", 0.1, 1e6, 0.0),
        ] {
            assert_eq!(worth(id, unit, interval_s, level), expected, "{id} at {level} each {interval_s} s");
        }
        // A track that rests above zero shows any loss, however slowly it is sampled.
        let pressed = |k: usize| if k % 50 < 40 { 15.0 } else { 40.0 };
        let analogue = series("pedal.position_1", "%", 0.1, 200, pressed);
        assert_eq!(would_show_at(&Track::new(&analogue).unwrap(), 15.0), 1.0);
        // Unknown physics: far out of its own changes, if it is a quantity.
        let wave =
            |states: f64| series("custom.level", "1", 0.1, 400, move |k| (states * (k as f64 / 9.0).sin()).round());
        let at = |series: &Series, value: f64| would_show_at(&Track::new(series).unwrap(), value);
        assert_eq!((at(&wave(50.0), 200.0), at(&wave(50.0), 20.0), at(&wave(2.0), 200.0)), (HALF_SEEN, 0.0, 0.0));
    }

    #[test]
    fn the_best_that_a_signal_can_show() {
        for (id, unit, expected) in [
            (WHEEL, "km/h", 1.0),
            ("engine.speed", "rpm", 1.0),
            ("coolant.temperature", "degC", 1.0),
            ("yaw.rate", "deg/s", HALF_SEEN),
            ("custom.level", "1", HALF_SEEN),
        ] {
            assert_eq!(best_worth(&Track::new(&series(id, unit, 0.1, 50, |_| 1.0)).unwrap()), expected, "{id}");
        }
    }

    /// A loss of 0.1 s meets a sample with min(1, 0.1 / interval), of irregular ones with the sum of min(0.1, T) over that of T.
    #[test]
    fn the_exposure_of_a_drive() {
        let of_wheel = |interval_s: f64, n: usize, kmh: &dyn Fn(usize) -> f64| {
            of(&Track::new(&series(WHEEL, "km/h", interval_s, n, kmh)).unwrap())
        };
        let about = |found: f64, expected: f64| assert!((found - expected).abs() < 1e-6, "{found} for {expected}");
        let quick = of_wheel(0.05, 401, &|_| 80.0);
        about(quick.visible_s, 20.0);
        about(quick.effective_s, 20.0);
        about(quick.p_catch, 1.0);
        about(quick.always_caught_s, 0.05);
        // At 1 Hz a tenth of the losses, each worth half a proof at 80 km/h.
        let slow = of_wheel(1.0, 101, &|_| 80.0);
        about(slow.visible_s, 100.0);
        about(slow.effective_s, HALF_SEEN * 10.0);
        about(slow.p_catch, 0.1);
        about(slow.always_caught_s, 1.0);
        // Half of the time at rest.
        let stopped = of_wheel(0.25, 401, &|k| if k < 200 { 0.0 } else { 80.0 });
        about(stopped.visible_s, 50.0);
        about(stopped.effective_s, 20.0);
        about(stopped.p_catch, 0.4);
        // Every other interval three times as long: (0.1 + 0.1) / (0.1 + 0.3).
        let mut uneven = series(WHEEL, "km/h", 0.2, 400, |_| 80.0);
        uneven.t_ns.iter_mut().skip(1).step_by(2).for_each(|t| *t -= 100_000_000);
        let n = 400.0 / 2.0;
        about(of(&Track::new(&uneven).unwrap()).p_catch, (n + (n - 1.0)) * 0.1 / (n * 0.1 + (n - 1.0) * 0.3));
        // A hole is no exposure.
        let mut hole = series(WHEEL, "km/h", 0.05, 401, |_| 80.0);
        hole.t_ns.iter_mut().skip(200).for_each(|t| *t += 60_000_000_000);
        about(of(&Track::new(&hole).unwrap()).visible_s, 20.0 - 0.05);
    }

    /// A table of 20 rows a second shows each value for half a second: of losses of 0.1 s a fifth is met.
    #[test]
    fn rows_that_repeat_a_value_see_no_more() {
        let held = series(WHEEL, "km/h", 0.05, 1000, |k| 150.0 + 10.0 * ((k / 10) as f64 * 2.3).sin());
        let track = Track::new(&held).unwrap();
        assert!((track.hold_s - 0.5).abs() < 1e-9, "{}", track.hold_s);
        let exposure = of(&track);
        assert!((exposure.p_catch - 0.2).abs() < 1e-9, "{exposure:?}");
        assert!((exposure.effective_s - 0.2 * exposure.visible_s).abs() < 1e-6, "{exposure:?}");
        assert_eq!(exposure.always_caught_s, 0.5);
    }
}
