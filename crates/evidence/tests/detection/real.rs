//! The same on open drives: as they are, resampled, and with faults put into them.

use super::car::{Drive, TRUTH_HZ, Truth};
use super::common::{KIT, Rng, WHEELS, long, open_data, recording, wide};
use super::fault::Fault;
use super::recorder::{Sampling, record};
use super::table::Page;
use super::{NOBODY, verdict_of};

/// Faults that the motorway minute takes.
const FAULTS: [Fault; 9] = [
    Fault::Zero(150.0),
    Fault::Zero(400.0),
    Fault::Stuck(2.0),
    Fault::Noise(1.0),
    Fault::Noise(2.0),
    Fault::Size(3.0),
    Fault::Size(5.0),
    Fault::Eccentric(1.0),
    Fault::Eccentric(3.0),
];

/// The open motorway minute (comma2k19, MIT) as a truth: the last value before each step.
fn motorway() -> Option<Drive> {
    let columns = ["wheel_speed_fl_kmh", "wheel_speed_fr_kmh", "wheel_speed_rl_kmh", "wheel_speed_rr_kmh"];
    let mut names: Vec<_> = columns.into_iter().zip(WHEELS).map(|(column, id)| (column, id, "km/h")).collect();
    names.push(("yaw_rate_sensor_deg_s", "yaw.rate", "deg/s"));
    let table = wide(&open_data("comma2k19/highway_60s.csv")?, &names);
    let n = (59.5 * TRUTH_HZ) as usize;
    let at = |samples: &[(f64, f64)], k: usize| {
        let t = 0.2 + k as f64 / TRUTH_HZ;
        samples[samples.partition_point(|s| s.0 <= t).clamp(1, samples.len()) - 1].1
    };
    let signals: Vec<Truth> = table
        .iter()
        .map(|(id, unit, samples)| Truth {
            id: (*id).to_owned(),
            unit,
            value: (0..n).map(|k| at(samples, k)).collect(),
            step: 0.01,
        })
        .collect();
    let turns = std::array::from_fn(|wheel| {
        let mut way = 0.0;
        signals[wheel]
            .value
            .iter()
            .map(|kmh| {
                way += kmh / 3.6 / TRUTH_HZ / 1.98;
                way
            })
            .collect()
    });
    Some(Drive { signals, turns, pedal: vec![0.0; n], rpm: vec![0.0; n] })
}

/// Every open drive as it is.
pub fn as_they_are(page: &mut Page) {
    for name in ["d1_cold_start_warmup", "d2_traffic_jam", "d3_acceleration_runs", "d4_motorway", "d5_recording_gap"] {
        if let Some(text) = open_data(&format!("kit_obd/{name}_samples.csv.gz")) {
            page.count_healthy(name, &evidence::examine(&recording(&long(&text, &KIT))), &NOBODY);
        }
        if let Some(text) = open_data(&format!("kit_obd/{name}_held.csv.gz")) {
            page.count_healthy(&format!("{name}, held"), &evidence::examine(&recording(&wide(&text, &KIT))), &NOBODY);
        }
    }
    if let Some(text) = open_data("obd_async_diesel/drive_d1.csv.gz") {
        let names = [
            ("engine_speed", "engine.speed", "rpm"),
            ("vehicle_speed", "vehicle.speed", "km/h"),
            ("coolant_temp", "coolant.temperature", "degC"),
            ("accel_pedal_d", "pedal.position_1", "%"),
            ("control_module_voltage", "battery.voltage", "V"),
        ];
        page.count_healthy("diesel", &evidence::examine(&recording(&long(&text, &names))), &NOBODY);
    }
    if let Some(text) = open_data("speed_reference/road_test_k.csv.gz") {
        let names = [("obd_vehicle_speed_m_s", "vehicle.speed", "m/s")];
        page.count_healthy("road test K", &evidence::examine(&recording(&wide(&text, &names))), &NOBODY);
    }
}

/// The motorway minute once more at every rate: at one step without a fault, and with each fault.
pub fn fill(page: &mut Page, rates_hz: &[f64], round: u64, is_wanted: &dyn Fn(&Fault) -> bool) {
    let Some(sound) = motorway() else { return };
    for (r, rate_hz) in rates_hz.iter().enumerate() {
        let step = [0.0, 0.06, 0.1, 0.5, 1.0][(round % 5) as usize];
        let mut rng = Rng(50_000 + 100 * r as u64 + round);
        let recording = record(&sound.signals, Sampling { rate_hz: *rate_hz, wheel_step_kmh: step }, &mut rng);
        let what = format!("motorway, {rate_hz} Hz, step {step}, round {round}");
        page.count_healthy(&what, &evidence::examine(&recording), &NOBODY);
        for (k, fault) in FAULTS.into_iter().enumerate().filter(|(_, fault)| is_wanted(fault)) {
            let mut rng = Rng(60_000 + 1000 * k as u64 + 100 * r as u64 + round);
            let mut drive = sound.clone();
            let ids = fault.put(&mut drive, &mut rng);
            let step = [0.0, 0.06, 0.1, 1.0][(round % 4) as usize];
            let recording = record(&drive.signals, Sampling { rate_hz: *rate_hz, wheel_step_kmh: step }, &mut rng);
            let findings = evidence::examine(&recording);
            page.count_healthy(&format!("motorway, {fault:?}, {rate_hz} Hz, {step}, {round}"), &findings, &ids);
            let (title, size) = fault.said();
            page.cell(title, &size, *rate_hz).count(verdict_of(&findings, fault.kinds(), &ids[0]));
        }
    }
}
