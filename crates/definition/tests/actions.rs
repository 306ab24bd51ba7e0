//! Outputs and routines of a maker's file: the requests that they make, and every mistake with its line.
//!
//! The bytes follow the layouts of ISO 14229-1, ISO 14230-3 and SAE J1979, which the tests of `protocol` hold against
//! a general-purpose UDS library.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a test fails by panicking")]

use definition::{Condition, Definitions, Drive, Output, ParameterError, Range, Routine};

const EXAMPLE: &str = include_str!("../data/makers/example.toml");
const VIN: Option<&str> = Some("2ZZEXAMPLE0000001");

fn load(text: &str) -> Definitions {
    let mut definitions = Definitions::standard();
    definitions.load_toml(text, "example.toml").unwrap();
    definitions
}

fn output(definitions: &Definitions, id: &str) -> Output {
    definitions.outputs(VIN).find(|output| output.id.as_str() == id).unwrap().clone()
}

fn window(definitions: &Definitions) -> Routine {
    definitions.routines(VIN).next().unwrap().clone()
}

#[test]
fn levels_become_bytes() {
    let definitions = load(EXAMPLE);
    let fan = output(&definitions, "fan.command");
    assert!(matches!(fan.range, Range::Level { min: 0.0, max: 100.0, .. }));
    assert_eq!(fan.drive_request(100.0).unwrap(), [0x2F, 0xD0, 0x31, 0x03, 0xFF]);
    assert_eq!(fan.drive_request(50.0).unwrap(), [0x2F, 0xD0, 0x31, 0x03, 0x80], "127.5 rounds up");
    assert_eq!(fan.return_request(), [0x2F, 0xD0, 0x31, 0x00]);
    assert_eq!((fan.safe, fan.on_level(), fan.is_on(1.0), fan.is_on(0.0)), (0.0, 100.0, true, false));
    let error = fan.drive_request(100.5).unwrap_err();
    assert_eq!(error.to_string(), "`fan.command` takes 0 to 100 %, not 100.5");
    assert!(fan.drive_request(f64::NAN).is_err());

    let wiper = output(&definitions, "custom.wiper");
    assert_eq!(wiper.drive_request(1.0).unwrap(), [0x30, 0x12, 0x07, 0x00, 0x80]);
    assert_eq!(wiper.drive_request(0.0).unwrap(), [0x30, 0x12, 0x07, 0x00, 0x00]);
    assert_eq!(wiper.return_request(), [0x30, 0x12, 0x00]);
    assert!(wiper.drive_request(0.5).is_err(), "a switch knows on and off");
    assert_eq!(wiper.care.all_conditions(), [Condition::Standing, Condition::EngineOff]);
    assert!(definitions.outputs(None).next().is_none(), "a file is for the vehicles it names");
}

#[test]
fn other_services_that_drive() {
    let text = EXAMPLE.replace("did = \"D031\"", "test = \"21\"").replace("longest_s = 120", "while_moving = true");
    let fan = output(&load(&text), "fan.command");
    assert_eq!(fan.drive, Drive::Test { tid: 0x21 });
    assert_eq!(fan.drive_request(100.0).unwrap(), [0x08, 0x21, 0xFF]);
    assert_eq!(fan.return_request(), [0x08, 0x21, 0x00], "the safe level, for service 08 cannot return control");
    assert!(!fan.care.all_conditions().contains(&Condition::Standing));
    let text = EXAMPLE.replace("did = \"D031\"", "routine = \"0A01\"");
    let fan = output(&load(&text), "fan.command");
    assert_eq!(fan.drive_request(100.0).unwrap(), [0x31, 0x01, 0x0A, 0x01, 0xFF]);
    assert_eq!(fan.return_request(), [0x31, 0x02, 0x0A, 0x01]);
    let text = EXAMPLE.replace("did = \"D031\"", "did = \"D031\"\nmask = [0x40]");
    let fan = output(&load(&text), "fan.command");
    assert_eq!(fan.drive_request(100.0).unwrap(), [0x2F, 0xD0, 0x31, 0x03, 0xFF, 0x40]);
}

#[test]
fn a_routine_with_parameters_and_results() {
    let routine = window(&load(EXAMPLE));
    let given = |pairs: &[(&str, f64)]| -> Vec<(String, f64)> {
        pairs.iter().map(|(name, value)| ((*name).to_owned(), *value)).collect()
    };
    assert_eq!(routine.start_request(&given(&[("window", 2.0)])).unwrap(), [0x31, 0x01, 0x02, 0x03, 2, 30]);
    let both = given(&[("force", 100.0), ("window", 4.0)]);
    assert_eq!(routine.start_request(&both).unwrap(), [0x31, 0x01, 0x02, 0x03, 4, 50]);
    assert_eq!(routine.stop_request(), [0x31, 0x02, 0x02, 0x03]);
    assert_eq!(routine.results_request(), [0x31, 0x03, 0x02, 0x03]);
    assert!(matches!(routine.start_request(&[]), Err(ParameterError::Missing { .. })));
    let outside = given(&[("window", 5.0)]);
    assert!(matches!(routine.start_request(&outside), Err(ParameterError::Value { .. })));
    let unknown = given(&[("window", 1.0), ("door", 1.0)]);
    assert!(matches!(routine.start_request(&unknown), Err(ParameterError::Unknown { .. })));
    let outcome = &routine.results[0];
    assert_eq!((outcome.value(&[2]), outcome.text(&[2])), (Some(2.0), Some("blocked")));
    assert_eq!((outcome.value(&[]), outcome.text(&[7])), (None, None));
}

#[test]
fn mistakes_are_answered_with_their_line() {
    let cases = [
        ("did = \"D031\"", "", "an output has one of", "id = \"fan.command\"\ntitle = \"radiator fan\""),
        (
            "did = \"D031\"",
            "did = \"D031\"\nlocal = \"01\"",
            "an output has one of",
            "id = \"fan.command\"\ntitle = \"radiator fan\"",
        ),
        ("local = \"12\"", "local = \"123\"", "has 2 hex digits", "local = \"123\""),
        (
            "max = 100, unit = \"%\"",
            "max = 101, unit = \"%\"",
            "does not fit the bits",
            "id = \"fan.command\"\ntitle = \"radiator fan\"",
        ),
        ("\"ignition on\"", "\"ignition\"", "is no condition", "\"ignition\""),
        ("max = 110", "min = 120, max = 110", "enclose nothing", "min = 120"),
        ("longest_s = 120", "longest_s = 0", "must be above 0", "longest_s = 0"),
        (
            "[\"The wiper moves without warning: nobody at the windscreen.\"]",
            "[]",
            "`cautions` must not be empty",
            "cautions = []",
        ),
        (
            "cautions = [\"The wiper moves without warning: nobody at the windscreen.\"]",
            "",
            "missing field `cautions`",
            "",
        ),
        ("default = 60", "default = 10", "enclose nothing", "name = \"force\""),
        ("byte = 1, multiply = 2", "byte = 2", "do not fit the 2 bytes", "name = \"force\""),
        (
            "id = \"custom.wiper\"",
            "id = \"fan.command\"",
            "output `fan.command` is defined twice",
            "id = \"fan.command\"\ntitle = \"windscreen wiper\"",
        ),
        ("routine = \"0203\"", "", "either `routine`", "id = \"custom.window_learn\""),
    ];
    for (old, new, message, at) in cases {
        assert!(EXAMPLE.contains(old), "{old}");
        let text = EXAMPLE.replacen(old, new, 1);
        let error = Definitions::standard().load_toml(&text, "x.toml").unwrap_err();
        assert!(error.to_string().contains(message), "{error}, expected {message}");
        if !at.is_empty() {
            let line = 1 + text[..text.find(at).unwrap()].matches('\n').count();
            assert_eq!(error.line, line, "{error}");
        }
    }
}
