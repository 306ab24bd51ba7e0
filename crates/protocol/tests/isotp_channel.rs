//! A conversation of ISO 15765-2 frame by frame: blocks, waits, the greatest lengths, and who answers whom.

#![allow(clippy::panic, clippy::unwrap_used, reason = "a test fails by panicking")]

use protocol::exchange::Target;
use protocol::isotp::{Channel, Conversations, Ends, Event, IsoTpError, Said, SendError, Settings, Step, Timers};
use protocol::{Address, CanFrame, CanId, Nanos};

const MS: Nanos = 1_000_000;
const TESTER: Ends = Ends { tx: CanId::Standard(0x7E0), tx_byte: None, rx: CanId::Standard(0x7E8), rx_byte: None };

/// The frames that go out at `now`, each confirmed, and the events.
fn drain(channel: &mut Channel, now: Nanos) -> (Vec<Vec<u8>>, Vec<Event>) {
    let (mut frames, mut events) = (Vec::new(), Vec::new());
    loop {
        match channel.poll(now) {
            Step::Send(frame) => {
                channel.confirm(now);
                frames.push(frame.data);
            }
            Step::Event(event) => events.push(event),
            Step::Wait(_) | Step::Idle => return (frames, events),
        }
    }
}

fn heard(channel: &mut Channel, data: &[u8], now: Nanos) {
    assert!(channel.receive(&CanFrame::classic(TESTER.rx, data), now));
}

/// ISO 15765-2: after `BS` consecutive frames the sender waits for another flow control, without limit for BS = 0.
#[test]
fn a_block_ends_with_a_wait_for_permission() {
    let mut tester = Channel::new(TESTER, Settings::default());
    assert_eq!(tester.send(vec![], 0), Err(SendError::Length(0)));
    tester.send((0..48).collect(), 0).unwrap();
    assert!(tester.is_sending());
    assert_eq!(tester.send(vec![1], 0), Err(SendError::Busy));
    assert_eq!(drain(&mut tester, 0).0, [vec![0x10, 48, 0, 1, 2, 3, 4, 5]]);
    heard(&mut tester, &[0x30, 2, 0], MS);
    let (frames, _) = drain(&mut tester, MS);
    assert_eq!(frames, [vec![0x21, 6, 7, 8, 9, 10, 11, 12], vec![0x22, 13, 14, 15, 16, 17, 18, 19]]);
    assert_eq!(tester.poll(2 * MS), Step::Wait(MS + Timers::default().bs_ns), "the block is over");
    // A flow control may overtake the news that the frame it answers is on the bus.
    heard(&mut tester, &[0x30, 1, 0], 2 * MS);
    let Step::Send(third) = tester.poll(2 * MS) else { panic!("a frame is due") };
    assert_eq!(third.data.first(), Some(&0x23));
    heard(&mut tester, &[0x30, 0, 0], 3 * MS);
    let (frames, events) = drain(&mut tester, 3 * MS);
    assert_eq!(frames.iter().map(|data| data.first().copied()).collect::<Vec<_>>(), [0x24, 0x25, 0x26].map(Some));
    assert_eq!(events, [Event::Sent]);
    assert!(!tester.is_sending());
}

/// A flow control in the middle of a block was not asked for and changes nothing.
#[test]
fn permission_that_was_not_asked_for_is_passed_over() {
    let mut tester = Channel::new(TESTER, Settings::default());
    tester.send(vec![7; 48], 0).unwrap();
    drain(&mut tester, 0);
    heard(&mut tester, &[0x30, 3, 10], MS);
    assert!(matches!(tester.poll(MS), Step::Send(_)));
    // The frame is not known to be on the bus, and its block has two more: "overflow" here is a stray.
    heard(&mut tester, &[0x32, 0, 0], MS);
    assert!(tester.is_sending());
    tester.confirm(3 * MS);
    assert_eq!(tester.poll(3 * MS), Step::Wait(13 * MS), "the gap stays, and counts from the frame");
}

/// ISO 15765-2, N_WFTmax: so many "wait" frames are taken, the next one ends it.
#[test]
fn as_many_waits_as_agreed() {
    let mut tester = Channel::new(TESTER, Settings { max_waits: 2, ..Settings::default() });
    tester.send(vec![7; 20], 0).unwrap();
    drain(&mut tester, 0);
    for n in 1..=2 {
        heard(&mut tester, &[0x31, 0, 0], n * 100 * MS);
        let until = n * 100 * MS + Timers::default().bs_ns;
        assert_eq!(tester.poll(n * 100 * MS), Step::Wait(until), "each starts N_Bs anew");
    }
    heard(&mut tester, &[0x31, 0, 0], 300 * MS);
    assert_eq!(drain(&mut tester, 300 * MS).1, [Event::SendFailed(SendError::Waits(2))]);
}

/// N_Cs: a consecutive frame is on time until the last moment.
#[test]
fn a_frame_at_the_last_moment_still_goes_out() {
    for (late, goes) in [(0, true), (1, false)] {
        let mut tester = Channel::new(TESTER, Settings::default());
        tester.send(vec![7; 10], 0).unwrap();
        drain(&mut tester, 0);
        heard(&mut tester, &[0x30, 0, 0], MS);
        let (frames, events) = drain(&mut tester, MS + Timers::default().cs_ns + late);
        assert_eq!((frames.len(), events == [Event::Sent]), (usize::from(goes), goes));
    }
}

/// Lengths where the form of the first frame changes, with classical frames and with 64 bytes of CAN FD.
#[test]
fn the_shortest_form_that_holds_the_message() {
    let fd = Settings { is_fd: true, frame_bytes: 64, ..Settings::default() };
    let cases: [(Settings, usize, &[u8], usize); 8] = [
        (Settings::default(), 7, &[0x07], 8),
        (Settings::default(), 8, &[0x10, 0x08], 8),
        (Settings::default(), 0xFFF, &[0x1F, 0xFF], 8),
        (Settings::default(), 0x1000, &[0x10, 0x00, 0x00, 0x00, 0x10, 0x00], 8),
        (fd, 7, &[0x07], 8),
        (fd, 8, &[0x00, 0x08], 12),
        (fd, 62, &[0x00, 0x3E], 64),
        (fd, 63, &[0x10, 0x3F], 64),
    ];
    for (settings, n, head, size) in cases {
        let mut tester = Channel::new(TESTER, settings);
        tester.send(vec![0xAA; n], 0).unwrap();
        let Step::Send(first) = tester.poll(0) else { panic!("a frame is due") };
        assert!(first.data.starts_with(&[head, &[0xAA]].concat()), "{n}: {first}");
        assert_eq!(first.data.len(), size, "{n}");
    }
}

/// The receiver's side: a permission after the first frame and after each block, and no more than it can hold.
#[test]
fn a_receiver_permits_block_by_block() {
    let settings = Settings { block_size: 2, st_min: 5, max_length: 34, ..Settings::default() };
    let mut tester = Channel::new(TESTER, settings);
    heard(&mut tester, &[0x10, 35, 0, 1, 2, 3, 4, 5], 0);
    let (frames, events) = drain(&mut tester, 0);
    assert_eq!(frames, [vec![0x32, 0, 0, 0, 0, 0, 0, 0]]);
    assert_eq!(events, [Event::ReceiveFailed(IsoTpError::TooLong { length: 35, max: 34 })]);
    assert!(!tester.is_receiving());
    heard(&mut tester, &[0x10, 34, 0, 1, 2, 3, 4, 5], 0);
    assert!(tester.is_receiving());
    let permission = vec![0x30, 2, 5, 0, 0, 0, 0, 0];
    let mut asked = vec![drain(&mut tester, 0).0.len()];
    for index in 1_u8..=4 {
        let at = 6 + 7 * (index - 1);
        heard(&mut tester, &[vec![0x20 | index], (at..at + 7).collect()].concat(), Nanos::from(index) * MS);
        let (frames, events) = drain(&mut tester, Nanos::from(index) * MS);
        assert!(frames.iter().all(|frame| *frame == permission), "{frames:02X?}");
        asked.push(frames.len());
        assert_eq!(events.is_empty(), index < 4);
        if index == 4 {
            assert_eq!(events, [Event::Received((0..34).collect())]);
        }
    }
    assert_eq!(asked, [1, 0, 1, 0, 0], "after the first frame and after the second of the block");
    // A first frame on the bus is always full.
    assert!(tester.receive(&CanFrame::classic(TESTER.rx, &[0x10, 20, 0, 1, 2, 3, 4]), 9 * MS));
    assert_eq!(drain(&mut tester, 9 * MS).1, [Event::ReceiveFailed(IsoTpError::Length { stated: 20, carried: 5 })]);
}

/// What is due at once says so, and what waits for readiness says when it is said again (N_Br).
#[test]
fn a_receiver_that_is_ready_has_something_to_do_at_once() {
    let mut tester = Channel::new(TESTER, Settings::default());
    heard(&mut tester, &[0x10, 20, 0, 1, 2, 3, 4, 5], 0);
    assert_eq!(tester.poll(0), Step::Event(Event::Begun { length: 20 }));
    assert_eq!(tester.deadline(), Some(Nanos::MIN));
    tester.set_ready(false);
    assert_eq!(tester.deadline(), Some(Timers::default().br_ns));
}

fn said(conversations: &mut Conversations, frame: &CanFrame) -> Option<Said> {
    conversations.receive(frame, MS);
    match conversations.poll(MS) {
        Step::Event(said) => Some(said),
        _ => None,
    }
}

/// ISO 15765-4: `7E8` to `7EF` and `18DAF1xx` answer a request to everyone; a request to whoever listens is answered from
/// within the same 256 identifiers (common practice, no source), and never by its own echo.
#[test]
fn who_may_answer_whom() {
    let (s, x) = (CanId::Standard, CanId::Extended);
    let anyone = Target::Anyone(Address::Can11 { request: 0x714, reply: 0x71C });
    let cases = [
        (false, Target::Everyone, s(0x7E8), true),
        (false, Target::Everyone, s(0x7EF), true),
        (false, Target::Everyone, s(0x7F0), false),
        (false, Target::Everyone, s(0x7E7), false),
        (true, Target::Everyone, x(0x18DA_F100), true),
        (true, Target::Everyone, x(0x18DA_F1FF), true),
        (true, Target::Everyone, x(0x18DA_F210), false),
        (true, Target::Everyone, x(0x10DA_F110), false),
        (false, anyone, s(0x77E), true),
        (false, anyone, s(0x71C), true),
        (false, anyone, s(0x714), false),
        (false, anyone, s(0x67E), false),
        (false, anyone, s(0x7E8), true),
    ];
    for (wide, to, id, answers) in cases {
        let mut tester = Conversations::new(Settings::default(), wide);
        tester.send(to, &[0x3E, 0x00], 0).unwrap();
        assert_eq!(tester.deadline(), Some(Nanos::MIN), "the request is due");
        while !matches!(tester.poll(0), Step::Idle | Step::Wait(_)) {
            tester.confirm(0);
        }
        assert_eq!(tester.deadline(), None);
        let said = said(&mut tester, &CanFrame::classic(id, &[0x02, 0x7E, 0x00]));
        assert_eq!(said.is_some(), answers, "{to:?} {id}: {said:?}");
    }
}

/// Several conversations at once: their frames alternate, each can be given up alone, and only CAN can be opened.
#[test]
fn conversations_take_turns() {
    let [engine, gearbox] = [0x7E8, 0x7E9].map(Address::from_reply11);
    let mut tester = Conversations::new(Settings::default(), false);
    assert_eq!(tester.open(Address::Node(0x11)), Err(SendError::NotOnCan(Address::Node(0x11))));
    assert_eq!(tester.open(engine), Ok(()));
    for module in [engine, gearbox] {
        tester.send(Target::Module(module), &[0x22; 40], 0).unwrap();
    }
    let ids = |tester: &mut Conversations, n: usize| -> Vec<u32> {
        let mut ids = Vec::new();
        while let Step::Send(frame) = tester.poll(0) {
            tester.confirm(0);
            ids.push(frame.id.number());
            if ids.len() == n {
                break;
            }
        }
        ids
    };
    assert_eq!(ids(&mut tester, 9), [0x7E0, 0x7E1]);
    for id in [0x7E8, 0x7E9] {
        assert!(tester.receive(&CanFrame::classic(CanId::Standard(id), &[0x30, 0, 0]), 0));
    }
    assert_eq!(ids(&mut tester, 4), [0x7E0, 0x7E1, 0x7E0, 0x7E1]);
    tester.cancel(engine);
    assert_eq!(ids(&mut tester, 3), [0x7E1; 3]);
    assert!(!tester.is_receiving(gearbox));
    tester.receive(&CanFrame::classic(CanId::Standard(0x7E9), &[0x10, 20, 0, 1, 2, 3, 4, 5]), 0);
    assert!(tester.is_receiving(gearbox) && !tester.is_receiving(engine));
}
