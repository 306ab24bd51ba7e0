//! doipclient 1.2.2, a general-purpose library of diagnostics over IP, talks to the stand-in's gateway.
//!
//! Needs a Python interpreter with it, named by the environment variable `WITNESS_PYTHON`; skipped without.

mod python;
mod served;

#[test]
fn the_library_reads_the_car() {
    let said =
        served::served("fell?script=idle&face=doip", |port| python::ask("doipclient", "doip_tester.py", &[port]));
    let Some(said) = said else { return };
    let vin: String = standin::VIN.bytes().map(|byte| format!("{byte:02x}")).collect();
    for line in [
        format!("announced {} 1000", standin::VIN),
        format!("engine 62f190{vin}"),
        format!("brake 62f190{vin}"),
        "alive 0E00".to_owned(),
    ] {
        assert!(said.lines().any(|said| said == line), "{line}: {said}");
    }
    assert!(said.contains("nobody"), "{said}");
}
