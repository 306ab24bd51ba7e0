//! Damage on the way from the adapter: no panic, an end in bounded time, and never the answer to another request.

mod fake;

use fake::{FakeDial, Habits, MS, Said};
use link::{AtLink, Exchange, LONGEST_EXCHANGE_NS, Link, LinkError, Request, Settings, Target};
use proptest::prelude::*;
use protocol::{Address, Bus, Nanos};

/// Longest time that start-up may take, with all its tries and the search for the network.
const LIMIT_NS: Nanos = 120_000 * MS;

/// What happens to the text of one answer. Each of these loses, repeats or inserts text in one place; none can turn one
/// digit into another, which nobody could notice within a plausible CAN frame.
#[derive(Debug, Clone)]
enum Harm {
    Cut(prop::sample::Index),
    Delete(prop::sample::Index, usize),
    Repeat(prop::sample::Index, usize),
    Insert(prop::sample::Index, Vec<u8>),
    NoPrompt,
    Silence,
}

impl Harm {
    fn apply(&self, mut text: Vec<u8>) -> Vec<u8> {
        let place = |index: &prop::sample::Index, text: &[u8]| index.index(text.len() + 1);
        match self {
            Self::Cut(at) => text.truncate(place(at, &text)),
            Self::Delete(at, n) => {
                let start = place(at, &text);
                text.drain(start..(start + n).min(text.len()));
            }
            Self::Repeat(at, n) => {
                let start = place(at, &text);
                let piece = text[start..(start + n).min(text.len())].to_vec();
                // A repeated prompt with the answer before it is the one thing that a later request can be fooled by.
                let piece: Vec<u8> = piece.into_iter().filter(|byte| *byte != b'>').collect();
                text.splice(start..start, piece);
            }
            Self::Insert(at, bytes) => {
                let start = place(at, &text);
                text.splice(start..start, bytes.iter().copied());
            }
            Self::NoPrompt => text.retain(|byte| *byte != b'>'),
            Self::Silence => text.clear(),
        }
        text
    }
}

fn harm() -> impl Strategy<Value = Harm> {
    let index = any::<prop::sample::Index>;
    prop_oneof![
        index().prop_map(Harm::Cut),
        (index(), 1..60_usize).prop_map(|(at, n)| Harm::Delete(at, n)),
        (index(), 1..60_usize).prop_map(|(at, n)| Harm::Repeat(at, n)),
        (index(), prop::collection::vec(any::<u8>(), 1..6)).prop_map(|(at, bytes)| Harm::Insert(at, bytes)),
        Just(Harm::NoPrompt),
        Just(Harm::Silence),
    ]
}

/// Answers that carry the number of their request, so that each can be told from every other.
fn car(bus: Bus) -> impl FnMut(u32, &[u8], u32) -> Vec<Said> + Send {
    let id = if bus.is_can() { 0x7E8 } else { 0x10 };
    move |_, request, n| {
        let number = digits(n);
        let mut message = vec![request[0] | 0x40];
        message.extend(&request[1..request.len().min(2)]);
        message.extend(number);
        if request.len() > 2 {
            message.extend([number, number].concat());
        }
        if request[0] == 0x3E { Vec::new() } else { vec![(5 * MS, id, message)] }
    }
}

fn digits(n: u32) -> [u8; 4] {
    // On a K-line a lost zero byte leaves the sum as it was.
    n.to_be_bytes().map(|byte| byte.wrapping_add(0x21))
}

/// Runs a conversation in which answers are harmed; every reply must be the very one to its request.
fn converse(bus: Bus, harms: Vec<Option<Harm>>) -> Result<(), TestCaseError> {
    let dial = FakeDial::new(Habits { bus, ..Habits::default() }, Box::new(car(bus)));
    let mut link = AtLink::start(Box::new(dial.clone()), Settings::default()).expect("starts unharmed");
    let from = if bus.is_can() { Address::from_reply11(0x7E8) } else { Address::Node(0x10) };
    let request_of = |round: usize| {
        let bytes = if round % 3 == 2 { vec![0x01, 0x0C, 0x0D, 0x05] } else { vec![0x01, 0x0C] };
        Request { to: Target::Module(from), bytes, n_replies: None }
    };
    // An answer's size is known from its first time on; that one has no more than its own checks.
    for round in 0..3 {
        link.exchange(&request_of(round)).expect("unharmed");
    }
    let first = dial.bench().n_answers;
    let n_harms = harms.len();
    dial.bench().habits.damage = Some(Box::new(move |text, n| {
        let harm = harms.get(usize::try_from(n - first - 1).unwrap_or(usize::MAX)).cloned().flatten();
        harm.map_or(text.clone(), |harm| harm.apply(text))
    }));
    let mut n_good = 0;
    for round in 0..n_harms + 12 {
        let request = request_of(round);
        let started = link.now();
        let result = link.exchange(&request);
        prop_assert!(link.now() - started <= LONGEST_EXCHANGE_NS, "took {} ms", (link.now() - started) / MS);
        match result {
            Ok(exchange) => n_good += check(&exchange, &request, dial.bench().n_requests())?,
            Err(error) if error.is_lost() => {
                prop_assert!(link.reopen().is_ok() || round < n_harms, "not back: {error}");
            }
            Err(LinkError::NoVehicle { .. }) => {}
            Err(error) => prop_assert!(false, "{error}"),
        }
    }
    prop_assert!(n_good >= 8, "only {n_good} good exchanges after the harm ended: {:?}", dial.bench().heard);
    prop_assert_eq!(link.info().bus, Some(bus));
    Ok(())
}

/// Two modules answer everyone's request, in one line and in three lines each; every reply must be its module's own.
fn converse_with_two(harms: Vec<Option<Harm>>) -> Result<(), TestCaseError> {
    let dial = FakeDial::new(
        Habits::default(),
        Box::new(|_, request, n| {
            let said = |tau_ms: Nanos, id: u32, mark: u8| {
                let mut message = vec![0x41];
                for pid in &request[1..] {
                    message.extend([&[*pid, mark], digits(n).as_slice()].concat());
                }
                (tau_ms * MS, id, message)
            };
            if request[0] == 0x01 { vec![said(5, 0x7E8, 0xE8), said(6, 0x7E9, 0xE9)] } else { Vec::new() }
        }),
    );
    let mut link = AtLink::start(Box::new(dial.clone()), Settings::default()).expect("starts unharmed");
    let request_of = |round: usize| {
        let bytes = if round % 3 == 2 { vec![0x01, 0x0C, 0x0D, 0x05] } else { vec![0x01, 0x0C] };
        Request { to: Target::Everyone, bytes, n_replies: Some(2) }
    };
    for round in 0..6 {
        link.exchange(&request_of(round)).expect("unharmed");
    }
    let first = dial.bench().n_answers;
    let n_harms = harms.len();
    dial.bench().habits.damage = Some(Box::new(move |text, n| {
        let harm = harms.get(usize::try_from(n - first - 1).unwrap_or(usize::MAX)).cloned().flatten();
        harm.map_or(text.clone(), |harm| harm.apply(text))
    }));
    for round in 0..n_harms + 12 {
        let request = request_of(round);
        let started = link.now();
        let result = link.exchange(&request);
        prop_assert!(link.now() - started <= LONGEST_EXCHANGE_NS, "took {} ms", (link.now() - started) / MS);
        let Ok(exchange) = result else {
            prop_assert!(link.reopen().is_ok() || round < n_harms);
            continue;
        };
        let number = digits(dial.bench().n_requests());
        for reply in &exchange.replies {
            let mark = if reply.from == Address::from_reply11(0x7E8) { 0xE8 } else { 0xE9 };
            let pids = &request.bytes[1..];
            let data = pids.iter().flat_map(|pid| [&[*pid, mark], number.as_slice()].concat());
            let expected: Vec<u8> = std::iter::once(0x41).chain(data).collect();
            prop_assert_eq!(&reply.bytes, &expected, "{:?}", exchange);
        }
        prop_assert!(exchange.replies.len() <= 2);
    }
    Ok(())
}

/// The reply must carry the number of the last request that the car has seen, and all of its length.
fn check(exchange: &Exchange, request: &Request, n_requests: u32) -> Result<usize, TestCaseError> {
    let Some(reply) = exchange.replies.first() else {
        prop_assert!(!exchange.problems.is_empty(), "no reply and no word about it");
        return Ok(0);
    };
    let number = digits(n_requests);
    let mut expected = [vec![0x41, 0x0C], number.to_vec()].concat();
    if request.bytes.len() > 2 {
        expected.extend([number, number].concat());
    }
    prop_assert_eq!(&reply.bytes, &expected, "another request's answer, or a damaged one: {:?}", exchange);
    prop_assert_eq!(exchange.replies.len(), 1);
    Ok(1)
}

/// Identifiers of many lengths and lists that grow and shrink from one request to the next, each asked for as if for the
/// first time: nothing is known of an answer but what it says of itself.
fn first_asks(keeps_leftovers: bool, harms: Vec<Option<Harm>>) -> Result<(), TestCaseError> {
    fn answer(request: &[u8], n: u32) -> Vec<u8> {
        let n_data = usize::try_from(n * 7 % 23).unwrap_or(0) * 2;
        let data = digits(n).into_iter().cycle().take(4 + n_data);
        let head: Vec<u8> = [&[request[0] | 0x40], request.get(1..).unwrap_or(&[])].concat();
        head.into_iter().chain(data).collect()
    }
    let habits = Habits { keeps_leftovers, ..Habits::default() };
    let dial = FakeDial::new(habits, Box::new(|_, request, n| vec![(5 * MS, 0x7E8, answer(request, n))]));
    let mut link = AtLink::start(Box::new(dial.clone()), Settings::default()).expect("starts unharmed");
    let first = dial.bench().n_answers;
    let n_harms = harms.len();
    dial.bench().habits.damage = Some(Box::new(move |text, n| {
        let harm = harms.get(usize::try_from(n - first - 1).unwrap_or(usize::MAX)).cloned().flatten();
        harm.map_or(text.clone(), |harm| harm.apply(text))
    }));
    let to = Target::Module(Address::from_reply11(0x7E8));
    let mut n_good = 0;
    for round in 0..n_harms + 12 {
        let did = u8::try_from(round).expect("few");
        let bytes = if round % 2 == 0 { vec![0x22, 0xF1, did] } else { vec![0x03] };
        let started = link.now();
        let result = link.exchange(&Request { to, bytes: bytes.clone(), n_replies: None });
        prop_assert!(link.now() - started <= LONGEST_EXCHANGE_NS);
        let Ok(exchange) = result else {
            prop_assert!(link.reopen().is_ok() || round < n_harms);
            continue;
        };
        for reply in &exchange.replies {
            prop_assert_eq!(&reply.bytes, &answer(&bytes, dial.bench().n_requests()), "{:?}", exchange);
        }
        n_good += exchange.replies.len();
    }
    prop_assert!(n_good >= 8, "only {n_good} good exchanges after the harm ended: {:?}", dial.bench().heard);
    Ok(())
}

#[test]
fn first_asks_of_an_adapter_that_keeps_frames_for_later() {
    for n_rounds in 0..40 {
        first_asks(true, vec![None; n_rounds]).expect("never the answer to another request");
    }
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(400) })]

    #[test]
    fn harmed_answers_on_can(harms in prop::collection::vec(prop::option::of(harm()), 1..12)) {
        converse(Bus::Can { wide: false, kbit_s: 500 }, harms)?;
    }

    #[test]
    fn harmed_answers_on_k_line(harms in prop::collection::vec(prop::option::of(harm()), 1..12)) {
        converse(Bus::Iso9141, harms)?;
    }

    #[test]
    fn harmed_answers_of_two_modules(harms in prop::collection::vec(prop::option::of(harm()), 1..12)) {
        converse_with_two(harms)?;
    }

    #[test]
    fn harmed_first_asks(harms in prop::collection::vec(prop::option::of(harm()), 1..12)) {
        // Whole bytes that are missing from a padded last frame make it look like one without padding; that shows only
        // where the length of the line is known.
        let shows = |harm: &Option<Harm>| !matches!(harm, Some(Harm::Delete(_, n)) if *n < 16 && n % 2 == 0);
        first_asks(false, harms.into_iter().filter(shows).collect())?;
    }

    #[test]
    fn noise_from_the_first_byte_on(seed in prop::collection::vec(any::<u8>(), 0..200), n_clean in 0..20_u32) {
        let dial = FakeDial::new(Habits::default(), Box::new(car(Bus::Can { wide: false, kbit_s: 500 })));
        dial.bench().habits.damage = Some(Box::new(move |text, n| if n > n_clean { seed.clone() } else { text }));
        let result = AtLink::start(Box::new(dial.clone()), Settings::default());
        prop_assert!(dial.bench().now < LIMIT_NS);
        if let Ok(mut link) = result {
            for _ in 0..4 {
                let started = link.now();
                let request = Request { to: Target::Everyone, bytes: vec![0x01, 0x0C], n_replies: None };
                if let Ok(exchange) = link.exchange(&request)
                    && !exchange.replies.is_empty()
                {
                    let n = dial.bench().n_requests();
                    check(&exchange, &request, n)?;
                }
                prop_assert!(link.now() - started <= LONGEST_EXCHANGE_NS);
            }
        }
    }
}
