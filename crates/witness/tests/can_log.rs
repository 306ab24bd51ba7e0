//! A raw log of CAN frames becomes a drive: checked on the summary that lies beside a real log (comma2k19, MIT,
//! arXiv:1812.05752), which the general-purpose CAN database library cantools 45.1.0 made with the same DBC file.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a test fails by panicking")]

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

fn data(name: &str) -> Option<PathBuf> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../../shared/data").join(name);
    if !path.exists() {
        eprintln!("skipped: {} is not there", path.display());
    }
    path.exists().then_some(path)
}

fn witness(folder: &Path, arguments: &[&str]) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_witness"));
    command.args(arguments).current_dir(folder).env("WITNESS_HOME", folder.join("home")).output().unwrap()
}

fn done(output: &Output) -> String {
    let said = String::from_utf8_lossy(&output.stderr).into_owned() + &String::from_utf8_lossy(&output.stdout);
    assert_eq!(output.status.code(), Some(0), "{said}");
    said
}

#[test]
fn a_real_log_decodes_to_the_summary_beside_it() {
    let Some(folder) = data("comma2k19") else { return };
    let out = tempfile::tempdir().unwrap();
    let (log, dbc) = (folder.join("highway_60s_can0.log.gz"), folder.join("dbc/powertrain_base.dbc"));
    let (log, dbc) = (log.to_str().unwrap(), dbc.to_str().unwrap());
    let mapped = "WHEEL_SPEEDS.WHEEL_SPEED_FL=wheel.speed.front_left";
    done(&witness(out.path(), &["import", log, "--definitions", dbc, "--map", mapped, "--out", "a.mcap"]));
    let opened = drive::read(&out.path().join("a.mcap")).unwrap();
    assert!(opened.problems.is_empty());
    assert_eq!(opened.n_frames, 53_800, "lines of the log");
    let summary = std::fs::read_to_string(folder.join("highway_60s_can0_decoded_summary.csv")).unwrap();
    let mut n_checked = 0;
    for line in summary.lines().skip(1) {
        let cells: Vec<&str> = line.split(',').collect();
        let [_, message, signal, count, numbers @ ..] = cells.as_slice() else { panic!("{line}") };
        let name = match *signal {
            "WHEEL_SPEED_FL" => "wheel.speed.front_left".to_owned(),
            _ => format!("custom.{message}.{signal}"),
        };
        let series = opened.recording.series(&name).unwrap_or_else(|| panic!("{name} is missing"));
        assert_eq!(series.len().to_string(), *count, "{name}");
        let value = &series.value;
        let own = [
            value.iter().copied().fold(f64::INFINITY, f64::min),
            value.iter().copied().fold(f64::NEG_INFINITY, f64::max),
            value.iter().sum::<f64>() / value.len() as f64,
            value[0],
            value[value.len() - 1],
        ];
        for (own, expected) in own.iter().zip(numbers) {
            let expected: f64 = expected.parse().unwrap();
            // The summary has six significant decimals.
            assert!((own - expected).abs() <= 1e-6 * expected.abs().max(1.0), "{name}: {own}, expected {expected}");
        }
        n_checked += 1;
    }
    assert!(n_checked > 50, "{n_checked}");
    // The log has lost zero bytes at the end of some frames. The reference refuses such a frame as a whole; ours has the
    // signals that are there, and nothing else that the reference has not.
    let messages: Vec<&str> = summary.lines().filter_map(|line| line.split(',').nth(1)).collect();
    for series in opened.recording.series.iter().filter(|series| series.id.is_custom()) {
        let message = series.id.as_str().split('.').nth(1).unwrap();
        let is_in_summary = summary.contains(&format!("{message},{},", series.id.as_str().split('.').nth(2).unwrap()));
        assert!(is_in_summary || !messages.contains(&message), "{}", series.id);
    }

    // The frames in that drive decode again, to the same samples.
    done(&witness(
        out.path(),
        &["import", "a.mcap", "--definitions", dbc, "--map", mapped, "--out", "b.mcap", "--bus", "can0"],
    ));
    let again = drive::read(&out.path().join("b.mcap")).unwrap();
    assert_eq!(again.recording.series, opened.recording.series);
    assert_eq!(again.n_frames, opened.n_frames);
}

/// A log of two buses whose recorder buffered them apart (CC0): times step back between neighbouring lines.
#[test]
fn a_log_that_steps_back_in_time_keeps_every_frame_and_says_which_buses_it_has() {
    let Some(log) = data("ev_raw_can/power_cycle_ready.log.gz") else { return };
    let dbc = log.with_file_name("dbc").join("bus0.dbc");
    let out = tempfile::tempdir().unwrap();
    let (log, dbc) = (log.to_str().unwrap(), dbc.to_str().unwrap());
    let said = done(&witness(out.path(), &["import", log, "--definitions", dbc, "--out", "a.mcap"]));
    assert!(said.contains("--bus"), "{said}");
    let opened = drive::read(&out.path().join("a.mcap")).unwrap();
    assert_eq!(opened.n_frames, 39_546, "frames as the page of the data set says");
    assert!(opened.recording.series.len() > 20, "{said}");
    let said = done(&witness(out.path(), &["import", log, "--bus", "can0", "--definitions", dbc, "--out", "b.mcap"]));
    assert!(!said.contains("--bus"), "{said}");
    let mistyped = witness(out.path(), &["import", log, "--bus", "can7", "--definitions", dbc, "--out", "c.mcap"]);
    let said = String::from_utf8_lossy(&mistyped.stderr).into_owned();
    assert!(!mistyped.status.success() && said.contains("no frame is of `can7`; the log has `can0`"), "{said}");
    assert!(!out.path().join("c.mcap").exists());
}

#[test]
fn what_cannot_be_read_is_said_with_its_place() {
    let out = tempfile::tempdir().unwrap();
    let write = |name: &str, text: &str| std::fs::write(out.path().join(name), text).unwrap();
    let own = "title = \"t\"\norigin = \"o\"\n[[message]]\nname = \"m\"\nid = \"123\"\nn_bytes = 2\n\
               [[message.signal]]\nid = \"vehicle.speed\"\nunit = \"m/s\"\nbyte = 0\n\
               [[message.signal]]\nid = \"custom.page\"\nunit = \"1\"\nbyte = 1\n";
    write("own.toml", own);
    write("a.log", "(1.0) can0 123#0A01\nnot a frame\n(1.5) can0 123#0B\n(0.9) can0 7FF#R\n(1.2) can0 123#0C02\n");
    write("rubbish.log", "hello\n");
    let import = |arguments: &[&str]| witness(out.path(), &[&["import"], arguments].concat());
    let output = import(&["a.log", "--definitions", "own.toml", "--out", "a.mcap"]);
    let said = String::from_utf8_lossy(&output.stdout);
    assert_eq!(output.status.code(), Some(5), "{said}");
    assert!(said.contains("line 2"), "{said}");
    let opened = drive::read(&out.path().join("a.mcap")).unwrap();
    let speed = opened.recording.series("vehicle.speed").unwrap();
    assert_eq!(speed.t_ns, [1_000_000_000, 1_200_000_000, 1_500_000_000], "in order of time");
    assert_eq!(speed.value, [36.0, 43.2, 39.6]);
    assert_eq!(opened.recording.series("custom.page").unwrap().value, [1.0, 2.0]);
    for (arguments, said) in [
        (vec!["rubbish.log", "--definitions", "own.toml", "--out", "b.mcap"], "log of CAN frames"),
        (vec!["a.log", "--definitions", "own.toml", "--out", "b.mcap", "--map", "x=engine.speed"], "no `x`"),
        (vec!["a.log", "--definitions", "rubbish.log", "--out", "b.mcap"], "line 1"),
        (vec!["a.log", "--definitions", "own.toml", "--out", "a.mcap"], "--force"),
    ] {
        let output = import(&arguments);
        let errors = String::from_utf8_lossy(&output.stderr);
        assert_eq!(output.status.code(), Some(2), "{arguments:?}: {errors}");
        assert!(errors.contains(said), "{arguments:?}: {errors}");
    }
    assert!(!out.path().join("b.mcap").exists());
}

#[test]
fn a_file_of_definitions_is_explained() {
    let out = tempfile::tempdir().unwrap();
    let example = Path::new(env!("CARGO_MANIFEST_DIR")).join("../definition/data/makers/example.toml");
    let said = done(&witness(out.path(), &["definitions", "check", example.to_str().unwrap()]));
    for line in ["module brakes at 768", "wheel.speed.front_left [km/h]", "22 D0 10", "output fan.command", "caution:"]
    {
        assert!(said.contains(line), "{line}: {said}");
    }
    let output = witness(out.path(), &["definitions", "check", example.to_str().unwrap(), "--layer", "x"]);
    assert_eq!(output.status.code(), Some(2));
}
