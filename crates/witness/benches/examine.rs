//! `examine` on a long drive, and what the program itself weighs: wall time, peak memory, start-up, size.
//!
//! The drive is eight hours of twelve signals at 20 Hz. Its content is plain made-up motion: what is measured is how long
//! it takes to read and judge that much, and the verdicts are not looked at. The bound beside it is one pass over the
//! samples in memory, measured in the same run.

use std::path::Path;
use std::process::Command;
use std::time::Instant;

use signal::{Recording, Series, SignalId, Unit};

const SIGNALS: [(&str, &str); 12] = [
    ("wheel.speed.front_left", "km/h"),
    ("wheel.speed.front_right", "km/h"),
    ("wheel.speed.rear_left", "km/h"),
    ("wheel.speed.rear_right", "km/h"),
    ("vehicle.speed", "km/h"),
    ("engine.speed", "rpm"),
    ("engine.load", "%"),
    ("pedal.position_1", "%"),
    ("pedal.position_2", "%"),
    ("yaw.rate", "deg/s"),
    ("steering.angle", "deg"),
    ("coolant.temperature", "degC"),
];
const HOURS: f64 = 8.0;
const RATE_HZ: f64 = 20.0;

/// A drive that speeds up, slows down and turns, for hours.
fn recording() -> Result<Recording, Box<dyn std::error::Error>> {
    let n = (HOURS * 3600.0 * RATE_HZ) as usize;
    // A small linear congruential generator: reproducible noise of the last digit.
    let mut state = 1u32;
    let mut noise = || {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        f64::from(state >> 8) / f64::from(1 << 24) - 0.5
    };
    let mut recording = Recording::default();
    for (idx, (id, unit)) in SIGNALS.iter().enumerate() {
        let mut series = Series::new(SignalId::new(id)?, Unit::named(unit));
        for k in 0..n {
            let t_s = k as f64 / RATE_HZ;
            let speed = (60.0 + 55.0 * (t_s / 47.0).sin() + 10.0 * (t_s / 7.0).sin()).max(0.0);
            let turn = 12.0 * (t_s / 23.0).sin().powi(5);
            let pedal = (30.0 + 25.0 * (t_s / 5.0).sin()).clamp(0.0, 100.0);
            let (value, step) = match idx {
                0 | 2 => (speed * (1.0 - turn / 400.0), 0.06),
                1 | 3 => (speed * (1.0 + turn / 400.0), 0.06),
                4 => (speed, 1.0),
                5 => (800.0 + 25.0 * speed, 0.25),
                6 | 7 => (pedal, 0.392),
                8 => (pedal / 2.0, 0.392),
                9 => (turn, 0.1),
                10 => (turn * 8.0, 0.5),
                _ => ((20.0 + t_s / 8.0).min(90.0), 1.0),
            };
            let t_ns = signal::nanos_from_seconds(t_s + idx as f64 * 0.002);
            series.push_value(t_ns, ((value + step * noise()) / step).round() * step);
        }
        recording.series.push(series);
    }
    Ok(recording)
}

/// Reads and judges in a process of its own, so that its peak memory is that of this work alone.
fn child(path: &Path) -> Result<(), Box<dyn std::error::Error>> {
    let begun = Instant::now();
    let opened = drive::read(path)?;
    let read_s = begun.elapsed().as_secs_f64();
    let mut n_findings = 0;
    let examination = evidence::Examination::new(&opened.recording);
    for check in evidence::CHECKS {
        let begun = Instant::now();
        n_findings += (check.run)(&examination).len();
        println!("  {:12} {:>8.3} s", check.kind.to_string(), begun.elapsed().as_secs_f64());
    }
    let whole_s = begun.elapsed().as_secs_f64();
    let begun = Instant::now();
    let mut sum = 0.0;
    for series in &opened.recording.series {
        sum += series.t_ns.iter().zip(&series.value).map(|(t_ns, value)| *t_ns as f64 * value).sum::<f64>();
    }
    let pass_s = std::hint::black_box(begun.elapsed().as_secs_f64() + 0.0 * sum);
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let peak = status.lines().find_map(|line| line.strip_prefix("VmHWM:")).map_or("unknown", str::trim);
    let samples: usize = opened.recording.series.iter().map(Series::len).sum();
    println!("{samples} samples, {n_findings} findings");
    println!("read     {read_s:>8.3} s  {:>8.1} passes over memory", read_s / pass_s);
    println!("examine  {:>8.3} s  {:>8.1} passes over memory", whole_s - read_s, (whole_s - read_s) / pass_s);
    println!("both     {whole_s:>8.3} s, peak memory {peak}");
    Ok(())
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut arguments = std::env::args().skip(1);
    if arguments.next().as_deref() == Some("--child") {
        return child(Path::new(&arguments.next().unwrap_or_default()));
    }
    let folder = tempfile::tempdir()?;
    let path = folder.path().join("long.mcap");
    drive::write(&path, &recording()?, &drive::DriveInfo::default(), drive::Overwrite::Never)?;
    let megabytes = |path: &Path| std::fs::metadata(path).map(|file| file.len() as f64 / 1e6);
    println!("a drive of {HOURS} hours, {} signals at {RATE_HZ} Hz, {:.1} MB", SIGNALS.len(), megabytes(&path)?);
    let me = std::env::current_exe()?;
    Command::new(me).arg("--child").arg(&path).status()?;

    let program = Path::new(env!("CARGO_BIN_EXE_witness"));
    let mut times_ms: Vec<f64> = Vec::new();
    for _ in 0..20 {
        let begun = Instant::now();
        Command::new(program).arg("--help").output()?;
        times_ms.push(begun.elapsed().as_secs_f64() * 1000.0);
    }
    times_ms.sort_by(f64::total_cmp);
    println!("`witness --help` {:.1} ms (median of 20), binary {:.1} MB", times_ms[10], megabytes(program)?);
    Ok(())
}
