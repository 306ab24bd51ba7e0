//! ISO 15765-2 in both roles against can-isotp 2.0.7, a general-purpose library of this protocol.
//!
//! Needs a Python interpreter with it, named by the environment variable `WITNESS_PYTHON`; skipped without.

#![allow(clippy::unwrap_used, clippy::panic, clippy::indexing_slicing, reason = "a test fails by panicking")]

use std::io::{BufRead, BufReader, Write};
use std::process::{Child, ChildStdin, ChildStdout, Command, Stdio};

use protocol::isotp::{Channel, Ends, Event, Settings, Step};
use protocol::{CanFrame, CanId, Nanos};

/// Time of a frame on the simulated bus.
const FRAME_NS: Nanos = 250_000;

struct Random(u64);

impl Random {
    fn below(&mut self, n: usize) -> usize {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 >> 24) as usize % n
    }

    fn of<T: Copy>(&mut self, all: &[T]) -> T {
        all[self.below(all.len())]
    }

    fn message(&mut self, n: usize) -> Vec<u8> {
        (0..n).map(|_| self.below(256) as u8).collect()
    }
}

struct Library {
    child: Child,
    stdin: Option<ChildStdin>,
    stdout: BufReader<ChildStdout>,
}

/// What the library did in one step.
#[derive(Debug, Default)]
struct Did {
    frames: Vec<Vec<u8>>,
    messages: Vec<Vec<u8>>,
    errors: Vec<String>,
    again_in_ns: Option<Nanos>,
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

fn bytes(hex: &str) -> Vec<u8> {
    (0..hex.len() / 2).map(|idx| u8::from_str_radix(&hex[2 * idx..2 * idx + 2], 16).unwrap()).collect()
}

impl Library {
    fn start() -> Option<Self> {
        let Some(python) = std::env::var_os("WITNESS_PYTHON") else {
            eprintln!("skipped: set WITNESS_PYTHON to a Python interpreter that has can-isotp 2.0.7");
            return None;
        };
        let status = Command::new(&python).args(["-c", "import isotp"]).stderr(Stdio::null()).status();
        if !status.is_ok_and(|status| status.success()) {
            eprintln!("skipped: {} has no can-isotp", python.to_string_lossy());
            return None;
        }
        let script = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/oracle/isotp_peer.py");
        let mut child = Command::new(&python).arg(script).stdin(Stdio::piped()).stdout(Stdio::piped()).spawn().unwrap();
        let stdin = child.stdin.take();
        let stdout = BufReader::new(child.stdout.take().unwrap());
        let mut library = Self { child, stdin, stdout };
        assert_eq!(library.line(), "2.0.7", "the comparison was made with this version");
        Some(library)
    }

    fn line(&mut self) -> String {
        let mut line = String::new();
        self.stdout.read_line(&mut line).unwrap();
        line.trim().to_owned()
    }

    fn say(&mut self, text: &str) -> String {
        writeln!(self.stdin.as_mut().unwrap(), "{text}").unwrap();
        self.line()
    }

    fn step(&mut self, now: Nanos, frames: &[Vec<u8>]) -> Did {
        let frames: String = frames.iter().map(|frame| format!(" {}", hex(frame))).collect();
        let mut did = Did::default();
        for token in self.say(&format!("step {now}{frames}")).split_whitespace() {
            let (kind, rest) = token.split_once(':').unwrap();
            match kind {
                "t" => did.frames.push(bytes(rest)),
                "r" => did.messages.push(bytes(rest)),
                "e" => did.errors.push(rest.to_owned()),
                _ => did.again_in_ns = Some(rest.parse().unwrap()),
            }
        }
        did
    }
}

impl Drop for Library {
    fn drop(&mut self) {
        self.stdin = None;
        let _ = self.child.wait();
    }
}

/// What one conversation came to.
#[derive(Debug, Default)]
struct Outcome {
    ours: Vec<Event>,
    theirs: Did,
}

impl Outcome {
    fn we_received(&self) -> Vec<&Vec<u8>> {
        let messages =
            self.ours.iter().map(|event| if let Event::Received(message) = event { Some(message) } else { None });
        messages.flatten().collect()
    }

    fn we_failed(&self) -> bool {
        self.ours.iter().any(|event| matches!(event, Event::SendFailed(_) | Event::ReceiveFailed(_)))
    }
}

/// Runs both until neither has anything to do. Every frame is lost with probability `lost` in 1000.
fn converse(
    channel: &mut Channel,
    library: &mut Library,
    now: &mut Nanos,
    random: &mut Random,
    lost: usize,
) -> Outcome {
    let mut outcome = Outcome::default();
    let (mut to_them, mut to_us): (Vec<Vec<u8>>, Vec<Vec<u8>>) = (Vec::new(), Vec::new());
    for n_steps in 0.. {
        assert!(n_steps < 100_000, "the conversation does not end");
        let did = library.step(*now, &std::mem::take(&mut to_them));
        outcome.theirs.messages.extend(did.messages);
        outcome.theirs.errors.extend(did.errors);
        for frame in did.frames {
            *now += FRAME_NS;
            if random.below(1000) >= lost {
                to_us.push(frame);
            }
        }
        let (id, is_fd) = (channel.ends().rx, to_us.iter().any(|frame| frame.len() > 8));
        for data in to_us.drain(..) {
            assert!(channel.receive(&CanFrame { id, data, is_fd }, *now));
        }
        let next = loop {
            match channel.poll(*now) {
                Step::Send(frame) => {
                    assert_eq!(frame.id, channel.ends().tx);
                    *now += FRAME_NS;
                    channel.confirm(*now);
                    if random.below(1000) >= lost {
                        to_them.push(frame.data);
                    }
                }
                Step::Event(event) => outcome.ours.push(event),
                Step::Wait(until) => break Some(until),
                Step::Idle => break None,
            }
            // The library reads one frame at a time too.
            if !to_them.is_empty() {
                break Some(*now);
            }
        };
        if !to_them.is_empty() {
            continue;
        }
        let theirs = did.again_in_ns.map(|ns| *now + ns);
        match [next, theirs].into_iter().flatten().min() {
            Some(at) => *now = (*now).max(at),
            None => return outcome,
        }
    }
    outcome
}

#[test]
fn both_roles_with_lost_frames() {
    let Some(mut library) = Library::start() else { return };
    let mut random = Random(0x5EED_1DEA);
    let mut now: Nanos = 1_000_000_000;
    let (mut n_frames_lost, mut n_long, mut n_failed) = (0, 0, 0);
    for case in 0..100 {
        let mode = random.of(&["normal11", "normal11", "normal29", "extended11", "mixed11"]);
        let (tx, rx) = match mode {
            "normal29" => (CanId::Extended(0x18DA_10F1), CanId::Extended(0x18DA_F110)),
            _ => (CanId::Standard(0x6F1), CanId::Standard(0x612)),
        };
        // Extended: the target's address; mixed: one extension for both directions.
        let (tx_byte, rx_byte) = match mode {
            "extended11" => (Some(0x12), Some(0xF1)),
            "mixed11" => (Some(0x99), Some(0x99)),
            _ => (None, None),
        };
        let is_fd = random.below(3) == 0;
        let frame_bytes = if is_fd { random.of(&[8, 12, 16, 24, 48, 64]) } else { 8 };
        let padding = random.of(&[None, Some(0x00), Some(0x55), Some(0xCC)]);
        let st_mins = [0, 0, 1, 5, 20, 127, 0xF1, 0xF9];
        let blocks = [0, 0, 1, 2, 8, 15, 255];
        let settings = Settings {
            frame_bytes,
            is_fd,
            padding,
            block_size: random.of(&blocks),
            st_min: random.of(&st_mins),
            ..Settings::default()
        };
        let their_frame = if is_fd { random.of(&[8, 12, 32, 64]) } else { 8 };
        let new = format!(
            "new {mode} {} {} {} {} {} {} {} {their_frame} {}",
            rx.number(),
            tx.number(),
            rx_byte.unwrap_or(0),
            tx_byte.unwrap_or(0),
            random.of(&st_mins),
            random.of(&blocks),
            padding.map_or(-1, i32::from),
            u8::from(is_fd),
        );
        assert_eq!(library.say(&new), "ok");
        let mut channel = Channel::new(Ends { tx, tx_byte, rx, rx_byte }, settings);
        let lost = random.of(&[0, 0, 10, 50]);
        // The last round is without loss: whatever happened before, both must have recovered.
        for lost in [lost, 0] {
            let n = match random.below(8) {
                0 => 1 + random.below(12),
                1..=4 => 1 + random.below(120),
                5 | 6 => 1 + random.below(900),
                // Lengths around the end of 12 bits, where that takes few frames.
                _ if is_fd => 4090 + random.below(12),
                _ => 4095,
            };
            n_long += usize::from(n > 4095);
            let message = random.message(n);
            let about = format!("case {case}, {n} bytes, {lost} lost of 1000: {new} / {settings:?}");
            // Ours to theirs.
            channel.send(message.clone(), now).unwrap();
            let outcome = converse(&mut channel, &mut library, &mut now, &mut random, lost);
            assert!(outcome.theirs.messages.iter().all(|got| *got == message), "{about}");
            assert!(!channel.is_sending() && !channel.is_receiving(), "{about}");
            if lost == 0 {
                assert_eq!(outcome.theirs.messages.len(), 1, "{about}: {:?}", outcome.theirs.errors);
                assert_eq!(outcome.ours, [Event::Sent], "{about}");
            } else if outcome.theirs.messages.is_empty() {
                // A lost single frame leaves no trace; that is for the layer above to notice.
                assert!(outcome.we_failed() || !outcome.theirs.errors.is_empty() || n < 64, "{about}");
                n_failed += 1;
            }
            // Theirs to ours.
            assert_eq!(library.say(&format!("send {}", hex(&message))), "ok");
            let outcome = converse(&mut channel, &mut library, &mut now, &mut random, lost);
            assert!(outcome.we_received().iter().all(|got| **got == message), "{about}");
            if lost == 0 {
                assert_eq!(outcome.we_received().len(), 1, "{about}: {:?}", outcome.ours);
                assert_eq!(outcome.theirs.errors, [] as [String; 0], "{about}");
            } else if outcome.we_received().is_empty() {
                assert!(outcome.we_failed() || !outcome.theirs.errors.is_empty() || n < 64, "{about}");
                n_failed += 1;
            }
            n_frames_lost += usize::from(lost > 0);
        }
    }
    // The cases are what they claim to be.
    assert!(n_frames_lost > 25 && n_long > 1 && n_failed > 10, "{n_frames_lost} {n_long} {n_failed}");
}
