//! Surveys of whole cars: many modules in several dialects, and OBD on UDS.

#![allow(clippy::unwrap_used, clippy::indexing_slicing, clippy::panic, reason = "a test may fail")]

mod common;

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use definition::Definitions;
use link::{AtLink, Link, Request, Settings, Target};
use vehicle::{ModuleSurvey, Speaks, Survey, Vehicle};

fn survey(spec: &str) -> Survey {
    let link = AtLink::start(standin::dial(spec).unwrap(), Settings::default()).unwrap();
    Vehicle::find(Box::new(link)).unwrap().survey_everything(&Definitions::standard(), |_| {})
}

fn module<'s>(survey: &'s Survey, address: &str) -> &'s ModuleSurvey {
    let found = survey.modules.iter().find(|module| module.address.to_string() == address);
    found.unwrap_or_else(|| panic!("{address} was not found"))
}

fn codes(module: &ModuleSurvey) -> Vec<String> {
    module.codes.iter().map(|found| found.code.to_string()).collect()
}

/// How long the survey took on the car's clock, s.
fn seconds(survey: &Survey) -> f64 {
    let times = || survey.raw.iter().map(|raw| raw.exchange.asked_ns);
    (times().max().unwrap() - times().min().unwrap()) as f64 / 1e9
}

#[test]
fn an_adapter_that_does_not_tell_who_answers_finds_nobody_and_says_so() {
    let survey = survey("beck?script=idle&bus=can29-500&quirk=noheaders");
    let names: Vec<String> = survey.modules.iter().map(|module| module.address.to_string()).collect();
    assert_eq!(names, ["18DAF110"]);
    let said = |part: &str| survey.problems.iter().any(|problem| problem.contains(part));
    assert!(said("at the legislated addresses alone") && said("does not tell who answers"), "{:?}", survey.problems);
}

#[test]
fn looking_for_modules_ends_also_where_each_address_takes_seconds() {
    let survey = survey("beck?script=idle&rtt_ms=1500");
    let ended = "looking for modules was ended after 300 s, before 7";
    assert!(survey.problems.iter().any(|problem| problem.starts_with(ended)), "{:?}", survey.problems);
    let looked = survey.raw.iter().filter(|raw| matches!(raw.to, Target::Anyone(_)));
    let times: Vec<i64> = looked.map(|raw| raw.exchange.asked_ns).collect();
    let took_s = (times.last().unwrap() - times[0]) as f64 / 1e9;
    assert!((250.0..=300.0).contains(&took_s), "{took_s}");
}

/// Stopped at a line of its progress: a module that is being read is read whole, and nothing more is begun.
#[test]
fn a_survey_that_is_stopped_keeps_what_was_read_and_says_where() {
    let stopped_at = |part: &str| {
        let link = AtLink::start(standin::dial("crag?script=idle").unwrap(), Settings::default()).unwrap();
        let mut car = Vehicle::find(Box::new(link)).unwrap();
        let stop = Arc::new(AtomicBool::new(false));
        car.stop_on(&stop);
        let survey = car.survey_everything(&Definitions::standard(), |line| {
            assert!(!stop.load(Ordering::Relaxed), "nothing is begun any more: {line}");
            stop.store(line.contains(part), Ordering::Relaxed);
        });
        assert!(car.was_stopped());
        survey
    };
    let survey = stopped_at("(3 of 25)");
    assert_eq!(survey.modules.len(), 3);
    assert!(survey.modules.iter().all(|module| !module.is_cut_short && module.name.is_some()), "{:?}", survey.modules);
    assert_eq!(survey.problems, ["the survey was stopped before module 77F (4 of 25); survey again for the rest"]);
    let survey = stopped_at("addresses 700 to 70F");
    let begins =
        ["the survey was stopped before module ", "looking for modules was ended before 700, as it was stopped"];
    assert!(survey.modules.is_empty() && survey.vin.is_some(), "{:?}", survey.vin);
    assert_eq!(survey.problems.len(), 2, "{:?}", survey.problems);
    assert!(survey.problems.iter().zip(begins).all(|(it, begin)| it.starts_with(begin)), "{:?}", survey.problems);
    let looked = survey.raw.iter().filter(|raw| matches!(raw.to, Target::Anyone(_))).count();
    assert!(looked < 20, "{looked} addresses were asked");
}

/// Every address is asked again where something odd came, and is silent then, or answers: what cannot be known is said.
#[test]
fn a_module_that_a_forgetful_adapter_may_have_missed_is_not_passed_over() {
    let tells = |spec| survey(spec).problems.iter().any(|problem| problem.starts_with("the adapter lost its settings"));
    assert!(tells("fen?script=pedal&seed=177&start=129&bus=kwp-5baud&baud=38400&quirk=forget:4.6"));
    assert!(!tells("fen?script=pedal&seed=177&start=129&bus=kwp-5baud&baud=38400"));
}

#[test]
fn a_car_with_25_modules_in_several_dialects() {
    let survey = survey("crag?script=idle");
    assert_eq!(survey.problems, Vec::<String>::new());
    assert_eq!(survey.modules.len(), 25);
    let problems: Vec<&String> = survey.modules.iter().flat_map(|module| &module.problems).collect();
    assert!(problems.is_empty(), "{problems:?}");
    let speaking = |speaks| survey.modules.iter().filter(|module| module.speaks == speaks).count();
    assert_eq!([Speaks::Obd, Speaks::Uds, Speaks::Kwp].map(speaking), [2, 20, 3]);
    assert!(survey.modules.iter().all(|module| module.name.is_some()));
    // Not at the legislated distance, found by the functional request; deaf to that one, found by its address.
    assert_eq!(format!("{:#}", module(&survey, "77A").address), "710-77A");
    assert_eq!(format!("{:#}", module(&survey, "7DD").address), "773-7DD");
    // Codes with status, frozen values and records in UDS.
    let gateway = module(&survey, "77A");
    assert_eq!(codes(gateway), ["U0159-87", "U0140-87"]);
    assert!(gateway.codes[0].status.unwrap().failing_now() && !gateway.codes[1].status.unwrap().failing_now());
    let frame = &gateway.freeze_frames[0];
    assert!(frame.data.iter().any(|part| part.pid == 0x0C) && frame.others.iter().any(|part| part.did == 0xD0F0));
    assert!(gateway.records.iter().any(|record| record.record == Some(1) && record.data[0] > 0), "{gateway:?}");
    // In KWP2000, over CAN.
    let climate = module(&survey, "7B0");
    assert_eq!((climate.name.as_deref(), codes(climate)), (Some("Climate control"), vec!["B1E20".to_owned()]));
    assert!(climate.codes[0].kwp_status.unwrap().present() && climate.records[0].data == [3, 0x02, 0x3A]);
    // Who is missing, by what the others say.
    let missing = &survey.missing[0];
    assert_eq!((missing.code.to_string().as_str(), missing.reported_by.len(), missing.is_now), ("U0159", 3, true));
    assert_eq!(missing.who, "parking assistance module A");
    assert!(!survey.missing[1].is_now);
    // Under a minute behind an adapter at 115 200 baud.
    assert!(seconds(&survey) < 60.0, "{} s", seconds(&survey));
}

#[test]
fn the_same_with_29_bits() {
    let survey = survey("crag?script=idle&bus=can29-500");
    assert_eq!(survey.modules.len(), 25);
    assert_eq!(vehicle::kind_of(module(&survey, "18DAF128").address), Some("brakes"));
    assert!(seconds(&survey) < 60.0, "{} s", seconds(&survey));
}

#[test]
fn a_car_with_obd_on_uds_is_recognised_and_surveyed() {
    let spec = "beck?script=mixed&start=900&fault=misfire-coil:1:0.9";
    let survey = survey(spec);
    assert_eq!(survey.problems, Vec::<String>::new());
    let engine = module(&survey, "7E8");
    assert_eq!((engine.speaks, engine.problems.as_slice()), (Speaks::ObdOnUds, &[][..]));
    assert_eq!(codes(engine)[0], "P0301-00");
    let found = &engine.codes[0];
    let kinds: Vec<&str> = found.kinds.iter().map(|kind| kind.name()).collect();
    assert!(kinds.contains(&"stored") && kinds.contains(&"permanent"), "{kinds:?}");
    assert!(engine.readiness.is_some() && engine.pids.has(0x0C) && !engine.results.is_empty());
    assert!(engine.freeze_frames[0].data.iter().any(|part| part.pid == 0x0C));
    let vin = survey.vin.as_ref().unwrap();
    assert!(vin.as_str().starts_with("GTWBK") && vin.check_digit_fits());

    // Readiness by groups (service 19 56), which have no parameter 01 beside them.
    let readiness = engine.readiness.as_ref().unwrap();
    assert!(!engine.pids.has(0x01) && readiness.lamp && readiness.n_codes > 0, "{readiness:?}");
    let names: Vec<&str> = readiness.fitted().map(|monitor| monitor.name).collect();
    assert_eq!(names, ["readiness group 01", "readiness group 02", "readiness group 05"]);
}

/// Driven on every face: parameters by identifier, several in one request, with the values that services 01 would tell.
#[test]
fn a_car_with_obd_on_uds_is_driven() {
    for face in ["at", "at&bus=can29-500", "slcan", "doip"] {
        let spec = format!("beck?script=cruise&warm=1&face={face}");
        let mut vehicle = common::vehicle(&spec);
        assert!(vehicle.vin().unwrap().is_some_and(|vin| vin.as_str().starts_with("GTWBK")), "{face}");
        let names = ["engine.speed", "coolant.temperature", "vehicle.speed", "engine.load"];
        let (plan, keep) = common::sample(&mut vehicle, &Definitions::standard(), &names, 10);
        assert_eq!((plan.unavailable.as_slice(), keep.gaps.as_slice()), (&[][..], &[][..]), "{face}");
        assert!(plan.signals[0].source.ends_with("22 F4 0C"), "{}", plan.signals[0].source);
        let rpm = keep.values(&plan, "engine.speed");
        assert!(rpm.len() > 200 && rpm.iter().all(|(_, rpm)| (500.0..5000.0).contains(rpm)), "{face}: {}", rpm.len());
        assert!(keep.values(&plan, "coolant.temperature").iter().all(|(_, value)| (70.0..110.0).contains(value)));
        let several = keep.exchanges.iter().filter(|(_, raw)| raw.request.len() > 3).count();
        assert!(several > 100, "{face}: several identifiers in one request: {several}");
    }
}

/// A line that loses characters costs questions asked twice, and no problem that is none.
#[test]
fn damage_that_was_made_good_is_a_note() {
    let survey = survey("fell?script=idle&quirk=rxerror:0.02");
    assert!(!survey.notes.is_empty());
    let lost = |module: &ModuleSurvey| module.problems.len();
    assert!(survey.modules.iter().map(lost).sum::<usize>() < survey.notes.len(), "{:?}", survey.modules);
}

/// ISO 14230-3: names by service 1A, codes by 18, how they stand by 17; a line that was opened anew for each module.
#[test]
fn a_car_without_vin_on_a_k_line() {
    for bus in ["kwp-fast", "kwp-5baud"] {
        let survey = survey(&format!("fen?script=idle&bus={bus}"));
        assert_eq!((survey.vin.as_ref(), survey.problems.as_slice()), (None, &[][..]), "{bus}");
        let problems: Vec<&String> = survey.modules.iter().flat_map(|module| &module.problems).collect();
        assert!(problems.is_empty(), "{bus}: {problems:?}");
        let names: Vec<Option<&str>> = survey.modules.iter().map(|module| module.name.as_deref()).collect();
        assert_eq!(names, ["Engine", "Gearbox", "Brakes", "Restraints", "Climate"].map(Some), "{bus}");
        let speaks: Vec<Speaks> = survey.modules.iter().map(|module| module.speaks).collect();
        assert_eq!(speaks, [Speaks::Obd, Speaks::Kwp, Speaks::Kwp, Speaks::Kwp, Speaks::Kwp], "{bus}");
        let engine = module(&survey, "10");
        assert!(engine.readiness.is_some() && engine.pids.has(0x0C) && !engine.pids.has(0x2F), "{bus}: {engine:?}");
        let brakes = module(&survey, "28");
        assert_eq!(codes(brakes), ["C0035"], "{bus}");
        assert!(brakes.codes[0].kwp_status.unwrap().present());
        let gearbox = module(&survey, "18");
        assert_eq!(codes(gearbox), ["P0720"], "{bus}");
        assert!(!gearbox.codes[0].kwp_status.unwrap().present() && gearbox.records[0].data == [3, 0x02, 0x3A]);
        assert_eq!(codes(module(&survey, "98")), ["B1020"], "{bus}");
    }
}

/// ISO 9141-2: emissions diagnostics of the engine alone, and still a survey.
#[test]
fn a_car_without_vin_on_iso_9141() {
    let spec = "fen?script=idle&bus=iso9141&start=900&fault=misfire-coil:1:0.9";
    let survey = survey(spec);
    assert_eq!((survey.vin.as_ref(), survey.problems.as_slice()), (None, &[][..]));
    let [engine] = survey.modules.as_slice() else { panic!("{:?}", survey.modules) };
    assert_eq!((engine.address.to_string().as_str(), engine.speaks), ("10", Speaks::Obd));
    assert!(engine.problems.is_empty(), "{:?}", engine.problems);
    assert!(engine.readiness.is_some() && engine.pids.has(0x0C), "{engine:?}");
}

/// A K-line closes after five seconds without traffic (ISO 14230-2, P3 max): the link keeps it open while it waits.
#[test]
fn a_k_line_stays_open_while_the_tester_waits() {
    for bus in ["kwp-fast", "iso9141"] {
        let dial = standin::dial(&format!("fen?script=idle&bus={bus}")).unwrap();
        let mut link = AtLink::start(dial, Settings::default()).unwrap();
        let supported = Request { to: Target::Everyone, bytes: vec![0x01, 0x00], n_replies: None };
        assert_eq!(link.exchange(&supported).unwrap().replies.len(), 1, "{bus}");
        link.pause(20_000_000_000);
        let before = link.now();
        let exchange = link.exchange(&supported).unwrap();
        assert_eq!((exchange.replies.len(), exchange.problems), (1, Vec::new()), "{bus}");
        // Opening it again would take 0.3 s or more.
        assert!(link.now() - before < 250_000_000, "{bus}: {} ns", link.now() - before);
    }
}
