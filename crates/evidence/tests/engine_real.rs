//! `mixture`, `airflow`, `charging`, `cranking`, `warm-up` and `command` on real drives: nobody healthy is accused.
//!
//! The drives: KIT OBD (CC BY 4.0) and an asynchronous OBD log of a diesel car (MIT); each test skips where they are absent.
//! Both cars are healthy as far as known.
#![allow(clippy::unwrap_used)]

mod common;

use common::{KIT, Samples, assert_consistent, examined, long, open_data, recording};
use evidence::{Finding, Kind, Verdict};

const KINDS: [Kind; 6] = [Kind::Mixture, Kind::Airflow, Kind::Charging, Kind::Cranking, Kind::WarmUp, Kind::Command];

const ASYNC: [(&str, &str, &str); 11] = [
    ("coolant_temp", "coolant.temperature", "degC"),
    ("engine_speed", "engine.speed", "rpm"),
    ("vehicle_speed", "vehicle.speed", "km/h"),
    ("engine_fuel_rate", "custom.engine_fuel_rate", "l/h"),
    ("control_module_voltage", "battery.voltage", "V"),
    ("intake_air_temp", "intake.air_temperature", "degC"),
    ("ambient_temp", "custom.ambient", "degC"),
    ("manifold_pressure", "intake.manifold_pressure", "kPa"),
    ("mass_air_flow", "intake.air_flow", "g/s"),
    ("engine_load", "engine.load", "%"),
    ("absolute_load", "engine.absolute_load", "%"),
];

type Signals = Vec<(&'static str, &'static str, Samples)>;

fn drives() -> Vec<(&'static str, Signals)> {
    let mut drives = Vec::new();
    for name in ["d1_cold_start_warmup", "d2_traffic_jam", "d3_acceleration_runs", "d4_motorway", "d5_recording_gap"] {
        if let Some(text) = open_data(&format!("kit_obd/{name}_samples.csv.gz")) {
            drives.push((name, long(&text, &KIT)));
        }
    }
    for name in ["drive_d1", "drive_d2"] {
        if let Some(text) = open_data(&format!("obd_async_diesel/{name}.csv.gz")) {
            let signals: Signals = long(&text, &ASYNC).into_iter().filter(|signal| !signal.2.is_empty()).collect();
            drives.push((name, signals));
        }
    }
    drives
}

fn all(signals: &Signals) -> Vec<Finding> {
    let recording = recording(&signals.iter().map(|(id, unit, s)| (*id, *unit, s.clone())).collect::<Vec<_>>());
    KINDS.iter().flat_map(|&kind| examined(kind, &recording)).collect()
}

#[test]
fn real_drives_are_never_accused() {
    for (name, signals) in drives() {
        let findings = all(&signals);
        assert_consistent(&findings);
        for finding in &findings {
            eprintln!(
                "{name}: {} {} {:+.2}: {} {:?}",
                finding.kind, finding.verdict, finding.log10_odds, finding.statement, finding.next
            );
            assert_ne!(finding.verdict, Verdict::Faulty, "{name}: {finding:?}");
        }
    }
}

#[test]
fn a_warm_engine_on_the_road_is_healthy_at_any_rate() {
    for (name, signals) in
        drives().iter().filter(|drive| ["d3_acceleration_runs", "d4_motorway", "drive_d1"].contains(&drive.0))
    {
        for keep in [1, 3] {
            let thinned: Signals =
                signals.iter().map(|(id, unit, s)| (*id, *unit, s.iter().step_by(keep).copied().collect())).collect();
            let findings = all(&thinned);
            let finding = findings.iter().find(|finding| finding.kind == Kind::WarmUp).unwrap();
            assert_eq!(finding.verdict, Verdict::Healthy, "{name}: {finding:?}");
        }
    }
}
