//! The car behind a pass-thru library (SAE J2534) that this test builds: the library bridges to the stand-in's serial-line
//! face.

#![allow(clippy::panic, reason = "a test fails by panicking")]

use std::net::TcpListener;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use link::{LinkError, Request, Settings, Target};
use protocol::obd::info::{self, Info};
use protocol::{Address, Bus};

/// Builds the library for an address of the stand-in, or for a network on the K-line.
fn library(folder: &Path, network: &str) -> PathBuf {
    let name = network.replace(':', "-");
    let library = folder.join(format!("{}{name}{}", std::env::consts::DLL_PREFIX, std::env::consts::DLL_SUFFIX));
    let compiler = std::env::var_os("RUSTC").unwrap_or_else(|| "rustc".into());
    let built = Command::new(compiler)
        .args(["--crate-name", "library", "--crate-type", "cdylib", "--edition", "2024", "-o"])
        .arg(&library)
        .arg(concat!(env!("CARGO_MANIFEST_DIR"), "/tests/passthru/library.rs"))
        .env("STANDIN_ADDRESS", network)
        .output()
        .expect("the compiler runs");
    assert!(built.status.success(), "{}", String::from_utf8_lossy(&built.stderr));
    library
}

/// Two modules on a K-line, begun in each of the three ways (ISO 9141-2, ISO 14230-4).
#[test]
fn old_cars_are_read_through_a_library() {
    let folder = tempfile::tempdir().expect("a folder");
    for (network, bus) in [("iso9141", Bus::Iso9141), ("kwp-fast", Bus::KwpFast), ("kwp-5baud", Bus::Kwp5Baud)] {
        let address = format!("passthru:{}", library(folder.path(), network).display());
        let mut link = link::open(&address, Settings::default()).unwrap_or_else(|error| panic!("{network}: {error}"));
        assert_eq!(link.info().bus, Some(bus));
        let n_starts = |link: &mut dyn link::Link| {
            let volts = link.supply_volts().expect("it measures").expect("volts");
            ((volts - 12.34) * 1000.0).round() as i64
        };
        let begun = n_starts(link.as_mut());
        let speed = Request { to: Target::Everyone, bytes: vec![0x01, 0x0C], n_replies: Some(1) };
        let read = |link: &mut dyn link::Link| {
            let exchange = link.exchange(&speed).expect("the line is there");
            assert_eq!(exchange.problems, [] as [String; 0], "{network}");
            let [reply] = exchange.replies.as_slice() else { panic!("{network}: {exchange:?}") };
            assert_eq!((reply.from, reply.bytes.as_slice()), (Address::Node(0x11), &[0x41, 0x0C, 0x0B, 0xB8][..]));
        };
        read(link.as_mut());
        // Long answers come in several messages there.
        let vin = Request { to: Target::Everyone, bytes: vec![0x09, 0x02], n_replies: None };
        let exchange = link.exchange(&vin).expect("the line is there");
        let pieces: Vec<&[u8]> = exchange.replies.iter().map(|reply| reply.bytes.as_slice()).collect();
        let read_vin = info::interpret(&vin.bytes, &pieces, false).expect("a VIN");
        assert_eq!(read_vin.value, Info::Texts(vec!["1G4AH59H45G118341".to_owned()]), "{network}: {exchange:?}");
        if network == "kwp-fast" {
            // What was lost before an answer does not cost the adapter.
            let km_h = Request { to: Target::Everyone, bytes: vec![0x01, 0x0D], n_replies: Some(1) };
            let exchange = link.exchange(&km_h).expect("the line is there");
            let [reply] = exchange.replies.as_slice() else { panic!("{exchange:?}") };
            assert_eq!(reply.bytes, [0x41, 0x0D, 0x32]);
            // Longer than a conversation lasts when nothing is said.
            link.pause(6_000_000_000);
            read(link.as_mut());
            assert_eq!(n_starts(link.as_mut()), begun, "it was kept alive");
        }
        let block = Request { to: Target::Module(Address::Node(0x28)), bytes: vec![0x21, 0x01], n_replies: Some(1) };
        let exchange = link.exchange(&block).expect("the line is there");
        if bus == Bus::Iso9141 {
            assert!(exchange.replies.is_empty(), "there are emissions modules only: {exchange:?}");
        } else {
            let lengths: Vec<usize> = exchange.replies.iter().map(|reply| reply.bytes.len()).collect();
            assert_eq!(lengths, [72], "{network}: {exchange:?}");
            assert_eq!(n_starts(link.as_mut()), begun + 1, "a conversation of its own");
        }
        read(link.as_mut());
        // What answered is known the next time, and nobody is asked on CAN.
        drop(link);
        let again = Settings { bus: Some(bus), ..Settings::default() };
        assert_eq!(link::open(&address, again).expect("still there").info().bus, Some(bus));
    }
}

#[test]
fn the_car_is_read_through_a_library() {
    let listener = TcpListener::bind("127.0.0.1:0").expect("loopback");
    let address = listener.local_addr().expect("bound").to_string();
    let stop = Arc::new(AtomicBool::new(false));
    let server = {
        let stop = stop.clone();
        std::thread::spawn(move || {
            standin::serve_tcp(&listener, "fell?script=idle&face=slcan&baud=1000000", 1.0, &stop)
        })
    };
    let folder = tempfile::tempdir().expect("a folder");
    let library = library(folder.path(), &address);
    let address = format!("passthru:{}", library.display());
    let mut link = link::open(&address, Settings::default()).expect("the car answers");
    assert_eq!(link.info().bus, Some(Bus::Can { wide: false, kbit_s: 500 }));
    assert_eq!(link.info().adapter, "pass-thru firmware 1.0, library 2.0, interface 04.04");
    assert_eq!(link.supply_volts().expect("it measures"), Some(12.34));
    let read_vin = |reply: u16| Request {
        to: Target::Module(Address::from_reply11(reply)),
        bytes: vec![0x22, 0xF1, 0x90],
        n_replies: Some(1),
    };
    let exchanges = link.exchange_many(&[read_vin(0x7E8), read_vin(0x7EA)]).expect("the car answers");
    // The library said once that frames were lost before the one that it gave.
    assert!(exchanges.iter().any(|exchange| exchange.problems.iter().any(|problem| problem.contains("were lost"))));
    for exchange in exchanges {
        let vin = exchange.replies.first().and_then(|reply| reply.bytes.get(3..));
        assert_eq!(vin, Some(standin::VIN.as_bytes()), "{:?}", exchange.problems);
    }
    // One device, one user: a second one is told why; closing gives it back.
    let error = link::open(&address, Settings::default()).err().map(|error| error.to_string()).unwrap_or_default();
    assert!(error.contains("device in use"), "{error}");
    link.reopen().expect("given back and taken again");
    drop(link);
    stop.store(true, Ordering::Relaxed);
    assert!(server.join().expect("no panic").is_ok());
}

#[test]
fn what_is_no_library_is_said() {
    let folder = tempfile::tempdir().expect("a folder");
    let file = folder.path().join("text.so");
    std::fs::write(&file, "no library").expect("written");
    for (path, part) in [(file, "right word size"), (folder.path().join("missing.so"), "does not exist")] {
        let error = link::open(&format!("passthru:{}", path.display()), Settings::default()).err().expect("no library");
        assert!(matches!(error, LinkError::Port(_)), "{error}");
        assert!(error.hint().is_some_and(|hint| hint.contains(part)), "{:?}", error.hint());
    }
}
