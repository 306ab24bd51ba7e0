//! Diagnostics over IP on a secured connection (ISO 13400-2 of 2019): the stand-in behind a TLS server of this test, with
//! certificates that `tls/make.sh` made.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a test fails by panicking")]

use std::io::{ErrorKind, Read, Write};
use std::net::{TcpListener, TcpStream};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use link::{Request, Settings, Target};
use protocol::Address;
use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, PrivateKeyDer};
use rustls::{ServerConfig, ServerConnection, StreamOwned};

fn file(name: &str) -> std::path::PathBuf {
    std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/tls").join(name)
}

fn config() -> Arc<ServerConfig> {
    let certificate = CertificateDer::from_pem_file(file("vehicle.pem")).unwrap();
    let key = PrivateKeyDer::from_pem_file(file("vehicle.key")).unwrap();
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let config = ServerConfig::builder_with_provider(provider).with_safe_default_protocol_versions().unwrap();
    Arc::new(config.with_no_client_auth().with_single_cert(vec![certificate], key).unwrap())
}

/// Moves what is there from one side to the other; `false` when that side has ended.
fn pass(from: &mut impl Read, to: &mut impl Write) -> bool {
    let mut buffer = [0; 4096];
    match from.read(&mut buffer) {
        Ok(0) => false,
        Ok(n) => to.write_all(&buffer[..n]).and_then(|()| to.flush()).is_ok(),
        Err(error) => matches!(error.kind(), ErrorKind::WouldBlock | ErrorKind::TimedOut),
    }
}

fn bridge(secured: TcpStream, plain: TcpStream, config: Arc<ServerConfig>, stop: &AtomicBool) {
    let wait = Some(Duration::from_millis(2));
    secured.set_read_timeout(wait).unwrap();
    plain.set_read_timeout(wait).unwrap();
    let mut plain_out = plain.try_clone().unwrap();
    let mut plain = plain;
    let mut secured = StreamOwned::new(ServerConnection::new(config).unwrap(), secured);
    while !stop.load(Ordering::Relaxed) && pass(&mut secured, &mut plain_out) && pass(&mut plain, &mut secured) {}
}

#[test]
fn the_car_is_read_over_a_secured_connection() {
    let stop = Arc::new(AtomicBool::new(false));
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let plain = listener.local_addr().unwrap();
    let car = {
        let stop = Arc::clone(&stop);
        std::thread::spawn(move || standin::serve_tcp(&listener, "fell?script=idle&face=doip", 1.0, &stop))
    };
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let port = listener.local_addr().unwrap().port();
    let server = {
        let stop = Arc::clone(&stop);
        std::thread::spawn(move || {
            for secured in listener.incoming().flatten() {
                if stop.load(Ordering::Relaxed) {
                    return;
                }
                bridge(secured, TcpStream::connect(plain).unwrap(), config(), &stop);
            }
        })
    };
    let address = |authority: &str, name: &str| {
        format!("doip+tls://127.0.0.1:{port}?ca={}&name={name}", file(authority).display())
    };
    let mut link = link::open(&address("authority.pem", "vehicle.example"), Settings::default()).unwrap();
    let request =
        Request { to: Target::Module(Address::Logical(0x17E0)), bytes: vec![0x22, 0xF1, 0x90], n_replies: Some(1) };
    for _ in 0..3 {
        let exchange = link.exchange(&request).unwrap();
        assert_eq!(exchange.replies[0].bytes.get(3..), Some(standin::VIN.as_bytes()), "{:?}", exchange.problems);
    }
    drop(link);
    // Nobody else is trusted, and the name counts; each time it is said what to do.
    for (authority, name, part) in [
        ("stranger.pem", "vehicle.example", "UnknownIssuer"),
        ("authority.pem", "other.example", "not valid for name"),
        ("make.sh", "vehicle.example", "no certificate"),
        ("missing.pem", "vehicle.example", "missing.pem"),
    ] {
        let error = link::open(&address(authority, name), Settings::default()).err().unwrap();
        assert!(error.to_string().contains(part), "{error}");
        assert!(error.hint().is_some_and(|hint| hint.contains("ca=")), "{:?}", error.hint());
    }
    stop.store(true, Ordering::Relaxed);
    drop(TcpStream::connect(("127.0.0.1", port)));
    server.join().unwrap();
    assert!(car.join().unwrap().is_ok());
}
