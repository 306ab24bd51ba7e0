//! What the modules answer, byte for byte, against the tables of the standards.

mod common;

use common::Tester;

/// Values of a hex answer.
fn hex(text: &str) -> Vec<u8> {
    text.as_bytes().chunks(2).filter_map(|pair| u8::from_str_radix(std::str::from_utf8(pair).ok()?, 16).ok()).collect()
}

/// Reassembles the lines of one segmented answer (headers on, spaces off).
fn whole(lines: &str) -> Vec<u8> {
    let frames: Vec<Vec<u8>> = lines.split('|').map(|line| hex(&line[3..])).collect();
    match frames.as_slice() {
        [one] if one[0] >> 4 == 0 => one[1..].to_vec(),
        [first, rest @ ..] => {
            let length = usize::from(first[0] & 0x0F) << 8 | usize::from(first[1]);
            let mut bytes = first[2..].to_vec();
            for (number, frame) in (1..).zip(rest) {
                assert_eq!(frame[0], 0x20 | (number & 0x0F), "{lines}");
                bytes.extend(&frame[1..]);
            }
            bytes.truncate(length);
            assert_eq!(bytes.len(), length, "{lines}");
            bytes
        }
        [] => Vec::new(),
    }
}

/// VIN arithmetic of 49 CFR 565.15 (reference page 4): values of the letters, weights, sum modulo 11.
#[test]
fn the_vin_has_its_check_digit_and_year() {
    let value = |c: char| match c {
        '0'..='9' => c.to_digit(10),
        'A'..='H' => Some(c as u32 - 'A' as u32 + 1),
        'J'..='N' => Some(c as u32 - 'J' as u32 + 1),
        'P' => Some(7),
        'R' => Some(9),
        'S'..='Z' => Some(c as u32 - 'S' as u32 + 2),
        _ => None,
    };
    let weights = [8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2];
    let check = |vin: &str| -> u32 {
        vin.chars().zip(weights).map(|(c, w)| value(c).expect("no I, O, Q") * w).sum::<u32>() % 11
    };
    // The worked examples of the rule, then ours.
    assert_eq!((check("1G4AH59H05G118341"), check("1J9RP1A30A1644345")), (4, 6));
    let vin = standin::VIN;
    assert_eq!(vin.len(), 17);
    assert_eq!(vin.chars().nth(8).and_then(|c| c.to_digit(10)), Some(check(vin)));
    // Position 7 alphabetic and position 10 `J`: 2018 (49 CFR 565.15(b)).
    assert!(vin.as_bytes()[6].is_ascii_alphabetic() && vin.as_bytes()[9] == b'J' && vin.starts_with("GTW"));
    let mut t = Tester::plain("fell?script=idle");
    assert_eq!(whole(&t.lines("0902")), [&[0x49, 2, 1], vin.as_bytes()].concat());
}

/// Support bitmaps and data agree: every supported PID answers, with the length of the tables; others do not.
#[test]
fn every_supported_pid_answers_with_its_length() {
    let length = |pid: u8| match pid {
        0x01 | 0x34 | 0x41 | 0x9D | 0xA4 | 0xA6 => 4,
        0x03 | 0x0C | 0x10 | 0x15 | 0x1F | 0x21 | 0x31 | 0x3C | 0x42 | 0x43 | 0x44 | 0x4D | 0x4E | 0x5E | 0x63 => 2,
        0x67 => 3,
        0x68 => 7,
        _ => 1,
    };
    let mut t = Tester::plain("fell?script=cruise&start=200");
    for header in ["7E0", "7E1"] {
        t.ask(&format!("ATSH{header}"));
        let mut supported = Vec::new();
        let mut base = 0_u8;
        loop {
            let reply = whole(&t.lines(&format!("01{base:02X}1")));
            let map = u32::from_be_bytes(reply[2..6].try_into().expect("four bytes"));
            supported.extend((1..=0x1F_u8).filter(|n| map >> (0x20 - n) & 1 == 1).map(|n| base + n));
            if map & 1 == 0 {
                break;
            }
            base += 0x20;
        }
        assert!(supported.len() >= 6, "{supported:02X?}");
        for pid in (1..=0xC0_u8).filter(|pid| pid % 0x20 != 0) {
            let reply = whole(&t.lines(&format!("01{pid:02X}")));
            if supported.contains(&pid) {
                assert_eq!((&reply[..2], reply.len()), (&[0x41, pid][..], 2 + length(pid)), "{header} {pid:02X}");
            } else {
                // Physical: refused. Out of range is 31 (reference page 3.2).
                assert_eq!(reply, [0x7F, 1, 0x31], "{header} {pid:02X}");
            }
        }
    }
}

/// Values in their published scaling (reference page 1.3 to 1.7), for a steady cruise at 90 km/h.
#[test]
fn values_are_packed_as_the_tables_say() {
    let mut t = Tester::plain("fell?script=cruise&start=460");
    let mut pid = |pid: &str| -> Vec<u8> {
        whole(&{
            t.ask("ATSH7E0");
            t.lines(&format!("01{pid}"))
        })[2..]
            .to_vec()
    };
    let word = |b: &[u8]| f64::from(u16::from_be_bytes([b[0], b[1]]));
    let speed = f64::from(pid("0D")[0]);
    assert!((88.0..=92.0).contains(&speed), "{speed} km/h");
    // Fifth gear: v / (2 pi 0.298 m) * 0.76 * 4.05, 60 per minute.
    let rpm = word(&pid("0C")) / 4.0;
    assert!((rpm / (90.0 / 3.6 / (std::f64::consts::TAU * 0.298) * 0.76 * 4.05 * 60.0) - 1.0).abs() < 0.03, "{rpm}");
    let coolant = f64::from(pid("05")[0]) - 40.0;
    assert!((80.0..96.0).contains(&coolant), "{coolant} degC");
    let (air, map, intake) = (word(&pid("10")) / 100.0, f64::from(pid("0B")[0]), f64::from(pid("0F")[0]) - 40.0);
    // Speed-density with the published gas constant (reference page 9.2): a filling that engines have.
    let filling = air / (map * 1000.0 / (287.0 * (intake + 273.15)) * 1.598e-3 * rpm / 120.0 * 1000.0);
    assert!((0.75..0.95).contains(&filling), "{filling}");
    // PID 43: air per stroke over 1.184 g/L.
    let load = word(&pid("43")) * 100.0 / 255.0;
    assert!((load - air * 120.0 / rpm / (1.184 * 1.598) * 100.0).abs() < 2.5, "{load}");
    let lambda = word(&pid("34")) * 2.0 / 65_536.0;
    assert!((lambda - 1.0).abs() < 0.03, "{lambda}");
    assert_eq!(pid("03"), [2, 0], "closed loop");
    let (full, half) = (f64::from(pid("49")[0]), f64::from(pid("4A")[0]));
    assert!((full - 2.0 * half).abs() <= 4.0, "half slope: {full} {half}");
    let volts = word(&pid("42")) / 1000.0;
    assert!((13.5..=14.8).contains(&volts), "{volts}");
    // Fuel rate by stoichiometry: 14.7 to 1 and 745 g/L.
    let litres = word(&pid("5E")) / 20.0;
    assert!((litres - air / 14.7 / 745.0 * 3600.0).abs() < 0.5, "{litres}");
    let kilometres = f64::from(u32::from_be_bytes(pid("A6").try_into().expect("four bytes"))) / 10.0;
    assert!((61_408.0..61_420.0).contains(&kilometres), "{kilometres}");
}

#[test]
fn several_parameters_in_one_request() {
    let mut t = Tester::plain("fell?script=idle");
    t.ask("ATSH7E0");
    let reply = whole(&t.lines("010C0D05"));
    // Service, then each PID with its data, in the order asked (reference page 1.9, last row).
    assert_eq!((reply.len(), reply[0], reply[1], reply[4], reply[6]), (8, 0x41, 0x0C, 0x0D, 0x05));
    // What is not supported is left out.
    assert_eq!(whole(&t.lines("010DFE05")).len(), 5);
    // Six go in one request; an older car takes one only.
    assert_eq!(whole(&t.lines("0104050C0D0F10")).len(), 15);
    let mut old = Tester::plain("fell?script=idle&pids=1&dids=2");
    assert_eq!(old.bytes("7E0", "010C0D"), "7F0112");
    assert_eq!(old.bytes("7E2", "22D011D012F195"), "7F2214");
    assert_eq!(old.bytes("7E0", "010D"), "410D00");
    // Everyone is asked: each answers what it has; the gearbox has no coolant sensor.
    t.ask("ATSH7DF");
    let lines = t.lines("010D05");
    let both: Vec<usize> = lines.split('|').map(|line| whole(line).len()).collect();
    assert_eq!(both, [5, 3], "{lines}");
}

/// ISO 14229 layouts (reference page 3.1, worked bytes) and who answers what.
#[test]
fn uds_services() {
    let mut t = Tester::plain("fell?script=cruise&start=200");
    assert_eq!(t.bytes("7E2", "1003"), "500300 3201F4".replace(' ', ""));
    assert_eq!(t.bytes("7E2", "3E00"), "7E00");
    assert_eq!(t.lines("3E80"), "NO DATA");
    assert_eq!(t.bytes("7E2", "22F1"), "7F2213");
    assert_eq!(t.bytes("7E2", "22FFFF"), "7F2231");
    assert_eq!(t.bytes("7E2", "1085"), "7F1012");
    assert_eq!(t.bytes("7E2", "0100"), "7F0111");
    assert_eq!(t.bytes("7E0", "1001"), "7F1011");
    assert_eq!(t.bytes("7E2", "190108"), "5901FF010000");
    assert_eq!(t.bytes("7E2", "190208"), "5902FF");
    assert_eq!(t.bytes("7E3", "14FFFFFF"), "54");
    assert_eq!(t.bytes("7E3", "14FFFF33"), "7F1431");
    t.ask("ATSH7E2");
    let wheels = whole(&t.lines("22D010"));
    assert_eq!((&wheels[..3], wheels.len()), (&[0x62, 0xD0, 0x10][..], 11));
    for wheel in wheels[3..].chunks(2) {
        let kmh = f64::from(u16::from_be_bytes([wheel[0], wheel[1]])) / 100.0;
        assert!((48.0..52.0).contains(&kmh), "{kmh}");
    }
    let all = whole(&t.lines("190A"));
    assert_eq!((&all[..3], (all.len() - 3) % 4), (&[0x59, 0x0A, 0xFF][..], 0));
    // Everyone is asked for the VIN: engine, gearbox, brake, body.
    t.ask("ATSH7DF");
    t.ask("ATFCSM0");
    let lines = t.lines("22F195");
    let from: Vec<&str> = lines.split('|').map(|line| &line[..3]).collect();
    assert_eq!(from, ["7E8", "7EA", "7E9", "7EB"], "in the order of their answer times");
    // Services 01 to 0A: brake and body stay silent, and so does everyone with nothing to say.
    assert_eq!(t.lines("0100").split('|').count(), 2);
    assert_eq!(t.lines("01FE"), "NO DATA");
}

#[test]
fn busy_pending_and_silent_modules() {
    let mut t = Tester::plain("fell?script=idle&busy=engine:1&pending=brake:1:400&silent=body:0:1000");
    assert_eq!(t.bytes("7E0", "010C"), "7F0121");
    t.ask("ATSH7E2");
    // The adapter would give up after what it has learnt; a client that expects "pending" waits longer.
    t.ask("ATAT0");
    t.ask("ATSTFF");
    let before = t.port.now();
    assert_eq!(t.lines("22F1952"), "7EA037F2278|7EA0762F19531314333");
    assert!((0.4..0.5).contains(&((t.port.now() - before) as f64 / 1e9)));
    t.ask("ATSH7E3");
    assert_eq!(t.lines("22F195"), "NO DATA");
}

/// Codes follow from a fault: pending in the first drive cycle, stored, permanent and with the lamp in the second
/// (two-trip rule and code life: reference page 5.4 and 6.2).
#[test]
fn a_misfire_becomes_a_code() {
    let spec = "fell?fault=misfire-coil:2:0.8";
    let code = |service: u8| vec![service, 1, 0x03, 0x02];
    let ask = |start: u32, request: &str| {
        let mut t = Tester::plain(&format!("{spec}&start={start}"));
        t.ask("ATSH7E0");
        whole(&t.lines(request))
    };
    assert_eq!(ask(5, "07"), [0x47, 0]);
    // First cycle: until the engine is stopped for fuel at about 590 s.
    assert_eq!(ask(560, "07"), code(0x47));
    assert_eq!(ask(560, "03"), [0x43, 0]);
    assert_eq!(ask(560, "0101")[2] & 0x80, 0, "lamp off");
    let mut t = Tester::plain(&format!("{spec}&start=1000"));
    t.ask("ATSH7E0");
    assert_eq!(whole(&t.lines("03")), code(0x43));
    assert_eq!(whole(&t.lines("0A")), code(0x4A));
    assert_eq!(whole(&t.lines("0101"))[2], 0x81, "lamp on, one code");
    // The frozen moment belongs to that code and lies under load.
    assert_eq!(whole(&t.lines("020200")), [0x42, 0x02, 0x00, 0x03, 0x02]);
    let load = whole(&t.lines("020400"));
    assert_eq!((load.len(), &load[..3]), (4, &[0x42, 4, 0][..]));
    assert_eq!(whole(&t.lines("0201")), [0x7F, 2, 0x12], "pairs of PID and frame");
    // Service 06: cylinder 2 is MID A3; counts of this cycle in TID 0C, average in 0B (reference page 1.11).
    let monitor = whole(&t.lines("06A3"));
    assert_eq!((monitor.len(), &monitor[..4]), (19, &[0x46, 0xA3, 0x0B, 0x24][..]));
    assert_eq!(monitor[10..13], [0xA3, 0x0C, 0x24]);
    let count = u16::from_be_bytes([monitor[13], monitor[14]]);
    let own = whole(&t.lines("22D201"));
    assert!(count > 50 && own[5..7] == monitor[13..15], "{count} {own:02X?}");
    // The engine runs: no clearing now.
    assert_eq!(whole(&t.lines("04")), [0x7F, 4, 0x22]);
}

#[test]
fn clearing_leaves_permanent_codes_and_incomplete_monitors() {
    // The third stop for fuel, engine off.
    let mut t = Tester::plain("fell?fault=misfire-coil:2:0.8&start=1538");
    t.ask("ATSH7E0");
    assert_eq!(whole(&t.lines("010C"))[2..], [0, 0], "engine stopped");
    assert_eq!(whole(&t.lines("03"))[1], 1);
    assert_eq!(whole(&t.lines("0101"))[5], 0, "all ready");
    assert_eq!(whole(&t.lines("04")), [0x44]);
    assert_eq!(whole(&t.lines("03")), [0x43, 0]);
    assert_eq!(whole(&t.lines("0A")), [0x4A, 1, 3, 2]);
    // Lamp off, no codes; fitted: catalyst, evap, oxygen sensor, heater, valve timing; none complete.
    assert_eq!(whole(&t.lines("0101"))[2..], [0x00, 0x77, 0xE5, 0xE5]);
    assert_eq!(whole(&t.lines("020200"))[3..], [0, 0]);
    assert_eq!(whole(&t.lines("020500")), [0x7F, 2, 0x31]);
    assert_eq!(whole(&t.lines("0130"))[2], 0);
}

#[test]
fn other_faults_set_their_own_codes() {
    let codes = |spec: &str, header: &str, request: &str| {
        let mut t = Tester::plain(spec);
        t.ask(&format!("ATSH{header}"));
        whole(&t.lines(request))
    };
    let has = |reply: &[u8], code: [u8; 2]| reply.windows(2).any(|pair| pair == code);
    assert!(has(&codes("fell?fault=air-leak:0.8&script=idle&start=300", "7E0", "07"), [0x01, 0x71]));
    assert!(has(&codes("fell?fault=thermostat:1&script=warmup&start=800", "7E0", "07"), [0x01, 0x28]));
    assert!(has(&codes("fell?fault=air-meter:1&script=cruise&start=700", "7E0", "07"), [0x01, 0x71]));
    assert!(has(&codes("fell?fault=pedal-wear:1:1:40:20&script=pedal&start=100", "7E0", "03"), [0x21, 0x38]));
    // Left rear sensor: C0037, two-byte code 4037 (reference page 2.1 and 2.4).
    assert!(has(&codes("fell?fault=wheel-dropout:rear_left:1&start=120", "7E2", "190208"), [0x40, 0x37]));
    assert!(has(&codes("fell?fault=generator:1&script=idle&start=60", "7E3", "190208"), [0x05, 0x62]));
    // And a healthy car sets none.
    for (header, request) in [("7E0", "03"), ("7E0", "07"), ("7E1", "07")] {
        assert_eq!(codes("fell?start=990", header, request)[1], 0, "{header} {request}");
    }
    assert_eq!(codes("fell?start=990", "7E2", "190208"), [0x59, 2, 0xFF]);
}
