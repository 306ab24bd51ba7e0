//! DBC files, against what the general-purpose CAN database library cantools 45.1.0 reads from the same files: every
//! message, every signal, and six payloads per message with their decoded values.
//!
//! The expectations lie beside the files in the open data sets `dbc_cases` (test files of cantools, MIT) and
//! `dbc_vehicles` (opendbc, MIT); without them the tests are skipped.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a test fails by panicking")]

use std::collections::BTreeMap;
use std::io::Read;
use std::path::{Path, PathBuf};

use definition::{Conversion, Encoding, FrameDecoder, Message, dbc};
use protocol::CanId;
use serde_json::Value;

fn data(name: &str) -> Option<PathBuf> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../../shared/data").join(name);
    if !folder.is_dir() {
        eprintln!("skipped: {} is not there", folder.display());
    }
    folder.is_dir().then_some(folder)
}

fn files(folder: &Path) -> Vec<PathBuf> {
    let mut files: Vec<PathBuf> = std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path()).collect();
    files.retain(|file| file.extension().is_some_and(|ending| ending == "dbc"));
    files.sort();
    files
}

fn expected(file: &Path) -> Value {
    let packed = std::fs::File::open(file.with_extension("expected.json.gz")).unwrap();
    let mut text = String::new();
    flate2::read::GzDecoder::new(packed).read_to_string(&mut text).unwrap();
    serde_json::from_str(&text).unwrap()
}

fn close(a: f64, b: f64) -> bool {
    (a - b).abs() <= 1e-12 * a.abs().max(b.abs()) || a == b
}

/// Start bit in the numbering of the format, from our place.
fn start_bit(bits: &definition::Bits) -> u64 {
    if bits.little_endian {
        return (bits.byte * 8) as u64 + u64::from(bits.bit);
    }
    let lowest = (bits.end() * 8) as u64 - u64::from(bits.bit);
    let from_top = lowest - u64::from(bits.bits);
    from_top / 8 * 8 + 7 - from_top % 8
}

fn check_message(file: &str, message: &Message, expected: &Value) {
    let name = expected["name"].as_str().unwrap();
    let at = format!("{file} {name}");
    assert_eq!(message.name, name, "{file}");
    assert_eq!(message.n_bytes as u64, expected["length"], "{at}");
    assert_eq!(message.cycle_ms, expected["cycle_time"].as_f64(), "{at}");
    let mut senders: Vec<&str> = expected["senders"].as_array().unwrap().iter().map(|s| s.as_str().unwrap()).collect();
    let mut own: Vec<&str> = message.senders.iter().map(String::as_str).collect();
    senders.sort_unstable();
    own.sort_unstable();
    assert_eq!(own, senders, "{at}");
    let rows = expected["signals"].as_array().unwrap();
    assert_eq!(message.signals.len(), rows.len(), "{at}");
    for row in rows {
        let name = row["name"].as_str().unwrap();
        let at = format!("{at} {name}");
        let signal = message.signals.iter().find(|signal| signal.name == name).unwrap_or_else(|| panic!("{at}"));
        let bits = signal.coded.bits;
        assert_eq!(bits.little_endian, row["byte_order"] == "little_endian", "{at}");
        assert_eq!(start_bit(&bits), row["start"], "{at}");
        assert_eq!(u64::from(bits.bits), row["length"], "{at}");
        assert_eq!(bits.encoding == Encoding::Float, row["float"].as_bool().unwrap(), "{at}");
        if bits.encoding != Encoding::Float {
            assert_eq!(bits.encoding == Encoding::TwosComplement, row["signed"].as_bool().unwrap(), "{at}");
        }
        let Conversion::Linear { multiply, divide: 1.0, offset } = signal.coded.conversion else { panic!("{at}") };
        assert!(close(multiply, row["scale"].as_f64().unwrap()), "{at}");
        assert!(close(offset, row["offset"].as_f64().unwrap()), "{at}");
        assert_eq!(signal.is_selector, row["mux_selector"].as_bool().unwrap(), "{at}");
        if let (Some(low), Some(high)) = (row["minimum"].as_f64(), row["maximum"].as_f64())
            && low < high
        {
            let limits = signal.limits.unwrap();
            assert!(close(limits.0, low) && close(limits.1, high), "{at}");
        }
        let unit = row["unit"].as_str().unwrap_or_default();
        assert_eq!(signal.unit, signal::Unit::named(unit), "{at}");
        let texts: BTreeMap<String, &str> =
            signal.coded.texts.iter().map(|state| (format!("{}", state.raw.low), state.text.as_str())).collect();
        let choices = row["choices"].as_object().unwrap();
        assert_eq!(texts.len(), choices.len(), "{at}");
        for (raw, text) in choices {
            // Whole numbers beyond 2^53 are kept as doubles.
            let key = format!("{}", raw.parse::<f64>().unwrap());
            assert_eq!(texts.get(&key), text.as_str().as_ref(), "{at} {raw}");
        }
        let ids: Option<Vec<i128>> =
            row["mux_ids"].as_array().map(|ids| ids.iter().map(|id| id.as_i64().unwrap().into()).collect());
        match (&signal.multiplexed, ids) {
            (None, None) => {}
            (Some(multiplexed), Some(ids)) => {
                assert_eq!(row["mux_signal"], message.signals[multiplexed.selector].name, "{at}");
                let mut own: Vec<i128> = multiplexed.values.iter().flat_map(|(low, high)| *low..=*high).collect();
                own.sort_unstable();
                own.dedup();
                assert_eq!(own, ids, "{at}");
            }
            (own, ids) => panic!("{at}: {own:?}, expected {ids:?}"),
        }
    }
}

/// Whether two signals share a bit.
fn overlaps(message: &Message) -> bool {
    let bits_of = |signal: &definition::BroadcastSignal| {
        let mut data = vec![0; 64];
        let Conversion::Linear { .. } = signal.coded.conversion else { return data };
        let raw = definition::Raw::Whole(if signal.coded.bits.encoding == Encoding::TwosComplement {
            -1
        } else {
            (1 << signal.coded.bits.bits) - 1
        });
        signal.coded.bits.write(raw, &mut data).unwrap();
        data
    };
    let masks: Vec<Vec<u8>> = message.signals.iter().map(bits_of).collect();
    let share = |a: &[u8], b: &[u8]| a.iter().zip(b).any(|(a, b)| a & b != 0);
    masks.iter().enumerate().any(|(idx, a)| masks[..idx].iter().any(|b| share(a, b)))
}

/// How many payloads were decoded and compared.
fn check_payloads(file: &str, messages: &[Message], message: &Message, expected: &Value) -> usize {
    let decoder = FrameDecoder::new(messages);
    let names: Vec<(&str, &str)> = messages
        .iter()
        .flat_map(|message| message.signals.iter().map(|signal| (message.name.as_str(), signal.name.as_str())))
        .collect();
    let vectors = expected["vectors"].as_array().unwrap();
    for vector in vectors {
        let hex = vector["payload"].as_str().unwrap();
        let payload: Vec<u8> =
            (0..hex.len() / 2).map(|idx| u8::from_str_radix(&hex[2 * idx..2 * idx + 2], 16).unwrap()).collect();
        let mut values = BTreeMap::new();
        assert!(decoder.decode(message.id, &payload, |idx, value| {
            assert_eq!(names[idx].0, message.name);
            values.insert(names[idx].1, value);
        }));
        let at = format!("{file} {} {hex}", message.name);
        let Some(decoded) = vector["decoded"].as_object() else {
            // The library refuses all of a frame whose selector has an unknown value; ours gives what does not depend
            // on it.
            // And it refuses all of a message in which signals overlap or reach beyond its end.
            let is_multiplexed = message.signals.iter().any(|signal| signal.multiplexed.is_some());
            let reaches_beyond = message.signals.iter().any(|signal| signal.coded.bits.end() > message.n_bytes);
            assert!(is_multiplexed || reaches_beyond || overlaps(message), "{at}");
            let n_within = message.signals.iter().filter(|signal| signal.coded.bits.end() <= payload.len()).count();
            assert!(is_multiplexed || values.len() == n_within, "{at}");
            continue;
        };
        for (name, value) in decoded {
            match (value.as_f64(), values.remove(name.as_str())) {
                (Some(value), Some(own)) => assert!(close(own, value), "{at} {name}: {own}, expected {value}"),
                // No number: JSON has none for it.
                (None, None) => {}
                (value, own) => panic!("{at} {name}: {own:?}, expected {value:?}"),
            }
        }
        // Where the selector is marked with a small `m` without a number, the reference leaves out what depends on it,
        // although the file's extended multiplexing says when it is there.
        values.retain(|name, _| {
            let signal = message.signals.iter().find(|signal| signal.name == *name).unwrap();
            signal.multiplexed.as_ref().is_none_or(|row| message.signals[row.selector].is_selector)
        });
        assert!(values.is_empty(), "{at}: {values:?} not expected");
    }
    vectors.len()
}

fn check_folder(folder: &str) -> Option<(usize, usize)> {
    let (mut n_messages, mut n_payloads) = (0, 0);
    for path in files(&data(folder)?) {
        let file = path.file_name().unwrap().to_string_lossy().into_owned();
        let expected = expected(&path);
        let read = dbc::read(&std::fs::read(&path).unwrap(), &file).unwrap();
        if expected.get("load_error").is_some_and(|error| !error.is_null()) {
            continue;
        }
        let rows = expected["messages"].as_array().unwrap();
        assert_eq!(read.messages.len(), rows.len(), "{file} {:?}", read.problems);
        for row in rows {
            let (number, is_extended) = (row["frame_id"].as_u64().unwrap() as u32, row["extended"].as_bool().unwrap());
            let id = if is_extended { CanId::Extended(number) } else { CanId::Standard(number as u16) };
            let message = read.messages.iter().find(|message| message.id == id).unwrap();
            check_message(&file, message, row);
            n_payloads += check_payloads(&file, &read.messages, message, row);
            n_messages += 1;
        }
    }
    eprintln!("{folder}: {n_messages} messages, {n_payloads} payloads");
    Some((n_messages, n_payloads))
}

#[test]
fn every_message_of_the_importer_cases_is_decoded_as_by_the_reference() {
    if let Some((n_messages, n_payloads)) = check_folder("dbc_cases") {
        assert_eq!(n_messages, 77, "as the data set's page says");
        assert!(n_payloads > 400, "{n_payloads}");
    }
}

#[test]
fn every_message_of_real_vehicles_is_decoded_as_by_the_reference() {
    if let Some((n_messages, n_payloads)) = check_folder("dbc_vehicles") {
        assert!(n_messages > 100 && n_payloads > 600, "{n_messages} {n_payloads}");
    }
}

#[test]
fn files_that_the_reference_refuses_are_read_as_far_as_they_make_sense() {
    let Some(folder) = data("dbc_cases") else { return };
    let read = dbc::read(&std::fs::read(folder.join("issue_199.dbc")).unwrap(), "issue_199.dbc").unwrap();
    let said = read.problems.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n");
    assert!(said.contains("has more than 11 bits"), "{said}");
    assert!(read.problems.iter().all(|problem| problem.line > 1), "{said}");
    // A message name that starts with a digit, and one that starts with `!!`.
    let Some(folder) = data("dbc_vehicles") else { return };
    let read = dbc::read(&std::fs::read(folder.join("vehicle_01.dbc")).unwrap(), "vehicle_01.dbc").unwrap();
    assert!(read.messages.len() > 50, "{}", read.messages.len());
    let Some(folder) = data("ev_raw_can/dbc") else { return };
    let read = dbc::read(&std::fs::read(folder.join("bus0.dbc")).unwrap(), "bus0.dbc").unwrap();
    assert!(read.messages.len() > 30, "{}", read.messages.len());
}

/// A small file to break.
const SMALL: &str = "VERSION \"\"\n\nNS_ :\n\nBS_:\n\nBU_: A\n\nBO_ 291 Brake: 8 A\n SG_ Pressure : 7|16@0+ (0.5,-10) [-10|1000] \"kPa\" A\n \
                     SG_ Mode M : 16|8@1+ (1,0) [0|0] \"\" A\n SG_ Wear m1 : 24|8@1- (1,0) [0|0] \"%\" A\n\n\
                     CM_ SG_ 291 Pressure \"in the first circuit\";\nVAL_ 291 Mode 0 \"off\" 1 \"on\" ;\n";

#[test]
fn a_mistake_is_named_by_its_line_and_costs_no_other_signal() {
    let read = |from: &str, to: &str| {
        assert!(SMALL.contains(from));
        dbc::read(SMALL.replace(from, to).as_bytes(), "small.dbc")
    };
    let sound = read("A", "A").unwrap();
    assert_eq!((sound.messages[0].signals.len(), sound.problems.len()), (3, 0));
    assert_eq!(sound.messages[0].signals[0].title, "in the first circuit");
    assert_eq!(sound.messages[0].signals[0].id.as_str(), "custom.Brake.Pressure");
    for (from, to, line, said) in [
        ("(0.5,-10)", "(0,-10)", 10, "other than 0"),
        ("7|16@0+", "7|66@0+", 10, "no place"),
        ("7|16@0+", "63|16@0+", 10, "beyond the 8 bytes"),
        ("Mode M ", "Mode ", 12, "no selector"),
        ("SG_ Wear", "SG_ Mode", 12, "there already"),
    ] {
        let read = read(from, to).unwrap();
        let problems: Vec<_> = read.problems.iter().map(|problem| (problem.line, problem.to_string())).collect();
        assert!(problems.iter().any(|(at, text)| *at == line && text.contains(said)), "{problems:?}");
        assert!(read.messages[0].signals.len() >= 2);
    }
    let error = read("BO_ 291 Brake: 8 A", "BO_ 291 Brake: eight A").unwrap_err();
    assert_eq!(error.line, 9, "{error}");
    let cp1252 = [&SMALL.as_bytes()[..SMALL.find("kPa").unwrap()], b"\xB0C\" A\n"].concat();
    assert_eq!(dbc::read(&cp1252, "x.dbc").unwrap().messages[0].signals[0].unit.symbol(), "degC");
}

/// A signal that the file makes depend on a selector is in no frame when the selector is left out: the reference refuses
/// such a file.
#[test]
fn what_depends_on_a_selector_that_is_left_out_is_in_no_frame() {
    let sound = format!("{SMALL}SG_MUL_VAL_ 291 Wear Mode 1-1;\n");
    for (from, to) in [("Mode M : 16|8@1+ (1,0)", "Mode M : 16|8@1+ (0,0)"), ("Wear Mode 1-1", "Wear Mod 1-1")] {
        assert!(sound.contains(from));
        let read = dbc::read(sound.replace(from, to).as_bytes(), "x.dbc").unwrap();
        let problems: Vec<_> = read.problems.iter().map(|problem| (problem.line, problem.to_string())).collect();
        assert!(problems.iter().any(|(at, text)| *at == 12 && text.contains("no selector")), "{problems:?}");
        let wear = read.messages[0].signals.iter().position(|signal| signal.name == "Wear").unwrap();
        FrameDecoder::new(&read.messages).decode(CanId::Standard(291), &[0; 8], |idx, _| assert_ne!(idx, wear));
    }
}

proptest::proptest! {
    #[test]
    fn rubbish_and_damage_are_refused_or_read_without_a_panic(
        at in 0usize..600, with in proptest::collection::vec(proptest::num::u8::ANY, 0..6),
        frame in proptest::collection::vec(proptest::num::u8::ANY, 0..12),
    ) {
        let mut bytes = SMALL.as_bytes().to_vec();
        let at = at.min(bytes.len());
        let until = (at + 2).min(bytes.len());
        bytes.splice(at..until, with);
        if let Ok(read) = dbc::read(&bytes, "x.dbc") {
            let decoder = FrameDecoder::new(&read.messages);
            for message in &read.messages {
                decoder.decode(message.id, &frame, |_, value| assert!(value.is_finite()));
            }
        }
    }

    #[test]
    fn any_bytes_are_no_panic(bytes in proptest::collection::vec(proptest::num::u8::ANY, 0..200)) {
        let _ = dbc::read(&bytes, "x.dbc");
    }
}
