//! Both ends of ISO 15765-2 conversations, with times: whatever frames come, and what a lossy bus leaves of them.

use std::collections::VecDeque;

use protocol::exchange::Target as To;
use protocol::isotp::{Channel, Conversations, Ends, Event, Said, Settings, Step};
use protocol::{Address, CanFrame, CanId, Nanos};

use crate::script::{self, Arrival};
use crate::{Seeds, Target};

pub(super) const TARGET: Target = Target { name: "isotp_channel", max_len: 1024, words: &[], seeds, run };

const ENDS: Ends = Ends { tx: CanId::Standard(0x7E0), tx_byte: None, rx: CanId::Standard(0x7E8), rx_byte: None };
/// Turns without time passing after which something goes round in circles.
const MOST_TURNS: usize = 20_000;

/// The first bytes of an input are the settings of both ends and the length of what is sent.
fn run(input: &[u8]) {
    let Some(([setup, size, block_size, st_min, length, max_length], script)) = input.split_first_chunk::<6>() else {
        return;
    };
    let settings = Settings {
        frame_bytes: usize::from(*size),
        is_fd: setup & 1 == 1,
        padding: (setup & 2 == 2).then_some(0xAA),
        block_size: *block_size,
        st_min: *st_min,
        max_length: usize::from(*max_length) * 20,
        ..Settings::default()
    };
    let byte = (setup & 4 == 4).then_some(0xF1);
    let ends = Ends { tx_byte: byte, rx_byte: byte, ..ENDS };
    let message: Vec<u8> = (0..*length).cycle().take(usize::from(*length) * 3).collect();
    let script = script::arrivals(script);
    anything_comes(ends, settings, &message, &script);
    lossy_bus(ends, settings, &message, &script);
}

/// Every arrival of the script is a frame. No more is received than came; deadlines lie ahead; in the end all is quiet.
fn anything_comes(ends: Ends, settings: Settings, message: &[u8], script: &[Arrival]) {
    let mut channel = Channel::new(ends, settings);
    let mut many = Conversations::new(settings, false);
    let module = To::Module(Address::from_reply11(0x7E8));
    let _ = channel.send(message.to_vec(), 0);
    let (mut now, mut n_came, mut received) = (0, 0, [0, 0]);
    for arrival in script {
        now += arrival.after_ns.unwrap_or(3_000_000_000);
        let _ = many.send(module, message, now);
        // Another module has a word too.
        let is_other = arrival.bytes.first().is_some_and(|byte| byte & 8 == 8);
        let id = if is_other { CanId::Standard(0x7E9) } else { ends.rx };
        let data: Vec<u8> = arrival.bytes.iter().copied().take(64).collect();
        n_came += data.len();
        let frame = CanFrame { id, is_fd: data.len() > 8, data };
        channel.receive(&frame, now);
        many.receive(&frame, now);
        received[0] += n_received(&settle(&mut now, false, |now| turn(&mut channel, now)));
        let said = settle(&mut now, false, |now| turn_of_many(&mut many, now));
        received[1] += n_received(&said.into_iter().map(|said| said.event).collect::<Vec<_>>());
    }
    assert!(received.iter().all(|n| *n <= n_came), "{received:?} bytes received of {n_came}");
    settle(&mut now, true, |now| turn(&mut channel, now));
    assert!(!channel.is_sending() && !channel.is_receiving() && channel.deadline().is_none());
    settle(&mut now, true, |now| turn_of_many(&mut many, now));
    assert_eq!(many.deadline(), None);
}

fn n_received(events: &[Event]) -> usize {
    events.iter().map(|event| if let Event::Received(message) = event { message.len() } else { 0 }).sum()
}

fn turn(channel: &mut Channel, now: Nanos) -> Step<Event> {
    let step = channel.poll(now);
    if let Step::Send(_) = step {
        channel.confirm(now);
    }
    step
}

fn turn_of_many(many: &mut Conversations, now: Nanos) -> Step<Said> {
    let step = many.poll(now);
    if let Step::Send(_) = step {
        many.confirm(now);
    }
    step
}

/// Takes turns until nothing is due, or nothing ever will be; what was said meanwhile.
fn settle<E>(now: &mut Nanos, until_quiet: bool, mut turn: impl FnMut(Nanos) -> Step<E>) -> Vec<E> {
    let mut said = Vec::new();
    for _ in 0..MOST_TURNS {
        match turn(*now) {
            Step::Send(frame) => assert!(frame.data.len() <= 64, "{frame}"),
            Step::Event(event) => said.push(event),
            Step::Wait(until) => {
                assert!(until > *now, "a deadline that has passed");
                if !until_quiet {
                    return said;
                }
                *now = until;
            }
            Step::Idle => return said,
        }
    }
    panic!("it never comes to rest");
}

/// A message over a bus that loses, doubles and delays frames, by the bytes of the script: it arrives as it was sent or
/// not at all, and whole if nothing was lost.
fn lossy_bus(ends: Ends, settings: Settings, message: &[u8], script: &[Arrival]) {
    let mut fates = script.iter().flat_map(|arrival| arrival.bytes.iter().copied());
    let mut both = [Channel::new(ends, settings), Channel::new(ends.reversed(), settings)];
    if both[0].send(message.to_vec(), 0).is_err() {
        return;
    }
    let mut bus: VecDeque<(Nanos, usize, CanFrame)> = VecDeque::new();
    let (mut now, mut is_sound, mut said) = (0, true, [Vec::new(), Vec::new()]);
    for _ in 0..MOST_TURNS {
        let mut next = bus.front().map(|(at, _, _)| *at);
        if let Some((_, to, frame)) = bus.pop_front_if(|(at, _, _)| *at <= now) {
            both[to].receive(&frame, now);
            continue;
        }
        let mut is_busy = false;
        for (side, channel) in both.iter_mut().enumerate() {
            match turn(channel, now) {
                Step::Send(frame) => {
                    let fate = fates.next().unwrap_or(0);
                    is_sound &= fate < 0x40;
                    let n_copies = match fate {
                        0..0x80 => 1,
                        0x80..0xC0 => 0,
                        _ => 2,
                    };
                    // Frames of a bus keep their order.
                    let due = now + Nanos::from(fate & 0x3F) * 40_000_000;
                    let at = bus.back().map_or(due, |(at, _, _)| due.max(*at));
                    bus.extend(std::iter::repeat_n((at, 1 - side, frame), n_copies));
                    is_busy = true;
                }
                Step::Event(event) => {
                    said[side].push(event);
                    is_busy = true;
                }
                Step::Wait(at) => next = Some(next.map_or(at, |next| next.min(at))),
                Step::Idle => {}
            }
        }
        match next {
            _ if is_busy => {}
            Some(next) => now = next,
            None => {
                let mut received = said[1].iter().filter(|event| matches!(event, Event::Received(_)));
                assert!(received.all(|event| *event == Event::Received(message.to_vec())));
                assert!(!both[0].is_sending() && !both[1].is_receiving());
                if is_sound && message.len() <= settings.max_length && fits_in_time(script) {
                    assert_eq!(said[0], [Event::Sent]);
                    assert_eq!(said[1].last(), Some(&Event::Received(message.to_vec())));
                }
                return;
            }
        }
    }
    panic!("it never comes to rest");
}

/// Whether no frame is delayed for so long that a timer runs out.
fn fits_in_time(script: &[Arrival]) -> bool {
    script.iter().flat_map(|arrival| &arrival.bytes).all(|fate| fate & 0x3F < 0x08)
}

fn seeds(seeds: &mut Seeds) {
    let first: &[u8] = &[0x10, 0x14, 0x49, 0x02, 0x01, 0x31, 0x47, 0x34];
    let second: &[u8] = &[0x21, 0x41, 0x48, 0x35, 0x39, 0x48, 0x34, 0x35];
    let third: &[u8] = &[0x22, 0x47, 0x31, 0x31, 0x38, 0x33, 0x34, 0x31];
    for setup in [[2, 8, 0, 0, 40, 30], [1, 64, 2, 5, 80, 255], [6, 8, 3, 0xF3, 100, 40]] {
        let mut input = setup.to_vec();
        for frame in [&[0x30, 0, 0][..], first, second, third, &[0x03, 0x7F, 0x09, 0x78], &[0x31, 0, 0], &[0; 20]] {
            script::add(&mut input, &Arrival { after_ns: Some(5_000_000), bytes: frame.to_vec() });
        }
        seeds.add(input);
    }
}
