//! What people type on the command line and in forms: addresses, names, units, codes, identification numbers.

use drive::MapEntry;
use link::AdapterAddress;
use protocol::{Address, CanId, Code, Vin};
use signal::{SignalId, Unit};

use crate::{Seeds, Target};

pub(super) const TARGET: Target = Target {
    name: "words",
    max_len: 300,
    words: &[
        "at+serial:",
        "at+tcp://",
        "at+ble://",
        "slcan+tcp://",
        "socketcan:",
        "doip://",
        "doip+tls://",
        "passthru:",
        "?baud=",
        "&filter=diagnostics",
        "?ca=",
        "&name=",
        "[::1]:",
        "714-77E",
        "6F1:12-612:F1",
        "18DAF110",
        "P0301-1A",
        "custom.",
        "fell?fault=",
        "&script=town",
        "&coils=4,2,3,1",
        "&gone=1:2",
        "&quirk=say:",
        "&session_ms=engine:1:2",
        "km/h",
        "1/min",
    ],
    seeds,
    run,
};

/// What is understood is understood again when it is written.
fn run(input: &[u8]) {
    let Ok(text) = std::str::from_utf8(input) else { return };
    if let Err(error) = text.parse::<AdapterAddress>() {
        assert!(!error.to_string().chars().any(char::is_control), "control characters reach the terminal");
    }
    if let Ok(address) = text.parse::<Address>() {
        assert_eq!(format!("{address:#}").parse(), Ok(address));
    }
    if let Ok(id) = text.parse::<CanId>() {
        assert_eq!(id.to_string().parse(), Ok(id));
    }
    if let Ok(code) = text.parse::<Code>() {
        assert_eq!(code.to_string().parse(), Ok(code));
    }
    if let Ok(vin) = Vin::new(text) {
        assert_eq!(Vin::new(vin.as_str()).as_ref(), Ok(&vin));
        let _ = (vin.check_digit_fits(), vin.model_year(), vin.warnings());
    }
    if let Ok(id) = SignalId::new(text) {
        assert_eq!(SignalId::new(id.as_str()).as_ref(), Ok(&id));
    }
    if let Ok(id) = SignalId::custom(text) {
        assert_eq!(SignalId::new(id.as_str()).as_ref(), Ok(&id));
    }
    let unit = Unit::named(text);
    assert_eq!(Unit::named(unit.symbol()), unit);
    assert!(unit.convert(1.5, &unit).is_none_or(|value| value == 1.5));
    if let Ok(entry) = text.parse::<MapEntry>() {
        assert!(!entry.column.is_empty());
    }
    let _ = workshop::signal_ids(&text.split(',').map(str::to_owned).collect::<Vec<_>>());
    // A name that ends in .road is a file's.
    if !text.contains(".road")
        && let Err(error) = standin::definitions(text)
    {
        assert!(!error.to_string().is_empty());
    }
}

fn seeds(seeds: &mut Seeds) {
    for text in [
        "at+serial:/dev/ttyUSB0?baud=38400",
        "at+tcp://192.168.0.10:35000",
        "slcan+tcp://[::1]:4078?filter=diagnostics",
        "socketcan:can0",
        "doip://192.168.1.50:13400",
        "doip+tls://car.local:3496?ca=ca.pem&name=car",
        "passthru:/lib/x.so",
        "714-77E",
        "6F1:12-612:F1",
        "18DAF110",
        "P0301-1A",
        "U0100",
        "1G4AH59H45G118341",
        "1M8GDM9AXKP042788",
        "vehicle.speed",
        "custom.my value",
        "km/h",
        "Speed [mph]=vehicle.speed [km/h]",
        "fell?fault=wheel-dropout:rear_left:0.5&script=town&seed=3&coils=4,2,3,1&quirk=lose:0.01&gone=1:2",
        "fen?bus=iso9141&pending=engine:0.5:200&session_ms=engine:100:2000",
    ] {
        seeds.add(text);
    }
}
