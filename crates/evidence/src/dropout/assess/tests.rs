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
        // Away for 3 s and for 12 s: no car that lost 72 km/h with 1 g and more comes back with as much. 49 / 3.6 / 1.1 = 12.37,
        // and 38 / 3.6 / 1.1 = 9.6 is less than 1 g.
        (1.0, 72.0, 0.0, 2, Some((UNUSUAL, false))),
        (1.0, 72.0, 0.0, 11, Some((UNUSUAL, false))),
        (1.0, 50.0, 0.0, 1, Some((UNUSUAL, false))),
        (1.0, 50.0, 0.0, 2, Some((UNUSUAL, false))),
        // Half of the speed for 3 s: it may be anything, but it is not sound.
        (1.0, 144.0, 72.0, 2, Some((OPEN, false))),
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
        // At 4 Hz nothing is too quick: a lone sample at zero is seldom, several in five seconds are open, one at idle is nothing.
        (0.25, 1900.0, 0.0, 1, Some((UNUSUAL, false))),
        (0.25, 1900.0, 0.0, 2, Some((OPEN, false))),
        (0.25, 1900.0, 0.0, 19, Some((OPEN, false))),
        (0.25, 1900.0, 0.0, 20, None),
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
    assert_weight(beside(11, other(second, 0.02, 0.0)), Some((CONTRADICTED, true)), "no foot could have been so slow");
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
