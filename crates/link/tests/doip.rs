//! Diagnostics over IP (ISO 13400-2): how a connection begins and ends, against a gateway made of the messages' bytes.

use std::collections::VecDeque;
use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::sync::{Arc, Mutex};
use std::thread::JoinHandle;
use std::time::Duration;

use link::{Dial, Link, LinkError, Port, PortError, Request, Settings, Target, TcpDial, doip};
use protocol::{Address, Nanos};

/// Routing activation as this tester asks for it.
const ACTIVATE: [u8; 15] = [2, 0xFD, 0, 5, 0, 0, 0, 7, 0x0E, 0x80, 0, 0, 0, 0, 0];
/// Identifier F190 of module 1010, its acknowledgement and its answer.
const ASK: [u8; 15] = [2, 0xFD, 0x80, 1, 0, 0, 0, 7, 0x0E, 0x80, 0x10, 0x10, 0x22, 0xF1, 0x90];
const ACK: [u8; 13] = [2, 0xFD, 0x80, 2, 0, 0, 0, 5, 0x10, 0x10, 0x0E, 0x80, 0];
const ANSWER: [u8; 16] = [2, 0xFD, 0x80, 1, 0, 0, 0, 8, 0x10, 0x10, 0x0E, 0x80, 0x62, 0xF1, 0x90, 0x31];

fn activation(code: u8) -> [u8; 17] {
    [2, 0xFD, 0, 6, 0, 0, 0, 9, 0x0E, 0x80, 0x10, 0x00, code, 0, 0, 0, 0]
}

fn expect(stream: &mut TcpStream, bytes: &[u8]) {
    let mut got = vec![0; bytes.len()];
    stream.read_exact(&mut got).expect("the tester speaks");
    assert_eq!(got, bytes);
}

/// A gateway that serves connections as `serve` does, by their number; where it is.
fn gateway(n: usize, serve: impl Fn(usize, &mut TcpStream) + Send + 'static) -> (TcpDial, JoinHandle<()>) {
    let listener = TcpListener::bind("127.0.0.1:0").expect("loopback");
    let address = listener.local_addr().expect("bound");
    let server = std::thread::spawn(move || {
        for number in 0..n {
            let (mut stream, _) = listener.accept().expect("a tester");
            stream.set_read_timeout(Some(Duration::from_secs(10))).expect("an option");
            serve(number, &mut stream);
        }
    });
    (TcpDial::new("127.0.0.1", address.port(), &format!("doip://{address}")), server)
}

fn read_vin(link: &mut dyn Link) -> Result<Vec<Vec<u8>>, LinkError> {
    let to = Target::Module(Address::Logical(0x1010));
    let exchange = link.exchange(&Request { to, bytes: vec![0x22, 0xF1, 0x90], n_replies: Some(1) })?;
    Ok(exchange.replies.into_iter().map(|reply| reply.bytes).collect())
}

/// ISO 13400-2, generic header: where version and its inverse do not fit, nothing behind them can be read, and the connection
/// is to be closed. It must not stay open and deaf.
#[test]
fn a_connection_that_cannot_be_read_any_more_is_lost_and_opens_again() {
    let (dial, server) = gateway(2, |number, stream| {
        expect(stream, &ACTIVATE);
        stream.write_all(&activation(0x10)).expect("there");
        expect(stream, &ASK);
        if number == 0 {
            stream.write_all(&[&ACK[..], b"something else"].concat()).expect("there");
        } else {
            stream.write_all(&[&ACK[..], &ANSWER].concat()).expect("there");
        }
        // Until the tester has gone.
        let _ = stream.read_to_end(&mut Vec::new());
    });
    let mut link = doip::start(Box::new(dial), None, Settings::default()).expect("it is active");
    let error = read_vin(link.as_mut()).expect_err("nothing can be read");
    assert!(error.is_lost() && error.to_string().contains("73 6F"), "{error}");
    link.reopen().expect("back");
    assert_eq!(read_vin(link.as_mut()).expect("there"), [[0x62, 0xF1, 0x90, 0x31]]);
    drop(link);
    server.join().expect("no panic");
}

/// Code 11, "routing will be activated; confirmation required", is not yet a permission: it comes with 10, or is denied with
/// 05 (codes as a general-purpose packet library lists them).
#[test]
fn a_confirmation_in_the_vehicle_is_waited_for() {
    let (dial, server) = gateway(2, |number, stream| {
        expect(stream, &ACTIVATE);
        stream.write_all(&activation(0x11)).expect("there");
        stream.set_read_timeout(Some(Duration::from_millis(100))).expect("an option");
        assert!(stream.read(&mut [0; 1]).is_err(), "nothing is asked before it is confirmed");
        stream.set_read_timeout(Some(Duration::from_secs(10))).expect("an option");
        if number == 0 {
            return stream.write_all(&activation(0x05)).expect("there");
        }
        stream.write_all(&activation(0x10)).expect("there");
        expect(stream, &ASK);
        stream.write_all(&[&ACK[..], &ANSWER].concat()).expect("there");
        let _ = stream.read_to_end(&mut Vec::new());
    });
    let address = dial.address().to_owned();
    let port = address.rsplit(':').next().and_then(|port| port.parse().ok()).expect("a port");
    let error = doip::start(Box::new(dial), None, Settings::default()).err().expect("it is denied");
    assert!(error.to_string().contains("confirmation was refused (05)"), "{error}");
    assert!(error.hint().is_some_and(|hint| hint.contains("confirm it in the vehicle")), "{:?}", error.hint());
    let again = TcpDial::new("127.0.0.1", port, &address);
    let mut link = doip::start(Box::new(again), None, Settings::default()).expect("it is confirmed");
    assert_eq!(read_vin(link.as_mut()).expect("there"), [[0x62, 0xF1, 0x90, 0x31]]);
    drop(link);
    server.join().expect("no panic");
}

const SECOND: Nanos = 1_000_000_000;

/// A gateway on a virtual clock: each connection has the delays after which its messages are answered, and then says nothing.
#[derive(Clone)]
struct Virtual(Arc<Mutex<(Nanos, VecDeque<Vec<Nanos>>)>>);

struct VirtualPort {
    clock: Virtual,
    delays: VecDeque<Nanos>,
    out: VecDeque<(Nanos, u8)>,
}

impl Virtual {
    fn of(connections: &[&[Nanos]]) -> Self {
        Self(Arc::new(Mutex::new((0, connections.iter().map(|delays| delays.to_vec()).collect()))))
    }

    fn go_on_to(&self, at: Nanos) {
        let mut state = self.0.lock().expect("one thread");
        state.0 = state.0.max(at);
    }
}

impl Dial for Virtual {
    fn address(&self) -> &str {
        "doip://invented"
    }

    fn dial(&mut self) -> Result<Box<dyn Port>, PortError> {
        let delays = self.0.lock().expect("one thread").1.pop_front().unwrap_or_default().into();
        Ok(Box::new(VirtualPort { clock: self.clone(), delays, out: VecDeque::new() }))
    }

    fn now(&self) -> Nanos {
        self.0.lock().expect("one thread").0
    }

    fn pause(&mut self, nanos: Nanos) {
        self.go_on_to(self.now() + nanos);
    }
}

impl Port for VirtualPort {
    fn now(&self) -> Nanos {
        self.clock.now()
    }

    fn write_all(&mut self, bytes: &[u8]) -> Result<(), PortError> {
        let answer = match bytes {
            _ if bytes == ACTIVATE => activation(0x10).to_vec(),
            _ if bytes == ASK => [&ACK[..], &ANSWER].concat(),
            // Whether it is there, which is asked before what had no answer.
            _ => [&ACK[..], &[2, 0xFD, 0x80, 1, 0, 0, 0, 6, 0x10, 0x10, 0x0E, 0x80, 0x7E, 0]].concat(),
        };
        if let Some(delay) = self.delays.pop_front() {
            let at = self.now() + delay;
            self.out.extend(answer.into_iter().map(|byte| (at, byte)));
        }
        Ok(())
    }

    fn read_until(&mut self, buffer: &mut [u8], deadline: Nanos) -> Result<usize, PortError> {
        let first = self.out.front().map_or(Nanos::MAX, |(at, _)| *at);
        self.clock.go_on_to(first.min(deadline));
        let mut n = 0;
        while n < buffer.len() && self.out.front().is_some_and(|(at, _)| *at <= self.now()) {
            buffer[n] = self.out.pop_front().expect("it is there").1;
            n += 1;
        }
        Ok(n)
    }
}

/// A pulled cable closes nothing: without this the operating system would wait for a quarter of an hour.
#[test]
fn a_gateway_that_is_gone_without_a_word_is_lost_and_opens_again() {
    let mut clock = Virtual::of(&[&[0, 0], &[0, 0, 0]]);
    let mut link = doip::start(Box::new(clock.clone()), None, Settings::default()).expect("it is active");
    assert_eq!(read_vin(link.as_mut()).expect("there").len(), 1);
    clock.pause(60 * SECOND);
    let since = clock.now();
    let error = loop {
        match read_vin(link.as_mut()) {
            Ok(replies) => assert!(replies.is_empty()),
            Err(error) => break error,
        }
        assert!(clock.now() - since < 20 * SECOND, "it is never lost");
    };
    assert!(error.is_lost() && error.to_string().contains("acknowledges nothing any more"), "{error}");
    assert!((5 * SECOND..=8 * SECOND).contains(&(clock.now() - since)), "{}", clock.now() - since);
    link.reopen().expect("back");
    assert_eq!(read_vin(link.as_mut()).expect("there"), [[0x62, 0xF1, 0x90, 0x31]]);
}

/// A line that stalls for four seconds is none that is gone.
#[test]
fn a_gateway_that_stalls_is_kept() {
    let clock = Virtual::of(&[&[0, 0, 4 * SECOND, 2 * SECOND, 0, 0, 0]]);
    let mut link = doip::start(Box::new(clock), None, Settings::default()).expect("it is active");
    for k in 0..4 {
        read_vin(link.as_mut()).unwrap_or_else(|error| panic!("request {k}: {error}"));
    }
}
