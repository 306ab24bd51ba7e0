//! The car through every face that this program's links can open: the same answers, and the gain of asking several modules
//! at once.

#![allow(clippy::panic, reason = "a test fails by panicking")]

use link::{Feed, Heard, Hearing, Link, Next, Request, Settings, SlcanDial, Source, Target, Wanted};
use protocol::{Address, Bus, CanId};

const MS: i64 = 1_000_000;

fn open(spec: &str) -> Box<dyn Link> {
    standin::open(spec, Settings::default()).unwrap_or_else(|error| panic!("{spec}: {error}"))
}

fn read_vin(to: Target) -> Request {
    Request { to, bytes: vec![0x22, 0xF1, 0x90], n_replies: Some(1) }
}

fn module(reply: u16) -> Target {
    Target::Module(Address::from_reply11(reply))
}

#[test]
fn every_face_brings_the_same_answers() {
    for face in ["at", "slcan", "can"] {
        for (bus, wide, kbit_s) in [("can11-500", false, 500), ("can29-250", true, 250)] {
            let mut link = open(&format!("fell?script=idle&jitter=0&bus={bus}&face={face}"));
            assert_eq!(link.info().bus, Some(Bus::Can { wide, kbit_s }), "{face} {bus}");
            let engine = if wide { Address::from_reply29(0x18DA_F110) } else { Address::from_reply11(0x7E8) };
            let asked = Request { to: Target::Everyone, bytes: vec![0x01, 0x00], n_replies: None };
            let everyone = link.exchange(&asked).expect("the car answers");
            assert_eq!(everyone.problems, [] as [String; 0], "{face} {bus}");
            assert_eq!(everyone.replies.len(), 2, "engine and gearbox: {face} {bus} {everyone:?}");
            let exchange = link.exchange(&read_vin(Target::Module(engine))).expect("the car answers");
            assert_eq!(exchange.problems, [] as [String; 0], "{face} {bus}");
            let reply = exchange.replies.first().expect("an answer");
            assert_eq!(reply.from, engine);
            assert_eq!(reply.bytes.get(3..), Some(standin::VIN.as_bytes()), "{face} {bus}");
            assert!(exchange.asked_ns < reply.arrived_ns && reply.arrived_ns <= exchange.over_ns);
        }
    }
}

#[test]
fn a_gateway_passes_messages_on() {
    for (bus, engine, gearbox) in [("can11-500", 0x17E0, 0x17E1), ("can29-500", 0x1010, 0x1018)] {
        let mut link = open(&format!("fell?script=idle&jitter=0&bus={bus}&pending=gearbox:1:900&face=doip"));
        assert_eq!(link.info().bus, Some(Bus::Doip));
        let asked = Request { to: Target::Everyone, bytes: vec![0x01, 0x00], n_replies: None };
        let everyone = link.exchange(&asked).expect("the gateway is there");
        let from: Vec<Address> = everyone.replies.iter().map(|reply| reply.from).collect();
        assert_eq!(from, [Address::Logical(engine), Address::Logical(gearbox)], "{everyone:?}");
        let requests = [engine, gearbox].map(|module| read_vin(Target::Module(Address::Logical(module))));
        let exchanges = link.exchange_many(&requests).expect("the gateway is there");
        for exchange in &exchanges {
            let vin = exchange.replies.first().and_then(|reply| reply.bytes.get(3..));
            assert_eq!(vin, Some(standin::VIN.as_bytes()), "{exchange:?}");
            assert_eq!(exchange.problems, [] as [String; 0]);
        }
        let nobody = link.exchange(&read_vin(Target::Module(Address::Logical(0x1234)))).expect("the gateway is there");
        assert!(nobody.replies.is_empty());
        assert!(nobody.problems.iter().any(|problem| problem.contains("no module has this address")), "{nobody:?}");
        let anyone = Request { to: Target::Anyone(Address::Logical(0x1234)), bytes: vec![0x3E, 0], n_replies: None };
        let exchange = link.exchange(&anyone).expect("the gateway is there");
        assert!(
            exchange.replies.is_empty() && exchange.problems.is_empty() && exchange.over_ns - exchange.asked_ns < MS
        );
    }
}

#[test]
fn pending_busy_and_silent_modules() {
    for face in ["slcan", "can"] {
        let spec = format!("fell?script=idle&pending=engine:1:800&busy=gearbox:1&silent=brake:0:1000&face={face}");
        let mut link = open(&spec);
        let exchange = link.exchange(&read_vin(module(0x7E8))).expect("sent");
        let reply = exchange.replies.first().expect("after it asked for more time");
        assert_eq!(reply.bytes.first(), Some(&0x62));
        assert!(reply.arrived_ns - exchange.asked_ns > 800 * MS);
        let busy = link.exchange(&read_vin(module(0x7E9))).expect("sent");
        assert_eq!(busy.replies.first().map(|reply| reply.bytes.clone()), Some(vec![0x7F, 0x22, 0x21]));
        let silent = link.exchange(&read_vin(module(0x7EA))).expect("sent");
        assert!(silent.replies.is_empty() && silent.problems.is_empty(), "{silent:?}");
        assert!(silent.over_ns - silent.asked_ns < 200 * MS);
    }
}

/// A module that nobody knows is found by whoever answers to its identifier.
#[test]
fn whoever_listens_answers() {
    let mut link = open("fell?script=idle&face=can");
    let asked = Request { to: Target::Anyone(Address::from_reply11(0x7EB)), bytes: vec![0x3E, 0x00], n_replies: None };
    let exchange = link.exchange(&asked).expect("sent");
    let from: Vec<Address> = exchange.replies.iter().map(|reply| reply.from).collect();
    assert_eq!(from, [Address::from_reply11(0x7EB)]);
}

#[test]
fn several_modules_at_once_take_the_time_of_the_slowest() {
    // 4, 8, 6 and 12 ms to the answer of each.
    let requests: Vec<Request> = (0x7E8..0x7EC).map(module).map(read_vin).collect();
    let took = |face: &str, at_once: bool| {
        let mut link = open(&format!("fell?script=idle&jitter=0&face={face}"));
        let start = link.now();
        if at_once {
            let exchanges = link.exchange_many(&requests).expect("all sent");
            for (request, exchange) in requests.iter().zip(&exchanges) {
                assert_eq!(exchange.replies.len(), 1, "{request:?} {exchange:?}");
                assert_eq!(exchange.replies.first().map(|reply| Target::Module(reply.from)), Some(request.to));
            }
        } else {
            requests.iter().for_each(|request| assert_eq!(link.exchange(request).expect("sent").replies.len(), 1));
        }
        link.now() - start
    };
    assert!(took("can", false) > 30 * MS, "{}", took("can", false));
    assert!(took("can", true) < 17 * MS, "{}", took("can", true));
    // Behind an AT adapter one after another is all there is, and the answer is the same.
    assert!(took("at", true) > 30 * MS);
}

/// Asks the engine for its speed and listens to the gearbox's answers to somebody else.
struct Listener {
    left: usize,
    heard: Vec<Heard>,
}

impl Feed for Listener {
    fn next(&mut self, now: i64, _busy: &[Target]) -> Next {
        match self.left {
            0 => Next::Stop,
            1 => {
                self.left = 0;
                Next::Wait(now + 50 * MS)
            }
            _ => {
                self.left -= 1;
                Next::Ask(Request { to: Target::Everyone, bytes: vec![0x01, 0x0D], n_replies: Some(2) })
            }
        }
    }

    fn answered(&mut self, _request: Request, outcome: Result<link::Exchange, link::LinkError>) {
        assert_eq!(outcome.expect("sent").replies.len(), 2);
    }

    fn heard(&mut self, heard: Heard) {
        self.heard.push(heard);
    }
}

#[test]
fn frames_are_heard_beside_the_answers() {
    for face in ["slcan", "can"] {
        let mut link = open(&format!("fell?script=idle&face={face}"));
        let id = CanId::Standard(0x7E9);
        assert_eq!(link.listen_to(&[Wanted::Frames(id)]), Hearing::Always);
        let mut listener = Listener { left: 4, heard: Vec::new() };
        link.run(&mut listener).expect("the car is there");
        assert_eq!(listener.heard.len(), 3, "{face}");
        assert!(listener.heard.iter().all(|heard| heard.from == Source::Frame(id) && heard.bytes.len() == 8));
        assert_eq!(link.listen_to(&[]), Hearing::Always);
        assert_eq!(link.hear(link.now() + MS).expect("the car is there"), []);
    }
    assert_eq!(open("fell?script=idle").listen_to(&[Wanted::AnyFrame]), Hearing::Never);
}

/// Behind the filter the same answers come, and a busy network costs a slow line nothing.
#[test]
fn a_filter_keeps_broadcasts_off_the_line() {
    for bus in ["can11-500", "can29-500"] {
        let reads = |is_filtered: bool| {
            let spec = format!("fell?script=idle&jitter=0&face=slcan&baud=115200&broadcast=1000&bus={bus}");
            let dial = SlcanDial::new(standin::dial(&spec).unwrap_or_else(|error| panic!("{error}")));
            let dial = if is_filtered { dial.filtered() } else { dial };
            let mut link =
                link::can::start(Box::new(dial), Settings::default()).unwrap_or_else(|error| panic!("{error}"));
            let from =
                if bus == "can29-500" { Address::from_reply29(0x18DA_F110) } else { Address::from_reply11(0x7E8) };
            let start = link.now();
            for _ in 0..20 {
                let exchange = link.exchange(&read_vin(Target::Module(from))).expect("the car is there");
                assert_eq!(exchange.replies.len(), 1, "{bus} {exchange:?}");
            }
            // 58 bytes: a first frame and consecutive frames up to the number 8 (ISO 15765-2).
            let bytes = [0x22, 0xF1, 0x90, 0xF1, 0x90, 0xF1, 0x90].to_vec();
            let long = link.exchange(&Request { to: Target::Module(from), bytes, n_replies: Some(1) });
            let lengths: Vec<usize> =
                long.iter().flat_map(|long| &long.replies).map(|reply| reply.bytes.len()).collect();
            assert_eq!(lengths, [58], "{bus} {is_filtered} {long:?}");
            let hearing = link.listen_to(&[Wanted::AnyFrame]);
            assert_eq!(hearing, if is_filtered { Hearing::Never } else { Hearing::Always });
            link.now() - start
        };
        let (all, filtered) = (reads(false), reads(true));
        assert!(filtered < all, "{bus}: {filtered} {all}");
    }
}

#[test]
fn an_unplugged_adapter_is_lost_and_opens_again() {
    let mut link = open("fell?script=idle&face=slcan&gone=5:2");
    let request = read_vin(module(0x7E8));
    assert_eq!(link.exchange(&request).expect("plugged in").replies.len(), 1);
    link.pause(5_000 * MS);
    let error = link.exchange(&request).expect_err("unplugged");
    assert!(error.is_lost(), "{error}");
    assert!(link.reopen().is_err());
    link.pause(2_000 * MS);
    link.reopen().expect("plugged in again");
    assert_eq!(link.exchange(&request).expect("plugged in").replies.len(), 1);
}

#[test]
fn nobody_there_is_said() {
    let settings = Settings { need_vehicle: false, ..Settings::default() };
    let spec = "fell?face=can&silent=engine:0:10&silent=gearbox:0:10&silent=brake:0:10&silent=body:0:10";
    assert!(standin::open(spec, Settings::default()).is_err_and(|error| error.to_string().contains("no module")));
    let mut link = standin::open(spec, settings).expect("the adapter is there");
    assert_eq!(link.info().bus, None);
    assert!(link.exchange(&read_vin(module(0x7E8))).is_err_and(|error| !error.is_lost()));
    link.pause(12_000 * MS);
    assert_eq!(link.exchange(&read_vin(module(0x7E8))).expect("awake").replies.len(), 1);
}

/// P2 and P2* of a session reply (ISO 14229-1, service 10) are what the link waits from then on: 400 ms instead of 50, 9 s
/// instead of 5.
#[test]
fn a_session_that_takes_longer_is_waited_for() {
    for face in ["at", "slcan", "can", "doip"] {
        let spec = format!("fell?script=idle&jitter=0&session_ms=body:400:9000&pending=body:0.5&face={face}");
        let mut link = open(&spec);
        let body = if face == "doip" { Address::Logical(0x17E3) } else { Address::from_reply11(0x7EB) };
        let ask = |bytes: &[u8]| Request { to: Target::Module(body), bytes: bytes.to_vec(), n_replies: Some(1) };
        let session = link.exchange(&ask(&[0x10, 0x03])).expect("sent");
        assert_eq!(session.replies.first().map(|reply| reply.bytes.clone()), Some(vec![0x50, 3, 1, 0x90, 3, 0x84]));
        let (mut quick, mut late) = (0, 0);
        for _ in 0..12 {
            let exchange = link.exchange(&ask(&[0x22, 0xF1, 0x97])).expect("sent");
            let reply = exchange.replies.first().unwrap_or_else(|| panic!("{face}: {exchange:?}"));
            let took = reply.arrived_ns - exchange.asked_ns;
            assert!(took > 360 * MS, "{face}: {took} ns");
            if took > 8_000 * MS { late += 1 } else { quick += 1 }
        }
        assert!(quick > 0 && late > 0, "{face}: {quick} {late}");
    }
}
