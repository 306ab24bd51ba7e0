//! Real ports: a TCP socket and a pseudo-terminal, with an adapter behind them that goes away and comes back.

mod fake;

use std::io::{Read, Write};
use std::time::{Duration, Instant};

use fake::{FakeDial, Habits, MS, Said};
use link::{LinkError, Port, Request, Settings, Target};

fn car(_: u32, request: &[u8], _: u32) -> Vec<Said> {
    match request {
        [0x01, 0x00] => vec![(MS, 0x7E8, vec![0x41, 0x00, 1, 2, 3, 4])],
        [0x01, 0x0D] => vec![(MS, 0x7E8, vec![0x41, 0x0D, 50])],
        _ => Vec::new(),
    }
}

/// Serves the bench on a byte stream until `read` says that the peer is gone, or after `n_commands`. The bench's virtual
/// time stands still while nothing happens: only its order matters here.
fn serve(stream: &mut (impl Read + Write), n_commands: usize) {
    let mut bench = FakeDial::new(Habits { reset_ns: MS, ..Habits::default() }, Box::new(car));
    let mut buffer = [0; 256];
    while bench.bench().heard.len() < n_commands {
        let Ok(n @ 1..) = stream.read(&mut buffer) else {
            return;
        };
        bench.write_all(&buffer[..n]).expect("plugged");
        let deadline = link::Port::now(&bench) + 1_000 * MS;
        while let Ok(n @ 1..) = bench.read_until(&mut buffer, deadline) {
            if stream.write_all(&buffer[..n]).is_err() {
                return;
            }
        }
    }
}

fn speed() -> Request {
    Request { to: Target::Everyone, bytes: vec![0x01, 0x0D], n_replies: None }
}

fn within<T>(limit: Duration, what: impl FnOnce() -> T) -> T {
    let start = Instant::now();
    let result = what();
    assert!(start.elapsed() < limit, "took {:?}", start.elapsed());
    result
}

#[test]
fn tcp_gone_and_back() {
    let listener = std::net::TcpListener::bind("127.0.0.1:0").expect("loopback");
    let address = format!("at+tcp://{}", listener.local_addr().expect("bound"));
    let server = std::thread::spawn(move || {
        for n_commands in [20, 1_000] {
            let (mut stream, _) = listener.accept().expect("a client");
            serve(&mut stream, n_commands);
        }
    });
    let mut link = within(Duration::from_secs(10), || link::open(&address, Settings::default())).expect("opens");
    assert_eq!(link.info().adapter, "Bench adapter 1.0");
    let mut before = link.now();
    let error = loop {
        match link.exchange(&speed()) {
            Ok(exchange) => {
                assert_eq!(exchange.replies.first().map(|reply| reply.bytes.clone()), Some(vec![0x41, 0x0D, 50]));
                assert!(exchange.asked_ns >= before && exchange.over_ns <= link.now());
                before = exchange.over_ns;
            }
            Err(error) => break error,
        }
    };
    assert!(error.is_lost() && error.hint().is_some(), "{error}");
    within(Duration::from_secs(10), || link.reopen()).expect("back");
    assert!(link.now() > before, "one clock across the loss");
    assert_eq!(link.exchange(&speed()).expect("exchange").replies.len(), 1);
    drop(link);
    server.join().expect("server");
}

#[test]
fn tcp_errors_say_what_to_try() {
    let port = std::net::TcpListener::bind("127.0.0.1:0").and_then(|l| l.local_addr()).expect("loopback").port();
    let error = link::open(&format!("at+tcp://127.0.0.1:{port}"), Settings::default()).err().expect("closed");
    assert!(error.hint().is_some_and(|hint| hint.contains("nothing listens on port")), "{error}");
}

#[cfg(unix)]
mod pty {
    use super::*;
    use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
    use std::os::fd::OwnedFd;
    use std::path::{Path, PathBuf};

    fn terminal() -> (OwnedFd, PathBuf) {
        let master = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY).expect("pseudo-terminal");
        grantpt(&master).expect("grant");
        unlockpt(&master).expect("unlock");
        let name = ptsname(&master, Vec::new()).expect("name");
        (master, PathBuf::from(name.to_str().expect("ascii")))
    }

    /// A stable name for a pseudo-terminal that changes: as a device node by identity is.
    fn link_to(place: &Path, target: &Path) {
        let _ = std::fs::remove_file(place);
        std::os::unix::fs::symlink(target, place).expect("symlink");
    }

    #[test]
    fn gone_and_back() {
        let folder = tempfile::tempdir().expect("folder");
        let place = folder.path().join("adapter");
        let (master, path) = terminal();
        link_to(&place, &path);
        let server = std::thread::spawn(move || serve(&mut std::fs::File::from(master), 20));
        let address = format!("at+serial:{}?baud=115200", place.display());
        let mut link = within(Duration::from_secs(10), || link::open(&address, Settings::default())).expect("opens");
        assert_eq!(link.exchange(&speed()).expect("exchange").replies.len(), 1);
        let error = link::open(&address, Settings::default()).err().expect("in use");
        assert!(error.hint().is_some_and(|hint| hint.contains("another program")), "{error} {:?}", error.hint());
        let error = loop {
            if let Err(error) = link.exchange(&speed()) {
                break error;
            }
        };
        assert!(error.is_lost(), "{error}");
        server.join().expect("server");
        assert!(link.reopen().is_err());

        let (master, path) = terminal();
        link_to(&place, &path);
        let server = std::thread::spawn(move || serve(&mut std::fs::File::from(master), 1_000));
        within(Duration::from_secs(10), || link.reopen()).expect("back");
        assert_eq!(link.exchange(&speed()).expect("exchange").replies.len(), 1);
        drop(link);
        server.join().expect("server");
    }

    #[test]
    fn errors_say_what_to_try() {
        let folder = tempfile::tempdir().expect("folder");
        let file = folder.path().join("plain");
        std::fs::write(&file, "").expect("file");
        for (path, part) in [(folder.path().join("none"), "does not exist"), (file, "not a serial port")] {
            let error =
                link::open(&format!("at+serial:{}", path.display()), Settings::default()).err().expect("no port");
            assert!(matches!(error, LinkError::Port(_)));
            assert!(error.hint().is_some_and(|hint| hint.contains(part)), "{error} {:?}", error.hint());
        }
    }

    /// Nobody at the other end: an error within the time that the tries at one rate take.
    #[test]
    fn silence() {
        let (_master, path) = terminal();
        let address = format!("at+serial:{}?baud=38400", path.display());
        let error =
            within(Duration::from_secs(15), || link::open(&address, Settings::default()).err()).expect("silent");
        assert!(matches!(error, LinkError::AdapterSilent { .. }), "{error}");
        assert!(error.hint().is_some_and(|hint| hint.contains("38400 baud may be wrong")));
    }
}
