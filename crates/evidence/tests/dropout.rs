//! `dropout` in its three answers, and the shapes of a lost value.
//!
//! Limits: 20 km/h in one sample of 100 ms would be 55 m/s² (arithmetic); a car keeps below 1 g, a gripping wheel below
//! 15 m/s² (handbook values). Odds of catching an event of length d at interval T: min(1, d / T).

mod common;

use common::{Loss, Rng, Samples, WHEELS, about, assert_consistent, examined, findings, lost, recording, sampled};
use evidence::{Finding, Kind, Verdict};

/// Ordinary driving between 35 and 65 km/h with at most 0.5 m/s² and a little noise.
fn wheel(rate_hz: f64, seconds: f64, step: f64, seed: u64) -> Samples {
    let mut rng = Rng(seed);
    sampled(rate_hz, seconds, step, |t| 50.0 + 15.0 * (t / 9.0).sin() + 0.06 * rng.normal())
}

fn wheels(rate_hz: f64, seconds: f64, step: f64) -> Vec<(&'static str, &'static str, Samples)> {
    WHEELS.iter().zip(1..).map(|(id, seed)| (*id, "km/h", wheel(rate_hz, seconds, step, seed))).collect()
}

fn judged(signals: &[(&str, &str, Samples)]) -> Vec<Finding> {
    let findings = findings(Kind::Dropout, signals);
    assert_consistent(&findings);
    assert_eq!(findings.len(), signals.len(), "one finding per signal");
    findings
}

#[test]
fn one_loss_of_60_ms_at_50_hz_is_found_where_it_is() {
    let mut signals = wheels(50.0, 60.0, 0.01);
    signals[2].2 = lost(&signals[2].2, 30.0, 30.06, |_, _| 0.0);
    let findings = judged(&signals);
    let rear_left = about(&findings, WHEELS[2]);
    assert_eq!(rear_left.verdict, Verdict::Faulty, "{rear_left:?}");
    assert_eq!(rear_left.spans.len(), 1);
    assert!((rear_left.spans[0].from_s - 30.0).abs() < 0.03 && (rear_left.spans[0].to_s - 30.06).abs() < 0.03);
    assert!(rear_left.statement.contains("fell to zero once"), "{}", rear_left.statement);
    for id in [WHEELS[0], WHEELS[1], WHEELS[3]] {
        assert_eq!(about(&findings, id).verdict, Verdict::Healthy, "{id}");
    }
}

#[test]
fn nothing_lost_is_healthy_and_says_what_it_could_see() {
    let findings = judged(&wheels(50.0, 60.0, 0.01));
    for finding in &findings {
        assert_eq!(finding.verdict, Verdict::Healthy, "{finding:?}");
        assert_eq!(finding.figures["odds_of_catching_100_ms"], 1.0);
        assert!((finding.figures["shortest_always_caught_s"] - 0.02).abs() < 0.003);
        assert!(finding.figures["exposure_s"] > 55.0);
    }
}

#[test]
fn too_little_to_judge_says_how_much_is_lacking() {
    // 20 s at 1 Hz: a loss of 100 ms meets a sample with odds of 0.1.
    let findings = judged(&[("vehicle.speed", "km/h", wheel(1.0, 20.0, 1.0, 5))]);
    assert_eq!(findings[0].verdict, Verdict::Undecided);
    assert!((findings[0].figures["odds_of_catching_100_ms"] - 0.1).abs() < 0.01);
    assert!(findings[0].next.iter().any(|n| n.contains("s above 30 km/h at an interval of 50 ms")), "{findings:?}");
    // What it asks for settles it.
    let enough = findings[0].next.iter().find_map(|n| n.strip_prefix("or ")?.split(' ').next()?.parse::<f64>().ok());
    let enough = judged(&[("vehicle.speed", "km/h", wheel(20.0, enough.unwrap() + 1.0, 1.0, 5))]);
    assert_eq!(enough[0].verdict, Verdict::Healthy, "{enough:?}");
    // Two samples, or one, or none, are too little for anything.
    for n in 0..3 {
        let few = judged(&[("vehicle.speed", "km/h", wheel(1.0, 20.0, 1.0, 5)[..n].to_vec())]);
        assert_eq!(few[0].verdict, Verdict::Undecided);
    }
}

#[test]
fn every_shape_of_a_lost_wheel_speed() {
    let shapes: [(&str, Loss); 4] =
        [("zero", |_, _| 0.0), ("end of scale", |_, _| 655.35), ("jump", |v, _| 0.4 * v), ("stuck", |_, good| good)];
    for rate_hz in [20.0, 50.0, 100.0] {
        for (name, shape) in shapes {
            let mut signals = wheels(rate_hz, 60.0, 0.01);
            for start in [11.0, 23.0, 37.0, 48.0] {
                signals[1].2 = lost(&signals[1].2, start, start + 0.3, shape);
            }
            let findings = judged(&signals);
            let front_right = about(&findings, WHEELS[1]);
            assert_eq!(front_right.verdict, Verdict::Faulty, "{name} at {rate_hz} Hz: {front_right:?}");
            for span in &front_right.spans {
                let right = [11.0, 23.0, 37.0, 48.0].iter().any(|s| span.from_s > s - 0.1 && span.to_s < s + 0.4);
                assert!(right, "{name} at {rate_hz} Hz: {span:?}");
            }
            let accused = findings.iter().filter(|f| f.verdict == Verdict::Faulty).count();
            assert_eq!(accused, 1, "{name} at {rate_hz} Hz");
        }
    }
}

#[test]
fn slow_polling_needs_more_than_one_loss() {
    // 60 to 0 and back within 2 s is impossible for the car, but not for one wheel on ice at one sample a second.
    let cruise = sampled(1.0, 200.0, 1.0, |_| 60.0);
    let once = lost(&cruise, 50.0, 50.9, |_, _| 0.0);
    let finding = judged(&[("vehicle.speed", "km/h", once.clone())]).remove(0);
    assert_eq!(finding.verdict, Verdict::Undecided, "{finding:?}");
    assert_eq!(finding.spans.len(), 1);
    let often = [80.0, 110.0, 160.0].iter().fold(once, |s, from| lost(&s, *from, from + 0.9, |_, _| 0.0));
    let finding = judged(&[("vehicle.speed", "km/h", often)]).remove(0);
    assert_eq!(finding.verdict, Verdict::Faulty, "{finding:?}");
    assert_eq!(finding.spans.len(), 4);
}

#[test]
fn one_pedal_track_that_leaves_the_other() {
    // Analogue tracks that rest at 15 and 7.5 %; driving with a lively foot.
    let foot = |t: f64| if t < 6.0 || t % 20.0 < 2.0 { 0.0 } else { 30.0 + 16.0 * t.sin() };
    let track_1 = sampled(50.0, 60.0, 0.39, |t| 15.0 + foot(t));
    let track_2 = sampled(50.0, 60.0, 0.39, |t| 7.5 + 0.5 * foot(t));
    let judged_with =
        |first: Samples| judged(&[("pedal.position_1", "%", first), ("pedal.position_2", "%", track_2.clone())]);
    let healthy = judged_with(track_1.clone());
    assert!(healthy.iter().all(|f| f.verdict == Verdict::Healthy), "{healthy:?}");
    // Below the stop no position can be.
    let to_zero = judged_with(lost(&track_1, 31.0, 31.1, |_, _| 0.0));
    assert_eq!(about(&to_zero, "pedal.position_1").verdict, Verdict::Faulty, "{to_zero:?}");
    // To a level that a foot could reach: only the other track knows that it did not.
    let to_rest = judged_with(lost(&track_1, 31.0, 31.2, |_, _| 15.0));
    assert_eq!(about(&to_rest, "pedal.position_1").verdict, Verdict::Faulty, "{to_rest:?}");
    assert_eq!(about(&to_rest, "pedal.position_2").verdict, Verdict::Healthy);
    let both = [track_1, track_2.clone()].map(|s| lost(&s, 31.0, 31.2, |_, _| 15.0));
    let [first, second] = both;
    let both = judged(&[("pedal.position_1", "%", first), ("pedal.position_2", "%", second)]);
    assert!(both.iter().all(|f| f.verdict != Verdict::Faulty), "{both:?}");
}

#[test]
fn what_could_have_stuck_unseen_is_not_healthy() {
    // A foot and a car that hardly move: a value that stuck for a second would look the same.
    let slow = |t: f64| 30.0 + 2.0 * (t / 3.0).sin();
    let pedals = judged(&[
        ("pedal.position_1", "%", sampled(50.0, 60.0, 0.39, |t| 15.0 + slow(t))),
        ("pedal.position_2", "%", sampled(50.0, 60.0, 0.39, |t| 7.5 + 0.5 * slow(t))),
    ]);
    let cruise: Vec<_> = WHEELS.iter().map(|id| (*id, "km/h", sampled(50.0, 60.0, 1.0, slow))).collect();
    for (findings, asked) in
        [(pedals, "the pedal moves up and down by"), (judged(&cruise), "speeds up or slows down by")]
    {
        for finding in findings {
            assert_eq!(finding.verdict, Verdict::Undecided, "{finding:?}");
            assert!(!["0.50", "1.0"].iter().any(|told| finding.statement.contains(&format!("from about {told} s on"))));
            assert!(finding.next.iter().any(|next| next.contains(asked)), "{finding:?}");
        }
    }
    // What it asks for settles it: 15 s of 4 km/h a second.
    let lively = |t: f64| if t < 45.0 { 30.0 + 2.0 * (t / 3.0).sin() } else { 32.0 + 4.0 * (t - 45.0) };
    let after: Vec<_> = WHEELS.iter().map(|id| (*id, "km/h", sampled(50.0, 65.0, 1.0, lively))).collect();
    for finding in judged(&after) {
        assert_eq!(finding.verdict, Verdict::Healthy, "{finding:?}");
        assert!(finding.statement.contains("would have shown from about"), "{finding:?}");
    }
}

#[test]
fn other_signals_have_limits_too() {
    let mut rng = Rng(8);
    let cases: [(&str, &str, Samples, f64); 5] = [
        (
            "engine.speed",
            "rpm",
            sampled(50.0, 60.0, 0.25, |t| 2000.0 + 500.0 * (t / 5.0).sin() + 4.0 * rng.normal()),
            0.0,
        ),
        ("coolant.temperature", "degC", sampled(2.0, 300.0, 1.0, |t| 60.0 + t / 20.0), -40.0),
        ("intake.air_temperature", "degC", sampled(2.0, 300.0, 1.0, |t| 20.0 + 5.0 * (t / 60.0).sin()), 215.0),
        ("intake.manifold_pressure", "kPa", sampled(10.0, 90.0, 1.0, |t| 60.0 + 25.0 * (t / 3.0).sin()), 0.0),
        ("battery.voltage", "V", sampled(5.0, 90.0, 0.1, |t| 13.8 + 0.4 * (t / 7.0).sin()), 0.0),
    ];
    for (id, unit, samples, dead) in cases {
        let healthy = judged(&[(id, unit, samples.clone())]).remove(0);
        assert_eq!(healthy.verdict, Verdict::Healthy, "{healthy:?}");
        let (from, to) = (samples[40].0, samples[43].0);
        let faulty = judged(&[(id, unit, lost(&samples, from, to, |_, _| dead))]).remove(0);
        assert_eq!(faulty.verdict, Verdict::Faulty, "{faulty:?}");
        let span = faulty.spans[0];
        assert!((span.from_s - from).abs() < 1e-6 && (span.to_s - samples[42].0).abs() < 1e-6, "{id}: {span:?}");
    }
}

#[test]
fn values_are_judged_in_the_units_of_the_limits() {
    let in_m_s = |s: Samples| s.into_iter().map(|(t, v)| (t, v / 3.6)).collect::<Samples>();
    let speed = wheel(50.0, 60.0, 0.01, 4);
    let faulty = in_m_s(lost(&speed, 20.0, 20.1, |_, _| 0.0));
    assert_eq!(judged(&[("vehicle.speed", "m/s", faulty)])[0].verdict, Verdict::Faulty);
    assert_eq!(judged(&[("vehicle.speed", "m/s", in_m_s(speed))])[0].verdict, Verdict::Healthy);
}

proptest::proptest! {
    #[test]
    fn any_values_at_any_times_get_an_answer(
        values in proptest::collection::vec((0_i64..3_000_000_000, proptest::num::f64::ANY), 0..200),
        id in proptest::sample::select(vec!["vehicle.speed", "pedal.position_1", "engine.speed", "custom.x", "coolant.temperature"]),
    ) {
        let mut t_ns = 0;
        let mut whole = recording(&[(id, "%", vec![]), ("wheel.speed.rear_left", "km/h", vec![(0.0, 50.0); 20])]);
        for (step, value) in values {
            // Steps of zero, of nanoseconds and of seconds; now and then beyond all reason.
            t_ns = i64::saturating_add(t_ns, if step % 97 == 0 { i64::MAX / 64 } else { step % 1_000 * (step % 1_000_000) });
            whole.series[0].push_value(t_ns, value);
        }
        // A signal of unknown physics that never changes is not asked.
        let n = examined(Kind::Dropout, &whole).len();
        proptest::prop_assert!(n == 2 || (n == 1 && id == "custom.x"), "{}", n);
    }
}

#[test]
fn counters_that_never_move_are_not_reported() {
    let still = (0..600).map(|k| (f64::from(k) * 0.1, 0.0)).collect::<common::Samples>();
    let counting = (0..600).map(|k| (f64::from(k) * 0.1, f64::from(k / 40))).collect::<common::Samples>();
    let found = findings(
        Kind::Dropout,
        &[
            ("misfire.cylinder_1", "count", still.clone()),
            ("misfire.cylinder_2", "count", counting),
            ("custom.flag", "1", still.clone()),
            ("coolant.temperature", "degC", still.iter().map(|s| (s.0, 90.0)).collect()),
        ],
    );
    let subjects: Vec<&str> = found.iter().map(|f| f.subject[0].as_str()).collect();
    assert_eq!(subjects, ["coolant.temperature"]);
}
