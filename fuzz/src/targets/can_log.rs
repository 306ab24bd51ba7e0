//! Logs of CAN frames as text, plain and gzipped.

use drive::{is_frame_log, read_frame_log};

use crate::scratch;
use crate::{Seeds, Target};

pub(super) const TARGET: Target = Target {
    name: "can_log",
    max_len: 4096,
    words: &[
        "(1700000000.000001) can0 7E8#0341050C\n",
        "(0.1) vcan1 18DAF110##1",
        "#R",
        "##",
        ") ",
        "\n(",
        "1e9",
        "-1",
    ],
    seeds,
    run,
};

/// A frame is one that can be, and every frame had a line.
fn run(input: &[u8]) {
    let path = scratch::file("frames.log", input);
    let _ = is_frame_log(&path);
    let mut n_frames = 0;
    let is_read = read_frame_log(&path, |frame| {
        assert!(frame.data.len() <= 64 && frame.number <= if frame.is_extended { 0x1FFF_FFFF } else { 0x7FF });
        n_frames += 1;
    });
    if is_read.is_ok() && !input.starts_with(&[0x1F, 0x8B]) {
        assert!(n_frames <= 1 + input.iter().filter(|byte| matches!(byte, b'\n' | b'\r')).count());
    }
}

fn seeds(seeds: &mut Seeds) {
    seeds.add("(1700000000.000001) can0 7E8#0341050C\n(1700000000.100) can1 18DAF110##1000102030405060708090A0B\n");
    seeds.add("(0.5) can0 123#\r\n(0.6) can0 123#R\n# note\n(0.7) can0 7FF#1122334455667788\n");
    for folder in ["ev_raw_can", "phev_labelled_actions", "verifiedcan", "comma2k19"] {
        seeds.add_heads(folder, ".log.gz", 1024);
    }
}
