//! Whole replies of services 01 to 0A: good, refused, foreign, damaged, and partly good.
//!
//! Layouts: SAE J1979 / ISO 15031-5 as public tables and a general-purpose packet library give them; the forms without
//! CAN from memory.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a test fails by panicking")]

use protocol::obd::info::{self, Info};
use protocol::obd::monitors::{self, MonitorResult, TestVerdict};
use protocol::obd::{Pid, Scaling, codes, control, current, freeze, oxygen};
use protocol::{Hex, Problem, ReplyError};

fn bytes(hex: &str) -> Vec<u8> {
    hex.split_whitespace().map(|byte| u8::from_str_radix(byte, 16).unwrap()).collect()
}

#[test]
fn current_data_of_another_pid_or_service_is_foreign() {
    let asked = current::request(&[0x0C]);
    for reply in ["41 0D 3C", "42 0C 00 1A F8", "43 00", "41"] {
        let error = current::interpret(&asked, &bytes(reply)).unwrap_err();
        assert!(matches!(error, ReplyError::Foreign { .. }), "{reply}: {error}");
    }
    let error = current::interpret(&asked, &bytes("7F 01 12")).unwrap_err();
    assert_eq!(error.to_string(), "`01 0C` was refused: sub-function not supported (12)");
    assert_eq!(current::interpret(&asked, &[]).unwrap_err().to_string(), "no answer to `01 0C`");
}

#[test]
fn a_module_answers_only_what_it_has_and_in_its_own_order() {
    let asked = current::request(&[0x0C, 0x5C, 0x0D]);
    let read = current::interpret(&asked, &bytes("41 0D 3C 0C 1A F8")).unwrap();
    assert_eq!(read.value.iter().map(|part| part.pid).collect::<Vec<_>>(), [0x0D, 0x0C]);
    assert_eq!(read.problems, [Problem::Missing { what: "PID 5C".into() }]);
}

#[test]
fn an_echo_answers_once() {
    // Data bytes that look like an echo must not be taken for one, and a PID that comes twice is not an answer.
    let asked = current::request(&[0x0C, 0x0D]);
    let read = current::interpret(&asked, &bytes("41 0C 0D 0D 0D 0C 0C 1A F8")).unwrap();
    assert_eq!(read.value[0].data, [0x0D, 0x0D]);
    assert_eq!(read.value[1].data, [0x0C]);
    assert_eq!(read.problems, [Problem::LeftOver { what: "reply".into(), rest: Hex(bytes("0C 1A F8")) }]);
}

#[test]
fn too_few_and_too_many_bytes_cost_only_themselves() {
    let asked = current::request(&[0x24]);
    let cut = &current::interpret(&asked, &bytes("41 24 80 00 80")).unwrap().value[0].values();
    assert_eq!(cut.value.len(), 1, "lambda can still be read");
    assert_eq!(cut.problems, [Problem::Short { what: "PID 24".into(), need: 4, have: 3 }]);
    let long = &current::interpret(&asked, &bytes("41 24 80 00 80 00 07")).unwrap().value[0].values();
    assert_eq!(long.value.len(), 2);
    assert_eq!(long.problems, [Problem::LeftOver { what: "PID 24".into(), rest: Hex(vec![0x07]) }]);
}

#[test]
fn a_pid_that_grew_with_the_editions_takes_the_rest() {
    assert_eq!(Pid::find(0x6D).unwrap().fixed_length(), None);
    let asked = current::request(&[0x0D, 0x6D]);
    let read = current::interpret(&asked, &bytes("41 0D 3C 6D 07 0F A0 0F 9F 50 01 02 03 04 05")).unwrap();
    assert_eq!(read.problems, []);
    let values = read.value[1].values();
    assert_eq!(values.problems, []);
    let numbers: Vec<_> = values.value.iter().map(|value| (value.name, value.content.number())).collect();
    assert_eq!(
        numbers,
        [
            ("commanded_rail_pressure", Some(40000.0)),
            ("rail_pressure", Some(39990.0)),
            ("fuel_temperature", Some(40.0)),
            ("bytes", None)
        ]
    );
}

#[test]
fn freeze_frames_belong_to_a_frame() {
    let asked = freeze::request(&[0x0C, 0x05], 0);
    assert_eq!(asked, bytes("02 0C 00 05 00"));
    let read = freeze::interpret(&asked, &bytes("42 0C 00 0B B8 05 00 7B")).unwrap();
    assert_eq!(read.problems, []);
    assert_eq!(read.value[0].values().value[0].content.number(), Some(750.0));
    assert_eq!(read.value[1].values().value[0].content.number(), Some(83.0));
    let other_frame = freeze::interpret(&asked, &bytes("42 0C 01 0B B8"));
    assert!(matches!(other_frame, Err(ReplyError::Foreign { .. })));
    let cut = freeze::code(&freeze::request(&[0x02], 0), &bytes("42 02 00 03"));
    assert!(matches!(cut, Err(ReplyError::Malformed { .. })));
}

#[test]
fn code_lists_on_can() {
    for list in codes::CodeList::ALL {
        let asked = codes::request(list);
        let reply = [&[list.service() + 0x40][..], &bytes("01 C1 00")].concat();
        assert_eq!(codes::interpret(&asked, &[&reply], true).unwrap().value[0].to_string(), "U0100");
    }
    let asked = codes::request(codes::CodeList::Pending);
    let none = codes::interpret(&asked, &[&bytes("47 00")], true).unwrap();
    assert!(none.value.is_empty() && none.problems.is_empty());
    let lies = codes::interpret(&asked, &[&bytes("47 03 03 01 01")], true).unwrap();
    assert_eq!(lies.value.len(), 1);
    assert_eq!(
        lies.problems,
        [
            Problem::Count { what: "codes".into(), said: 3, have: 1 },
            Problem::LeftOver { what: "codes".into(), rest: Hex(vec![0x01]) }
        ]
    );
    assert!(matches!(codes::interpret(&asked, &[&bytes("47")], true), Err(ReplyError::Malformed { .. })));
    assert!(matches!(codes::interpret(&asked, &[], true), Err(ReplyError::NoAnswer { .. })));
    assert!(matches!(codes::interpret(&asked, &[&bytes("43 00")], true), Err(ReplyError::Foreign { .. })));
}

#[test]
fn code_lists_without_can_come_in_threes() {
    let asked = codes::request(codes::CodeList::Stored);
    let messages = [bytes("43 03 01 01 71 04 20"), bytes("43 C1 00 00 00 00 00"), bytes("43 03 01 00 00 00 00")];
    let read = codes::interpret(&asked, &messages.each_ref().map(Vec::as_slice), false).unwrap();
    assert_eq!(read.value.iter().map(ToString::to_string).collect::<Vec<_>>(), ["P0301", "P0171", "P0420", "U0100"]);
    assert_eq!(read.problems, []);
    let one_bad = [bytes("43 03 01 00 00 00 00"), bytes("47 00")];
    let read = codes::interpret(&asked, &one_bad.each_ref().map(Vec::as_slice), false).unwrap();
    assert_eq!(read.value.len(), 1);
    assert!(matches!(read.problems[..], [Problem::Message(_)]));
}

#[test]
fn oxygen_sensor_tests_without_can() {
    let asked = oxygen::request(0x01, 0x01);
    let threshold = oxygen::interpret(&asked, &bytes("45 01 01 5A")).unwrap();
    assert_eq!((threshold.value, threshold.limits, threshold.unit), (Some(0.45), None, "V"));
    let asked = oxygen::request(0x05, 0x01);
    let time = oxygen::interpret(&asked, &bytes("45 05 01 12 00 19")).unwrap();
    assert_eq!((time.value, time.limits, time.unit), (Some(0.072), Some((0.0, 0.1)), "s"));
    assert_eq!(oxygen::interpret(&oxygen::request(0x0A, 1), &bytes("45 0A 01 19 00 FF")).unwrap().value, Some(1.0));
    let own = oxygen::interpret(&oxygen::request(0x80, 1), &bytes("45 80 01 19 00 FF")).unwrap();
    assert_eq!((own.value, own.raw), (None, Hex(bytes("19 00 FF"))));
    assert!(matches!(oxygen::interpret(&asked, &bytes("45 05 02 12")), Err(ReplyError::Foreign { .. })));
    assert!(matches!(oxygen::interpret(&asked, &bytes("45 05 01 12 00")), Err(ReplyError::Malformed { .. })));
    assert!(matches!(oxygen::interpret(&asked, &bytes("45 05")), Err(ReplyError::Malformed { .. })));
}

fn result(scaling: u8, value: u16, min: u16, max: u16) -> MonitorResult {
    MonitorResult { mid: 0x21, tid: 0x80, scaling, value, min, max }
}

#[test]
fn monitor_results_pass_within_their_limits_with_their_sign() {
    for (scaling, value, min, max, verdict) in [
        (0x0A, 5, 5, 9, TestVerdict::Passed),
        (0x0A, 9, 5, 9, TestVerdict::Passed),
        (0x0A, 4, 5, 9, TestVerdict::Failed),
        (0x0A, 10, 5, 9, TestVerdict::Failed),
        // -1 within -2 .. 1, and the same bits unsigned.
        (0x8A, 0xFFFF, 0xFFFE, 1, TestVerdict::Passed),
        (0x0A, 0xFFFF, 0xFFFE, 1, TestVerdict::Failed),
        (0x8A, 0x8000, 0xFFFE, 1, TestVerdict::Failed),
        (0x24, 0, 0, 0, TestVerdict::NotRun),
        (0x24, 0, 0, 1, TestVerdict::Passed),
        // An id that no table names still has a sign.
        (0xC0, 0xFFFF, 0xFFF0, 0, TestVerdict::Passed),
    ] {
        assert_eq!(result(scaling, value, min, max).verdict(), verdict, "{scaling:02X} {value} in {min}..{max}");
    }
    assert_eq!(result(0x8C, 0xFFFF, 0x8000, 0x7FFF).limits(), Some((-327.68, 327.67)));
    assert_eq!(result(0x40, 1, 0, 1).physical(), None);
}

#[test]
fn monitor_replies_are_checked() {
    let asked = monitors::request(0x21);
    let good = "21 80 0A 00 05 00 00 00 09";
    let read = |tail: &str| monitors::interpret(&asked, &bytes(&format!("46 {tail}")));
    assert_eq!(read(good).unwrap().value, [result(0x0A, 5, 0, 9)].map(|r| MonitorResult { tid: 0x80, ..r }));
    let cut = read(&format!("{good} 21 81 0A")).unwrap();
    assert_eq!((cut.value.len(), cut.problems.len()), (1, 1));
    let other = read(&format!("{good} 22 80 0A 00 05 00 00 00 09")).unwrap();
    assert!(matches!(other.problems[..], [Problem::LeftOver { .. }]));
    assert!(matches!(read("22 80 0A 00 05 00 00 00 09"), Err(ReplyError::Foreign { .. })));
    assert!(matches!(read("21 80 0A"), Err(ReplyError::Malformed { .. })));
}

#[test]
fn monitors_have_names_at_the_edges_of_each_group() {
    // SAE J1979 appendix D, as a general-purpose packet library lists it.
    for (mid, title) in [
        (0x01, Some("oxygen sensor, bank 1 sensor 1")),
        (0x04, Some("oxygen sensor, bank 1 sensor 4")),
        (0x05, Some("oxygen sensor, bank 2 sensor 1")),
        (0x10, Some("oxygen sensor, bank 4 sensor 4")),
        (0x11, None),
        (0x21, Some("catalyst, bank 1")),
        (0x24, Some("catalyst, bank 4")),
        (0x25, None),
        (0x31, Some("EGR, bank 1")),
        (0x38, Some("variable valve timing, bank 4")),
        (0x39, Some("evaporative system, cap off or 0.150 inch leak")),
        (0x3D, Some("purge flow")),
        (0x41, Some("oxygen sensor heater, bank 1 sensor 1")),
        (0x50, Some("oxygen sensor heater, bank 4 sensor 4")),
        (0x84, Some("fuel system, bank 4")),
        (0xA1, Some("misfire, all cylinders")),
        (0xA2, Some("misfire, cylinder 1")),
        (0xAD, Some("misfire, cylinder 12")),
        (0xAE, None),
        (0xB1, Some("particulate filter, bank 2")),
    ] {
        assert_eq!(monitors::monitor_title(mid).as_deref(), title, "{mid:02X}");
    }
    for (cylinder, mid) in [(0, None), (1, Some(0xA2)), (12, Some(0xAD)), (13, None)] {
        assert_eq!(monitors::misfire_monitor(cylinder), mid);
        assert!(mid.is_none_or(|mid| monitors::cylinder_of(mid) == Some(cylinder)));
    }
    assert_eq!((monitors::cylinder_of(0xA1), monitors::cylinder_of(0xAE)), (None, None));
    assert_eq!(MonitorResult { mid: 0xA7, ..result(0x24, 0, 0, 0) }.cylinder(), Some(6));
    assert_eq!(MonitorResult { mid: 0x21, ..result(0x24, 0, 0, 0) }.cylinder(), None);
    let other = monitors::interpret_plain(&[0x06, 0x02], &[&bytes("46 03 01 00 05 00 07")]);
    assert!(matches!(other, Err(ReplyError::Foreign { .. })), "{other:?}");
    for (tid, known) in
        [(0x00, false), (0x01, true), (0x0C, true), (0x0D, false), (0x80, true), (0xFE, true), (0xFF, false)]
    {
        assert_eq!(monitors::test_title(tid).is_some(), known, "{tid:02X}");
    }
}

#[test]
fn results_without_can_have_one_limit() {
    let asked = monitors::request(0x05);
    let messages = [bytes("46 05 01 00 10 00 20"), bytes("46 05 81 00 10 00 20"), bytes("46 05 01 00 10")];
    let read = monitors::interpret_plain(&asked, &messages.each_ref().map(Vec::as_slice)).unwrap();
    let seen: Vec<_> = read.value.iter().map(|r| (r.component, r.limit_is_minimum, r.passed())).collect();
    assert_eq!(seen, [(1, false, true), (1, true, false)]);
    assert!(matches!(read.problems[..], [Problem::Message(_)]));
}

#[test]
fn every_scaling_id_has_the_sign_of_its_range() {
    for scaling in Scaling::all() {
        let (zero, one, top) = (scaling.value(0), scaling.value(1), scaling.value(0xFFFF));
        assert!(one > zero, "{:02X}", scaling.id);
        assert_eq!(top < zero, scaling.id >= 0x80, "{:02X}", scaling.id);
    }
    assert!(Scaling::all().map(|s| s.id).is_sorted_by(|a, b| a < b) && Scaling::all().count() > 70);
    // 0A: 0.122 mV per bit; 96: 0.1 degrees Celsius; 30: 0.001526 % (a general-purpose packet library).
    for (id, bits, value) in [(0x0A, 1000, 122.0), (0x0A, 0xFFFF, 7995.27), (0x30, 0xFFFF, 100.00641)] {
        let got = Scaling::find(id).unwrap().value(bits);
        assert!((got - value).abs() < 1e-6 * value, "{id:02X}: {got}");
    }
}

#[test]
fn information_on_can() {
    let read = |kind: u8, reply: &[u8]| info::interpret(&info::request(kind), &[reply], true).unwrap();
    assert_eq!(read(0x00, &bytes("49 00 55 40 00 00")).value, Info::Supported(vec![2, 4, 6, 8, 0x0A]));
    assert_eq!(read(0x01, &bytes("49 01 05")).value, Info::MessageCount(5));
    let two = [&bytes("49 04 02")[..], b"ABC-123\0\0\0\0\0\0\0\0\0", b"XYZ 4567890 ABCD"].concat();
    assert_eq!(read(info::CALIBRATIONS, &two).value, Info::Texts(vec!["ABC-123".into(), "XYZ 4567890 ABCD".into()]));
    let numbers = read(info::VERIFICATIONS, &bytes("49 06 02 12 34 56 78 00 00 BE EF"));
    assert_eq!(numbers.value, Info::Verifications(vec![Hex(bytes("12 34 56 78")), Hex(bytes("00 00 BE EF"))]));
    let name = [&bytes("49 0A 01")[..], b"ECM\0-EngineControl\0\0"].concat();
    assert_eq!(read(info::MODULE_NAME, &name).value, Info::Texts(vec!["ECM-EngineControl".into()]));
    assert_eq!(read(0x1B, &bytes("49 1B 01 02")).value, Info::Bytes(Hex(vec![1, 2])));
}

#[test]
fn information_on_can_that_is_not_quite_right() {
    let read = |kind: u8, reply: &[u8]| info::interpret(&info::request(kind), &[reply], true);
    let without_count = [&bytes("49 02")[..], b"1G4AH59H45G118341"].concat();
    let vin = Info::Texts(vec!["1G4AH59H45G118341".into()]);
    assert_eq!(read(info::VIN, &without_count).unwrap().value, vin);
    let cut = [&bytes("49 04 02")[..], b"ABC-123\0\0\0\0\0\0\0\0\0", b"XYZ"].concat();
    let cut = read(info::CALIBRATIONS, &cut).unwrap();
    assert_eq!(cut.value, Info::Texts(vec!["ABC-123".into(), "XYZ".into()]));
    assert_eq!(cut.problems.len(), 1);
    let odd = [&bytes("49 0A 01")[..], &[b'A', 0x07, 0xFF], &[0; 17]].concat();
    assert_eq!(read(info::MODULE_NAME, &odd).unwrap().value, Info::Texts(vec!["A\\x07\\xff".into()]));
    for reply in ["49 00 55 40", "49 01", "49 08 02 00 01"] {
        let kind = bytes(reply)[1];
        assert!(matches!(read(kind, &bytes(reply)), Err(ReplyError::Malformed { .. })), "{reply}");
    }
    assert!(matches!(read(info::VIN, &bytes("49 04 00")), Err(ReplyError::Foreign { .. })));
}

#[test]
fn compression_ignition_has_its_own_monitors() {
    let words: Vec<u8> = (1u16..=18).flat_map(u16::to_be_bytes).collect();
    let reply = [&bytes("49 0B 12")[..], &words].concat();
    let read = info::interpret(&info::request(info::COMPRESSION_PERFORMANCE), &[&reply], true).unwrap();
    assert_eq!(read.problems, []);
    let Info::Performance(performance) = read.value else { panic!("type 0B is in-use performance") };
    assert_eq!((performance.obd_conditions, performance.ignition_cycles), (1, 2));
    assert_eq!(performance.monitors.len(), 8);
    let (first, last) = (performance.monitors[0], performance.monitors[7]);
    assert_eq!((first.name, first.completions, first.conditions), ("NMHC catalyst", 3, 4));
    assert_eq!((last.name, last.completions, last.conditions), ("fuel system", 17, 18));
    // A newer edition with one more pair (SAE J1979, from memory): the module announced what it sent.
    let longer = [&bytes("49 0B 14")[..], &words, &bytes("00 21 00 43")].concat();
    let read = info::interpret(&info::request(info::COMPRESSION_PERFORMANCE), &[&longer], true).unwrap();
    let told: Vec<String> = read.problems.iter().map(ToString::to_string).collect();
    assert_eq!(told, ["in-use performance, compression ignition: `00 21 00 43` left over"]);
}

/// A VIN in five messages of four bytes, padded in front with three 00.
fn vin_messages() -> Vec<Vec<u8>> {
    let padded = [&[0, 0, 0][..], b"1G4AH59H45G118341"].concat();
    padded.chunks(4).zip(1u8..).map(|(piece, n)| [&[0x49, 0x02, n][..], piece].concat()).collect()
}

#[test]
fn information_without_can_comes_in_pieces() {
    let read = |kind: u8, messages: &[Vec<u8>]| {
        let messages: Vec<_> = messages.iter().map(Vec::as_slice).collect();
        info::interpret(&info::request(kind), &messages, false)
    };
    let vin = read(info::VIN, &vin_messages()).unwrap();
    assert_eq!((vin.value, vin.problems), (Info::Texts(vec!["1G4AH59H45G118341".into()]), vec![]));
    assert_eq!(read(0x01, &[bytes("49 01 05")]).unwrap().value, Info::MessageCount(5));
    assert_eq!(read(0x00, &[bytes("49 00 01 40 00 00 00")]).unwrap().value, Info::Supported(vec![2]));
    let numbers = read(info::VERIFICATIONS, &[bytes("49 06 01 12 34 56 78")]).unwrap();
    assert_eq!(numbers.value, Info::Verifications(vec![Hex(bytes("12 34 56 78"))]));
    let pieces: Vec<Vec<u8>> =
        b"ABC-123\0\0\0\0\0\0\0\0\0".chunks(4).zip(1u8..).map(|(p, n)| [&[0x49, 0x04, n][..], p].concat()).collect();
    assert_eq!(read(info::CALIBRATIONS, &pieces).unwrap().value, Info::Texts(vec!["ABC-123".into()]));
}

#[test]
fn a_lost_piece_is_never_papered_over() {
    let whole = vin_messages();
    for lost in 0..whole.len() {
        let mut messages = whole.clone();
        messages.remove(lost);
        let messages: Vec<_> = messages.iter().map(Vec::as_slice).collect();
        match info::interpret(&info::request(info::VIN), &messages, false) {
            Ok(read) => {
                assert!(!read.problems.is_empty(), "piece {lost} is missing and nothing was said");
                let Info::Texts(texts) = read.value else { panic!("a VIN is text") };
                assert!(texts.iter().all(|text| text.len() < 17), "{texts:?}");
            }
            Err(error) => assert!(matches!(error, ReplyError::Malformed { .. }), "{error}"),
        }
    }
}

#[test]
fn a_count_that_does_not_hold_is_said() {
    let two = [&bytes("49 06 03")[..], &bytes("12 34 56 78 00 00 BE EF")].concat();
    let read = info::interpret(&info::request(info::VERIFICATIONS), &[&two], true).unwrap();
    assert_eq!(read.problems.len(), 1, "three were said: {:?}", read.problems);
    // Twice the same message: on CAN there is one.
    let vin = [&bytes("49 02 01")[..], b"1G4AH59H45G118341"].concat();
    let read = info::interpret(&info::request(info::VIN), &[&vin, &vin], true).unwrap();
    assert_eq!((read.value, read.problems.len()), (Info::Texts(vec!["1G4AH59H45G118341".into()]), 1));
    // Words of in-use performance without CAN: two to a message.
    let messages = [bytes("49 08 01 00 05 00 07"), bytes("49 08 02 00 03 00 04")];
    let messages: Vec<&[u8]> = messages.iter().map(Vec::as_slice).collect();
    let read = info::interpret(&info::request(info::SPARK_PERFORMANCE), &messages, false).unwrap();
    let Info::Performance(performance) = read.value else { panic!("type 08 is in-use performance") };
    assert_eq!((performance.obd_conditions, performance.ignition_cycles), (5, 7));
    let pairs: Vec<_> = performance.monitors.iter().map(|pair| (pair.completions, pair.conditions)).collect();
    assert_eq!((pairs, read.problems), (vec![(3, 4)], vec![]));
}

#[test]
fn codes_without_can_may_be_none_at_all() {
    let asked = codes::request(codes::CodeList::Stored);
    assert_eq!(codes::interpret(&asked, &[&[0x43]], false).unwrap().value, []);
    assert!(matches!(codes::interpret(&asked, &[&[0x43]], true), Err(ReplyError::Malformed { .. })));
    let lists = codes::CodeList::ALL.map(|list| (list.service(), list.name()));
    assert_eq!(lists, [(0x03, "stored"), (0x07, "pending"), (0x0A, "permanent")]);
}

#[test]
fn clearing_and_control() {
    let asked = control::clear_request();
    assert_eq!(control::clear_interpret(&asked, &[0x44]), Ok(()));
    let refused = control::clear_interpret(&asked, &bytes("7F 04 22")).unwrap_err();
    assert_eq!(refused.to_string(), "`04` was refused: conditions not correct (22)");
    assert!(matches!(control::clear_interpret(&asked, &bytes("44 00")), Err(ReplyError::Malformed { .. })));
    let asked = control::request(0x01, &[0; 5]);
    assert_eq!(asked, bytes("08 01 00 00 00 00 00"));
    assert_eq!(control::interpret(&asked, &bytes("48 01 00 00")), Ok([0, 0].as_slice()));
    assert!(matches!(control::interpret(&asked, &bytes("48 02 00")), Err(ReplyError::Foreign { .. })));
}
