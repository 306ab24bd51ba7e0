//! Whole reports: what they say, that nothing from outside becomes markup, and that both writers show the same.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a test fails by panicking")]

use std::collections::BTreeMap;

use report::{
    Case, Drive, Entry, File, Judged, Language, Moment, Paper, Settings, Shop, Survey, Swap, Units, Vehicle, html,
};
use signal::{Recording, Series, SignalId, Unit};

/// A made-up hour (or less) on the road: cylinder 1 misfires under load.
fn road(seconds: usize, faulty: bool) -> Recording {
    let mut recording = Recording::default();
    let series = |id: &str, unit: &str, value: &dyn Fn(f64) -> f64| {
        let mut series = Series::new(SignalId::new(id).unwrap(), Unit::named(unit));
        for k in 0..seconds * 10 {
            series.push_value(k as i64 * 100_000_000, value(k as f64 / 10.0));
        }
        series
    };
    let load = |t: f64| 45.0 + 40.0 * (t / 17.0).sin();
    let misfires = move |t: f64| if faulty { (t / 17.0 / std::f64::consts::TAU).floor() * 9.0 } else { 0.0 };
    recording.series = vec![
        series("engine.speed", "rpm", &|t| 2400.0 + 900.0 * (t / 23.0).sin()),
        series("engine.load", "%", &load),
        series("misfire.cylinder_1", "count", &misfires),
        series("vehicle.speed", "km/h", &|t| 70.0 + 25.0 * (t / 41.0).sin()),
    ];
    recording
}

fn finding(verdict: &str, log10_odds: f64) -> wire::Finding {
    let figures = [
        ("missed_percent_of_own_firings", 5.3),
        ("region_missed_percent_of_own_firings", 17.0),
        ("region_to_rpm", 4125.0),
        ("region_from_load_percent", 60.0),
    ];
    wire::Finding {
        kind: "misfire".into(),
        subject: vec!["misfire.cylinder_1".into()],
        verdict: verdict.into(),
        log10_odds,
        statement: "Cylinder 1 misfired 665 times in 12517 of its firings (5.3 %).".into(),
        figures: figures.iter().map(|&(name, value)| (name.to_owned(), value)).collect(),
        spans: vec![wire::Span { from_s: 95.0, to_s: 118.0 }],
        alternatives: vec!["fuel that does not arrive".into()],
        next: Vec::new(),
    }
}

fn examined(file: &str, recording: &Recording, findings: Vec<wire::Finding>) -> wire::Examined {
    let signals = recording.series.iter().map(|series| wire::SignalSummary {
        id: series.id.to_string(),
        unit: series.unit.to_string(),
        samples: series.len(),
        median_interval_s: 0.1,
    });
    wire::Examined {
        drive: wire::DriveSummary {
            file: file.into(),
            duration_s: recording.duration_s(),
            signals: signals.collect(),
            ..wire::DriveSummary::default()
        },
        findings,
        ..wire::Examined::default()
    }
}

fn survey(codes: &[(&str, &[&str])], incomplete: usize) -> wire::Survey {
    let code = |(code, kinds): &(&str, &[&str])| wire::Code {
        code: (*code).into(),
        kinds: kinds.iter().map(|kind| (*kind).to_owned()).collect(),
        text: Some("cylinder 1 misfires".into()),
        ..wire::Code::default()
    };
    let value = |name: &str, value: f64, unit: &str| wire::Value {
        name: name.replace(' ', "_"),
        title: name.into(),
        value: serde_json::json!(value),
        unit: unit.into(),
    };
    let frame = wire::FreezeFrame {
        frame: 0,
        code: "P0301".into(),
        values: vec![
            value("engine speed", 2750.0, "rpm"),
            value("vehicle speed", 80.0, "km/h"),
            value("coolant temperature", 91.0, "degC"),
            value("commanded lambda", 0.98, "1"),
            wire::Value { value: serde_json::json!("closed loop"), ..value("fuel system 1 status", 0.0, "") },
        ],
    };
    let module = wire::Module {
        address: "7E8".into(),
        name: Some("engine".into()),
        codes: codes.iter().map(code).collect(),
        freeze_frames: if codes.is_empty() { Vec::new() } else { vec![frame] },
        ..wire::Module::default()
    };
    let monitor =
        |name: &str, state: &str| wire::MonitorState { name: name.into(), continuous: false, state: state.into() };
    let state = if incomplete > 0 { "incomplete" } else { "complete" };
    wire::Survey {
        vehicle: wire::Vehicle { vin: Some("WTNFELL16TEST0001".into()), ..wire::Vehicle::default() },
        modules: vec![module],
        readiness: wire::Readiness {
            incomplete,
            monitors: vec![monitor("catalyst", state), monitor("oxygen sensor", "complete")],
            ..wire::Readiness::default()
        },
        ..wire::Survey::default()
    }
}

fn case(before: &Recording, after: &Recording) -> Case {
    let placed = |coil: [u32; 4]| BTreeMap::from([("coil".to_owned(), coil.to_vec())]);
    let drive = |file: &str, coil| wire::ExperimentDrive { file: file.into(), placement: placed(coil) };
    let counts = |misfires: [u64; 4]| wire::SwapCounts {
        misfires: misfires.map(Some).to_vec(),
        firings: vec![Some(2557.0); 4],
        ..wire::SwapCounts::default()
    };
    let hypothesis = |fault: &str, probability| wire::Hypothesis { fault: fault.into(), probability };
    Case {
        number: "2026-0147".into(),
        opened: "25 Nov 2026".into(),
        technician: "R. Amsel".into(),
        shop: Shop {
            name: "Quillfeather Motor Works".into(),
            lines: vec!["7 Lantern Row, Tarnwick".into()],
            logo: None,
        },
        vehicle: Vehicle {
            description: "Tarnwick Fell 1.6".into(),
            plate: Some("TW 4711".into()),
            mileage_km: Some(128_400.0),
            ..Vehicle::default()
        },
        complaint: "Stumbles uphill, lamp flashes".into(),
        conditions: vec!["warm".into(), "every day".into()],
        surveys: vec![
            Survey { moment: Moment::Before, survey: survey(&[("P0301", &["stored"])], 0) },
            Survey { moment: Moment::After, survey: survey(&[], 1) },
        ],
        drives: vec![
            Drive {
                moment: Moment::Before,
                started: "10:02".into(),
                judged: Judged::Examined,
                examined: examined("drives/before.mcap", before, vec![finding("faulty", 6.0)]),
            },
            Drive {
                moment: Moment::After,
                started: "14:40".into(),
                judged: Judged::Examined,
                examined: examined("drives/after.mcap", after, vec![finding("healthy", -2.1)]),
            },
        ],
        swap: Some(Swap {
            experiment: wire::Experiment {
                parts: vec!["coil".into()],
                drives: vec![drive("before.mcap", [1, 2, 3, 4]), drive("swapped.mcap", [4, 2, 3, 1])],
            },
            judged: wire::SwapJudged {
                hypotheses: vec![hypothesis("coil 1", 0.97), hypothesis("cylinder 1", 0.03)],
                decided: true,
                statement: "The misfire followed coil 1.".into(),
                drives: vec![counts([435, 0, 0, 0]), counts([0, 1, 0, 402])],
                ..wire::SwapJudged::default()
            },
        }),
        done: vec![Entry {
            time: "13:10".into(),
            text: "Replaced the ignition coil that came from cylinder 1.".into(),
        }],
        proof: Some(wire::Proof {
            verdict: "proven".into(),
            faults: vec![wire::ProofOfFault {
                kind: "misfire".into(),
                subject: vec!["misfire.cylinder_1".into()],
                outcome: "gone".into(),
                statement: "0 misfires in 2313 firings: the old rate of 17.01 % is gone (95 %).".into(),
                progress: Some(1.0),
                lacking_s: Some(0.0),
                ..wire::ProofOfFault::default()
            }],
            ..wire::Proof::default()
        }),
        software: "witness 0.1.0".into(),
        files: vec![File { name: "drives/before.mcap".into(), bytes: 1_234_567, sha256: "ab".repeat(32) }],
        ..Case::default()
    }
}

/// The text of a page without its markup.
fn words(page: &str) -> String {
    let mut text = String::new();
    let mut inside = false;
    for c in page[page.find("<body").unwrap()..].chars() {
        match c {
            '<' => inside = true,
            '>' => {
                inside = false;
                text.push(' ');
            }
            c if !inside => text.push(c),
            _ => {}
        }
    }
    let text = text.replace("\u{a0}%", " %");
    text.split([' ', '\n']).filter(|word| !word.is_empty()).collect::<Vec<_>>().join(" ")
}

#[test]
fn the_customer_reads_what_was_found_and_no_more() {
    let (before, after) = (road(300, true), road(300, false));
    let page = html(&case(&before, &after), &[Some(&before), Some(&after)], &Settings::default());
    let words = words(&page);
    for sentence in [
        "Stumbles uphill, lamp flashes (warm; every day)",
        "Cylinder 1 misfires: 5.3 % of its firings were missed in the test drive.",
        "below 4125 rpm and at more than 60 % load, where 17 % are missed.",
        "odds of more than 10 000 to 1",
        "the fault followed coil 1 (97 %)",
        "Replaced the ignition coil that came from cylinder 1.",
        "did not come back in the test drive after the repair",
        "Self-tests of the car that have not finished yet: 1.",
        "can overheat and destroy the catalyst",
        "128\u{a0}400 km",
        "435 / 2557",
        "none (gone)",
    ] {
        assert!(words.contains(sentence), "{sentence:?} is not in {words}");
    }
    assert!(page.contains("5.3\u{a0}%"), "a line may end between a number and its per cent sign");
    assert_eq!(page.matches("<svg").count(), 2, "the traces and the map");
    assert!(!page.contains("<script") && !page.contains("http://www.w3.org/1999") && !page.contains("src=\"http"));
}

/// A coil that was carried to cylinder 4 makes that one misfire: one fault that moved, not two.
#[test]
fn a_misfire_that_moved_with_its_part_is_told_once() {
    let (before, after) = (road(60, true), road(60, false));
    let mut case = case(&before, &after);
    let moved = wire::Finding { subject: vec!["misfire.cylinder_4".into()], ..finding("faulty", 7.0) };
    let examined = examined("b", &before, vec![moved]);
    let between = Drive { moment: Moment::Between, started: "12:30".into(), examined, ..Drive::default() };
    case.drives.insert(1, between);
    let told = |case: &Case| words(&html(case, &[None, None, None], &Settings::default()));
    let page = told(&case);
    assert!(page.contains("Cylinder 1 misfires") && !page.contains("Cylinder 4 misfires"), "{page}");
    assert!(page.contains("misfires of cylinder 4"), "the technical part has all: {page}");
    // After the repair it is a fault again.
    case.drives[1].moment = Moment::After;
    assert!(told(&case).contains("Cylinder 4 misfires"));
    case.drives[1].moment = Moment::Between;
    case.swap = None;
    case.done.clear();
    let unrepaired = told(&case);
    assert!(unrepaired.contains("Cylinder 4 misfires") && unrepaired.contains("none is recorded yet"), "{unrepaired}");
}

/// What a drive after the repair shows is neither "no fault" nor nothing that remains, also where no drive was made before.
#[test]
fn a_fault_after_the_repair_is_told_and_remains() {
    let (before, after) = (road(60, true), road(60, false));
    let mut case = case(&before, &after);
    case.swap = None;
    let told = |case: &Case| words(&html(case, &[None, None], &Settings::default()));
    assert!(!told(&case).contains("a drive after the repair"), "what is gone does not remain");
    let lost =
        wire::Finding { kind: "dropout".into(), subject: vec!["pedal.position_1".into()], ..finding("faulty", 3.0) };
    case.drives[1].examined.findings = vec![finding("faulty", 8.0), lost];
    let page = told(&case);
    for sentence in [
        "was lost for a moment, once in the test drive. This was seen in a drive after the repair.",
        "shows as faulty: Lost moments of the accelerator pedal, track 1; Misfires of cylinder 1.",
        "can cut the power in traffic",
    ] {
        assert!(page.contains(sentence), "{sentence:?} is not in {page}");
    }
    assert_eq!(page.matches("Cylinder 1 misfires").count(), 1, "what was there before is told as that: {page}");
    case.drives.remove(0);
    let page = told(&case);
    assert!(page.contains("Cylinder 1 misfires") && !page.contains("showed no fault"), "{page}");
}

#[test]
fn a_second_fault_has_its_picture_where_there_is_room() {
    let (before, after) = (road(300, true), road(300, false));
    let mut case = case(&before, &after);
    case.swap = None;
    let pictures = |case: &Case| html(case, &[Some(&before), None], &Settings::default()).matches("<svg").count();
    assert_eq!(pictures(&case), 2, "the misfire's traces and map fill it");
    let lost = |id: &str| wire::Finding { kind: "dropout".into(), subject: vec![id.into()], ..finding("faulty", 5.0) };
    case.drives[0].examined.findings = vec![lost("vehicle.speed"), lost("engine.speed")];
    assert_eq!(pictures(&case), 2, "one for each");
    case.drives[0].examined.findings.insert(0, finding("faulty", 9.0));
    assert_eq!(pictures(&case), 2, "those of the surest fault alone");
}

#[test]
fn nothing_is_claimed_without_evidence() {
    let words = words(&html(&Case::default(), &[], &Settings::default()));
    for sentence in [
        "No test drive was examined.",
        "Trouble codes were not read",
        "No repair was recorded.",
        "No proof was driven.",
        "That is no safety inspection.",
    ] {
        assert!(words.contains(sentence), "{sentence:?} is not in {words}");
    }
    // An undecided swap names nobody as decided, and a recording without the fault shows no faulty sentence.
    let (before, after) = (road(60, true), road(60, false));
    let mut open = case(&before, &after);
    if let Some(swap) = &mut open.swap {
        swap.judged.decided = false;
    }
    open.drives[0].examined.findings = vec![finding("undecided", 1.0)];
    if let Some(proof) = &mut open.proof {
        proof.verdict = "not yet".into();
    }
    let words = self::words(&html(&open, &[None, None], &Settings::default()));
    assert!(words.contains("does not decide yet") && !words.contains("followed coil 1 (97"), "{words}");
    assert!(words.contains("showed no fault") && words.contains("it is not proven yet"), "{words}");
}

/// The repaired fault is gone and another cylinder misfires: the customer's page does not read as if all were well.
#[test]
fn another_fault_after_the_repair_is_told() {
    let (before, after) = (road(60, true), road(60, false));
    let mut case = case(&before, &after);
    let clean = words(&html(&case, &[None, None], &Settings::default()));
    assert!(
        clean.contains("did not come back in the test drive after the repair.") && !clean.contains("another fault")
    );
    if let Some(proof) = &mut case.proof {
        proof.new_faults.push(wire::NewFault {
            kind: "misfire".into(),
            subject: vec!["misfire.cylinder_4".into()],
            statement: "Cylinder 4 misfired 200 times in 9000 of its firings.".into(),
            ..wire::NewFault::default()
        });
    }
    let told = words(&html(&case, &[None, None], &Settings::default()));
    assert!(told.contains("it shows another fault: the car is not in order yet."), "{told}");
    assert!(
        told.contains("faulty in the test drive, not in the first.") && told.contains("new since the repair"),
        "{told}"
    );
    assert!(told.contains("Cylinder 4 misfired 200 times"), "{told}");
}

#[test]
fn us_units_and_spanish() {
    let (before, after) = (road(60, true), road(60, false));
    let settings =
        Settings { language: Language::Spanish, units: Units::Us, paper: Paper::Letter, ..Settings::default() };
    let page = html(&case(&before, &after), &[Some(&before), None], &settings);
    let words = words(&page);
    assert!(page.contains("lang=\"es\"") && page.contains("size: letter"));
    for sentence in [
        "Su queja",
        "El cilindro 1 falla: en el recorrido de prueba faltó el 5,3 % de sus encendidos.",
        "la avería siguió a bobina 1 (97 %)",
        "49,7 mph",
        "196 °F",
        "lambda ordenada 0,98 estado del sistema de combustible 1 lazo cerrado",
        "79\u{a0}784 mi",
    ] {
        assert!(words.contains(sentence), "{sentence:?} is not in {words}");
    }
}

/// What the program says of its own is in the reader's language; what people and cars wrote stays.
#[test]
fn suspects_readiness_and_codes_are_told_in_the_readers_language() {
    let (before, after) = (road(60, true), road(60, false));
    let mut case = case(&before, &after);
    let suspect = wire::Suspect {
        name: "ignition coil of cylinder 1, now on cylinder 4".into(),
        probability: 0.93,
        speaks_for: vec![wire::Reason {
            text: "the misfire moves with the coil (tested by hand): a fault moves with the part that has it".into(),
            factor: 9.0,
        }],
        ..wire::Suspect::default()
    };
    let area = wire::SuspectArea {
        title: "Misfire on cylinder 1".into(),
        statement: "Decided: ignition coil of cylinder 1, now on cylinder 4 (93 %).".into(),
        suspects: vec![suspect],
        ..wire::SuspectArea::default()
    };
    case.suspects = Some(wire::Suspects { areas: vec![area], ..wire::Suspects::default() });
    case.surveys[0].survey.readiness.monitors = vec![wire::MonitorState {
        name: "catalyst".into(),
        state: "incomplete".into(),
        ..wire::MonitorState::default()
    }];
    let monitor =
        wire::MonitorToRun { name: "secondary air".into(), conditions: "cold start, then some minutes at idle".into() };
    case.proof = Some(wire::Proof { monitors: vec![monitor], ..wire::Proof::default() });
    case.notes = vec![Entry { time: "09:00".into(), text: "no fault here".into() }];
    let settings = Settings { language: Language::Spanish, ..Settings::default() };
    let words = words(&html(&case, &[None, None], &settings));
    for told in [
        "Fallo de encendido en el cilindro 1",
        "Decidido: bobina de encendido del cilindro 1, ahora en el cilindro 4 (93 %).",
        "el fallo se mueve con la bobina (probado a mano): una avería se mueve con la pieza que la tiene",
        "falla el encendido del cilindro 1",
        "guardado",
        "catalizador",
        "incompleto",
        "aire secundario: arranque en frío, después unos minutos al ralentí",
        "no fault here",
    ] {
        assert!(words.contains(told), "{told:?} is not in {words}");
    }
}

/// Every question of the machine contract, whatever its answer, in whole sentences of every language.
#[test]
fn each_finding_is_told_in_plain_words() {
    let kinds = [
        ("dropout", "wheel.speed.rear_left", "events", 12.0, ["12 times", "12 veces"]),
        ("noise", "wheel.speed.rear_left", "ratio", 2.5, ["2.5 times", "2,5 veces"]),
        ("odd-wheel", "wheel.speed.rear_left", "", 0.0, ["rear left wheel", "rueda trasera izquierda"]),
        ("tone-ring", "wheel.speed.rear_left", "", 0.0, ["rear left wheel", "rueda trasera izquierda"]),
        ("wheel-size", "wheel.speed.rear_left", "difference_percent", -1.5, ["1.5 %", "1,5 %"]),
        ("pair", "pedal.position_1", "", 0.0, ["accelerator pedal, track 1", "pedal acelerador"]),
        ("misfire", "misfire.cylinder_3", "", 0.0, ["Cylinder 3", "cilindro 3"]),
        ("mixture", "bank 1", "trim_at_least_flow_pct", 18.0, ["+18 %", "+18 %"]),
        ("airflow", "engine", "", 0.0, ["air flow meter", "medidor de aire"]),
        ("charging", "battery", "median_running_v", 12.25, ["12.2 V", "12,2 V"]),
        ("cranking", "battery", "lowest_v", 7.5, ["7.5 V", "7,5 V"]),
        ("warm-up", "coolant", "highest_degc", 71.0, ["160 °F", "160 °F"]),
        ("command", "fan.command", "", 0.0, ["radiator fan", "ventilador del radiador"]),
    ];
    for (kind, subject, name, value, wanted) in kinds {
        for (language, wanted) in [Language::English, Language::Spanish].into_iter().zip(wanted) {
            let told = |verdict: &str| {
                let finding = wire::Finding {
                    kind: kind.into(),
                    subject: vec![subject.into()],
                    verdict: verdict.into(),
                    figures: [(name.to_owned(), value)].into(),
                    ..wire::Finding::default()
                };
                report::in_plain_words(&finding, language, Units::Us)
            };
            assert!(told("faulty").contains(wanted), "{kind}: {}", told("faulty"));
            for verdict in ["faulty", "healthy", "undecided"] {
                let text = told(verdict);
                assert!(text.ends_with('.') && !text.contains(['{', '_']), "{kind} {verdict}: {text}");
            }
            assert_ne!(told("healthy"), told("undecided"));
        }
    }
}

#[test]
fn a_ledger_is_told_before_and_after_its_repair() {
    use wire::Content;
    let file = |path: &str| wire::FileRef { path: path.into(), sha256: path.into(), bytes: 10 };
    let drive = |name: &str| Content::Drive {
        file: file(name),
        summary: wire::DriveSummary { file: name.into(), ..wire::DriveSummary::default() },
        problems: Vec::new(),
    };
    let taken =
        |codes: &[(&str, &[&str])]| Content::Survey { file: file("s.json"), survey: Box::new(survey(codes, 0)) };
    let examined = |drive: &str, verdict: &str, odds| Content::Finding {
        file: file(drive),
        findings: vec![finding(verdict, odds)],
    };
    let contents = [
        taken(&[("P0301", &["stored"])]),
        drive("first.mcap"),
        examined("first.mcap", "faulty", 5.0),
        Content::Swap { part: "coil".into(), from: 1, to: 4 },
        drive("second.mcap"),
        Content::Replaced { part: "coil".into(), at: Some(4), text: "new from the shelf".into() },
        drive("third.mcap"),
        examined("third.mcap", "healthy", -2.0),
        Content::Repaired { area: "misfire.1".into(), suspect: "coil".into(), helped: true },
        Content::Proof { proof: Box::new(wire::Proof { verdict: "proven".into(), ..wire::Proof::default() }) },
    ];
    let entries: Vec<wire::Entry> = contents
        .iter()
        .zip(1..)
        .map(|(content, number)| wire::Entry { number, content: content.clone(), ..wire::Entry::default() })
        .collect();
    let effective: Vec<(&wire::Entry, &Content)> = entries.iter().map(|entry| (entry, &entry.content)).collect();
    let say = |content: &Content| match content {
        Content::Repaired { suspect, .. } => Some(format!("the {suspect}")),
        _ => None,
    };
    let head = wire::Case { number: 7, complaint: "stumbles".into(), ..wire::Case::default() };
    let case = Case::of_ledger(&head, &effective, &Settings::default(), &|ms| format!("{ms} ms"), &say);
    let moments: Vec<Moment> = case.drives.iter().map(|drive| drive.moment).collect();
    assert_eq!(moments, [Moment::Before, Moment::Between, Moment::After]);
    assert_eq!(case.drives[0].examined.findings[0].verdict, "faulty");
    assert!(case.drives[1].examined.findings.is_empty());
    let words = words(&html(&case, &[], &Settings::default()));
    for sentence in [
        "stumbles",
        "Replaced: coil on cylinder 4 (new from the shelf)",
        "Repaired: the coil. The fault was gone",
        "Exchanged: the coil of cylinder 1 and of cylinder 4",
        "did not come back",
        "Cylinder 1 misfires",
        "Case 7",
    ] {
        assert!(words.contains(sentence), "{sentence:?} is not in {words}");
    }
}

/// What was written down later than it was done stands with when it was done.
#[test]
fn a_drive_stands_with_its_start_and_a_late_note_with_when_it_was_done() {
    use wire::Content;
    let (noon, minute) = (1_800_014_400_000_i64, 60_000);
    let drive = |start_unix_ms| Content::Drive {
        file: wire::FileRef::default(),
        summary: wire::DriveSummary { start_unix_ms, ..wire::DriveSummary::default() },
        problems: Vec::new(),
    };
    let swap = Box::new(Content::Swap { part: "coil".into(), from: 1, to: 4 });
    let contents = [
        drive(Some(noon - 40 * minute)),
        drive(None),
        // A recorder whose clock began anew in 1970.
        drive(Some(5 * minute)),
        Content::Earlier { done_unix_ms: noon - 50 * minute, content: swap },
    ];
    let entry = |content| wire::Entry { time_unix_ms: noon, content, ..wire::Entry::default() };
    let entries = contents.map(entry);
    let effective: Vec<(&wire::Entry, &Content)> = entries
        .iter()
        .map(|entry| match &entry.content {
            Content::Earlier { content, .. } => (entry, &**content),
            content => (entry, content),
        })
        .collect();
    let minutes = |ms: i64| ((ms - noon) / minute).to_string();
    let case = Case::of_ledger(&wire::Case::default(), &effective, &Settings::default(), &minutes, &|_| None);
    let started: Vec<&str> = case.drives.iter().map(|drive| drive.started.as_str()).collect();
    assert_eq!((started, case.notes[0].time.as_str()), (vec!["-40", "0", "0"], "-50"));
}

/// Which drives are from before and after is the same for report and proof, and a result that is told after the drive
/// that showed it does not make that drive one from before.
#[test]
fn a_ledger_is_divided_at_its_repairs() {
    use wire::Content;
    let new = || Content::Replaced { part: "coil".into(), at: Some(1), text: String::new() };
    let told = |helped| Content::Repaired { area: "misfire.1".into(), suspect: "coil".into(), helped };
    let drive = Content::default;
    for (contents, expected) in [
        (vec![drive()], None),
        (vec![drive(), new(), drive()], Some((1, 1))),
        // New coil, drive, "the fault is gone": the drive has shown it.
        (vec![drive(), new(), drive(), told(true)], Some((1, 1))),
        // New coil, drive, "still there"; then something else, which helped.
        (vec![drive(), new(), drive(), told(false), drive(), told(true)], Some((1, 3))),
        (vec![drive(), told(false), told(true), drive()], Some((1, 1))),
        (vec![drive(), told(true), drive()], Some((1, 1))),
    ] {
        let entries: Vec<(wire::Entry, Content)> =
            contents.into_iter().map(|it| (wire::Entry::default(), it)).collect();
        let contents: Vec<(&wire::Entry, &Content)> = entries.iter().map(|(entry, content)| (entry, content)).collect();
        assert_eq!(report::repairs(&contents), expected, "{contents:?}");
    }
}

/// A ledger of these entries, written in this order, as it is reported.
fn told_of(contents: &[wire::Content]) -> Case {
    let entry = |(number, content): (u64, &wire::Content)| wire::Entry {
        number,
        content: content.clone(),
        ..wire::Entry::default()
    };
    let entries: Vec<wire::Entry> = (1..).zip(contents).map(entry).collect();
    let effective: Vec<_> = entries.iter().map(|entry| (entry, &entry.content)).collect();
    Case::of_ledger(&wire::Case::default(), &effective, &Settings::default(), &|_| String::new(), &|_| None)
}

fn file_of(name: &str) -> wire::FileRef {
    wire::FileRef { path: name.into(), sha256: name.into(), bytes: 10 }
}

fn drive_of(name: &str) -> wire::Content {
    let summary = wire::DriveSummary { file: name.into(), ..wire::DriveSummary::default() };
    wire::Content::Drive { file: file_of(name), summary, problems: Vec::new() }
}

fn examined_of(name: &str, verdict: &str) -> wire::Content {
    wire::Content::Finding { file: file_of(name), findings: vec![finding(verdict, 5.0)] }
}

fn new_coil() -> wire::Content {
    wire::Content::Replaced { part: "coil".into(), at: Some(1), text: String::new() }
}

/// A proof of the misfire of cylinder 1 with this verdict and outcome.
fn proof_of(verdict: &str, outcome: &str) -> wire::Content {
    let fault = wire::ProofOfFault {
        kind: "misfire".into(),
        subject: vec!["misfire.cylinder_1".into()],
        outcome: outcome.into(),
        progress: Some(1.0),
        ..wire::ProofOfFault::default()
    };
    let proof = wire::Proof { verdict: verdict.into(), faults: vec![fault], ..wire::Proof::default() };
    wire::Content::Proof { proof: Box::new(proof) }
}

/// A drive with the fault, a new coil, a drive without it, and the proof over both.
fn proven() -> Vec<wire::Content> {
    let before = [drive_of("p1"), examined_of("p1", "faulty"), new_coil()];
    let after = [drive_of("p2"), proof_of("proven", "gone")];
    before.into_iter().chain(after).collect()
}

/// What came after a proof and was not judged takes its word away, in either language; the technician reads what to do.
#[test]
fn a_proof_is_no_longer_told_once_something_came_that_it_has_not_judged() {
    let contents = [proven(), vec![drive_of("p3")]].concat();
    let [english, spanish] = [Language::English, Language::Spanish].map(|language| {
        let settings = Settings { language, ..Settings::default() };
        words(&html(&told_of(&contents), &[None, None, None], &settings))
    });
    for (page, told, untold) in [
        (
            &english,
            [
                "that it has not judged. Whether the repair holds is not shown.",
                "A new proof that the repair holds",
                "Drives that were recorded and not examined yet: 1;",
                "Not examined yet. What to do: witness examine",
                "What to do: witness proof",
            ],
            ["did not come back", "Nothing is known to remain", "Misfires of cylinder 1: gone"],
        ),
        (
            &spanish,
            [
                "que esta no ha valorado. No está demostrado",
                "Una nueva demostración de que la reparación aguanta",
                "Recorridos grabados y aún sin examinar: 1;",
                "Aún sin examinar. Qué hacer: witness examine",
                "Qué hacer: witness proof",
            ],
            ["no volvieron", "No se sabe que quede nada", "Fallos de encendido del cilindro 1: ha desaparecido"],
        ),
    ] {
        for sentence in told {
            assert!(page.contains(sentence), "{sentence:?} is not in {page}");
        }
        for sentence in untold {
            assert!(!page.contains(sentence), "{sentence:?} is in {page}");
        }
    }
}

/// Which entries after a proof make it old, and which of them in a real case do not.
#[test]
fn a_proof_stands_as_long_as_nothing_after_it_speaks_against_it() {
    use wire::Content;
    let repaired = |helped| Content::Repaired { area: "misfire.1".into(), suspect: "coil".into(), helped };
    let command = || Content::Command {
        module: "7E0".into(),
        output: "fan.command".into(),
        statement: String::new(),
        details: serde_json::json!({ "drive": "p3" }),
    };
    let mark = || Content::Mark { drive: "p3".into(), t_s: 1.0, to_s: None, text: "on".into() };
    let note = || Content::Note { text: "washed".into() };
    let swap = || Content::Swap { part: "plug".into(), from: 1, to: 2 };
    let still = || ("not repaired", "still there");
    let gone = || ("proven", "gone");
    let not_yet = || ("not yet", "not yet");
    for ((verdict, outcome), since, is_outdated) in [
        (gone(), vec![], false),
        (gone(), vec![note(), repaired(true)], false),
        (gone(), vec![repaired(false)], true),
        (gone(), vec![swap()], true),
        (gone(), vec![new_coil()], true),
        (gone(), vec![drive_of("p3")], true),
        (gone(), vec![drive_of("p3"), examined_of("p3", "healthy")], false),
        (gone(), vec![drive_of("p3"), examined_of("p3", "undecided")], false),
        (gone(), vec![drive_of("p3"), examined_of("p3", "faulty")], true),
        // A drive before the proof that is examined only afterwards was judged by it.
        (gone(), vec![examined_of("p2", "healthy")], false),
        (gone(), vec![drive_of("p3"), mark(), command()], false),
        // A later drive of the name that a command's drive had is none.
        (gone(), vec![drive_of("p3"), command(), drive_of("p3")], true),
        (gone(), vec![drive_of("p3"), proof_of("proven", "gone")], false),
        (still(), vec![repaired(false)], false),
        (still(), vec![drive_of("p3"), examined_of("p3", "faulty")], false),
        (still(), vec![drive_of("p3"), examined_of("p3", "healthy")], true),
        (still(), vec![repaired(true)], true),
        (not_yet(), vec![repaired(true)], false),
        (not_yet(), vec![drive_of("p3"), examined_of("p3", "healthy")], true),
    ] {
        let before = [drive_of("p1"), examined_of("p1", "faulty"), new_coil(), drive_of("p2")];
        let contents = [&before[..], &[proof_of(verdict, outcome)], &since].concat();
        assert_eq!(told_of(&contents).is_proof_outdated, is_outdated, "{verdict}, then {since:?}");
    }
    // What was done before the proof and written down after it, it has not seen.
    let contents = proven();
    let numbers = [1, 2, 3, 6, 4, 5];
    let late = [&contents[..3], &[drive_of("late")], &contents[3..]].concat();
    let entry = |number| wire::Entry { number, ..wire::Entry::default() };
    let entries = numbers.map(entry);
    let effective: Vec<_> = entries.iter().zip(&late).collect();
    let case = Case::of_ledger(&wire::Case::default(), &effective, &Settings::default(), &|_| String::new(), &|_| None);
    assert!(case.is_proof_outdated);
}

/// What the proof does not call gone remains, once, and so does what was not proven or not examined.
#[test]
fn what_is_not_proven_remains() {
    let told = |contents: &[wire::Content]| words(&html(&told_of(contents), &[None; 3], &Settings::default()));
    let sound = told(&proven());
    assert!(sound.contains("did not come back") && sound.contains("Nothing is known to remain"), "{sound}");

    let repaired = [drive_of("p1"), examined_of("p1", "faulty"), new_coil(), drive_of("p2")];
    for (verdict, outcome, remains) in [
        ("not repaired", "still there", "Misfires of cylinder 1: still there."),
        ("fewer", "fewer", "Misfires of cylinder 1: fewer, not none."),
        ("not yet", "not yet", "Misfires of cylinder 1: not driven enough yet."),
    ] {
        let page = told(&[&repaired[..], &[proof_of(verdict, outcome)]].concat());
        assert_eq!(page.matches(remains).count(), 2, "as proof and among what remains: {page}");
        assert!(!page.contains("Nothing is known to remain"), "{page}");
    }
    // A drive after the repair shows what the proof says already.
    let page = told(&[&repaired[..], &[examined_of("p2", "faulty"), proof_of("not repaired", "still there")]].concat());
    assert!(!page.contains("What a drive after the repair shows"), "{page}");

    let mut arisen = proven();
    if let Some(wire::Content::Proof { proof }) = arisen.last_mut() {
        let subject = vec!["misfire.cylinder_4".to_owned()];
        proof.new_faults.push(wire::NewFault { kind: "misfire".into(), subject, ..wire::NewFault::default() });
    }
    let page = told(&arisen);
    assert!(page.contains("Misfires of cylinder 4: new since the repair."), "{page}");
    assert!(!page.contains("Nothing is known to remain"), "{page}");

    let unproven = told(&repaired);
    for sentence in ["No proof was driven", "there is none yet", "recorded and not examined yet: 1;"] {
        assert!(unproven.contains(sentence), "{sentence:?} is not in {unproven}");
    }
    assert!(!unproven.contains("Nothing is known to remain"), "{unproven}");
    let nothing = told(&[&repaired[..], &[proof_of("nothing before", "nothing before")]].concat());
    assert!(nothing.contains("there is none yet") && !nothing.contains("Nothing is known to remain"), "{nothing}");
}

/// Drives that nobody examined show no sound car.
#[test]
fn a_drive_that_was_not_examined_shows_no_lack_of_faults() {
    let told = |contents: &[wire::Content]| words(&html(&told_of(contents), &[None], &Settings::default()));
    let page = told(&[drive_of("p1")]);
    assert!(page.contains("No test drive was examined") && !page.contains("showed no fault"), "{page}");
    let page = told(&[drive_of("p1"), examined_of("p1", "healthy")]);
    assert!(page.contains("showed no fault") && page.contains("Nothing is known to remain"), "{page}");
}

const HOSTILE: &str =
    "</p><script>alert(1)</script> #read(\"/etc/passwd\") $x$ *b* _i_ `r` \\ @ref <a> \u{202e}\u{0} & \"'";

fn hostile() -> Case {
    let (before, after) = (road(60, true), road(60, false));
    let mut case = case(&before, &after);
    let evil = || HOSTILE.to_owned();
    case.complaint = evil();
    case.number = evil();
    case.software = evil();
    case.shop.name = evil();
    case.shop.lines = vec![evil()];
    case.vehicle.description = evil();
    case.vehicle.vin = Some(evil());
    case.conditions = vec![evil()];
    case.done[0].text = evil();
    case.notes = vec![Entry { time: evil(), text: evil() }];
    case.files[0].name = evil();
    case.problems = vec![evil()];
    for survey in &mut case.surveys {
        for module in &mut survey.survey.modules {
            module.name = Some(evil());
            for code in &mut module.codes {
                code.text = Some(evil());
                code.code = evil();
            }
            for frame in &mut module.freeze_frames {
                frame.values[0].value = serde_json::json!(HOSTILE);
            }
        }
    }
    let finding = &mut case.drives[0].examined.findings[0];
    finding.statement = evil();
    finding.alternatives = vec![evil()];
    finding.subject = vec!["misfire.cylinder_1".into(), evil()];
    case.drives[0].examined.drive.file = evil();
    case
}

#[test]
fn texts_from_outside_stay_text_in_html() {
    let before = road(60, true);
    let page = html(&hostile(), &[Some(&before), None], &Settings::default());
    assert!(!page.contains("<script") && !page.contains("<a>") && !page.contains('\0'));
    assert!(!page.contains('\u{202E}'), "what stands behind it would be read backwards");
    assert!(page.contains("&lt;script&gt;alert(1)&lt;/script&gt;"));
}

#[test]
fn a_picture_that_claims_to_be_huge_is_refused() {
    // ISO/IEC 15948, 11.2.2: width and height stand behind the length and the name of the first chunk.
    let png = |width: u32, height: u32| {
        let mut bytes = b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR".to_vec();
        bytes.extend([width.to_be_bytes(), height.to_be_bytes()].concat());
        report::Image::of(bytes).is_some()
    };
    assert!(png(4000, 3000) && png(50_000, 1000) && !png(50_000, 1001) && !png(u32::MAX, u32::MAX));
    // ITU-T T.81, B.2.2: an application segment first, then the frame with its precision, height and width.
    let jpeg = |height: u16, width: u16| {
        let mut bytes = vec![0xFF, 0xD8, 0xFF, 0xE0, 0, 4, 9, 9, 0xFF, 0xC0, 0, 11, 8];
        bytes.extend([height.to_be_bytes(), width.to_be_bytes()].concat());
        report::Image::of(bytes).is_some()
    };
    assert!(jpeg(3000, 4000) && !jpeg(u16::MAX, u16::MAX));
}

#[test]
fn a_recording_of_any_shape_gives_a_picture_or_none() {
    let mut recording = road(30, true);
    for series in &mut recording.series {
        series.value[3] = f64::NAN;
        series.value[7] = f64::INFINITY;
    }
    let (before, after) = (road(60, true), road(60, false));
    let plain = case(&before, &after);
    for spans in
        [vec![], vec![wire::Span { from_s: -5.0, to_s: 1e9 }], vec![wire::Span { from_s: f64::NAN, to_s: 1.0 }]]
    {
        let mut case = plain.clone();
        case.drives[0].examined.findings[0].spans = spans;
        for recording in [&recording, &Recording::default()] {
            let page = html(&case, &[Some(recording)], &Settings::default());
            assert!(!page.contains("NaN") && !page.contains("inf "), "a number that is none became part of a picture");
        }
    }
}

#[cfg(feature = "pdf")]
mod print {
    use std::io::Write;
    use std::process::{Command, Stdio};

    use super::*;

    /// The text of each page, read by a general-purpose PDF library, where the test command has installed one.
    fn pages(pdf: &[u8]) -> Option<Vec<String>> {
        let Some(python) = std::env::var_os("WITNESS_PYTHON") else {
            eprintln!("skipped: WITNESS_PYTHON is not set, the PDF was not read back");
            return None;
        };
        let script = "import io, json, sys, pypdf\n\
            pages = pypdf.PdfReader(io.BytesIO(sys.stdin.buffer.read())).pages\n\
            json.dump([' '.join(p.extract_text().split()) for p in pages], sys.stdout)";
        let mut child =
            Command::new(python).args(["-c", script]).stdin(Stdio::piped()).stdout(Stdio::piped()).spawn().unwrap();
        child.stdin.take().unwrap().write_all(pdf).unwrap();
        let output = child.wait_with_output().unwrap();
        Some(serde_json::from_slice(&output.stdout).unwrap())
    }

    #[test]
    fn the_customer_gets_one_page_and_both_writers_say_the_same() {
        let (before, after) = (road(300, true), road(300, false));
        let case = case(&before, &after);
        for (paper, language) in [(Paper::A4, Language::English), (Paper::Letter, Language::Spanish)] {
            let settings = Settings { paper, language, ..Settings::default() };
            let recordings = [Some(&before), Some(&after)];
            let bytes = report::pdf(&case, &recordings, &settings).unwrap();
            assert!(bytes.starts_with(b"%PDF"));
            assert_eq!(bytes, report::pdf(&case, &recordings, &settings).unwrap(), "the same case, the same bytes");
            let Some(pages) = pages(&bytes) else { return };
            assert!(pages.len() >= 2, "{}", pages.len());
            let technical = if language == Language::English { "Technical part" } else { "Parte técnica" };
            assert_eq!(pages.iter().position(|page| page.contains(technical)), Some(1), "one page for the customer");
            let letters = |text: &str| text.chars().filter(|c| c.is_alphanumeric()).collect::<String>();
            let all = letters(&pages.join(" ").replace("-", ""));
            let page = html(&case, &[None, None], &settings);
            for line in page.lines().filter_map(|line| line.strip_prefix("<li>")?.strip_suffix("</li>")) {
                assert!(all.contains(&letters(&line.replace("-", ""))), "{line:?} is not in the print");
            }
        }
    }

    #[test]
    fn texts_from_outside_stay_text_in_print() {
        let before = road(60, true);
        let bytes = report::pdf(&hostile(), &[Some(&before), None], &Settings::default()).unwrap();
        let Some(pages) = pages(&bytes) else { return };
        let all = pages.join(" ");
        assert!(all.contains("#read(") && !all.contains("root:"), "{all}");
    }

    #[test]
    fn a_picture_that_is_none_is_refused_with_a_reason() {
        let case = Case {
            shop: Shop {
                logo: report::Image::of(vec![0x89, b'P', b'N', b'G', 0x0D, 0x0A, 0x1A, 0x0A, 1]),
                ..Shop::default()
            },
            ..Case::default()
        };
        let error = report::pdf(&case, &[], &Settings::default()).unwrap_err();
        assert!(error.to_string().contains("cannot be set"), "{error}");
    }
}

/// RFC 2397 (`data:` addresses) and RFC 4648 (base64); the bytes are the signature of PNG and one more (W3C PNG, 5.2).
#[test]
fn a_picture_stands_inside_the_page() {
    let logo = report::Image::of(vec![0x89, b'P', b'N', b'G', 0x0D, 0x0A, 0x1A, 0x0A, 1]);
    let case = Case { shop: Shop { logo, ..Shop::default() }, ..Case::default() };
    let page = html(&case, &[], &Settings::default());
    assert!(page.contains("src=\"data:image/png;base64,iVBORw0KGgoB\""), "{page}");
}

/// Writes what the other tests judge, for people to look at: `REPORT_OUT=FOLDER cargo test -p report`.
#[test]
fn pages_to_look_at() {
    let Some(folder) = std::env::var_os("REPORT_OUT").map(std::path::PathBuf::from) else { return };
    let (before, after) = (road(300, true), road(300, false));
    let case = case(&before, &after);
    for (name, settings) in [
        ("en", Settings::default()),
        ("es", Settings { language: Language::Spanish, units: Units::Us, paper: Paper::Letter, ..Settings::default() }),
    ] {
        let recordings = [Some(&before), Some(&after)];
        std::fs::write(folder.join(format!("{name}.html")), html(&case, &recordings, &settings)).unwrap();
        #[cfg(feature = "pdf")]
        std::fs::write(folder.join(format!("{name}.pdf")), report::pdf(&case, &recordings, &settings).unwrap())
            .unwrap();
    }
}
