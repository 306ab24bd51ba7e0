//! Nothing that the program is known to say stays in English.

use std::collections::BTreeSet;

use evidence::suspects::{Answer, Code, CodeState, Evidence, Repair, Seen, Suspects, weigh};
use evidence::swap::{Placement, SwapDrive};
use phrases::spanish;
use signal::{Recording, Series, SignalId, Unit};

fn untold<'a>(texts: impl IntoIterator<Item = &'a str>) -> Vec<&'a str> {
    let texts: BTreeSet<&str> = texts.into_iter().filter(|text| spanish().said(text).is_none()).collect();
    texts.into_iter().collect()
}

#[test]
fn the_examples_that_both_readers_of_the_phrases_are_held_to() {
    let examples: serde_json::Value = serde_json::from_str(include_str!("../data/examples.json")).unwrap();
    for example in examples["es"].as_array().unwrap() {
        let english = example[0].as_str().unwrap();
        assert_eq!(spanish().said(english).as_deref(), example[1].as_str(), "{english}");
    }
}

#[test]
fn every_text_of_a_code() {
    let mut texts = BTreeSet::new();
    for letter in ["P", "C", "B", "U"] {
        for number in 0..0x4000 {
            let code = format!("{letter}{number:04X}").parse().unwrap();
            texts.extend(definition::codes::text(code));
        }
    }
    assert!(texts.len() > 1500, "{}", texts.len());
    let untold = untold(texts.iter().copied());
    assert!(untold.is_empty(), "{untold:#?}");
}

#[test]
fn every_readiness_monitor() {
    use protocol::obd::{Period, Readiness};
    let all = [[0, 0x07, 0xFF, 0], [0, 0x0F, 0xFF, 0]].map(|bytes| Readiness::from_bytes(bytes, Period::SinceClear));
    let names = all.iter().flat_map(|readiness| &readiness.monitors).map(|monitor| monitor.name);
    let names: BTreeSet<&str> = names.chain(protocol::obd::readiness::GROUPS).collect();
    let conditions = names.iter().map(|name| evidence::proof::usual_conditions(name));
    let untold = untold(names.iter().copied().chain(conditions));
    assert!(untold.is_empty(), "{untold:#?}");
}

#[test]
fn every_signal_of_the_catalogue() {
    let titles: Vec<String> = signal::Catalogue::standard().iter().map(|known| known.title.clone()).collect();
    let untold = untold(titles.iter().map(String::as_str));
    assert!(titles.len() > 50 && untold.is_empty(), "{untold:#?}");
}

#[test]
fn every_parameter_and_self_test_of_the_standard() {
    use protocol::obd::{Kind, Pid, monitors};
    let mut texts = BTreeSet::new();
    for pid in Pid::all() {
        texts.insert(pid.title_of("bytes"));
        for field in pid.fields {
            texts.insert(pid.title_of(field.name));
            // The names of emission laws stay what they are.
            if let Kind::Choice(choices) | Kind::Flags(choices) = field.kind
                && field.name != "obd_requirement"
            {
                texts.extend(choices.iter().map(|(_, text)| (*text).to_owned()));
            }
        }
    }
    for number in 0..=u8::MAX {
        let both = [monitors::monitor_title(number), monitors::test_title(number).map(str::to_owned)];
        texts.extend(both.into_iter().flatten());
    }
    let untold = untold(texts.iter().map(String::as_str));
    assert!(texts.len() > 300 && untold.is_empty(), "{} {untold:#?}", texts.len());
}

/// Ten minutes in which one cylinder misfires at this rate while the load is high; `None`: none does.
fn drive(misfires: Option<(usize, f64)>, high: bool) -> Recording {
    let mut recording = Recording::default();
    let series = |id: &str, unit: &str, value: &dyn Fn(f64) -> f64| {
        let mut series = Series::new(SignalId::new(id).expect("a name"), Unit::named(unit));
        for k in 0..6000_i64 {
            series.push_value(k * 100_000_000, value(k as f64 / 10.0));
        }
        series
    };
    let load = move |t: f64| if high && (t / 60.0) as i64 % 2 == 1 { 75.0 } else { 30.0 };
    recording.series.push(series("engine.speed", "rpm", &|t| 2400.0 + 100.0 * (t / 7.0).sin()));
    recording.series.push(series("engine.load", "%", &load));
    for cylinder in 1..=4 {
        let rate = misfires.filter(|at| at.0 == cylinder).map_or(0.0, |at| at.1);
        // Counts come in the minutes of high load alone.
        let minutes = |t: f64| (t / 120.0).floor() * 60.0 + (t % 120.0 - 60.0).max(0.0);
        recording.series.push(series(&format!("misfire.cylinder_{cylinder}"), "count", &|t| {
            if high { (minutes(t) * rate).floor() } else { 0.0 }
        }));
    }
    recording
}

#[test]
fn verdicts_on_swaps_and_proofs() {
    let (bad, moved, fewer) = (drive(Some((1, 1.0)), true), drive(Some((4, 1.0)), true), drive(Some((1, 0.05)), true));
    let (good, low) = (drive(None, true), drive(None, false));
    let mut both_bad = moved.clone();
    let counter = |recording: &Recording, cylinder: usize| {
        recording.series(&format!("misfire.cylinder_{cylinder}")).map(|series| series.value.clone()).unwrap()
    };
    let twice = counter(&moved, 4);
    both_bad.series.iter_mut().filter(|s| s.id.as_str() == "misfire.cylinder_3").for_each(|s| s.value = twice.clone());
    let at = |coil: [u32; 4], plug: [u32; 4]| -> Placement {
        [("coil".to_owned(), coil.to_vec()), ("plug".to_owned(), plug.to_vec())].into()
    };
    let (first, coils) = (at([1, 2, 3, 4], [1, 2, 3, 4]), at([4, 2, 3, 1], [1, 2, 3, 4]));
    let both = at([4, 2, 3, 1], [4, 2, 3, 1]);
    let parts = ["coil".to_owned(), "plug".to_owned()];
    let mut texts = Vec::new();
    for (drives, decides) in [
        (vec![(&bad, &first), (&moved, &coils)], true),
        (vec![(&bad, &first), (&bad, &coils)], true),
        (vec![(&bad, &first), (&moved, &both)], false),
        (vec![(&bad, &first), (&low, &coils)], false),
        (vec![(&bad, &first), (&good, &coils)], true),
        (vec![(&bad, &first)], false),
        (vec![(&good, &first), (&good, &coils)], false),
    ] {
        let drives: Vec<SwapDrive<'_>> =
            drives.into_iter().map(|(recording, placement)| SwapDrive { recording, placement }).collect();
        let verdict = evidence::swap::judge(&drives, &parts).expect("an experiment");
        assert_eq!(verdict.decided, decides, "{}", verdict.statement);
        texts.push(verdict.statement);
        texts.extend(verdict.next);
    }
    for after in [vec![], vec![&bad], vec![&fewer], vec![&good], vec![&low], vec![&moved], vec![&both_bad]] {
        let repaired = evidence::proof::prove_part(&[&bad], &after, None);
        assert!(!repaired.faults.is_empty());
        texts.push(repaired.statement());
        for new in repaired.arisen {
            texts.push(new.statement);
            texts.extend(new.before.into_iter().chain(new.next));
        }
        for fault in repaired.faults {
            texts.push(fault.statement);
            texts.push(fault.condition);
            texts.extend(fault.next);
        }
    }
    let untold = untold(texts.iter().map(String::as_str));
    assert!(untold.is_empty(), "{untold:#?}");
}

/// Every text of the weighed suspects that is shown.
fn shown(suspects: &Suspects) -> Vec<&str> {
    let mut texts: Vec<&str> = suspects.unused.iter().map(String::as_str).collect();
    for area in &suspects.areas {
        texts.extend([area.title.as_str(), &area.statement, &area.source]);
        texts.extend(area.caution.as_deref());
        texts.extend(area.opened_by.iter().map(String::as_str));
        for suspect in &area.suspects {
            texts.push(&suspect.name);
            texts.extend(suspect.speaks_for.iter().chain(&suspect.speaks_against).map(|reason| reason.text.as_str()));
        }
        for step in &area.steps {
            texts.extend([step.evidence.as_str(), &step.seen, &step.why]);
        }
        for test in area.next.iter().chain(&area.tests) {
            texts.push(&test.ask);
            texts.extend(test.caution.as_deref());
            texts.extend(test.outcomes.iter().flat_map(|outcome| [outcome.seen.as_str(), &outcome.then]));
        }
    }
    texts
}

/// The data of the fault model, as its files have it.
fn models() -> Vec<toml::Table> {
    let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../evidence/data/suspects");
    let files = std::fs::read_dir(folder).expect("the models").flatten().map(|entry| entry.path());
    let files = files.filter(|path| path.extension().is_some_and(|ending| ending == "toml"));
    files.map(|path| std::fs::read_to_string(path).expect("a model").parse().expect("TOML")).collect()
}

fn complaint_of(model: &toml::Table) -> String {
    model.get("complaint").and_then(|words| words[0].as_str()).unwrap_or_default().to_owned()
}

#[test]
fn every_text_of_the_fault_model() {
    for model in models() {
        // The places of a model's texts hold the name of one of its members.
        let each = model.get("each");
        let member = each.map_or("", |each| each["unnamed"].as_str().unwrap());
        let mut texts: Vec<&str> = vec![model["title"].as_str().unwrap(), model["source"].as_str().unwrap()];
        texts.extend(model.get("caution").and_then(toml::Value::as_str));
        texts.extend(["title_unnamed", "how_to_name", "unnamed"].iter().filter_map(|key| each?.get(key)?.as_str()));
        texts.extend(model["suspect"].as_array().unwrap().iter().map(|suspect| suspect["name"].as_str().unwrap()));
        for clue in model["clue"].as_array().unwrap() {
            texts.extend(["yes", "no", "why", "ask", "caution"].iter().filter_map(|key| clue.get(key)?.as_str()));
        }
        let filled: Vec<String> = texts.iter().map(|text| text.replace("{}", member)).collect();
        let untold = untold(filled.iter().map(String::as_str));
        assert!(untold.is_empty(), "{untold:#?}");
    }
}

#[test]
fn what_is_put_together_from_it() {
    let code = |code: &str, state| Code { code: code.into(), module: "7E8 (ECM)".into(), state, ..Code::default() };
    let seen = |kind: &str, subject: &str, log10_odds| Seen {
        drive: "a drive (2).mcap".into(),
        kind: kind.into(),
        subject: vec![subject.into()],
        log10_odds,
        figures: std::iter::empty().collect(),
        placement: Placement::new(),
    };
    let codes = vec![
        code("P0301", CodeState::Confirmed),
        code("P0171", CodeState::Pending),
        code("P0420", CodeState::Earlier),
        code("C0035", CodeState::Confirmed),
        code("P2138", CodeState::Confirmed),
        code("P0A0F", CodeState::Confirmed),
    ];
    let complaint: String = models().iter().map(|model| complaint_of(model) + "; ").collect();
    let everything = Evidence {
        complaint: complaint.clone(),
        codes: Some(codes),
        findings: vec![
            seen("misfire", "misfire.cylinder_1", 4.0),
            seen("misfire", "misfire.cylinder_4", 1.0),
            seen("odd-wheel", "wheel.speed.rear_left", 3.0),
            seen("charging", "battery", -2.0),
        ],
        swap: [("coil 1", 0.93), ("cylinder 1", 0.05), ("several", 0.01), ("none", 0.01)]
            .map(|(fault, p)| (fault.to_owned(), p))
            .to_vec(),
        placement: [("coil".to_owned(), vec![4, 2, 3, 1]), ("plug".to_owned(), vec![3, 2, 1, 4])].into(),
        repairs: vec![Repair { area: "misfire.1".into(), suspect: "plug".into(), helped: false }],
        answers: vec![Answer { area: "misfire.1".into(), test: "compression-low".into(), is_yes: false }],
        ..Evidence::default()
    };
    let only_complaint = Evidence { complaint, ..Evidence::default() };
    for evidence in [everything, only_complaint] {
        let weighed = weigh(&evidence);
        assert!(weighed.areas.len() > 5);
        let untold = untold(shown(&weighed));
        assert!(untold.is_empty(), "{untold:#?}");
    }
}
