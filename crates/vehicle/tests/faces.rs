//! Every face of the invented car is surveyed, driven, commanded and cleared.
//!
//! Which modules answer, with which codes, is the car's own; the faces only carry it. Control that went back is read from
//! the car itself. The pass-thru library (SAE J2534) is built by the test and bridges to the serial-line face.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a test fails by panicking")]

mod common;
#[path = "../../standin/tests/served/mod.rs"]
mod served;

use std::path::PathBuf;
use std::process::Command;

use common::{Keep, S, definitions, sample};
use definition::Definitions;
use link::{Link, Settings};
use protocol::obd::codes::CodeList;
use vehicle::{Clearing, Despite, Ended, Grant, Order, Pattern, Purpose, Returned, Survey, Vehicle, Wish};

/// A car that stands with its engine off, with a code of a worn pedal track.
const CAR: &str = "fell?fault=pedal-wear:1:1:40:20&script=pedal&start=100";
/// The older one, whose gearbox module remembers something.
const OLD_CAR: &str = "fen?script=pedal&start=100";

/// What is to be found behind a face.
struct Behind {
    face: &'static str,
    n_modules: usize,
    code: &'static str,
    /// Outputs can be driven there.
    has_outputs: bool,
}

const fn behind(face: &'static str) -> Behind {
    Behind { face, n_modules: 4, code: "P2138", has_outputs: true }
}

const fn k_line(face: &'static str, n_modules: usize) -> Behind {
    Behind { face, n_modules, code: "P0720", has_outputs: true }
}

const FACES: [Behind; 10] = [
    behind("face=at"),
    behind("face=at&bus=can29-500"),
    behind("face=at&count=refused&bus=can11-250"),
    behind("face=slcan"),
    behind("face=slcan&bus=can29-250"),
    behind("face=can"),
    behind("face=doip"),
    behind("face=doip&bus=can29-500"),
    k_line("bus=kwp-fast", 5),
    k_line("bus=kwp-5baud", 5),
];

fn stored(survey: &Survey) -> Vec<String> {
    let codes = survey.modules.iter().flat_map(|module| &module.codes);
    codes.filter(|found| found.kinds.contains(&CodeList::Stored)).map(|found| found.code.to_string()).collect()
}

/// The whole way through one face.
fn pass(link: Box<dyn Link>, mut definitions: Definitions, behind: &Behind, is_brief: bool) {
    let face = behind.face;
    let mut car = Vehicle::find(link).unwrap_or_else(|error| panic!("{face}: {error}"));
    car.find_defined(&mut definitions).unwrap();

    // Surveyed.
    let survey = if is_brief { car.survey(|_| {}) } else { car.survey_everything(&definitions, |_| {}) };
    assert_eq!((survey.problems.as_slice(), survey.modules.len()), (&[][..], behind.n_modules), "{face}");
    for module in &survey.modules {
        assert!(module.problems.is_empty() && module.name.is_some(), "{face}: {module:?}");
    }
    let codes = stored(&survey);
    assert!(codes.contains(&behind.code.to_owned()), "{face}: {codes:?}");

    // Driven: a standard signal and one of the maker's.
    let (plan, keep) = sample(&mut car, &definitions, &["coolant.temperature", "fan.command"], 4);
    assert_eq!((plan.unavailable.as_slice(), keep.gaps.as_slice()), (&[][..], &[][..]), "{face}");
    assert!(keep.values(&plan, "coolant.temperature").iter().all(|(_, value)| (60.0..110.0).contains(value)), "{face}");
    assert!(keep.values(&plan, "fan.command").len() >= 3, "{face}: {:?}", keep.notes);

    // Commanded.
    let vin = survey.vin.as_ref().map(protocol::Vin::as_str);
    let output = definitions.outputs(vin).find(|output| output.id.as_str() == "fan.command");
    assert_eq!(output.is_some(), behind.has_outputs, "{face}");
    if let Some(output) = output {
        let order = Order::Output { output, pattern: Pattern::Hold { level: 60.0, seconds: 3.0 } };
        let grant = Grant::new(output.module, order.purpose(), car.now() + 60 * S);
        let wishes: Vec<Wish> = common::ids(&["fan.command"]).into_iter().map(Wish::from).collect();
        let mut plan = car.plan_beside(&order, &wishes, &definitions).unwrap();
        let mut keep = Keep::default();
        let conduct = car.command(&order, &grant, &mut plan, &mut keep, &mut || vehicle::Hand::Pressed).unwrap();
        assert_eq!((conduct.ended, conduct.returned), (Ended::Complete, Returned::Confirmed), "{face}");
        let fan = keep.values(&plan, "fan.command");
        let most = fan.iter().map(|(_, value)| *value).fold(0.0, f64::max);
        assert!((most - 60.0).abs() < 3.0 && fan.last().unwrap().1 < 5.0, "{face}: {most}, {:?}", fan.last());
    }

    // Cleared, and read again.
    let all: Vec<Grant> =
        car.modules().iter().map(|it| Grant::new(it.address, Purpose::ClearCodes, i64::MAX)).collect();
    let outcomes = car.clear_codes(&all, Despite::default()).unwrap();
    assert_eq!(outcomes.len(), behind.n_modules, "{face}");
    assert!(outcomes.iter().all(|(_, outcome)| *outcome == Clearing::Confirmed), "{face}: {outcomes:?}");
    let left = stored(&car.survey(|_| {}));
    assert!(!left.contains(&behind.code.to_owned()), "{face}: {left:?}");
}

#[test]
fn every_face_is_surveyed_driven_commanded_and_cleared() {
    for behind in &FACES {
        let car = if behind.face.starts_with("bus=") { OLD_CAR } else { CAR };
        let spec = format!("{car}&{}", behind.face);
        let link = standin::open(&spec, Settings::default()).unwrap_or_else(|error| panic!("{spec}: {error}"));
        pass(link, definitions(&spec), behind, false);
    }
}

/// A pass-thru library that speaks with the serial-line adapter at this address.
fn library(address: &str) -> PathBuf {
    let (prefix, suffix) = (std::env::consts::DLL_PREFIX, std::env::consts::DLL_SUFFIX);
    let library = PathBuf::from(env!("CARGO_TARGET_TMPDIR")).join(format!("{prefix}faces{suffix}"));
    let built = Command::new(std::env::var_os("RUSTC").unwrap_or_else(|| "rustc".into()))
        .args(["--crate-type", "cdylib", "--edition", "2024", "-o"])
        .arg(&library)
        .arg(concat!(env!("CARGO_MANIFEST_DIR"), "/../standin/tests/passthru/library.rs"))
        .env("STANDIN_ADDRESS", address)
        .output()
        .unwrap();
    assert!(built.status.success(), "{}", String::from_utf8_lossy(&built.stderr));
    library
}

/// In real time, so that the addresses beyond the legislated ones are not asked.
#[test]
fn a_pass_thru_library_is_surveyed_driven_commanded_and_cleared() {
    let spec = format!("{CAR}&face=slcan&baud=1000000");
    served::served(&spec, |port| {
        let address = format!("passthru:{}", library(&format!("127.0.0.1:{port}")).display());
        let link = link::open(&address, Settings::default()).unwrap();
        pass(link, definitions(&spec), &behind("SAE J2534"), true);
    });
}

/// ISO 9141-2 knows requests to everyone alone: emissions diagnostics, and nothing of the maker's.
#[test]
fn iso_9141_is_surveyed_driven_and_cleared() {
    let spec = "fen?script=pedal&start=100&bus=iso9141";
    let mut car = Vehicle::find(standin::open(spec, Settings::default()).unwrap()).unwrap();
    let mut definitions = definitions(spec);
    car.find_defined(&mut definitions).unwrap();
    let survey = car.survey_everything(&definitions, |_| {});
    assert_eq!((survey.problems.as_slice(), survey.modules.len()), (&[][..], 1));
    let (plan, keep) = sample(&mut car, &Definitions::standard(), &["engine.speed", "coolant.temperature"], 5);
    assert!(keep.values(&plan, "coolant.temperature").len() >= 3, "{:?}", keep.notes);
    let grant = Grant::new(survey.modules[0].address, Purpose::ClearCodes, i64::MAX);
    let outcomes = car.clear_codes(&[grant], Despite::default()).unwrap();
    assert_eq!(outcomes, [(survey.modules[0].address, Clearing::Confirmed)]);
}
