//! The stand-in served to other programs: TCP and pseudo terminal, one client after another.

use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

fn ask(line: &mut (impl Read + Write), text: &str) -> String {
    line.write_all(text.as_bytes()).expect("the stand-in listens");
    let mut said = Vec::new();
    let mut buffer = [0; 256];
    let started = Instant::now();
    while !said.ends_with(b">") {
        assert!(started.elapsed() < Duration::from_secs(20), "{:?}", String::from_utf8_lossy(&said));
        match line.read(&mut buffer) {
            Ok(n) if n > 0 => said.extend(&buffer[..n]),
            _ => std::thread::sleep(Duration::from_millis(2)),
        }
    }
    String::from_utf8_lossy(&said).into_owned()
}

#[test]
fn tcp_serves_one_client_after_another() {
    let listener = TcpListener::bind("127.0.0.1:0").expect("loopback");
    let address = listener.local_addr().expect("bound");
    let stop = Arc::new(AtomicBool::new(false));
    let server = {
        let stop = stop.clone();
        std::thread::spawn(move || standin::serve_tcp(&listener, "fell?script=idle", 10.0, &stop))
    };
    let connect = || {
        let stream = TcpStream::connect(address).expect("the stand-in listens");
        stream.set_read_timeout(Some(Duration::from_secs(5))).expect("a time-out");
        stream
    };
    let mut first = connect();
    assert_eq!(ask(&mut first, "ATE0\r"), "ATE0\rOK\r\r>");
    // Leaves in the middle of a request.
    first.write_all(b"0100\r").expect("sent");
    drop(first);
    let mut second = connect();
    // The adapter stayed plugged in: it still answers the first client's request, and echo is still off.
    second.set_read_timeout(Some(Duration::from_millis(500))).expect("a time-out");
    let mut rest = [0; 256];
    while second.read(&mut rest).is_ok_and(|n| n > 0) {}
    assert_eq!(ask(&mut second, "ATSP6\r"), "OK\r\r>");
    let answer = ask(&mut second, "010C1\r");
    assert!(answer.starts_with("41 0C "), "{answer:?}");
    stop.store(true, Ordering::Relaxed);
    assert!(server.join().expect("no panic").is_ok());
}

#[cfg(unix)]
#[test]
fn a_pseudo_terminal_serves_one_client_after_another() {
    let mut terminal = standin::Terminal::open().expect("a pseudo terminal");
    let path = terminal.path().to_owned();
    let stop = Arc::new(AtomicBool::new(false));
    let server = {
        let stop = stop.clone();
        std::thread::spawn(move || standin::serve_pty(&mut terminal, "fell?script=idle", 10.0, &stop))
    };
    for expected in ["ATE0\rOK\r\r>", "OK\r\r>"] {
        let mut line = std::fs::OpenOptions::new().read(true).write(true).open(&path).expect("opens like a port");
        assert_eq!(ask(&mut line, "ATE0\r"), expected);
        drop(line);
        std::thread::sleep(Duration::from_millis(100));
    }
    stop.store(true, Ordering::Relaxed);
    assert!(server.join().expect("no panic").is_ok());
}

#[test]
fn an_impossible_speed_is_refused() {
    let listener = TcpListener::bind("127.0.0.1:0").expect("loopback");
    for speed in [0.0, -1.0, f64::NAN, 1e9] {
        assert!(standin::serve_tcp(&listener, "fell", speed, &AtomicBool::new(true)).is_err());
    }
}
