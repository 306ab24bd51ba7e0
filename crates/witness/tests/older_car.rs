//! An older car on a K-line, which tells no VIN: surveyed, described by hand in its case, driven, commanded and cleared.

#![allow(clippy::unwrap_used, reason = "a test fails by panicking")]

mod common;

use common::Bench;
use serde_json::Value;

const CAR: &str = "standin:fen?script=pedal";

#[test]
fn a_car_without_a_vin_is_described_by_hand() {
    let bench = Bench::new();
    let shown = bench.run(&["survey", "--adapter", CAR]);
    assert_eq!(shown.status.code(), Some(0), "{}", String::from_utf8_lossy(&shown.stderr));
    let page = String::from_utf8(shown.stdout).unwrap().split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(page.contains("no VIN reported"), "{page}");
    // What the page says works as it stands there.
    let said = "witness case vehicle --plate PLATE --model 'MAKER MODEL YEAR' --engine ENGINE";
    assert!(page.contains(said), "{page}");
    let described = ["--plate", "TF 14", "--model", "Tarnwick Fen 2001", "--engine", "1.4 petrol"];
    let (code, _) = bench.json("case", &[&["case", "vehicle"][..], &described].concat());
    assert_eq!(code, 0);
    let (_, case) = bench.json("case", &["case", "show"]);
    let vehicle = &case["case"]["vehicle"];
    assert_eq!((&vehicle["plate"], &vehicle["model"]), (&"TF 14".into(), &"Tarnwick Fen 2001".into()));
    assert_eq!((&vehicle["engine"], &vehicle["vin"]), (&"1.4 petrol".into(), &Value::Null));

    let (code, survey) = bench.json("survey", &["survey", "--adapter", CAR]);
    assert_eq!((code, &survey["case"]["is_new"]), (0, &false.into()), "it belongs to the same case");
    let names: Vec<&str> =
        survey["modules"].as_array().unwrap().iter().map(|it| it["name"].as_str().unwrap()).collect();
    assert_eq!(names, ["Engine", "Gearbox", "Brakes", "Restraints", "Climate"]);
}

#[test]
fn it_is_driven_commanded_and_cleared() {
    let bench = Bench::new();
    let signals = ["--signals", "engine.speed,battery.voltage", "--seconds", "5", "--out", "d.mcap"];
    let (code, drive) = bench
        .json("drive-record", &[&["drive", "record", "--adapter", "standin:fen?script=idle"][..], &signals].concat());
    assert_eq!((code, drive["drive"]["signals"].as_array().unwrap().len()), (0, 2), "{drive}");

    let (code, list) = bench.json("command-list", &["command", "--adapter", CAR]);
    assert_eq!(code, 0, "{list}");
    let outputs: Vec<&str> = list["outputs"].as_array().unwrap().iter().map(|it| it["id"].as_str().unwrap()).collect();
    assert_eq!(outputs, ["ac.clutch", "fan.command"]);
    let order =
        ["command", "--adapter", CAR, "--output", "fan.command", "--level", "50", "--hold", "2", "--out", "c.mcap"];
    let (code, command) = bench.json("command", &[&order[..], &["--i-have-read"]].concat());
    assert_eq!((code, &command["returned"]), (0, &"confirmed".into()), "{command}");

    let (code, cleared) = bench.json("clear", &["clear", "--adapter", CAR, "--all", "--i-have-read"]);
    assert_eq!(code, 0, "{cleared}");
}

/// The file that a user copies from is the one that the car goes by.
#[test]
fn the_cars_definitions_are_shown() {
    let bench = Bench::new();
    let shown = bench.run(&["standin", "fen", "--show-definitions"]);
    assert_eq!(shown.stdout, standin::FEN_DEFINITIONS.as_bytes());
    std::fs::write(bench.path("fen.toml"), &shown.stdout).unwrap();
    let (code, checked) = bench.json("definitions-check", &["definitions", "check", "fen.toml"]);
    assert_eq!((code, checked["modules"].as_array().unwrap().len()), (0, 1), "{checked}");
}
