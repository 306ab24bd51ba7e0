//! What the modules send without being asked again: broadcasts and periodic identifiers, against the invented car.
//!
//! The car encodes on its own. Message layouts: ISO 14229-1 (services 2A and 2C, periodic messages in one frame without a
//! length, not in the default session), the DBC form of signals in frames.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a test fails by panicking")]

mod common;

use definition::Definitions;
use link::Source;
use protocol::{Address, CanId};
use signal::Sample;
use vehicle::{Plan, Vehicle};

use common::{Keep, ids, vehicle};

const MS: i64 = 1_000_000;
const BRAKE: Address = Address::from_reply11(0x7EA);

/// The car's wheel speeds as a maker's file that knows them as broadcasts too, under their names in the catalogue.
const WHEELS: &str = r#"
title = "wheel speeds that are broadcast"
origin = "the stand-in car's own modules; invented"

[[message]]
name = "WHEELS"
id = "0A0"
n_bytes = 8

[[message.signal]]
id = "wheel.speed.front_left"
unit = "km/h"
byte = 0
bits = 16
divide = 100

[[message.signal]]
id = "wheel.speed.rear_right"
unit = "km/h"
byte = 6
bits = 16
divide = 100
"#;

fn plan(vehicle: &mut Vehicle, definitions: &Definitions, names: &[&str]) -> Plan {
    let mut plan = vehicle.plan(&ids(names), definitions).unwrap();
    vehicle.tune(&mut plan).unwrap();
    plan
}

fn sample(vehicle: &mut Vehicle, plan: &mut Plan, seconds: i64) -> Keep {
    let mut keep = Keep { until_ns: Some(1000 * seconds * MS), ..Keep::default() };
    vehicle.sample(plan, &mut keep).unwrap();
    assert_eq!(keep.gaps, []);
    keep
}

fn asked(keep: &Keep) -> impl Iterator<Item = &[u8]> {
    keep.exchanges.iter().map(|(_, raw)| raw.request.as_slice())
}

fn of(keep: &Keep, signal: usize) -> Vec<Sample> {
    keep.samples.iter().filter(|(of, _)| *of == signal).map(|(_, sample)| *sample).collect()
}

#[test]
fn a_dbc_file_gives_signals_at_no_request() {
    for face in ["can", "slcan&baud=2000000"] {
        let mut vehicle = vehicle(&format!("fell?face={face}&script=cruise&start=60&warm=1&broadcast=1000"));
        let mut definitions = Definitions::standard();
        definitions.load(standin::BROADCASTS.as_bytes(), "tarnwick.dbc", None).unwrap();
        let mut plan =
            plan(&mut vehicle, &definitions, &["custom.WHEELS.REAR_LEFT", "custom.DRIVE.COOLANT", "engine.speed"]);
        assert_eq!(plan.unavailable, []);
        assert_eq!(plan.signals[0].source, "broadcast 0A0 WHEELS");
        let keep = sample(&mut vehicle, &mut plan, 10);
        // Frames every 10 and every 20 ms; of the first one nothing is known about its age.
        let (wheel, coolant, engine) = (of(&keep, 0), of(&keep, 1), of(&keep, 2));
        assert!((990..=1000).contains(&wheel.len()), "{face}: {}", wheel.len());
        assert!((490..=500).contains(&coolant.len()), "{face}: {}", coolant.len());
        assert!(engine.len() > 500 && asked(&keep).all(|asked| asked == [0x01, 0x0C]), "{face}");
        assert!(wheel.iter().all(|sample| (20.0..150.0).contains(&sample.value)), "{face}: {:?}", wheel[0]);
        assert!(coolant.iter().all(|sample| (80.0..110.0).contains(&sample.value)), "{face}: {:?}", coolant[0]);
        // The truth lies between two frames.
        for pair in wheel.windows(2) {
            assert_eq!(pair[1].asked_ns, pair[0].t_ns);
        }
        // Every sample has its raw frame.
        let raw = keep.heard.iter().find(|(number, _)| *number == wheel[5].exchange).map(|(_, heard)| heard).unwrap();
        assert_eq!((raw.from, raw.arrived_ns), (Source::Frame(CanId::Standard(0x0A0)), wheel[5].t_ns));
        let value = f64::from(u16::from_be_bytes([raw.bytes[4], raw.bytes[5]])) / 100.0;
        assert!((value - wheel[5].value).abs() < 1e-9);
    }
}

#[test]
fn an_adapter_that_cannot_listen_says_so() {
    let mut vehicle = vehicle("fell?script=cruise&start=60&broadcast=1000");
    let mut definitions = Definitions::standard();
    definitions.load(standin::BROADCASTS.as_bytes(), "tarnwick.dbc", None).unwrap();
    let plan = vehicle.plan(&ids(&["custom.WHEELS.REAR_LEFT"]), &definitions).unwrap();
    assert!(plan.unavailable[0].reason.contains("CAN adapter"), "{:?}", plan.unavailable);
}

#[test]
fn what_is_broadcast_is_not_asked_for_until_it_ends() {
    let mut definitions = common::definitions("fell");
    definitions.load_toml(WHEELS, "wheels").unwrap();
    let names = ["wheel.speed.front_left", "wheel.speed.rear_right"];
    // Asking is slower than listening here, so it is listened; the broadcasts end after twelve seconds of the car.
    let mut car = vehicle("fell?face=can&script=cruise&start=60&warm=1&brake_ms=25&broadcast=12");
    let mut planned = plan(&mut car, &definitions, &names);
    assert_eq!(planned.signals[0].source, "broadcast 0A0 WHEELS");
    let keep = sample(&mut car, &mut planned, 20);
    let wheel = of(&keep, 0);
    let longest_ns = wheel.windows(2).map(|pair| pair[1].t_ns - pair[0].t_ns).max().unwrap();
    assert!(longest_ns < 1300 * MS, "{longest_ns}");
    assert!(wheel.last().unwrap().t_ns > 19_900 * MS && wheel.len() > 1000, "{}", wheel.len());
    assert!(wheel.iter().all(|sample| (20.0..150.0).contains(&sample.value)));
    assert!(keep.notes.iter().any(|note| note.contains("no longer comes")), "{:?}", keep.notes);
    // Where nothing is broadcast, and where asking is faster, it is asked for.
    for spec in
        ["fell?face=can&script=cruise&start=60", "fell?face=can&script=cruise&start=60&brake_ms=1&broadcast=1000"]
    {
        let mut car = vehicle(spec);
        assert_eq!(plan(&mut car, &definitions, &names).signals[0].source, "7EA 22 D0 10", "{spec}");
    }
}

const SENT: [&str; 2] = ["yaw.rate", "steering.angle"];

#[test]
fn a_module_sends_by_itself_where_that_is_faster_and_allowed() {
    let spec = "fell?face=can&script=corners&start=20&warm=1&brake_ms=40&periodic_ms=10&jitter=0";
    let mut car = vehicle(spec);
    let mut planned = plan(&mut car, &common::definitions("fell"), &SENT);
    assert_eq!(car.faster_in_session(), [BRAKE]);
    let polled = sample(&mut car, &mut planned, 10);
    assert!((200..=250).contains(&of(&polled, 0).len()), "{}", of(&polled, 0).len());

    let mut car = vehicle(spec);
    car.allow_sessions(true);
    let mut planned = plan(&mut car, &common::definitions("fell"), &SENT);
    let sent = sample(&mut car, &mut planned, 10);
    for signal in 0..2 {
        assert!((950..=1000).contains(&of(&sent, signal).len()), "{}", of(&sent, signal).len());
    }
    assert_eq!(sent.notes, Vec::<String>::new());
    // In the session the module is told every two seconds that somebody is there; at the end all is as it was.
    let n_present = asked(&sent).filter(|asked| asked[0] == 0x3E).count();
    assert!((4..=5).contains(&n_present), "{n_present}");
    assert!(asked(&sent).all(|asked| asked[0] != 0x22));
    let again = sample(&mut car, &mut planned, 3);
    assert!(of(&again, 0).len() > 270, "{}", of(&again, 0).len());
    // Each message has a periodic number, then yaw rate and steering angle as the module has them under D011 and D012.
    for (signal, (from, per_unit)) in [(1, 100.0), (3, 10.0)].into_iter().enumerate() {
        let values = of(&sent, signal);
        assert!(values.windows(2).any(|pair| pair[0].value != pair[1].value), "the car turns");
        for sample in values {
            let (_, heard) = sent.heard.iter().find(|(number, _)| *number == sample.exchange).unwrap();
            assert_eq!((heard.from, heard.bytes[0]), (Source::Frame(CanId::Standard(0x5EA)), 0xFF));
            let value = f64::from(i16::from_be_bytes([heard.bytes[from], heard.bytes[from + 1]])) / per_unit;
            assert!((value - sample.value).abs() < 1e-9, "{value} {}", sample.value);
        }
    }
}

#[test]
fn a_module_that_falls_silent_while_it_sends_sends_again_once_it_answers() {
    // Silent from the eighth to the sixteenth second of the car: its session ends meanwhile.
    let mut car = vehicle("fell?face=can&script=corners&warm=1&brake_ms=40&periodic_ms=10&jitter=0&silent=brake:8:16");
    car.allow_sessions(true);
    let mut planned = plan(&mut car, &common::definitions("fell"), &SENT);
    let keep = sample(&mut car, &mut planned, 30);
    let yaw = of(&keep, 0);
    assert!(yaw.iter().filter(|sample| sample.t_ns < 4_000 * MS).count() > 300);
    let late: Vec<&Sample> = yaw.iter().filter(|sample| sample.t_ns > 20_000 * MS).collect();
    // It is told to send by itself again: polled it would give 25 a second.
    assert!(late.len() > 900, "{} {:?}", late.len(), keep.notes);
    assert!(keep.notes.iter().any(|note| note.contains("does not answer")), "{:?}", keep.notes);
}
