//! Outputs of an older car on a K-line: driven and given back behind an AT-command adapter.
//!
//! Services 21, 30 to 33, 10 and 3E of ISO 14230-3, P3 of ISO 14230-2 (from memory). The car's engine module ends its session
//! five seconds after the last request, by its own rule.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a test fails by panicking")]

mod common;

use common::{Keep, S, definitions, sample, vehicle};
use definition::Definitions;
use protocol::Address;
use protocol::obd::codes::CodeList;
use vehicle::{ClearError, Clearing, Conduct, Despite, Ended, Grant, Order, Pattern, Plan, Purpose, Returned, Vehicle};

const ENGINE: Address = Address::Node(0x10);
const IDLE: &str = "fen?script=idle";
/// Stands with its engine off.
const OFF: &str = "fen?script=pedal";

struct Run {
    car: Vehicle,
    plan: Plan,
    keep: Keep,
    conduct: Conduct,
}

fn command(spec: &str, order: fn(&Definitions) -> Order<'_>, held: &mut dyn FnMut() -> bool) -> Run {
    let (mut car, definitions) = (vehicle(spec), definitions(spec));
    let order = order(&definitions);
    let grant = Grant::new(ENGINE, order.purpose(), car.now() + 600 * S);
    let mut plan = car.plan_beside(&order, &[], &definitions).unwrap();
    let mut keep = Keep::default();
    let conduct = car.command(&order, &grant, &mut plan, &mut keep, &mut || vehicle::Hand::from(held())).unwrap();
    Run { car, plan, keep, conduct }
}

fn clutch(definitions: &Definitions) -> Order<'_> {
    let output = definitions.outputs(None).find(|output| output.id.as_str() == "ac.clutch").unwrap();
    Order::Output { output, pattern: Pattern::Hold { level: 1.0, seconds: 8.0 } }
}

fn ramp(definitions: &Definitions) -> Order<'_> {
    let routine = definitions.routines(None).next().unwrap();
    Order::Routine { routine, parameters: vec![("step".to_owned(), 1.0)], seconds: 6.0 }
}

/// State of the clutch's relay.
fn relay(car: &mut Vehicle) -> f64 {
    let (_, keep) = sample(car, &definitions(IDLE), &["ac.clutch"], 1);
    keep.samples.last().unwrap().1.value
}

#[test]
fn a_block_by_local_identifier_brings_all_its_signals_at_once() {
    let names = ["engine.speed", "vehicle.speed", "coolant.temperature", "battery.voltage"];
    let (plan, keep) = sample(&mut vehicle(IDLE), &definitions(IDLE), &names, 10);
    assert!(plan.unavailable.is_empty() && plan.signals.iter().all(|signal| signal.source == "10 21 01"));
    let values = |name: &str| keep.values(&plan, name);
    assert!(values("engine.speed").iter().all(|(_, rpm)| (650.0..900.0).contains(rpm)));
    assert!(values("battery.voltage").iter().all(|(_, volts)| (13.0..15.0).contains(volts)));
    let first: Vec<u32> = keep.samples.iter().take(4).map(|(_, sample)| sample.exchange).collect();
    assert_eq!(first, [first[0]; 4]);
    // The line is opened to the module once; after that, about 7 blocks a second.
    assert!(values("engine.speed").len() > 50, "{}", values("engine.speed").len());
}

#[test]
fn an_output_is_driven_and_given_back() {
    let mut run = command(IDLE, clutch, &mut || true);
    assert_eq!((run.conduct.ended, run.conduct.returned), (Ended::Complete, Returned::Confirmed));
    let pressure = run.keep.values(&run.plan, "engine.speed");
    assert!(pressure.len() > 30);
    assert_eq!(run.keep.times_s(&[0x10, 0x89]).len(), 1);
    assert_eq!(run.keep.times_s(&[0x30, 0x13, 0x07, 0x01]).len(), 1);
    assert_eq!(run.keep.times_s(&[0x30, 0x13, 0x00]).len(), 1);
    assert_eq!(run.keep.times_s(&[0x10, 0x81]).len(), 1, "the session is left");
    let marks: Vec<&str> = run.keep.marks.iter().map(|mark| mark.text.as_str()).collect();
    assert_eq!(marks, ["ac.clutch on", "ac.clutch off"]);
    assert_eq!(relay(&mut run.car), 0.0);
}

#[test]
fn let_go_it_goes_back_at_once_and_a_tester_that_dies_loses_it_by_the_session() {
    let mut calls = 0;
    let mut run = command(IDLE, clutch, &mut || {
        calls += 1;
        calls < 60
    });
    assert_eq!((run.conduct.ended, run.conduct.returned), (Ended::Released, Returned::Confirmed));
    assert_eq!(relay(&mut run.car), 0.0);

    // A tester that asks by hand and then says nothing any more.
    let mut link = standin::open(IDLE, link::Settings::default()).unwrap();
    let mut ask = |bytes: &[u8]| {
        let request = link::Request { to: link::Target::Module(ENGINE), bytes: bytes.to_vec(), n_replies: Some(1) };
        link.exchange(&request).unwrap().replies.pop().map(|reply| reply.bytes).unwrap_or_default()
    };
    assert_eq!(ask(&[0x30, 0x13, 0x07, 0x01]), [0x7F, 0x30, 0x80], "not in this session");
    assert_eq!(ask(&[0x10, 0x89]), [0x50, 0x89]);
    assert_eq!(ask(&[0x30, 0x13, 0x07, 0x01]), [0x70, 0x13, 0x07, 0x01]);
    let relay_on = |block: Vec<u8>| block[11] == 1;
    assert!(relay_on(ask(&[0x21, 0x01])));
    // Opening the line to another module leaves this one alone.
    let other = link::Request { to: link::Target::Module(Address::Node(0x28)), bytes: vec![0x3E, 1], n_replies: None };
    let from = link.now();
    while link.now() < from + 6 * S {
        link.exchange(&other).unwrap();
    }
    let block = link::Request { to: link::Target::Module(ENGINE), bytes: vec![0x21, 1], n_replies: Some(1) };
    let replies = link.exchange(&block).unwrap().replies;
    assert!(!relay_on(replies[0].bytes.clone()), "{replies:?}");
}

#[test]
fn a_routine_runs_and_tells_its_result() {
    let run = command(OFF, ramp, &mut || true);
    assert_eq!((run.conduct.ended, run.conduct.returned), (Ended::Complete, Returned::Confirmed));
    assert_eq!(run.conduct.results, Some(vec![1]), "passed");
}

/// Service 14 goes to one module; service 04 to everyone who speaks OBD, which is the engine here.
#[test]
fn codes_are_cleared_module_by_module() {
    let mut car = vehicle(OFF);
    let codes = |car: &mut Vehicle| -> Vec<String> {
        let survey = car.survey_everything(&Definitions::standard(), |_| {});
        let stored = survey.modules.iter().flat_map(|module| &module.codes);
        stored.filter(|it| it.kinds.contains(&CodeList::Stored)).map(|it| it.code.to_string()).collect()
    };
    assert_eq!(codes(&mut car), ["P0720", "C0035", "B1020"]);
    let grant = |node: u8| Grant::new(Address::Node(node), Purpose::ClearCodes, i64::MAX);
    assert!(matches!(car.clear_codes(&[], Despite::default()), Err(ClearError::Grant(_))));
    let outcomes = car.clear_codes(&[grant(0x18)], Despite::default()).unwrap();
    assert_eq!(outcomes, [(Address::Node(0x18), Clearing::Confirmed)]);
    assert_eq!(codes(&mut car), ["C0035", "B1020"]);
    let all: Vec<Grant> =
        car.modules().iter().map(|it| Grant::new(it.address, Purpose::ClearCodes, i64::MAX)).collect();
    let outcomes = car.clear_codes(&all, Despite::default()).unwrap();
    assert!(outcomes.len() == 5 && outcomes.iter().all(|(_, it)| *it == Clearing::Confirmed), "{outcomes:?}");
    // The brakes' fault is still there, and is found again at once.
    assert_eq!(codes(&mut car), ["C0035"]);
}
