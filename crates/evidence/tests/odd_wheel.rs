//! `odd-wheel` on an open motorway minute, on turning cars by the book, and on what else a road test brings.

mod common;

use common::{Rng, Samples, WHEELS, about, assert_consistent, examined, findings, open_data, recording, sampled, wide};
use evidence::{Finding, Kind, Verdict};
use proptest::prelude::*;
use signal::Recording;

type Signals = Vec<(&'static str, &'static str, Samples)>;

/// comma2k19 (MIT licence), motorway minute: four healthy wheels at about 83 Hz.
fn motorway(with: &[(&str, &'static str, &'static str)]) -> Option<Signals> {
    let columns = ["wheel_speed_fl_kmh", "wheel_speed_fr_kmh", "wheel_speed_rl_kmh", "wheel_speed_rr_kmh"];
    let mut names: Vec<_> = columns.into_iter().zip(WHEELS).map(|(column, id)| (column, id, "km/h")).collect();
    names.extend(with);
    Some(wide(&open_data("comma2k19/highway_60s.csv")?, &names))
}

fn accused(findings: &[Finding]) -> Vec<&str> {
    findings.iter().filter(|f| f.verdict == Verdict::Faulty).map(|f| f.subject[0].as_str()).collect()
}

fn odd(signals: &Signals) -> Vec<Finding> {
    let found = findings(Kind::OddWheel, signals);
    assert_consistent(&found);
    found
}

/// The same drive as another recorder takes it: each wheel on its turn, `skew_s` apart, at `rate_hz`, in steps of `step`;
/// with `one_stamp` the times of the turns are lost.
fn polled(signals: &Signals, rate_hz: f64, skew_s: f64, step: f64, one_stamp: bool) -> Signals {
    let at = |samples: &Samples, t: f64| {
        let k = samples.partition_point(|s| s.0 <= t).clamp(1, samples.len() - 1);
        let (a, b) = (samples[k - 1], samples[k]);
        a.1 + (b.1 - a.1) * ((t - a.0) / (b.0 - a.0)).clamp(0.0, 1.0)
    };
    let mut rng = Rng(7);
    let stamps: Vec<f64> = (0..(59.5 * rate_hz) as usize).map(|k| (k as f64 + 0.3 * rng.uniform()) / rate_hz).collect();
    let each = signals.iter().enumerate().map(|(turn, (id, unit, samples))| {
        let late = skew_s * turn as f64 / 3.0;
        let read = stamps.iter().map(|t| {
            let value = (at(samples, t + late) / step).round() * step;
            (if one_stamp { *t } else { t + late }, value)
        });
        (*id, *unit, read.collect())
    });
    each.collect()
}

fn with_fault(signals: &Signals, wheel: usize, fault: impl Fn(f64, f64) -> f64) -> Signals {
    let mut changed = signals.clone();
    for sample in &mut changed[wheel].2 {
        sample.1 = fault(sample.0, sample.1);
    }
    changed
}

#[test]
fn the_healthy_motorway_minute_is_healthy_however_it_is_recorded() {
    let Some(drive) = motorway(&[]) else { return };
    let found = odd(&drive);
    assert_eq!(found.len(), 4);
    for finding in &found {
        assert_eq!(finding.verdict, Verdict::Healthy, "{finding:?}");
        assert!(
            (finding.figures["ratio"] - 1.0).abs() < 0.004,
            "the tyres of this car differ by up to 0.4 %: {finding:?}"
        );
    }
    for (rate_hz, skew_s, step, one_stamp) in [
        (50.0, 0.005, 0.06, false),
        (20.0, 0.06, 0.06, true),
        (10.0, 0.06, 0.1, true),
        (5.0, 0.06, 1.0, false),
        (2.0, 0.06, 0.5, true),
    ] {
        let found = odd(&polled(&drive, rate_hz, skew_s, step, one_stamp));
        assert_eq!(accused(&found), Vec::<&str>::new(), "{rate_hz} Hz, {step} km/h");
        assert!(found.iter().all(|f| f.verdict == Verdict::Healthy), "{rate_hz} Hz, {step} km/h: {found:#?}");
    }
}

#[test]
fn a_table_that_repeats_values_until_the_next_answer_is_judged_by_its_answers() {
    let Some(drive) = motorway(&[]) else { return };
    // Each wheel is asked for in turn, 60 ms apart; every row repeats the last answer of the other three.
    let one_by_one = polled(&drive, 1.0 / 0.24, 0.18, 0.06, false);
    let rows = one_by_one[0].2.len();
    let held: Signals = one_by_one
        .iter()
        .enumerate()
        .map(|(wheel, (id, unit, samples))| {
            let row = |n: usize| {
                Some((one_by_one[n % 4].2[n / 4].0, samples[(n + 4 - wheel).checked_div(4)?.checked_sub(1)?].1))
            };
            (*id, *unit, (4..4 * rows).filter_map(row).collect())
        })
        .collect();
    let found = odd(&held);
    assert!(found.iter().all(|f| f.verdict == Verdict::Healthy), "{found:#?}");
    let found = odd(&with_fault(&held, 1, |_, v| v * 0.95));
    assert_eq!(accused(&found), [WHEELS[1]]);
}

/// In whole km/h only some of the wheels show that the table repeats them; none of the others is late for that.
#[test]
fn a_table_of_whole_km_per_h_makes_no_wheel_late() {
    let Some(signals) = motorway(&[]) else { return };
    for (polled_hz, rows_hz) in [(1.0, 50.0), (2.0, 50.0), (2.0, 100.0)] {
        for shift_s in [0.0, 0.07, 0.16, 0.31, 0.44] {
            let held = |(k, (id, unit, s)): (usize, &(&'static str, &'static str, Samples))| {
                let own = common::polled(s, polled_hz, 0.2 + shift_s + 0.05 * k as f64, 59.0);
                let whole: Samples = own.into_iter().map(|(t, v)| (t, v.round())).collect();
                (*id, *unit, common::polled(&whole, rows_hz, 1.5, 58.0))
            };
            let table: Signals = signals.iter().enumerate().map(held).collect();
            let found = odd(&table);
            assert!(accused(&found).is_empty(), "{polled_hz} Hz in {rows_hz} rows, {shift_s} s: {found:?}");
        }
    }
}

#[test]
fn a_wheel_that_reads_three_percent_low_is_named_with_its_ratio() {
    let Some(drive) = motorway(&[("yaw_rate_sensor_deg_s", "yaw.rate", "deg/s")]) else { return };
    let bare: Signals = drive[..4].to_vec();
    let mut named = 0;
    for (wheel, id) in WHEELS.into_iter().enumerate() {
        let fault = |_, v| v * 0.97;
        let found = odd(&with_fault(&drive, wheel, fault));
        assert_eq!(accused(&found), [id], "with yaw rate");
        let finding = about(&found, id);
        assert!((finding.figures["ratio"] - 0.97).abs() < 0.004, "{finding:?}");
        assert!(finding.alternatives.iter().any(|a| a.contains("tyre")), "a tyre does the same: {finding:?}");
        assert!(finding.spans[0].to_s - finding.spans[0].from_s > 50.0, "all the time: {finding:?}");
        for signals in [bare.clone(), polled(&bare, 20.0, 0.06, 0.06, true), polled(&bare, 5.0, 0.06, 1.0, false)] {
            let found = odd(&with_fault(&signals, wheel, fault));
            assert!(accused(&found).iter().all(|accused| *accused == id), "without yaw rate: {found:#?}");
            assert_ne!(about(&found, id).verdict, Verdict::Healthy);
            named += usize::from(about(&found, id).verdict == Verdict::Faulty);
        }
    }
    // A minute without a turn sensor leaves a turn that never ends thinkable for some wheels; most must be named.
    assert!(named >= 11, "{named} of 12");
}

#[test]
fn a_small_difference_is_left_undecided() {
    let Some(drive) = motorway(&[]) else { return };
    let found = odd(&with_fault(&drive, 2, |_, v| v * 1.015));
    assert_eq!(accused(&found), Vec::<&str>::new(), "1.5 % may be tyres");
    let next = &about(&found, WHEELS[2]).next;
    assert!(about(&found, WHEELS[2]).verdict != Verdict::Undecided || !next.is_empty());
}

#[test]
fn disagreement_in_stretches_is_found_with_its_place() {
    let Some(drive) = motorway(&[]) else { return };
    let stretches = [(14.0, 21.0), (42.0, 49.0)];
    for (wheel, id) in WHEELS.into_iter().enumerate() {
        let found =
            odd(&with_fault(
                &drive,
                wheel,
                |t, v| {
                    if stretches.iter().any(|s| t > s.0 && t < s.1) { v * 0.95 } else { v }
                },
            ));
        assert_eq!(accused(&found), [id]);
        let spans = &about(&found, id).spans;
        for (from_s, to_s) in stretches {
            let overlap = spans.iter().map(|s| (s.to_s.min(to_s) - s.from_s.max(from_s)).max(0.0)).sum::<f64>();
            assert!(overlap > 4.0, "{spans:?}");
        }
        assert!(
            spans.iter().all(|s| stretches.iter().any(|(a, b)| s.from_s > a - 1.5 && s.to_s < b + 1.5)),
            "{spans:?}"
        );
    }
}

#[test]
fn a_late_wheel_is_not_taken_for_another_one() {
    let Some(drive) = motorway(&[]) else { return };
    for (wheel, id) in WHEELS.into_iter().enumerate() {
        let mut late = drive.clone();
        for sample in &mut late[wheel].2 {
            sample.0 += 0.5;
        }
        let found = odd(&late);
        assert!(accused(&found).iter().all(|accused| *accused == id), "{found:#?}");
        let finding = about(&found, id);
        assert_ne!(finding.verdict, Verdict::Healthy);
        assert!((finding.figures["delay_s"] - 0.5).abs() < 0.15, "{finding:?}");
    }
}

/// 3 to 12 % for a quarter of a minute, in whatever steps: named with its place, or left open, but never called sound.
#[test]
fn a_stretch_is_never_called_healthy() {
    let (from_s, to_s) = (101.0, 116.0);
    let mut named = 0;
    for (rate_hz, step) in [(50.0, 0.06), (20.0, 0.5), (5.0, 0.1), (2.0, 1.0)] {
        for (wheel, id) in WHEELS.into_iter().enumerate() {
            for share in [-0.03, -0.06, 0.12] {
                let found = odd(&with_fault(&town(rate_hz, step), wheel, |t, v| {
                    if t > from_s && t < to_s { ((v * (1.0 + share)) / step).round() * step } else { v }
                }));
                assert!(accused(&found).iter().all(|accused| *accused == id), "{found:#?}");
                let finding = about(&found, id);
                assert_ne!(finding.verdict, Verdict::Healthy, "{rate_hz} Hz, {step} km/h, {share}: {finding:?}");
                if finding.verdict == Verdict::Faulty {
                    named += 1;
                    assert!(finding.spans.iter().all(|s| s.to_s > from_s && s.from_s < to_s), "{finding:?}");
                }
            }
        }
    }
    assert!(named >= 12, "{named} of 48");
}

/// A wheel that is wrong for half of the drive makes no other wheel wrong for the other half.
#[test]
fn half_a_drive_accuses_no_other_wheel() {
    let Some(drive) = motorway(&[]) else { return };
    for (wheel, id) in WHEELS.into_iter().enumerate() {
        let found = odd(&with_fault(&drive, wheel, |t, v| if t > 25.0 && t < 54.0 { v * 0.88 } else { v }));
        assert!(accused(&found).iter().all(|accused| *accused == id), "{found:#?}");
        assert_ne!(about(&found, id).verdict, Verdict::Healthy);
    }
}

#[test]
fn a_wheel_that_may_be_late_is_not_called_healthy_and_healthy_says_what_was_excluded() {
    for (rate_hz, step) in [(50.0, 0.01), (10.0, 0.1)] {
        let drive = town(rate_hz, step);
        for (wheel, id) in WHEELS.into_iter().enumerate() {
            let mut late = drive.clone();
            for sample in &mut late[wheel].2 {
                sample.0 += 0.15;
            }
            let found = odd(&late);
            assert!(accused(&found).iter().all(|accused| *accused == id), "{found:#?}");
            assert_ne!(about(&found, id).verdict, Verdict::Healthy, "{rate_hz} Hz: {:?}", about(&found, id));
        }
        for finding in odd(&drive) {
            assert_eq!(finding.verdict, Verdict::Healthy, "{finding:?}");
            assert!(finding.statement.contains("s late would have shown"), "{finding:?}");
        }
    }
    // At one speed nothing comes late.
    for finding in odd(&driven(120.0, 20.0, 0.06, |_| 80.0, |_| 0.0)) {
        assert!(finding.statement.contains("this drive does not tell"), "{finding:?}");
    }
}

#[test]
fn lost_moments_do_not_make_a_wheel_odd() {
    let Some(drive) = motorway(&[]) else { return };
    let found = odd(&with_fault(&drive, 1, |t, v| if t % 4.0 < 0.2 { 0.0 } else { v }));
    assert_eq!(accused(&found), Vec::<&str>::new(), "that is for `dropout` to say");
}

#[test]
fn too_little_driving_is_undecided_and_says_how_much_is_missing() {
    let Some(drive) = motorway(&[]) else { return };
    let short: Signals =
        drive.iter().map(|(id, unit, s)| (*id, *unit, s.iter().copied().filter(|s| s.0 < 8.0).collect())).collect();
    for finding in odd(&short) {
        assert_eq!(finding.verdict, Verdict::Undecided);
        let more_s: f64 = finding.next[0].split(' ').nth(1).unwrap().parse().expect("record N s more");
        // What was asked for suffices.
        let part = |s: &Samples| s.iter().copied().filter(|s| s.0 < 8.0 + more_s).collect();
        let longer: Signals = drive.iter().map(|(id, unit, s)| (*id, *unit, part(s))).collect();
        assert_eq!(about(&odd(&longer), &finding.subject[0]).verdict, Verdict::Healthy, "{more_s} s more");
    }
    let Some(text) = open_data("verifiedcan/stationary_lock_to_lock_29s.csv") else { return };
    let columns = ["wheel_speed_fl_kmh", "wheel_speed_fr_kmh", "wheel_speed_rl_kmh", "wheel_speed_rr_kmh"];
    let names: Vec<_> = columns.into_iter().zip(WHEELS).map(|(column, id)| (column, id, "km/h")).collect();
    for finding in odd(&wide(&text, &names)) {
        assert_eq!(finding.verdict, Verdict::Undecided, "standing still");
        assert!(finding.statement.contains("never rolled"), "{}", finding.statement);
    }
}

#[test]
fn fewer_wheels_tell_less_and_say_so() {
    let Some(drive) = motorway(&[]) else { return };
    assert!(findings(Kind::OddWheel, &drive[..1]).is_empty(), "one wheel has nothing to compare with");
    for there in [vec![0, 1, 2], vec![1, 2, 3], vec![0, 1], vec![2, 3], vec![0, 2], vec![0, 3]] {
        let some: Signals = there.iter().map(|&i| drive[i].clone()).collect();
        let found = odd(&some);
        assert_eq!(found.len(), there.len());
        assert_eq!(accused(&found), Vec::<&str>::new(), "{there:?}");
        let faulty = odd(&with_fault(&some, 0, |_, v| v * 0.95));
        assert!(accused(&faulty).iter().all(|id| *id == WHEELS[there[0]]), "{there:?}: {faulty:#?}");
        if there.len() == 2 {
            assert_eq!(accused(&faulty), Vec::<&str>::new(), "two wheels cannot tell which: {there:?}");
            assert!(faulty[0].next.iter().any(|n| n.contains("record all four wheels")), "{:?}", faulty[0].next);
        }
    }
}

/// Track and wheelbase of the turn table.
const TRACK_M: f64 = 1.5;
const WHEELBASE_M: f64 = 2.7;

/// Speeds of the wheels of a car whose mid rear axle moves at `v` on a circle of `1 / curvature` (left positive).
fn rolling(v: f64, curvature: f64) -> [f64; 4] {
    let yaw = v * curvature;
    let rear = [v - yaw * TRACK_M / 2.0, v + yaw * TRACK_M / 2.0];
    let front = rear.map(|side: f64| side.hypot(yaw * WHEELBASE_M));
    [front[0], front[1], rear[0], rear[1]]
}

/// A drive from speed (km/h) and curvature (1/m) over time, with tyres that differ by 0.4 % and 0.1 km/h of noise.
fn driven(
    seconds: f64,
    rate_hz: f64,
    step: f64,
    speed_kmh: impl Fn(f64) -> f64,
    curvature: impl Fn(f64) -> f64,
) -> Signals {
    let tyres = [1.002, 0.998, 0.999, 1.001];
    let each = (0..4).map(|wheel| {
        let mut rng = Rng(wheel as u64 + 1);
        let samples = sampled(rate_hz, seconds, step, |t| {
            let v = rolling(speed_kmh(t), curvature(t))[wheel] * tyres[wheel];
            (v + 0.1 * rng.normal() * f64::from(u8::from(v > 0.5))).max(0.0)
        });
        (WHEELS[wheel], "km/h", samples)
    });
    each.collect()
}

#[test]
fn turns_of_the_table_accuse_nobody() {
    // Turn ratios for t = 1.5 m, L = 2.7 m: R to mid rear axle, rear outer/inner, front outer/inner, front outer/rear outer.
    // Source: rigid-body rolling, the kinematics also used by Emirler et al. 2013 (wheel speeds, tyre radius, steer
    // angle); numbers computed once, outside this project.
    let table: [(f64, f64, f64, f64); 4] = [
        (6.0, 1.2857, 1.2314, 1.0770),
        (10.0, 1.1622, 1.1503, 1.0311),
        (20.0, 1.0779, 1.0765, 1.0084),
        (50.0, 1.0305, 1.0304, 1.0014),
    ];
    for (radius_m, rear, front, outer) in table {
        let [fl, fr, rl, rr] = rolling(10.0, 1.0 / radius_m);
        for (got, expected) in [(rr / rl, rear), (fr / fl, front), (fr / rr, outer)] {
            assert!((got - expected).abs() < 6e-5, "R = {radius_m} m: {got} {expected}");
        }
        for way in [1.0, -1.0] {
            let speed = (3.6 * (3.0 * radius_m).sqrt()).min(60.0);
            for rate_hz in [50.0, 5.0] {
                let circle = driven(90.0, rate_hz, 0.06, |t| speed + 2.0 * (t / 5.0).sin(), |_| way / radius_m);
                assert_eq!(accused(&odd(&circle)), Vec::<&str>::new(), "R = {radius_m} m, always to one side");
                let bends = driven(90.0, rate_hz, 0.06, |_| speed, |t| way * (t / 3.0).sin() / radius_m);
                assert_eq!(accused(&odd(&bends)), Vec::<&str>::new(), "R = {radius_m} m, to and fro");
            }
        }
    }
}

/// A drive through town: 15 to 65 km/h, bends to both sides.
fn town(rate_hz: f64, step: f64) -> Signals {
    let speed = |t: f64| 40.0 + 25.0 * (t / 11.0).sin();
    let curvature = |t: f64| if (t / 17.0).sin() > 0.7 { 0.03 * (t / 6.0).sin() } else { 0.0 };
    driven(240.0, rate_hz, step, speed, curvature)
}

#[test]
fn scale_constant_and_both_signs_in_town() {
    for (wheel, id) in WHEELS.into_iter().enumerate() {
        for (rate_hz, step) in [(50.0, 0.01), (10.0, 0.1), (2.0, 0.5)] {
            let drive = town(rate_hz, step);
            assert_eq!(accused(&odd(&drive)), Vec::<&str>::new());
            for factor in [0.95, 1.05] {
                let found = odd(&with_fault(&drive, wheel, |_, v| v * factor));
                assert_eq!(accused(&found), [id], "{factor} at {rate_hz} Hz");
                assert!((about(&found, id).figures["ratio"] - factor).abs() < 0.005);
            }
        }
        let found = odd(&with_fault(&town(50.0, 0.01), wheel, |_, v| v + 2.0));
        assert_eq!(accused(&found), [id], "2 km/h too much");
        assert!((about(&found, id).figures["constant_km_h"] - 2.0).abs() < 0.4);
    }
}

#[test]
fn exchanged_columns_are_noticed() {
    let drive = town(20.0, 0.06);
    let exchanged = |i: usize, j: usize, k: usize, l: usize| {
        let order = [i, j, k, l];
        let signals: Signals = (0..4).map(|n| (WHEELS[n], "km/h", drive[order[n]].2.clone())).collect();
        odd(&signals)
    };
    for (found, words) in
        [(exchanged(1, 0, 2, 3), "left and right of one axle"), (exchanged(0, 1, 3, 2), "left and right of one axle")]
    {
        assert!(found.iter().all(|f| f.verdict == Verdict::Undecided && f.statement.contains(words)), "{found:#?}");
    }
    let yaw = sampled(20.0, 240.0, 0.01, |t: f64| {
        let curvature = if (t / 17.0).sin() > 0.7 { 0.03 * (t / 6.0).sin() } else { 0.0 };
        ((40.0 + 25.0 * (t / 11.0).sin()) / 3.6 * curvature).to_degrees() + 0.5
    });
    let mut signals: Signals =
        [1, 0, 3, 2].iter().enumerate().map(|(n, &o)| (WHEELS[n], "km/h", drive[o].2.clone())).collect();
    signals.push(("yaw.rate", "deg/s", yaw.clone()));
    assert!(odd(&signals).iter().all(|f| f.statement.contains("yaw.rate turn opposite ways")));
    let mut right = drive;
    right.push(("yaw.rate", "deg/s", yaw));
    assert!(odd(&right).iter().all(|f| f.verdict == Verdict::Healthy));
}

#[test]
fn slip_locked_wheels_a_lift_and_silent_sensors_accuse_nobody() {
    // Full-throttle starts with 4 % of slip in front, hard braking with wheels that lock one after another.
    let speed = |t: f64| match t % 30.0 {
        p if p < 10.0 => 9.0 * p,
        p if p < 25.0 => 90.0,
        p => (90.0 - 27.0 * (p - 25.0)).max(0.0),
    };
    let mut drive = driven(180.0, 20.0, 0.06, speed, |_| 0.0);
    for (wheel, (_, _, samples)) in drive.iter_mut().enumerate() {
        for (t, v) in samples.iter_mut() {
            let p = *t % 30.0;
            if p < 10.0 && wheel < 2 {
                *v *= 1.04;
            }
            if p > 25.0 && (*t * 40.0 + wheel as f64 * 2.0).sin() > 0.4 {
                *v *= 0.6;
            }
        }
    }
    assert_eq!(accused(&odd(&drive)), Vec::<&str>::new(), "slip and locking");

    let mut lifted = driven(60.0, 20.0, 0.06, |_| 40.0, |_| 0.0);
    for wheel in [2, 3] {
        lifted[wheel].2.iter_mut().for_each(|sample| sample.1 = 0.0);
    }
    assert!(odd(&lifted).iter().all(|f| f.verdict == Verdict::Undecided), "an axle on a lift");

    let mut silent = driven(240.0, 20.0, 0.06, |t: f64| (25.0 + 27.0 * (t / 9.0).sin()).max(0.0), |_| 0.0);
    for (wheel, (_, _, samples)) in silent.iter_mut().enumerate() {
        samples.iter_mut().filter(|s| s.1 < 3.0 + 1.5 * wheel as f64).for_each(|s| s.1 = 0.0);
    }
    assert_eq!(accused(&odd(&silent)), Vec::<&str>::new(), "passive sensors below 3 to 8 km/h");
}

#[test]
fn tyres_of_one_axle_or_side_accuse_no_single_wheel() {
    let drive = town(20.0, 0.06);
    for pair in [[0, 1], [2, 3], [0, 2], [1, 3], [0, 3]] {
        let both = with_fault(&with_fault(&drive, pair[0], |_, v| v * 1.025), pair[1], |_, v| v * 1.025);
        assert_eq!(accused(&odd(&both)), Vec::<&str>::new(), "{pair:?}");
    }
}

fn any_wheel() -> impl Strategy<Value = Samples> {
    let value = prop_oneof![4 => -5.0..200.0, 1 => Just(f64::NAN), 1 => Just(f64::INFINITY), 1 => Just(0.0)];
    prop::collection::vec((0.0..0.5f64, value), 0..120).prop_map(|steps| {
        let mut t = 0.0;
        let mut at = |dt: f64| {
            t += dt;
            t
        };
        steps.into_iter().map(|(dt, v)| (at(dt), v)).collect()
    })
}

proptest! {
    #[test]
    fn no_input_makes_it_panic(wheels in prop::collection::vec(any_wheel(), 4), yaw in any_wheel(), steering in any_wheel()) {
        let mut signals: Vec<(&str, &str, Samples)> =
            WHEELS.into_iter().zip(wheels).map(|(id, samples)| (id, "km/h", samples)).collect();
        signals.push(("yaw.rate", "deg/s", yaw));
        signals.push(("steering.angle", "deg", steering));
        let recording: Recording = recording(&signals);
        assert_consistent(&examined(Kind::OddWheel, &recording));
    }
}
