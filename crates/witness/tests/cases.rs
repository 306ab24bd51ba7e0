//! Everything that is done belongs to a case.

#![allow(clippy::unwrap_used, reason = "a test fails by panicking")]

mod common;

use common::{Bench, strings};
use serde_json::Value;

fn kinds(shown: &Value) -> Vec<String> {
    let entries = shown["entries"].as_array().unwrap();
    entries.iter().map(|entry| entry["content"]["kind"].as_str().unwrap().to_owned()).collect()
}

fn done(bench: &Bench, arguments: &[&str]) -> Value {
    let (code, value) = bench.json("case", arguments);
    assert_eq!(code, 0, "{arguments:?}: {value}");
    value
}

#[test]
fn what_is_done_belongs_to_the_open_case() {
    let bench = Bench::new();
    let (code, survey) = bench.json("survey", &["survey", "--adapter", "standin:fell"]);
    assert_eq!(code, 0, "{survey}");
    assert_eq!((&survey["case"]["number"], &survey["case"]["is_new"]), (&1.into(), &true.into()));
    let made =
        done(&bench, &["case", "new", "--complaint", "It stumbles when warm", "--plate", "TF 16", "--when", "hot"]);
    assert_eq!(made["case"]["number"], 2);
    let record = ["drive", "record", "--adapter", "standin:fell?script=town", "--signals", "engine.speed"];
    let (_, recorded) = bench.json("drive-record", &[&record[..], &["--seconds", "20", "--out", "d.mcap"]].concat());
    assert_eq!((&recorded["case"]["number"], &recorded["case"]["is_new"]), (&2.into(), &false.into()));
    // A drive belongs to the case that has it, also when another is open.
    let opened = done(&bench, &["case", "open", "1"]);
    assert_eq!((&opened["cases"][0]["number"], &opened["open"]), (&1.into(), &1.into()), "the newest is case 2");
    let (_, examined) = bench.json("examine", &["examine", "d.mcap"]);
    assert_eq!(examined["case"]["number"], 2);
    let (_, examined) = bench.json("examine", &["examine", "d.mcap", "--no-case"]);
    assert_eq!(examined["case"], Value::Null);
    // When it was made would be written into a case too.
    for when in [["--before-entry", "1"], ["--minutes-ago", "5"]] {
        let refused = bench.run(&[&["examine", "d.mcap", "--no-case"][..], &when].concat());
        assert_eq!(refused.status.code(), Some(2), "{when:?}");
    }
    let shown = done(&bench, &["case", "show", "2"]);
    assert_eq!(kinds(&shown), ["opened", "vehicle", "drive", "finding"]);
    assert_eq!(shown["case"]["vehicle"]["vin"], standin::VIN, "the drive told the VIN");
    assert_eq!(kinds(&done(&bench, &["case", "show", "1"])), ["opened", "survey"]);
    // Both cases are of one car.
    let found = done(&bench, &["case", "search", "stumb", standin::VIN]);
    assert_eq!((found["cases"].as_array().unwrap().len(), &found["open"]), (1, &1.into()));
}

const PICTURE: &[u8] = include_bytes!("../../../web/public/mark-192.png");

#[test]
fn a_ledger_is_written_corrected_verified_closed_and_moved() {
    let bench = Bench::new();
    done(&bench, &["case", "new", "--complaint", "lamp", "--who", "Ada"]);
    std::fs::write(bench.path("p.jpg"), b"not really a picture").unwrap();
    assert_eq!(bench.run(&["case", "photo", "p.jpg", "--text", "nothing"]).status.code(), Some(2));
    std::fs::write(bench.path("p.jpg"), PICTURE).unwrap();
    done(&bench, &["case", "photo", "p.jpg", "--text", "the connector"]);
    let note = done(&bench, &["case", "note", "coil 1 is craked"]);
    assert_eq!(note["entry"]["number"], 3);
    let content = r#"{"kind": "note", "text": "coil 1 is cracked"}"#;
    done(&bench, &["case", "correct", "3", "--reason", "typing", "--content", content]);
    done(&bench, &["case", "decide", "replace coil 1", "--reason", "it is cracked"]);
    let shown = String::from_utf8(bench.run(&["case", "show"]).stdout).unwrap();
    assert!(shown.contains("note: coil 1 is craked [holds no longer as it stands: see entry 4]"), "{shown}");
    assert!(shown.contains("decided: replace coil 1 (it is cracked)"), "{shown}");
    done(&bench, &["case", "correct", "4", "--reason", "it was right"]);
    let shown = String::from_utf8(bench.run(&["case", "show"]).stdout).unwrap();
    assert!(shown.contains("note: coil 1 is craked\n"), "a withdrawn correction corrects nothing: {shown}");
    let verified = done(&bench, &["case", "verify"]);
    assert_eq!((&verified["sound"], &verified["n_files"]), (&true.into(), &1.into()));
    let moved = done(&bench, &["case", "export", "case.zip"]);
    assert_eq!(moved["n_files"], 1);
    let (code, again) = bench.json("case", &["case", "export", "case.zip"]);
    assert!(code == 2 && !again["error"]["hints"].to_string().contains("--force"), "no such option: {again}");
    assert_eq!(bench.run(&["case", "import", "case.zip"]).status.code(), Some(2), "it is here already");
    done(&bench, &["case", "close", "coil 1"]);
    assert_eq!(bench.run(&["case", "decide", "more"]).status.code(), Some(2), "no case is open");
    assert_eq!(bench.run(&["case", "decide", "more", "--case", "1"]).status.code(), Some(2), "it is closed");
    done(&bench, &["case", "backup", "copy.sqlite"]);

    let elsewhere = Bench::new();
    std::fs::copy(bench.path("case.zip"), elsewhere.path("case.zip")).unwrap();
    let taken = done(&elsewhere, &["case", "import", "case.zip"]);
    assert_eq!((&taken["n_files"], strings(&taken["problems"]).len()), (&1.into(), 0));
    std::fs::remove_file(bench.path("p.jpg")).unwrap();
    assert_eq!(done(&elsewhere, &["case", "verify", "1"])["sound"], true);
    // Who changes a kept file is found out.
    let kept = std::fs::read_dir(elsewhere.path("home/cases")).unwrap().next().unwrap().unwrap().path().join("files");
    let kept = std::fs::read_dir(kept).unwrap().next().unwrap().unwrap().path();
    std::fs::write(kept, b"not really another pic").unwrap();
    let (code, verified) = elsewhere.json("case", &["case", "verify", "1"]);
    assert_eq!((code, &verified["sound"]), (5, &false.into()));
}

/// A zip of somebody else's making: names that lead elsewhere, a ledger that was changed, a member that is longer than it
/// says.
#[test]
fn a_hostile_zip_leaves_nothing_behind() {
    let bench = Bench::new();
    done(&bench, &["case", "new", "--complaint", "lamp"]);
    std::fs::write(bench.path("p.jpg"), PICTURE).unwrap();
    done(&bench, &["case", "photo", "p.jpg"]);
    done(&bench, &["case", "export", "case.zip"]);
    let Some(python) = std::env::var_os("WITNESS_PYTHON") else {
        eprintln!("skipped: WITNESS_PYTHON is not set, no zip was forged");
        return;
    };
    let script = "import sys, zipfile\n\
        old = zipfile.ZipFile('case.zip'); names = old.namelist(); data = {n: old.read(n) for n in names}\n\
        def forge(name, change):\n\
        \x20 new = dict(data); change(new)\n\
        \x20 with zipfile.ZipFile(name, 'w', zipfile.ZIP_DEFLATED) as z:\n\
        \x20\x20 for n, b in new.items(): z.writestr(n, b)\n\
        photo = [n for n in names if n.startswith('files/')][0]\n\
        forge('changed.zip', lambda d: d.update({'ledger.jsonl': d['ledger.jsonl'].replace(b'lamp', b'loan')}))\n\
        forge('cut.zip', lambda d: d.update({'ledger.jsonl': d['ledger.jsonl'].split(b'\\n')[0] + b'\\n'}))\n\
        forge('bomb.zip', lambda d: d.update({photo: b'\\0' * 50_000_000, '../../escape.txt': b'x', '/escape.txt': b'x'}))\n\
        forge('empty.zip', lambda d: d.clear())";
    let forged =
        std::process::Command::new(python).args(["-c", script]).current_dir(bench.folder.path()).output().unwrap();
    assert!(forged.status.success(), "{}", String::from_utf8_lossy(&forged.stderr));
    std::fs::write(bench.path("rubbish.zip"), b"PK\x03\x04 but no more").unwrap();
    for name in ["changed.zip", "cut.zip", "empty.zip", "rubbish.zip"] {
        let elsewhere = Bench::new();
        std::fs::copy(bench.path(name), elsewhere.path("case.zip")).unwrap();
        let (code, value) = elsewhere.json("case", &["case", "import", "case.zip"]);
        assert_eq!(code, 2, "{name}: {value}");
        assert!(!elsewhere.path("home/cases").exists(), "{name}");
        assert_eq!(done(&elsewhere, &["case", "list"])["cases"].as_array().unwrap().len(), 0, "{name}");
    }
    let elsewhere = Bench::new();
    std::fs::copy(bench.path("bomb.zip"), elsewhere.path("case.zip")).unwrap();
    let (code, value) = elsewhere.json("case", &["case", "import", "case.zip"]);
    assert_eq!((code, &value["n_files"]), (5, &0.into()), "{value}");
    let mut all = std::fs::read_dir(elsewhere.folder.path()).unwrap();
    assert!(all.all(|file| !file.unwrap().file_name().to_string_lossy().contains("escape")));
}

/// The story of a swap inside a case: the bad coil goes from cylinder 1 to 4, and the misfire with it; the numbers move.
#[test]
fn a_case_names_the_part_that_the_misfire_followed() {
    let bench = Bench::new();
    done(&bench, &["case", "new", "--complaint", "engine misfires under load"]);
    let signals =
        "engine.speed,engine.load,misfire.cylinder_1,misfire.cylinder_2,misfire.cylinder_3,misfire.cylinder_4";
    let drive = |extra: &str| {
        let adapter = format!("standin:fell?script=mixed&warm=1{extra}");
        let record = ["drive", "record", "--adapter", &adapter, "--signals", signals, "--seconds", "600"];
        let (code, value) = bench.json("drive-record", &record);
        assert_eq!(code, 0, "{value}");
        let (code, value) = bench.json("examine", &["examine", value["drive"]["file"].as_str().unwrap()]);
        assert_eq!(code, 0, "{value}");
    };
    assert_eq!(bench.run(&["swap", "judge"]).status.code(), Some(2), "nothing was swapped yet");
    drive("&fault=misfire-coil:1:0.8");
    let (_, first) = bench.json("suspects", &["suspects"]);
    assert!(first["moved"].as_array().unwrap().is_empty());
    done(&bench, &["swap", "add", "--part", "coil", "--between", "1", "4"]);
    for moved in [["--between", "1", "4"], ["--from=1", "--to", "4"]] {
        let text = [&["swap", "add", "--part", "coil"][..], &moved, &["--text", "TF-4711"]].concat();
        assert_eq!(bench.run(&text).status.code(), Some(2), "no entry keeps a text on parts that changed places");
    }
    let added = done(&bench, &["swap", "add", "--part", "plug", "--from", "1", "--to", "2"]);
    assert_eq!(added["placement"]["plug"], serde_json::json!([2, 1, 3, 4]));
    done(&bench, &["swap", "undo", "--mistaken"]);
    let added = done(&bench, &["swap", "add", "--part", "plug", "--from", "1", "--to", "3"]);
    assert_eq!(added["placement"], serde_json::json!({"coil": [4, 2, 3, 1], "plug": [3, 2, 1, 4]}));
    drive("&fault=misfire-coil:1:0.8&coils=4,2,3,1&plugs=3,2,1,4&seed=2");
    let (code, judged) = bench.json("swap-judge", &["swap", "judge"]);
    assert_eq!((code, &judged["decided"]), (0, &true.into()), "{judged}");
    assert_eq!(judged["hypotheses"][0]["fault"], "coil 1");
    let (_, second) = bench.json("suspects", &["suspects"]);
    assert!(!second["moved"].as_array().unwrap().is_empty(), "the swap moved the suspects: {second}");
    assert!(strings(&second["moved_by"]).iter().any(|why| why.contains("moves with coil 1")), "{second}");
    // Suspects are parts: cylinder 4 misfires because of coil 1, and nothing of its own is suspected.
    let areas = second["areas"].as_array().unwrap();
    assert!(areas.iter().all(|area| area["id"] != "misfire.4"), "{second}");
    let area = areas.iter().find(|area| area["id"] == "misfire.1").unwrap();
    let coil = &area["suspects"][0];
    assert_eq!((&area["decided"], &coil["id"], &coil["now_on"]), (&true.into(), &"coil".into(), &"cylinder 4".into()));
    let replaced = done(&bench, &["swap", "add", "--part", "coil", "--new-at", "4", "--text", "TF-4711"]);
    assert_eq!(replaced["placement"]["coil"], serde_json::json!([4, 2, 3, 5]));
    drive("&coils=4,2,3,1&plugs=3,2,1,4&seed=3");
    let (code, proof) = bench.json("proof", &["proof"]);
    assert_eq!(code, 0, "{proof}");
    // A healthy engine may miss a firing once in a while: with one, more is driven until it is shown to be stray.
    assert!(["proven", "not yet"].contains(&proof["verdict"].as_str().unwrap()), "{proof}");
    let [fault] = proof["faults"].as_array().unwrap().as_slice() else { panic!("one part, one fault: {proof}") };
    assert_eq!((&fault["part"], &fault["subject"][0]), (&"coil 1".into(), &"misfire.cylinder_4".into()));
    assert!(fault["bounds"].as_array().unwrap().iter().any(|it| it["signal"] == "engine.load"), "{fault}");
    assert!(fault["collected_s"].as_f64().unwrap() > 10.0, "{fault}");
    let (_, third) = bench.json("suspects", &["suspects"]);
    let areas = third["areas"].as_array().unwrap();
    assert!(areas.iter().any(|area| area["suspects"][0]["is_out"] == true), "{third}");
    let shown = done(&bench, &["case", "show"]);
    let kinds = kinds(&shown);
    for kind in ["drive", "finding", "swap", "correction", "swap-verdict", "suspects", "replaced", "proof"] {
        assert!(kinds.contains(&kind.to_owned()), "{kind}: {kinds:?}");
    }
    assert_eq!(done(&bench, &["case", "verify"])["sound"], true);
}

/// The freeze frame that the survey of a case holds says where the drive had to be.
#[test]
fn misfires_in_a_case_are_laid_beside_the_freeze_frame() {
    let bench = Bench::new();
    let adapter = "standin:fell?script=mixed&warm=1&fault=misfire-coil:1:0.8";
    done(&bench, &["case", "new", "--complaint", "engine misfires under load"]);
    let survey = ["survey", "--emissions-only", "--adapter", &format!("{adapter}&start=600"), "--out", "s.json"];
    assert_eq!(bench.json("survey", &survey).0, 0);
    let signals = "engine.speed,engine.load,misfire.cylinder_1,misfire.cylinder_2";
    let record = ["drive", "record", "--adapter", adapter, "--signals", signals, "--seconds", "400", "--out", "d.mcap"];
    assert_eq!(bench.json("drive-record", &record).0, 0);
    let about_cylinder_1 = |arguments: &[&str]| {
        let (code, examined) = bench.json("examine", arguments);
        assert_eq!(code, 0, "{examined}");
        let findings = examined["findings"].as_array().unwrap().clone();
        findings.into_iter().find(|finding| finding["subject"][0] == "misfire.cylinder_1").unwrap()
    };
    let told = about_cylinder_1(&["examine", "d.mcap"]);
    assert!(told["statement"].as_str().unwrap().contains("the freeze frame of P0301"), "{told}");
    assert!(told["figures"]["freeze_frame_rpm"].as_f64().unwrap() > 600.0, "{told}");
    let told = about_cylinder_1(&["examine", "d.mcap", "--no-case"]);
    assert!(told["figures"]["freeze_frame_rpm"].is_null(), "without a case nobody knows of a frame: {told}");
    // A report from files takes it from the survey that is given.
    let report = ["report", "--survey-before", "s.json", "--before", "d.mcap", "--out", "r.html"];
    assert_eq!(bench.json("report", &report).0, 0);
    let page = std::fs::read_to_string(bench.path("r.html")).unwrap();
    assert!(page.contains("the freeze frame of P0301"), "the report holds the sentence");
}

/// Before and after, over a healthy car of the same model, and a swap that was written down after its drive.
#[test]
fn a_case_is_compared_before_and_after_and_with_a_healthy_car() {
    let bench = Bench::new();
    let signals =
        "engine.speed,engine.load,fuel.trim.long.bank_1,intake.air_flow,misfire.cylinder_1,misfire.cylinder_4";
    let drive = |extra: &str, out: &str| {
        let adapter = format!("standin:fell?script=mixed&warm=1{extra}");
        let record = ["drive", "record", "--adapter", &adapter, "--signals", signals, "--seconds", "400", "--out", out];
        assert_eq!(bench.json("drive-record", &record).0, 0);
    };
    let survey = |extra: &str| {
        let adapter = format!("standin:fell?script=mixed&warm=1&start=600{extra}");
        assert_eq!(bench.json("survey", &["survey", "--emissions-only", "--adapter", &adapter]).0, 0);
    };
    let compare = |extra: &[&str]| bench.json("case-compare", &[&["case", "compare"], extra].concat());

    done(&bench, &["case", "new", "--complaint", "none", "--model", "Tarnwick Fell 1.6"]);
    drive("&seed=4", "healthy.mcap");
    assert_eq!(compare(&[]).0, 2, "one drive is nothing to compare");
    done(&bench, &["case", "reference", "healthy.mcap", "--text", "no complaint, no code"]);

    done(&bench, &["case", "new", "--complaint", "misfires", "--model", "tarnwick fell 1.6"]);
    survey("&fault=misfire-coil:1:0.8");
    drive("&fault=misfire-coil:1:0.8", "first.mcap");
    drive("&fault=misfire-coil:1:0.8&coils=4,2,3,1&seed=2", "second.mcap");
    survey("");
    let (code, compared) = compare(&[]);
    assert_eq!(code, 0, "{compared}");
    let codes = compared["surveys"]["codes"].as_array().unwrap();
    assert!(codes.iter().any(|it| it["code"] == "P0301" && it["change"] == "gone"), "{compared}");
    let ids = |part: &str| -> Vec<String> {
        let signals = compared[part]["signals"].as_array().unwrap();
        signals.iter().map(|it| it["id"].as_str().unwrap().to_owned()).collect()
    };
    assert_eq!(ids("drives"), ["fuel.trim.long.bank_1", "intake.air_flow"]);
    assert_eq!(ids("reference"), ids("drives"));
    assert_eq!(strings(&compared["reference"]["references"]).len(), 1);
    let text = String::from_utf8(bench.run(&["case", "compare"]).stdout).unwrap();
    assert!(text.contains("gone") && text.contains("OVER 1 HEALTHY DRIVE OF A"), "{text}");
    let (code, _) = compare(&["--over-reference", "first.mcap", "--model", "another"]);
    assert_eq!(code, 2, "no healthy drive of that model");

    // The swap was made before the second drive and is written down now.
    let shown = done(&bench, &["case", "show"]);
    let second = kinds(&shown).iter().rposition(|kind| kind == "drive").unwrap() + 1;
    let second = second.to_string();
    let late = ["swap", "add", "--part", "coil", "--between", "1", "4", "--before-entry", second.as_str()];
    assert_eq!(done(&bench, &late)["entry"]["content"]["kind"], "earlier");
    let (_, judged) = bench.json("swap-judge", &["swap", "judge"]);
    assert_eq!(judged["hypotheses"][0]["fault"], "coil 1", "{judged}");
    assert_eq!(
        bench.run(&["swap", "add", "--part", "coil", "--between", "1", "4", "--before-entry", "99"]).status.code(),
        Some(2)
    );

    // What the fault model does not know is no test.
    assert_eq!(bench.run(&["case", "tested", "misfire.1/nothing=yes"]).status.code(), Some(2));
    done(&bench, &["case", "tested", "misfire.1/look=no"]);

    // Examined twice, said once.
    let n_findings = || kinds(&done(&bench, &["case", "show"])).iter().filter(|kind| *kind == "finding").count();
    for _ in 0..2 {
        assert_eq!(bench.json("examine", &["examine", "first.mcap"]).0, 0);
    }
    assert_eq!(n_findings(), 1);
    // Somebody knows better than its clock when it was driven.
    assert_eq!(bench.json("examine", &["examine", "first.mcap", "--minutes-ago", "600"]).0, 0);
    assert_eq!(kinds(&done(&bench, &["case", "show"])).last().unwrap(), "correction");
    assert_eq!(bench.json("swap-judge", &["swap", "judge"]).1["hypotheses"][0]["fault"], "coil 1");

    // A bench that shares the casebook has no drives of its own: it is told whose are lacking, and how to get them.
    done(&bench, &["case", "export", "case.zip"]);
    let elsewhere = Bench::new();
    std::fs::create_dir_all(elsewhere.path("home")).unwrap();
    std::fs::copy(bench.path("home/casebook.sqlite"), elsewhere.path("home/casebook.sqlite")).unwrap();
    std::fs::copy(bench.path("case.zip"), elsewhere.path("case.zip")).unwrap();
    std::fs::rename(bench.path("first.mcap"), bench.path("moved.mcap")).unwrap();
    std::fs::rename(bench.path("second.mcap"), bench.path("moved2.mcap")).unwrap();
    let (code, error) = elsewhere.json("swap-judge", &["--case", "2", "swap", "judge"]);
    assert!(code == 2 && error.to_string().contains("not on this computer"), "{error}");
    let brought = done(&elsewhere, &["case", "import", "case.zip"]);
    assert!(brought["n_files"].as_u64().unwrap() >= 2, "{brought}");
    let (code, judged) = elsewhere.json("swap-judge", &["--case", "2", "swap", "judge"]);
    assert_eq!((code, &judged["hypotheses"][0]["fault"]), (0, &"coil 1".into()), "{judged}");
}

/// What acts on the car stands in the ledger by itself, beside the drive and the surveys around it.
#[test]
fn commands_and_clearing_stand_in_the_ledger() {
    let bench = Bench::new();
    done(&bench, &["case", "new", "--complaint", "no cool air"]);
    let held = ["command", "--output", "ac.clutch", "--on", "--hold", "3", "--i-have-read"];
    let (code, driven) = bench.json("command", &[&held[..], &["--adapter", "standin:fell?script=idle"]].concat());
    assert_eq!(code, 0, "{driven}");
    let adapter = "standin:fell?fault=pedal-wear:1:1:40:20&script=pedal&start=100";
    let (code, cleared) = bench.json("clear", &["clear", "--all", "--i-have-read", "--adapter", adapter]);
    assert_eq!(code, 0, "{cleared}");
    let shown = done(&bench, &["case", "show"]);
    let kinds: Vec<String> = kinds(&shown);
    let place = |kind: &str| kinds.iter().position(|it| it == kind).unwrap_or_else(|| panic!("{kind}: {kinds:?}"));
    assert!(place("drive") < place("command") && place("survey") < place("clearing"), "{kinds:?}");
    assert_eq!(done(&bench, &["case", "verify"])["sound"], true);
}

/// Whoever mistypes one of several results says all of them again: none may have been written down before.
#[test]
fn results_are_written_down_all_or_none() {
    let bench = Bench::new();
    done(&bench, &["case", "new", "--complaint", "it misfires"]);
    let told = |last: &str| {
        let results = ["--repaired", "misfire.1/coil=no", "--repaired", last];
        bench.json("suspects", &[&["suspects"], &results[..]].concat()).0
    };
    assert_eq!((told("misfire.1/plug=perhaps"), told("misfire.1/plog=no"), told("misfire.1/plug=no")), (2, 2, 0));
    let kinds = kinds(&done(&bench, &["case", "show"]));
    assert_eq!(kinds, ["opened", "repaired", "repaired", "suspects"]);
}

/// What the report of a case would pass over is refused instead: its words come from the ledger.
#[test]
fn a_report_of_a_case_takes_no_words_that_it_would_drop() {
    let bench = Bench::new();
    done(&bench, &["case", "new", "--complaint", "lamp"]);
    let report = |words: &[&str]| bench.json("report", &[&["report", "--out", "r.html"], words].concat());
    for words in [["--complaint", "shakes"], ["--technician", "Ada"], ["--swap", "experiment.json"]] {
        let (code, value) = report(&words);
        assert!(code == 2 && value["error"]["message"].as_str().unwrap().starts_with(words[0]), "{value}");
    }
    assert_eq!(report(&["--done", "bulb replaced", "--remains", "wash it"]).0, 0);
    let page = std::fs::read_to_string(bench.path("r.html")).unwrap();
    assert!(page.contains("bulb replaced") && page.contains("wash it") && page.contains("lamp"), "{page}");
}

/// A case in which nothing was done yet lacks what most commands ask of it: each says what, and what to do next.
#[test]
fn what_a_case_lacks_is_said_with_what_to_do_next() {
    let bench = Bench::new();
    done(&bench, &["case", "new", "--complaint", "lamp"]);
    done(&bench, &["case", "backup", "copy.sqlite"]);
    for (schema, arguments) in [
        ("swap-judge", &["swap", "judge"][..]),
        ("case", &["swap", "undo"]),
        ("proof", &["proof"]),
        ("case-compare", &["case", "compare"]),
        ("case", &["case", "import", "nowhere.zip"]),
        ("case", &["case", "backup", "copy.sqlite"]),
    ] {
        let (code, value) = bench.json(schema, arguments);
        assert!(code > 0 && !strings(&value["error"]["hints"]).is_empty(), "{arguments:?}: {value}");
    }
}
