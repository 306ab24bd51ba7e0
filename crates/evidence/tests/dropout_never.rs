//! What is never a dropout, however it looks: each situation from textbook physics, sampled at several rates.
//!
//! Sources: wheel dynamics from torque, inertia and grip (quarter car: 375 kg and 1 kg m² per wheel of 0.30 m); sensors that
//! go silent below 3-8 km/h, slip events of 30-100 m/s², foot and engine times: common practice, no source.

mod common;

use common::{Course, Rng, Samples, WHEELS, assert_consistent, examined, findings, recording, sampled};
use evidence::{Kind, Verdict};
use signal::{Gap, nanos_from_seconds};

const RATES_HZ: [f64; 6] = [1.0, 2.0, 5.0, 10.0, 20.0, 50.0];
const STEPS: [f64; 3] = [0.01, 0.1, 1.0];

/// Nobody is accused, at any rate and in any step.
fn nobody_is_accused(what: &str, seconds: f64, signals: &[Course<'_>]) {
    for rate_hz in RATES_HZ {
        for step in STEPS {
            let of = |f: &dyn Fn(f64) -> f64| sampled(rate_hz, seconds, step, f);
            let signals: Vec<_> = signals.iter().map(|(id, unit, f)| (*id, *unit, of(*f))).collect();
            let findings = findings(Kind::Dropout, &signals);
            assert_consistent(&findings);
            for finding in findings {
                assert_ne!(finding.verdict, Verdict::Faulty, "{what} at {rate_hz} Hz in steps of {step}: {finding:?}");
            }
        }
    }
}

/// Speeds of car and one wheel, km/h, every millisecond: the wheel under `torque(t)` in N m (braking negative) on a road of
/// grip `mu(t)`.
fn quarter_car(
    seconds: f64,
    start_kmh: f64,
    torque: impl Fn(f64) -> f64,
    mu: impl Fn(f64) -> f64,
) -> (Vec<f64>, Vec<f64>) {
    let (mass, inertia, radius, load, dt) = (375.0, 1.0, 0.30, 3680.0, 1e-4);
    let (mut car, mut wheel) = (start_kmh / 3.6, start_kmh / 3.6);
    let mut out = (Vec::new(), Vec::new());
    for k in 0..(seconds / dt) as usize {
        let t = k as f64 * dt;
        let slip = (wheel - car) / car.max(wheel).max(0.5);
        let force = mu(t) * load * (1.0 - (-25.0 * slip.abs()).exp()) * slip.signum();
        let asked = torque(t);
        let turned = wheel + (asked - force * radius) / inertia * radius * dt;
        // A brake stops a wheel, it does not turn it backwards.
        wheel = if asked < 0.0 { turned.max(0.0) } else { turned };
        car = (car + force / mass * dt).max(0.0);
        if k % 10 == 0 {
            out.0.push(car * 3.6);
            out.1.push(wheel * 3.6);
        }
    }
    out
}

fn at(series: &[f64], t: f64) -> f64 {
    series[((t * 1e3) as usize).min(series.len() - 1)]
}

#[test]
fn an_emergency_stop() {
    let stop = |t: f64| (90.0 - 35.3 * (t - 10.0).max(0.0)).max(0.0);
    nobody_is_accused("1 g to standstill", 20.0, &[("vehicle.speed", "km/h", &stop), (WHEELS[0], "km/h", &stop)]);
}

#[test]
fn wheels_that_lock_and_spin_up_in_an_abs_stop() {
    for mu in [0.1, 0.3, 0.9] {
        for cycle_hz in [5.0, 10.0, 15.0] {
            // Full brake for 60 % of each cycle, none for the rest.
            let brake = |t: f64| if t > 3.0 && (t * cycle_hz).fract() < 0.6 { -2500.0 } else { 0.0 };
            let (car, wheel) = quarter_car(12.0, 90.0, brake, |_| mu);
            assert!(wheel.iter().zip(&car).any(|(w, c)| *w < 0.1 * c && *c > 30.0), "the wheel must lock");
            nobody_is_accused(
                "ABS",
                12.0,
                &[("vehicle.speed", "km/h", &|t| at(&car, t)), (WHEELS[0], "km/h", &|t| at(&wheel, t))],
            );
            nobody_is_accused("ABS, one wheel alone", 12.0, &[(WHEELS[0], "km/h", &|t| at(&wheel, t))]);
        }
    }
}

#[test]
fn a_pull_away_with_wheel_spin() {
    for (mu, torque) in [(0.1, 300.0), (0.3, 800.0), (0.8, 1500.0)] {
        let drive = |t: f64| if t > 2.0 && (t / 1.5).fract() < 0.4 { torque } else { 0.0 };
        let (car, wheel) = quarter_car(10.0, 0.0, drive, |_| mu);
        nobody_is_accused(
            "wheel spin",
            10.0,
            &[(WHEELS[0], "km/h", &|t| at(&wheel, t)), (WHEELS[2], "km/h", &|t| at(&car, t))],
        );
    }
}

#[test]
fn an_axle_on_a_lift() {
    // Driven up to 50 km/h in 2 s, braked to nothing in 0.1 s, again and again, while the other axle stands.
    let driven = |t: f64| match t % 6.0 {
        p if p < 2.0 => 25.0 * p,
        p if p < 4.0 => 50.0,
        p => (50.0 - 500.0 * (p - 4.0)).max(0.0),
    };
    nobody_is_accused("lift", 60.0, &[(WHEELS[0], "km/h", &driven), (WHEELS[2], "km/h", &|_| 0.0)]);
}

#[test]
fn a_curb_or_a_pothole() {
    // Half as fast again for 30 ms, as much slower, then the wheel hops at 13 Hz; every 2 s.
    for (speed, share) in [(15.0, 0.5), (25.0, 0.5), (50.0, 0.25)] {
        let strike = |t: f64| {
            let p = t % 2.0;
            let swing = match p {
                p if p < 0.03 => share,
                p if p < 0.06 => -0.6 * share,
                p => 0.2 * (80.0 * p).sin() * (-12.0 * p).exp(),
            };
            speed * (1.0 + swing)
        };
        nobody_is_accused("curb", 60.0, &[(WHEELS[0], "km/h", &strike), (WHEELS[1], "km/h", &|_| speed)]);
    }
}

#[test]
fn standing_and_creeping_below_what_the_sensor_sees() {
    nobody_is_accused("standing", 60.0, &[(WHEELS[0], "km/h", &|_| 0.0), ("vehicle.speed", "km/h", &|_| 0.0)]);
    let creep = |t: f64| {
        let speed = 7.0 + 4.0 * (t * 0.9).sin();
        if speed < 7.5 { 0.0 } else { speed }
    };
    nobody_is_accused("creeping", 90.0, &[(WHEELS[0], "km/h", &creep), (WHEELS[1], "km/h", &creep)]);
}

#[test]
fn gear_changes_stalls_and_start_stop() {
    let gears = |t: f64| match t % 4.0 {
        p if p < 3.5 => 1800.0 + 900.0 * p,
        p => 4950.0 - 3150.0 * ((p - 3.5) / 0.15).min(1.0),
    };
    let stall = |t: f64| match t % 10.0 {
        p if p < 5.0 => 850.0,
        p if p < 6.5 => (850.0 - 6000.0 * (p - 5.0)).max(0.0),
        p if p < 7.0 => 250.0 + 30.0 * (p * 60.0).sin(),
        p => 850.0 + 400.0 * (-(p - 7.0) / 0.3).exp() * (1.0 - (-(p - 7.0) / 0.05).exp()),
    };
    let start_stop = |t: f64| match t % 8.0 {
        p if p < 4.0 => 800.0,
        p if p < 6.0 => (800.0 - 2000.0 * (p - 4.0)).max(0.0),
        p => (250.0 * ((p - 6.0) / 0.1).min(1.0) + 2500.0 * (p - 6.3).max(0.0)).min(800.0),
    };
    let key_off = |t: f64| if t < 30.0 { 780.0 } else { (780.0 - 1500.0 * (t - 30.0)).max(0.0) };
    let cases: [(&str, &dyn Fn(f64) -> f64); 4] =
        [("gears", &gears), ("stall", &stall), ("start-stop", &start_stop), ("key-off", &key_off)];
    for (what, f) in cases {
        nobody_is_accused(what, 60.0, &[("engine.speed", "rpm", f)]);
    }
}

#[test]
fn a_quick_foot() {
    let stab = |t: f64| match t % 1.0 {
        p if p < 0.08 => p / 0.08,
        p if p < 0.5 => 1.0,
        p if p < 0.56 => 1.0 - (p - 0.5) / 0.06,
        _ => 0.0,
    };
    let (first, second) = (|t: f64| 15.0 + 85.0 * stab(t), |t: f64| 7.5 + 42.5 * stab(t));
    nobody_is_accused("stabs", 60.0, &[("pedal.position_1", "%", &first), ("pedal.position_2", "%", &second)]);
    nobody_is_accused("stabs, one track", 60.0, &[("pedal.position_1", "%", &|t| 100.0 * stab(t))]);
}

fn drive_of_three(rate_hz: f64) -> Vec<(&'static str, &'static str, Samples)> {
    let mut rng = Rng(7);
    vec![
        ("vehicle.speed", "km/h", sampled(rate_hz, 60.0, 0.1, |t| 60.0 + 10.0 * (t / 8.0).sin() + 0.05 * rng.normal())),
        ("engine.speed", "rpm", sampled(rate_hz, 60.0, 1.0, |t| 2000.0 + 300.0 * (t / 8.0).sin())),
        ("coolant.temperature", "degC", sampled(rate_hz, 60.0, 1.0, |t| 80.0 + t / 10.0)),
    ]
}

#[test]
fn a_recorder_that_lost_or_repeated_frames() {
    for rate_hz in [2.0, 10.0, 50.0] {
        let (mut silent, mut held, mut zeroed) =
            (drive_of_three(rate_hz), drive_of_three(rate_hz), drive_of_three(rate_hz));
        let is_hit = |t: f64| (t % 10.0) > 5.0 && (t % 10.0) < 6.5;
        for (_, _, samples) in &mut silent {
            samples.retain(|(t, _)| !is_hit(*t));
        }
        for (_, _, samples) in &mut held {
            for k in 1..samples.len() {
                if is_hit(samples[k].0) {
                    samples[k].1 = samples[k - 1].1;
                }
            }
        }
        for (id, _, samples) in &mut zeroed {
            for sample in samples.iter_mut().filter(|(t, _)| is_hit(*t)) {
                sample.1 = if *id == "coolant.temperature" { -40.0 } else { 0.0 };
            }
        }
        for (what, signals) in [("silent", silent), ("held", held), ("zeroed", zeroed)] {
            for finding in findings(Kind::Dropout, &signals) {
                assert_ne!(finding.verdict, Verdict::Faulty, "{what} at {rate_hz} Hz: {finding:?}");
            }
        }
    }
}

#[test]
fn a_marked_gap_is_no_loss() {
    let mut signals = drive_of_three(50.0);
    for sample in signals[0].2.iter_mut().filter(|(t, _)| *t > 20.0 && *t < 20.2) {
        sample.1 = 0.0;
    }
    let mut whole = recording(&signals);
    assert_eq!(examined(Kind::Dropout, &whole)[0].verdict, Verdict::Faulty, "without the mark it is one");
    whole.gaps.push(Gap {
        from_ns: nanos_from_seconds(19.9),
        to_ns: nanos_from_seconds(20.3),
        reason: "adapter vanished".into(),
    });
    assert_ne!(examined(Kind::Dropout, &whole)[0].verdict, Verdict::Faulty);
}

#[test]
fn a_value_that_is_renewed_more_slowly_than_it_is_polled() {
    let mut rng = Rng(11);
    let noise: Vec<f64> = (0..2000).map(|_| 0.05 * rng.normal()).collect();
    for refresh_s in [0.1, 0.5, 1.0] {
        let held = |t: f64| {
            let k = (t / refresh_s) as usize;
            50.0 + 20.0 * (k as f64 * refresh_s / 4.0).sin() + noise[k]
        };
        let wheel = |t: f64| 50.0 + 20.0 * (t / 4.0).sin();
        nobody_is_accused(
            "slow refresh",
            90.0,
            &[("vehicle.speed", "km/h", &held), (WHEELS[0], "km/h", &wheel), (WHEELS[1], "km/h", &wheel)],
        );
    }
}

#[test]
fn states_counters_angles_and_positions_of_unknown_physics() {
    let gear = |t: f64| [0.0, 1.0, 2.0, 3.0, 2.0, 0.0, 6.0][(t / 1.7) as usize % 7];
    let flag = |t: f64| f64::from(u8::from(t % 0.7 < 0.1));
    let counter = |t: f64| (t * 31.0).floor() % 256.0;
    let heading = |t: f64| (358.0 + 6.0 * (t / 2.0).sin() + 0.5 * (t * 9.0).sin()).rem_euclid(360.0);
    let latitude = |t: f64| if (t % 20.0) < 0.3 { 0.0 } else { 49.01 + t * 1e-5 };
    nobody_is_accused(
        "unknown physics",
        60.0,
        &[
            ("custom.gear", "1", &gear),
            ("custom.flag", "1", &flag),
            ("custom.counter", "count", &counter),
            ("custom.heading", "deg", &heading),
            ("custom.latitude", "deg", &latitude),
            ("misfire.cylinder_1", "count", &|t| (t / 7.0).floor()),
            ("ac.clutch", "1", &flag),
            ("fuel.trim.short.bank_1", "%", &|t| if t % 9.0 < 0.2 { 0.0 } else { 12.0 }),
            ("lambda.bank_1_sensor_1", "1", &|t| if t % 9.0 < 1.0 { 1.999 } else { 1.0 }),
        ],
    );
}

#[test]
fn signals_that_jump_all_the_time_together() {
    // As in a log whose adapter answers nonsense: every signal a different random value at every sample.
    let mut rng = Rng(2);
    let mut rubbish =
        |top: f64| (0..230).map(|k| (f64::from(k) * 0.47, (top * rng.uniform()).round())).collect::<Samples>();
    let signals = [
        ("vehicle.speed", "km/h", rubbish(255.0)),
        ("engine.speed", "rpm", rubbish(16383.0)),
        ("pedal.position_1", "%", rubbish(100.0)),
        ("coolant.temperature", "degC", rubbish(215.0)),
    ];
    for finding in findings(Kind::Dropout, &signals) {
        assert_ne!(finding.verdict, Verdict::Faulty, "{finding:?}");
    }
}

#[test]
fn a_value_that_never_changes() {
    nobody_is_accused(
        "constant",
        60.0,
        &[
            ("vehicle.speed", "km/h", &|_| 50.0),
            ("coolant.temperature", "degC", &|_| 90.0),
            ("custom.x", "1", &|_| 3.0),
        ],
    );
}

#[test]
fn samples_that_are_stamped_in_coarse_ticks() {
    // Ten samples a second, stamped in whole seconds: the jumps between two ticks are not as quick as they look.
    let stab = |t: f64| 15.0 + 50.0 * (0.5 + 0.5 * (t / 1.3).sin()).powi(4);
    for tick_s in [0.25, 1.0, 2.0] {
        let ticks = |s: Samples| s.into_iter().map(|(t, v)| ((t / tick_s).floor() * tick_s, v)).collect::<Samples>();
        let signals = [
            ("pedal.position_1", "%", ticks(sampled(10.0, 120.0, 0.4, stab))),
            ("engine.speed", "rpm", ticks(sampled(10.0, 120.0, 1.0, |t| 1500.0 + 700.0 * (t * 1.1).sin()))),
            ("intake.manifold_pressure", "kPa", ticks(sampled(10.0, 120.0, 1.0, |t| 120.0 + 80.0 * (t * 1.7).sin()))),
        ];
        for finding in findings(Kind::Dropout, &signals) {
            assert_ne!(finding.verdict, Verdict::Faulty, "{tick_s} s: {finding:?}");
        }
    }
}
