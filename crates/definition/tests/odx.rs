//! Diagnostic descriptions (ISO 22901-1), against the general-purpose library odxtools 11.7.1: the example that comes with
//! it, and a file of our own that has a part of every kind; requests and responses, from bytes to values and back.
//!
//! The example lies in the open data set `odx_example` (MIT), the library is named by the environment variable
//! `WITNESS_PYTHON`; without either the comparison is skipped.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a test fails by panicking")]

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::Command;

use definition::odx::{Database, LayerKind, Service, Value};
use definition::{Definitions, Range, Read};
use protocol::Address;
use serde_json::Value as Json;

const PARTS: &str = include_str!("data/parts.odx-d");

fn parts() -> Database {
    Database::read(PARTS.as_bytes(), "parts.odx-d").unwrap()
}

fn example(name: &str) -> Option<PathBuf> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../../shared/data/odx_example").join(name);
    if !path.exists() {
        eprintln!("skipped: {} is not there", path.display());
    }
    path.exists().then_some(path)
}

fn bytes(hex: &str) -> Vec<u8> {
    (0..hex.len() / 2).map(|idx| u8::from_str_radix(&hex[2 * idx..2 * idx + 2], 16).unwrap()).collect()
}

/// Whether a value is the one that the reference printed. What it prints of reserved bits is nothing to anyone.
fn same(own: &Value, other: &Json) -> bool {
    let close = |a: f64, b: f64| a == b || (a - b).abs() <= 1e-12 * a.abs().max(b.abs()) || (a.is_nan() && b.is_nan());
    match own {
        Value::Number(number) => other.as_f64().is_some_and(|other| close(*number, other)),
        Value::Text(text) => other.as_str() == Some(text),
        Value::Bytes(own) => match other {
            Json::Object(_) => other["bytes"].as_str().is_some_and(|hex| bytes(hex) == *own),
            // What repeats the request is a number there.
            _ => other.as_u64() == Some(own.iter().fold(0, |sum, byte| sum << 8 | u64::from(*byte))),
        },
        Value::Code(number) => other["code"].as_u64() == Some(*number),
        Value::Case(name, value) => {
            let rows = other["case"].as_array();
            rows.is_some_and(|rows| {
                rows[0].as_str() == Some(name) && (is_empty(value, &rows[1]) || same(value, &rows[1]))
            })
        }
        Value::List(items) => {
            let rows = other["list"].as_array();
            rows.is_some_and(|rows| rows.len() == items.len() && items.iter().zip(rows).all(|(a, b)| same(a, b)))
        }
        Value::Structure(parameters) => {
            let Some(rows) = other["structure"].as_array() else { return false };
            let of_name: BTreeMap<&str, &Json> = rows.iter().map(|row| (row[0].as_str().unwrap(), &row[1])).collect();
            parameters.iter().all(|(name, value)| of_name.get(name.as_str()).is_some_and(|other| same(value, other)))
        }
    }
}

fn is_empty(value: &Value, other: &Json) -> bool {
    let nothing = other.is_null() || other["structure"].as_array().is_some_and(Vec::is_empty);
    matches!(value, Value::Structure(parameters) if parameters.is_empty()) && nothing
}

#[derive(Debug, Default)]
struct Counts {
    /// Messages that both read, with the same values.
    read: usize,
    /// Messages that both make of the same values, with the same bytes.
    made: usize,
    /// Messages that both refuse.
    refused: usize,
}

/// What ours says of bytes that the reference reads nevertheless.
const LENIENT: [&str; 4] = ["digits are none", "is not the constant", "none of its values", "have whole bytes"];

fn compare(file: &Path, standard: &Path, database: &Database, skip: impl Fn(&str) -> bool) -> Option<Counts> {
    let Some(python) = std::env::var_os("WITNESS_PYTHON") else {
        eprintln!("skipped: WITNESS_PYTHON does not name a Python with `odxtools`");
        return None;
    };
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/oracle/odx_pairs.py");
    let output = Command::new(python).arg(script).arg(file).arg(standard).arg("40").output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let mut counts = Counts::default();
    let text = String::from_utf8(output.stdout).unwrap();
    // JSON has no NaN; Python writes it nevertheless.
    for line in text.lines().filter(|line| !line.contains("NaN") && !line.contains("Infinity")) {
        let row: Json = serde_json::from_str(line).unwrap();
        let text = |key: &str| row[key].as_str().unwrap();
        if skip(text("service")) {
            continue;
        }
        let layer = database.layer(text("layer")).unwrap_or_else(|| panic!("{line}"));
        let service = layer.services.iter().find(|service| service.name == text("service"));
        let service: &Service = service.unwrap_or_else(|| panic!("{line}"));
        let (data, request) = (bytes(text("bytes")), bytes(text("request")));
        let own = match text("kind") {
            "request" => service.read_request(&data),
            _ => service.read_response_as(text("response"), &data, &request),
        };
        match (&own, row["values"].is_null()) {
            (Err(_), true) => counts.refused += 1,
            (Ok(own), false) => {
                assert!(same(own, &row["values"]), "{line}\n{own:?}");
                counts.read += 1;
            }
            // The reference refuses what it has no room for; ours may be more patient, never the other way round.
            (Ok(_), true) => counts.refused += 1,
            // It lets pass what is no digit, no constant within a structure, and half a byte.
            (Err(error), false) if LENIENT.iter().any(|what| error.what.contains(what)) => {}
            (Err(error), false) => panic!("{line}\n{error}"),
        }
        if let (Ok(Value::Structure(values)), Some(encoded)) = (own, row["encoded"].as_str()) {
            let values: Vec<(&str, Value)> =
                values.iter().map(|(name, value)| (name.as_str(), value.clone())).collect();
            let made = match text("kind") {
                "request" => service.request(&values),
                _ => service.response(text("response"), &values, &request),
            };
            assert_eq!(made.as_deref(), Ok(bytes(encoded).as_slice()), "{line}");
            counts.made += 1;
        }
    }
    Some(counts)
}

#[test]
fn the_example_of_the_reference_reads_and_writes_as_there() {
    for name in ["somersault.pdx", "somersault_modified.pdx"] {
        let Some(file) = example(name) else { return };
        let database = Database::read(&std::fs::read(&file).unwrap(), name).unwrap();
        assert_eq!(database.problems, [], "{name}");
        let names: Vec<&str> = database.layers.iter().map(|layer| layer.name.as_str()).collect();
        for wanted in ["somersault_protocol", "somersault_base_variant", "somersault_lazy", "somersault_assiduous"] {
            assert!(names.contains(&wanted), "{names:?}");
        }
        let lazy = database.layer("somersault_lazy").unwrap();
        assert!(lazy.services.iter().all(|service| service.name != "do_backward_flips"), "it is not inherited");
        assert_eq!(lazy.address(), Some(Address::Can11 { request: 123, reply: 456 }));
        // A short name is looked up in the variant that inherits the service; the reference takes the base's.
        if let Some(counts) = compare(&file, &file, &database, |service| service == "schroedinger") {
            eprintln!("{name}: {counts:?}");
            assert!(counts.read > 300 && counts.made > 200 && counts.refused > 50, "{counts:?}");
        }
    }
}

#[test]
fn a_part_of_every_kind_reads_and_writes_as_in_the_reference() {
    let database = parts();
    assert_eq!(database.problems, []);
    let (Some(standard), file) = (example("somersault.pdx"), "tests/data/parts.odx-d") else { return };
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join(file);
    // A short name is looked up in the variant that inherits the service; the reference takes the base's.
    if let Some(counts) = compare(&file, &standard, &database, |service| service == "special") {
        eprintln!("{counts:?}");
        assert!(counts.read > 1000 && counts.made > 600 && counts.refused > 100, "{counts:?}");
    }
}

fn service<'d>(database: &'d Database, layer: &str, name: &str) -> &'d Service {
    database.layer(layer).unwrap().services.iter().find(|service| service.name == name).unwrap()
}

#[test]
fn a_short_name_means_what_it_means_in_the_variant() {
    let database = parts();
    let answer = [0x62, 0xD0, 0x0A, 0x3F, 0xC0, 0, 0];
    let special = |layer: &str| {
        let decoded = service(&database, layer, "special").read_response(&answer, &[0x22, 0xD0, 0x0A]).unwrap();
        decoded.values.get("special").cloned()
    };
    assert_eq!(special("plain"), Some(Value::Number(63.0)), "one byte");
    assert_eq!(special("fine"), Some(Value::Number(1.5)), "a float");
    assert_eq!(special("base"), Some(Value::Number(f64::from(0x3FC0))), "two bytes");
}

#[test]
fn a_variant_is_told_by_what_it_answers() {
    let database = parts();
    let ask =
        |number: u8| move |request: &[u8]| (request == [0x22, 0xF1, 0xA0]).then(|| vec![0x62, 0xF1, 0xA0, 0, number]);
    assert_eq!(database.identify(ask(1)).map(|layer| layer.name.as_str()), Some("plain"));
    assert_eq!(database.identify(ask(2)).map(|layer| layer.name.as_str()), Some("fine"));
    assert!(database.identify(ask(3)).is_none());
    assert!(database.identify(|_| None).is_none());
    assert_eq!(database.layer("fine").unwrap().kind, LayerKind::EcuVariant);
}

/// Where a module is there to be asked, its variant is taken: the value that differs between them shows it.
#[test]
fn the_variant_is_chosen_by_asking_the_module() {
    let address = Address::Can11 { request: 0x760, reply: 0x768 };
    let mut definitions = Definitions::standard();
    definitions.load(PARTS.as_bytes(), "parts.odx-d", None).unwrap();
    let special = |definitions: &Definitions| {
        let signal = definitions.maker_signals(None).find(|signal| signal.id.as_str().ends_with("special.special"));
        signal.and_then(|signal| signal.value(&[0x3F, 0xC0, 0, 0]).ok())
    };
    assert_eq!(special(&definitions), Some(f64::from(0x3FC0)), "what they have in common");
    assert_eq!(definitions.choose_variants(|_, _| None), Vec::<String>::new(), "nobody is there");
    let mut asked = Vec::new();
    let chosen = definitions.choose_variants(|module, request| {
        asked.push((module, request.to_vec()));
        Some(vec![0x62, 0xF1, 0xA0, 0, 2])
    });
    assert_eq!((chosen, asked), (vec!["fine".to_owned()], vec![(address, vec![0x22, 0xF1, 0xA0])]));
    assert_eq!(special(&definitions), Some(1.5));
}

#[test]
fn a_description_is_offered_as_definitions() {
    let mut definitions = Definitions::standard();
    let file = definitions.load(PARTS.as_bytes(), "parts.odx-d", None).unwrap();
    let address = Address::Can11 { request: 0x760, reply: 0x768 };
    assert_eq!(file.modules.len(), 1, "its variants share an address: what they have in common is taken");
    assert_eq!(file.modules[0].address, address);
    let signal = |name: &str| file.signals().iter().find(|signal| signal.id.as_str() == name).unwrap();
    let data = [0x04, 0xD2, 62, 101, 64, 4, 2];
    for (name, value, unit) in [
        ("custom.base.conversions.speed", 12.34, "km/h"),
        ("custom.base.conversions.temperature", 22.0, "degC"),
        ("custom.base.conversions.pieces", 201.0, "1"),
        ("custom.base.conversions.curve", 95.0, "degC"),
        ("custom.base.conversions.ratio", 3.25, "1"),
        ("custom.base.conversions.ratios", 0.75, "1"),
    ] {
        let signal = signal(name);
        assert_eq!((signal.read, signal.module, signal.n_bytes), (Read::Did(0xD002), Some(address), Some(7)), "{name}");
        assert_eq!((signal.value(&data), signal.unit.symbol()), (Ok(value), unit), "{name}");
    }
    assert!(signal("custom.base.conversions.temperature").value(&[0, 0, 251]).is_err(), "outside its limits");
    assert_eq!(signal("custom.base.bits.gear").text(&[0xF0]), Some("reverse"));
    assert_eq!(signal("custom.base.nested.pair.low").value(&[0, 1, 2]), Ok(258.0));

    let [fan] = file.outputs() else { panic!("{:?}", file.outputs()) };
    assert_eq!(fan.drive_request(50.0), Ok(vec![0x2F, 0xD1, 0x03, 0x03, 100]));
    assert!(
        matches!(&fan.range, Range::Level { min: 0.0, max: 100.0, unit } if unit.symbol() == "%"),
        "{:?}",
        fan.range
    );
    assert!(!fan.care.while_moving && !fan.care.cautions.is_empty());
    let [learn] = file.routines() else { panic!("{:?}", file.routines()) };
    assert_eq!(learn.start_request(&[("window".into(), 3.0)]), Ok(vec![0x31, 0x01, 0x02, 0x03, 3]));
    assert_eq!(learn.start_request(&[]), Ok(vec![0x31, 0x01, 0x02, 0x03, 1]), "by default");
    assert_eq!(
        definitions.code_text(None, address, "C0816-11".parse().unwrap()),
        Some("radiator fan, short to ground")
    );
    assert_eq!(definitions.code_text(None, address, "C0816-12".parse().unwrap()), None);
    // Three bytes whose first is 00 (codes of ISO 15031-6 in ISO 14229-1's three bytes): not the two bytes 16 13.
    let late = Some("camshaft and crankshaft disagree");
    assert_eq!(definitions.code_text(None, address, "P0016-13".parse().unwrap()), late);
    assert_eq!(definitions.code_text(None, address, "P1613-13".parse().unwrap()), None);

    let mut plain = Definitions::standard();
    let file = plain.load(PARTS.as_bytes(), "parts.odx-d", Some("plain")).unwrap();
    assert!(file.routines().is_empty(), "`learn` is not inherited");
    let error = plain.load(PARTS.as_bytes(), "parts.odx-d", Some("none")).unwrap_err();
    assert!(error.to_string().contains("plain, fine"), "{error}");
}

#[test]
fn mistakes_are_named_by_their_line() {
    for (from, to, said) in [
        ("<CATEGORY>TAB-INTP</CATEGORY>", "<CATEGORY>COMPUCODE</CATEGORY>", "program code, which is not run"),
        ("ID-REF=\"P.dop.u16\"", "ID-REF=\"P.dop.none\"", "`P.dop.none` is not in the file"),
        ("<BIT-LENGTH>24</BIT-LENGTH>", "<BIT-LENGTH>many</BIT-LENGTH>", "`many` is no whole number"),
        (
            "ID=\"P.field.open\"><SHORT-NAME>open</SHORT-NAME><BASIC-STRUCTURE-REF ID-REF=\"P.struct.pair\"/>",
            "ID=\"P.field.open\"><SHORT-NAME>open</SHORT-NAME><BASIC-STRUCTURE-REF ID-REF=\"P.dop.u8\"/>",
            "is no structure",
        ),
        (
            "<SHORT-NAME>item</SHORT-NAME><PARAMS><PARAM xsi:type=\"VALUE\"><SHORT-NAME>level</SHORT-NAME><BYTE-POSITION>0</BYTE-POSITION><DOP-REF ID-REF=\"P.dop.u8\"/>",
            "<SHORT-NAME>item</SHORT-NAME><PARAMS><PARAM xsi:type=\"VALUE\"><SHORT-NAME>level</SHORT-NAME><BYTE-POSITION>0</BYTE-POSITION><DOP-REF ID-REF=\"P.struct.item\"/>",
            "holds itself",
        ),
    ] {
        assert!(PARTS.contains(from), "{from}");
        let database = Database::read(PARTS.replacen(from, to, 1).as_bytes(), "x.odx-d").unwrap();
        let problems: Vec<String> = database.problems.iter().map(ToString::to_string).collect();
        assert!(problems.iter().any(|problem| problem.contains(said)), "{said}: {problems:?}");
        assert!(database.problems.iter().all(|problem| problem.line > 3), "{problems:?}");
        assert!(database.layer("base").unwrap().services.len() > 5, "the rest is read");
    }
    let error = Database::read(PARTS.replacen("</ODX>", "", 1).as_bytes(), "x.odx-d").unwrap_err();
    assert!(error.line > 300, "{error}");
    assert!(Database::read(b"<ODX/>", "x.odx-d").unwrap_err().to_string().contains("no diagnostic layer"));
    // Entities of the document's own are not followed.
    let bomb = "<!DOCTYPE ODX [<!ENTITY a \"aaaaaaaaaa\"><!ENTITY b \"&a;&a;&a;\">]><ODX><PROTOCOL><SHORT-NAME>x&b;y</SHORT-NAME></PROTOCOL></ODX>";
    assert_eq!(Database::read(bomb.as_bytes(), "x.odx-d").unwrap().layers[0].name, "xy");
    let deep = format!("{}{}", "<A>".repeat(100_000), "</A>".repeat(100_000));
    assert!(Database::read(deep.as_bytes(), "x.odx-d").unwrap_err().to_string().contains("deeper"));
}

#[test]
fn a_packed_description_does_not_fill_the_memory() {
    let packed = |name: &str, content: &[u8]| {
        let mut zip = zip::ZipWriter::new(std::io::Cursor::new(Vec::new()));
        let options = zip::write::SimpleFileOptions::default().compression_method(zip::CompressionMethod::Deflated);
        zip.start_file(name, options).unwrap();
        std::io::Write::write_all(&mut zip, content).unwrap();
        zip.finish().unwrap().into_inner()
    };
    let read = |bytes: &[u8]| Database::read(bytes, "x.pdx").map(|_| ()).unwrap_err().to_string();
    // Elements without end, and blanks: 16 MB of each pack to some kilobytes.
    for content in ["<A/>".repeat(4 << 20), " ".repeat(16 << 20)] {
        let bomb = packed("a.odx-d", content.as_bytes());
        assert!(bomb.len() < 100_000);
        assert!(read(&bomb).contains("200 times its size"), "{}", read(&bomb));
    }
    assert!(Database::read(&packed("../../a.odx-d", PARTS.as_bytes()), "x.pdx").is_ok(), "names are only told");
    let nested = packed("a.odx-d", &packed("b.odx-d", PARTS.as_bytes()));
    assert!(Database::read(&nested, "x.pdx").is_err(), "a zip in a zip is not opened");
    // An entity from outside is not fetched, and does not cost the rest.
    let outside = PARTS.replacen("?>", "?><!DOCTYPE ODX [<!ENTITY x SYSTEM \"file:///etc/passwd\">]>", 1);
    let outside = outside.replacen("<SHORT-NAME>", "<SHORT-NAME>&x;", 1);
    assert!(outside.contains("&x;"));
    let read = Database::read(outside.as_bytes(), "x.odx-d");
    assert!(!format!("{read:?}").contains("root:"));
}

proptest::proptest! {
    #![proptest_config(proptest::prelude::ProptestConfig { cases: 64, ..Default::default() })]

    /// One place of the file damaged: refused with a line, or read without what is there, and never a panic, whatever is
    /// then sent.
    #[test]
    fn a_damaged_description_is_no_panic(
        at in 0usize..47_000, with in "[<>/A-Z0-9\"= -]{0,6}", answer in proptest::collection::vec(proptest::num::u8::ANY, 0..40),
    ) {
        let start = (0..=at.min(PARTS.len())).rev().find(|idx| PARTS.is_char_boundary(*idx)).unwrap();
        let end = (start + 3..=PARTS.len()).find(|idx| PARTS.is_char_boundary(*idx)).unwrap_or(start);
        let text = format!("{}{with}{}", &PARTS[..start], &PARTS[end..]);
        if let Ok(database) = Database::read(text.as_bytes(), "x.odx-d") {
            for layer in &database.layers {
                for service in &layer.services {
                    let _ = service.request(&[]);
                    let _ = service.read_response(&answer, &[]);
                }
            }
            let _ = Definitions::standard().load(text.as_bytes(), "x.odx-d", None);
        }
    }

    #[test]
    fn any_answer_is_values_or_an_error(answer in proptest::collection::vec(proptest::num::u8::ANY, 0..60)) {
        let database = parts();
        for service in &database.layer("base").unwrap().services {
            let mut data = service.request(&[]).unwrap_or_default();
            if let Some(first) = data.first_mut() {
                *first |= 0x40;
            }
            data.extend_from_slice(&answer);
            let _ = service.read_response(&data, &[]);
        }
    }

    #[test]
    fn a_damaged_archive_is_refused_without_a_panic(at in 0usize..30_000, with: u8) {
        if let Some(path) = example("somersault.pdx") {
            let mut packed = std::fs::read(path).unwrap();
            let at = at % packed.len();
            packed[at] = with;
            let _ = Database::read(&packed, "x.pdx");
        }
    }
}
