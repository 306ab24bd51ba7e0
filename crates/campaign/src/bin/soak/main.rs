//! Hours of car through the real server: memory, descriptors and the time base must stay as they are.
//!
//! The server is the program itself, in a process of its own, recorded from by one page and stared at by another that hardly
//! reads. Once it drives against an adapter on the network whose car lives in real time, once against the car inside of it,
//! whose hours pass in minutes. This program must not know how the server works: it speaks HTTP and WebSocket as pages do.

mod page;
mod series;

use std::net::TcpListener;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, ExitCode, Stdio};
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use page::Page;
use serde_json::{Value, json};
use series::{Drift, Slope};

/// The car of the soak: its engine tells how long it has run, by its own clock. Its modules take the same time for every
/// answer: with chance in it a request would have to be lucky twice to show the time of a tick to within a millisecond.
const CAR: &str = "beck?script=town&warm=1&baud=115200&jitter=0";
/// That time, beside everything legislated.
const DEFINITIONS: &str = r#"title = "time of the invented car"
origin = "SAE J1979-DA, PID 1F, 5E and 31 as data identifiers F41F, F45E and F431"
fits_vin = ["GTWBK1"]

[[module]]
name = "engine"
request = "7E0"
reply = "7E8"

[[module.did]]
did = "F41F"
n_bytes = 2

[[module.did.signal]]
id = "custom.run_time"
unit = "s"
byte = 0
bits = 16

[[module.did]]
did = "F45E"
n_bytes = 2

[[module.did.signal]]
id = "custom.fuel_rate"
unit = "L/h"
byte = 0
bits = 16
divide = 20
"#;
const SIGNALS: [&str; 20] = [
    "custom.run_time",
    "custom.fuel_rate",
    "engine.speed",
    "engine.load",
    "engine.absolute_load",
    "vehicle.speed",
    "pedal.position_1",
    "pedal.position_2",
    "throttle.position_1",
    "throttle.position_2",
    "intake.air_flow",
    "intake.manifold_pressure",
    "intake.air_temperature",
    "coolant.temperature",
    "barometric.pressure",
    "battery.voltage",
    "fuel.trim.short.bank_1",
    "fuel.trim.long.bank_1",
    "oxygen.voltage.bank_1_sensor_2",
    "lambda.bank_1_sensor_1",
];
/// The server keeps the latest samples for live traces: 16 bytes each, and of each signal so many. Memory grows by them until
/// it has them all, and then no more.
const KEPT: f64 = 60_000.0 * SIGNALS.len() as f64;
const KEPT_KB: f64 = 0.016;
/// Most that the time base may drift, ms.
const MOST_DRIFT_MS: f64 = 1.0;

type Fault = Box<dyn std::error::Error>;
/// Soaks for so many seconds of the car's time.
type Run<'a> = &'a dyn Fn(f64) -> Result<Figures, Fault>;

fn main() -> ExitCode {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let value = |name: &str| words.iter().position(|word| word == name).and_then(|at| words.get(at + 1));
    let number = |name: &str, usual: f64| value(name).map_or(Some(usual), |text| text.parse::<f64>().ok());
    let (Some(minutes), Some(hours), Some(witness)) =
        (number("--minutes", 20.0), number("--hours", 8.0), value("--witness"))
    else {
        eprintln!("usage: soak --witness PROGRAM [--minutes N] [--hours N]; 0 leaves one of the two out");
        return ExitCode::from(2);
    };
    let witness = Path::new(witness);
    let mut is_sound = true;
    let runs: [(&str, f64, Run<'_>); 2] = [
        ("in real time, over a network", minutes * 60.0, &|seconds| real(witness, seconds)),
        ("as fast as the processor can", hours * 3600.0, &|seconds| fast(witness, seconds)),
    ];
    for (what, seconds, run) in runs.iter().filter(|(_, seconds, _)| *seconds > 0.0) {
        match run(*seconds) {
            Ok(figures) => {
                println!("\n### {:.0} s {what}\n\n{}", seconds, figures.text());
                is_sound &= figures.is_sound();
            }
            Err(error) => {
                println!("\n{what}: {error}");
                is_sound = false;
            }
        }
    }
    if is_sound { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}

/// The car lives in this process, behind a socket, in real time.
fn real(witness: &Path, seconds: f64) -> Result<Figures, Fault> {
    let listener = TcpListener::bind("127.0.0.1:0")?;
    let address = format!("at+tcp://{}", listener.local_addr()?);
    let stop = AtomicBool::new(false);
    std::thread::scope(|scope| {
        let served = scope.spawn(|| standin::serve_tcp(&listener, CAR, 1.0, &stop));
        let figures = soak(witness, &address, "1", seconds);
        stop.store(true, Ordering::Relaxed);
        served.join().map_err(|_| "the car broke off")??;
        figures
    })
}

/// The car lives inside the server, on a clock that passes as fast as it is asked.
fn fast(witness: &Path, seconds: f64) -> Result<Figures, Fault> {
    soak(witness, &format!("standin:{CAR}&rtt_ms=20"), "1000", seconds)
}

/// The server's process; it ends with this.
struct Server(Child);

impl Drop for Server {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

impl Server {
    fn start(witness: &Path, home: &Path, pace: &str) -> Result<(Self, String), Fault> {
        let mut child = Command::new(witness)
            .args(["serve", "--listen", "127.0.0.1:0", "--no-open", "--json", "--pace", pace])
            .env("WITNESS_HOME", home)
            .stdout(Stdio::piped())
            .spawn()?;
        let stdout = child.stdout.take().ok_or("no output")?;
        let server = Self(child);
        let mut said = serde_json::Deserializer::from_reader(stdout).into_iter::<Value>();
        let told = said.next().ok_or("the server said nothing")??;
        Ok((server, told["url"].as_str().unwrap_or_default().to_owned()))
    }

    fn resident_kb(&self) -> f64 {
        let status = std::fs::read_to_string(format!("/proc/{}/status", self.0.id())).unwrap_or_default();
        let line = status.lines().find_map(|line| line.strip_prefix("VmRSS:"));
        line.and_then(|line| line.trim().split(' ').next()?.parse().ok()).unwrap_or(0.0)
    }

    fn n_descriptors(&self) -> usize {
        std::fs::read_dir(format!("/proc/{}/fd", self.0.id())).map_or(0, Iterator::count)
    }
}

/// What a soak showed.
struct Figures {
    wall_s: f64,
    drive_s: f64,
    n_signals: usize,
    n_samples: usize,
    n_gaps: usize,
    problems: Vec<String>,
    bytes: u64,
    /// (seconds of the drive, kB), and open descriptors early and at the end.
    memory: Slope,
    memory_kb: (f64, f64),
    n_descriptors: (usize, usize),
    drift: Drift,
    n_read_by_slow: usize,
    n_findings: usize,
}

impl Figures {
    fn is_sound(&self) -> bool {
        // Growth that its interval keeps apart from none, and of more than an allocator's page or two.
        let grows = self.memory.low() > 0.0 && self.memory.per_unit * self.memory.span > 4000.0;
        !grows
            && self.n_descriptors.1 <= self.n_descriptors.0
            && self.drift.ms.abs() < MOST_DRIFT_MS
            && self.problems.is_empty()
            && self.n_signals == SIGNALS.len()
            && self.n_findings > 0
    }

    fn text(&self) -> String {
        let Slope { per_unit, half, .. } = self.memory;
        format!(
            "| figure | value |\n| --- | --- |\n\
             | drive | {:.1} s in {:.0} s of the wall clock, {} signals, {} samples, {} gaps, {:.1} MB |\n\
             | what was lost | {} |\n\
             | memory of the server | {:.1} MB after a tenth, {:.1} MB at the end |\n\
             | its slope over the last nine tenths, less the samples that it keeps for live traces | {:.0} ± {:.0} kB per hour of the drive (95 %) |\n\
             | open descriptors | {} after a tenth, {} at the end |\n\
             | drift of the time base against the car's clock | {:.3} ± {:.3} ms from the first quarter to the last (95 %) |\n\
             | messages that the slow page took | {} |\n\
             | findings when it was examined | {} |\n",
            self.drive_s,
            self.wall_s,
            self.n_signals,
            self.n_samples,
            self.n_gaps,
            self.bytes as f64 / 1e6,
            if self.problems.is_empty() { "nothing".to_owned() } else { self.problems.join("; ") },
            self.memory_kb.0 / 1000.0,
            self.memory_kb.1 / 1000.0,
            per_unit * 3600.0,
            half * 3600.0,
            self.n_descriptors.0,
            self.n_descriptors.1,
            self.drift.ms,
            self.drift.half_ms,
            self.n_read_by_slow,
            self.n_findings,
        )
    }
}

fn soak(witness: &Path, adapter: &str, pace: &str, seconds: f64) -> Result<Figures, Fault> {
    let home = tempfile::tempdir()?;
    let definitions = home.path().join("definitions");
    std::fs::create_dir_all(&definitions)?;
    std::fs::write(definitions.join("time.toml"), DEFINITIONS)?;
    let (server, url) = Server::start(witness, home.path(), pace)?;
    let mut page = Page::open(&url)?;
    let slow = page.slow()?;
    page.post("/car/take", &Value::Null)?;
    page.post("/car/connect", &json!({"adapter": adapter}))?;
    page.until("connected", |car| car["stage"] == "ready")?;
    page.post("/car/record", &json!({"signals": SIGNALS, "seconds": seconds}))?;
    // A short drive as fast as the processor can may be over before the page hears of it.
    let has_begun = |car: &Value| car["stage"] == "recording" || !car["recording"]["drive"].is_null();
    page.until("recording", has_begun)?;
    let began = Instant::now();
    let (mut memory, mut n_descriptors) = (Vec::new(), Vec::new());
    loop {
        let car = page.hear(Duration::from_millis(500))?;
        if car["stage"] != "recording" {
            break;
        }
        let n_samples = car["recording"]["n_samples"].as_f64().unwrap_or(0.0);
        let (t_s, kb) = (car["recording"]["t_s"].as_f64().unwrap_or(0.0), server.resident_kb());
        memory.push((t_s, kb, kb - n_samples.min(KEPT) * KEPT_KB));
        n_descriptors.push(server.n_descriptors());
    }
    let wall_s = began.elapsed().as_secs_f64();
    let car = page.until("over", |car| car["stage"] == "ready" && !car["recording"]["drive"].is_null())?;
    let n_read_by_slow = slow.end();
    let drive = car["recording"]["drive"].as_str().unwrap_or_default().to_owned();
    let examined = page.get(&format!("/drives/{drive}/examined"))?;
    let path: PathBuf = home.path().join("drives").join(format!("{drive}.mcap"));
    let opened = drive::read(&path)?;
    let mut problems: Vec<String> = opened.problems.iter().map(ToString::to_string).collect();
    problems.extend(car["recording"]["problems"].as_array().into_iter().flatten().map(Value::to_string));
    let run_time = opened.recording.series("custom.run_time").ok_or("the car did not tell its time")?;
    memory.retain(|(t_s, ..)| *t_s > seconds / 10.0);
    let beside: Vec<(f64, f64)> = memory.iter().map(|(t_s, _, beside_kb)| (*t_s, *beside_kb)).collect();
    let early = n_descriptors.len() / 10;
    Ok(Figures {
        wall_s,
        drive_s: opened.recording.duration_s(),
        n_signals: opened.recording.series.len(),
        n_samples: opened.recording.series.iter().map(signal::Series::len).sum(),
        n_gaps: opened.recording.gaps.len(),
        problems,
        bytes: path.metadata()?.len(),
        memory: Slope::of(&beside),
        memory_kb: (memory.first().map_or(0.0, |one| one.1), memory.last().map_or(0.0, |one| one.1)),
        n_descriptors: (n_descriptors.get(early).copied().unwrap_or(0), n_descriptors.last().copied().unwrap_or(0)),
        drift: Drift::of(run_time),
        n_read_by_slow,
        n_findings: examined["findings"].as_array().map_or(0, Vec::len),
    })
}
