//! Frames per second from a raw CAN log to signals, against the general-purpose libraries cantools and python-can on the
//! same log (comma2k19, one minute of a motorway, MIT) with the same DBC file; measured in the same run.
//!
//! The log is repeated for us, with its times moved on, because once is over too soon to be measured. The reference is
//! named by the environment variable `WITNESS_PYTHON`; its own start is not counted.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a benchmark ends by panicking")]

use std::io::{Read, Write};
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Instant;

use definition::{FrameDecoder, dbc};
use drive::{DriveInfo, FrameImport, FrameSignal, Overwrite};
use protocol::CanId;

/// How often the log is repeated with `--bench`.
const N_REPEATS: usize = 30;

const REFERENCE: &str = r#"
import sys, time, can, cantools
database = cantools.database.load_file(sys.argv[2], strict=False)
known = {message.frame_id for message in database.messages}
begin = time.perf_counter()
n_frames = n_samples = 0
for frame in can.io.CanutilsLogReader(sys.argv[1]):
    n_frames += 1
    if frame.arbitration_id in known:
        try:
            n_samples += len(database.decode_message(frame.arbitration_id, frame.data, decode_choices=False, allow_truncated=True))
        except Exception:
            pass
print(n_frames, n_samples, time.perf_counter() - begin)
"#;

fn main() {
    let is_bench = std::env::args().any(|argument| argument == "--bench");
    let n_repeats = if is_bench { N_REPEATS } else { 1 };
    let data = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../../shared/data/comma2k19");
    let Ok(packed) = std::fs::File::open(data.join("highway_60s_can0.log.gz")) else {
        println!("skipped: the open data set comma2k19 is not beside the clone");
        return;
    };
    let dbc_path = data.join("dbc/powertrain_base.dbc");
    let mut text = String::new();
    flate2::read::MultiGzDecoder::new(packed).read_to_string(&mut text).unwrap();
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name);
    std::fs::write(path("once.log"), &text).unwrap();
    repeat(&text, n_repeats, &path("ours.log"));

    let read = dbc::read(&std::fs::read(&dbc_path).unwrap(), "powertrain_base.dbc").unwrap();
    let decoder = FrameDecoder::new(&read.messages);
    let signals: Vec<FrameSignal> = read
        .messages
        .iter()
        .flat_map(|message| {
            message.signals.iter().map(|signal| FrameSignal {
                message: message.name.clone(),
                name: signal.name.clone(),
                id: signal.id.clone(),
                unit: signal.unit.clone(),
                definition: String::new(),
            })
        })
        .collect();
    let options = FrameImport { map: Vec::new(), bus: None, overwrite: Overwrite::Never, info: DriveInfo::default() };
    let begin = Instant::now();
    let decode = |frame: &drive::Frame<'_>, found: &mut Vec<(usize, f64)>| {
        let id = if frame.is_extended { CanId::Extended(frame.number) } else { CanId::Standard(frame.number as u16) };
        decoder.decode(id, frame.data, |idx, value| found.push((idx, value)))
    };
    let imported = drive::import_frames(&path("ours.log"), &path("ours.mcap"), &signals, decode, &options).unwrap();
    let import_s = begin.elapsed().as_secs_f64();
    let own_per_s = imported.n_frames as f64 / import_s;
    println!(
        "import of {} frames, {} samples, into a drive with its raw frames: {import_s:.2} s, {own_per_s:.0} frames/s, {:.1} MB",
        imported.n_frames,
        imported.n_samples,
        path("ours.mcap").metadata().unwrap().len() as f64 / 1e6
    );
    let (read_s, n_read) = read_and_decode(&decoder, &path("ours.log"));
    assert_eq!(n_read, imported.n_samples);
    let read_per_s = imported.n_frames as f64 / read_s;
    println!("reading and decoding, keeping nothing: {read_s:.2} s, {read_per_s:.0} frames/s");
    let (signals_s, n_values) = to_signals(&decoder, signals.len(), &path("ours.log"));
    assert_eq!(n_values, imported.n_samples);
    let signals_per_s = imported.n_frames as f64 / signals_s;
    println!("from the log to signals in memory: {signals_s:.2} s, {signals_per_s:.0} frames/s");
    let (decode_s, n_samples) = decode_alone(&decoder, &text, n_repeats);
    println!(
        "decoding alone, frames in memory: {:.1} million frames/s, {:.1} million values/s",
        imported.n_frames as f64 / decode_s / 1e6,
        n_samples as f64 / decode_s / 1e6
    );

    let Some(python) = std::env::var_os("WITNESS_PYTHON") else {
        println!("no ratio: WITNESS_PYTHON does not name a Python with cantools and python-can");
        return;
    };
    let output = Command::new(python).args(["-c", REFERENCE]).arg(path("once.log")).arg(dbc_path).output().unwrap();
    let said = String::from_utf8_lossy(&output.stdout);
    let numbers: Vec<f64> = said.split_whitespace().filter_map(|word| word.parse().ok()).collect();
    let [n_frames, n_samples, reference_s] = numbers.as_slice() else {
        panic!("{said}{}", String::from_utf8_lossy(&output.stderr));
    };
    assert_eq!((*n_samples as u64) * n_repeats as u64, imported.n_samples, "both find the same samples");
    let reference_per_s = n_frames / reference_s;
    println!("reference (reading and decoding, keeping nothing): {reference_per_s:.0} frames/s");
    println!("ratio of the same work, reading and decoding: {:.1}", read_per_s / reference_per_s);
    println!("ratio with the signals gathered in memory: {:.1}", signals_per_s / reference_per_s);
    println!("ratio with the drive written and synced too: {:.1}", own_per_s / reference_per_s);
}

/// The log again and again, a minute later each time.
fn repeat(text: &str, n_repeats: usize, out: &PathBuf) {
    let mut file = std::io::BufWriter::new(std::fs::File::create_new(out).unwrap());
    for k in 0..n_repeats {
        for line in text.lines() {
            let (time, rest) = line.strip_prefix('(').unwrap().split_once(')').unwrap();
            let seconds: f64 = time.parse().unwrap();
            writeln!(file, "({:.6}){rest}", seconds + 61.0 * k as f64).unwrap();
        }
    }
}

/// Time from the log to values that nobody keeps, and how many there are.
fn read_and_decode(decoder: &FrameDecoder, log: &Path) -> (f64, u64) {
    let begin = Instant::now();
    let (mut n_values, mut sum) = (0, 0.0);
    each_value(decoder, log, |_, t_ns, value| {
        n_values += 1;
        sum += value + t_ns as f64;
    });
    std::hint::black_box(sum);
    (begin.elapsed().as_secs_f64(), n_values)
}

fn each_value(decoder: &FrameDecoder, log: &Path, mut take: impl FnMut(usize, i64, f64)) {
    let problems = drive::read_frame_log(log, |frame| {
        let id = if frame.is_extended { CanId::Extended(frame.number) } else { CanId::Standard(frame.number as u16) };
        decoder.decode(id, frame.data, |idx, value| take(idx, frame.t_ns, value));
    });
    assert!(problems.unwrap().is_empty());
}

/// Time from the log to times and values of every signal in memory, and how many values there are.
fn to_signals(decoder: &FrameDecoder, n_signals: usize, log: &Path) -> (f64, u64) {
    let begin = Instant::now();
    let mut series: Vec<(Vec<i64>, Vec<f64>)> = vec![(Vec::new(), Vec::new()); n_signals];
    each_value(decoder, log, |idx, t_ns, value| {
        series[idx].0.push(t_ns);
        series[idx].1.push(value);
    });
    (begin.elapsed().as_secs_f64(), series.iter().map(|(t_ns, _)| t_ns.len() as u64).sum())
}

/// Time of decoding alone, and how many values it finds.
fn decode_alone(decoder: &FrameDecoder, text: &str, n_repeats: usize) -> (f64, u64) {
    let frames: Vec<(CanId, Vec<u8>)> = text
        .lines()
        .map(|line| {
            let (id, data) = line.rsplit_once(' ').unwrap().1.split_once('#').unwrap();
            let byte = |idx: usize| u8::from_str_radix(&data[2 * idx..2 * idx + 2], 16).unwrap();
            (id.parse().unwrap(), (0..data.len() / 2).map(byte).collect())
        })
        .collect();
    let begin = Instant::now();
    let (mut n_values, mut sum) = (0, 0.0);
    for _ in 0..n_repeats {
        for (id, data) in &frames {
            decoder.decode(*id, data, |_, value| {
                n_values += 1;
                sum += value;
            });
        }
    }
    std::hint::black_box(sum);
    (begin.elapsed().as_secs_f64(), n_values)
}
