//! Numbers that the standards name have a text of their own, and no others have one: a technician who reads "reason 33" or
//! "failure type 16" must be told what it is, and never what another number is.

use std::collections::BTreeSet;

use protocol::doip::{activation_text, nack_text};
use protocol::obd::info;
use protocol::obd::monitors::{monitor_title, test_title};
use protocol::uds::codes::format_text;
use protocol::{Bus, NegativeCode, failure_type_text};

/// Exactly `named` have a text, and `n_texts` of these differ.
fn check(what: &str, text: impl Fn(u8) -> Option<String>, named: &[u8], n_texts: usize) {
    let have: Vec<u8> = (0..=255).filter(|number| text(*number).is_some()).collect();
    assert_eq!(have, named, "{what}");
    let texts: BTreeSet<String> = named.iter().filter_map(|number| text(*number)).collect();
    assert_eq!(texts.len(), n_texts, "{what}");
    assert!(texts.iter().all(|text| text.len() > 3 && text.trim() == text), "{what}: {texts:?}");
}

/// The table of negative response codes of ISO 14229-1, as general-purpose UDS libraries list it.
#[test]
fn refusals() {
    let named = [
        0x10, 0x11, 0x12, 0x13, 0x14, 0x21, 0x22, 0x24, 0x25, 0x26, 0x31, 0x33, 0x34, 0x35, 0x36, 0x37, 0x38, 0x39,
        0x3A, 0x50, 0x51, 0x52, 0x53, 0x54, 0x55, 0x56, 0x57, 0x58, 0x59, 0x5A, 0x5B, 0x5C, 0x5D, 0x70, 0x71, 0x72,
        0x73, 0x78, 0x7E, 0x7F, 0x81, 0x82, 0x83, 0x84, 0x85, 0x86, 0x87, 0x88, 0x89, 0x8A, 0x8B, 0x8C, 0x8D, 0x8F,
        0x90, 0x91, 0x92, 0x93, 0x94,
    ];
    // The fourteen of certificates and authentication share theirs.
    check("refusal", |code| NegativeCode(code).text().map(str::to_owned), &named, named.len() - 13);
    // What another state of the car cures: engine, temperature, speed, pedals, gear, brake, voltage; 22 in general.
    let cured: Vec<u8> = (0..=255).filter(|code| NegativeCode(*code).asks_for_another_state()).collect();
    assert_eq!(cured, [0x22].into_iter().chain(0x81..=0x93).collect::<Vec<_>>());
    for (code, word) in [(0x33, "security"), (0x35, "key"), (0x78, "pending"), (0x83, "running"), (0x92, "too high")] {
        assert!(NegativeCode(code).text().is_some_and(|text| text.contains(word)), "{code:02X}");
    }
}

/// Failure types of SAE J2012-DA that this program knows.
#[test]
fn failure_types() {
    let named = [
        0x00, 0x01, 0x02, 0x03, 0x04, 0x05, 0x06, 0x07, 0x08, 0x09, 0x11, 0x12, 0x13, 0x14, 0x15, 0x16, 0x17, 0x18,
        0x19, 0x1A, 0x1B, 0x1C, 0x1D, 0x1E, 0x1F, 0x21, 0x22, 0x23, 0x24, 0x25, 0x26, 0x27, 0x28, 0x29, 0x2F, 0x31,
        0x32, 0x33, 0x34, 0x35, 0x36, 0x37, 0x62, 0x64, 0x87, 0x88, 0x92, 0x96,
    ];
    let unknown = failure_type_text(0xFF);
    let text = |code| Some(failure_type_text(code)).filter(|text| *text != unknown).map(str::to_owned);
    check("failure type", text, &named, named.len());
    // The upper digit is the group, within it opposites lie side by side.
    for (code, text) in [
        (0x11, "short to ground"),
        (0x12, "short to battery"),
        (0x13, "open circuit"),
        (0x16, "voltage below threshold"),
        (0x17, "voltage above threshold"),
        (0x1A, "resistance below threshold"),
        (0x1B, "resistance above threshold"),
    ] {
        assert_eq!(failure_type_text(code), text, "{code:02X}");
    }
}

/// Codes of ISO 13400-2, as a general-purpose packet library lists them.
#[test]
fn answers_over_ip() {
    let unknown = activation_text(0xFF);
    let text = |code| Some(activation_text(code)).filter(|text| *text != unknown).map(str::to_owned);
    check("activation", text, &[0, 1, 2, 3, 4, 5, 6, 7, 0x10, 0x11], 10);
    let unknown = nack_text(0xFF);
    let text = |code| Some(nack_text(code)).filter(|text| *text != unknown).map(str::to_owned);
    check("negative acknowledgement", text, &[2, 3, 4, 5, 6, 7, 8], 7);
    assert_eq!((activation_text(0x10), nack_text(0x03)), ("active", "no module has this address"));
}

/// SAE J1979 and ISO 14229-1.
#[test]
fn tests_monitors_information_and_formats() {
    let text = |code| test_title(code).map(str::to_owned);
    let named: Vec<u8> = (0x01..=0x0C).chain(0x80..=0xFE).collect();
    check("test", text, &named, 13);
    let named: Vec<u8> = [
        0x01..=0x10,
        0x21..=0x24,
        0x31..=0x34,
        0x35..=0x38,
        0x39..=0x3D,
        0x41..=0x50,
        0x61..=0x64,
        0x71..=0x74,
        0x81..=0x86,
        0x90..=0x91,
        0x98..=0x99,
        0xA1..=0xAD,
        0xB0..=0xB1,
    ]
    .into_iter()
    .flatten()
    .collect();
    check("monitor", monitor_title, &named, named.len());
    let named = [0x01, 0x02, 0x03, 0x04, 0x05, 0x06, 0x07, 0x08, 0x09, 0x0A, 0x0B, 0x0D, 0x0F];
    check("information", |kind| info::title(kind).map(str::to_owned), &named, 9);
    assert_eq!(info::title(info::VIN), Some("vehicle identification number"));
    check("format", |format| format_text(format).map(str::to_owned), &[0, 1, 2, 3, 4], 5);
}

/// Every network has a name, and only CAN and IP carry an answer in one message however long it is: elsewhere the layouts
/// of OBD services differ (SAE J1979).
#[test]
fn networks() {
    let can = |wide, kbit_s| Bus::Can { wide, kbit_s };
    let cases = [
        (Bus::J1850Pwm, "SAE J1850 PWM", false, false),
        (Bus::J1850Vpw, "SAE J1850 VPW", false, false),
        (Bus::Iso9141, "ISO 9141-2", false, false),
        (Bus::Kwp5Baud, "ISO 14230-4, 5-baud start", false, false),
        (Bus::KwpFast, "ISO 14230-4, fast start", false, false),
        (can(false, 500), "ISO 15765-4, 11 bit, 500 kbit/s", true, true),
        (can(true, 250), "ISO 15765-4, 29 bit, 250 kbit/s", true, true),
        (Bus::Doip, "ISO 13400-2, diagnostics over IP", false, true),
    ];
    for (bus, name, is_can, has_long_messages) in cases {
        assert_eq!(bus.to_string(), name);
        assert_eq!((bus.is_can(), bus.has_long_messages()), (is_can, has_long_messages), "{name}");
    }
}
