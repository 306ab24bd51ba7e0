//! The AT-command link against an adapter with bad habits, on a virtual clock.

mod fake;

use fake::{FakeDial, Habits, MS, Said};
use link::{AtLink, Dial, Exchange, Link, LinkError, Port, PortError, Request, Settings, Target};
use protocol::{Address, Bus, Nanos};

const ENGINE: u32 = 0x7E8;

/// An engine module that answers services 01 and 09, and a gearbox module that answers some of 01.
fn car(header: u32, request: &[u8], number: u32) -> Vec<Said> {
    let n = number.to_be_bytes();
    let engine = |message: Vec<u8>| (5 * MS, ENGINE, message);
    let gearbox = |message: Vec<u8>| (7 * MS, 0x7E9, message);
    let all = match request {
        [0x01, 0x00] => vec![engine(vec![0x41, 0x00, 0xBE, 0x3E, 0xB8, 0x13]), gearbox(vec![0x41, 0, 0x80, 0, 0, 1])],
        [0x01, 0x0C] => vec![engine(vec![0x41, 0x0C, n[2], n[3]])],
        [0x01, 0x01] => vec![engine(vec![0x41, 0x01, 0, 7, n[2], n[3]]), gearbox(vec![0x41, 0x01, 0, 0, n[2], n[3]])],
        [0x01, _, _, ..] => {
            vec![engine([vec![0x41], request[1..].iter().flat_map(|pid| [*pid, n[3], n[2]]).collect()].concat())]
        }
        [0x09, 0x02] => vec![
            engine([b"\x49\x02\x01".as_slice(), b"WMK00000000000001"].concat()),
            gearbox([b"\x49\x02\x01".as_slice(), b"WMK00000000000002"].concat()),
        ],
        _ => Vec::new(),
    };
    all.into_iter().filter(|(_, id, _)| header == 0x7DF || header + 8 == *id).collect()
}

fn start(habits: Habits) -> (AtLink, FakeDial) {
    let dial = FakeDial::new(habits, Box::new(car));
    let link = AtLink::start(Box::new(dial.clone()), Settings::default()).expect("starts");
    (link, dial)
}

fn everyone(bytes: &[u8]) -> Request {
    Request { to: Target::Everyone, bytes: bytes.to_vec(), n_replies: None }
}

fn module(reply: u16, bytes: &[u8]) -> Request {
    Request { to: Target::Module(Address::from_reply11(reply)), bytes: bytes.to_vec(), n_replies: None }
}

fn ask(link: &mut AtLink, request: &Request) -> Exchange {
    let exchange = link.exchange(request).expect("exchange");
    assert!(exchange.asked_ns <= exchange.over_ns);
    exchange
}

/// Identity, two modules' answers in one exchange, long interleaved answers, and a counted poll.
fn whole_pass(habits: Habits, n_modules: usize) -> (AtLink, FakeDial) {
    let (mut link, dial) = start(habits);
    let exchange = ask(&mut link, &everyone(&[0x01, 0x01]));
    assert_eq!(exchange.replies.len(), n_modules, "{exchange:?}");
    let exchange = ask(&mut link, &module(0x7E8, &[0x09, 0x02]));
    assert_eq!(exchange.problems, Vec::<String>::new());
    let vin = exchange.replies.first().expect("vin");
    assert_eq!(
        (vin.from, vin.bytes.as_slice()),
        (Address::from_reply11(0x7E8), b"\x49\x02\x01WMK00000000000001".as_slice())
    );
    for _ in 0..5 {
        let exchange = ask(&mut link, &module(0x7E8, &[0x01, 0x0C]));
        assert_eq!((exchange.replies.len(), exchange.problems.len()), (1, 0), "{exchange:?}");
    }
    assert_eq!(dial.bench().n_interrupted, 0, "never speaks into an answer");
    (link, dial)
}

#[test]
fn a_good_adapter() {
    let (link, dial) = whole_pass(Habits::default(), 2);
    assert_eq!(link.info().bus, Some(Bus::Can { wide: false, kbit_s: 500 }));
    assert_eq!(link.info().adapter, "Bench adapter 1.0");
    assert_eq!(link.info().notes, Vec::<String>::new());
    let heard = dial.bench().heard.clone();
    // Counted from the second time on, and the header is set once.
    assert_eq!(heard.last().map(String::as_str), Some("010C1"));
    assert_eq!(heard.iter().filter(|command| command.starts_with("ATSH")).count(), 1);
}

#[test]
fn adapters_with_bad_habits() {
    let h = Habits::default;
    let cases: Vec<(&str, Habits)> = vec![
        ("echo stays", Habits { unknown: vec!["ATE0"], ..h() }),
        ("echo stays, says OK", Habits { lies: vec!["ATE0"], ..h() }),
        ("spaces stay", Habits { unknown: vec!["ATS0"], ..h() }),
        ("line feeds stay", Habits { unknown: vec!["ATL0"], ..h() }),
        ("NUL bytes", Habits { nul_bytes: true, ..h() }),
        ("no blank line", Habits { blank_before_prompt: false, ..h() }),
        ("slow reset", Habits { reset_ns: 2_900 * MS, ..h() }),
        ("no ATZ", Habits { unknown: vec!["ATZ"], ..h() }),
        (
            "knows little",
            Habits { unknown: vec!["ATM0", "ATCAF", "ATAT", "ATST", "ATRV", "ATI", "ATCRA", "ATAR"], ..h() },
        ),
        ("no numbers", Habits { unknown: vec!["ATDPN"], ..h() }),
        ("no names", Habits { unknown: vec!["ATDPN", "ATDP"], ..h() }),
        ("no search", Habits { unknown: vec!["ATSP0"], ..h() }),
        ("progress on a line", Habits { progress: "SEARCHING...", ..h() }),
        ("padding shown", Habits { shows_padding: true, ..h() }),
        ("old header form", Habits { unknown: vec!["ATSH7E0"], ..h() }),
        ("slow line", Habits { baud: 9_600, ..h() }),
        ("odd banner", Habits { banner: "??? \u{1} v9", ..h() }),
    ];
    for (name, habits) in cases {
        println!("{name}");
        whole_pass(habits, 2);
    }
}

#[test]
fn without_count() {
    let (_, dial) = whole_pass(Habits { takes_count: false, ..Habits::default() }, 2);
    let is_counted = |command: &&String| !command.starts_with("AT") && command.len() % 2 == 1;
    assert_eq!(dial.bench().heard.iter().filter(is_counted).count(), 1, "tried once");
}

#[test]
fn without_headers_the_engine_module_is_asked_by_itself() {
    for habits in
        [Habits { unknown: vec!["ATH1"], ..Habits::default() }, Habits { lies: vec!["ATH1"], ..Habits::default() }]
    {
        // Two modules answer everyone differently, and nothing says which is which: one is asked by itself.
        let dial = FakeDial::new(habits, Box::new(car));
        let mut link = AtLink::start(Box::new(dial.clone()), Settings::default()).expect("starts");
        assert!(link.info().notes.iter().any(|note| note.contains("told apart")), "{:?}", link.info());
        let exchange = ask(&mut link, &everyone(&[0x01, 0x01]));
        assert_eq!(exchange.replies.iter().map(|r| r.from).collect::<Vec<_>>(), [Address::from_reply11(0x7E8)]);
        assert!(dial.bench().heard.iter().any(|command| command == "ATSH7E0"));
        let exchange = ask(&mut link, &module(0x7E8, &[0x09, 0x02]));
        let bytes = exchange.replies.first().map(|reply| reply.bytes.clone());
        assert_eq!(bytes.as_deref(), Some(b"\x49\x02\x01WMK00000000000001".as_slice()), "{exchange:?}");
    }
}

#[test]
fn long_answers_of_two_modules_interleave() {
    let (mut link, _) = start(Habits::default());
    let exchange = ask(&mut link, &everyone(&[0x09, 0x02]));
    let vins: Vec<_> = exchange.replies.iter().map(|r| (r.from.to_string(), r.bytes[3..].to_vec())).collect();
    let expected = [("7E8", b"WMK00000000000001"), ("7E9", b"WMK00000000000002")];
    assert_eq!(vins, expected.map(|(from, vin)| (from.to_owned(), vin.to_vec())));
}

/// The networks of the connector. Headers and sums: ISO 15765-4, ISO 9141-2 and ISO 14230-2, from memory.
#[test]
fn every_network() {
    for (bus, id) in [
        (Bus::Can { wide: false, kbit_s: 250 }, 0x7E8),
        (Bus::Can { wide: true, kbit_s: 500 }, 0x18DA_F110),
        (Bus::Can { wide: true, kbit_s: 250 }, 0x18DA_F110),
        (Bus::Iso9141, 0x10),
        (Bus::Kwp5Baud, 0x10),
        (Bus::KwpFast, 0x10),
        (Bus::J1850Pwm, 0x10),
        (Bus::J1850Vpw, 0x10),
    ] {
        for remembered in [None, Some(bus), Some(Bus::Can { wide: false, kbit_s: 500 })] {
            let progress = if bus.is_can() { "SEARCHING..." } else { "BUS INIT: ...OK" };
            let habits = Habits { bus, progress, ..Habits::default() };
            let dial = FakeDial::new(
                habits,
                Box::new(move |_, request, _| match request {
                    [0x01, 0x00] => vec![(5 * MS, id, vec![0x41, 0x00, 1, 2, 3, 4])],
                    [0x01, 0x0D] => vec![(5 * MS, id, vec![0x41, 0x0D, 50])],
                    _ => Vec::new(),
                }),
            );
            let settings = Settings { bus: remembered, ..Settings::default() };
            let mut link = AtLink::start(Box::new(dial.clone()), settings).expect("starts");
            assert_eq!(link.info().bus, Some(bus));
            let exchange = ask(&mut link, &everyone(&[0x01, 0x0D]));
            let reply = exchange.replies.first().expect("a reply").clone();
            assert_eq!(reply.bytes, [0x41, 0x0D, 50]);
            let to = Target::Module(reply.from);
            for _ in 0..3 {
                let request = Request { to, bytes: vec![0x01, 0x0D], n_replies: None };
                let exchange = ask(&mut link, &request);
                assert_eq!(exchange.replies.first().map(|reply| reply.from), Some(reply.from), "{bus} {exchange:?}");
            }
            assert_eq!(dial.bench().heard.last().map(String::as_str), Some("010D1"), "{bus}");
            let searched = dial.bench().heard.iter().any(|command| command == "ATSP0");
            assert_eq!(searched, remembered != Some(bus));
        }
    }
}

#[test]
fn every_error_text_is_reported_and_is_no_reply() {
    for (text, part) in [
        ("CAN ERROR", "acknowledged"),
        ("BUS BUSY", "never free"),
        ("BUS ERROR", "levels"),
        ("FB ERROR", "own signal"),
        ("DATA ERROR", "check sum"),
        ("7E804410C1234<DATA ERROR", "marks as damaged"),
        ("7E804410C1234 <RX ERROR", "marks as damaged"),
        ("BUFFER FULL", "faster"),
        ("ACT ALERT", "sleep"),
        ("LV RESET", "dipped"),
        ("LP ALERT", "low power"),
        ("STOPPED", "interrupted"),
        ("ERR94", "fault"),
        ("?", "not understand"),
        ("HELLO", "not hex"),
        ("7E804410C123", "digits"),
        ("7E805410C1234", "states 5 bytes"),
        ("7E804410D1234", "something else"),
        ("7EA04410C1234", "not asked"),
        ("7E8100B410C123456", "dropped"),
        ("7E821410C12345678", "without a beginning"),
    ] {
        let (mut link, dial) = start(Habits::default());
        ask(&mut link, &module(0x7E8, &[0x01, 0x01]));
        // However often it asks, with a count or without.
        dial.bench().habits.script = [("010C1", text), ("010C", text)].repeat(3).into();
        let exchange = ask(&mut link, &module(0x7E8, &[0x01, 0x0C]));
        dial.bench().habits.script.clear();
        assert_eq!(exchange.replies, Vec::new(), "{text}");
        assert!(exchange.problems.iter().any(|problem| problem.contains(part)), "{text}: {:?}", exchange.problems);
        // And the link lives on.
        let exchange = ask(&mut link, &module(0x7E8, &[0x01, 0x0C]));
        assert_eq!(exchange.replies.len(), 1, "after {text}: {exchange:?}");
    }
    for text in ["UNABLE TO CONNECT", "BUS INIT: ...ERROR"] {
        let (mut link, dial) = start(Habits::default());
        dial.bench().habits.script.push_back(("010C", text));
        let error = link.exchange(&everyone(&[0x01, 0x0C])).expect_err(text);
        assert!(matches!(&error, LinkError::NoVehicle { said, .. } if said == text) && !error.is_lost(), "{error}");
        assert!(error.hint().is_some_and(|hint| hint.contains("ignition")));
    }
}

#[test]
fn nobody_answers() {
    let (mut link, _) = start(Habits::default());
    let exchange = ask(&mut link, &everyone(&[0x01, 0x20]));
    assert_eq!((exchange.replies.len(), exchange.problems.len()), (0, 0));
}

#[test]
fn no_vehicle() {
    let dial = || FakeDial::new(Habits::default(), Box::new(|_, _, _| Vec::new()));
    let error = AtLink::start(Box::new(dial()), Settings::default()).err().expect("no vehicle");
    assert!(matches!(&error, LinkError::NoVehicle { said, .. } if said == "NO DATA"), "{error}");
    let settings = Settings { need_vehicle: false, ..Settings::default() };
    let mut link = AtLink::start(Box::new(dial()), settings).expect("adapter alone");
    assert_eq!(link.info().bus, None);
    assert_eq!(link.supply_volts().expect("volts"), Some(12.4));
    assert!(matches!(link.exchange(&everyone(&[0x01, 0x00])), Err(LinkError::NoVehicle { .. })));
}

#[test]
fn silence_and_strangers() {
    let dial = FakeDial::new(Habits::default(), Box::new(car));
    dial.bench().habits.damage = Some(Box::new(|_, _| Vec::new()));
    let error = AtLink::start(Box::new(dial.clone()), Settings::default()).err().expect("silent");
    assert!(matches!(&error, LinkError::AdapterSilent { .. }) && error.is_lost(), "{error}");
    assert!(dial.bench().now < 30_000 * MS, "bounded");

    let dial = FakeDial::new(Habits::default(), Box::new(car));
    dial.bench().habits.damage = Some(Box::new(|bytes, _| bytes.iter().map(|b| b.wrapping_mul(7) | 0x80).collect()));
    let error = AtLink::start(Box::new(dial.clone()), Settings::default()).err().expect("garbage");
    assert!(matches!(&error, LinkError::NotAnAdapter { .. }), "{error}");
    assert!(dial.bench().now < 30_000 * MS, "bounded");
}

#[test]
fn a_lost_prompt_costs_nothing_but_time() {
    let (mut link, dial) = start(Habits::default());
    let rpm = module(0x7E8, &[0x01, 0x0C]);
    ask(&mut link, &rpm);
    dial.bench().habits.script.push_back(("010C1", "7E804410CAAAA|no prompt"));
    let exchange = ask(&mut link, &rpm);
    // Complete and checked, so it is the answer; but the next request waits for a known point.
    assert_eq!(exchange.replies.len(), 1);
    assert!(exchange.problems.iter().any(|p| p.contains("prompt")), "{:?}", exchange.problems);
    let exchange = ask(&mut link, &rpm);
    assert_eq!(exchange.replies.len(), 1);
    assert_ne!(exchange.replies[0].bytes, [0x41, 0x0C, 0xAA, 0xAA]);
    assert!(dial.bench().heard.iter().rev().take(3).any(|c| c == "ATRV"), "{:?}", dial.bench().heard);
}

#[test]
fn answers_without_headers_show_that_the_adapter_has_started_anew() {
    for (request, asked, said) in [
        ([0x01, 0x0C].as_slice(), "010C1", "410CAAAA"),
        (&[0x22, 0xF1, 0x90], "22F1901", "00B|0:62F190010203|1:0405060708AAAA"),
    ] {
        let (mut link, dial) = start(Habits::default());
        ask(&mut link, &module(0x7E8, &[0x01, 0x0C]));
        // Its echo is off after a reset too, so nothing else shows it.
        dial.bench().habits.script.push_back((asked, said));
        let exchange = ask(&mut link, &module(0x7E8, request));
        assert_eq!(exchange.replies, Vec::new());
        assert!(exchange.problems.iter().any(|p| p.contains("no headers any more")), "{:?}", exchange.problems);
        let exchange = ask(&mut link, &module(0x7E8, &[0x01, 0x0C]));
        assert_eq!((exchange.replies.len(), exchange.problems.len()), (1, 0), "{exchange:?}");
        assert_eq!(dial.bench().heard.iter().filter(|command| *command == "ATH1").count(), 2);
    }
}

#[test]
fn an_adapter_that_starts_anew_while_it_is_set_up_is_told_once_more_to_print_headers() {
    let dial = FakeDial::new(Habits::default(), Box::new(car));
    dial.bench().habits.script.push_back(("0100", "4100BE3FA813"));
    let link = AtLink::start(Box::new(dial.clone()), Settings::default()).expect("starts");
    assert_eq!(dial.bench().heard.iter().filter(|command| *command == "ATH1").count(), 2);
    assert!(link.info().notes.iter().all(|note| !note.contains("headers")), "{:?}", link.info().notes);
    // One that says yes and prints none is believed in the end.
    let habits = Habits { lies: vec!["ATH1"], ..Habits::default() };
    let (link, dial) = start(habits);
    assert_eq!(dial.bench().heard.iter().filter(|command| *command == "ATH1").count(), 2);
    assert!(link.info().notes.iter().any(|note| note.contains("headers")), "{:?}", link.info().notes);
}

#[test]
fn a_late_answer_belongs_to_nobody() {
    let (mut link, dial) = start(Habits::default());
    let rpm = module(0x7E8, &[0x01, 0x0C]);
    ask(&mut link, &rpm);
    // Silence now, and the answer with its prompt just before the next command's.
    dial.bench().habits.script.push_back(("010C1", "nothing"));
    let exchange = ask(&mut link, &rpm);
    assert_eq!(exchange.replies, Vec::new());
    let end = dial.bench().now;
    assert!(end - exchange.asked_ns < 2_000 * MS, "bounded");
    dial.bench().habits.script.push_back(("ATRV", "7E804410CAAAA||>12.4V"));
    let exchange = ask(&mut link, &rpm);
    assert_eq!(exchange.replies.len(), 1, "{exchange:?}");
    assert_ne!(exchange.replies[0].bytes, [0x41, 0x0C, 0xAA, 0xAA]);
    assert!(exchange.problems.iter().any(|p| p.contains("belongs to no request")), "{:?}", exchange.problems);
}

#[test]
fn a_module_that_asks_for_more_time() {
    for gap_ms in [30, 150, 900, 4_000] {
        let dial = FakeDial::new(
            Habits::default(),
            Box::new(move |header, request, n| match request {
                [0x22, ..] => vec![
                    (5 * MS, ENGINE, vec![0x7F, 0x22, 0x78]),
                    (gap_ms * MS, ENGINE, vec![0x62, 0xF1, 0x90, 1, 2, 3, 4, 5, 6, 7, 8]),
                ],
                [0x3E, 0x80] => Vec::new(),
                _ => car(header, request, n),
            }),
        );
        let mut link = AtLink::start(Box::new(dial.clone()), Settings::default()).expect("starts");
        let exchange = ask(&mut link, &module(0x7E8, &[0x22, 0xF1, 0x90]));
        if gap_ms < 1_000 {
            assert_eq!(exchange.replies.len(), 1, "{gap_ms} {exchange:?}");
            assert_eq!(exchange.replies[0].bytes.len(), 11);
        } else {
            // This bench drops what comes while it does not listen, and it listens for a second at most: asked again,
            // in vain, and said so.
            assert_eq!(exchange.replies, Vec::new());
            assert!(exchange.problems.iter().any(|p| p.contains("more time")), "{exchange:?}");
        }
        assert!(exchange.over_ns - exchange.asked_ns < 40_000 * MS);
    }
}

/// The answer comes during the listening that follows the adapter's early prompt.
#[test]
fn an_answer_after_the_prompt_is_waited_for() {
    let mut n_listened = 0;
    let dial = FakeDial::new(
        Habits::default(),
        Box::new(move |header, request, n| match request {
            [0x22, ..] => vec![(5 * MS, ENGINE, vec![0x7F, 0x22, 0x78])],
            [0x3E, 0x80] => {
                n_listened += 1;
                match n_listened {
                    3 => vec![(50 * MS, ENGINE, vec![0x62, 0xF1, 0x90, 1, 2, 3, 4, 5, 6, 7, 8])],
                    _ => vec![(5 * MS, ENGINE, vec![0x7F, 0x3E, 0x12])],
                }
            }
            _ => car(header, request, n),
        }),
    );
    let mut link = AtLink::start(Box::new(dial), Settings::default()).expect("starts");
    let exchange = ask(&mut link, &module(0x7E8, &[0x22, 0xF1, 0x90]));
    assert_eq!(exchange.replies.len(), 1, "{exchange:?}");
    assert_eq!(exchange.problems, Vec::<String>::new());
}

#[test]
fn a_module_that_falls_silent_and_returns() {
    let mut n_asked = 0;
    let dial = FakeDial::new(
        Habits::default(),
        Box::new(move |header, request, n| {
            n_asked += u32::from(request == [0x01, 0x0C]);
            if request == [0x01, 0x0C] && (5..10).contains(&n_asked) { Vec::new() } else { car(header, request, n) }
        }),
    );
    let mut link = AtLink::start(Box::new(dial), Settings::default()).expect("starts");
    let n_replies: Vec<usize> = (0..12).map(|_| ask(&mut link, &module(0x7E8, &[0x01, 0x0C])).replies.len()).collect();
    assert_eq!(n_replies, [1, 1, 1, 1, 0, 0, 0, 0, 0, 1, 1, 1]);
}

#[test]
fn an_adapter_that_counts_messages_is_asked_for_messages() {
    let (mut link, dial) = start(Habits { counts_messages: true, ..Habits::default() });
    let six = module(0x7E8, &[0x01, 0x0C, 0x0D, 0x05, 0x0F, 0x11, 0x04]);
    let mut last = 0;
    for _ in 0..6 {
        let exchange = ask(&mut link, &six);
        assert_eq!(exchange.replies.len(), 1, "{exchange:?}");
        last = exchange.over_ns - exchange.asked_ns;
    }
    assert!(last < 20 * MS, "{last} ns");
    assert_eq!(dial.bench().heard.last().map(String::as_str), Some("010C0D050F11041"));
}

#[test]
fn the_adapter_starts_anew_on_its_own() {
    let (mut link, dial) = start(Habits::default());
    let rpm = module(0x7E8, &[0x01, 0x0C]);
    ask(&mut link, &rpm);
    // A dip of the supply: settings are gone, and nobody says so.
    dial.bench().habits.script.push_back(("ATWS", "OK"));
    {
        let mut bench = dial.bench();
        bench.power_dip();
    }
    let exchange = ask(&mut link, &rpm);
    assert!(!exchange.problems.is_empty(), "{exchange:?}");
    let exchange = ask(&mut link, &rpm);
    assert_eq!(exchange.replies.len(), 1, "{exchange:?}");
    assert_eq!(exchange.replies[0].from, Address::from_reply11(0x7E8));
}

/// Its name in the middle of an answer, or in place of one, is seen whatever it prints otherwise.
#[test]
fn the_name_of_the_adapter_shows_that_it_has_started_anew() {
    let rpm = module(0x7E8, &[0x01, 0x0C]);
    for said in ["7E804410C0102||Bench adapter 1.0", "|Bench adapter 1.0", "7E8044|Bench adapter 1.0"] {
        let (mut link, dial) = start(Habits::default());
        ask(&mut link, &rpm);
        dial.bench().power_dip();
        dial.bench().habits.script.push_back(("010C1", said));
        let exchange = ask(&mut link, &rpm);
        assert!(exchange.problems.iter().any(|problem| problem.contains("started anew")), "{said}: {exchange:?}");
        let exchange = ask(&mut link, &rpm);
        assert_eq!((exchange.replies.len(), exchange.problems.len()), (1, 0), "{said}: {exchange:?}");
        assert_eq!(dial.bench().heard.iter().filter(|command| *command == "ATH1").count(), 2, "{said}");
    }
    // Among the settings, and while the network is looked for.
    for (asked, said) in [("ATCAF1", "|Bench adapter 1.0"), ("0100", "7E8064100BE3FA813||Bench adapter 1.0")] {
        let dial = FakeDial::new(Habits::default(), Box::new(car));
        dial.bench().habits.script.push_back((asked, said));
        let mut link = AtLink::start(Box::new(dial.clone()), Settings::default()).expect("starts");
        assert_eq!(dial.bench().heard.iter().filter(|command| *command == "ATH1").count(), 2, "{asked}");
        assert_eq!(ask(&mut link, &rpm).replies.len(), 1, "{asked}");
    }
}

/// Without headers the answer of whoever was asked by mistake would pass for that of the module that was meant.
#[test]
fn an_adapter_without_headers_is_told_before_each_request_whom_to_ask() {
    let habits = Habits { bus: Bus::KwpFast, lies: vec!["ATH1", "ATE0"], ..Habits::default() };
    let dial = FakeDial::new(
        habits,
        Box::new(|header, request, _| {
            let node = if header == 0x33 || header == 0xC1_33F1 { 0x10 } else { (header >> 8 & 0xFF) as u8 };
            match request {
                [0x01, 0x00] => vec![(30 * MS, 0x10, vec![0x41, 0x00, 1, 2, 3, 4])],
                [0x1A, 0x91] => vec![(30 * MS, u32::from(node), vec![0x5A, 0x91, node])],
                _ => Vec::new(),
            }
        }),
    );
    let mut link = AtLink::start(Box::new(dial.clone()), Settings::default()).expect("starts");
    let abs = Request { to: Target::Module(Address::Node(0x18)), bytes: vec![0x1A, 0x91], n_replies: None };
    for _ in 0..3 {
        let exchange = ask(&mut link, &abs);
        assert_eq!(exchange.replies.first().map(|reply| reply.bytes.clone()), Some(vec![0x5A, 0x91, 0x18]));
        dial.bench().power_dip();
    }
}

#[test]
fn gone_and_back() {
    let (mut link, dial) = start(Habits::default());
    let rpm = module(0x7E8, &[0x01, 0x0C]);
    ask(&mut link, &rpm);
    let before = link.now();
    dial.bench().plugged = false;
    assert!(link.exchange(&rpm).expect_err("gone").is_lost());
    assert!(link.exchange(&rpm).expect_err("still gone").is_lost());
    assert!(link.reopen().expect_err("still gone").is_lost());
    link.pause(1_000 * MS);
    assert!(link.now() >= before + 1_000 * MS);
    dial.bench().plugged = true;
    link.reopen().expect("back");
    assert_eq!(ask(&mut link, &rpm).replies.len(), 1);
    // The network was remembered: no second search.
    assert_eq!(dial.bench().heard.iter().filter(|command| *command == "ATSP0").count(), 1);
}

/// P3 max 5 s: any request keeps a K-line open (ISO 14230-2, from memory).
#[test]
fn a_k_line_is_kept_open_while_the_link_pauses() {
    let habits = Habits { bus: Bus::KwpFast, ..Habits::default() };
    let dial = FakeDial::new(
        habits,
        Box::new(|_, request, _| match request {
            [0x01, 0x00] => vec![(30 * MS, 0x10, vec![0x41, 0x00, 1, 2, 3, 4])],
            _ => Vec::new(),
        }),
    );
    let mut link = AtLink::start(Box::new(dial.clone()), Settings::default()).expect("starts");
    let n_before = dial.bench().heard.len();
    let start = link.now();
    link.pause(21_000 * MS);
    assert!(link.now() >= start + 21_000 * MS);
    let n_kept = dial.bench().heard[n_before..].iter().filter(|command| command.starts_with("0100")).count();
    assert!((4..=6).contains(&n_kept), "{n_kept}");
}

#[test]
fn requests_that_cannot_be_sent() {
    let (mut link, dial) = start(Habits::default());
    let n_heard = dial.bench().heard.len();
    for request in [
        everyone(&[]),
        everyone(&[0x22; 8]),
        Request { to: Target::Module(Address::Node(0x10)), bytes: vec![0x01, 0x00], n_replies: None },
        Request { to: Target::Module(Address::from_reply29(0x18DA_F110)), bytes: vec![0x01, 0x00], n_replies: None },
    ] {
        assert!(matches!(link.exchange(&request), Err(LinkError::Unsendable(_))), "{request:?}");
    }
    assert_eq!(dial.bench().heard.len(), n_heard);
}

/// On a K-line nothing may be sent while the module is busy: the link only listens. Sums computed by hand.
#[test]
fn a_k_line_module_that_asks_for_more_time() {
    let habits = Habits { bus: Bus::KwpFast, ..Habits::default() };
    let dial = FakeDial::new(
        habits,
        Box::new(|_, request, _| match request {
            [0x01, 0x00] => vec![(30 * MS, 0x10, vec![0x41, 0x00, 1, 2, 3, 4])],
            _ => vec![(30 * MS, 0x10, vec![0x7F, 0x1A, 0x78])],
        }),
    );
    let mut link = AtLink::start(Box::new(dial.clone()), Settings::default()).expect("starts");
    // 84 F1 10 5A 90 31 32: sum 0x2D2.
    dial.bench().habits.script.push_back(("ATMA", "84F1105A903132D2|no prompt"));
    let request = Request { to: Target::Module(Address::Node(0x10)), bytes: vec![0x1A, 0x90], n_replies: None };
    let exchange = ask(&mut link, &request);
    let bytes = exchange.replies.first().map(|reply| reply.bytes.clone());
    assert_eq!(bytes, Some(vec![0x5A, 0x90, 0x31, 0x32]), "{exchange:?}");
    let heard = dial.bench().heard.clone();
    assert_eq!(heard.last().map(String::as_str), Some("ATMA"));
    // Begun anew with this module: closed, kept on this network, then its own header.
    let opened = heard.windows(3).any(|three| three == ["ATPC", "ATSP5", "ATSH8110F1"]);
    assert!(opened, "{heard:?}");
    // Listening has no prompt: the next request begins at a known point.
    dial.bench().car = Box::new(|_, _, _| vec![(30 * MS, 0x10, vec![0x5A, 0x90, 0x33, 0x34])]);
    let exchange = ask(&mut link, &request);
    assert_eq!(exchange.replies.first().map(|reply| reply.bytes.clone()), Some(vec![0x5A, 0x90, 0x33, 0x34]));
    assert!(dial.bench().heard.iter().rev().take(4).any(|command| command == "ATRV"));
}

#[test]
fn modules_with_identifiers_of_their_own_get_their_flow_control() {
    let dial = FakeDial::new(
        Habits::default(),
        Box::new(|header, request, n| match header {
            0x6F1 => vec![(5 * MS, 0x612, vec![0x62, 0xF1, 0x90, 1])],
            _ => car(header, request, n),
        }),
    );
    let mut link = AtLink::start(Box::new(dial.clone()), Settings::default()).expect("starts");
    let to = Address::Can11 { request: 0x6F1, reply: 0x612 };
    let request = Request { to: Target::Module(to), bytes: vec![0x22, 0xF1, 0x90], n_replies: None };
    assert_eq!(ask(&mut link, &request).replies.first().map(|reply| reply.from), Some(to));
    assert_eq!(ask(&mut link, &module(0x7E8, &[0x01, 0x0C])).replies.len(), 1);
    assert_eq!(ask(&mut link, &everyone(&[0x01, 0x01])).replies.len(), 2);
    let heard = dial.bench().heard.clone();
    let settings: Vec<&str> =
        heard.iter().map(String::as_str).skip_while(|c| *c != "ATSH6F1").filter(|c| c.starts_with("AT")).collect();
    let expected = ["ATSH6F1", "ATCRA612", "ATFCSH6F1", "ATFCSD300000", "ATFCSM1"];
    // The identifiers of ISO 15765-4 need no filter: it is only taken away.
    let back = ["ATSH7E0", "ATCRA", "ATFCSM0", "ATSH7DF"];
    assert_eq!(settings, [expected.as_slice(), &back].concat());
}

/// A serial port whose line rate has to be found: at the wrong one, text is noise.
struct RateDial {
    fake: FakeDial,
    rate: usize,
}

impl Dial for RateDial {
    fn address(&self) -> &str {
        "at+serial:/dev/fake"
    }

    fn dial(&mut self) -> Result<Box<dyn Port>, PortError> {
        let is_right = self.rate == 2;
        self.fake.bench().habits.damage = (!is_right).then(|| -> fake::Damage {
            Box::new(|text, _| text.iter().step_by(3).map(|byte| byte.rotate_left(3) | 0x80).collect())
        });
        self.fake.dial()
    }

    fn try_next(&mut self) -> bool {
        self.rate = (self.rate + 1) % 4;
        self.rate != 0
    }

    fn now(&self) -> Nanos {
        link::Dial::now(&self.fake)
    }

    fn pause(&mut self, nanos: Nanos) {
        self.fake.pause(nanos);
    }
}

#[test]
fn the_line_rate_is_found() {
    let fake = FakeDial::new(Habits::default(), Box::new(car));
    let link = AtLink::start(Box::new(RateDial { fake: fake.clone(), rate: 0 }), Settings::default()).expect("found");
    assert_eq!(link.info().adapter, "Bench adapter 1.0");
    assert!(fake.bench().now < 40_000 * MS, "{} ms", fake.bench().now / MS);

    // Never the right one: the error of the first, with advice.
    let fake = FakeDial::new(Habits::default(), Box::new(car));
    let error = AtLink::start(Box::new(RateDial { fake, rate: 3 }), Settings::default()).err().expect("one wrong rate");
    assert!(error.hint().is_some_and(|hint| hint.contains("baud")), "{error}");
}
