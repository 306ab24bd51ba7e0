//! Drives on disk, whole, cut and damaged, and their repair.

use std::path::Path;

use drive::{Contents, DriveInfo, Exchange, FrameBatch, Overwrite, Recorder, Reply, repair};
use signal::{Gap, Mark, Sample, SignalId, Unit};

use crate::scratch;
use crate::{Seeds, Target};

pub(super) const TARGET: Target = Target {
    name: "drive_file",
    max_len: 16 << 10,
    words: &["\u{0}MCAP0\r\n", "witness", "zstd", "lz4", "protobuf", "signal", "unit", "exchanges", "marks"],
    seeds,
    run,
};

/// What a drive gives is finite and in order; its repaired copy gives the same, and has nothing to complain of.
fn run(input: &[u8]) {
    let path = scratch::file("drive.mcap", input);
    let Ok((contents, problems)) = Contents::read(&path) else {
        assert!(repair(&path).is_err(), "what cannot be read cannot be repaired");
        return;
    };
    for series in &contents.recording.series {
        assert_eq!(series.t_ns.len(), series.value.len());
        assert!(series.t_ns.is_sorted(), "times of `{}`", series.id);
        assert!(series.asked_ns.is_empty() || series.asked_ns.len() == series.t_ns.len());
    }
    for problem in &problems {
        assert!(problem.offset <= input.len() as u64, "{problem}");
    }
    let repaired = repair(&path).expect("what can be read can be repaired");
    let (copy, left) = Contents::read(&repaired.path).expect("a copy that was just written");
    assert!(left.is_empty(), "{left:?}");
    assert_eq!(copy.recording, contents.recording);
    assert_eq!(copy.exchanges, contents.exchanges);
    assert_eq!(n_frames(&copy), n_frames(&contents));
}

fn n_frames(contents: &Contents) -> usize {
    contents.frames.iter().map(FrameBatch::len).sum()
}

fn seeds(seeds: &mut Seeds) {
    let path = scratch::folder().join("seed.mcap");
    record(&path);
    let whole = std::fs::read(&path).unwrap();
    // Unfinished, cut in the middle, and whole.
    for n in [whole.len(), whole.len() * 3 / 4, whole.len() / 2] {
        seeds.add(&whole[..n]);
    }
}

/// A short drive with something of everything.
fn record(path: &Path) {
    let info = DriveInfo { software: Some("fuzz".into()), start_unix_ns: Some(1), ..DriveInfo::default() };
    let mut recorder = Recorder::create(path, &info, Overwrite::Never).unwrap();
    let speed = recorder.add_signal(&SignalId::new("vehicle.speed").unwrap(), &Unit::named("km/h"), "01 0D").unwrap();
    for n in 0..8 {
        let t_ns = 100_000_000 * (n + 1);
        recorder.push(speed, Sample { t_ns, asked_ns: t_ns - 9_000_000, exchange: n as u32, value: n as f64 }).unwrap();
    }
    recorder.push_exchange(Exchange {
        asked_ns: 1,
        over_ns: 2,
        request: vec![1, 13],
        replies: vec![Reply { from: "7E8".into(), bytes: vec![0x41, 13, 0], arrived_ns: 2 }],
        ..Exchange::default()
    });
    let mut frames = FrameBatch::new("can0");
    frames.push(5, 0x7E8, false, &[1, 2, 3]);
    recorder.push_frames(frames);
    recorder.mark(Mark { t_ns: 200_000_000, text: "here".into() });
    recorder.gap(Gap { from_ns: 300_000_000, to_ns: 400_000_000, reason: "lost".into() });
    recorder.finish().unwrap();
}
