//! Every command as a script uses it: exit codes, one JSON object, files that are left or left alone.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a test fails by panicking")]

mod common;

use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use common::{Bench, check_schema, strings};
use serde_json::Value;

/// The stand-in as a process of its own, in real time; ends with the test.
struct Served {
    child: Child,
    adapter: String,
}

impl Served {
    fn new(bench: &Bench, arguments: &[&str]) -> Self {
        let mut child = bench.command(&[&["standin"], arguments].concat()).stdout(Stdio::piped()).spawn().unwrap();
        let mut line = String::new();
        BufReader::new(child.stdout.take().unwrap()).read_line(&mut line).unwrap();
        Self { child, adapter: line.trim().to_owned() }
    }
}

impl Drop for Served {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn send_signal(child: &Child, signal: &str) {
    assert!(Command::new("kill").args([signal, &child.id().to_string()]).status().unwrap().success());
}

/// Nobody listens on the port for throwing away (RFC 863) of this machine.
const NOBODY: &str = "at+tcp://127.0.0.1:9";

#[test]
fn wrong_usage_and_missing_input_end_with_2_and_say_what_to_do() {
    let bench = Bench::new();
    std::fs::write(bench.path("rubbish.mcap"), b"not a drive at all").unwrap();
    std::fs::write(bench.path("empty.csv"), b"").unwrap();
    std::fs::write(bench.path("back.csv"), b"time_s,engine.speed [rpm]\n1,800\n0.5,810\n").unwrap();
    for (arguments, said) in [
        (vec!["survey"], "--adapter"),
        (vec!["examine", "missing.mcap"], "check the path"),
        (vec!["examine", "rubbish.mcap"], "witness import"),
        (vec!["import", "empty.csv", "--out", "a.mcap"], "empty"),
        (vec!["import", "back.csv", "--out", "a.mcap"], "line 3"),
        (vec!["import", "back.csv", "--out", "a.mcap", "--map", "nonsense"], "COLUMN=SIGNAL"),
        (vec!["export", "rubbish.mcap", "--out", "a.xyz"], ".csv"),
        (vec!["survey", "--adapter", "carrier-pigeon:1"], "carrier-pigeon"),
        (vec!["survey", "--adapter", "standin:fall"], "help-cars"),
        (vec!["survey", "--adapter", "standin:fell?fault=coffee:1"], "faults are"),
        (vec!["drive"], "--adapter"),
        (vec!["drive", "record", "--adapter", "standin:fell", "--signals", "Engine Speed"], "witness signals"),
        (vec!["drive", "record", "--adapter", "standin:fell", "--watchlist", "none"], "watchlist list"),
        (vec!["plan", "--adapter", "standin:fell", "--signals", "engine.sped"], "is it engine.speed?"),
        // What is asked of the file is told before the car is: nobody is there to answer.
        (
            vec!["drive", "record", "--adapter", NOBODY, "--signals", "engine.speed", "--out", "empty.csv"],
            "exists already",
        ),
        (
            vec!["drive", "record", "--adapter", NOBODY, "--signals", "engine.speed", "--out", "no/a.mcap"],
            "check the path",
        ),
        (vec!["command", "--adapter", NOBODY, "--output", "fan.command", "--out", "empty.csv"], "exists already"),
    ] {
        let output = bench.run(&arguments);
        let errors = String::from_utf8_lossy(&output.stderr);
        assert_eq!(output.status.code(), Some(2), "{arguments:?}: {errors}");
        assert!(errors.contains(said), "{arguments:?}: {errors}");
        assert!(output.stdout.is_empty(), "{arguments:?}");
    }
    assert!(!bench.path("a.mcap").exists());
}

/// The contract: every command takes `--json` and then prints exactly one JSON object on standard output.
#[test]
fn words_that_are_not_understood_are_one_object_too() {
    let bench = Bench::new();
    for (arguments, said, hint) in [
        (&["survey"][..], "--adapter <ADDRESS>", "Usage: witness survey"),
        (&["survay"], "unrecognized subcommand 'survay'", "survey"),
        (&["plan", "--adapter", "standin:fell", "--event-ms", "soon"], "'soon' for '--event-ms <MS>'", "--help"),
        (&["case"], "requires a subcommand", "Usage: witness case"),
    ] {
        let (code, value) = bench.json("error", arguments);
        assert_eq!((code, &value["error"]["exit_code"]), (2, &Value::from(2)), "{value}");
        assert!(value["error"]["message"].as_str().unwrap().contains(said), "{value}");
        assert!(strings(&value["error"]["hints"]).iter().any(|told| told.contains(hint)), "{value}");
    }
    // Words that would show a help at a terminal.
    let output = bench.run(&["--json", "case"]);
    check_schema("error", std::str::from_utf8(&output.stdout).unwrap());
    let value: Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!((output.status.code(), &value["error"]["message"]), (Some(2), &"a command is missing".into()));
    let (code, value) = bench.json("standin", &["standin", "--help-cars"]);
    assert_eq!((code, &value["cars"][0]["name"]), (0, &Value::from("fell")), "{value}");
    let (code, value) = bench.json("standin", &["standin", "fell", "--show-definitions"]);
    assert!(code == 0 && value["definitions"].as_str().unwrap().contains("[[module"), "{value}");
    let output = bench.run(&["survey", "--help"]);
    assert!(output.status.code() == Some(0) && output.stderr.is_empty());
}

/// The device that is always full (full(4) of the Linux manual) stands for a disk behind a `>`.
#[cfg(target_os = "linux")]
#[test]
fn what_could_not_be_printed_is_not_done() {
    let bench = Bench::new();
    for arguments in [&["signals"][..], &["signals", "--json"], &["completions", "bash"]] {
        let full = std::fs::File::options().write(true).open("/dev/full").unwrap();
        let output = bench.command(arguments).stdout(full).output().unwrap();
        let errors = String::from_utf8_lossy(&output.stderr);
        assert!(output.status.code() == Some(1) && errors.contains("cannot print"), "{arguments:?}: {errors}");
    }
}

#[test]
fn nobody_there_ends_with_3() {
    let bench = Bench::new();
    let listener = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    let address = format!("at+tcp://{}", listener.local_addr().unwrap());
    drop(listener);
    let (code, value) = bench.json("survey", &["survey", "--adapter", &address]);
    assert_eq!(code, 3);
    assert_eq!(value["error"]["exit_code"], 3);
    let (code, value) = bench.json("survey", &["survey", "--adapter", "at+serial:/dev/no-such-port"]);
    assert_eq!(code, 3, "{value}");
    assert!(!strings(&value["error"]["hints"]).is_empty());
}

#[test]
fn a_survey_is_saved_whole_before_it_is_shown_and_never_replaced() {
    let bench = Bench::new();
    let adapter = "standin:fell?script=mixed&start=900&fault=misfire-coil:1:0.9";
    let (code, shown) = bench.json("survey", &["survey", "--adapter", adapter, "--out", "survey.json"]);
    assert_eq!(code, 0, "{shown}");
    assert_eq!(shown["vehicle"]["vin"], standin_vin());
    let engine = shown["modules"].as_array().unwrap().iter().find(|module| module["address"] == "7E8").unwrap();
    let code_of = |code: &&Value| code["code"] == "P0301";
    let misfire = engine["codes"].as_array().unwrap().iter().find(code_of).unwrap();
    assert!(misfire["text"].as_str().unwrap().contains("cylinder 1"));
    assert_eq!(engine["freeze_frames"][0]["code"], "P0301");
    let text = std::fs::read_to_string(bench.path("survey.json")).unwrap();
    // What else is JSON is no survey of a car without codes.
    std::fs::write(
        bench.path("failed.json"),
        r#"{"error": {"message": "nobody answers", "hints": [], "exit_code": 3}}"#,
    )
    .unwrap();
    for arguments in [
        &["suspects", "--survey", "failed.json"][..],
        &["report", "--survey-before", "failed.json", "--out", "r.html"],
        &["case", "compare", "--survey-before", "survey.json", "--survey-after", "failed.json"],
    ] {
        let (code, value) = bench.json("error", arguments);
        assert!(code == 2 && value["error"]["message"].as_str().unwrap().contains("is no survey"), "{value}");
    }
    check_schema("survey", &text);
    let saved: Value = serde_json::from_str(&text).unwrap();
    assert!(saved["raw"].as_array().unwrap().iter().any(|raw| raw["request"] == "03"));
    assert_eq!(saved["modules"], shown["modules"]);

    // That there is no room for it is told before the car is read: nobody is there to answer.
    for arguments in [&["survey", "--out"][..], &["clear", "--all", "--survey"]] {
        for (file, said) in [("survey.json", "never written over"), ("no/survey.json", "No such file")] {
            let (code, value) = bench.json("survey", &[arguments, &[file, "--adapter", NOBODY]].concat());
            assert_eq!(code, 2, "{value}");
            assert!(value["error"]["message"].as_str().unwrap().contains(said), "{value}");
            assert!(!value["error"]["hints"].to_string().contains("--force"), "there is no such option: {value}");
        }
    }
    assert_eq!(std::fs::read_to_string(bench.path("survey.json")).unwrap(), text);
}

/// The workbench, ended when the test is over.
struct Workbench(Child);

impl Drop for Workbench {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

#[test]
fn the_workbench_says_where_it_is_and_lets_in_nobody_who_did_not_join() {
    let bench = Bench::new();
    let arguments = ["serve", "--no-open", "--json", "--listen", "127.0.0.1:0"];
    let mut child = bench.command(&arguments).stdout(Stdio::piped()).spawn().unwrap();
    let mut lines = BufReader::new(child.stdout.take().unwrap()).lines();
    let _served = Workbench(child);
    let mut text = String::new();
    while serde_json::from_str::<Value>(&text).is_err() {
        text += &lines.next().unwrap().unwrap();
    }
    check_schema("serve", &text);
    let said: Value = serde_json::from_str(&text).unwrap();
    let address = said["url"].as_str().unwrap().strip_prefix("http://").unwrap().trim_end_matches('/').to_owned();
    let ask = |head: &str| {
        let mut stream = std::net::TcpStream::connect(&address).unwrap();
        std::io::Write::write_all(&mut stream, format!("{head}\r\nConnection: close\r\n\r\n").as_bytes()).unwrap();
        let mut answer = Vec::new();
        std::io::Read::read_to_end(&mut stream, &mut answer).unwrap();
        String::from_utf8_lossy(&answer).into_owned()
    };
    let page = ask(&format!("GET / HTTP/1.1\r\nHost: {address}\r\nAccept-Encoding: gzip"));
    assert!(page.starts_with("HTTP/1.1 200") && page.contains("content-security-policy: default-src 'none'"), "{page}");
    for (head, expected) in [
        (format!("GET /api/drives HTTP/1.1\r\nHost: {address}"), "401"),
        ("GET /api/session HTTP/1.1\r\nHost: evil.example".to_owned(), "403"),
        (format!("POST /api/car/take HTTP/1.1\r\nHost: {address}\r\nContent-Length: 0"), "403"),
        (format!("GET /api/session HTTP/1.1\r\nHost: {address}\r\nOrigin: http://evil.example"), "403"),
        (format!("GET /api/nothing HTTP/1.1\r\nHost: {address}"), "404"),
        (format!("GET /../Cargo.toml HTTP/1.1\r\nHost: {address}"), "404"),
    ] {
        let answer = ask(&head);
        assert!(answer.starts_with(&format!("HTTP/1.1 {expected}")), "{head}: {answer}");
    }
}

fn standin_vin() -> &'static str {
    standin::VIN
}

#[test]
fn a_drive_is_recorded_examined_and_exported() {
    let bench = Bench::new();
    let signals = "engine.speed,pedal.position_1,pedal.position_2,coolant.temperature,adapter.voltage,nothing.known";
    let record = ["drive", "record", "--adapter", "standin:fell?script=town", "--signals", signals, "--seconds", "60"];
    let (code, value) = bench.json("drive-record", &[&record[..], &["--out", "d.mcap"]].concat());
    assert_eq!(code, 0, "{value}");
    assert_eq!(value["unavailable"][0]["id"], "nothing.known");
    assert!((value["drive"]["duration_s"].as_f64().unwrap() - 60.0).abs() < 2.0, "{value}");
    assert_eq!(bench.run(&[&record[..], &["--out", "d.mcap"]].concat()).status.code(), Some(2), "it was there already");

    let (code, value) = bench.json("examine", &["examine", "d.mcap"]);
    assert_eq!(code, 0);
    let kinds: Vec<&str> =
        value["findings"].as_array().unwrap().iter().map(|finding| finding["kind"].as_str().unwrap()).collect();
    assert!(kinds.contains(&"dropout") && kinds.contains(&"pair"), "{kinds:?}");
    assert!(value["findings"].as_array().unwrap().iter().all(|finding| finding["verdict"] != "faulty"), "{value}");

    let wanted = ["--map", "coolant.temperature", "--pair", "pedal.position_1,pedal.position_2"];
    let (code, value) = bench.json("picture", &[&["picture", "d.mcap"], &wanted[..]].concat());
    assert_eq!(code, 0, "{value}");
    let seconds = value["map"]["cells"].as_array().unwrap().iter().map(|cell| cell["exposure"].as_f64().unwrap());
    assert!((seconds.sum::<f64>() - 60.0).abs() < 3.0, "{value}");
    assert!(value["pair"]["cells"].as_array().unwrap().len() > 5, "{value}");
    let (code, value) = bench.json("picture", &["picture", "d.mcap", "--wheels"]);
    assert_eq!((code, value["problems"].as_array().unwrap().len()), (5, 1), "no wheel was recorded: {value}");

    let (code, value) = bench.json("export", &["export", "d.mcap", "--out", "d.csv"]);
    assert_eq!(code, 0, "{value}");
    let (code, value) = bench.json("import", &["import", "d.csv", "--out", "again.mcap"]);
    assert_eq!(code, 0, "{value}");
    assert_eq!(bench.run(&["export", "again.mcap", "--out", "again.csv"]).status.code(), Some(0));
    let [first, second] = ["d.csv", "again.csv"].map(|name| std::fs::read(bench.path(name)).unwrap());
    assert!(first == second, "a table and the table of its drive are the same bytes");
}

/// Two drives of the invented car: a bad coil on cylinder 1, then that coil on cylinder 4 and the plugs of 1 and 3
/// exchanged. The words of the answer are the contract with scripts.
#[test]
fn a_swap_names_the_part_that_the_misfire_followed() {
    let bench = Bench::new();
    let signals =
        "engine.speed,engine.load,misfire.cylinder_1,misfire.cylinder_2,misfire.cylinder_3,misfire.cylinder_4";
    for (out, extra) in [("before.mcap", ""), ("after.mcap", "&coils=4,2,3,1&plugs=3,2,1,4&seed=2")] {
        let adapter = format!("standin:fell?script=mixed&warm=1&fault=misfire-coil:1:0.8{extra}");
        let (code, value) = bench.json(
            "drive-record",
            &["drive", "record", "--adapter", &adapter, "--signals", signals, "--seconds", "600", "--out", out],
        );
        assert_eq!(code, 0, "{value}");
    }
    let experiment = |after: &str| {
        let text = format!(
            r#"{{"parts": ["coil", "plug"], "drives": [
                {{"file": "before.mcap", "placement": {{"coil": [1, 2, 3, 4], "plug": [1, 2, 3, 4]}}}},
                {{"file": "after.mcap", "placement": {after}}}]}}"#
        );
        std::fs::write(bench.path("experiment.json"), text).unwrap();
        bench.json("swap-judge", &["swap", "judge", "experiment.json"])
    };
    let (code, value) = experiment(r#"{"coil": [4, 2, 3, 1], "plug": [3, 2, 1, 4]}"#);
    assert_eq!(code, 0, "{value}");
    assert_eq!(value["decided"], true, "{value}");
    assert_eq!(value["hypotheses"][0]["fault"], "coil 1");
    let total: f64 = value["hypotheses"].as_array().unwrap().iter().map(|h| h["probability"].as_f64().unwrap()).sum();
    assert!((total - 1.0).abs() < 1e-9);
    // With the swap the suspects are decided; without it they are not.
    let weigh = |extra: &[&str]| {
        let arguments = [&["suspects", "--complaint", "misfires uphill", "--drive", "before.mcap"], extra].concat();
        let (code, value) = bench.json("suspects", &arguments);
        assert_eq!(code, 0, "{value}");
        let areas = value["areas"].as_array().unwrap();
        areas.iter().find(|area| area["id"] == "misfire.1").unwrap_or_else(|| panic!("{value}")).clone()
    };
    let open = weigh(&[]);
    assert!(open["decided"] == false && open["next"]["ask"].is_string(), "{open}");
    let decided = weigh(&["--swap", "experiment.json", "--result", "misfire.1/compression-low=no"]);
    assert!(decided["decided"] == true && decided["suspects"][0]["id"] == "coil", "{decided}");
    assert!(strings(&decided["opened_by"]).iter().any(|by| by.contains("misfire in before.mcap")));
    let text = String::from_utf8(bench.run(&["suspects", "--drive", "before.mcap", "--steps"]).stdout).unwrap();
    assert!(text.contains("MISFIRE ON CYLINDER 1") && text.contains("HOW IT CAME ABOUT"), "{text}");
    assert_eq!(bench.run(&["suspects", "--drive", "before.mcap", "--result", "x=maybe"]).status.code(), Some(2));

    let (code, value) = bench.json("proof", &["proof", "--before", "before.mcap"]);
    assert_eq!((code, &value["verdict"]), (0, &Value::from("not yet")), "{value}");
    assert!(value["faults"][0]["needed_s"].as_f64().unwrap() > 1.0, "{value}");
    let (code, value) = bench.json("proof", &["proof", "--before", "before.mcap", "--after", "before.mcap"]);
    assert_eq!(code, 2, "one recording is not from before and from after: {value}");
    let adapter = "standin:fell?script=mixed&warm=1&seed=3";
    let record =
        ["drive", "record", "--adapter", adapter, "--signals", signals, "--seconds", "600", "--out", "mended.mcap"];
    assert_eq!(bench.json("drive-record", &record).0, 0);
    let (code, value) = bench.json("proof", &["proof", "--before", "before.mcap", "--after", "mended.mcap"]);
    // A healthy engine may miss once in thousands of firings: a stray one is no remainder of the fault.
    assert_eq!(
        (code, &value["verdict"], &value["faults"][0]["lacking_s"]),
        (0, &"proven".into(), &0.0.into()),
        "{value}"
    );
    let twice = ["proof", "--before", "before.mcap", "--after", "mended.mcap", "--after", "mended.mcap"];
    let (code, again) = bench.json("proof", &twice);
    assert_eq!((code, &again["faults"]), (5, &value["faults"]), "it counts once, and is told: {again}");

    let report = [
        "report",
        "--complaint",
        "stumbles <b>uphill</b>",
        "--before",
        "before.mcap",
        "--between",
        "after.mcap",
        "--after",
        "mended.mcap",
        "--swap",
        "experiment.json",
        "--done",
        "coil replaced",
        "--language",
        "es",
        "--out",
        "report.html",
    ];
    let (code, value) = bench.json("report", &report);
    assert_eq!((code, &value["format"]), (0, &Value::from("html")), "{value}");
    let page = std::fs::read_to_string(bench.path("report.html")).unwrap();
    for part in ["El cilindro 1 falla", "bobina 1", "&lt;b&gt;uphill", "<svg", "coil replaced"] {
        assert!(page.contains(part), "{part} is not in the report");
    }
    let (code, value) = bench.json("report", &report);
    assert_eq!(code, 2, "a report is not replaced unasked: {value}");
    let pictures = |name: &str, drives: &[&str]| {
        let (code, _) = bench.json("report", &[&["report", "--out", name], drives].concat());
        (code, std::fs::read_to_string(bench.path(name)).unwrap().matches("<svg").count())
    };
    let (_, once) = pictures("once.html", &["--before", "before.mcap"]);
    let twice = pictures("twice.html", &["--before", "before.mcap", "--before", "before.mcap"]);
    assert!(once > 0 && twice == (5, once), "a recording stands once, and that is told: {once}, {twice:?}");
    let (code, value) = bench.json("report", &["report", "--before", "before.mcap", "--out", "report.txt"]);
    assert_eq!(code, 2, "{value}");

    let (code, value) = experiment(r#"{"coil": [4, 2, 3, 4], "plug": [3, 2, 1, 4]}"#);
    assert_eq!(code, 2, "coil 4 cannot sit on two cylinders: {value}");
}

#[test]
fn a_watchlist_stands_for_its_signals() {
    let bench = Bench::new();
    let (code, value) =
        bench.json("watchlist", &["watchlist", "save", "pedal", "--signals", "pedal.position_1,engine.speed"]);
    assert_eq!((code, strings(&value["watchlists"][0]["signals"]).len()), (0, 2));
    let (code, value) = bench.json("plan", &["plan", "--adapter", "standin:fell", "--watchlist", "pedal"]);
    assert_eq!((code, value["signals"].as_array().unwrap().len()), (0, 2));
    assert!(value["signals"][0]["per_second"].as_f64().unwrap() > 20.0, "{value}");
    assert_eq!(bench.run(&["watchlist", "save", "../escape", "--signals", "engine.speed"]).status.code(), Some(2));
    let (code, value) = bench.json("watchlist", &["watchlist", "remove", "pedal"]);
    assert_eq!((code, value["watchlists"].as_array().unwrap().len()), (0, 0));
}

/// Wishes how often each signal comes, what is slow on purpose, and what to leave out.
#[test]
fn a_plan_follows_wishes_and_says_what_to_leave_out() {
    let bench = Bench::new();
    let signals = "engine.speed,engine.load,vehicle.speed,coolant.temperature";
    let plan = ["plan", "--adapter", "standin:fell?script=cruise&pids=1&jitter=0", "--signals", signals];
    let (code, value) = bench.json("plan", &plan);
    assert_eq!(code, 0);
    let rate = |value: &serde_json::Value, idx: usize| value["signals"][idx]["per_second"].as_f64().unwrap();
    assert!((rate(&value, 0) / rate(&value, 1) - 1.0).abs() < 0.1 && rate(&value, 3) < 2.0, "{value}");
    assert!(value["signals"][0]["every_s"].is_null() && value["signals"][3]["every_s"].as_f64().unwrap() > 0.5);
    let wished = ["--weight", "engine.speed=4", "--every", "coolant.temperature=0", "--event-ms", "5"];
    let (code, value) = bench.json("plan", &[&plan[..], &wished].concat());
    assert_eq!(code, 0);
    assert!((rate(&value, 0) / rate(&value, 1) - 4.0).abs() < 0.4, "{value}");
    assert!((rate(&value, 3) / rate(&value, 1) - 1.0).abs() < 0.1 && value["signals"][3]["every_s"].is_null());
    let leave_out = value["leave_out"].as_array().unwrap();
    assert!(!leave_out.is_empty() && !leave_out[0]["gains"].as_array().unwrap().is_empty(), "{value}");
    let text = String::from_utf8(bench.run(&[&plan[..], &["--event-ms", "5"]].concat()).stdout).unwrap();
    assert!(text.contains("on purpose") && text.contains("without "), "{text}");
    let (code, value) = bench.json("plan", &[&plan[..], &["--at-least", "vehicle.speed=30"]].concat());
    assert!(code == 0 && rate(&value, 2) > 29.0, "{value}");
    for (wish, said) in [("engine.speed", "ID=NUMBER"), ("engine.speed=0", "0.01"), ("fuel.level=2", "not among")] {
        let output = bench.run(&[&plan[..], &["--weight", wish]].concat());
        let errors = String::from_utf8_lossy(&output.stderr);
        assert!(output.status.code() == Some(2) && errors.contains(said), "{wish}: {errors}");
    }
}

/// A road is recorded by listening, and its raw frames are kept: decoded again they give the same.
#[test]
fn broadcasts_are_recorded_with_their_frames() {
    let bench = Bench::new();
    std::fs::write(bench.path("car.dbc"), standin::BROADCASTS).unwrap();
    let adapter = "standin:fell?face=slcan&baud=2000000&script=cruise&warm=1&broadcast=1000";
    let record =
        ["drive", "record", "--adapter", adapter, "--definitions", "car.dbc", "--seconds", "3", "--out", "heard.mcap"];
    let signals = ["--signals", "custom.WHEELS.REAR_LEFT,engine.speed"];
    let (code, value) = bench.json("drive-record", &[&record[..], &signals].concat());
    assert_eq!(code, 0, "{value}");
    let import = ["import", "heard.mcap", "--definitions", "car.dbc", "--out", "again.mcap"];
    let (code, value) = bench.json("import", &import);
    assert_eq!(code, 0, "{value}");
    let [heard, again] = ["heard.mcap", "again.mcap"].map(|name| drive::read(&bench.path(name)).unwrap().recording);
    let of = |recording: &signal::Recording| {
        let series = recording.series("custom.WHEELS.REAR_LEFT").unwrap();
        series.t_ns.iter().copied().zip(series.value.iter().copied()).collect::<Vec<_>>()
    };
    assert!(of(&heard).len() > 250, "{}", of(&heard).len());
    // The first frame gives no sample while recording, for nobody knows how old its values are.
    assert_eq!(of(&heard), of(&again)[1..]);
}

#[test]
fn signals_are_listed_with_their_counterparts() {
    let bench = Bench::new();
    let (code, value) = bench.json("signals", &["signals", "wheel"]);
    assert_eq!(code, 0);
    let of = |id: &str| value["signals"].as_array().unwrap().iter().find(|signal| signal["id"] == id).cloned();
    // Name of the counterpart: COVESA VSS release 6, from memory.
    assert_eq!(of("wheel.speed.rear_left").unwrap()["vss"], "Vehicle.Chassis.Axle.Row2.Wheel.Left.Speed");
    assert!(of("engine.speed").is_none());
}

#[test]
fn a_file_of_definitions_is_explained_and_a_mistake_has_its_line() {
    let bench = Bench::new();
    let example = Path::new(env!("CARGO_MANIFEST_DIR")).join("../definition/data/makers/example.toml");
    let text = std::fs::read_to_string(example).unwrap();
    std::fs::write(bench.path("own.toml"), &text).unwrap();
    let (code, value) = bench.json("definitions-check", &["definitions", "check", "own.toml"]);
    assert_eq!((code, value["modules"][0]["address"].as_str()), (0, Some("768")));
    assert_eq!(value["modules"][0]["signals"][0]["request"], "22 D0 10");
    assert!(value["messages"][0]["signals"].as_array().unwrap().len() > 1);
    std::fs::write(bench.path("own.toml"), text.replace("divide = 5\n", "divide = 0\n")).unwrap();
    let (code, value) = bench.json("definitions-check", &["definitions", "check", "own.toml"]);
    assert_eq!(code, 2);
    assert!(value["error"]["message"].as_str().unwrap().contains("own.toml line "), "{value}");
}

#[test]
fn a_drive_goes_through_every_open_format() {
    let bench = Bench::new();
    std::fs::write(bench.path("a.csv"), "time_s,engine.speed [rpm],custom.x [bar]\n0,800,1.5\n0.1,810,\n0.3,820,2\n")
        .unwrap();
    assert_eq!(bench.json("import", &["import", "a.csv", "--out", "a.mcap"]).0, 0);
    for name in ["b.parquet", "b.mf4"] {
        let (code, value) = bench.json("export", &["export", "a.mcap", "--out", name]);
        assert_eq!((code, value["samples"].as_u64()), (0, Some(5)), "{value}");
        let drive = format!("{name}.mcap");
        let (code, value) = bench.json("import", &["import", name, "--out", &drive]);
        assert_eq!((code, value["samples"].as_u64()), (0, Some(5)), "{value}");
        let read = |name: &str| drive::read(&bench.path(name)).unwrap().recording.series;
        assert_eq!(read(&drive), read("a.mcap"), "{name}");
        assert_eq!(bench.run(&["export", "a.mcap", "--out", name]).status.code(), Some(2), "not overwritten unasked");
    }
}

#[test]
fn over_tcp_sigterm_closes_a_recording_and_kill_loses_little() {
    let bench = Bench::new();
    let served = Served::new(&bench, &["fell?script=town&start=30", "--tcp", "127.0.0.1:0"]);
    let record = |out: &str| {
        let arguments = ["drive", "record", "--adapter", &served.adapter, "--signals", "engine.speed", "--out", out];
        let child = bench.command(&arguments).stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap();
        let path = bench.path(out);
        let begun = Instant::now();
        while std::fs::metadata(&path).map(|file| file.len()).unwrap_or(0) < 4000 {
            assert!(begun.elapsed() < Duration::from_secs(60), "nothing is recorded");
            std::thread::sleep(Duration::from_millis(20));
        }
        child
    };
    let mut child = record("term.mcap");
    send_signal(&child, "-TERM");
    assert_eq!(child.wait().unwrap().code(), Some(0));
    let (code, value) = bench.json("examine", &["examine", "term.mcap"]);
    assert_eq!((code, strings(&value["problems"]).len()), (0, 0), "{value}");

    let mut child = record("kill.mcap");
    send_signal(&child, "-KILL");
    child.wait().unwrap();
    let (code, value) = bench.json("examine", &["examine", "kill.mcap"]);
    assert_eq!(code, 5, "{value}");
    assert!(value["drive"]["signals"][0]["samples"].as_u64().unwrap() > 0);
    let (code, value) = bench.json("drive-repair", &["drive", "repair", "kill.mcap"]);
    assert!(code == 0 || code == 5, "{value}");
    let (code, _) = bench.json("examine", &["examine", value["file"].as_str().unwrap()]);
    assert_eq!(code, 0);
    let (code, again) = bench.json("drive-repair", &["drive", "repair", "kill.mcap"]);
    let hints = again["error"]["hints"].to_string();
    assert!(code == 2 && hints.contains("that copy") && !hints.contains("--force"), "no such option: {again}");
}

#[test]
fn an_output_is_driven_beside_a_recording_and_judged() {
    let bench = Bench::new();
    let adapter = ["--adapter", "standin:fell?script=idle"];
    let (code, list) = bench.json("command-list", &[&["command"], &adapter[..]].concat());
    assert_eq!(code, 0);
    let ids: Vec<&str> =
        list["outputs"].as_array().unwrap().iter().map(|output| output["id"].as_str().unwrap()).collect();
    assert_eq!(ids, ["custom.tank_vent", "ac.clutch", "fan.command"]);
    assert_eq!(list["routines"][0]["parameters"][0]["name"], "step");

    let drive = |spec: &str, out: &str| {
        let adapter = format!("standin:fell?script=idle{spec}");
        let fixed = ["command", "--adapter", &adapter, "--output", "ac.clutch", "--i-have-read", "--out", out];
        bench.json("command", &[&fixed[..], &["--pulse", "12:12:7", "--signals", "ac.pressure"]].concat())
    };
    let (code, good) = drive("", "good.mcap");
    assert_eq!((code, good["ended"].as_str(), good["returned"].as_str()), (0, Some("complete"), Some("confirmed")));
    assert_eq!(good["driven"].as_array().unwrap().len(), 13);
    assert_eq!(good["findings"][0]["verdict"], "healthy", "{}", good["findings"]);
    let marks: Vec<&str> = good["recorded"]["drive"]["marks"]
        .as_array()
        .unwrap()
        .iter()
        .map(|mark| mark["text"].as_str().unwrap())
        .collect();
    assert_eq!(marks, ["ac.clutch on", "ac.clutch off"].repeat(7));
    // The examination of the drive says the same, once.
    let (_, examined) = bench.json("examine", &["examine", "good.mcap"]);
    let of_clutch = examined["findings"].as_array().unwrap().iter().filter(|finding| finding["kind"] == "command");
    assert_eq!(of_clutch.collect::<Vec<_>>(), [&good["findings"][0]]);
    let (code, bad) = drive("&fault=clutch-open:1", "bad.mcap");
    assert_eq!((code, bad["findings"][0]["verdict"].as_str()), (0, Some("faulty")), "{}", bad["findings"]);

    let routine = ["command", "--routine", "custom.fan_ramp", "--set", "step=1", "--hold", "6", "--i-have-read"];
    let (code, ramp) = bench.json("command", &[&routine[..], &adapter].concat());
    assert_eq!((code, ramp["results"][0]["text"].as_str()), (0, Some("passed")));
}

/// The module falls silent while its output is driven, before it is, and before anybody connects.
#[test]
fn a_command_whose_module_fell_silent_is_not_done() {
    let bench = Bench::new();
    let hold = |silent: &str, seconds: &str| {
        let adapter = format!("standin:fell?script=idle&warm=1&silent=body:{silent}");
        let fixed = ["command", "--output", "fan.command", "--level", "60", "--i-have-read", "--no-case"];
        let how = ["--hold", seconds, "--adapter", &adapter, "--out", "fan.mcap", "--force"];
        bench.json("command", &[&fixed[..], &how].concat())
    };
    for (silent, seconds, returned) in [("10:200", "20", "by-session"), ("5:999", "5", "not-driven")] {
        let (code, told) = hold(silent, seconds);
        assert_eq!(
            (code, told["ended"].as_str(), told["returned"].as_str()),
            (3, Some("silent"), Some(returned)),
            "{told}"
        );
    }
    let before = std::fs::read(bench.path("fan.mcap")).unwrap();
    let (code, told) = hold("0:999", "5");
    assert_eq!((code, told["error"]["message"].as_str()), (3, Some("no module answers at 7EB")), "{told}");
    assert_eq!(std::fs::read(bench.path("fan.mcap")).unwrap(), before, "there was nothing to replace it by");
}

#[test]
fn what_moves_something_is_refused_with_4_and_nothing_is_sent() {
    let bench = Bench::new();
    let on = |spec: &str, more: &[&str]| {
        let fixed = ["command", "--output", "ac.clutch", "--on", "--hold", "3", "--adapter"];
        bench.json("command", &[&fixed[..], &[spec], more].concat())
    };
    let (code, unread) = on("standin:fell?script=idle", &[]);
    assert_eq!(code, 4);
    assert!(unread["error"]["hints"].to_string().contains("belt"), "{unread}");
    for (spec, reason) in [
        ("standin:fell?script=cruise&start=60", "the vehicle must stand still: vehicle.speed is"),
        ("standin:fell?script=pedal&start=100", "the engine must be running: engine.speed is 0"),
    ] {
        let (code, refused) = on(spec, &["--i-have-read"]);
        assert_eq!(
            (code, refused["ended"].as_str(), refused["returned"].as_str()),
            (4, Some("unmet"), Some("not-driven"))
        );
        assert!(refused["ended_text"].as_str().unwrap().starts_with(reason), "{refused}");
        assert!(refused["driven"].as_array().unwrap().is_empty());
    }
    for arguments in [
        &[
            "command",
            "--output",
            "fan.command",
            "--level",
            "101",
            "--i-have-read",
            "--adapter",
            "standin:fell?script=idle",
        ][..],
        &["command", "--output", "custom.wiper", "--on", "--i-have-read", "--adapter", "standin:fell?script=idle"],
        &["command", "--output", "ac.clutch", "--adapter", "standin:fell?script=idle"],
        &["command", "--output", "ac.clutch", "--pulse", "1:2", "--adapter", "standin:fell?script=idle"],
        &[
            "command",
            "--output",
            "ac.clutch",
            "--hold",
            "nan",
            "--i-have-read",
            "--adapter",
            "standin:fell?script=idle",
        ],
        &[
            "command",
            "--routine",
            "custom.fan_ramp",
            "--set",
            "step=99",
            "--i-have-read",
            "--adapter",
            "standin:fell?script=idle",
        ],
    ] {
        assert_eq!(bench.run(arguments).status.code(), Some(2), "{arguments:?}");
    }
    let (code, running) =
        bench.json("clear", &["clear", "--all", "--i-have-read", "--adapter", "standin:fell?script=idle"]);
    assert_eq!(code, 4);
    assert!(running["error"]["message"].as_str().unwrap().contains("the engine is running"), "{running}");
    // The survey was saved all the same.
    assert_eq!(std::fs::read_dir(bench.path("home/surveys")).unwrap().count(), 1);
}

#[test]
fn clearing_saves_a_survey_first_and_reads_again() {
    let bench = Bench::new();
    // At this time of the script nobody presses the pedal between clearing and reading again.
    let adapter = "standin:fell?fault=pedal-wear:1:1:40:20&script=pedal&start=60";
    let unread = bench.run(&["clear", "--all", "--adapter", adapter]);
    assert_eq!(unread.status.code(), Some(4));
    assert!(String::from_utf8_lossy(&unread.stderr).contains("will be lost: 7E8: P2138"));
    std::fs::write(bench.path("before.after-clearing.json"), "of another day").unwrap();
    let arguments = ["clear", "--all", "--i-have-read", "--survey", "before.json", "--adapter", adapter];
    let (code, cleared) = bench.json("clear", &arguments);
    assert_eq!(code, 0, "{cleared}");
    let engine = &cleared["modules"][0];
    assert_eq!((engine["module"].as_str(), engine["outcome"].as_str()), (Some("7E8"), Some("confirmed")));
    assert_eq!((&engine["before"], &engine["after"]), (&serde_json::json!(["P2138"]), &serde_json::json!(["P2138"])));
    assert!(cleared["lost"].to_string().contains("stay as permanent codes"), "{cleared}");
    let survey = |name: &Value| -> Value {
        serde_json::from_str(&std::fs::read_to_string(bench.path(name.as_str().unwrap())).unwrap()).unwrap()
    };
    let (before, after) = (survey(&cleared["survey_before"]), survey(&cleared["survey_after"]));
    assert!(!before["modules"][0]["freeze_frames"].as_array().unwrap().is_empty());
    assert!(after["modules"][0]["freeze_frames"].as_array().unwrap().is_empty());
    assert_eq!(after["modules"][0]["codes"][0]["kinds"], serde_json::json!(["permanent"]));
    let kept = std::fs::read_to_string(bench.path("before.after-clearing.json")).unwrap();
    assert_eq!(kept, "of another day", "what is there now is kept beside it, not lost");
}

/// In real time, but faster; from its start on the car itself leaves the clutch alone for two minutes.
const CLUTCH_AT_REST: [&str; 5] = ["fell?script=idle&start=120", "--tcp", "127.0.0.1:0", "--speed", "5"];

/// The last state of the clutch that a recording has.
fn last_of_clutch(path: &Path) -> Option<f64> {
    let recording = drive::read(path).ok()?.recording;
    recording.series("ac.clutch")?.value.last().copied()
}

/// The same command as from a terminal, whatever these tests were started by: `nohup` has all that it starts ignore SIGHUP.
fn hearing_hang_ups(bench: &Bench, command: &Command) -> Command {
    let mut heard = Command::new("env");
    // Elsewhere `env` has no such option.
    heard.args(cfg!(target_os = "linux").then_some("--default-signal=HUP"));
    heard.arg(command.get_program()).args(command.get_args());
    heard.current_dir(bench.path("")).env("WITNESS_HOME", bench.path("home")).stdin(Stdio::null());
    heard
}

/// A tool that drives the clutch, with its JSON and what it tells piped.
fn tool_that_drives_the_clutch(bench: &Bench, adapter: &str, out: &Path) -> Child {
    let arguments =
        ["command", "--output", "ac.clutch", "--on", "--hold", "100", "--i-have-read", "--signals", "ac.clutch"];
    let where_to = ["--adapter", adapter, "--out", out.to_str().unwrap(), "--json"];
    let mut command = hearing_hang_ups(bench, &bench.command(&[&arguments[..], &where_to].concat()));
    let tool = command.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
    let deadline = Instant::now() + Duration::from_secs(60);
    while last_of_clutch(out) != Some(1.0) {
        assert!(Instant::now() < deadline, "the clutch was never driven");
        std::thread::sleep(Duration::from_millis(50));
    }
    tool
}

/// The terminal is closed, or the connection to it is lost: nobody hears any more what is told, and all is ended as by
/// Ctrl-C.
#[test]
fn a_lost_terminal_ends_a_command_in_good_order() {
    let bench = Bench::new();
    let served = Served::new(&bench, &CLUTCH_AT_REST);
    let mut tool = tool_that_drives_the_clutch(&bench, &served.adapter, &bench.path("hung-up.mcap"));
    drop(tool.stderr.take());
    send_signal(&tool, "-HUP");
    let ended = tool.wait_with_output().unwrap();
    let told: Value = serde_json::from_slice(&ended.stdout).unwrap();
    assert_eq!(
        (ended.status.code(), told["ended"].as_str(), told["returned"].as_str()),
        (Some(0), Some("released"), Some("confirmed")),
        "{told}"
    );
    let (_, case) = bench.json("case", &["case", "show"]);
    let entries = case["entries"].as_array().unwrap();
    assert!(entries.iter().any(|entry| entry["content"]["kind"] == "command"), "{case}");

    // Whoever had it ignored, as `nohup` does, wants it to go on.
    let record = ["drive", "record", "--adapter", &served.adapter, "--signals", "engine.speed", "--seconds", "20"];
    let command = bench.command(&[&record[..], &["--out", "on.mcap", "--json"]].concat());
    let mut shell = Command::new("sh");
    shell.args(["-c", "trap '' HUP; exec \"$@\"", "sh"]).arg(command.get_program()).args(command.get_args());
    shell.current_dir(bench.path("")).env("WITNESS_HOME", bench.path("home"));
    let tool = shell.stdin(Stdio::null()).stdout(Stdio::piped()).stderr(Stdio::null()).spawn().unwrap();
    let deadline = Instant::now() + Duration::from_secs(60);
    while !bench.path("on.mcap").exists() {
        assert!(Instant::now() < deadline, "nothing is recorded");
        std::thread::sleep(Duration::from_millis(20));
    }
    send_signal(&tool, "-HUP");
    let ended = tool.wait_with_output().unwrap();
    let told: Value = serde_json::from_slice(&ended.stdout).unwrap();
    assert!(ended.status.success() && told["drive"]["duration_s"].as_f64().unwrap() > 15.0, "{told}");
}

/// Ctrl-C while the first module is read.
#[test]
fn a_survey_that_is_interrupted_is_saved_and_printed_as_far_as_it_went() {
    let bench = Bench::new();
    let served = Served::new(&bench, &["crag?script=idle", "--tcp", "127.0.0.1:0"]);
    let arguments = ["survey", "--emissions-only", "--adapter", &served.adapter, "--out", "part.json", "--json"];
    let mut tool = bench.command(&arguments).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
    let mut lines = BufReader::new(tool.stderr.take().unwrap()).lines();
    assert!(lines.any(|line| line.unwrap().starts_with("reading module ")), "no module is read");
    send_signal(&tool, "-INT");
    let rest = std::thread::spawn(move || lines.count());
    let ended = tool.wait_with_output().unwrap();
    rest.join().unwrap();
    check_schema("survey", &String::from_utf8_lossy(&ended.stdout));
    let told: Value = serde_json::from_slice(&ended.stdout).unwrap();
    assert_eq!(ended.status.code(), Some(5), "{told}");
    assert!(
        strings(&told["problems"]).iter().any(|it| it.starts_with("the survey was stopped before module ")),
        "{told}"
    );
    let kept: Value = serde_json::from_slice(&std::fs::read(bench.path("part.json")).unwrap()).unwrap();
    assert_eq!((&kept["modules"], &kept["problems"]), (&told["modules"], &told["problems"]));
    assert!(!told["modules"].as_array().unwrap().is_empty() && told["case"]["number"].is_number(), "{told}");
}

/// The tool is killed while it drives the clutch: the module takes control back when its session times out.
#[test]
fn a_killed_tool_leaves_nothing_driven() {
    let bench = Bench::new();
    let served = Served::new(&bench, &CLUTCH_AT_REST);
    let out = bench.path("killed.mcap");
    let mut tool = tool_that_drives_the_clutch(&bench, &served.adapter, &out);
    send_signal(&tool, "-KILL");
    tool.wait().unwrap();
    assert_eq!(last_of_clutch(&out), Some(1.0), "driven until it was killed");
    // Five seconds of the car's time, and some.
    std::thread::sleep(Duration::from_millis(1500));
    let record = ["drive", "record", "--signals", "ac.clutch", "--seconds", "2", "--out", "after.mcap"];
    let (code, _) = bench.json("drive-record", &[&record[..], &["--adapter", &served.adapter]].concat());
    assert_eq!(code, 0);
    let after = drive::read(&bench.path("after.mcap")).unwrap().recording;
    assert!(after.series("ac.clutch").unwrap().value.iter().all(|value| *value == 0.0));
}

#[test]
fn a_pty_works_like_a_serial_port() {
    let bench = Bench::new();
    let served = Served::new(&bench, &["fell", "--pty"]);
    let (code, value) = bench.json("plan", &["plan", "--adapter", &served.adapter, "--signals", "engine.speed"]);
    assert_eq!(code, 0, "{value}");
    assert!(value["protocol"].as_str().unwrap().contains("15765"));
}

#[test]
fn the_demo_finds_its_faults_and_nothing_else() {
    let bench = Bench::new();
    // The documentation calls a drive of one's own so, too.
    std::fs::write(bench.path("drive.mcap"), b"a drive of one's own").unwrap();
    let (code, value) = bench.json("demo", &["demo", "--out", "."]);
    assert_eq!(code, 2, "{value}");
    assert_eq!(std::fs::read(bench.path("drive.mcap")).unwrap(), b"a drive of one's own");
    let (code, value) = bench.json("demo", &["demo"]);
    assert_eq!(code, 0);
    for file in strings(&value["files"]) {
        assert!(std::fs::metadata(file).unwrap().len() > 0, "{file}");
    }
    let codes = strings(&value["codes"]);
    assert!(codes.contains(&"P2138") && codes.iter().any(|code| code.starts_with("C0037")), "{codes:?}");
    let findings = value["examined"]["findings"].as_array().unwrap();
    let faulty = |kind: &str, subject: &str| {
        let is =
            |f: &&Value| f["kind"] == kind && strings(&f["subject"]).contains(&subject) && f["verdict"] == "faulty";
        findings.iter().any(|finding| is(&finding))
    };
    assert_eq!(value["swap"]["hypotheses"][0]["fault"], "coil 1", "{}", value["swap"]);
    assert_ne!(value["proof"]["verdict"], "not repaired", "{}", value["proof"]);
    assert!(!bench.path("home/casebook.sqlite").exists(), "the demo leaves the user's casebook alone");
    assert!(faulty("dropout", "wheel.speed.rear_left"));
    assert!(faulty("pair", "pedal.position_1"));
    for wheel in ["front_left", "front_right", "rear_right"] {
        assert!(!faulty("dropout", &format!("wheel.speed.{wheel}")), "{wheel}");
        assert!(!faulty("odd-wheel", &format!("wheel.speed.{wheel}")), "{wheel}");
    }
}

/// Real driving (MIT, arXiv:1812.05752): a healthy car on a motorway is not accused; the same recording with one wheel
/// 3 % low is, and with the right wheel.
#[test]
fn a_real_drive_goes_through_import_and_examine() {
    let table = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../../shared/data/comma2k19/highway_60s.csv");
    let Ok(text) = std::fs::read_to_string(&table) else {
        eprintln!("skipped: {} is not there", table.display());
        return;
    };
    let bench = Bench::new();
    let mut maps: Vec<String> = Vec::new();
    for (column, signal) in [("fl", "front_left"), ("fr", "front_right"), ("rl", "rear_left"), ("rr", "rear_right")] {
        maps.extend(["--map".to_owned(), format!("wheel_speed_{column}_kmh=wheel.speed.{signal} [km/h]")]);
    }
    maps.extend(["--map".to_owned(), "yaw_rate_sensor_deg_s=yaw.rate [deg/s]".to_owned()]);
    let maps: Vec<&str> = maps.iter().map(String::as_str).collect();
    let examined = |name: &str, text: &str| {
        std::fs::write(bench.path(&format!("{name}.csv")), text).unwrap();
        let (csv, mcap) = (format!("{name}.csv"), format!("{name}.mcap"));
        let (code, value) = bench.json("import", &[&["import", &csv, "--out", &mcap], &maps[..]].concat());
        assert_eq!(code, 0, "{value}");
        let (code, value) = bench.json("examine", &["examine", &mcap]);
        assert_eq!(code, 0, "{value}");
        let faulty = value["findings"].as_array().unwrap().iter().filter(|finding| finding["verdict"] == "faulty");
        faulty
            .map(|f| format!("{} {}", f["kind"].as_str().unwrap(), strings(&f["subject"]).join(" ")))
            .collect::<Vec<_>>()
    };
    assert_eq!(examined("healthy", &text), Vec::<String>::new());
    let low: String = text
        .lines()
        .enumerate()
        .map(|(idx, line)| {
            let mut cells: Vec<String> = line.split(',').map(str::to_owned).collect();
            if idx > 0 {
                cells[3] = format!("{:.2}", cells[3].parse::<f64>().unwrap() * 0.97);
            }
            cells.join(",") + "\n"
        })
        .collect();
    let accused = examined("low", &low);
    assert!(accused.contains(&"odd-wheel wheel.speed.rear_left".to_owned()), "{accused:?}");
    assert!(accused.iter().all(|finding| finding.ends_with("wheel.speed.rear_left")), "{accused:?}");
}

#[test]
fn adapters_are_listed_measured_and_explained() {
    let bench = Bench::new();
    for (face, network) in [("at", "ISO 15765-4"), ("slcan", "ISO 15765-4"), ("doip", "ISO 13400-2")] {
        let served = Served::new(&bench, &["fell?script=idle", "--tcp", "127.0.0.1:0", "--face", face]);
        let adapter = served.adapter.clone();
        let (code, found) = bench.json("adapters", &["adapters", "--adapter", &adapter]);
        let adapter = &found["adapters"][0];
        assert_eq!(code, 0, "{found}");
        assert!(adapter["network"].as_str().is_some_and(|name| name.starts_with(network)), "{found}");
        assert!(adapter["round_trip_ms"].as_f64().is_some_and(|ms| ms > 0.0), "{found}");
        assert!(adapter["vehicle_round_trip_ms"].as_f64().is_some_and(|ms| ms > 3.0), "{found}");
        // The whole survey goes through every face; on the virtual clock, which does not wait.
        let car = format!("standin:fell?script=idle&face={face}");
        let (code, survey) = bench.json("survey", &["survey", "--adapter", &car]);
        assert_eq!(code, 0, "{face}: {survey}");
        assert_eq!(survey["vehicle"]["vin"], "GTWFL6A19JK104217", "{face}");
    }
    // What does not answer: exit code 3, and what to try.
    let (code, found) = bench.json("adapters", &["adapters", "--adapter", "at+serial:/dev/no-such-port"]);
    assert_eq!(code, 3);
    assert!(strings(&found["adapters"][0]["hints"])[0].contains("/dev/serial/by-id"), "{found}");
    let (code, found) = bench.json("adapters", &["adapters", "--adapter", "socketcan:none0"]);
    assert_eq!(code, 3);
    assert!(strings(&found["adapters"][0]["hints"])[0].contains("ip -brief link"), "{found}");
    let (code, found) = bench.json(
        "adapters",
        &[
            "adapters",
            "--adapter",
            "standin:fell?silent=engine:0:99&silent=gearbox:0:99&silent=brake:0:99&silent=body:0:99",
        ],
    );
    assert_eq!(code, 0);
    assert!(strings(&found["adapters"][0]["hints"])[0].contains("ignition"), "{found}");
    let (code, _) = bench.json("adapters", &["adapters", "--adapter", "carrier-pigeon:1"]);
    assert_eq!(code, 2);
    // Whatever this machine has, it can be listed.
    let (code, _) = bench.json("adapters", &["adapters", "--no-ask"]);
    assert_eq!(code, 0);
}
