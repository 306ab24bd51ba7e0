//! The whole way from text on a serial line to samples, against the invented car on a virtual clock.
//!
//! The car encodes on its own and knows nothing of our decoders: what is checked here is that both read the published
//! formats alike (SAE J1979, ISO 14229-1, ISO 15765-2), and that losses on the way never make a wrong sample.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a test fails by panicking")]

mod common;

use common::{Keep, definitions, ids, sample, vehicle};
use definition::Definitions;
use vehicle::Plan;

fn drive(spec: &str, signals: &[&str], seconds: i64) -> (Plan, Keep) {
    sample(&mut vehicle(spec), &definitions(spec), signals, seconds)
}

#[test]
fn all_four_modules_are_found_and_surveyed() {
    let mut vehicle = vehicle("fell?script=mixed");
    let addresses: Vec<String> = vehicle.modules().iter().map(|module| module.address.to_string()).collect();
    assert_eq!(addresses, ["7E8", "7E9", "7EA", "7EB"]);
    let survey = vehicle.survey(|_| {});
    assert_eq!(survey.problems, Vec::<String>::new());
    for module in &survey.modules {
        assert_eq!(module.problems, Vec::<String>::new(), "{}", module.address);
        assert_eq!(module.codes, [], "{}", module.address);
        assert!(module.name.is_some(), "{}", module.address);
    }
    assert_eq!(survey.vin.as_ref().map(protocol::Vin::as_str), Some(standin::VIN));
    assert!(survey.vin.is_some_and(|vin| vin.check_digit_fits()));
    let engine = &survey.modules[0];
    assert!(engine.readiness.is_some() && !engine.results.is_empty() && engine.pids.has(0x0C));
    assert!(survey.supply_volts.is_some_and(|volts| (11.0..15.5).contains(&volts)), "{:?}", survey.supply_volts);
    assert!(!survey.raw.is_empty());
}

#[test]
fn a_faulty_coil_leaves_codes_a_freeze_frame_and_counts() {
    let mut vehicle = vehicle("fell?script=mixed&start=900&fault=misfire-coil:1:0.9");
    let survey = vehicle.survey(|_| {});
    let engine = &survey.modules[0];
    let codes: Vec<String> = engine.codes.iter().map(|found| found.code.to_string()).collect();
    assert!(codes.contains(&"P0301".to_owned()), "{codes:?} {:?}", engine.problems);
    let frame = engine.freeze_frames.first().unwrap();
    assert_eq!(frame.code.to_string(), "P0301");
    assert!(frame.data.iter().any(|part| part.pid == 0x0C), "{frame:?}");
    let misfires = |cylinder| {
        let of = |result: &&protocol::obd::monitors::MonitorResult| {
            result.cylinder() == Some(cylinder) && result.tid == 0x0C
        };
        engine.results.iter().find(of).and_then(protocol::obd::monitors::MonitorResult::physical)
    };
    assert!(misfires(1) > misfires(2), "{:?} {:?}", misfires(1), misfires(2));
}

#[test]
fn samples_of_one_answer_are_simultaneous_and_times_enclose_the_truth() {
    let signals = ["engine.speed", "vehicle.speed", "pedal.position_1", "pedal.position_2", "coolant.temperature"];
    let (plan, keep) = drive("fell?script=town", &signals, 20);
    assert!(plan.unavailable.is_empty(), "{:?}", plan.unavailable);
    assert_eq!(keep.gaps, []);
    let of = |idx: usize| keep.samples.iter().filter(move |(signal, _)| *signal == idx).map(|(_, sample)| *sample);
    for (a, b) in of(2).zip(of(3)) {
        assert_eq!((a.exchange, a.t_ns, a.asked_ns), (b.exchange, b.t_ns, b.asked_ns));
        assert!(a.asked_ns < a.t_ns);
    }
    // The coolant is worth asking for once a second; the others get everything that is left.
    assert!((18..=22).contains(&of(4).count()), "{}", of(4).count());
    assert!(of(0).count() > 20 * 20, "{}", of(0).count());
    // Raw first: every sample's bytes are there.
    let numbers: std::collections::BTreeSet<u32> = keep.exchanges.iter().map(|(number, _)| *number).collect();
    assert!(keep.samples.iter().all(|(_, sample)| numbers.contains(&sample.exchange)));
}

#[test]
fn an_adapter_that_vanishes_leaves_one_gap_and_the_recording_goes_on() {
    let (_, keep) = drive("fell?script=town&gone=5:3", &["engine.speed"], 20);
    assert_eq!(keep.gaps.len(), 1, "{:?}", keep.notes);
    let gap = &keep.gaps[0];
    let seconds = |t_ns: i64| t_ns as f64 / 1e9;
    assert!(seconds(gap.to_ns - gap.from_ns) >= 2.5 && seconds(gap.to_ns - gap.from_ns) < 8.0, "{gap:?}");
    assert!(keep.samples.iter().any(|(_, sample)| sample.t_ns > gap.to_ns + 1_000_000_000));
    assert!(keep.samples.iter().all(|(_, sample)| sample.t_ns <= gap.from_ns || sample.asked_ns >= gap.from_ns));
}

#[test]
fn a_silent_module_costs_the_others_little() {
    let signals = ["engine.speed", "wheel.speed.front_left"];
    let count = |keep: &Keep, idx: usize| keep.samples.iter().filter(|(signal, _)| *signal == idx).count();
    let (_, well) = drive("fell?script=town", &signals, 30);
    let (_, silent) = drive("fell?script=town&silent=brake:5:20", &signals, 30);
    assert!(count(&silent, 0) > count(&well, 0), "the engine gets what the brake module leaves");
    assert!(count(&silent, 1) > count(&well, 1) / 3, "{} of {}", count(&silent, 1), count(&well, 1));
    assert!(silent.notes.iter().any(|note| note.contains("answers again")), "{:?}", silent.notes);
    assert_eq!(silent.gaps, []);
}

#[test]
fn a_line_that_loses_bytes_costs_samples_and_never_makes_wrong_ones() {
    let signals = ["engine.speed", "vehicle.speed", "coolant.temperature", "pedal.position_1"];
    let (plan, keep) = drive("fell?script=cruise&warm=1&quirk=lose:0.002&quirk=rxerror:0.005", &signals, 60);
    assert!(keep.samples.len() > 1000, "{} {:?}", keep.samples.len(), keep.notes);
    for (signal, sample) in &keep.samples {
        let plausible = match plan.signals[*signal].id.as_str() {
            "engine.speed" => (0.0..=7000.0).contains(&sample.value),
            "vehicle.speed" => (0.0..=200.0).contains(&sample.value),
            "coolant.temperature" => (-40.0..=130.0).contains(&sample.value),
            _ => (0.0..=100.0).contains(&sample.value),
        };
        assert!(plausible, "{} {sample:?}", plan.signals[*signal].id);
    }
}

#[test]
fn unknown_and_unreadable_signals_say_why() {
    let mut vehicle = vehicle("fell");
    let plan =
        vehicle.plan(&ids(&["engine.speed", "engine.sped", "custom.boost_of_nothing"]), &Definitions::standard());
    let plan = plan.unwrap();
    assert_eq!(plan.signals.len(), 1);
    let missing: Vec<&str> = plan.unavailable.iter().map(|missing| missing.id.as_str()).collect();
    assert_eq!(missing, ["engine.sped", "custom.boost_of_nothing"]);
    assert!(plan.unavailable.iter().all(|missing| missing.reason.contains("witness signals")));
}
