//! The conversation with an adapter, fed with anything: it never panics and every operation ends.

use proptest::prelude::*;
use protocol::at::{Action, Adapter};
use protocol::exchange::{Request, Target};
use protocol::{Address, Bus, Nanos};

const LIMIT_NS: Nanos = 180_000_000_000;

/// What arrives next: a delay and text, or nothing until the deadline.
fn arrivals() -> impl Strategy<Value = Vec<Option<(Nanos, Vec<u8>)>>> {
    let piece = prop_oneof![
        prop::collection::vec(any::<u8>(), 1..30),
        prop::sample::select(vec![
            "OK\r\r>",
            "?\r\r>",
            ">",
            "\r\r>",
            "12.4V\r\r>",
            "A6\r\r>",
            "3\r\r>",
            "SEARCHING...",
            "BUS INIT: ",
            "7E8064100BE3EB813\r\r>",
            "7E8101449020131\r",
            "7E8104100BE3EB813\r\r>",
            "486B104100BE3EB811FA\r\r>",
            "014\r0:490201314734\r",
            "NO DATA\r\r>",
            "STOPPED\r\r>",
            "7E8037F0178\r\r>",
            "LV RESET\r\r>",
        ])
        .prop_map(|text| text.as_bytes().to_vec()),
    ];
    prop::collection::vec(prop::option::weighted(0.8, (0..400_000_000_i64, piece)), 0..120)
}

/// Runs one operation; text arrives while it waits, as far as there is any.
fn run(
    adapter: &mut Adapter,
    now: &mut Nanos,
    script: &mut impl Iterator<Item = Option<(Nanos, Vec<u8>)>>,
) -> Result<(), TestCaseError> {
    let start = *now;
    loop {
        prop_assert!(*now - start < LIMIT_NS, "does not end");
        match adapter.poll(*now) {
            Action::Send(bytes) => prop_assert!(bytes.ends_with(b"\r"), "{:?}", bytes),
            Action::Wait(deadline) => match script.next().flatten() {
                Some((delay, bytes)) if *now + delay <= deadline => {
                    *now += delay;
                    adapter.receive(*now, &bytes);
                }
                _ => {
                    *now = deadline.max(*now);
                    adapter.elapsed(*now);
                }
            },
            Action::Done(_) | Action::Idle => return Ok(()),
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(300) })]

    #[test]
    fn noise_at_any_time(script in arrivals(), remembered in any::<bool>(), need_vehicle in any::<bool>()) {
        let bus = Bus::Can { wide: false, kbit_s: 500 };
        let mut adapter = Adapter::new(remembered.then_some(bus));
        let (mut now, mut script) = (0, script.into_iter());
        adapter.start(need_vehicle);
        run(&mut adapter, &mut now, &mut script)?;
        for to in [Target::Everyone, Target::Module(Address::from_reply11(0x7E8)), Target::Module(Address::Node(0x10))] {
            adapter.ask(&Request { to, bytes: vec![0x01, 0x00], n_replies: Some(1) });
            run(&mut adapter, &mut now, &mut script)?;
            adapter.ask_volts();
            run(&mut adapter, &mut now, &mut script)?;
        }
    }
}
