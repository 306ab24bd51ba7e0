//! ISO 15765-2 with ourselves as partner, over a bus that loses frames; and with anything at all as partner.

#![allow(clippy::unwrap_used, clippy::panic, clippy::indexing_slicing, reason = "a test fails by panicking")]

use proptest::prelude::*;
use protocol::isotp::{
    Channel, Conversations, Ends, Event, IsoTpError, SendError, Settings, Step, Timers, separation_ns,
};
use protocol::{Address, CanFrame, CanId, Nanos};

const MS: Nanos = 1_000_000;
const TESTER: Ends = Ends { tx: CanId::Standard(0x7E0), tx_byte: None, rx: CanId::Standard(0x7E8), rx_byte: None };

fn pair(tester: Settings, module: Settings) -> [Channel; 2] {
    [Channel::new(TESTER, tester), Channel::new(TESTER.reversed(), module)]
}

/// Runs both until neither has anything to do; gives each side's events. `keep`: whether the nth frame arrives.
/// `ready_at`: when the second becomes ready to take frames.
fn run(
    pair: &mut [Channel; 2],
    mut keep: impl FnMut(usize, &CanFrame) -> bool,
    ready_at: Nanos,
) -> ([Vec<Event>; 2], Nanos) {
    let mut events = [Vec::new(), Vec::new()];
    let (mut now, mut n_frames) = (0, 0);
    for _ in 0..200_000 {
        pair[1].set_ready(now >= ready_at);
        let mut next = if now < ready_at { Some(ready_at) } else { None };
        let mut is_busy = false;
        for side in 0..2 {
            match pair[side].poll(now) {
                Step::Send(frame) => {
                    now += MS / 4;
                    pair[side].confirm(now);
                    n_frames += 1;
                    if keep(n_frames, &frame) {
                        assert!(pair[1 - side].receive(&frame, now));
                    }
                    is_busy = true;
                }
                Step::Event(event) => {
                    events[side].push(event);
                    is_busy = true;
                }
                Step::Wait(until) => next = Some(next.map_or(until, |next: Nanos| next.min(until))),
                Step::Idle => {}
            }
        }
        match next {
            _ if is_busy => {}
            Some(at) => now = now.max(at),
            None => return (events, now),
        }
    }
    panic!("the conversation does not end");
}

/// ISO 15765-2, table of STmin: the gap between consecutive frames is at least what was asked for, and not twice that.
#[test]
fn separation_times_are_kept() {
    for st_min in [0x00, 0x01, 0x14, 0x7F, 0xF1, 0xF9, 0x80, 0xF0, 0xFA, 0xFF] {
        let mut pair = pair(Settings::default(), Settings { st_min, ..Settings::default() });
        pair[0].send(vec![7; 6 + 7 * 10], 0).unwrap();
        let (events, took) = run(&mut pair, |_, _| true, 0);
        assert_eq!(events[0], [Event::Sent]);
        let least = 9 * separation_ns(st_min) + 12 * MS / 4;
        assert!((least..least + 2 * MS).contains(&took), "{st_min:02X}: {took} for {least}");
    }
}

/// ISO 15765-2: "wait" restarts N_Bs, up to N_WFTmax times.
#[test]
fn a_receiver_that_is_not_ready_makes_the_sender_wait() {
    let mut both = pair(Settings::default(), Settings::default());
    both[0].send(vec![7; 100], 0).unwrap();
    let (events, took) = run(&mut both, |_, _| true, 3_000 * MS);
    assert_eq!(events[0], [Event::Sent]);
    assert!(matches!(events[1].as_slice(), [Event::Begun { length: 100 }, Event::Received(_)]));
    assert!(took >= 3_000 * MS);
    // The sender's patience ends first.
    let mut both = pair(Settings { max_waits: 2, ..Settings::default() }, Settings::default());
    both[0].send(vec![7; 100], 0).unwrap();
    let (events, _) = run(&mut both, |_, _| true, 30_000 * MS);
    assert_eq!(events[0], [Event::SendFailed(SendError::Waits(2))]);
    // The receiver's own limit does.
    let mut both =
        pair(Settings { max_waits: 200, ..Settings::default() }, Settings { max_waits: 3, ..Settings::default() });
    both[0].send(vec![7; 100], 0).unwrap();
    let (events, _) = run(&mut both, |_, _| true, 30_000 * MS);
    assert!(matches!(events[0].as_slice(), [Event::SendFailed(SendError::NoFlowControl { sent: 6, length: 100 })]));
    let given_up = Event::ReceiveFailed(IsoTpError::NoFlowControl { length: 100, timer: "N_Br" });
    assert_eq!(events[1].last(), Some(&given_up));
}

#[test]
fn each_time_out_has_its_own_name() {
    // N_Bs: the flow control is lost. N_Cr: a consecutive frame is.
    let mut both = pair(Settings::default(), Settings::default());
    both[0].send(vec![7; 100], 0).unwrap();
    let (events, _) = run(&mut both, |n, _| n != 2, 0);
    assert_eq!(events[0], [Event::SendFailed(SendError::NoFlowControl { sent: 6, length: 100 })]);
    assert_eq!(events[1].last(), Some(&Event::ReceiveFailed(IsoTpError::Timeout { have: 6, length: 100 })));
    let mut both = pair(Settings::default(), Settings::default());
    both[0].send(vec![7; 20], 0).unwrap();
    let (events, _) = run(&mut both, |n, _| n != 4, 0);
    assert_eq!(events[0], [Event::Sent]);
    assert_eq!(events[1].last(), Some(&Event::ReceiveFailed(IsoTpError::Timeout { have: 13, length: 20 })));
    // Overflow.
    let mut both = pair(Settings::default(), Settings { max_length: 50, ..Settings::default() });
    both[0].send(vec![7; 51], 0).unwrap();
    let (events, _) = run(&mut both, |_, _| true, 0);
    assert_eq!(events[0], [Event::SendFailed(SendError::Overflow(51))]);
    assert_eq!(events[1], [Event::ReceiveFailed(IsoTpError::TooLong { length: 51, max: 50 })]);
    // N_As, N_Ar: frames that never get onto the bus.
    let [mut tester, mut module] = pair(Settings::default(), Settings::default());
    tester.send(vec![7; 10], 0).unwrap();
    let Step::Send(first) = tester.poll(0) else { panic!("a frame is due") };
    assert_eq!(tester.poll(0), Step::Wait(Timers::default().as_ns));
    assert_eq!(tester.poll(Timers::default().as_ns), Step::Event(Event::SendFailed(SendError::Blocked)));
    module.receive(&first, 0);
    assert_eq!(module.poll(0), Step::Event(Event::Begun { length: 10 }));
    assert!(matches!(module.poll(0), Step::Send(_)));
    let blocked = Event::ReceiveFailed(IsoTpError::NoFlowControl { length: 10, timer: "N_Ar" });
    let short = Settings { timers: Timers { ar_ns: 500 * MS, ..Timers::default() }, ..Settings::default() };
    let mut module = Channel::new(TESTER.reversed(), short);
    module.receive(&first, 0);
    assert_eq!(module.poll(0), Step::Event(Event::Begun { length: 10 }));
    assert!(matches!(module.poll(0), Step::Send(_)));
    assert_eq!(module.poll(500 * MS), Step::Event(blocked));
    // N_Cs: held up for longer than the partner waits.
    let mut tester = Channel::new(TESTER, Settings::default());
    tester.send(vec![7; 10], 0).unwrap();
    assert!(matches!(tester.poll(0), Step::Send(_)));
    tester.confirm(0);
    tester.receive(&CanFrame::classic(TESTER.rx, &[0x30, 0, 0]), MS);
    assert_eq!(tester.poll(900 * MS), Step::Event(Event::SendFailed(SendError::HeldUp)));
    // A flow control that means nothing.
    tester.send(vec![7; 10], 0).unwrap();
    assert!(matches!(tester.poll(0), Step::Send(_)));
    tester.receive(&CanFrame::classic(TESTER.rx, &[0x3F, 0, 0]), MS);
    assert_eq!(tester.poll(MS), Step::Event(Event::SendFailed(SendError::FlowStatus(15))));
}

/// 70 000 bytes: more than 16 bits, so that the 32-bit length is used in full.
#[test]
fn a_message_longer_than_sixteen_bits() {
    let fd = Settings { is_fd: true, frame_bytes: 64, ..Settings::default() };
    for settings in [Settings::default(), fd] {
        let mut both = pair(settings, settings);
        let message: Vec<u8> = (0..70_000_u32).map(|n| (n % 251) as u8).collect();
        both[0].send(message.clone(), 0).unwrap();
        let (events, _) = run(&mut both, |_, _| true, 0);
        assert_eq!(events[1].last(), Some(&Event::Received(message)));
    }
}

fn settings() -> impl Strategy<Value = Settings> {
    let frames = prop_oneof![Just((8, false)), Just((8, true)), Just((12, true)), Just((64, true)), Just((7, true))];
    (frames, any::<Option<u8>>(), any::<u8>(), prop_oneof![0_u8..5, 0xF1_u8..0xF9], 0_usize..600).prop_map(
        |((frame_bytes, is_fd), padding, block_size, st_min, max_length)| Settings {
            frame_bytes,
            is_fd,
            padding,
            block_size,
            st_min,
            max_length,
            ..Settings::default()
        },
    )
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    /// A message arrives whole or not at all, and both sides come to rest.
    #[test]
    fn what_arrives_is_what_was_sent(
        tester in settings(),
        module in settings(),
        n in 1_usize..500,
        lost in proptest::collection::vec(1_usize..120, 0..4),
    ) {
        let message: Vec<u8> = (0..n).map(|n| n as u8).collect();
        let mut both = pair(tester, module);
        both[0].send(message.clone(), 0).unwrap();
        let (events, _) = run(&mut both, |n, _| !lost.contains(&n), 0);
        let received: Vec<&Event> = events[1].iter().filter(|event| matches!(event, Event::Received(_))).collect();
        prop_assert!(received.iter().all(|event| **event == Event::Received(message.clone())));
        if lost.is_empty() && n <= module.max_length {
            prop_assert_eq!(received.len(), 1);
            prop_assert_eq!(&events[0], &[Event::Sent]);
        }
        prop_assert!(!both[0].is_sending() && !both[1].is_receiving());
    }

    /// Whatever frames come, nothing breaks, and without further frames it comes to rest.
    #[test]
    fn any_frames_do_no_harm(
        settings in settings(),
        byte in any::<Option<u8>>(),
        frames in proptest::collection::vec((any::<bool>(), proptest::collection::vec(any::<u8>(), 0..65), 0_i64..400), 0..40),
        sends in proptest::collection::vec(0_usize..80, 0..4),
    ) {
        let ends = Ends { tx_byte: byte, rx_byte: byte, ..TESTER };
        let mut channel = Channel::new(ends, settings);
        let mut many = Conversations::new(settings, false);
        let module = protocol::exchange::Target::Module(Address::from_reply11(0x7E8));
        let mut sends = sends.into_iter();
        let mut now = 0;
        for (plausible, mut data, gap_ms) in frames {
            now += gap_ms * MS;
            if let Some(n) = sends.next() {
                let _ = channel.send(vec![1; n], now);
                let _ = many.send(module, &vec![1; n], now);
            }
            // Half of them look like frames of this protocol.
            let at = usize::from(byte.is_some());
            if plausible && data.len() > at {
                data[at] = [0x02, 0x10, 0x21, 0x22, 0x30, 0x31, 0x32][usize::from(data[at]) % 7];
                if let Some(byte) = byte {
                    data[0] = byte;
                }
            }
            let frame = CanFrame { id: TESTER.rx, is_fd: data.len() > 8, data };
            channel.receive(&frame, now);
            many.receive(&frame, now);
            for _ in 0..3 {
                if let Step::Send(_) = channel.poll(now) {
                    channel.confirm(now);
                }
                if let Step::Send(_) = many.poll(now) {
                    many.confirm(now);
                }
            }
        }
        for _ in 0..10_000 {
            match channel.poll(now) {
                Step::Send(frame) => {
                    prop_assert!(frame.data.len() <= 64);
                    channel.confirm(now);
                }
                Step::Event(_) => {}
                Step::Wait(until) => now = now.max(until),
                Step::Idle => break,
            }
        }
        prop_assert_eq!(channel.poll(now), Step::Idle);
        for _ in 0..10_000 {
            match many.poll(now) {
                Step::Send(_) => many.confirm(now),
                Step::Event(_) => {}
                Step::Wait(until) => now = now.max(until),
                Step::Idle => break,
            }
        }
        prop_assert_eq!(many.poll(now), Step::Idle);
    }
}
