//! Worked decodes of SAE J1979 / ISO 15031-5, from the formulas of the published tables, computed by hand.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a test fails by panicking")]

use protocol::obd::{Content, Pid, Value, codes, current, freeze, info, monitors};

fn bytes(hex: &str) -> Vec<u8> {
    hex.split_whitespace().map(|byte| u8::from_str_radix(byte, 16).unwrap()).collect()
}

/// All values of a reply to service 01; the request is made of the PIDs that the test names.
fn read(pids: &[u8], reply: &str) -> Vec<Value> {
    let decoded = current::interpret(&current::request(pids), &bytes(reply)).unwrap();
    assert_eq!(decoded.problems, [], "{reply}");
    let values = decoded.value.iter().flat_map(|part| {
        let values = part.values();
        assert_eq!(values.problems, [], "{reply}");
        values.value
    });
    values.collect()
}

/// `reply` answers a request for its own PID and holds these values and no others.
fn check(reply: &str, expected: &[(&str, f64, &str)]) {
    let pid = bytes(reply)[1];
    let values = read(&[pid], reply);
    let names: Vec<_> = values.iter().map(|value| value.name).collect();
    assert_eq!(names, expected.iter().map(|(name, ..)| *name).collect::<Vec<_>>(), "{reply}");
    for (value, (name, number, unit)) in values.iter().zip(expected) {
        let got = value.content.number().unwrap();
        assert!((got - number).abs() < 5e-10 * number.abs().max(1.0), "{reply}: {name} is {got}, not {number}");
        assert_eq!(value.unit, *unit, "{reply}: {name}");
    }
}

#[test]
fn golden_set() {
    check("41 0C 1A F8", &[("engine_speed", 1726.0, "rpm")]);
    check("41 05 7B", &[("coolant_temperature", 83.0, "degC")]);
    check("41 06 8A", &[("short_trim_bank_1", 7.8125, "%")]);
    check("41 07 78", &[("long_trim_bank_1", -6.25, "%")]);
    check("41 0D 3C", &[("vehicle_speed", 60.0, "km/h")]);
    check("41 0E 94", &[("ignition_advance", 10.0, "deg")]);
    check("41 10 05 DC", &[("mass_air_flow", 15.0, "g/s")]);
    check("41 11 26", &[("throttle_position_a", 38.0 * 100.0 / 255.0, "%")]);
    check("41 14 5A FF", &[("oxygen_sensor_1_voltage", 0.45, "V")]);
    check("41 14 5A 80", &[("oxygen_sensor_1_voltage", 0.45, "V"), ("oxygen_sensor_1_trim", 0.0, "%")]);
    check("41 22 13 88", &[("rail_pressure_over_manifold", 395.0, "kPa")]);
    check(
        "41 24 80 00 80 00",
        &[("wide_oxygen_sensor_1_lambda", 1.0, "1"), ("wide_oxygen_sensor_1_voltage", 4.0, "V")],
    );
    check("41 32 FF 38", &[("evap_vapour_pressure", -50.0, "Pa")]);
    check(
        "41 34 80 00 80 00",
        &[("pump_oxygen_sensor_1_lambda", 1.0, "1"), ("pump_oxygen_sensor_1_current", 0.0, "mA")],
    );
    check("41 3C 11 94", &[("catalyst_temperature_bank_1_sensor_1", 410.0, "degC")]);
    check("41 42 37 14", &[("module_voltage", 14.1, "V")]);
    check("41 43 00 81", &[("absolute_load", 129.0 * 100.0 / 255.0, "%")]);
    check("41 44 7E B8", &[("commanded_lambda", 32440.0 * 2.0 / 65536.0, "1")]);
    check("41 5C 5A", &[("engine_oil_temperature", 50.0, "degC")]);
    check("41 5D 69 00", &[("injection_timing", 0.0, "deg")]);
    check("41 5E 00 2B", &[("fuel_rate", 2.15, "L/h")]);
    check("41 A6 00 12 D6 87", &[("odometer", 123_456.7, "km")]);
}

/// The rounded figures that are printed beside the golden set: the quotients above must come out as these.
#[test]
fn golden_set_as_printed() {
    for (pid, reply, printed) in
        [(0x11, "41 11 26", "14.902"), (0x43, "41 43 00 81", "50.588"), (0x44, "41 44 7E B8", "0.990")]
    {
        assert_eq!(format!("{:.3}", read(&[pid], reply)[0].content.number().unwrap()), printed);
    }
}

#[test]
fn three_pids_in_one_reply() {
    let values = read(&[0x0C, 0x0D, 0x05], "41 0C 1A F8 0D 3C 05 7B");
    let numbers: Vec<_> = values.iter().map(|value| (value.name, value.content.number().unwrap())).collect();
    assert_eq!(numbers, [("engine_speed", 1726.0), ("vehicle_speed", 60.0), ("coolant_temperature", 83.0)]);
}

#[test]
fn torque_is_a_share_of_the_reference() {
    let actual = read(&[0x62], "41 62 9B")[0].content.number().unwrap();
    let reference = read(&[0x63], "41 63 01 2C")[0].content.number().unwrap();
    assert_eq!((actual, reference, actual / 100.0 * reference), (30.0, 300.0, 90.0));
}

#[test]
fn freeze_frame_code() {
    let asked = freeze::request(&[0x02], 0);
    assert_eq!(freeze::code(&asked, &bytes("42 02 00 03 01")).unwrap().unwrap().to_string(), "P0301");
    assert_eq!(freeze::code(&asked, &bytes("42 02 00 00 00")).unwrap(), None);
}

#[test]
fn stored_codes() {
    let asked = codes::request(codes::CodeList::Stored);
    let read = codes::interpret(&asked, &[&bytes("43 02 03 01 01 71")], true).unwrap();
    assert_eq!(read.problems, []);
    assert_eq!(read.value.iter().map(ToString::to_string).collect::<Vec<_>>(), ["P0301", "P0171"]);
}

/// SAE J1979 service 06, TID 0B and 0C as two makes' public pages describe them.
#[test]
fn misfire_counts_of_cylinder_1() {
    let reply = bytes("46 A2 0B 24 00 05 00 00 FF FF A2 0C 24 00 2B 00 00 FF FF");
    let results = monitors::interpret(&monitors::request(0xA2), &reply).unwrap();
    assert_eq!(results.problems, []);
    let counts: Vec<_> = results.value.iter().map(|r| (r.cylinder(), r.tid, r.physical())).collect();
    assert_eq!(
        counts,
        [(Some(1), monitors::MISFIRE_AVERAGE, Some(5.0)), (Some(1), monitors::MISFIRE_COUNT, Some(43.0))]
    );
    assert_eq!(results.value[0].scale().unwrap().unit, "count");
}

/// ISO 15765-2 example: 20 bytes reassembled, VIN of the worked table of 49 CFR 565.
#[test]
fn vin_reply() {
    let reply = bytes("49 02 01 31 47 34 41 48 35 39 48 34 35 47 31 31 38 33 34 31");
    let read = info::interpret(&info::request(info::VIN), &[&reply], true).unwrap();
    assert_eq!(read.problems, []);
    assert_eq!(read.value, info::Info::Texts(vec!["1G4AH59H45G118341".into()]));
}

/// In-use ratio against the Californian minimum of 0.336 (13 CCR 1968.2 (d)(3.2.1), from memory).
#[test]
fn in_use_ratio() {
    let reply = bytes(
        "49 08 10 01 2C 02 58 00 27 00 68 00 00 00 00 00 30 00 70 00 00 00 00 00 40 00 80 00 00 00 00 00 05 00 0A",
    );
    let read = info::interpret(&info::request(info::SPARK_PERFORMANCE), &[&reply], true).unwrap();
    assert_eq!(read.problems, []);
    let info::Info::Performance(performance) = read.value else { panic!("type 08 is in-use performance") };
    assert_eq!((performance.obd_conditions, performance.ignition_cycles), (300, 600));
    let ratios: Vec<_> = performance.monitors.iter().map(|m| (m.name, m.ratio())).collect();
    assert_eq!(
        ratios,
        [
            ("catalyst, bank 1", Some(0.375)),
            ("catalyst, bank 2", None),
            ("oxygen sensor, bank 1", Some(48.0 / 112.0)),
            ("oxygen sensor, bank 2", None),
            ("EGR or variable valve timing", Some(0.5)),
            ("secondary air", None),
            ("evaporative system", Some(0.5)),
        ]
    );
    assert!(performance.monitors[0].ratio().unwrap() > 0.336);
}

/// Every value at both ends of its range, as the published tables print them.
#[test]
fn ranges() {
    #[rustfmt::skip]
    let ranges: &[(u8, &str, f64, f64)] = &[
        (0x04, "calculated_load", 0.0, 100.0),
        (0x05, "coolant_temperature", -40.0, 215.0),
        (0x06, "short_trim_bank_1", -100.0, 99.21875),
        (0x09, "long_trim_bank_2", -100.0, 99.21875),
        (0x0A, "fuel_pressure", 0.0, 765.0),
        (0x0B, "manifold_pressure", 0.0, 255.0),
        (0x0C, "engine_speed", 0.0, 16383.75),
        (0x0D, "vehicle_speed", 0.0, 255.0),
        (0x0E, "ignition_advance", -64.0, 63.5),
        (0x0F, "intake_air_temperature", -40.0, 215.0),
        (0x10, "mass_air_flow", 0.0, 655.35),
        (0x11, "throttle_position_a", 0.0, 100.0),
        (0x14, "oxygen_sensor_1_voltage", 0.0, 1.275),
        (0x1F, "run_time", 0.0, 65535.0),
        (0x21, "distance_with_lamp", 0.0, 65535.0),
        (0x22, "rail_pressure_over_manifold", 0.0, 5177.265),
        (0x23, "rail_pressure_gauge", 0.0, 655_350.0),
        (0x24, "wide_oxygen_sensor_1_lambda", 0.0, 2.0 * 65535.0 / 65536.0),
        (0x24, "wide_oxygen_sensor_1_voltage", 0.0, 8.0 * 65535.0 / 65536.0),
        (0x2D, "egr_error", -100.0, 99.21875),
        (0x30, "warm_ups_since_clear", 0.0, 255.0),
        (0x33, "barometric_pressure", 0.0, 255.0),
        (0x34, "pump_oxygen_sensor_1_current", -128.0, 128.0 - 1.0 / 256.0),
        (0x3C, "catalyst_temperature_bank_1_sensor_1", -40.0, 6513.5),
        (0x42, "module_voltage", 0.0, 65.535),
        (0x43, "absolute_load", 0.0, 25700.0),
        (0x44, "commanded_lambda", 0.0, 2.0 * 65535.0 / 65536.0),
        (0x50, "maximum_mass_air_flow", 0.0, 2550.0),
        (0x53, "evap_pressure_absolute", 0.0, 327.675),
        (0x55, "secondary_short_trim_bank_3", -100.0, 99.21875),
        (0x59, "rail_pressure_absolute", 0.0, 655_350.0),
        (0x5D, "injection_timing", -210.0, 301.9921875),
        (0x5E, "fuel_rate", 0.0, 3276.75),
        (0x61, "demanded_torque", -125.0, 130.0),
        (0x64, "torque_at_point_4", -125.0, 130.0),
        (0x9E, "exhaust_flow", 0.0, 13107.0),
    ];
    for (pid, name, least, greatest) in ranges {
        let pid = Pid::find(*pid).unwrap();
        let field = pid.field(name).unwrap();
        let n = pid.fixed_length().unwrap();
        // A trim of FF is "not used" where the table says so; nothing in this list has such a value.
        for (fill, expected) in [(0x00, least), (0xFF, greatest)] {
            let got = field.content(&vec![fill; n], pid.id).and_then(|content| content.number()).unwrap();
            assert!((got - expected).abs() < 1e-9, "{name} at {fill:02X}: {got}, not {expected}");
        }
    }
    // The two signed ones have their ends in the middle.
    for (pid, least, greatest) in [(0x32, -8192.0, 8191.75), (0x54, -32768.0, 32767.0)] {
        let at = |data: [u8; 2]| Pid::find(pid).unwrap().values(&data).value[0].content.number();
        assert_eq!((at([0x80, 0x00]), at([0x7F, 0xFF])), (Some(least), Some(greatest)));
        assert_eq!(at([0xFF, 0xFF]).unwrap(), least / 32768.0, "one step below zero");
    }
}

/// Support bits of byte A decide which values are there at all (PIDs 65 and up).
#[test]
fn only_supported_values_come() {
    let names = |reply: &str| read(&[bytes(reply)[1]], reply).iter().map(|value| value.name).collect::<Vec<_>>();
    assert_eq!(names("41 66 00 12 34 56 78"), [""; 0]);
    assert_eq!(names("41 66 02 12 34 56 78"), ["mass_air_flow_sensor_b"]);
    assert_eq!(names("41 66 03 12 34 56 78"), ["mass_air_flow_sensor_a", "mass_air_flow_sensor_b"]);
    assert_eq!(names("41 65 02 FF"), ["automatic_transmission_in_gear"]);
    // Engine run time: four bytes each, 13 in all.
    check(
        "41 7F 07 00 01 51 80 00 00 0E 10 00 00 00 3C",
        &[
            ("engine_run_time_total", 86400.0, "s"),
            ("engine_run_time_idle", 3600.0, "s"),
            ("engine_run_time_power_take_off", 60.0, "s"),
        ],
    );
}

/// Layouts that rest on memory of SAE J1979 alone (no library decodes them): worked by hand from the published formulas,
/// so that a slip in the table does not go unnoticed.
#[test]
fn layouts_from_memory() {
    check("41 84 7B", &[("manifold_surface_temperature", 83.0, "degC")]);
    check(
        "41 85 0F 00 C8 01 90 80 00 00 0E 10",
        &[
            ("reagent_consumption", 1.0, "L/h"),
            ("reagent_demand", 2.0, "L/h"),
            ("reagent_level", 128.0 * 100.0 / 255.0, "%"),
            ("nox_warning_time", 3600.0, "s"),
        ],
    );
    check(
        "41 87 03 0C A0 0F A0",
        &[("manifold_pressure_sensor_a", 101.0, "kPa"), ("manifold_pressure_sensor_b", 125.0, "kPa")],
    );
    check("41 8D FF", &[("throttle_position_g", 100.0, "%")]);
    check("41 8E 87", &[("friction_torque", 10.0, "%")]);
    for (pid, bank) in [(0x98, 1), (0x99, 2)] {
        let values = read(&[pid], &format!("41 {pid:02X} 0F 11 94 01 90 00 00 19 64"));
        let got: Vec<_> = values.iter().map(|v| (v.name.to_owned(), v.content.number().unwrap())).collect();
        let expected = [(5, 410.0), (6, 0.0), (7, -40.0), (8, 610.0)]
            .map(|(sensor, celsius)| (format!("exhaust_temperature_bank_{bank}_sensor_{sensor}"), celsius));
        assert_eq!(got, expected);
    }
    check("41 9D 00 64 00 32", &[("engine_fuel_rate", 2.0, "g/s"), ("vehicle_fuel_rate", 1.0, "g/s")]);
    check("41 9E 01 F4", &[("exhaust_flow", 100.0, "kg/h")]);
    check("41 9F 81 FF 00 00 00 00 00 00 33", &[("fuel_system_use_1", 100.0, "%"), ("fuel_system_use_8", 20.0, "%")]);
    check(
        "41 A1 0F 00 01 00 02 00 03 01 00",
        &[
            ("nox_corrected_bank_1_sensor_1", 1.0, "ppm"),
            ("nox_corrected_bank_1_sensor_2", 2.0, "ppm"),
            ("nox_corrected_bank_2_sensor_1", 3.0, "ppm"),
            ("nox_corrected_bank_2_sensor_2", 256.0, "ppm"),
        ],
    );
    check("41 A2 01 40", &[("cylinder_fuel_rate", 10.0, "mg/stroke")]);
    check("41 A4 02 30 0B B8", &[("gear_ratio", 3.0, "1")]);
    // Two times per device, five devices per PID; the third device of each is asked for here.
    for (pid, device) in [(0x81, 3), (0x82, 8), (0x89, 13), (0x8A, 18)] {
        let data = (0..40u8).map(|n| format!(" {n:02X}")).collect::<String>();
        let values = read(&[pid], &format!("41 {pid:02X} 04{data}"));
        let got: Vec<_> = values.iter().map(|v| (v.name.to_owned(), v.content.number().unwrap())).collect();
        let expected = [(1, f64::from(0x1011_1213)), (2, f64::from(0x1415_1617))]
            .map(|(time, seconds)| (format!("device_{device}_time_{time}"), seconds));
        assert_eq!(got, expected);
    }
}

/// Encoded values, texts of SAE J1979 in our own words; the bytes are one-hot or enumerated as the tables print them.
#[test]
fn encoded_values() {
    let text = |reply: &str| match read(&[bytes(reply)[1]], reply).swap_remove(0).content {
        Content::Choice { text, .. } => text,
        other => panic!("{other:?} is no choice"),
    };
    assert_eq!(text("41 03 01 00"), Some("open loop, not yet ready for closed loop"));
    assert_eq!(text("41 03 02 00"), Some("closed loop"));
    assert_eq!(text("41 03 03 00"), None, "two bits at once mean nothing");
    assert_eq!(text("41 12 04"), Some("to the atmosphere or off"));
    assert_eq!(text("41 1C 06"), Some("EOBD"));
    assert_eq!(text("41 1C 0E"), None, "reserved");
    assert_eq!(text("41 51 04"), Some("diesel"));
    // Bit 0 of PID 1E: power take-off active.
    for (reply, is_on) in [("41 1E 01", true), ("41 1E FF", true), ("41 1E 00", false), ("41 1E FE", false)] {
        let content = read(&[0x1E], reply).swap_remove(0).content;
        assert_eq!((content.number(), &content), (Some(f64::from(u8::from(is_on))), &Content::Switch(is_on)));
    }
    let fuel = read(&[0x51], "41 51 04").swap_remove(0).content;
    assert_eq!(fuel.number(), Some(4.0));
    let sensors = |reply: &str| match read(&[bytes(reply)[1]], reply).swap_remove(0).content {
        Content::Flags(flags) => flags,
        other => panic!("{other:?} is no list of flags"),
    };
    assert_eq!(sensors("41 13 33"), ["bank 1 sensor 1", "bank 1 sensor 2", "bank 2 sensor 1", "bank 2 sensor 2"]);
    assert_eq!(sensors("41 1D 81"), ["bank 1 sensor 1", "bank 4 sensor 2"]);
}

#[test]
fn a_layout_that_nobody_told_us_comes_as_bytes() {
    for (pid, n) in [(0x86, 5), (0x8C, 16), (0xA3, 9)] {
        let row = Pid::find(pid).unwrap();
        let data = vec![0x5A; n];
        assert_eq!(row.values(&data).value[0].content, Content::Bytes(protocol::Hex(data)));
    }
    let unknown = protocol::obd::values(0xE7, &[1, 2]);
    assert_eq!(unknown.value[0].content, Content::Bytes(protocol::Hex(vec![1, 2])));
}

#[test]
fn the_table_is_in_order_and_names_each_value_once() {
    let ids: Vec<_> = Pid::all().map(|pid| pid.id).collect();
    assert!(ids.is_sorted_by(|a, b| a < b), "{ids:02X?}");
    let mut names: Vec<_> =
        Pid::all().flat_map(|pid| pid.fields).filter(|f| f.is_recordable()).map(|f| f.name).collect();
    names.sort_unstable();
    let n = names.len();
    names.dedup();
    assert_eq!(names.len(), n);
    assert!(names.contains(&"engine_speed") && n > 200, "{n}");
    // A title for the only value of a PID, else the value's own name in words.
    let title = |pid, name| Pid::find(pid).unwrap().title_of(name);
    assert_eq!(title(0x13, "oxygen_sensors_of_2_banks"), Pid::find(0x13).unwrap().title);
    assert_eq!(title(0x83, "nox_bank_1_sensor_a"), "NOx, bank 1 sensor A");
    for pid in Pid::all() {
        for field in pid.fields {
            assert!(field.byte + field.n_bytes <= pid.least_length(), "{:02X} {}", pid.id, field.name);
            assert!(field.name.bytes().all(|b| matches!(b, b'a'..=b'z' | b'0'..=b'9' | b'_')), "{}", field.name);
        }
    }
}
