//! `examine` on a long drive, and what the program itself weighs: wall time, peak memory, start-up, size.
//!
//! The drive is an hour of thirty signals at 50 Hz (5.4 million samples), and then 8 and 24 hours of them at 10 Hz, to see that
//! time grows with the samples and not faster: each check is given in nanoseconds a sample, which stay about the same then
//! or become fewer. Its content is plain made-up motion: what is measured is how long it takes to read and judge that much,
//! and the verdicts are not looked at. The bound beside it is one pass over the samples in memory, measured in the same
//! run; all work is done by one thread.

use std::path::Path;
use std::process::Command;
use std::time::Instant;

use signal::{Recording, Series, SignalId, Unit};

const SIGNALS: [(&str, &str); 30] = [
    ("wheel.speed.front_left", "km/h"),
    ("wheel.speed.front_right", "km/h"),
    ("wheel.speed.rear_left", "km/h"),
    ("wheel.speed.rear_right", "km/h"),
    ("vehicle.speed", "km/h"),
    ("engine.speed", "rpm"),
    ("engine.load", "%"),
    ("pedal.position_1", "%"),
    ("pedal.position_2", "%"),
    ("throttle.position_1", "%"),
    ("throttle.position_2", "%"),
    ("yaw.rate", "deg/s"),
    ("steering.angle", "deg"),
    ("coolant.temperature", "degC"),
    ("intake.air_temperature", "degC"),
    ("intake.air_flow", "g/s"),
    ("intake.manifold_pressure", "kPa"),
    ("barometric.pressure", "kPa"),
    ("battery.voltage", "V"),
    ("fuel.trim.short.bank_1", "%"),
    ("fuel.trim.long.bank_1", "%"),
    ("lambda.bank_1_sensor_1", "1"),
    ("misfire.cylinder_1", "count"),
    ("misfire.cylinder_2", "count"),
    ("misfire.cylinder_3", "count"),
    ("misfire.cylinder_4", "count"),
    ("ac.clutch", "1"),
    ("fan.command", "%"),
    ("fuel.pressure", "kPa"),
    ("custom.other", "1"),
];
/// Hours and samples per second; the last two differ in length alone.
const DRIVES: [(f64, f64); 3] = [(1.0, 50.0), (8.0, 10.0), (24.0, 10.0)];

/// A drive that speeds up, slows down and turns, for hours.
fn recording(hours: f64, rate_hz: f64) -> Result<Recording, Box<dyn std::error::Error>> {
    let n = (hours * 3600.0 * rate_hz) as usize;
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
            let t_s = k as f64 / rate_hz;
            let speed = (60.0 + 55.0 * (t_s / 47.0).sin() + 10.0 * (t_s / 7.0).sin()).max(0.0);
            let turn = 12.0 * (t_s / 23.0).sin().powi(5);
            let pedal = (30.0 + 25.0 * (t_s / 5.0).sin()).clamp(0.0, 100.0);
            let (value, step) = match *id {
                "wheel.speed.front_left" | "wheel.speed.rear_left" => (speed * (1.0 - turn / 400.0), 0.06),
                "wheel.speed.front_right" | "wheel.speed.rear_right" => (speed * (1.0 + turn / 400.0), 0.06),
                "vehicle.speed" => (speed, 1.0),
                "engine.speed" => (800.0 + 25.0 * speed, 0.25),
                "pedal.position_2" | "throttle.position_2" => (pedal / 2.0, 0.392),
                "yaw.rate" => (turn, 0.1),
                "steering.angle" => (turn * 8.0, 0.5),
                "coolant.temperature" => ((20.0 + t_s / 8.0).min(90.0), 1.0),
                "intake.air_temperature" => (25.0 + 5.0 * (t_s / 400.0).sin(), 1.0),
                "intake.air_flow" => (3.0 + 0.4 * pedal, 0.01),
                "intake.manifold_pressure" => (30.0 + 0.8 * pedal, 1.0),
                "barometric.pressure" => (99.0, 1.0),
                "battery.voltage" => (14.1, 0.1),
                "lambda.bank_1_sensor_1" => (1.0 + 0.02 * (t_s * 3.0).sin(), 0.001),
                "fuel.pressure" => (400.0 + pedal, 3.0),
                "ac.clutch" => (f64::from(u8::from(t_s % 120.0 > 60.0)), 1.0),
                _ if id.starts_with("misfire") => ((t_s / 600.0).floor(), 1.0),
                _ if id.starts_with("fuel.trim") => (2.0 * (t_s / 11.0).sin(), 0.78),
                _ => (pedal, 0.392),
            };
            let t_ns = signal::nanos_from_seconds(t_s + idx as f64 * 0.000_5);
            let wobble = if step == 1.0 && value == value.floor() { 0.0 } else { step * noise() };
            series.push_value(t_ns, ((value + wobble) / step).round() * step);
        }
        recording.series.push(series);
    }
    Ok(recording)
}

/// Processor time of this thread so far, seconds: what other programs take on a busy machine is not in it. Wall time where
/// the system does not tell.
fn now_s() -> f64 {
    // Giving way makes the system add up what was used since its last tick.
    std::thread::yield_now();
    let told = std::fs::read_to_string("/proc/thread-self/schedstat").ok();
    let ns: Option<f64> = told.and_then(|text| text.split_whitespace().next()?.parse().ok());
    ns.map_or_else(
        || std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH).map_or(0.0, |d| d.as_secs_f64()),
        |ns| ns * 1e-9,
    )
}

/// Reads and judges in a process of its own, so that its peak memory is that of this work alone.
fn child(path: &Path) -> Result<(), Box<dyn std::error::Error>> {
    let begun = now_s();
    let opened = drive::read(path)?;
    let read_s = now_s() - begun;
    let mut n_findings = 0;
    let samples: usize = opened.recording.series.iter().map(Series::len).sum();
    let examination = evidence::Examination::new(&opened.recording);
    for check in evidence::CHECKS {
        let begun = now_s();
        n_findings += (check.run)(&examination).len();
        let took_s = now_s() - begun;
        println!("  {:12} {took_s:>8.4} s {:>8.2} ns a sample", check.kind.to_string(), 1e9 * took_s / samples as f64);
    }
    let whole_s = now_s() - begun;
    let begun = now_s();
    let mut sum = 0.0;
    for series in &opened.recording.series {
        sum += series.t_ns.iter().zip(&series.value).map(|(t_ns, value)| *t_ns as f64 * value).sum::<f64>();
    }
    let pass_s = std::hint::black_box((now_s() - begun) + 0.0 * sum);
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let peak = status.lines().find_map(|line| line.strip_prefix("VmHWM:")).map_or("unknown", str::trim);
    println!("{samples} samples, {n_findings} findings");
    println!("read     {read_s:>8.3} s  {:>8.1} passes over memory", read_s / pass_s);
    println!("examine  {:>8.3} s  {:>8.1} passes over memory", whole_s - read_s, (whole_s - read_s) / pass_s);
    println!("both     {whole_s:>8.3} s, {:>5.1} ns a sample, peak memory {peak}", 1e9 * whole_s / samples as f64);
    Ok(())
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut arguments = std::env::args().skip(1);
    if arguments.next().as_deref() == Some("--child") {
        return child(Path::new(&arguments.next().unwrap_or_default()));
    }
    let folder = tempfile::tempdir()?;
    let me = std::env::current_exe()?;
    let megabytes = |path: &Path| std::fs::metadata(path).map(|file| file.len() as f64 / 1e6);
    for (hours, rate_hz) in DRIVES {
        let path = folder.path().join(format!("{hours}.mcap"));
        drive::write(&path, &recording(hours, rate_hz)?, &drive::DriveInfo::default(), drive::Overwrite::Never)?;
        println!("a drive of {hours} h, {} signals at {rate_hz} Hz, {:.1} MB", SIGNALS.len(), megabytes(&path)?);
        Command::new(&me).arg("--child").arg(&path).status()?;
    }

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
