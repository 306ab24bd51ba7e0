//! Where commands write: a disk that is full, and what is no file.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a test fails by panicking")]
#![cfg(unix)]

mod common;

use common::{Bench, check_schema, strings};
use serde_json::Value;

/// Runs a command that may write no file of more than so many blocks of 512 bytes (POSIX, ulimit), which is told as a full disk is: as an error of writing.
fn on_a_full_disk(bench: &Bench, n_blocks: u32, schema: &str, arguments: &[&str]) -> (i32, Value) {
    let mut command = std::process::Command::new("sh");
    command.args(["-c", &format!(r#"trap "" XFSZ && ulimit -f {n_blocks} && exec "$0" "$@" --json"#)]);
    command.arg(env!("CARGO_BIN_EXE_witness")).args(arguments).current_dir(bench.folder.path());
    let output = command.env("WITNESS_HOME", bench.path("home")).output().unwrap();
    let text = String::from_utf8(output.stdout).unwrap();
    check_schema(schema, &text);
    let told = serde_json::from_str(&text).unwrap_or_else(|error| panic!("{text:?}: {error}"));
    (output.status.code().unwrap(), told)
}

/// The file that holds what was recorded, which is not the one that was to be replaced.
fn kept(bench: &Bench, recorded: &Value, wanted: &str) -> drive::Opened {
    let file = recorded["drive"]["file"].as_str().unwrap();
    assert!(file.starts_with(&format!(".{wanted}.")) && file.ends_with(".partial"), "{recorded}");
    let problems = strings(&recorded["problems"]);
    let is_told = |said: &&str| said.starts_with(&format!("`{wanted}` was not replaced")) && said.contains(file);
    assert!(problems.iter().any(is_told), "{problems:?}");
    drive::read(&bench.path(file)).unwrap()
}

#[test]
fn a_drive_that_cannot_be_finished_is_not_told_as_the_one_it_was_to_replace() {
    let bench = Bench::new();
    let fixed = ["drive", "record", "--adapter", "standin:fell?warm=1&pids=1", "--out", "old.mcap"];
    let old = ["--signals", "coolant.temperature,engine.load", "--seconds", "3", "--no-case"];
    assert_eq!(bench.json("drive-record", &[&fixed[..], &old].concat()).0, 0);
    let before = std::fs::read(bench.path("old.mcap")).unwrap();
    assert_eq!(bench.json("case", &["case", "new", "--complaint", "stumbles"]).0, 0);

    let new = ["--signals", "engine.speed", "--seconds", "3000", "--force"];
    let (code, recorded) = on_a_full_disk(&bench, 2048, "drive-record", &[&fixed[..], &new].concat());
    assert_eq!(code, 5, "{recorded}");
    let opened = kept(&bench, &recorded, "old.mcap");
    let ids: Vec<&str> = opened.recording.series.iter().map(|series| series.id.as_str()).collect();
    assert_eq!((ids, recorded["drive"]["signals"][0]["id"].as_str()), (vec!["engine.speed"], Some("engine.speed")));
    let saved = recorded["drive"]["signals"][0]["samples"].as_u64().unwrap();
    assert!(saved > 100 && saved == opened.recording.series[0].len() as u64, "{recorded}");
    assert_eq!(std::fs::read(bench.path("old.mcap")).unwrap(), before);
    // The ledger names the same file.
    let (_, shown) = bench.json("case", &["case", "show"]);
    let entry = shown["entries"].as_array().unwrap().iter().find(|entry| entry["content"]["kind"] == "drive").unwrap();
    let path = entry["content"]["file"]["path"].as_str().unwrap();
    assert!(path.ends_with(recorded["drive"]["file"].as_str().unwrap()), "{entry}");
}

#[test]
fn a_command_is_not_judged_by_the_drive_it_was_to_replace() {
    let bench = Bench::new();
    let fixed = ["command", "--adapter", "standin:fell?script=idle&warm=1", "--i-have-read", "--no-case"];
    let wanted = ["--output", "ac.clutch", "--pulse", "12:12:7", "--out", "clutch.mcap"];
    let signals = ["--signals", "ac.pressure"];
    let (code, good) = bench.json("command", &[&fixed[..], &wanted, &signals].concat());
    assert_eq!((code, good["findings"][0]["verdict"].as_str()), (0, Some("healthy")), "{good}");
    let many = ["--signals", "ac.pressure,engine.speed,engine.load,vehicle.speed", "--force"];
    let (code, told) = on_a_full_disk(&bench, 256, "command", &[&fixed[..], &wanted, &many].concat());
    assert_eq!(code, 5, "{told}");
    let opened = kept(&bench, &told["recorded"], "clutch.mcap");
    assert!(opened.recording.duration_s() < 168.0, "seven times 24 s were not recorded");
    assert_eq!(told["recorded"]["drive"]["duration_s"].as_f64(), Some(opened.recording.duration_s()));
    assert!(told["findings"].as_array().unwrap().iter().all(|finding| finding["verdict"] != "healthy"), "{told}");
}

/// Nobody is there to answer: it is told before the car is.
#[test]
fn what_is_no_file_is_replaced_by_none() {
    use std::os::unix::fs::FileTypeExt;
    let bench = Bench::new();
    std::fs::write(bench.path("a.csv"), "time_s,engine.speed [rpm]\n0,800\n0.1,810\n").unwrap();
    assert_eq!(bench.json("import", &["import", "a.csv", "--out", "a.mcap"]).0, 0);
    for ending in ["mcap", "csv", "parquet", "html"] {
        std::fs::create_dir(bench.path(&format!("folder.{ending}"))).unwrap();
        std::os::unix::fs::symlink("/dev/null", bench.path(&format!("device.{ending}"))).unwrap();
        let pipe = bench.path(&format!("pipe.{ending}"));
        assert!(std::process::Command::new("mkfifo").arg(&pipe).status().unwrap().success());
    }
    let nobody = ["--adapter", "at+tcp://127.0.0.1:9"];
    for (ending, arguments) in [
        ("mcap", [&["drive", "record", "--signals", "engine.speed"][..], &nobody].concat()),
        ("mcap", [&["command", "--output", "ac.clutch", "--on"][..], &nobody].concat()),
        ("mcap", vec!["import", "a.csv"]),
        ("csv", vec!["export", "a.mcap"]),
        ("parquet", vec!["export", "a.mcap"]),
        ("html", vec!["report", "--before", "a.mcap"]),
    ] {
        for kind in ["folder", "device", "pipe"] {
            for force in [&[][..], &["--force"]] {
                let out = format!("{kind}.{ending}");
                let (code, value) = bench.json("error", &[&arguments[..], &["--out", &out], force].concat());
                let message = value["error"]["message"].as_str().unwrap();
                assert!(code == 2 && message.contains("not a file"), "{arguments:?} {out}: {value}");
                assert!(!value["error"]["hints"].to_string().contains("--force"), "{value}");
            }
        }
        let about =
            |kind: &str| std::fs::symlink_metadata(bench.path(&format!("{kind}.{ending}"))).unwrap().file_type();
        assert!(about("folder").is_dir() && about("device").is_symlink() && about("pipe").is_fifo(), "{arguments:?}");
    }
    // A link to a file may be replaced as before.
    assert_eq!(bench.run(&["report", "--before", "a.mcap", "--out", "r.html"]).status.code(), Some(0));
    std::os::unix::fs::symlink("r.html", bench.path("link.html")).unwrap();
    let over = bench.run(&["report", "--before", "a.mcap", "--out", "link.html", "--force"]);
    assert_eq!(over.status.code(), Some(0), "{}", String::from_utf8_lossy(&over.stderr));
}

#[test]
fn a_folder_or_a_wrong_place_is_wrong_usage() {
    let bench = Bench::new();
    std::fs::create_dir(bench.path("folder")).unwrap();
    std::fs::write(bench.path("there"), "of another day").unwrap();
    assert_eq!(bench.json("case", &["case", "new", "--complaint", "stumbles"]).0, 0);
    let nobody = ["--adapter", "at+tcp://127.0.0.1:9"];
    for arguments in [
        &["examine", "folder"][..],
        &["export", "folder", "--out", "a.csv"],
        &["proof", "--before", "folder"],
        &["picture", "folder", "--map", "engine.load"],
        &["drive", "repair", "folder"],
        &["suspects", "--drive", "folder"],
        &["report", "--before", "folder", "--out", "r.html"],
        &["case", "compare", "--before", "folder", "--after", "folder"],
        &["case", "reference", "folder"],
        &["case", "export", "there"],
        &["case", "backup", "there"],
        &["case", "export", "no/case.zip"],
        &["case", "export", "there/case.zip"],
        &[&["survey", "--out", "there"][..], &nobody].concat(),
        &[&["survey", "--out", "no/survey.json"][..], &nobody].concat(),
        &[&["clear", "--all", "--survey", "no/survey.json"][..], &nobody].concat(),
    ] {
        let (code, value) = bench.json("error", arguments);
        assert!(code == 2 && !strings(&value["error"]["hints"]).is_empty(), "{arguments:?}: {value}");
    }
    assert_eq!(std::fs::read_to_string(bench.path("there")).unwrap(), "of another day");
    assert!(!bench.path("a.csv").exists() && !bench.path("r.html").exists());
}
