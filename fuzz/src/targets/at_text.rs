//! The text of AT-command adapters, with times.

use std::sync::{Arc, Mutex};

use protocol::at::{Action, Adapter, LONGEST_NS, LONGEST_START_NS, Outcome};
use protocol::exchange::{Exchange, Fit, Request, Target as To, fit};
use protocol::{Address, Bus, Nanos};

use link::Port;

use crate::script::{RecordingPort, ScriptedPort};
use crate::{Seeds, Target};

pub(super) const TARGET: Target = Target {
    name: "at_text",
    max_len: 4096,
    words: &[
        "OK\r\r>",
        "?\r\r>",
        "\r\r>",
        "12.4V\r\r>",
        "SEARCHING...",
        "BUS INIT: ",
        "NO DATA\r\r>",
        "STOPPED\r\r>",
        "UNABLE TO CONNECT\r\r>",
        "CAN ERROR\r\r>",
        "BUFFER FULL\r\r>",
        "<DATA ERROR",
        "LV RESET\r\r>",
        "ACT ALERT",
        "7E8 06 41 00 BE 3E B8 13\r\r>",
        "7E8064100BE3EB813\r\r>",
        "7E81014490201",
        "7E821",
        "7E8037F0178\r\r>",
        "486B104100BE3EB811FA\r\r>",
        "014\r0:490201314734\r1:",
        "18DAF110",
        "FB ERROR",
        "<RX ERROR",
    ],
    seeds,
    run,
};

/// The first byte of an input: bit 0 a network is remembered, bits 1 and 2 which one, bit 3 a vehicle is needed, bit 4
/// the number of replies is known.
fn run(input: &[u8]) {
    let (setup, script) = input.split_first().unwrap_or((&0, &[]));
    let heard = Arc::default();
    converse(*setup, Box::new(ScriptedPort::new(script, &heard)), Some(&heard));
}

fn bus(setup: u8) -> Bus {
    match setup >> 1 & 3 {
        0 => Bus::Can { wide: false, kbit_s: 500 },
        1 => Bus::Can { wide: true, kbit_s: 250 },
        2 => Bus::KwpFast,
        _ => Bus::Iso9141,
    }
}

/// Start-up, a few requests and what else the state machine can do.
fn converse(setup: u8, port: Box<dyn Port>, heard: Option<&Mutex<Vec<u8>>>) {
    let mut run = Run { adapter: Adapter::new((setup & 1 == 1).then_some(bus(setup))), port };
    run.adapter.start(setup & 8 == 8);
    run.operation(LONGEST_START_NS);
    for (to, bytes) in requests(bus(setup)) {
        let request = Request { to, bytes, n_replies: (setup & 16 == 16).then_some(1) };
        if let Some(heard) = heard {
            heard.lock().unwrap().clear();
        }
        let began = run.port.now();
        run.adapter.ask(&request);
        if let Some(Outcome::Answered(exchange)) = run.operation(LONGEST_NS) {
            check(&request, &exchange, began, run.port.now());
            if let Some(heard) = heard {
                let heard = heard.lock().unwrap();
                exchange.replies.iter().for_each(|reply| was_said(&reply.bytes, &heard));
            }
        }
    }
    run.adapter.ask_volts();
    run.operation(LONGEST_NS);
    if run.adapter.keep_alive_at().is_some() {
        run.adapter.keep_alive();
        run.operation(LONGEST_NS);
    }
}

fn requests(bus: Bus) -> Vec<(To, Vec<u8>)> {
    let (module, other) = match bus {
        Bus::Can { wide: false, .. } => (Address::from_reply11(0x7E8), Address::Can11 { request: 0x714, reply: 0x77E }),
        Bus::Can { .. } => (Address::from_reply29(0x18DA_F110), Address::from_reply29(0x18DA_F118)),
        _ => (Address::Node(0x10), Address::Node(0x11)),
    };
    vec![
        (To::Everyone, vec![0x01, 0x00]),
        (To::Module(module), vec![0x09, 0x02]),
        (To::Module(other), vec![0x22, 0xF1, 0x90]),
        (To::Module(module), vec![0x01, 0x0C, 0x0D, 0x05]),
        (To::Everyone, vec![0x03]),
        (To::Module(module), vec![0x01, 0x0C, 0x0D, 0x05]),
        (To::Anyone(other), vec![0x3E, 0x00]),
        (To::Module(module), vec![0x2F, 0x12, 0x34, 0x03, 1, 2, 3, 4, 5, 6, 7]),
    ]
}

struct Run {
    adapter: Adapter,
    port: Box<dyn Port>,
}

impl Run {
    /// Runs one operation: it ends within its limit, and neither time nor deadlines go back.
    fn operation(&mut self, limit_ns: Nanos) -> Option<Outcome> {
        let began = self.port.now();
        // Arrivals without a wait pass in no time; each may take a few turns.
        for _ in 0..100_000 {
            let now = self.port.now();
            assert!(now - began <= limit_ns, "the operation takes {} ns", now - began);
            match self.adapter.poll(now) {
                Action::Send(bytes) => {
                    let (end, text) = bytes.split_last().expect("a command");
                    assert!(*end == b'\r' && text.iter().all(|byte| (0x20..0x7F).contains(byte)), "{bytes:?}");
                    self.port.write_all(&bytes).expect("a port that is not lost");
                }
                Action::Wait(deadline) => {
                    assert!(deadline >= now, "a deadline in the past");
                    let mut buffer = [0; 512];
                    let n = self.port.read_until(&mut buffer, deadline).expect("a port that is not lost");
                    let now = self.port.now();
                    if n == 0 { self.adapter.elapsed(now) } else { self.adapter.receive(now, &buffer[..n]) }
                }
                Action::Done(result) => return result.ok(),
                Action::Idle => return None,
            }
        }
        panic!("the operation does not end");
    }
}

/// Times in order, and replies only of whoever was asked, to what was asked.
pub(super) fn check(request: &Request, exchange: &Exchange, began: Nanos, now: Nanos) {
    assert!(began <= exchange.asked_ns && exchange.asked_ns <= exchange.over_ns && exchange.over_ns <= now);
    for reply in &exchange.replies {
        assert!((exchange.asked_ns..=exchange.over_ns).contains(&reply.arrived_ns), "{exchange:?}");
        assert_eq!(fit(reply.from, &request.bytes, &reply.bytes), Fit::Answer, "{exchange:?}");
        if let To::Module(module) = request.to {
            assert_eq!(reply.from, module);
        }
    }
}

/// No reply without its bytes: its digits stand, in their order, in what arrived after the request was given.
fn was_said(reply: &[u8], heard: &[u8]) {
    let mut heard = heard.iter().map(u8::to_ascii_uppercase);
    for digit in reply.iter().flat_map(|byte| format!("{byte:02X}").into_bytes()) {
        assert!(heard.any(|one| one == digit), "{reply:02X?} was not said");
    }
}

fn seeds(seeds: &mut Seeds) {
    for (setup, spec) in [
        (0b1_1001, "fell"),
        (0b0_1000, "fell"),
        (0b1_1001, "fell?quirk=echo&quirk=spaces"),
        (0b1_1011, "fell?bus=can29-250"),
        (0b1_1101, "fen"),
        (0b0_1000, "fen?bus=iso9141"),
    ] {
        let script = Arc::new(Mutex::new(Vec::new()));
        let port = standin::dial(spec).unwrap().dial().unwrap();
        converse(setup, Box::new(RecordingPort { port, script: script.clone() }), None);
        seeds.add([&[setup][..], &script.lock().unwrap()].concat());
    }
}
