//! doipclient 1.2.2, a general-purpose library of diagnostics over IP, talks to the stand-in's gateway.
//!
//! Needs a Python interpreter with it, named by the environment variable `WITNESS_PYTHON`; skipped without.

use std::net::TcpListener;
use std::process::{Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

#[test]
fn the_library_reads_the_car() {
    let Some(python) = std::env::var_os("WITNESS_PYTHON") else {
        eprintln!("skipped: set WITNESS_PYTHON to a Python interpreter that has doipclient 1.2.2");
        return;
    };
    let has = Command::new(&python).args(["-c", "import doipclient"]).stderr(Stdio::null()).status();
    if !has.is_ok_and(|status| status.success()) {
        eprintln!("skipped: {} has no doipclient", python.to_string_lossy());
        return;
    }
    let listener = TcpListener::bind("127.0.0.1:0").expect("loopback");
    let port = listener.local_addr().expect("bound").port().to_string();
    let stop = Arc::new(AtomicBool::new(false));
    let server = {
        let stop = stop.clone();
        std::thread::spawn(move || standin::serve_tcp(&listener, "fell?script=idle&face=doip", 1.0, &stop))
    };
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/oracle/doip_tester.py");
    let output = Command::new(&python).arg(script).arg(port).output().expect("Python runs");
    stop.store(true, Ordering::Relaxed);
    assert!(server.join().expect("no panic").is_ok());
    let said = String::from_utf8_lossy(&output.stdout).into_owned();
    assert!(output.status.success(), "{said}\n{}", String::from_utf8_lossy(&output.stderr));
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
