//! Clearing codes on the invented car: what is refused, what goes, what stays.
//!
//! Services 04 (SAE J1979) and 14 (ISO 14229-1); that permanent codes stay and readiness is lost: 13 CCR 1968.2.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a test fails by panicking")]

mod common;

use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use common::vehicle;
use protocol::Address;
use protocol::obd::codes::CodeList;
use vehicle::{ClearError, Clearing, Despite, Grant, Purpose, Vehicle};

fn grants(vehicle: &Vehicle) -> Vec<Grant> {
    let until = vehicle.now() + 60_000_000_000;
    vehicle.modules().iter().map(|module| Grant::new(module.address, Purpose::ClearCodes, until)).collect()
}

/// A car with a worn pedal track that stands with its engine off; the code is stored at once and permanent.
const WITH_CODES: &str = "fell?fault=pedal-wear:1:1:40:20&script=pedal&start=100";

fn n_codes(vehicle: &mut Vehicle, kind: &str) -> usize {
    let survey = vehicle.survey(|_| {});
    let codes = survey.modules.iter().flat_map(|module| &module.codes);
    codes
        .filter(|found| match kind {
            "permanent" => found.kinds.contains(&CodeList::Permanent),
            _ => found.kinds.iter().any(|kind| *kind != CodeList::Permanent),
        })
        .count()
}

/// By services 04 and 14, and where OBD is spoken on UDS (SAE J1979-2) by service 14 alone.
#[test]
fn codes_go_and_permanent_ones_stay() {
    for spec in [WITH_CODES.to_owned(), WITH_CODES.replace("fell", "beck")] {
        let mut car = vehicle(&spec);
        assert!(n_codes(&mut car, "stored") > 0, "{spec}: the car has something to clear");
        let permanent = n_codes(&mut car, "permanent");
        assert!(permanent > 0, "{spec}");
        let grants = grants(&car);
        let outcomes = car.clear_codes(&grants, Despite::default()).unwrap();
        assert_eq!(outcomes.len(), 4, "{spec}");
        assert!(outcomes.iter().all(|(_, outcome)| *outcome == Clearing::Confirmed), "{spec}: {outcomes:?}");
        assert_eq!((n_codes(&mut car, "stored"), n_codes(&mut car, "permanent")), (0, permanent), "{spec}");
    }
}

#[test]
fn one_module_alone() {
    let mut car = vehicle(WITH_CODES);
    let gearbox = Address::from_reply11(0x7E9);
    let grant = Grant::new(gearbox, Purpose::ClearCodes, i64::MAX);
    let before = n_codes(&mut car, "stored");
    let outcomes = car.clear_codes(&[grant], Despite::default()).unwrap();
    assert_eq!(outcomes, [(gearbox, Clearing::Confirmed)]);
    assert_eq!(n_codes(&mut car, "stored"), before, "the engine's codes are as they were");
}

#[test]
fn nothing_is_cleared_without_leave() {
    let mut car = vehicle(WITH_CODES);
    let before = n_codes(&mut car, "stored");
    let now = car.now();
    let expired = Grant::new(Address::from_reply11(0x7E8), Purpose::ClearCodes, now);
    for grants in [vec![], vec![Grant::default()], vec![expired]] {
        assert!(matches!(car.clear_codes(&grants, Despite::default()), Err(ClearError::Grant(_))));
    }
    let elsewhere = Grant::new(Address::from_reply11(0x7EF), Purpose::ClearCodes, i64::MAX);
    assert!(matches!(car.clear_codes(&[elsewhere], Despite::default()), Err(ClearError::NoModule(_))));
    assert_eq!(n_codes(&mut car, "stored"), before);
}

/// The flag is set before anything is cleared, and after that nothing more is told to clear; what comes next is not kept from it.
#[test]
fn stopped_before_the_first_module_nothing_is_cleared() {
    let mut car = vehicle(WITH_CODES);
    let before = n_codes(&mut car, "stored");
    let stop = Arc::new(AtomicBool::new(true));
    car.stop_on(&stop);
    let grants = grants(&car);
    assert_eq!(car.clear_codes(&grants, Despite::default()).unwrap(), []);
    assert!(car.was_stopped());
    car.go_on();
    assert_eq!(n_codes(&mut car, "stored"), before);
}

#[test]
fn neither_with_the_engine_running_nor_on_the_move() {
    let mut car = vehicle("fell?script=idle");
    let leave = grants(&car);
    let refused = car.clear_codes(&leave, Despite::default()).unwrap_err().to_string();
    assert!(refused.contains("the engine is running, at 7"), "{refused}");
    // Told to, it asks; this car's emissions modules refuse by themselves, which is said.
    let outcomes = car.clear_codes(&leave, Despite { engine_running: true, ..Despite::default() }).unwrap();
    let (module, outcome) = &outcomes[0];
    assert_eq!(module.to_string(), "7E8");
    assert!(matches!(outcome, Clearing::Refused(why) if why.contains("conditions not correct")), "{outcome:?}");
    let mut car = vehicle("fell?script=cruise&start=60");
    let leave = grants(&car);
    let despite = Despite { engine_running: true, speed_unknown: true, engine_unknown: true };
    let refused = car.clear_codes(&leave, despite).unwrap_err().to_string();
    assert!(refused.contains("the vehicle moves"), "{refused}");
}
