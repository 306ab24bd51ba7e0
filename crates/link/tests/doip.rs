//! Diagnostics over IP (ISO 13400-2): how a connection begins and ends, against a gateway made of the messages' bytes.

use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::thread::JoinHandle;
use std::time::Duration;

use link::{Link, LinkError, Request, Settings, Target, TcpDial, doip};
use protocol::Address;

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
    let address = link::Dial::address(&dial).to_owned();
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
