//! How fast the link asks, against the highest rate that line, network and module allow.

mod fake;

use fake::{FakeDial, Habits, MS};
use link::{AtLink, Link, Request, Settings, Target};
use protocol::{Address, Nanos};

/// 500 kbit/s, 11-bit identifiers, 8 data bytes, no stuffing: 111 bits.
const FRAME_NS: Nanos = 222_000;

/// Exchanges per second of the wire, the module and the adapter, with headers and the expected count, without spaces.
///
/// Derived here from the figures of ISO 11898-1 and ISO 15765-2: request, two frame times and `tau`, then each line from
/// the later of the end of the line before it and the arrival of its frame, then return and prompt.
fn bound(baud: i64, n_request: i64, lines: &[i64], tau: Nanos) -> f64 {
    let char_ns = 10_000_000_000 / baud;
    let mut t = n_request * char_ns + FRAME_NS + tau;
    let asked = t;
    for (idx, n_chars) in lines.iter().enumerate() {
        let arrived = asked + FRAME_NS * (i64::try_from(idx).expect("few") + 1);
        t = t.max(arrived) + n_chars * char_ns;
    }
    1e9 / (t + 2 * char_ns) as f64
}

/// Exchanges per second from the first request on, the search for the number of lines included.
fn achieved(baud: i64, pids: &[u8], n_bytes: usize, tau: Nanos) -> f64 {
    let pids_in_car = pids.to_vec();
    let dial = FakeDial::new(
        Habits { baud, ..Habits::default() },
        Box::new(move |_, request, n| {
            if request == [0x01, 0x00] {
                return vec![(tau, 0x7E8, vec![0x41, 0x00, 0xFF, 0xFF, 0xFF, 0xFF])];
            }
            assert_eq!(request.get(1..), Some(pids_in_car.as_slice()));
            let mut message = vec![0x41];
            message.extend(&request[1..2]);
            message.resize(n_bytes, n.to_be_bytes()[3]);
            vec![(tau, 0x7E8, message)]
        }),
    );
    let mut link = AtLink::start(Box::new(dial), Settings::default()).expect("starts");
    let to = Target::Module(Address::from_reply11(0x7E8));
    let request = Request { to, bytes: [&[0x01], pids].concat(), n_replies: None };
    let start = link.now();
    let mut n = 0;
    while link.now() - start < 30_000 * MS {
        let exchange = link.exchange(&request).expect("exchange");
        assert_eq!((exchange.replies.len(), exchange.problems.len()), (1, 0), "{exchange:?}");
        n += 1;
    }
    f64::from(n) / ((link.now() - start) as f64 / 1e9)
}

/// Rates of the published table that the bound must give: 115 200 baud, 5 ms: 136 one at a time, 491 samples in sixes.
#[test]
fn the_bound_is_the_published_one() {
    let (one, six) = (bound(115_200, 6, &[14], 5 * MS), 6.0 * bound(115_200, 16, &[20, 20, 20], 5 * MS));
    assert!((one - 136.0).abs() < 0.5 && (six - 491.0).abs() < 0.5, "{one} {six}");
    let (one, six) = (bound(38_400, 6, &[14], 25 * MS), 6.0 * bound(38_400, 16, &[20, 20, 20], 25 * MS));
    assert!((one - 32.0).abs() < 0.5 && (six - 131.0).abs() < 0.5, "{one} {six}");
}

#[test]
fn the_link_asks_as_fast_as_the_car_answers() {
    println!("baud     tau ms   one/s  bound  ratio   six/s  bound  ratio");
    for baud in [38_400, 115_200, 500_000] {
        for tau_ms in [1, 5, 25] {
            let tau = tau_ms * MS;
            let (one, one_bound) = (achieved(baud, &[0x0C], 4, tau), bound(baud, 6, &[14], tau));
            let pids = [0x04, 0x05, 0x0C, 0x0D, 0x0F, 0x10];
            let (six, six_bound) = (achieved(baud, &pids, 15, tau), bound(baud, 16, &[20, 20, 20], tau));
            let (one_ratio, six_ratio) = (one / one_bound, six / six_bound);
            println!(
                "{baud:<8} {tau_ms:>6} {one:>8.1} {one_bound:>6.1} {one_ratio:>6.3} {:>7.1} {:>6.1} {six_ratio:>6.3}",
                six * 6.0,
                six_bound * 6.0
            );
            for ratio in [one_ratio, six_ratio] {
                assert!((0.95..1.01).contains(&ratio), "{baud} {tau_ms}: {ratio}");
            }
        }
    }
}
