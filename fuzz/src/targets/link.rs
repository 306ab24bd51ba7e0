//! Whole links over a port that brings anything: AT text, serial-line CAN, diagnostics over IP.

use std::sync::{Arc, Mutex};

use link::{AtLink, Dial, Link, Port, PortError, Settings, SlcanDial, Wanted};
use protocol::exchange::{Request, Target as To};
use protocol::{Address, Bus, CanId, Nanos};

use super::at_text::check;
use crate::script::{RecordingPort, ScriptedPort};
use crate::{Seeds, Target};

pub(super) const TARGET: Target = Target {
    name: "link",
    max_len: 4096,
    words: &["\r\r>", "7E8064100BE3EB813\r", "t7E880341000000000000\r", "\u{2}\u{FD}", "z\r", "V1013\r"],
    seeds,
    run,
};

/// The first byte of an input: bits 0 and 1 the kind of link, bit 2 a vehicle is needed, bit 3 a network is remembered.
fn run(input: &[u8]) {
    let (setup, script) = input.split_first().unwrap_or((&0, &[]));
    converse(*setup, Box::new(ScriptedPort::new(script, &Arc::default())));
}

/// Every exchange ends in its time, with replies of those that were asked.
fn converse(setup: u8, port: Box<dyn Port>) {
    let dial = Box::new(SharedDial(Arc::new(Mutex::new(port))));
    let bus = (setup & 8 == 8).then_some(Bus::Can { wide: false, kbit_s: 500 });
    let settings = Settings { bus, need_vehicle: setup & 4 == 4 };
    let link: Result<Box<dyn Link>, _> = match setup & 3 {
        0 | 3 => AtLink::start(dial, settings).map(|link| Box::new(link) as Box<dyn Link>),
        1 => link::can::start(Box::new(SlcanDial::new(dial)), settings),
        _ => link::doip::start(dial, None, settings),
    };
    let Ok(mut link) = link else { return };
    let module = if setup & 3 == 2 { Address::Logical(0x0010) } else { Address::from_reply11(0x7E8) };
    for (to, bytes) in [
        (To::Everyone, vec![0x01, 0x00]),
        (To::Module(module), vec![0x09, 0x02]),
        (To::Module(module), vec![0x22, 0xF1, 0x90]),
        (To::Module(module), vec![0x10, 0x03]),
        (To::Module(module), vec![0x2E, 0x12, 0x34, 1, 2, 3, 4, 5, 6]),
    ] {
        let request = Request { to, bytes, n_replies: None };
        let began = link.now();
        match link.exchange(&request) {
            Ok(exchange) => check(&request, &exchange, began, link.now()),
            Err(error) if error.is_lost() && link.reopen().is_err() => return,
            Err(error) => assert!(!error.to_string().is_empty()),
        }
        let took = link.now() - began;
        assert!(took <= 4 * link::LONGEST_EXCHANGE_NS, "the exchange took {took} ns");
    }
    link.listen_to(&[Wanted::AnyFrame, Wanted::Frames(CanId::Standard(0x7E8))]);
    let until = link.now() + 100_000_000;
    if let Ok(heard) = link.hear(until) {
        assert!(heard.iter().all(|heard| heard.arrived_ns <= link.now()));
    }
    let _ = (link.supply_volts(), link.round_trip_ns());
}

/// Opens the same port again and again.
struct SharedDial(Arc<Mutex<Box<dyn Port>>>);

impl Dial for SharedDial {
    fn address(&self) -> &str {
        "fuzz"
    }

    fn dial(&mut self) -> Result<Box<dyn Port>, PortError> {
        Ok(Box::new(SharedPort(self.0.clone())))
    }

    fn now(&self) -> Nanos {
        self.0.lock().unwrap().now()
    }

    fn pause(&mut self, nanos: Nanos) {
        // What comes while nothing is open is lost.
        let mut port = self.0.lock().unwrap();
        let until = port.now() + nanos;
        while port.now() < until && port.read_until(&mut [0; 64], until).is_ok() {}
    }
}

struct SharedPort(Arc<Mutex<Box<dyn Port>>>);

impl Port for SharedPort {
    fn now(&self) -> Nanos {
        self.0.lock().unwrap().now()
    }

    fn write_all(&mut self, bytes: &[u8]) -> Result<(), PortError> {
        self.0.lock().unwrap().write_all(bytes)
    }

    fn read_until(&mut self, buffer: &mut [u8], deadline: Nanos) -> Result<usize, PortError> {
        self.0.lock().unwrap().read_until(buffer, deadline)
    }
}

fn seeds(seeds: &mut Seeds) {
    for (setup, spec) in [
        (0b1100, "fell"),
        (0b0000, "fell?bus=can29-500"),
        (0b1101, "fell?face=slcan"),
        (0b0001, "fell?face=slcan&bus=can29-250"),
        (0b0110, "fell?face=doip"),
    ] {
        let script = Arc::new(Mutex::new(Vec::new()));
        let port = standin::dial(spec).unwrap().dial().unwrap();
        converse(setup, Box::new(RecordingPort { port, script: script.clone() }));
        seeds.add([&[setup][..], &script.lock().unwrap()].concat());
    }
}
