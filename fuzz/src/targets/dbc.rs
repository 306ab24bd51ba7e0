//! DBC files, and frames read with what is in them.

use definition::{FrameDecoder, dbc};
use protocol::CanId;

use crate::{Seeds, Target};

pub(super) const TARGET: Target = Target {
    name: "dbc",
    max_len: 16 << 10,
    words: &[
        "VERSION \"\"\n",
        "NS_ :\n",
        "BS_:\n",
        "BU_: A B\n",
        "BO_ 2024 ",
        "BO_ 2566844672 ",
        " SG_ ",
        " m0M ",
        " M ",
        "CM_ SG_ ",
        "VAL_ ",
        "BA_ \"GenMsgCycleTime\" BO_ ",
        "SIG_VALTYPE_ ",
        "SG_MUL_VAL_ ",
        "@1+ (1,0) [0|0] \"\"",
        "@0- (0.01,-40) [0|0] \"km/h\" Vector__XXX",
        "VECTOR__INDEPENDENT_SIG_MSG",
        "BA_DEF_ BO_ ",
    ],
    seeds,
    run,
};

/// Signals lie within the longest frame, what is decoded is a number, and what is written reads back.
fn run(input: &[u8]) {
    let Ok(file) = dbc::read(input, "fuzz.dbc") else { return };
    let n_signals: usize = file.messages.iter().map(|message| message.signals.len()).sum();
    assert!(n_signals + file.messages.len() + file.problems.len() <= input.len() + 1);
    for problem in &file.problems {
        assert!(problem.line <= 1 + input.iter().filter(|byte| **byte == b'\n').count(), "{problem}");
    }
    let decoder = FrameDecoder::new(&file.messages);
    let frames = [[0; 64], [0xFF; 64], std::array::from_fn(|idx| (idx * 37) as u8)];
    for message in &file.messages {
        for signal in &message.signals {
            super::coded(&signal.coded);
        }
        for data in frames.iter().flat_map(|frame| [&frame[..], &frame[..8], &frame[..3], &[]]) {
            assert!(decoder.decode(message.id, data, |signal, value| {
                assert!(signal < n_signals && value.is_finite());
            }));
        }
    }
    decoder.decode(CanId::Standard(0x7FF), &frames[2], |_, _| {});
    decoder.decode(CanId::Extended(0x1FFF_FFFF), &frames[2], |_, _| {});
}

fn seeds(seeds: &mut Seeds) {
    seeds.add_files("dbc_cases", ".dbc", 16 << 10);
    seeds.add_files("dbc_vehicles", ".dbc", 16 << 10);
    seeds.add(standin::BROADCASTS);
}
