//! `mixture`, `airflow`, `charging`, `cranking`, `warm-up` and `command` never panic, whatever a file holds.
#![allow(clippy::unwrap_used)]

mod common;

use common::{assert_consistent, examined};
use evidence::Kind;
use proptest::prelude::*;
use signal::{Mark, Recording, Series, SignalId, Unit};

const IDS: [&str; 15] = [
    "engine.speed",
    "vehicle.speed",
    "battery.voltage",
    "coolant.temperature",
    "intake.air_flow",
    "intake.manifold_pressure",
    "intake.air_temperature",
    "engine.load",
    "engine.absolute_load",
    "fuel.trim.short.bank_1",
    "fuel.trim.long.bank_1",
    "ac.clutch",
    "ac.pressure",
    "custom.fuel_system_status",
    "custom.engine_fuel_rate",
];

fn value() -> impl Strategy<Value = f64> {
    prop_oneof![
        6 => 0.0..4000.0,
        3 => -50.0..120.0,
        2 => prop_oneof![Just(0.0), Just(1.0), Just(2.0), Just(12.5), Just(14.2)],
        1 => prop_oneof![Just(f64::NAN), Just(f64::INFINITY), Just(f64::NEG_INFINITY), Just(f64::MAX), Just(f64::MIN_POSITIVE)],
    ]
}

/// A step of time: usual, none, or wild.
fn step_ns() -> impl Strategy<Value = i64> {
    prop_oneof![8 => 1_000_000..3_000_000_000_i64, 1 => Just(0), 1 => 1..i64::MAX / 400]
}

fn series(id: &'static str) -> impl Strategy<Value = Series> {
    prop::collection::vec((step_ns(), value()), 0..120).prop_map(move |samples| {
        let mut series = Series::new(SignalId::new(id).unwrap(), Unit::named("1"));
        let mut t = 0_i64;
        for (step, value) in samples {
            t = t.saturating_add(step);
            series.push_value(t, value);
        }
        series
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]
    #[test]
    fn any_recording_gets_answers(
        series in IDS.map(series),
        keep in prop::collection::vec(any::<bool>(), IDS.len()),
        marks in prop::collection::vec((any::<i64>(), "(a )?o(n|ff)"), 0..12),
    ) {
        let mut recording = Recording::default();
        recording.series.extend(series.into_iter().zip(keep).filter(|(_, keep)| *keep).map(|(series, _)| series));
        recording.marks = marks.into_iter().map(|(t_ns, text)| Mark { t_ns, text }).collect();
        recording.marks.sort_by_key(|mark| mark.t_ns);
        for kind in [Kind::Mixture, Kind::Airflow, Kind::Charging, Kind::Cranking, Kind::WarmUp, Kind::Command] {
            assert_consistent(&examined(kind, &recording));
        }
    }
}
