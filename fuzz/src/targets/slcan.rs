//! The text of serial-line CAN adapters.

use protocol::slcan::{Command, Reader, Said};

use crate::{Seeds, Target};

pub(super) const TARGET: Target = Target {
    name: "slcan",
    max_len: 2048,
    words: &["\r", "\u{7}", "t7E8", "T18DAF110", "b7E8", "D18DAF110", "V1013\r", "N1234\r", "F00\r", "z\r", "Z\r"],
    seeds,
    run,
};

/// As many answers as ends of lines and refusals; a frame that is read can be written and reads back the same.
fn run(input: &[u8]) {
    let said = Reader::default().read(input);
    let n_ends = input.iter().filter(|byte| matches!(byte, b'\r' | 7)).count();
    assert_eq!(said.len(), n_ends);
    for said in said {
        if let Said::Frame(frame) = said {
            assert!(frame.data.len() <= if frame.is_fd { 64 } else { 8 });
            let text = Command::Send(frame.clone()).text().expect("a word for every frame that has one");
            assert_eq!(Reader::default().read(&text), [Said::Frame(frame)]);
        }
    }
}

fn seeds(seeds: &mut Seeds) {
    seeds.add("V1013\rN0001\r\rS6\rO\r\x07t7E8803410C1AF8000000\rT18DAF1108024100BE3EB81300\rz\rZ\rF00\r");
    seeds.add("t7E8803410C1AF800000012AB\rb7E8C4142434445464748494A4B4C\rd1230\rt0000\rt7FF0\rT1FFFFFFF0\r");
}
