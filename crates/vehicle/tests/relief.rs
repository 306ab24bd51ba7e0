//! What leaving signals out gains: the estimate is held against what the invented car then gives.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a test fails by panicking")]

use definition::Definitions;
use link::Settings;
use signal::SignalId;
use vehicle::{Plan, Rate, Vehicle, Wish};

const FAST: [&str; 7] = [
    "engine.speed",
    "engine.load",
    "vehicle.speed",
    "pedal.position_1",
    "pedal.position_2",
    "intake.air_flow",
    "throttle.position_1",
];

fn measured(spec: &str, wishes: &[Wish]) -> (Vehicle, Plan, Vec<Rate>) {
    let mut vehicle = Vehicle::find(standin::open(spec, Settings::default()).unwrap()).unwrap();
    let mut plan = vehicle.plan_wishes(wishes, &Definitions::standard()).unwrap();
    let rates = vehicle.measure(&mut plan, 5.0).unwrap();
    (vehicle, plan, rates)
}

fn wishes<'a>(names: impl IntoIterator<Item = &'a str>) -> Vec<Wish> {
    names.into_iter().map(|name| SignalId::new(name).unwrap().into()).collect()
}

#[test]
fn leaving_out_gains_what_was_said() {
    for (spec, event_s) in [
        // One value in each request, behind a slow line; as many as the standard allows, directly on the bus.
        ("fell?script=cruise&warm=1&jitter=0&pids=1&baud=38400", 0.02),
        ("fell?face=can&script=cruise&warm=1&jitter=0&engine_ms=5", 0.005),
    ] {
        let all: Vec<&str> = FAST.into_iter().chain(["coolant.temperature"]).collect();
        let (vehicle, plan, rates) = measured(spec, &wishes(all.iter().copied()));
        assert!(plan.signals[7].period_s().is_some_and(|period_s| period_s > 0.5), "slow on purpose");
        let reliefs = vehicle.reliefs(&plan, &rates, event_s);
        let best = reliefs.first().unwrap_or_else(|| panic!("{spec}: nothing was proposed"));
        assert!(!best.gains.is_empty() && best.gains.iter().all(|gain| gain.id.as_str() != "coolant.temperature"));
        let rest = all.iter().copied().filter(|name| best.without.iter().all(|id| id.as_str() != *name));
        let (_, _, then) = measured(spec, &wishes(rest));
        for gain in &best.gains {
            let got = then.iter().find(|rate| rate.id == gain.id).unwrap();
            let ratio = got.per_second / gain.per_second;
            assert!((0.9..1.1).contains(&ratio), "{spec}: {} {ratio} {:?}", gain.id, best.without);
            assert!((got.odds(event_s) - gain.odds).abs() < 0.1, "{spec}: {} {}", got.odds(event_s), gain.odds);
        }
    }
}

#[test]
fn nothing_is_proposed_where_nothing_helps() {
    // All three come in one answer: leaving one out saves no request.
    let (vehicle, plan, rates) =
        measured("fell?face=can&script=cruise&jitter=0", &wishes(["engine.speed", "engine.load", "vehicle.speed"]));
    assert_eq!(vehicle.reliefs(&plan, &rates, 0.002), []);
    // And where every event is caught.
    assert_eq!(vehicle.reliefs(&plan, &rates, 1.0), []);
}

#[test]
fn as_fast_as_possible_is_possible() {
    let spec = "fell?face=can&script=cruise&warm=1&jitter=0";
    let mut wish = wishes(["coolant.temperature"]);
    let (_, _, slow) = measured(spec, &wish);
    wish[0].period_s = Some(0.0);
    let (_, plan, fast) = measured(spec, &wish);
    assert_eq!(plan.signals[0].period_s(), None);
    assert!(slow[0].per_second < 2.0 && fast[0].per_second > 50.0, "{} {}", slow[0].per_second, fast[0].per_second);
}
