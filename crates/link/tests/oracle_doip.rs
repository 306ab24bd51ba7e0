//! Diagnostics over IP against a vehicle made of doipclient 1.2.2, a general-purpose library of the protocol.
//!
//! Needs a Python interpreter with it, named by the environment variable `WITNESS_PYTHON`; skipped without.

use std::io::{BufRead, BufReader};
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use link::{Request, Settings, Target};
use protocol::{Address, Bus};

struct Vehicle {
    child: Child,
    port: u16,
}

impl Drop for Vehicle {
    fn drop(&mut self) {
        // The script ends with its input.
        self.child.stdin = None;
        let _ = self.child.wait();
    }
}

/// `version`: the edition that it speaks; `quiet`: it does not answer discovery.
fn vehicle(version: u8, quiet: bool) -> Option<Vehicle> {
    let Some(python) = std::env::var_os("WITNESS_PYTHON") else {
        eprintln!("skipped: set WITNESS_PYTHON to a Python interpreter that has doipclient 1.2.2");
        return None;
    };
    let has = Command::new(&python).args(["-c", "import doipclient"]).stderr(Stdio::null()).status();
    if !has.is_ok_and(|status| status.success()) {
        eprintln!("skipped: {} has no doipclient", python.to_string_lossy());
        return None;
    }
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/oracle/doip_vehicle.py");
    let mut command = Command::new(&python);
    command.arg(script).arg(version.to_string()).args(quiet.then_some("quiet"));
    let mut child = command.stdin(Stdio::piped()).stdout(Stdio::piped()).spawn().expect("Python starts");
    let mut line = String::new();
    let mut output = BufReader::new(child.stdout.take().expect("piped"));
    output.read_line(&mut line).expect("the script says its port");
    let (library, port) = line.trim().split_once(' ').expect("version and port");
    assert_eq!(library, "1.2.2", "the comparison was made with this version");
    Some(Vehicle { port: port.parse().expect("a port"), child })
}

#[test]
fn a_vehicle_of_the_library_is_found_and_read() {
    // The edition of 2019 refuses the header of 2012: that is learnt from discovery, or from the refusal without it.
    for (version, quiet) in [(2, false), (3, false), (3, true)] {
        let Some(vehicle) = vehicle(version, quiet) else { return };
        let found = link::doip::identify("127.0.0.1", vehicle.port, Duration::from_secs(2));
        assert_eq!(found.as_ref().map(|found| found.version), (!quiet).then_some(version));
        assert_eq!(found.and_then(|found| found.vin()), (!quiet).then(|| "GTWFL6A19JK104217".to_owned()));
        let address = format!("doip://127.0.0.1:{}", vehicle.port);
        let mut link = link::open(&address, Settings::default()).expect("the vehicle is there");
        assert_eq!(link.info().bus, Some(Bus::Doip));
        assert_eq!(link.info().adapter.contains("GTWFL6A19JK104217"), !quiet, "{}", link.info().adapter);
        let ask = |logical: u16, bytes: &[u8]| Request {
            to: Target::Module(Address::Logical(logical)),
            bytes: bytes.to_vec(),
            n_replies: Some(1),
        };
        // Asked for more time, and asked whether it is still there, before the answer.
        let vin = link.exchange(&ask(0x1010, &[0x22, 0xF1, 0x90])).expect("connected");
        let reply = vin.replies.first().expect("an answer");
        assert_eq!(reply.bytes.get(3..), Some(b"GTWFL6A19JK104217".as_slice()));
        assert_eq!(vin.problems, [] as [String; 0]);
        let requests = [ask(0x1010, &[0x3E, 0x00]), ask(0x1011, &[0x3E, 0x00]), ask(0x4444, &[0x3E, 0x00])];
        let exchanges = link.exchange_many(&requests).expect("connected");
        let [refused, silent, nobody] = exchanges.as_slice() else { panic!("three exchanges") };
        assert_eq!(refused.replies.first().map(|reply| reply.bytes.clone()), Some(vec![0x7F, 0x3E, 0x11]));
        assert!(silent.replies.is_empty() && silent.problems.is_empty(), "{silent:?}");
        assert!(nobody.problems.iter().any(|problem| problem.contains("no module")), "{nobody:?}");
        // Opens again after a loss.
        link.reopen().expect("the vehicle is still there");
        assert_eq!(link.exchange(&ask(0x1010, &[0x22, 0xF1, 0x90])).expect("connected").replies.len(), 1);
    }
}
