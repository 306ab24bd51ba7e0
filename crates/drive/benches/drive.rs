//! An eight-hour drive of 12 signals at 20 Hz, with its raw exchanges: size of the file, time and memory to write it,
//! read it, and turn it into a table and back.
//!
//! Every step runs in a process of its own, because the peak memory of a process is only ever known as a whole. Times
//! are set against one plain pass over the same samples in memory (t, v: 16 bytes each); reading, against the container
//! library's own reader on the same file, which unpacks every message and decodes none; saving, against the bare writing
//! and syncing of as many bytes. All of it is measured in the same run.
//!
//! `cargo bench -p drive` runs eight hours; without `--bench` (as `cargo test --benches` does) it runs one minute.
//! The files go to the folder in `WITNESS_BENCH_DIR`, otherwise to memory (`/dev/shm`), where the 144 000 syncs of eight
//! hours cost nothing and the figures are ours; what a sync costs on the disk is shown by a minute on the system's folder
//! for temporary files.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a helper of a test may stop it")]

use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Instant;

use drive::{DriveInfo, Exchange, ExportOptions, ImportOptions, Overwrite, Recorder, Reply};
use signal::{Recording, Sample, SignalId, Unit};

const N_SIGNALS: usize = 12;
const RATE_HZ: i64 = 20;
const STEP_NS: i64 = 1_000_000_000 / RATE_HZ;
/// A recorder saves every 200 ms.
const ROUNDS_PER_SAVE: i64 = RATE_HZ / 5;

/// Names, least steps and starting values of signals as a road test records them.
const SIGNALS: [(&str, &str, f64, f64); N_SIGNALS] = [
    ("engine.speed", "rpm", 0.25, 800.0),
    ("vehicle.speed", "km/h", 1.0, 0.0),
    ("wheel.speed.front_left", "km/h", 0.01, 0.0),
    ("wheel.speed.front_right", "km/h", 0.01, 0.0),
    ("wheel.speed.rear_left", "km/h", 0.01, 0.0),
    ("wheel.speed.rear_right", "km/h", 0.01, 0.0),
    ("pedal.position_1", "%", 100.0 / 255.0, 15.0),
    ("pedal.position_2", "%", 100.0 / 255.0, 15.0),
    ("intake.manifold_pressure", "kPa", 1.0, 100.0),
    ("coolant.temperature", "degC", 1.0, 20.0),
    ("battery.voltage", "V", 0.001, 14.0),
    ("intake.air_flow", "g/s", 0.01, 4.0),
];

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    if let [step, path] = arguments.as_slice() {
        return run_step(step, Path::new(path));
    }
    let is_bench = arguments.iter().any(|argument| argument == "--bench");
    let seconds = if is_bench { 8 * 3600 } else { 60 };
    let memory = PathBuf::from("/dev/shm");
    let memory = if memory.is_dir() { memory } else { std::env::temp_dir() };
    let folder = std::env::var_os("WITNESS_BENCH_DIR").map_or(memory, PathBuf::from);
    let folder = tempfile::tempdir_in(folder).expect("a folder for the files");
    let path = |name: &str| folder.path().join(name);
    let n_samples = seconds * RATE_HZ * N_SIGNALS as i64;
    println!("{seconds} s, {N_SIGNALS} signals at {RATE_HZ} Hz: {n_samples} samples in {}", folder.path().display());
    let pass_s = plain_pass_s(n_samples);
    println!("one pass over (t, v) in memory: {:.2} ms", pass_s * 1e3);
    println!(
        "                                    wall   processor  passes  container  real time   peak     file    bytes"
    );
    println!(
        "                                       s           s       x          x          x     MB       MB  /sample"
    );
    for (step, name, what) in [
        ("record", "recorded.mcap", "record, saved every 200 ms"),
        ("read", "recorded.mcap", "read the recorded drive"),
        ("exchanges", "recorded.mcap", "read its raw exchanges"),
        ("repair", "recorded.mcap", "write a repaired copy"),
        ("read", "recorded.repaired.mcap", "read the repaired copy"),
        ("export", "recorded.mcap", "export a wide table"),
        ("import", "recorded.csv", "import the table"),
        ("read", "imported.mcap", "read the imported drive"),
    ] {
        let [wall_s, cpu_s, peak_mb, file_bytes] = in_own_process(step, &path(name), seconds);
        let container = if matches!(step, "read" | "exchanges") {
            let [container_s, ..] = in_own_process("container", &path(name), seconds);
            format!("{:.2}", wall_s / container_s)
        } else {
            String::new()
        };
        println!(
            "{what:<30}{wall_s:>10.3}{cpu_s:>12.2}{:>8.0}{container:>11}{:>11.0}{peak_mb:>7.0}{:>9.2}{:>9.2}",
            wall_s / pass_s,
            seconds as f64 / wall_s,
            file_bytes / 1e6,
            file_bytes / n_samples as f64,
        );
    }
    let disk = tempfile::tempdir().expect("a folder on the disk");
    let path = disk.path().join("recorded.mcap");
    let [wall_s, _, _, file_bytes] = in_own_process("record", &path, 60);
    let n_saves = 60 * RATE_HZ / ROUNDS_PER_SAVE;
    let bare_s = bare_saves_s(&disk.path().join("bare"), n_saves, file_bytes);
    println!(
        "record a minute: {:.3} ms per save in {}, {:.2} x bare writing and syncing",
        wall_s / n_saves as f64 * 1e3,
        disk.path().display(),
        wall_s / bare_s
    );
}

/// Time for appending as many bytes in as many pieces, with a sync after each, seconds.
fn bare_saves_s(path: &Path, n_saves: i64, n_bytes: f64) -> f64 {
    let mut file = std::fs::File::create_new(path).expect("a new file");
    let piece = vec![0x55; (n_bytes / n_saves as f64) as usize];
    let start = Instant::now();
    for _ in 0..n_saves {
        file.write_all(&piece).expect("room on the disk");
        file.sync_data().expect("a disk that is well");
    }
    start.elapsed().as_secs_f64()
}

/// Wall and processor time in seconds, peak memory in MB, and size of the file in bytes of a step that runs alone.
fn in_own_process(step: &str, path: &Path, seconds: i64) -> [f64; 4] {
    let output = Command::new(std::env::current_exe().expect("this program"))
        .args([step.as_ref(), path.as_os_str()])
        .env("BENCH_SECONDS", seconds.to_string())
        .output()
        .expect("a process for the step");
    assert!(output.status.success(), "{step}: {}", String::from_utf8_lossy(&output.stderr));
    let text = String::from_utf8_lossy(&output.stdout);
    let numbers: Vec<f64> = text.split_whitespace().filter_map(|word| word.parse().ok()).collect();
    numbers.try_into().unwrap_or_else(|_| panic!("{step} printed {text}"))
}

fn plain_pass_s(n_samples: i64) -> f64 {
    let samples: Vec<(i64, f64)> = (0..n_samples).map(|k| (k, k as f64)).collect();
    let times = (0..5).map(|_| {
        let start = Instant::now();
        let mut sum = [0.0; 4];
        for four in samples.chunks_exact(4) {
            for (sum, (t, v)) in sum.iter_mut().zip(four) {
                *sum += v + f64::from_bits(t.unsigned_abs());
            }
        }
        std::hint::black_box(sum);
        start.elapsed().as_secs_f64()
    });
    times.fold(f64::INFINITY, f64::min)
}

fn run_step(step: &str, path: &Path) {
    let seconds: i64 = std::env::var("BENCH_SECONDS").ok().and_then(|text| text.parse().ok()).expect("BENCH_SECONDS");
    let n_expected = usize::try_from(seconds * RATE_HZ).expect("a positive time") * N_SIGNALS;
    let count = |recording: &Recording| recording.series.iter().map(signal::Series::len).sum::<usize>();
    let start = Instant::now();
    let file = match step {
        "record" => {
            record(path, seconds);
            path.to_owned()
        }
        "read" => {
            let opened = drive::read(path).expect("a sound drive");
            assert_eq!(count(&opened.recording), n_expected);
            path.to_owned()
        }
        "exchanges" => {
            let mut n_exchanges = 0;
            drive::read_exchanges(path, |_| n_exchanges += 1).expect("a sound drive");
            assert_eq!(n_exchanges, seconds * RATE_HZ * 2);
            path.to_owned()
        }
        "container" => {
            let bytes = std::fs::read(path).expect("a file");
            let messages = mcap::read::RawMessageStream::new(&bytes).expect("a container");
            let n_bytes: usize = messages.map(|message| message.expect("a sound message").data.len()).sum();
            assert!(n_bytes > n_expected);
            path.to_owned()
        }
        "repair" => drive::repair(path).expect("a sound drive").path,
        "export" => {
            let out = path.with_extension("csv");
            drive::export(path, &out, ExportOptions::default()).expect("a sound drive");
            out
        }
        "import" => {
            let out = path.with_file_name("imported.mcap");
            drive::import(path, &out, &ImportOptions::default()).expect("a sound table");
            out
        }
        other => panic!("no step {other}"),
    };
    let wall_s = start.elapsed().as_secs_f64();
    println!("{wall_s} {} {} {}", cpu_s(), peak_mb(), file.metadata().expect("the file").len());
}

/// Highest memory that this process ever had resident, MB; NaN where the system does not tell.
fn peak_mb() -> f64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:"));
    line.and_then(|rest| rest.split_whitespace().next()?.parse().ok()).map_or(f64::NAN, |kb: f64| kb / 1e3)
}

/// Processor time of all threads so far, seconds: what the wall time would be on an idle machine with one core; NaN where
/// the system does not tell. Its ticks of 10 ms are those of every common Linux.
fn cpu_s() -> f64 {
    let stat = std::fs::read_to_string("/proc/self/stat").unwrap_or_default();
    // Behind the name in brackets, which may hold anything, user and system time are fields 12 and 13.
    let ticks = |field: usize| -> Option<f64> { stat.rsplit_once(')')?.1.split_whitespace().nth(field)?.parse().ok() };
    ticks(11).zip(ticks(12)).map_or(f64::NAN, |(user, system)| (user + system) / 100.0)
}

/// Six parameters per request, two requests in turn; every request takes 8 ms and a little.
fn record(path: &Path, seconds: i64) {
    let mut recorder = Recorder::create(path, &DriveInfo::default(), Overwrite::Never).expect("a new file");
    let handles = SIGNALS.map(|(id, unit, ..)| {
        let id = SignalId::new(id).expect("a name of the catalogue");
        recorder.add_signal(&id, &Unit::named(unit), "standard").expect("a new signal")
    });
    let mut random = 1u64;
    let mut next = move || {
        random = random.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (random >> 33) as i64
    };
    let mut steps = [0i64; N_SIGNALS];
    let mut number = 0;
    for round in 0..seconds * RATE_HZ {
        let mut t_ns = round * STEP_NS + next() % 1_000_000;
        for half in 0..2 {
            number += 1;
            let asked_ns = t_ns;
            t_ns += 8_000_000 + next() % 500_000;
            let mut bytes = vec![0x41];
            for idx in half * 6..half * 6 + 6 {
                // Changes of one step, and often none, as real signals have.
                steps[idx] = (steps[idx] + next() % 3 - 1).max(0);
                let value = SIGNALS[idx].3 + steps[idx] as f64 * SIGNALS[idx].2;
                bytes.extend([idx as u8, steps[idx] as u8]);
                recorder.push(handles[idx], Sample { t_ns, asked_ns, exchange: number, value }).expect("a sample");
            }
            let reply = Reply { from: "7E8".into(), arrived_ns: t_ns, bytes };
            recorder.push_exchange(Exchange {
                number,
                asked_ns,
                over_ns: t_ns + 200_000,
                to: "7E0".into(),
                request: vec![1, 0x0c, 0x0d, 0x04, 0x0b, 0x05, 0x10],
                replies: vec![reply],
                problems: Vec::new(),
            });
        }
        // As in real time, or chunks would grow and flatter the result.
        if round % ROUNDS_PER_SAVE == 0 {
            recorder.save().expect("a disk that is well");
        }
    }
    recorder.finish().expect("a disk that keeps up");
}
