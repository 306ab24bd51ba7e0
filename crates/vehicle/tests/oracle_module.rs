//! A module made of udsoncan 1.26.1, a general-purpose library of ISO 14229, is surveyed, driven, commanded and cleared: on CAN
//! with can-isotp 2.0.7, over IP with the messages of doipclient 1.2.2.
//!
//! Needs a Python interpreter with them, named by the environment variable `WITNESS_PYTHON`; skipped without.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a test fails by panicking")]

mod common;

use std::io::{BufRead, BufReader};
use std::process::{Child, Command, Stdio};

use common::{Keep, S, sample};
use definition::Definitions;
use link::Settings;
use protocol::Address;
use vehicle::{Clearing, Despite, Ended, Grant, Order, Pattern, Purpose, Returned, Speaks, Vehicle};

struct Module {
    child: Child,
    port: u16,
}

impl Drop for Module {
    fn drop(&mut self) {
        // The script ends with its input.
        self.child.stdin = None;
        let _ = self.child.wait();
    }
}

fn module(transport: &str) -> Option<Module> {
    let Some(python) = std::env::var_os("WITNESS_PYTHON") else {
        eprintln!("skipped: set WITNESS_PYTHON to a Python interpreter that has can-isotp, doipclient and udsoncan");
        return None;
    };
    let has = Command::new(&python).args(["-c", "import doipclient, isotp, udsoncan"]).stderr(Stdio::null()).status();
    if !has.is_ok_and(|status| status.success()) {
        eprintln!("skipped: {} has not all of can-isotp, doipclient and udsoncan", python.to_string_lossy());
        return None;
    }
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/oracle/module.py");
    let mut child =
        Command::new(&python).args([script, transport]).stdin(Stdio::piped()).stdout(Stdio::piped()).spawn().unwrap();
    let mut line = String::new();
    BufReader::new(child.stdout.take().unwrap()).read_line(&mut line).unwrap();
    let port =
        line.trim().strip_prefix("2.0.7 1.2.2 1.26.1 ").unwrap_or_else(|| panic!("made with other versions: {line}"));
    Some(Module { port: port.parse().unwrap(), child })
}

/// What the module holds, as a file that a user would write.
const DEFINITIONS: &str = r#"
title = "module of the libraries"
origin = "the test's own"

[[module]]
name = "body"
request = "7E0"
reply = "7E8"
elsewhere = ["1010"]

[[module.did]]
did = "D101"
n_bytes = 1

[[module.did.signal]]
id = "custom.relay"
unit = "1"
byte = 0

[[module.output]]
id = "custom.relay"
title = "relay"
did = "D101"
n_bytes = 1

[module.output.care]
session = 3
while_moving = true
cautions = ["None: it is a library."]

[[module.routine]]
id = "custom.routine"
title = "routine"
routine = "0203"
n_bytes = 0
can_stop = true
results_in = "request"

[[module.routine.result]]
name = "outcome"
unit = "1"
value = { byte = 0 }

[module.routine.care]
session = 3
while_moving = true
cautions = ["None: it is a library."]
"#;

#[test]
fn on_can_it_is_surveyed_driven_commanded_and_cleared() {
    let Some(module) = module("can") else { return };
    pass(&format!("slcan+tcp://127.0.0.1:{}", module.port), Address::from_reply11(0x7E8));
}

#[test]
fn over_ip_it_is_surveyed_driven_commanded_and_cleared() {
    let Some(module) = module("doip") else { return };
    pass(&format!("doip://127.0.0.1:{}", module.port), Address::Logical(0x1010));
}

fn pass(adapter: &str, module: Address) {
    let link = link::open(adapter, Settings::default()).unwrap();
    let mut definitions = Definitions::standard();
    definitions.load_toml(DEFINITIONS, "module.toml").unwrap();
    let mut car = Vehicle::find(link).unwrap();
    car.find_defined(&mut definitions).unwrap();
    let survey = car.survey(|_| {});
    let [found] = survey.modules.as_slice() else { panic!("{:?}", survey.modules) };
    assert_eq!((found.address, found.speaks, found.problems.as_slice()), (module, Speaks::Uds, &[][..]));
    assert_eq!(found.name.as_deref(), Some("Library module"));
    assert_eq!(survey.vin.as_ref().map(protocol::Vin::as_str), Some("GTWFL6A19JK104217"));
    let mut codes: Vec<String> = found.codes.iter().map(|it| it.code.to_string()).collect();
    codes.sort_unstable();
    assert_eq!(codes, ["B1A21-13", "P0562-16"]);

    let (plan, keep) = sample(&mut car, &definitions, &["custom.relay"], 1);
    assert!(keep.values(&plan, "custom.relay").len() > 5 && keep.gaps.is_empty(), "{:?}", keep.notes);

    let output = definitions.outputs(None).next().unwrap();
    let routine = definitions.routines(None).next().unwrap();
    let orders = [
        Order::Output { output, pattern: Pattern::Hold { level: 1.0, seconds: 1.0 } },
        Order::Routine { routine, parameters: Vec::new(), seconds: 1.0 },
    ];
    for order in orders {
        let grant = Grant::new(module, order.purpose(), car.now() + 60 * S);
        let wishes: Vec<vehicle::Wish> = common::ids(&["custom.relay"]).into_iter().map(Into::into).collect();
        let mut plan = car.plan_beside(&order, &wishes, &definitions).unwrap();
        let mut keep = Keep::default();
        let conduct = car.command(&order, &grant, &mut plan, &mut keep, &mut || vehicle::Hand::Pressed).unwrap();
        assert_eq!((conduct.ended, conduct.returned), (Ended::Complete, Returned::Confirmed), "{:?}", keep.notes);
        let relay = keep.values(&plan, "custom.relay");
        let is_output = matches!(order, Order::Output { .. });
        assert_eq!(relay.iter().any(|(_, value)| *value == 1.0), is_output, "{relay:?}");
        assert_eq!(relay.last().unwrap().1, 0.0);
        assert_eq!(conduct.results, (!is_output).then(|| vec![1]), "the routine was stopped");
    }

    let grant = Grant::new(module, Purpose::ClearCodes, car.now() + 60 * S);
    // A module without emissions diagnostics tells neither speed: somebody sees that it stands.
    let despite = Despite { engine_running: true, speed_unknown: true, ..Despite::default() };
    assert_eq!(car.clear_codes(&[grant], despite).unwrap(), [(module, Clearing::Confirmed)]);
    assert!(car.survey(|_| {}).modules[0].codes.is_empty());
}
