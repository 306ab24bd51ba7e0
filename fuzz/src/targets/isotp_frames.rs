//! Frames of ISO 15765-2 and putting them together, with times.

use protocol::isotp::{Frame, Reassembly};

use crate::script;
use crate::{Seeds, Target};

pub(super) const TARGET: Target = Target { name: "isotp_frames", max_len: 1024, words: &[], seeds, run };

/// Each arrival of the script is one frame. A message consists of bytes that came, in their order; its length is the one
/// announced; only a script that goes on can complete it.
fn run(input: &[u8]) {
    let (setup, script) = input.split_first().unwrap_or((&0, &[]));
    let is_exact = setup & 1 == 0;
    let mut reassembly = if is_exact { Reassembly::default() } else { Reassembly::on_bus(1_000_000_000) };
    let (mut now, mut came) = (0, Vec::new());
    for arrival in script::arrivals(script) {
        now += arrival.after_ns.unwrap_or(2_000_000_000);
        let strict = Frame::parse(&arrival.bytes);
        let read = Frame::read(&arrival.bytes);
        if strict.is_ok() {
            assert_eq!(strict, read, "the strict reading is a part of the other");
        }
        let Ok(frame) = (if is_exact { strict } else { read }) else { continue };
        if let Frame::Single(data) | Frame::First { data, .. } | Frame::Consecutive { data, .. } = frame {
            came.extend_from_slice(data);
        }
        let announced = reassembly.announced();
        let is_late = reassembly.deadline().is_some_and(|deadline| deadline <= now);
        match reassembly.push(frame, now) {
            Ok(Some(message)) => {
                assert!(!message.is_empty() && is_subsequence(&message, &came));
                match frame {
                    Frame::Consecutive { .. } => assert!(announced == Some(message.len()) && !is_late),
                    Frame::Single(data) => assert_eq!(message, data),
                    Frame::First { .. } | Frame::FlowControl { .. } => panic!("{frame:?} completes nothing"),
                }
                assert_eq!(reassembly.announced(), None);
                came.clear();
            }
            Ok(None) => {}
            Err(error) => assert!(!error.to_string().is_empty()),
        }
        assert!(reassembly.deadline().is_none_or(|deadline| deadline > now));
    }
    let is_open = reassembly.announced().is_some();
    assert_eq!(reassembly.finish().is_some(), is_open);
}

fn is_subsequence(message: &[u8], came: &[u8]) -> bool {
    let mut came = came.iter();
    message.iter().all(|byte| came.any(|one| one == byte))
}

fn seeds(seeds: &mut Seeds) {
    // ISO 15765-2, worked reply with a VIN: 20 = 3 + 17 bytes in 6 + 7 + 7.
    let vin: [&[u8]; 3] = [
        &[0x10, 0x14, 0x49, 0x02, 0x01, 0x31, 0x47, 0x34],
        &[0x21, 0x41, 0x48, 0x35, 0x39, 0x48, 0x34, 0x35],
        &[0x22, 0x47, 0x31, 0x31, 0x38, 0x33, 0x34, 0x31],
    ];
    let escaped: [&[u8]; 2] = [&[0x10, 0, 0, 0, 0x10, 0, 1, 2], &[0x21, 1, 2, 3, 4, 5, 6, 7]];
    let others: [&[u8]; 4] =
        [&[0x02, 0x41, 0x0D], &[0x30, 0, 0], &[0, 9, 1, 2, 3, 4, 5, 6, 7, 8, 9, 0xCC], &[0x10, 0x09, 1, 2, 3, 4, 5, 6]];
    for frames in [&vin[..], &escaped, &others] {
        for setup in [0, 1] {
            let mut input = vec![setup];
            for frame in frames {
                script::add(&mut input, &script::Arrival { after_ns: Some(1_000_000), bytes: frame.to_vec() });
            }
            seeds.add(input);
        }
    }
}
