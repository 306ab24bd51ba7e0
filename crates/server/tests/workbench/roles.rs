//! Who may do what: every resource that there is, asked for by everybody that there is.

use serde_json::{Value, json};
use server::{Gate, Resource};

use crate::bench::Bench;

/// Somebody at the door, from the least to the most that they may.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Person {
    Stranger,
    Guest,
    Worker,
    Holder,
    /// At the machine itself, while somebody else holds the car.
    Bench,
}

impl Person {
    const ALL: [Self; 5] = [Self::Stranger, Self::Guest, Self::Worker, Self::Holder, Self::Bench];

    /// What is said of roles in the workbench's help, written down a second time.
    fn may(self, gate: Gate) -> bool {
        match gate {
            Gate::Anyone => true,
            Gate::Joined => self != Self::Stranger,
            Gate::Worker => !matches!(self, Self::Stranger | Self::Guest),
            Gate::Holder => self == Self::Holder,
            Gate::Bench => self == Self::Bench,
        }
    }
}

/// A workbench with everybody in it, and their cookies in the order of [`Person::ALL`].
fn everybody() -> (Bench, [String; 5]) {
    let bench = Bench::new();
    let sits = bench.sits();
    let joins = |may_hold: bool| bench.joins(&bench.invites(&sits, may_hold).0);
    let (guest, worker, holder) = (joins(false), joins(true), joins(true));
    assert_eq!(bench.ask("POST", "/car/take", &holder, &Value::Null).1, json!({"taken": true}));
    let stranger = holder.split('=').next().unwrap().to_owned() + "=0";
    (bench, [stranger, guest, worker, holder, sits])
}

fn ask(bench: &Bench, resource: &Resource, cookie: &str) -> u16 {
    let path = resource.path.replace("{id}", "77").replace("{number}", "77").replace("{name}", "none");
    // No resource takes a text: nothing happens behind the gate where a body is asked for.
    bench.ask(resource.method, &path, cookie, &json!("no such thing")).0
}

#[test]
fn nobody_gets_past_a_gate_that_is_not_theirs() {
    let (bench, cookies) = everybody();
    let mut n_refused = 0;
    for resource in server::interface() {
        for (person, cookie) in Person::ALL.into_iter().zip(&cookies).filter(|(person, _)| !person.may(resource.gate)) {
            let status = ask(&bench, &resource, cookie);
            let expected = if person == Person::Stranger { 401 } else { 403 };
            assert_eq!(status, expected, "{person:?}: {} {}", resource.method, resource.path);
            n_refused += 1;
        }
    }
    assert!(n_refused > 100, "{n_refused}");
    // And whoever may, gets past: the gates are not simply shut. What takes long or changes the roles is left out.
    let (bench, cookies) = everybody();
    let left_out = ["/adapters/look", "/people/close", "/car/take", "/car/hand-over"];
    for resource in server::interface().iter().filter(|resource| !left_out.contains(&resource.path)) {
        let welcome = Person::ALL.into_iter().zip(&cookies).find(|(person, _)| person.may(resource.gate));
        let (person, cookie) = welcome.unwrap();
        let status = ask(&bench, resource, cookie);
        let is_past = resource.gate == Gate::Anyone || !matches!(status, 401 | 403);
        assert!(is_past, "{person:?}: {} {} is {status}", resource.method, resource.path);
    }
}

#[test]
fn what_acts_on_the_car_is_the_holders() {
    let acts = [
        "connect",
        "disconnect",
        "survey",
        "record",
        "signals",
        "command",
        "clear",
        "clear/prepare",
        "stop",
        "hand-over",
        "keep",
    ];
    for act in acts {
        let path = format!("/car/{act}");
        let found = server::interface().into_iter().find(|resource| resource.path == path);
        assert_eq!(found.map(|resource| resource.gate), Some(Gate::Holder), "{path}");
    }
    let for_anyone: Vec<&str> = server::interface()
        .iter()
        .filter(|resource| resource.gate == Gate::Anyone)
        .map(|resource| resource.path)
        .collect();
    assert_eq!(for_anyone, ["/session", "/session/join"]);
    // Whatever changes something is named here, or takes more than having joined.
    let harmless: Vec<&str> = server::interface()
        .iter()
        .filter(|resource| resource.gate == Gate::Joined && resource.method != "GET")
        .map(|resource| resource.path)
        .collect();
    assert_eq!(harmless, ["/car/mark", "/people/me"]);
}

#[test]
fn every_address_goes_through_a_gate() {
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/src/api");
    for file in std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path()) {
        let text = std::fs::read_to_string(&file).unwrap();
        let n_routes = text.matches(".route(").count();
        assert_eq!(n_routes, usize::from(file.ends_with("gate.rs")), "{} adds a route of its own", file.display());
    }
}

#[test]
fn whoever_only_looks_on_leaves_no_trace_in_the_ledger() {
    let (bench, [_, guest, worker, ..]) = everybody();
    let table = b"time_s,engine.speed [rpm]\n0,800\n1,810\n2,805\n";
    assert_eq!(bench.asks("POST", "/api/uploads?name=idle.csv", &worker, table).status, 200);
    let new = json!({"complaint": "it stalls", "conditions": {}, "vehicle": {"number": 0}, "mileage_km": null});
    let (status, said, _) = bench.ask("POST", "/cases", &worker, &new);
    assert_eq!(status, 200, "{said}");
    let n_entries =
        |cookie: &str| bench.ask("GET", "/case", cookie, &Value::Null).1["entries"].as_array().unwrap().len();
    let before = n_entries(&guest);
    assert_eq!(bench.ask("GET", "/drives/idle/examined", &guest, &Value::Null).0, 200);
    assert_eq!(n_entries(&guest), before);
    assert_eq!(bench.ask("GET", "/drives/idle/examined", &worker, &Value::Null).0, 200);
    assert!(n_entries(&guest) > before, "the same look of somebody who works is written down");
}
