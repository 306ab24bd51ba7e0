//! A maker's definitions from a file: the example that comes with the program, and every mistake with its line.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a test fails by panicking")]

use definition::{Definitions, Read, SignalDefinition, ValueError};
use protocol::Address;
use signal::SignalId;

const EXAMPLE: &str = include_str!("../data/makers/example.toml");
const VIN: Option<&str> = Some("2ZZEXAMPLE0000001");

fn example() -> Definitions {
    let mut definitions = Definitions::standard();
    definitions.load_toml(EXAMPLE, "example.toml").unwrap();
    definitions
}

fn signal(definitions: &Definitions, name: &str) -> SignalDefinition {
    definitions.of(&SignalId::new(name).unwrap()).next().unwrap().clone()
}

#[test]
fn one_read_serves_four_wheels() {
    let definitions = example();
    let wheels: Vec<_> =
        definitions.maker_signals(VIN).filter(|signal| signal.id.as_str().starts_with("wheel.speed.")).collect();
    assert_eq!(wheels.len(), 4);
    let data = [0x13, 0x88, 0x13, 0x89, 0x13, 0x8A, 0xFF, 0xFF];
    let values: Vec<_> = wheels.iter().map(|wheel| wheel.value(&data)).collect();
    assert_eq!(values[..3], [Ok(50.0), Ok(50.01), Ok(50.02)]);
    assert_eq!(values[3], Err(ValueError::NotThere(wheels[3].id.clone())));
    for wheel in wheels {
        assert_eq!((wheel.read, wheel.n_bytes), (Read::Did(0xD010), Some(8)));
        assert_eq!(wheel.module, Some(Address::Can11 { request: 0x760, reply: 0x768 }));
        assert_eq!(wheel.read.request(), [0x22, 0xD0, 0x10]);
    }
}

#[test]
fn signs_bits_byte_order_units_and_texts() {
    let definitions = example();
    let value = |name: &str, data: &[u8]| signal(&definitions, name).value(data);
    assert_eq!(value("steering.angle", &[0xFF, 0x9C, 0, 0, 0]), Ok(-10.0));
    assert_eq!(value("yaw.rate", &[0, 0, 0xF8, 0x30, 0]), Ok(-20.0));
    assert_eq!(value("custom.gear", &[0x3F, 0, 0]), Ok(3.0));
    assert_eq!(value("custom.oil_temperature", &[0, 0x84, 0x03]), Ok(50.0));
    assert_eq!(value("ac.pressure", &[0, 75, 0, 0]), Ok(1500.0), "15 bar in kPa");
    assert_eq!(value("fan.command", &[0, 0, 255, 0]), Ok(100.0));
    assert_eq!(signal(&definitions, "custom.gear").text(&[0xF0, 0, 0]), Some("reverse"));
    assert_eq!(signal(&definitions, "custom.gear").text(&[0x10, 0, 0]), None);
    assert!(matches!(value("custom.oil_temperature", &[0, 0xFF, 0x7F]), Err(ValueError::Implausible { .. })));
    assert!(matches!(value("custom.oil_temperature", &[0, 0xFF]), Err(ValueError::Short { have: 2, .. })));
}

#[test]
fn a_file_is_for_the_vehicles_it_names() {
    let definitions = example();
    let n = definitions.maker_signals(VIN).count();
    assert_eq!(n, 13);
    for (vin, expected) in [(Some("2ZYEXAMPLE0000001"), 0), (None, 0), (Some("2ZZ"), n)] {
        assert_eq!(definitions.maker_signals(vin).count(), expected, "{vin:?}");
    }
    let mut for_all = Definitions::standard();
    for_all.load_toml(&EXAMPLE.replace("[\"2ZZ\"]", "[]"), "all.toml").unwrap();
    assert_eq!(for_all.maker_signals(None).count(), n);
    assert_eq!(
        definitions.files()[0].modules.iter().map(|m| m.name.as_str()).collect::<Vec<_>>(),
        ["brakes", "gearbox", "body"]
    );
}

#[test]
fn a_makers_own_value_comes_before_the_standard_one() {
    let mut definitions = Definitions::standard();
    let text = EXAMPLE.replace("custom.outside_temperature", "coolant.temperature");
    definitions.load_toml(&text, "x.toml").unwrap();
    let coolant = SignalId::new("coolant.temperature").unwrap();
    let reads: Vec<_> = definitions.of(&coolant).map(|definition| definition.read).collect();
    assert_eq!(reads, [Read::Did(0xD030), Read::Pid(0x05), Read::Pid(0x67)]);
}

const HEAD: &str = "title = \"t\"\norigin = \"o\"\nfits_vin = [\"2ZZ\"]\n[[module]]\nname = \"m\"\nrequest = \"760\"\nreply = \"768\"\n\
                    [[module.did]]\ndid = \"D010\"\nn_bytes = 2\n[[module.did.signal]]\nid = \"custom.a\"\nunit = \"km/h\"\nbyte = 0\n";

fn error(text: &str) -> definition::DefinitionError {
    Definitions::standard().load_toml(text, "x.toml").unwrap_err()
}

/// `from` in the small file becomes `to`; the error names this line and says this.
fn check(from: &str, to: &str, line: usize, says: &str) {
    assert!(HEAD.contains(from), "{from}");
    let error = error(&HEAD.replace(from, to));
    assert_eq!((error.file.as_str(), error.line), ("x.toml", line), "{error}");
    assert!(error.to_string().contains(says), "{error}");
}

#[test]
fn the_small_file_is_right_as_it_is() {
    Definitions::standard().load_toml(HEAD, "x.toml").unwrap();
}

#[test]
fn mistakes_are_named_by_their_line() {
    check("title = \"t\"", "title = \" \"", 1, "`title` must not be empty");
    check("origin = \"o\"\n", "", 1, "origin");
    check("[\"2ZZ\"]", "[\"2ZZ\",\n\"2IZ\"]", 4, "`2IZ` cannot begin a VIN");
    check("request = \"760\"", "request = \"76\"", 6, "`76` is no address");
    check("reply = \"768\"", "reply = \"868\"", 7, "`868` is no address");
    check("reply = \"768\"\n", "", 5, "or `node` alone");
    check("did = \"D010\"", "did = \"D01\"", 9, "`D01`");
    check("did = \"D010\"", "did = \"+D01\"", 9, "4 hex digits");
    check("custom.a", "engine.sped", 12, "no signal `engine.sped`");
    check("custom.a", "Engine.speed", 12, "'E'");
    check("custom.a", "engine.speed", 13, "`km/h` does not convert");
    check("byte = 0", "byte = 2", 14, "do not fit the 2 bytes");
    check("byte = 0", "byte = 1\nbits = 9", 14, "do not fit the 2 bytes");
    check("byte = 0", "byte = -1", 14, "");
    check("byte = 0", "byte = 18446744073709551615", 14, "");
    check("byte = 0", "byte = 0\nbits = 0", 14, "1 to 64 bits");
    check("byte = 0", "byte = 0\nbits = 65", 14, "1 to 64 bits");
    check("byte = 0", "byte = 0\nbit = 8", 14, "1 to 64 bits");
    check("byte = 0", "byte = 0\ndivide = 0", 14, "other than 0");
    check("byte = 0", "byte = 0\nmultiply = nan", 14, "other than 0");
    check("byte = 0", "byte = 0\nmin = 5\nmax = 5", 12, "enclose nothing");
    check("byte = 0", "byte = 0\nmin = nan", 12, "enclose nothing");
    check("byte = 0", "byte = 0\ninvalid = [255,\n256]", 16, "256 does not fit into 8 bits");
    check("byte = 0", "byte = 0\nsigned = true\ninvalid = [128]", 16, "128 does not fit into 8 bits");
    check("byte = 0", "byte = 0\ntexts = { x = \"y\" }", 15, "`x` is no whole number");
    check("byte = 0", "byte = 0\ntexts = { 256 = \"y\" }", 15, "256 does not fit");
    check("byte = 0", "byte = 0\nformula = \"x\"", 15, "formula");
    check("byte = 0", "byte = 0\nbyte_order = \"middle\"", 15, "middle");
    check("n_bytes = 2", "n_bytes = \"2\"", 10, "");
    check("reply = \"768\"", "reply = \"768\"\nelsewhere = [\"18DAF128\",\n\"+768\"]", 9, "");
    check("reply = \"768\"", "reply = \"768\"\nelsewhere = [\"714-\"]", 8, "`714-` is no address");
}

/// ISO 14230-3 service 21: a block is read as a whole, and one name for one thing.
#[test]
fn blocks_by_local_identifier() {
    let text = HEAD.replace("[[module.did", "[[module.block").replace("did = \"D010\"", "local = \"1A\"");
    let mut definitions = Definitions::standard();
    definitions.load_toml(&text, "x.toml").unwrap();
    let read = signal(&definitions, "custom.a").read;
    assert_eq!((read, read.request()), (Read::Local(0x1A), vec![0x21, 0x1A]));
    let long =
        Definitions::standard().load_toml(&text.replace("\"1A\"", "\"D010\""), "x.toml").unwrap_err().to_string();
    assert!(long.contains("line 9") && long.contains("2 hex digits: `D010`"), "{long}");
    let twice = format!("{text}\n[[module.block]]\nlocal = \"1A\"\nn_bytes = 1\nsignal = []\n");
    let error = Definitions::standard().load_toml(&twice, "x.toml").unwrap_err().to_string();
    assert!(error.contains("local identifier 1A of this module"), "{error}");
}

/// A module that a file places in several cars is taken where it is.
#[test]
fn a_module_is_taken_where_it_answers() {
    let text = HEAD.replace("reply = \"768\"", "reply = \"768\"\nelsewhere = [\"18DAF128\", \"1028\"]");
    let first = Address::Can11 { request: 0x760, reply: 0x768 };
    let over_ip = Address::Logical(0x1028);
    let mut definitions = Definitions::standard();
    definitions.load_toml(&text, "x.toml").unwrap();
    for (present, expected) in
        [(vec![], first), (vec![over_ip], over_ip), (vec![over_ip, first], over_ip), (vec![first], first)]
    {
        definitions.place(&present);
        assert_eq!(definitions.files()[0].modules[0].address, expected, "{present:?}");
        assert_eq!(signal(&definitions, "custom.a").module, Some(expected), "{present:?}");
    }
}

/// Every conversion and encoding of the format on worked numbers.
#[test]
fn conversions_and_encodings_of_every_kind() {
    for (keys, data, expected) in [
        ("rational = { numerator = [10, 0, 1], denominator = [0, 2] }", [5, 0], Some(3.5)),
        ("ranges = [{ to = 99, multiply = 2 }, { from = 100, to = 200, offset = 100 }]", [99, 0], Some(198.0)),
        ("ranges = [{ to = 99, multiply = 2 }, { from = 100, to = 200, offset = 100 }]", [150, 0], Some(250.0)),
        ("ranges = [{ to = 99, multiply = 2 }, { from = 100, to = 200, offset = 100 }]", [201, 0], None),
        ("table = [[0, 150], [128, 40], [255, -40]]", [64, 0], Some(95.0)),
        ("encoding = \"sign-magnitude\"", [0x85, 0], Some(-5.0)),
        ("encoding = \"ones-complement\"", [0xFE, 0], Some(-1.0)),
        ("encoding = \"bcd\"\nbits = 16", [0x12, 0x34], Some(1234.0)),
        ("encoding = \"bcd\"\nbits = 16", [0x1A, 0x34], None),
        ("encoding = \"unpacked-bcd\"\nbits = 16", [0x01, 0x09], Some(19.0)),
    ] {
        let mut definitions = Definitions::standard();
        definitions.load_toml(&HEAD.replace("byte = 0", &format!("byte = 0\n{keys}")), "x.toml").unwrap();
        assert_eq!(signal(&definitions, "custom.a").value(&data).ok(), expected, "{keys}");
    }
    check("byte = 0", "byte = 0\nmultiply = 2\ntable = [[0, 1], [1, 2]]", 14, "one conversion");
    check("byte = 0", "byte = 0\ntable = [[1, 1], [1, 2]]", 14, "increasing");
    check("byte = 0", "byte = 0\nrational = { numerator = [1], denominator = [0] }", 14, "other than 0");
    check("byte = 0", "byte = 0\nranges = [{ from = 2, to = 1 }]", 14, "ends before it begins");
    check("byte = 0", "byte = 0\nencoding = \"float\"", 14, "32 or 64 bits");
    check("byte = 0", "byte = 0\nencoding = \"bcd\"\nsigned = true", 14, "without `signed`");
    check("byte = 0", "byte = 0\ntexts = { \"3..1\" = \"y\" }", 15, "enclose nothing");
}

#[test]
fn broadcast_messages_and_codes_of_a_file() {
    let definitions = example();
    let messages: Vec<_> = definitions.messages(VIN).collect();
    let decoder = definition::FrameDecoder::new(messages.iter().copied());
    let values = |data: &[u8]| {
        let mut values = Vec::new();
        let is_known = decoder.decode(protocol::CanId::Standard(0x0B0), data, |idx, value| values.push((idx, value)));
        assert!(is_known);
        values
    };
    assert_eq!(values(&[1, 0, 0xD2, 0x04, 64, 0, 0, 0]), [(0, 1.0), (1, 12.34), (2, 95.0)]);
    assert_eq!(values(&[2, 0, 0xD2, 0x04, 64, 0, 0, 0]), [(0, 2.0), (1, 12.34)], "not on page 2");
    assert_eq!(values(&[1, 0, 0xD2]), [(0, 1.0)], "a frame that is cut off");
    assert!(!decoder.decode(protocol::CanId::Standard(0x0B1), &[0; 8], |_, _| ()));
    let body = Address::Can11 { request: 0x770, reply: 0x778 };
    let text = definitions.code_text(VIN, body, "B1234-11".parse().unwrap());
    assert_eq!(text, Some("radiator fan, short to ground"));
    assert_eq!(definitions.code_text(None, body, "B1234-11".parse().unwrap()), None, "another vehicle");
    let message = "title = \"t\"\norigin = \"o\"\n[[message]]\nname = \"m\"\nid = \"123\"\nn_bytes = 2\n\
                   [[message.signal]]\nid = \"custom.a\"\nunit = \"1\"\nbyte = 0\n";
    Definitions::standard().load_toml(message, "x.toml").unwrap();
    for (from, to, line, said) in [
        ("\"123\"", "\"923\"", 5, "3 hex digits"),
        ("n_bytes = 2", "n_bytes = 0", 10, "do not fit"),
        ("byte = 0", "byte = 0\nwhen = { signal = \"custom.b\", is = [1] }", 11, "no other signal"),
        ("n_bytes = 2", "n_bytes = 2\ncycle_ms = -1", 7, "above 0"),
        (
            "[[message.signal]]",
            "[[message.signal]]\nid = \"custom.a\"\nunit = \"1\"\nbyte = 1\n[[message.signal]]",
            12,
            "defined twice",
        ),
    ] {
        assert!(message.contains(from));
        let error = error(&message.replacen(from, to, 1));
        assert_eq!(error.line, line, "{error}");
        assert!(error.to_string().contains(said), "{error}");
    }
    assert!(error("title = \"t\"\norigin = \"o\"\n").to_string().contains("at least one module or message"));
}

#[test]
fn nothing_is_defined_twice() {
    let tail = HEAD.split_once("[[module]]").unwrap().1;
    let again = |from: &str, to: &str| error(&format!("{HEAD}[[module]]{}", tail.replace(from, to)));
    assert!(again("\"m\"", "\"n\"").to_string().contains("x.toml line 16: module `n` or its address is defined twice"));
    assert!(again("768", "769").to_string().contains("module `m`"));
    let other = tail.replace("\"m\"", "\"n\"").replace("768", "769");
    assert_eq!(
        error(&format!("{HEAD}[[module]]{other}")).to_string(),
        "x.toml line 23: signal `custom.a` is defined twice"
    );
    let did = HEAD.split_once("[[module.did]]").unwrap().1.replace("custom.a", "custom.b");
    assert!(error(&format!("{HEAD}[[module.did]]{did}")).to_string().contains("identifier D010"));
}

#[test]
fn a_wrong_file_adds_nothing() {
    let mut definitions = Definitions::standard();
    let n = definitions.iter().count();
    definitions.load_toml("title = 1", "x.toml").unwrap_err();
    assert_eq!((definitions.iter().count(), definitions.files().len()), (n, 0));
}

#[test]
fn addresses_of_every_kind() {
    let address = |from: &str, to: &str| {
        let mut definitions = Definitions::standard();
        definitions.load_toml(&HEAD.replace(from, to), "x.toml").unwrap().modules[0].address
    };
    let keys = "request = \"760\"\nreply = \"768\"";
    assert_eq!(address(keys, "node = \"28\""), Address::Node(0x28));
    assert_eq!(address(keys, "logical = \"1010\""), Address::Logical(0x1010));
    assert_eq!(
        address(keys, "request = \"6F1\"\nrequest_byte = \"12\"\nreply = \"612\"\nreply_byte = \"F1\""),
        Address::CanByte {
            request: protocol::CanId::Standard(0x6F1),
            request_byte: 0x12,
            reply: protocol::CanId::Standard(0x612),
            reply_byte: 0xF1
        }
    );
    assert_eq!(
        address(keys, "request = \"18DA10F1\"\nreply = \"18DAF110\""),
        Address::Can29 { request: 0x18DA_10F1, reply: 0x18DA_F110 }
    );
}

proptest::proptest! {
    #[test]
    fn rubbish_is_refused_without_a_panic(text in "(title|origin|\\[\\[module\\]\\]|\\[\\[module.did\\]\\]|did|byte|bits|id|unit|[=\"\\[\\]{}., \n-]|[a-z0-9]|\\PC){0,80}") {
        let _ = Definitions::standard().load_toml(&text, "x.toml");
    }

    /// The example with one line damaged: refused with a line of the file, or still a valid file.
    #[test]
    fn a_damaged_example_is_refused_with_a_line(at in 0usize..3000, with in "\\PC{0,3}") {
        let start = (0..=at.min(EXAMPLE.len())).rev().find(|idx| EXAMPLE.is_char_boundary(*idx)).unwrap();
        let end = (start + 1..=EXAMPLE.len()).find(|idx| EXAMPLE.is_char_boundary(*idx)).unwrap_or(start);
        let text = format!("{}{with}{}", &EXAMPLE[..start], &EXAMPLE[end..]);
        match Definitions::standard().load_toml(&text, "x.toml") {
            Ok(file) => proptest::prop_assert!(!file.modules.is_empty() || !file.messages.is_empty()),
            Err(error) => proptest::prop_assert!((1..=1 + text.lines().count()).contains(&error.line), "{error}"),
        };
    }

    #[test]
    fn any_data_is_a_value_or_an_error(data in proptest::collection::vec(proptest::num::u8::ANY, 0..12)) {
        for definition in example().maker_signals(VIN) {
            if let Ok(value) = definition.value(&data) {
                proptest::prop_assert!(value.is_finite());
            }
            let _ = definition.text(&data);
        }
    }
}
