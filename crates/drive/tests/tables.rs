//! Tables in and out: real recordings, everything that can be wrong with a table, and exact round trips.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a helper of a test may stop it")]

use std::collections::BTreeMap;
use std::fs::File;
use std::io::{self, Read, Write};
use std::path::PathBuf;

use drive::{DriveError, ImportOptions, Layout, MapEntry, Overwrite, TableProblem};
use flate2::Compression;
use flate2::read::MultiGzDecoder;
use flate2::write::GzEncoder;
use proptest::prelude::*;
use signal::{Recording, Series, SignalId, Unit};

fn map(entries: &[&str]) -> Vec<MapEntry> {
    entries.iter().map(|text| text.parse().unwrap()).collect()
}

fn read(text: &str, entries: &[&str]) -> Result<(Recording, drive::Imported), DriveError> {
    drive::read_table(text.as_bytes(), "t.csv", &map(entries))
}

/// One of the open recordings that lie beside the repository; `None`, with a word on stderr, where they are not there.
fn open_data(name: &str) -> Option<PathBuf> {
    let path = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../../../shared/data").join(name);
    if !path.exists() {
        eprintln!("skipped: the open recording {} is not there", path.display());
        return None;
    }
    Some(path)
}

fn text_of(path: &PathBuf) -> String {
    let (mut file, mut text) = (File::open(path).unwrap(), String::new());
    if path.extension().is_some_and(|extension| extension == "gz") {
        MultiGzDecoder::new(file).read_to_string(&mut text).unwrap();
    } else {
        file.read_to_string(&mut text).unwrap();
    }
    text
}

/// The samples of a table by column or name, taken apart in the plainest way and without the crate under test.
fn plain_samples(text: &str) -> BTreeMap<String, Vec<(String, f64)>> {
    let mut lines = text.lines();
    let headings: Vec<&str> = lines.next().unwrap().split(',').collect();
    let mut samples: BTreeMap<String, Vec<(String, f64)>> = BTreeMap::new();
    for line in lines {
        let cells: Vec<&str> = line.split(',').collect();
        if headings[1] == "signal" {
            samples.entry(cells[1].into()).or_default().push((cells[0].into(), cells[2].parse().unwrap()));
            continue;
        }
        for (heading, cell) in headings.iter().zip(&cells).skip(1).filter(|(_, cell)| !cell.is_empty()) {
            samples.entry((*heading).into()).or_default().push((cells[0].into(), cell.parse().unwrap()));
        }
    }
    samples
}

/// Imports a real table into a drive and compares every sample with the plain reading; then exports and imports again.
fn check_real(name: &str, entries: &[&str], factors: &[(&str, f64)]) {
    let Some(path) = open_data(name) else { return };
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("drive.mcap");
    let options = ImportOptions { map: map(entries), ..ImportOptions::default() };
    let imported = drive::import(&path, &out, &options).unwrap_or_else(|error| panic!("{error}"));
    let opened = drive::read(&out).unwrap();
    assert_eq!(opened.problems, []);
    let expected = plain_samples(&text_of(&path));
    assert_eq!(imported.n_samples, expected.values().map(|samples| samples.len() as u64).sum::<u64>(), "{name}");
    assert_eq!(opened.recording.series.len(), expected.len(), "{name}");
    for (column, samples) in expected {
        let entry = options.map.iter().find(|entry| entry.column == column);
        let id = entry.map_or(format!("custom.{column}"), |entry| entry.signal.to_string());
        let series = opened.recording.series(&id).unwrap_or_else(|| panic!("{name}: no {id}"));
        let factor = factors.iter().find(|(column_of, _)| *column_of == column).map_or(1.0, |(_, factor)| *factor);
        assert_eq!(series.len(), samples.len(), "{name}: {id}");
        for (sample, (time, value)) in series.iter().zip(&samples) {
            assert_eq!(sample.t_ns, (time.parse::<f64>().unwrap() * 1e9).round() as i64, "{name}: {id}");
            assert_eq!(sample.value.to_bits(), (value * factor).to_bits(), "{name}: {id} at {time}");
            assert_eq!((sample.asked_ns, sample.exchange), (sample.t_ns, 0));
        }
    }
    for layout in [Layout::Wide, Layout::Long] {
        let mut table = Vec::new();
        match drive::export_table(&opened.recording, &mut table, layout) {
            Ok(_) => {
                let (again, _) = drive::read_table(table.as_slice(), "again", &[]).unwrap();
                assert_same(&again, &opened.recording);
            }
            // Several values of one signal at one time have no place in a wide table.
            Err(DriveError::NoTable { layout: "wide", .. }) if name.contains("diesel/drive_d2") => {}
            Err(error) => panic!("{name}: {error}"),
        }
    }
}

fn assert_same(a: &Recording, b: &Recording) {
    assert_eq!(a.series.len(), b.series.len());
    for series in &b.series {
        let other = a.series(series.id.as_str()).unwrap_or_else(|| panic!("no {}", series.id));
        assert_eq!((&other.unit, &other.t_ns), (&series.unit, &series.t_ns), "{}", series.id);
        let bits = |series: &Series| series.value.iter().map(|v| v.to_bits()).collect::<Vec<_>>();
        assert_eq!(bits(other), bits(series), "{}", series.id);
    }
}

/// "Automotive OBD-II Dataset", KIT 2023, DOI 10.35097/1130, CC BY 4.0.
#[test]
fn polled_drives_of_the_kit_set_import_sample_by_sample() {
    let entries = [
        "coolant_temp_c=coolant.temperature [degC]",
        "manifold_pressure_kpa=intake.manifold_pressure [kPa]",
        "engine_speed_rpm=engine.speed [rpm]",
        "vehicle_speed_kmh=vehicle.speed [km/h]",
        "intake_air_temp_c=intake.air_temperature [degC]",
        "mass_air_flow_g_s=intake.air_flow [g/s]",
        "throttle_position_pct=throttle.position_1 [%]",
        "accel_pedal_d_pct=pedal.position_1 [%]",
        "accel_pedal_e_pct=pedal.position_2 [%]",
    ];
    for drive in ["d1_cold_start_warmup", "d2_traffic_jam", "d3_acceleration_runs", "d4_motorway", "d5_recording_gap"] {
        check_real(&format!("kit_obd/{drive}_samples.csv.gz"), &entries, &[]);
        check_real(&format!("kit_obd/{drive}_held.csv.gz"), &entries, &[]);
    }
}

/// github.com/ArjanKw/obd2-data, commit de9288a, MIT.
#[test]
fn asynchronous_diesel_drives_import_sample_by_sample() {
    check_real(
        "obd_async_diesel/drive_d1.csv.gz",
        &[
            "engine_speed=engine.speed",
            "vehicle_speed=vehicle.speed",
            "coolant_temp=coolant.temperature",
            "accel_pedal_d=pedal.position_1",
            "control_module_voltage=battery.voltage",
        ],
        &[],
    );
    check_real(
        "obd_async_diesel/drive_d2.csv.gz",
        &["mass_air_flow=intake.air_flow", "accel_pedal_d=pedal.position_1", "accel_pedal_e=pedal.position_2"],
        &[],
    );
}

/// H. Schafer et al., "A Commute in Data: The comma2k19 Dataset", arXiv:1812.05752, MIT; and
/// github.com/MatthewNice/VerifiedCAN, commit e6b58fa, MIT.
#[test]
fn four_wheel_drives_import_sample_by_sample() {
    let entries = [
        "wheel_speed_fl_kmh=wheel.speed.front_left [km/h]",
        "wheel_speed_fr_kmh=wheel.speed.front_right [km/h]",
        "wheel_speed_rl_kmh=wheel.speed.rear_left [km/h]",
        "wheel_speed_rr_kmh=wheel.speed.rear_right [km/h]",
        "steering_wheel_angle_deg=steering.angle [deg]",
        "yaw_rate_sensor_deg_s=yaw.rate [deg/s]",
    ];
    check_real("comma2k19/highway_60s.csv", &entries, &[]);
    check_real("verifiedcan/stationary_lock_to_lock_29s.csv", &entries, &[]);
}

/// H. Ragab et al., supplementary data (PLANS 2025), github.com/hanymragab/plans2025-resources, MIT. Published in m/s.
#[test]
fn a_drive_in_metres_per_second_is_converted() {
    check_real(
        "speed_reference/road_test_k.csv.gz",
        &["obd_vehicle_speed_m_s=vehicle.speed [m/s]"],
        &[("obd_vehicle_speed_m_s", 3.6)],
    );
}

#[test]
fn a_wide_table_in_every_spelling() {
    let plain = "time_s,vehicle.speed [km/h],custom.oil [bar]\n0.1,50,\n0.25,,1.5\n";
    let (expected, imported) = read(plain, &[]).unwrap();
    assert_eq!((imported.layout, imported.n_rows, imported.n_samples), (Layout::Wide, 2, 2));
    let speed = expected.series("vehicle.speed").unwrap();
    assert_eq!((speed.t_ns.as_slice(), speed.value.as_slice()), ([100_000_000].as_slice(), [50.0].as_slice()));
    assert_eq!(expected.series("custom.oil").unwrap().t_ns, [250_000_000]);
    assert_eq!(imported.notes, Vec::<String>::new());
    let mut gzip = GzEncoder::new(Vec::new(), Compression::fast());
    gzip.write_all(plain.as_bytes()).unwrap();
    let mut two_members = gzip.finish().unwrap();
    let mut empty_member = GzEncoder::new(Vec::new(), Compression::fast());
    empty_member.write_all(b"\n\n").unwrap();
    two_members.extend(empty_member.finish().unwrap());
    for (what, bytes) in [
        ("carriage return and line feed", plain.replace('\n', "\r\n").into_bytes()),
        ("carriage return", plain.replace('\n', "\r").into_bytes()),
        ("no line end at the end", plain.trim_end().as_bytes().to_vec()),
        ("byte order mark", format!("\u{feff}{plain}").into_bytes()),
        ("quotes", plain.replace("50", "\"50\"").replace("custom.oil [bar]", "\"custom.oil [bar]\"").into_bytes()),
        ("blanks", plain.replace(',', " , ").into_bytes()),
        ("blank lines", plain.replace('\n', "\n\n").into_bytes()),
        ("gzip", two_members),
    ] {
        let (got, _) = drive::read_table(bytes.as_slice(), what, &[]).unwrap_or_else(|error| panic!("{error}"));
        assert_eq!(got, expected, "{what}");
        // The same bytes in the smallest possible pieces.
        let (got, _) = drive::read_table(OneByOne(&bytes), what, &[]).unwrap();
        assert_eq!(got, expected, "{what} byte by byte");
    }
}

struct OneByOne<'a>(&'a [u8]);

impl Read for OneByOne<'_> {
    fn read(&mut self, bytes: &mut [u8]) -> io::Result<usize> {
        let n = bytes.len().min(self.0.len()).min(1);
        bytes[..n].copy_from_slice(&self.0[..n]);
        self.0 = &self.0[n..];
        Ok(n)
    }
}

#[test]
fn headings_maps_and_units() {
    // 0 degC is 32 degF and 100 degC is 212 degF: the fixed points of water.
    let (recording, imported) = read(
        "T,vehicle.speed,coolant.temperature [°F],Drehzahl,P1 [psi]\n1500,50,212,800,1\n",
        &["T=time_s [ms]", "Drehzahl=engine.speed [1/min]", "P1=fuel.pressure"],
    )
    .unwrap();
    let value = |id: &str| recording.series(id).unwrap().value[0];
    assert_eq!(recording.series[0].t_ns, [1_500_000_000]);
    assert_eq!((value("vehicle.speed"), value("coolant.temperature"), value("engine.speed")), (50.0, 100.0, 800.0));
    // Pound-force per square inch: NIST SP 811 (2008), appendix B.8, from memory.
    assert!((value("fuel.pressure") - 6.894_757_293_168).abs() < 1e-12);
    let notes = imported.notes.join("\n");
    for part in [
        "`vehicle.speed` names no unit; `vehicle.speed` is taken to be in km/h",
        "`coolant.temperature [°F]` was converted from degF to degC",
        "`P1 [psi]` was converted from psi to kPa",
    ] {
        assert!(notes.contains(part), "{part} not in:\n{notes}");
    }
    // The time may stand anywhere if it is mapped, in a long table too.
    let (recording, _) =
        read("signal,value,stamp\nx,1,2\nx,3,4\n", &["stamp=time_s", "x=vehicle.speed [mph]"]).unwrap();
    assert_eq!(recording.series("vehicle.speed").unwrap().value, [1.609_344, 3.0 * 1.609_344]);
    // Latin-1, as old tools write the degree sign.
    let (recording, _) = drive::read_table(&b"time_s,coolant.temperature [\xb0C]\n0,90\n"[..], "t", &[]).unwrap();
    assert_eq!(recording.series("coolant.temperature").unwrap().value, [90.0]);
    let long = &b"time_s,signal,value,unit\n0,coolant.temperature,90,\xb0C\n1,coolant.temperature,91,\xb0C\n"[..];
    let (recording, _) = drive::read_table(long, "t", &[]).unwrap();
    assert_eq!(recording.series("coolant.temperature").unwrap().value, [90.0, 91.0]);
}

/// Loggers end each line with a separator, and data frames are written with their row numbers in front (common practice,
/// no source).
#[test]
fn columns_without_a_heading_are_left_out_and_told() {
    let (recording, imported) = read(",time_s,a [V],\n0,10,1.5,\n1,11,2.5,\n", &["time_s=time_s"]).unwrap();
    assert_eq!(recording.series.len(), 1);
    assert_eq!((recording.series[0].id.as_str(), recording.series[0].value.as_slice()), ("custom.a", &[1.5, 2.5][..]));
    let notes = imported.notes.join("\n");
    assert!(notes.contains("column 1 has no heading and is left out"), "{notes}");
    assert!(notes.contains("column 4 has no heading and is left out"), "{notes}");
}

/// As spreadsheets save tables where a comma stands before decimals (common practice, no source).
#[test]
fn tables_of_semicolons_read_as_the_same_tables_of_commas() {
    let plain = "Time,vehicle.speed [km/h],a [V],\n50400,0,12.345,\n50400.25,1.5,,\n50401,-1000.125,1e3,\n";
    let commas = "Time;vehicle.speed [km/h];a [V];\r\n14:00:00;0;12,345;\r\n14:00:00,25;1,5;;\r\n14:00:01;\"-1000,125\";1e3;\r\n";
    let points = commas.replace(',', ".");
    let (expected, _) = read(plain, &["Time=time_s"]).unwrap();
    for (text, mark) in [(commas, "','"), (points.as_str(), "'.'")] {
        let mut packed = GzEncoder::new(Vec::new(), Compression::fast());
        packed.write_all(text.as_bytes()).unwrap();
        for bytes in [text.as_bytes().to_vec(), packed.finish().unwrap()] {
            let (recording, imported) = drive::read_table(bytes.as_slice(), "t.csv", &map(&["Time=time_s"])).unwrap();
            assert_eq!(recording.series, expected.series);
            let notes = imported.notes.join("\n");
            assert!(notes.contains(&format!("decimals behind {mark}")), "{notes}");
            assert!(notes.contains("seconds since 00:00:00"), "{notes}");
        }
    }
    // A long one; whole numbers leave nothing open.
    let (recording, _) = read("time_s;signal;value;unit\n1;a;2;V\n2;a;3;V\n", &[]).unwrap();
    assert_eq!(recording.series[0].value, [2.0, 3.0]);
}

/// As many loggers write them (common practice, no source): a second line with the units, bare or in brackets.
#[test]
fn a_row_of_units_is_read_as_units_in_the_headings() {
    let (expected, _) = read("time_s [ms],vehicle.speed [mph],b [1/min],c\n0,10,5,1\n500,20,6,2\n", &[]).unwrap();
    for units in ["ms,mph,1/min,", "[ms],[mph],[1/min],[]", "(ms),(mph),(1/min),()"] {
        let table = format!("time_s,vehicle.speed,b,c\n{units}\n0,10,5,1\n500,20,6,2\n");
        let (recording, imported) = read(&table, &[]).unwrap();
        assert_eq!(recording.series, expected.series, "{units}");
        assert_eq!(imported.n_rows, 2);
        let notes = imported.notes.join("\n");
        assert!(notes.contains("line 2 names units") && notes.contains("converted from mph"), "{notes}");
    }
    // Mapped columns take the units too, a clock has none, and a heading may say the same again.
    let (recording, _) = read(
        "Clock,Speed,vehicle.speed [km/h]\n,mi/h,km/h\n12:00:00,10,1\n12:00:01,20,2\n",
        &["Clock=time_s", "Speed=wheel.speed.front_left"],
    )
    .unwrap();
    assert_eq!(recording.series[0].t_ns, [43_200_000_000_000, 43_201_000_000_000]);
    assert!((recording.series[0].value[0] - 16.093_44).abs() < 1e-9, "{:?}", recording.series);
    // Decimals behind a comma are no units.
    let (recording, _) = read("time_s;a\n0,5;1,5\n1,5;2,5\n", &[]).unwrap();
    assert_eq!(recording.series[0].value, [1.5, 2.5]);
}

/// Units in round brackets (common practice, no source); what else may stand there belongs to the name.
#[test]
fn units_in_round_brackets() {
    let (recording, imported) = read(
        "Time (ms),Speed (mph),Coolant(°F),Trim (%)\n0,10,212,1\n500,20,212,2\n",
        &["Time=time_s", "Speed (mph)=vehicle.speed", "Coolant=coolant.temperature", "Trim=fuel.trim.short.bank_1"],
    )
    .unwrap();
    let values = |idx: usize| recording.series[idx].value.clone();
    assert_eq!(recording.series[0].t_ns, [0, 500_000_000]);
    assert!((values(0)[0] - 16.093_44).abs() < 1e-9 && (values(1)[0] - 100.0).abs() < 1e-9, "{recording:?}");
    assert!(
        imported.notes.join("\n").contains("`Coolant(°F)` was converted from degF to degC"),
        "{:?}",
        imported.notes
    );
    let others = ["speed (GPS)", "boost (min)", "probe (A)", "probe (2)", "pressure (abs)", "(rpm)", "count()"];
    let table = format!("time_s,{}\n0,1,2,3,4,5,6,7\n", others.join(","));
    let (recording, _) = read(&table, &[]).unwrap();
    assert!(recording.series.iter().all(|series| series.unit == Unit::one()), "{recording:?}");
}

#[test]
fn a_clock_goes_on_behind_midnight() {
    for table in [
        "t,a\n23:59:59.5,1\n00:00:00,2\n23:00:00,3\n01:00:00,4\n",
        "t,signal,value\n23:59:59.5,a,1\n00:00:00,a,2\n23:00:00,a,3\n01:00:00,a,4\n",
    ] {
        let (recording, imported) = read(table, &["t=time_s"]).unwrap();
        let seconds: Vec<f64> = recording.series[0].t_ns.iter().map(|t_ns| *t_ns as f64 / 1e9).collect();
        assert_eq!(seconds, [86_399.5, 86_400.0, 169_200.0, 176_400.0]);
        assert!(imported.notes.join("\n").contains("behind which it goes on: 2"), "{:?}", imported.notes);
    }
}

#[test]
fn whatever_is_wrong_is_named_with_its_place() {
    let wide = |rows: &str| format!("time_s,vehicle.speed [km/h],b\n{rows}");
    let long = |rows: &str| format!("time_s,signal,value,unit\n{rows}");
    type Case<'a> = (String, &'a [&'a str], u64, Option<&'a str>, &'a str);
    let cases: Vec<Case<'_>> = vec![
        (String::new(), &[], 0, None, "the table is empty"),
        ("\n\n\n".into(), &[], 0, None, "the table is empty"),
        ("time_s\n1\n".into(), &[], 1, None, "no column besides the time"),
        ("t,a\n1,2\n".into(), &[], 1, None, "first column must be `time_s`, it is `t`"),
        ("time_s;a,b\n1;2,3\n".into(), &[], 1, None, "first column must be `time_s`, it is `time_s;a`"),
        ("time_s;a\n0,1;2.5\n".into(), &[], 2, Some("a"), "`2.5` has two marks, or another one"),
        ("time_s;a\n0,1;1.234,5\n".into(), &[], 2, Some("a"), "`1.234,5` has two marks"),
        ("time_s;a\n0,1;1,2;3\n".into(), &[], 2, None, "3 cells instead of 2"),
        ("time_s;a\n0;1.234\n1;2.345\n".into(), &[], 0, None, "may have it before decimals or between thousands"),
        ("time_s;a\n1,000;2\n2,000;3\n".into(), &[], 0, None, "may have it before decimals or between thousands"),
        (wide("0,\"1,5\",2\n"), &[], 2, Some("vehicle.speed [km/h]"), "`1,5` is not a number"),
        ("t,a\n12:00:01,1\n3,1\n".into(), &["t=time_s"], 3, Some("t"), "`3` is not a time"),
        ("t,a\n1,1\n12:00:01,1\n".into(), &["t=time_s"], 3, Some("t"), "`12:00:01` is not a time"),
        ("t,a\n12:30,1\n".into(), &["t=time_s"], 2, Some("t"), "`12:30` is not a time"),
        ("t [ms],a\n12:00:01,1\n".into(), &["t=time_s"], 2, Some("t [ms]"), "`12:00:01` is not a time"),
        ("t,a\n12:00:01,1\n00:00:01,1\n".into(), &["t=time_s"], 3, Some("t"), "the time 1 s is before that"),
        (
            "time_s,vehicle.speed [km/h]\ns,mph\n0,1\n".into(),
            &[],
            2,
            Some("vehicle.speed [km/h]"),
            "from `km/h` to `mph`",
        ),
        ("time_s,a\nh,V\n0,1\n".into(), &[], 2, Some("time_s"), "`h` is not a time"),
        ("time_s,a\n,\n0,1\n".into(), &[], 2, Some("time_s"), "`` is not a time"),
        ("time_s,a\n,1/min\n,2\n".into(), &[], 3, Some("time_s"), "`` is not a time"),
        ("time_s\ta\n1\t2\n".into(), &[], 1, None, "seem to be separated by '\\t'"),
        ("time_s,a\tb\n1,2\n".into(), &[], 1, Some("a\tb"), "cannot be the name of a signal"),
        ("a,time_s\n1,2\n".into(), &[], 1, None, "first column must be `time_s`, it is `a`"),
        ("t,u,a\n1,1,2\n".into(), &["t=time_s", "u=time_s"], 1, None, "two columns for the time"),
        ("t,a\n1,2\n".into(), &["t=time_s [h]"], 1, None, "time cannot be in `h`"),
        (wide("0,1,2\n0,1,2\n"), &[], 3, Some("time_s"), "time 0 s is the same as in the row before"),
        (wide("0,1,2\n-1.5,1,2\n"), &[], 3, Some("time_s"), "time -1.5 s is before that of the row before"),
        (wide("0,1,2\n\n1,x,2\n"), &[], 4, Some("vehicle.speed [km/h]"), "`x` is not a number"),
        (wide("0,1,NaN\n"), &[], 2, Some("b"), "`NaN` is not a finite number"),
        (wide("0,-inf,\n"), &[], 2, Some("vehicle.speed [km/h]"), "`-inf` is not a finite number"),
        (wide("0,1e999,\n"), &[], 2, Some("vehicle.speed [km/h]"), "`1e999` is not a finite number"),
        (wide("0,1,2\n1,2\n"), &[], 3, None, "2 cells instead of 3"),
        (wide("0,1,5,2\n"), &[], 2, None, "4 cells instead of 3; is a comma used as decimal point"),
        (wide("12:00:01,1,2\n"), &[], 2, Some("time_s"), "`12:00:01` is not a time"),
        (wide(",1,2\n"), &[], 2, Some("time_s"), "`` is not a time"),
        (wide("0,\"1,2\n"), &[], 3, None, "cells instead of 3"),
        (
            wide("0,1,2\n"),
            &["c=engine.speed"],
            1,
            None,
            "no `c` to map to `engine.speed`; it has: vehicle.speed [km/h], b",
        ),
        (wide("0,1,2\n"), &["b=engine.speed", "b=engine.load"], 0, None, "`b` is mapped twice"),
        (wide("0,1,2\n"), &["b=vehicle.speed"], 1, Some("b"), "`vehicle.speed [km/h]` and `b` both become"),
        (wide("0,1,2\n"), &["b=engine.speed [V]"], 1, Some("b"), "cannot be in `V`; accepted: rpm;"),
        (
            "time_s,vehicle.speed [furlong]\n0,1\n".into(),
            &[],
            1,
            Some("vehicle.speed [furlong]"),
            "accepted: km/h, m/s, mph",
        ),
        ("time_s,,\n0,1,2\n".into(), &[], 1, None, "no column besides the time"),
        ("time_s,a,b,a\n0,1,2,3\n".into(), &[], 1, Some("a"), "two columns are called `a`; give one of them another"),
        ("t,a\n1500,1\n1500,2\n".into(), &["t=time_s [ms]"], 3, Some("t"), "time 1.5 s is the same as in the row"),
        ("t,a\n1500,1\n-20,2\n".into(), &["t=time_s [ms]"], 3, Some("t"), "time -0.02 s is before that of the row"),
        ("time_s,signal,speed\n0,1,2\n".into(), &[], 1, None, "a long table has the columns"),
        (long("1,a,1,V\n0.5,a,1,V\n"), &[], 3, Some("time_s"), "time 0.5 s is before"),
        (long("1,a,1,V\n2,a,1,A\n"), &[], 3, Some("unit"), "the unit of `a` changes from `V` to `A`"),
        (long("1,vehicle.speed,1,V\n"), &[], 2, Some("signal"), "`vehicle.speed` cannot be in `V`"),
        (long("1,,1,V\n"), &[], 2, Some("signal"), "cannot be the name of a signal"),
        (long("1,a,x,V\n"), &[], 2, Some("a"), "`x` is not a number"),
        (long("1,a,1,V\n"), &["z=engine.speed"], 0, None, "no `z` to map to `engine.speed`; it has: a"),
        ("PK\u{3}\u{4}rubbish".into(), &[], 0, None, "perhaps a spreadsheet"),
        ("\0\0\0\u{1},\u{2}\n".into(), &[], 1, None, "control characters"),
    ];
    let folder = tempfile::tempdir().unwrap();
    for (text, entries, line, column, message) in cases {
        let options = ImportOptions { map: map(entries), ..ImportOptions::default() };
        let out = folder.path().join("out.mcap");
        let error = drive::import_table(text.as_bytes(), "t.csv", &out, &options).unwrap_err();
        let shown = error.to_string();
        assert!(shown.contains(message), "{text:?} gives {shown}");
        let DriveError::Table(table) = error else { panic!("{shown}") };
        assert_eq!((table.line, table.column.as_deref()), (line, column), "{shown}");
        assert_eq!(folder.path().read_dir().unwrap().count(), 0, "nothing is left behind");
    }
}

#[test]
fn endless_lines_and_bombs_end_in_a_clear_error() {
    let problem = |source: &mut dyn Read| match drive::read_table(source, "t", &[]).unwrap_err() {
        DriveError::Table(error) => error.problem,
        other => panic!("{other}"),
    };
    let gigabytes = |byte| io::repeat(byte).take(5_000_000_000);
    assert!(matches!(problem(&mut gigabytes(b'a')), TableProblem::LongRow(_)));
    assert!(matches!(problem(&mut gigabytes(b',')), TableProblem::ManyColumns(_)));
    assert!(matches!(problem(&mut b"time_s,a\n0,\"".chain(gigabytes(b'\n'))), TableProblem::LongRow(_)));
    let mut member = GzEncoder::new(Vec::new(), Compression::best());
    member.write_all(&vec![b'\n'; 16 << 20]).unwrap();
    let bomb = member.finish().unwrap().repeat(40);
    assert!(matches!(problem(&mut bomb.as_slice()), TableProblem::Bomb(_)));
}

#[test]
fn a_damaged_gzip_stream_is_named_as_such() {
    let mut gzip = GzEncoder::new(Vec::new(), Compression::fast());
    let rows: String = (0..10_000).map(|k| format!("{k},{}\n", k * k % 977)).collect();
    gzip.write_all(format!("time_s,a\n{rows}").as_bytes()).unwrap();
    let whole = gzip.finish().unwrap();
    for cut in [3, 11, whole.len() / 2, whole.len() - 1] {
        let error = drive::read_table(&whole[..cut], "t", &[]).unwrap_err();
        let DriveError::Table(table) = &error else { panic!("{error}") };
        assert!(matches!(table.problem, TableProblem::Gzip(_)), "cut at {cut}: {error}");
    }
    let mut flipped = whole.clone();
    let middle = flipped.len() / 2;
    flipped[middle] ^= 4;
    assert!(drive::read_table(flipped.as_slice(), "t", &[]).is_err());
}

#[test]
fn an_existing_drive_is_only_replaced_when_asked_and_complete() {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("drive.mcap");
    let table = |value: &str| format!("time_s,vehicle.speed [km/h]\n0,{value}\n");
    let import = |text: String, overwrite| {
        let options = ImportOptions { overwrite, ..ImportOptions::default() };
        drive::import_table(text.as_bytes(), "t.csv", &out, &options)
    };
    let value = || drive::read(&out).unwrap().recording.series[0].value[0];
    import(table("1"), Overwrite::Never).unwrap();
    assert!(matches!(import(table("2"), Overwrite::Never), Err(DriveError::Exists(_))));
    assert_eq!(value(), 1.0);
    assert!(import(table("x"), Overwrite::WhenDone).is_err());
    assert_eq!(value(), 1.0);
    import(table("3"), Overwrite::WhenDone).unwrap();
    assert_eq!(value(), 3.0);
    let csv = folder.path().join("drive.csv");
    let options = drive::ExportOptions::default();
    drive::export(&out, &csv, options).unwrap();
    assert_eq!(std::fs::read_to_string(&csv).unwrap(), table("3"));
    assert!(matches!(drive::export(&out, &csv, options), Err(DriveError::Exists(_))));
    assert_eq!(folder.path().read_dir().unwrap().count(), 2, "no temporary files stay");
}

fn any_series() -> impl Strategy<Value = Series> {
    let catalogue =
        prop::sample::select(vec!["vehicle.speed", "engine.speed", "coolant.temperature", "lambda.bank_1_sensor_1"]);
    let id = prop_oneof![
        catalogue.prop_map(str::to_owned),
        "[a-zA-Z0-9 ,;\"'\\[\\]=°ü\u{fffd}]{1,12}".prop_map(|name| format!("custom.{name}")),
    ]
    .prop_filter_map("a name", |text| SignalId::new(&text).ok());
    let unit = "[a-zA-Z0-9°/%,\" ]{0,6}".prop_map(|text| Unit::named(&text));
    let sample = (any::<i64>(), any::<u64>());
    (id, unit, prop::collection::vec(sample, 0..40)).prop_map(|(id, unit, samples)| {
        let unit = signal::Catalogue::standard().get(&id).map_or(unit, |known| known.unit.clone());
        let mut series = Series::new(id, unit);
        let mut times: Vec<i64> =
            samples.iter().map(|(t, _)| t / 4 / 10i64.pow(t.unsigned_abs() as u32 % 12)).collect();
        times.sort_unstable();
        for (t_ns, (_, bits)) in times.into_iter().zip(samples) {
            let value = f64::from_bits(bits);
            series.push_value(t_ns, if value.is_finite() { value } else { -0.0 });
        }
        series
    })
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 512, ..ProptestConfig::default() })]

    #[test]
    fn what_is_exported_imports_to_the_last_bit(
        series in prop::collection::vec(any_series(), 1..5),
        long: bool,
    ) {
        let mut recording = Recording::default();
        for mut series in series {
            if !long {
                let mut last = None;
                let keep: Vec<bool> = series.t_ns.iter().map(|t| last.replace(*t) != Some(*t)).collect();
                let mut at = keep.iter();
                series.t_ns.retain(|_| *at.next().unwrap());
                let mut at = keep.iter();
                series.value.retain(|_| *at.next().unwrap());
            }
            if recording.series(series.id.as_str()).is_none() && !(long && series.is_empty()) {
                recording.series.push(series);
            }
        }
        prop_assume!(!recording.series.is_empty());
        let layout = if long { Layout::Long } else { Layout::Wide };
        let mut table = Vec::new();
        match drive::export_table(&recording, &mut table, layout) {
            Ok(exported) => {
                let (again, imported) = drive::read_table(table.as_slice(), "again", &[]).unwrap();
                assert_same(&again, &recording);
                prop_assert_eq!(exported.n_samples, imported.n_samples);
                prop_assert_eq!(exported.n_rows, imported.n_rows);
            }
            // Refused, never altered: names and units that a heading cannot hold.
            Err(DriveError::NoTable { .. }) => {
                let odd = |name: &str| name.contains(['[', ']']) || name.trim() != name;
                prop_assert!(recording.series.iter().any(|series| odd(series.id.as_str())));
            }
            Err(error) => prop_assert!(false, "{}", error),
        }
    }

    #[test]
    fn rubbish_never_panics(bytes in prop::collection::vec(prop::sample::select(b"time_s,signal,value\n\r\"0123456789.eE-+[] \xff\0;".to_vec()), 0..200)) {
        let _ = drive::read_table(bytes.as_slice(), "t", &[]);
        let mut table = b"time_s,a [V],b\n0,1,2\n".to_vec();
        table.extend(bytes);
        let _ = drive::read_table(table.as_slice(), "t", &map(&["b=vehicle.speed [m/s]"]));
    }

    #[test]
    fn any_text_parses_as_a_map_or_not(text in ".{0,40}") {
        let _ = text.parse::<MapEntry>();
    }
}

/// Found by fuzzing: a long table takes any unit, and the heading of a wide one has no control characters.
#[test]
fn a_unit_with_a_control_character_is_no_heading() {
    let long = "time_s,signal,value,unit\n0.1,flow,-1.5,\"a,b\u{11}\"\n";
    let (recording, _) = drive::read_table(long.as_bytes(), "long.csv", &[]).unwrap();
    let mut text = Vec::new();
    let wide = drive::export_table(&recording, &mut text, Layout::Wide);
    assert!(matches!(wide, Err(DriveError::NoTable { layout: "wide", .. })), "{wide:?}");
    drive::export_table(&recording, &mut text, Layout::Long).unwrap();
    let (again, _) = drive::read_table(text.as_slice(), "again.csv", &[]).unwrap();
    assert_eq!(again.series, recording.series);
}

/// Cells that begin so are computed when a table is opened in a spreadsheet (common practice, no source).
#[test]
fn no_unit_of_a_table_is_a_formula() {
    for unit in ["=cmd|'/C calc'!A1", "+1", "-1", "@SUM(1)"] {
        let mut series = Series::new(SignalId::new("custom.x").unwrap(), Unit::named(unit));
        series.push_value(0, 1.0);
        let recording = Recording { series: vec![series], ..Recording::default() };
        let long = drive::export_table(&recording, &mut Vec::new(), Layout::Long);
        assert!(matches!(long, Err(DriveError::NoTable { layout: "long", .. })), "{unit}: {long:?}");
        let mut text = Vec::new();
        drive::export_table(&recording, &mut text, Layout::Wide).unwrap();
        assert_eq!(drive::read_table(text.as_slice(), "again.csv", &[]).unwrap().0, recording);
    }
}
