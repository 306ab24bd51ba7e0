//! `wheel-size` on an open motorway minute and on turning cars by the book.

mod common;

use common::{Rng, Samples, WHEELS, about, assert_consistent, examined, open_data, recording, sampled, wide};
use evidence::{Finding, Kind, Verdict};

type Signals = Vec<(&'static str, &'static str, Samples)>;

/// comma2k19 (MIT licence), motorway minute: four healthy wheels at about 83 Hz.
fn motorway(yaw: bool) -> Option<Signals> {
    let columns = ["wheel_speed_fl_kmh", "wheel_speed_fr_kmh", "wheel_speed_rl_kmh", "wheel_speed_rr_kmh"];
    let mut names: Vec<_> = columns.into_iter().zip(WHEELS).map(|(column, id)| (column, id, "km/h")).collect();
    names.extend(yaw.then_some(("yaw_rate_sensor_deg_s", "yaw.rate", "deg/s")));
    Some(wide(&open_data("comma2k19/highway_60s.csv")?, &names))
}

fn accused(found: &[Finding]) -> Vec<&str> {
    found.iter().filter(|f| f.verdict == Verdict::Faulty).map(|f| f.subject[0].as_str()).collect()
}

/// What is said of the sizes; `odd-wheel` must never say the opposite of a wheel.
fn sizes(signals: &Signals) -> Vec<Finding> {
    let recording = recording(signals);
    let found = examined(Kind::WheelSize, &recording);
    assert_consistent(&found);
    for odd in examined(Kind::OddWheel, &recording) {
        let size = about(&found, &odd.subject[0]);
        let opposite = size.verdict == Verdict::Faulty && odd.verdict == Verdict::Healthy;
        assert!(!opposite, "{size:?} {odd:?}");
    }
    found
}

fn scaled(signals: &Signals, wheel: usize, fault: impl Fn(f64, f64) -> f64) -> Signals {
    let mut changed = signals.clone();
    for sample in &mut changed[wheel].2 {
        sample.1 = fault(sample.0, sample.1);
    }
    changed
}

/// The same drive as another recorder takes it.
fn polled(signals: &Signals, rate_hz: f64, skew_s: f64, step: f64) -> Signals {
    let mut rng = Rng(7);
    let stamps: Vec<f64> = (0..(59.5 * rate_hz) as usize).map(|k| (k as f64 + 0.3 * rng.uniform()) / rate_hz).collect();
    let each = signals.iter().enumerate().map(|(turn, (id, unit, samples))| {
        let read = stamps.iter().map(|t| {
            let t = t + skew_s * turn as f64 / 3.0;
            let k = samples.partition_point(|s| s.0 <= t).clamp(1, samples.len()) - 1;
            (t, if *unit == "km/h" { (samples[k].1 / step).round() * step } else { samples[k].1 })
        });
        (*id, *unit, read.collect())
    });
    each.collect()
}

#[test]
fn the_sound_motorway_minute_is_healthy_and_its_tyres_differ_by_what_is_known() {
    for yaw in [false, true] {
        let Some(drive) = motorway(yaw) else { return };
        for (rate_hz, skew_s, step) in
            [(83.0, 0.0, 0.01), (50.0, 0.01, 0.06), (10.0, 0.06, 0.1), (5.0, 0.06, 1.0), (2.0, 0.06, 0.5)]
        {
            let found = sizes(&polled(&drive, rate_hz, skew_s, step));
            assert_eq!(accused(&found), Vec::<&str>::new(), "{rate_hz} Hz, {step} km/h");
            for finding in &found {
                assert_eq!(finding.verdict, Verdict::Healthy, "{finding:?}");
                // Tyres of this car differ by up to 0.4 %.
                assert!(finding.figures["difference_percent"].abs() < 0.4, "{finding:?}");
            }
        }
    }
}

#[test]
fn a_spare_wheel_is_named_with_its_size() {
    let mut named = 0;
    for yaw in [false, true] {
        let Some(drive) = motorway(yaw) else { return };
        let before = sizes(&drive);
        for (wheel, id) in WHEELS.into_iter().enumerate() {
            for ratio in [0.97, 1.022, 1.03, 1.05] {
                for (rate_hz, skew_s, step) in [(83.0, 0.0, 0.01), (20.0, 0.06, 0.06), (5.0, 0.06, 1.0)] {
                    let found = sizes(&polled(&scaled(&drive, wheel, |_, v| v * ratio), rate_hz, skew_s, step));
                    assert!(accused(&found).iter().all(|a| *a == id), "{ratio} {rate_hz}: {found:#?}");
                    let finding = about(&found, id);
                    let moved = finding.figures["ratio"] / about(&before, id).figures["ratio"] / ratio - 1.0;
                    // Whole km/h leave their own error, which the interval states.
                    let interval = finding.figures["difference_high_percent"] - finding.figures["difference_percent"];
                    let allowed = if step < 0.5 { 0.001 } else { 0.01 * interval };
                    assert!(moved.abs() < allowed, "{moved} {finding:?}");
                    assert_ne!(finding.verdict, Verdict::Healthy, "{finding:?}");
                    named += usize::from(finding.verdict == Verdict::Faulty && (ratio - 1.0).abs() >= 0.0299);
                }
            }
        }
    }
    // 2.2 % may be left open; 3 and 5 % must be named.
    assert!(named >= 68, "{named} of 72");
}

/// Two minutes of ordinary driving: 30 to 80 km/h, bends both ways, 0.1 km/h of noise, tyres as told, with a yaw sensor.
fn two_minutes(tyres: [f64; 4]) -> Signals {
    let speed = |t: f64| 55.0 + 25.0 * (t / 13.0).sin();
    let curvature = |t: f64| if (t / 9.0).sin() > 0.6 { 0.008 * (t / 4.0).sin() } else { 0.0 };
    let mut rng = Rng(9);
    let mut all: Signals = Vec::new();
    for wheel in 0..4 {
        let samples = sampled(50.0, 120.0, 0.06, |t| {
            // Rigid body rolling, track 1.5 m, wheelbase 2.7 m.
            let (v, yaw) = (speed(t), speed(t) * curvature(t));
            let side = if wheel % 2 == 0 { v - 0.75 * yaw } else { v + 0.75 * yaw };
            let rolled = if wheel < 2 { side.hypot(2.7 * yaw) } else { side };
            rolled * tyres[wheel] + 0.1 * rng.normal()
        });
        all.push((WHEELS[wheel], "km/h", samples));
    }
    let yaw = sampled(50.0, 120.0, 0.01, |t| (speed(t) / 3.6 * curvature(t)).to_degrees() + 0.2 * rng.normal());
    all.push(("yaw.rate", "deg/s", yaw));
    all
}

#[test]
fn two_minutes_measure_each_ratio_to_a_per_mille() {
    for tyres in [[1.002, 0.998, 0.999, 1.001], [1.0, 1.0, 1.04, 1.0], [0.998, 1.0, 1.002, 0.97]] {
        let found = sizes(&two_minutes(tyres));
        let odd: Vec<&str> = (0..4).filter(|&i| f64::abs(tyres[i] - 1.0) > 0.02).map(|i| WHEELS[i]).collect();
        assert_eq!(accused(&found), odd, "{found:#?}");
        for (wheel, id) in WHEELS.into_iter().enumerate() {
            let others = (tyres.iter().sum::<f64>() - tyres[wheel]) / 3.0;
            let got = about(&found, id).figures["ratio"];
            assert!((got - tyres[wheel] / others).abs() < 0.001, "{id}: {got} {tyres:?}");
        }
    }
}

#[test]
fn what_is_no_size_is_not_called_one() {
    let sound = two_minutes([1.0; 4]);
    // In stretches, more with time, constant in km/h, dead: sensors do that, and a leak.
    let faults: [fn(f64, f64) -> f64; 4] =
        [|t, v| if t > 70.0 { v * 1.06 } else { v }, |t, v| v * (1.0 + 0.0006 * t), |_, v| v - 3.0, |_, v| v * 0.5];
    for (k, fault) in faults.into_iter().enumerate() {
        for (wheel, id) in WHEELS.into_iter().enumerate() {
            let found = sizes(&scaled(&sound, wheel, fault));
            assert_eq!(accused(&found), Vec::<&str>::new(), "fault {k} of {wheel}: {found:#?}");
            assert_ne!(about(&found, id).verdict, Verdict::Healthy, "fault {k} of {wheel}");
        }
    }
}

#[test]
fn a_pair_of_odd_wheels_is_told_and_left_open() {
    for (tyres, word) in
        [([1.03, 1.03, 1.0, 1.0], "front"), ([1.0, 1.0, 1.03, 1.03], "rear"), ([1.03, 1.0, 1.03, 1.0], "left")]
    {
        let found = sizes(&two_minutes(tyres));
        assert_eq!(accused(&found), Vec::<&str>::new(), "{found:#?}");
        for finding in &found {
            assert_eq!(finding.verdict, Verdict::Undecided, "{finding:?}");
            assert!(finding.statement.contains(word), "{word}: {}", finding.statement);
        }
    }
}

#[test]
fn exchanged_sides_are_told() {
    let mut drive = two_minutes([1.0; 4]);
    let (left, right) = (drive[0].2.clone(), drive[1].2.clone());
    (drive[0].2, drive[1].2) = (right, left);
    (drive[2].0, drive[3].0) = (WHEELS[3], WHEELS[2]);
    for finding in sizes(&drive) {
        assert_eq!(finding.verdict, Verdict::Undecided, "{finding:?}");
        assert!(finding.next[0].contains("column"), "{finding:?}");
    }
}

#[test]
fn too_little_is_undecided_and_says_what_is_missing() {
    let sound = two_minutes([1.0; 4]);
    let part = |s: &Samples, to: f64| s.iter().copied().filter(|s| s.0 < to).collect::<Samples>();
    let short: Signals = sound.iter().map(|(id, unit, s)| (*id, *unit, part(s, 8.0))).collect();
    for finding in sizes(&short) {
        assert_eq!(finding.verdict, Verdict::Undecided);
        assert!(finding.next[0].starts_with("record "), "{finding:?}");
    }
    let two: Signals = scaled(&sound, 0, |_, v| v * 1.04)[..2].to_vec();
    for finding in sizes(&two) {
        assert_eq!(finding.verdict, Verdict::Undecided);
        assert!(finding.next.iter().any(|n| n.contains("all four wheels")), "{finding:?}");
    }
    assert!(examined(Kind::WheelSize, &recording(&sound[..1])).is_empty());
}

#[test]
fn a_tyre_that_changes_on_the_way_is_no_size_and_the_moment_is_told() {
    let Some(drive) = motorway(true) else { return };
    let found = sizes(&scaled(&drive, 1, |t, v| if t > 40.0 { 1.04 * v } else { v }));
    let finding = about(&found, WHEELS[1]);
    assert_ne!(finding.verdict, Verdict::Faulty, "{finding:?}");
    let at_s = finding.figures["changed_at_s"];
    assert!((at_s - 40.0).abs() < 2.5 && (finding.figures["change_there_percent"] - 4.0).abs() < 0.6, "{finding:?}");
}
