//! udsoncan 1.26.1, a general-purpose UDS library, speaks with the car: over IP with doipclient 1.2.2, and over CAN with
//! can-isotp 2.0.7 and python-can 4.6.1 behind the serial-line face.
//!
//! Needs a Python interpreter with them, named by the environment variable `WITNESS_PYTHON`; skipped without.

mod python;
mod served;

use python::ask;
use served::served;

/// What the library understood of the car's body module.
fn conversation(transport: &str) {
    // The low supply of a dead generator is a code of the body module.
    let spec = format!("fell?script=idle&start=60&fault=generator:1&face={transport}");
    let spec = if transport == "slcan" { format!("{spec}&baud=1000000") } else { spec };
    let Some(said) =
        served(&spec, |port| ask("udsoncan, doipclient, isotp, can, serial", "uds_tester.py", &[transport, port]))
    else {
        return;
    };
    let lines: Vec<&str> = said.lines().collect();
    let expected = [
        "library 1.26.1".to_owned(),
        format!("identity {} Body control", standin::VIN),
        "code 056216 confirmed=True failed=True".to_owned(),
        "codes 1".to_owned(),
        "without session ServiceNotSupportedInActiveSession".to_owned(),
        "session 0.05 5.0".to_owned(),
        "relay 1".to_owned(),
        "relay 0".to_owned(),
        "routine 00".to_owned(),
        "routine 02".to_owned(),
        "locked ServiceNotSupported".to_owned(),
        "cleared True".to_owned(),
    ];
    assert_eq!(lines, expected, "{transport}");
}

#[test]
fn the_library_speaks_with_a_module_over_ip() {
    conversation("doip");
}

#[test]
fn the_library_speaks_with_a_module_over_can() {
    conversation("slcan");
}
