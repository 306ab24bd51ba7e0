//! A byte stream over two characteristics, with a fake device that cuts its words as it likes, goes away and comes back.

mod fake;

use std::io::{Error, ErrorKind};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use fake::{FakeDial, Habits, MS, Said};
use link::ble::{Characteristic, Connection, Pair, Radio, pairs};
use link::{AtLink, BleDial, Dial, Link, LinkError, Port, PortError, Request, Settings, Target};
use proptest::prelude::*;

const ADDRESS: &str = "at+ble://02:00:00:00:00:01";
/// Battery and device information of the Bluetooth SIG, and a service of the fake's own.
const BATTERY: u128 = 0x0000_180F_0000_1000_8000_0080_5F9B_34FB;
const ABOUT: u128 = 0x0000_180A_0000_1000_8000_0080_5F9B_34FB;
const OWN: u128 = 0x5BAD_C0DE_0000_4000_8000_0000_0000_0001;

fn quiet(service: u128) -> Characteristic {
    Characteristic { service, ..Characteristic::default() }
}

/// Hears on 3, speaks on 2.
fn offered() -> Vec<Characteristic> {
    vec![
        quiet(ABOUT),
        Characteristic { notifies: true, takes_requests: true, ..quiet(BATTERY) },
        Characteristic { notifies: true, ..quiet(OWN) },
        Characteristic { takes_commands: true, takes_requests: true, ..quiet(OWN) },
    ]
}

/// What the fake device saw.
#[derive(Default)]
struct Seen {
    listened: Vec<usize>,
    pieces: Vec<(usize, Vec<u8>, bool)>,
}

/// A device with the bench adapter behind it, in the real order of things but without their times.
#[derive(Clone)]
struct Device {
    bench: FakeDial,
    offered: Vec<Characteristic>,
    /// Sizes of its notifications, over and over; 0: an empty one.
    sizes: Vec<usize>,
    longest: usize,
    seen: Arc<Mutex<Seen>>,
}

impl Device {
    fn new(sizes: &[usize]) -> Self {
        let habits = Habits { reset_ns: MS, ..Habits::default() };
        Self {
            bench: FakeDial::new(habits, Box::new(car)),
            offered: offered(),
            sizes: sizes.to_vec(),
            longest: 20,
            seen: Arc::default(),
        }
    }

    fn dial(&self) -> BleDial {
        BleDial::new(Box::new(self.clone()), ADDRESS)
    }
}

impl Radio for Device {
    fn connect(&mut self) -> std::io::Result<Box<dyn Connection>> {
        if !self.bench.bench().plugged {
            return Err(ErrorKind::NotFound.into());
        }
        Ok(Box::new(Connected { device: self.clone(), nth: 0 }))
    }
}

struct Connected {
    device: Device,
    nth: usize,
}

fn gone(_: PortError) -> Error {
    ErrorKind::NotConnected.into()
}

impl Connection for Connected {
    fn offered(&self) -> &[Characteristic] {
        &self.device.offered
    }

    fn listen(&mut self, characteristic: usize) -> std::io::Result<()> {
        self.device.seen.lock().expect("one thread").listened.push(characteristic);
        Ok(())
    }

    fn longest_piece(&self) -> usize {
        self.device.longest
    }

    fn write(&mut self, characteristic: usize, piece: &[u8], is_confirmed: bool) -> std::io::Result<()> {
        self.device.seen.lock().expect("one thread").pieces.push((characteristic, piece.to_vec(), is_confirmed));
        self.device.bench.write_all(piece).map_err(gone)
    }

    fn notified(&mut self, _left: Duration) -> std::io::Result<Option<Vec<u8>>> {
        let size = self.device.sizes[self.nth % self.device.sizes.len()];
        self.nth += 1;
        if size == 0 {
            return Ok(Some(Vec::new()));
        }
        let mut value = vec![0; size];
        let deadline = Port::now(&self.device.bench) + 1_000 * MS;
        let n = self.device.bench.read_until(&mut value, deadline).map_err(gone)?;
        value.truncate(n);
        Ok((n > 0).then_some(value))
    }
}

fn car(_: u32, request: &[u8], _: u32) -> Vec<Said> {
    match request {
        [0x01, 0x00] => vec![(MS, 0x7E8, vec![0x41, 0x00, 1, 2, 3, 4])],
        [0x01, 0x0D] => vec![(MS, 0x7E8, vec![0x41, 0x0D, 50])],
        [0x09, 0x02] => vec![(MS, 0x7E8, [&[0x49, 0x02, 0x01], b"TFELL000000000001".as_slice()].concat())],
        _ => Vec::new(),
    }
}

fn ask(link: &mut AtLink, bytes: &[u8]) -> Result<Vec<Vec<u8>>, LinkError> {
    let request = Request { to: Target::Everyone, bytes: bytes.to_vec(), n_replies: Some(1) };
    Ok(link.exchange(&request)?.replies.into_iter().map(|reply| reply.bytes).collect())
}

/// One conversation: what was answered and what the adapter was told.
fn conversation(device: &Device) -> (Vec<Vec<u8>>, Vec<String>) {
    let mut link = AtLink::start(Box::new(device.dial()), Settings::default()).expect("opens");
    assert_eq!(link.info().adapter, "Bench adapter 1.0");
    let mut answers = ask(&mut link, &[0x01, 0x0D]).expect("exchange");
    answers.extend(ask(&mut link, &[0x09, 0x02]).expect("exchange"));
    let heard = device.bench.bench().heard.clone();
    (answers, heard)
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(48) })]

    /// The same lines, however they are cut: the conversation is that of whole answers.
    #[test]
    fn any_cut_gives_the_same_conversation(
        sizes in prop::collection::vec(0_usize..30, 1..12).prop_filter("some bytes", |sizes| sizes.iter().any(|n| *n > 0)),
    ) {
        let whole = conversation(&Device::new(&[512]));
        prop_assert_eq!(whole.0.len(), 2, "both were answered");
        prop_assert_eq!(whole, conversation(&Device::new(&sizes)));
    }

    /// What is written arrives whole and in order, in pieces that the connection can carry.
    #[test]
    fn writes_are_cut_to_what_fits(bytes in prop::collection::vec(b'0'..=b'9', 0..700), longest in 0_usize..250) {
        let device = Device { longest, ..Device::new(&[20]) };
        let mut port = device.dial().dial().expect("in reach");
        port.write_all(&bytes).expect("connected");
        let seen = device.seen.lock().expect("one thread");
        prop_assert!(seen.pieces.iter().all(|(_, piece, _)| !piece.is_empty() && piece.len() <= longest.max(20)));
        let arrived: Vec<u8> = seen.pieces.iter().flat_map(|(_, piece, _)| piece.clone()).collect();
        prop_assert_eq!(arrived, bytes);
    }
}

#[test]
fn gone_and_back() {
    let device = Device::new(&[7]);
    let mut link = AtLink::start(Box::new(device.dial()), Settings::default()).expect("opens");
    assert_eq!(ask(&mut link, &[0x01, 0x0D]).expect("exchange"), [[0x41, 0x0D, 50]]);
    device.bench.bench().plugged = false;
    let error = ask(&mut link, &[0x01, 0x0D]).expect_err("out of range");
    assert!(matches!(error, LinkError::Port(PortError::Lost { .. })) && error.is_lost(), "{error}");
    let error = link.reopen().expect_err("still out of range");
    assert!(matches!(error, LinkError::Port(PortError::Open { .. })), "{error}");
    assert!(error.hint().is_some_and(|hint| hint.contains("no telephone is connected")), "{:?}", error.hint());
    device.bench.bench().plugged = true;
    link.reopen().expect("back");
    assert_eq!(ask(&mut link, &[0x01, 0x0D]).expect("exchange"), [[0x41, 0x0D, 50]]);
}

#[test]
fn pairs_are_told_by_what_they_can_do() {
    let own = Pair { hear: 2, say: 3, is_confirmed: false };
    let battery = Pair { hear: 1, say: 1, is_confirmed: true };
    assert_eq!(pairs(&offered()), [own, battery], "numbered services come last");
    // Two services of the device's own: the one that has nothing else in it first.
    let other = OWN + 1;
    let mut more = offered();
    more.extend([
        Characteristic { indicates: true, ..quiet(other) },
        Characteristic { takes_requests: true, ..quiet(other) },
        quiet(other),
    ]);
    let second = Pair { hear: 4, say: 5, is_confirmed: true };
    assert_eq!(pairs(&more), [own, second, battery]);
    // One characteristic for both ways.
    let both = Characteristic { notifies: true, takes_commands: true, ..quiet(OWN) };
    assert_eq!(pairs(&[both]), [Pair { hear: 0, say: 0, is_confirmed: false }]);
    // Never across services, and never one way only.
    let apart =
        [Characteristic { notifies: true, ..quiet(OWN) }, Characteristic { takes_commands: true, ..quiet(other) }];
    assert_eq!(pairs(&apart), []);
    assert_eq!(pairs(&[]), []);
}

#[test]
fn the_next_pair_is_tried_and_then_the_first_again() {
    let device = Device::new(&[20]);
    let mut dial = device.dial();
    let used = |dial: &mut BleDial| {
        dial.dial().expect("in reach").write_all(b"ATI\r").expect("connected");
        let seen = device.seen.lock().expect("one thread");
        let (say, _, is_confirmed) = seen.pieces.last().expect("written").clone();
        Pair { hear: *seen.listened.last().expect("listened"), say, is_confirmed }
    };
    let known = pairs(&offered());
    assert_eq!(used(&mut dial), known[0]);
    assert!(dial.try_next());
    assert_eq!(used(&mut dial), known[1]);
    assert!(!dial.try_next(), "all have been tried");
    assert_eq!(used(&mut dial), known[0]);
}

#[test]
fn a_device_of_another_sort_is_refused_with_advice() {
    let device = Device { offered: vec![quiet(ABOUT)], ..Device::new(&[20]) };
    let error = device.dial().dial().err().expect("nothing to talk to");
    assert!(error.to_string().contains("one that notifies"), "{error}");
    assert!(error.hint().is_some_and(|hint| hint.contains("classic Bluetooth")), "{:?}", error.hint());
}
