//! What an exchange costs beside the answer itself: first asks, changes of module, damage, adapters that know little.

mod fake;

use fake::{FakeDial, Habits, MS, Said};
use link::{AtLink, Exchange, LONGEST_EXCHANGE_NS, Link, LinkError, Request, Settings, Target};
use protocol::{Address, Bus, Nanos};

/// Engine and gearbox modules; the number of the request is in every answer.
fn car(header: u32, request: &[u8], number: u32) -> Vec<Said> {
    let n = number.to_be_bytes();
    let long =
        |size: usize| [&[0x62, 0xF1, 0x90], n.as_slice()].concat().into_iter().chain([0x31; 64]).take(size).collect();
    [(0x7E8_u32, 5 * MS), (0x7E9, 7 * MS)]
        .into_iter()
        .filter(|(id, _)| header == 0x7DF || header + 8 == *id)
        .filter_map(|(id, tau)| {
            let message = match request {
                [0x01, 0x00] => vec![0x41, 0x00, 0xBE, 0x3E, 0xB8, 0x13],
                [0x01, pid] => vec![0x41, *pid, n[2], n[3]],
                [0x22, 0xF1, 0x90] => long(20),
                [0x04] => vec![0x44],
                _ => return None,
            };
            Some((tau, id, message))
        })
        .collect()
}

fn start(habits: Habits, car: impl FnMut(u32, &[u8], u32) -> Vec<Said> + Send + 'static) -> (AtLink, FakeDial) {
    let dial = FakeDial::new(Habits { baud: 115_200, ..habits }, Box::new(car));
    let link = AtLink::start(Box::new(dial.clone()), Settings::default()).expect("starts");
    (link, dial)
}

fn module(reply: u16, bytes: &[u8]) -> Request {
    Request { to: Target::Module(Address::from_reply11(reply)), bytes: bytes.to_vec(), n_replies: None }
}

fn ask(link: &mut AtLink, request: &Request) -> (Exchange, Nanos) {
    let before = link.now();
    let exchange = link.exchange(request).expect("exchange");
    (exchange, link.now() - before)
}

/// Commands since `n` of them had been heard.
fn heard(dial: &FakeDial, n: usize) -> Vec<String> {
    dial.bench().heard[n..].to_vec()
}

/// Until the adapter's time-out has been fitted to what the car needs.
fn warm(link: &mut AtLink) {
    for _ in 0..8 {
        ask(link, &module(0x7E8, &[0x01, 0x01]));
    }
}

const RPM: [u8; 2] = [0x01, 0x0C];
const VIN: [u8; 3] = [0x22, 0xF1, 0x90];

#[test]
fn a_first_ask_does_not_wait_for_the_adapter() {
    let (mut link, dial) = start(Habits::default(), car);
    warm(&mut link);
    let n = dial.bench().heard.len();
    let (exchange, took) = ask(&mut link, &module(0x7E8, &RPM));
    assert_eq!((exchange.replies.len(), exchange.problems.len()), (1, 0), "{exchange:?}");
    assert!(took < 20 * MS, "{took} ns");
    // 20 bytes: a first frame with 6 and two more with 7 each (ISO 15765-2).
    let (exchange, took) = ask(&mut link, &module(0x7E8, &VIN));
    assert_eq!(exchange.replies.first().map(|reply| reply.bytes.len()), Some(20), "{exchange:?}");
    assert_eq!(exchange.problems, Vec::<String>::new());
    assert!(took < 40 * MS, "{took} ns");
    ask(&mut link, &module(0x7E8, &VIN));
    assert_eq!(heard(&dial, n), ["010C1", "22F1901", "22F1903", "22F1903"]);
}

#[test]
fn an_adapter_that_counts_messages_gives_long_answers_at_once() {
    let (mut link, dial) = start(Habits { counts_messages: true, ..Habits::default() }, car);
    warm(&mut link);
    let n = dial.bench().heard.len();
    for _ in 0..3 {
        // Short answers in between say nothing about what is counted.
        let (exchange, took) = ask(&mut link, &module(0x7E8, &VIN));
        assert_eq!(exchange.replies.first().map(|reply| reply.bytes.len()), Some(20), "{exchange:?}");
        assert!(took < 30 * MS, "{took} ns");
        ask(&mut link, &module(0x7E8, &RPM));
    }
    assert_eq!(heard(&dial, n), ["22F1901", "010C1"].repeat(3));
}

/// What does more than read is never asked twice, whatever its answer looks like.
#[test]
fn what_changes_something_is_asked_once() {
    let (mut link, dial) = start(Habits::default(), car);
    ask(&mut link, &module(0x7E8, &RPM));
    let n = dial.bench().heard.len();
    dial.bench().habits.script.push_back(("04", "7E8014<RX ERROR"));
    let (exchange, _) = ask(&mut link, &module(0x7E8, &[0x04]));
    assert_eq!(exchange.replies, Vec::new());
    assert_eq!(heard(&dial, n), ["04"]);
}

#[test]
fn frames_that_come_late_are_not_mixed_into_the_second_answer() {
    let (mut link, dial) = start(Habits { keeps_leftovers: true, ..Habits::default() }, car);
    for _ in 0..4 {
        let (exchange, _) = ask(&mut link, &module(0x7E8, &VIN));
        let number = dial.bench().n_requests().to_be_bytes();
        let bytes = exchange.replies.first().map(|reply| reply.bytes.get(3..7).map(<[u8]>::to_vec));
        assert_eq!(bytes, Some(Some(number.to_vec())), "{exchange:?}");
    }
}

#[test]
fn changing_the_module_takes_one_command() {
    let (mut link, dial) = start(Habits::default(), car);
    let requests = [module(0x7E8, &RPM), module(0x7E9, &RPM)];
    for request in requests.iter().cycle().take(10) {
        ask(&mut link, request);
    }
    let n = dial.bench().heard.len();
    for request in &requests {
        let (exchange, _) = ask(&mut link, request);
        assert_eq!(exchange.replies.iter().map(|reply| Target::Module(reply.from)).collect::<Vec<_>>(), [request.to]);
    }
    assert_eq!(heard(&dial, n), ["ATSH7E0", "010C1", "ATSH7E1", "010C1"]);
}

#[test]
fn changing_the_module_takes_one_command_with_29_bits() {
    let habits = Habits { bus: Bus::Can { wide: true, kbit_s: 500 }, ..Habits::default() };
    let (mut link, dial) = start(habits, |header, request, n| {
        let said = |id: u32| (5 * MS, id, vec![request[0] | 0x40, request[1], n.to_be_bytes()[3], 0]);
        let all = [(0x18DA_10F1, 0x18DA_F110), (0x18DA_18F1, 0x18DA_F118)];
        all.into_iter().filter(|(to, _)| header == 0x18DB_33F1 || header == *to).map(|(_, id)| said(id)).collect()
    });
    let request =
        |reply| Request { to: Target::Module(Address::from_reply29(reply)), bytes: RPM.to_vec(), n_replies: None };
    for reply in [0x18DA_F110, 0x18DA_F118].iter().cycle().take(10) {
        ask(&mut link, &request(*reply));
    }
    let n = dial.bench().heard.len();
    ask(&mut link, &request(0x18DA_F110));
    ask(&mut link, &request(0x18DA_F118));
    assert_eq!(heard(&dial, n), ["ATSHDA10F1", "010C1", "ATSHDA18F1", "010C1"]);
}

#[test]
fn a_damaged_answer_costs_one_exchange() {
    for damaged in ["7E804410C1234<RX ERROR", "BUS BUSY", "DATA ERROR", "7E804410C123"] {
        let (mut link, dial) = start(Habits::default(), car);
        let sound = (0..8).map(|_| ask(&mut link, &module(0x7E8, &RPM)).1).max().unwrap_or(0);
        let (_, sound) = (sound, ask(&mut link, &module(0x7E8, &RPM)).1);
        let n = dial.bench().heard.len();
        dial.bench().habits.script.push_back(("010C1", damaged));
        let (exchange, took) = ask(&mut link, &module(0x7E8, &RPM));
        assert_eq!(exchange.replies.len(), 1, "{damaged}: {exchange:?}");
        assert!(!exchange.problems.is_empty(), "{damaged}: said to have happened");
        assert!(took < 2 * sound, "{damaged}: {took} ns after {sound} ns");
        ask(&mut link, &module(0x7E8, &RPM));
        assert_eq!(heard(&dial, n), ["010C1"; 3], "{damaged}: the number of lines is still known");
    }
}

#[test]
fn a_lost_prompt_costs_little_when_all_else_is_there() {
    let (mut link, dial) = start(Habits::default(), car);
    for reply in [0x7E8, 0x7E9].iter().cycle().take(8) {
        ask(&mut link, &module(*reply, &RPM));
    }
    let next = dial.bench().n_answers + 1;
    dial.bench().habits.damage = Some(Box::new(move |mut text, n| {
        text.retain(|byte| *byte != b'>' || n != next);
        text
    }));
    let (exchange, took) = ask(&mut link, &module(0x7E8, &RPM));
    assert!(dial.bench().heard.iter().rev().take(3).any(|command| command == "ATRV"), "{:?}", dial.bench().heard);
    assert_eq!(exchange.replies.len(), 1, "{exchange:?}");
    assert!(took < 60 * MS, "behind a command: {took} ns");
    dial.bench().habits.script.push_back(("010C1", "7E804410C1234|no prompt"));
    let (exchange, took) = ask(&mut link, &module(0x7E8, &RPM));
    assert_eq!(exchange.replies.len(), 1, "{exchange:?}");
    assert!(took < 60 * MS, "behind an answer: {took} ns");
}

/// An adapter without counts waits 24 ms behind each answer; a module that takes longer is still heard, and its answer
/// is its own.
#[test]
fn without_counts_the_wait_is_short_and_safe() {
    let mut slow = false;
    let (mut link, dial) = start(Habits { takes_count: false, ..Habits::default() }, move |header, request, n| {
        let mut said = car(header, request, n);
        slow = n % 20 == 0 && !slow;
        said.iter_mut().filter(|_| slow).for_each(|(tau, ..)| *tau = 45 * MS);
        said
    });
    let mut took = Vec::new();
    for _ in 0..60 {
        let (exchange, ns) = ask(&mut link, &module(0x7E8, &RPM));
        let number = dial.bench().n_requests().to_be_bytes();
        let bytes = exchange.replies.first().map(|reply| reply.bytes.clone());
        assert_eq!(bytes, Some(vec![0x41, 0x0C, number[2], number[3]]), "{exchange:?}");
        took.push(ns);
    }
    took.sort_unstable();
    assert!(took[took.len() / 2] < 40 * MS, "{took:?}");
    assert!(dial.bench().heard.iter().any(|command| command == "ATST06"));
}

/// The answer that a busy module promised ends the listening.
#[test]
fn a_promised_answer_is_taken_as_soon_as_it_comes() {
    for size in [5, 11] {
        let (mut link, dial) = start(Habits::default(), move |header, request, n| match request {
            [0x22, ..] => vec![(5 * MS, 0x7E8, vec![0x7F, 0x22, 0x78])],
            [0x3E, 0x80] => {
                assert_eq!(header, 0x7DF, "a busy module need not take a request of its own");
                vec![(150 * MS, 0x7E8, [&[0x62, 0xF1, 0x90], vec![7; size - 3].as_slice()].concat())]
            }
            _ => car(header, request, n),
        });
        let (exchange, took) = ask(&mut link, &module(0x7E8, &VIN));
        if size == 5 {
            assert_eq!(exchange.replies.first().map(|reply| reply.bytes.len()), Some(size), "{exchange:?}");
            assert!(took < 250 * MS, "{took} ns");
        } else {
            // Cut off behind its first line, and asked for again with the right number; this module stays busy then.
            assert!(dial.bench().heard.iter().any(|command| command == "22F1902"), "{:?}", dial.bench().heard);
        }
    }
}

#[test]
fn an_adapter_that_addresses_nobody_asks_everyone() {
    let (mut link, dial) = start(Habits { unknown: vec!["ATSH"], ..Habits::default() }, car);
    for reply in [0x7E8, 0x7E9].iter().cycle().take(12) {
        let (exchange, _) = ask(&mut link, &module(*reply, &RPM));
        let from: Vec<Address> = exchange.replies.iter().map(|reply| reply.from).collect();
        assert_eq!(from, [Address::from_reply11(*reply)], "{exchange:?}");
    }
    assert!(link.info().notes.iter().any(|note| note.contains("cannot be addressed")), "{:?}", link.info().notes);
    assert_eq!(dial.bench().heard.iter().filter(|command| command.starts_with("ATSH")).count(), 2, "tried once");
    // Clearing the codes of one module must not clear everyone's.
    let n_requests = dial.bench().n_requests();
    let error = link.exchange(&module(0x7E8, &[0x04])).expect_err("to one module only");
    assert!(matches!(&error, LinkError::Unsendable(why) if why.contains("other modules")), "{error}");
    assert_eq!(dial.bench().n_requests(), n_requests);
}

#[test]
fn a_vehicle_that_answers_in_another_form_is_not_told_to_switch_the_ignition_on() {
    let dial = FakeDial::new(Habits::default(), Box::new(car));
    dial.bench().habits.script = [("0100", "410080180011BE3EB813A5"); 20].into();
    let error = AtLink::start(Box::new(dial), Settings::default()).err().expect("unreadable");
    assert!(matches!(&error, LinkError::Unreadable { said, .. } if said == "410080180011BE3EB813A5"), "{error}");
    assert!(error.hint().is_some_and(|hint| !hint.contains("ignition")), "{error}");
}

#[test]
fn an_adapter_without_a_command_for_the_network_is_asked_anyway() {
    let (mut link, _) = start(Habits { unknown: vec!["ATSP"], ..Habits::default() }, car);
    assert_eq!(link.info().bus, Some(Bus::Can { wide: false, kbit_s: 500 }));
    assert_eq!(ask(&mut link, &module(0x7E8, &RPM)).0.replies.len(), 1);
}

/// A recorder waits behind it: a module that asks for more time for ever is given up.
#[test]
fn an_exchange_ends() {
    for (request, limit_ns) in [(VIN.to_vec(), 12_000 * MS), (vec![0x04], LONGEST_EXCHANGE_NS)] {
        let service = request[0];
        let (mut link, _) = start(Habits::default(), move |header, asked, n| match asked {
            [0x01, ..] => car(header, asked, n),
            _ => vec![(150 * MS, 0x7E8, vec![0x7F, service, 0x78])],
        });
        let (exchange, took) = ask(&mut link, &module(0x7E8, &request));
        assert_eq!(exchange.replies, Vec::new());
        assert!(exchange.problems.iter().any(|problem| problem.contains("more time")), "{exchange:?}");
        assert!((limit_ns / 2..=limit_ns).contains(&took), "{service:02X}: {took} ns");
        // And the link lives on.
        assert_eq!(ask(&mut link, &module(0x7E8, &RPM)).0.replies.len(), 1);
    }
}
