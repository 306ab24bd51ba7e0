//! `witness drive`: plans, records, and closes cleanly whatever happens.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use drive::{DriveError, DriveInfo, Overwrite, Recorder, SignalHandle};
use protocol::Nanos;
use signal::{Gap, Mark, Sample};
use vehicle::{Plan, Rate, RawExchange, SampleError, Sink};

use crate::cli::{DriveOptions, RepairArgs};
use crate::connect;
use crate::failure::{Exit, Failure};
use crate::live::{Live, Pressed};
use crate::output::{clean, print_json, print_text, progress, target};
use crate::places::{data_folder, time_for_name, unix_now_ns};
use crate::to_wire;

/// How long rates are measured before a recording starts, seconds.
const TRIAL_S: f64 = 1.0;
/// How often progress is told without a live view.
const PROGRESS_EVERY: Duration = Duration::from_secs(5);

pub(crate) fn record(options: &DriveOptions, json: bool) -> Result<Exit, Failure> {
    finish(run(options, None)?, json)
}

pub(crate) fn live(options: &DriveOptions, json: bool) -> Result<Exit, Failure> {
    for caution in CAUTIONS {
        progress(caution);
    }
    finish(run(options, Some(Live::new()))?, json)
}

const CAUTIONS: [&str; 3] = [
    "caution: one person drives, another minds the tool, or nobody does. The driver never looks at it or touches it.",
    "caution: fasten the device and route the lead away from pedals, steering column and airbag covers.",
    "caution: a legal, quiet road; stop for every change of setting. The maker's procedure and local law come first.",
];

fn finish(recorded: wire::Recorded, json: bool) -> Result<Exit, Failure> {
    let is_complete = recorded.problems.is_empty() && recorded.drive.gaps.is_empty();
    if json {
        print_json(&recorded)?;
    } else {
        print_text(&page(&recorded));
    }
    Ok(if is_complete { Exit::Done } else { Exit::Lost })
}

fn page(recorded: &wire::Recorded) -> String {
    let drive = &recorded.drive;
    let mut page = format!("{}: {:.1} s, {} bytes\n", drive.file, drive.duration_s, recorded.bytes);
    for signal in &drive.signals {
        let rate = if signal.median_interval_s > 0.0 { 1.0 / signal.median_interval_s } else { 0.0 };
        page += &format!("  {:34} {:8} samples, {rate:6.1}/s\n", clean(&signal.id), signal.samples);
    }
    for gap in &drive.gaps {
        page += &format!("  gap from {:.3} s to {:.3} s: {}\n", gap.from_s, gap.to_s, clean(&gap.reason));
    }
    for note in &recorded.notes {
        page += &format!("  note: {}\n", clean(note));
    }
    for problem in &recorded.problems {
        page += &format!("  lost: {}\n", clean(problem));
    }
    page += &format!("\nnext: witness examine {}\n", drive.file);
    page
}

/// Connects, plans, shows the rates and records.
pub(crate) fn run(options: &DriveOptions, live: Option<Live>) -> Result<wire::Recorded, Failure> {
    let wanted = super::watchlist::chosen(&options.choice)?;
    if options.recording.seconds.is_some_and(|seconds| !(seconds > 0.0 && seconds <= 1e7)) {
        return Err(Failure::input("--seconds takes a number above 0"));
    }
    let out = out_path(options)?;
    let mut car = connect::vehicle(&options.adapter)?;
    let mut plan = car.vehicle.plan(&wanted, &car.definitions)?;
    tell_unavailable(&plan)?;
    let rates = car.vehicle.measure(&mut plan, TRIAL_S).map_err(|error| Failure::new(Exit::Failed, error))?;
    tell_rates(&plan, &rates);
    let stop = crate::stop::flag()?;
    let info = DriveInfo {
        start_unix_ns: Some(unix_now_ns()),
        software: Some(crate::SOFTWARE.to_owned()),
        adapter: Some(car.vehicle.link_info().adapter.clone()),
        protocol: car.vehicle.link_info().bus.map(|bus| bus.to_string()),
        vin: car.vehicle.vin()?.map(|vin| vin.as_str().to_owned()),
        ..DriveInfo::default()
    };
    let overwrite = if options.recording.force { Overwrite::WhenDone } else { Overwrite::Never };
    let mut recorder = Recorder::create(&out, &info, overwrite)?;
    let handles = plan.signals.iter().map(|signal| recorder.add_signal(&signal.id, &signal.unit, &signal.source));
    let handles = handles.collect::<Result<Vec<_>, _>>()?;
    let mut tape = Tape {
        recorder,
        handles,
        until_ns: options.recording.seconds.map(signal::nanos_from_seconds),
        stop,
        problems: Vec::new(),
        notes: Vec::new(),
        live,
        told: Instant::now(),
        n_samples: 0,
    };
    if let Some(live) = tape.live.as_mut() {
        live.start(&plan.signals)?;
    }
    let outcome = car.vehicle.sample(&mut plan, &mut tape);
    if let Some(live) = tape.live.as_mut() {
        live.end();
    }
    // Closed before anything else is said, so that what was recorded is safe.
    let finished = tape.recorder.finish();
    let (mut problems, notes) = (tape.problems, tape.notes);
    match outcome {
        Ok(()) => {}
        Err(SampleError::Sink(error)) => problems.push(error.to_string()),
        Err(error @ SampleError::NothingPlanned) => return Err(Failure::input(error)),
    }
    let bytes = match finished {
        Ok(finished) => finished.bytes,
        Err(error) => {
            problems.push(error.to_string());
            std::fs::metadata(&out).map(|file| file.len()).unwrap_or(0)
        }
    };
    let opened = super::open_drive(&out)?;
    problems.extend(super::drive_problems(&opened));
    Ok(wire::Recorded {
        drive: to_wire::drive(&out, &opened.recording),
        rates: rates.iter().map(to_wire::rate).collect(),
        unavailable: plan.unavailable.iter().map(to_wire::unavailable).collect(),
        bytes,
        notes,
        problems,
    })
}

fn out_path(options: &DriveOptions) -> Result<PathBuf, Failure> {
    if let Some(out) = &options.recording.out {
        return Ok(out.clone());
    }
    let folder = data_folder()?.join("drives");
    std::fs::create_dir_all(&folder).map_err(|source| crate::failure::cannot_write(&folder, &source))?;
    Ok(folder.join(format!("{}.mcap", time_for_name(unix_now_ns()))))
}

/// Says which signals cannot be had; an error when none can.
pub(crate) fn tell_unavailable(plan: &Plan) -> Result<(), Failure> {
    for missing in &plan.unavailable {
        progress(&format!("not available: {}: {}", missing.id, missing.reason));
    }
    if plan.signals.is_empty() {
        let first = plan.unavailable.first().map_or("", |missing| missing.reason.as_str());
        return Err(Failure::input(format!("none of these signals can be had from this car: {first}")));
    }
    Ok(())
}

fn tell_rates(plan: &Plan, rates: &[Rate]) {
    for (signal, rate) in plan.signals.iter().zip(rates) {
        progress(&format!("{:34} {:6.1}/s  from {}", signal.id, rate.per_second, signal.source));
    }
}

/// Takes samples into the recorder, and shows them.
struct Tape {
    recorder: Recorder,
    handles: Vec<SignalHandle>,
    until_ns: Option<Nanos>,
    stop: Arc<AtomicBool>,
    problems: Vec<String>,
    notes: Vec<String>,
    live: Option<Live>,
    told: Instant,
    n_samples: u64,
}

/// What is lost on the way is noted and the recording goes on; only a recorder that stopped ends it.
fn go_on_after(problems: &mut Vec<String>, outcome: Result<(), DriveError>) -> Result<(), DriveError> {
    match outcome {
        Err(error @ (DriveError::Lost { .. } | DriveError::Sample { .. })) => {
            problems.push(error.to_string());
            Ok(())
        }
        other => other,
    }
}

impl Sink for Tape {
    type Error = DriveError;

    fn sample(&mut self, signal: usize, sample: Sample) -> Result<(), DriveError> {
        let Some(handle) = self.handles.get(signal) else { return Ok(()) };
        self.n_samples += 1;
        if let Some(live) = self.live.as_mut() {
            live.sample(signal, sample);
        }
        go_on_after(&mut self.problems, self.recorder.push(*handle, sample))
    }

    fn exchange(&mut self, number: u32, raw: RawExchange) -> Result<(), DriveError> {
        let replies = raw.exchange.replies.into_iter().map(|reply| drive::Reply {
            from: reply.from.to_string(),
            arrived_ns: reply.arrived_ns,
            bytes: reply.bytes,
        });
        self.recorder.push_exchange(drive::Exchange {
            number,
            asked_ns: raw.exchange.asked_ns,
            over_ns: raw.exchange.over_ns,
            to: target(&raw.to),
            request: raw.request,
            replies: replies.collect(),
            problems: raw.exchange.problems,
        });
        Ok(())
    }

    fn gap(&mut self, gap: Gap) -> Result<(), DriveError> {
        self.recorder.gap(gap);
        Ok(())
    }

    fn note(&mut self, t_ns: Nanos, text: &str) {
        let line = format!("{:.3} s: {}", signal::seconds_from_nanos(t_ns), clean(text));
        match self.live.as_mut() {
            Some(live) => live.note(&line),
            None => progress(&line),
        }
        self.notes.push(line);
    }

    fn go_on(&mut self, t_ns: Nanos) -> Result<bool, DriveError> {
        go_on_after(&mut self.problems, self.recorder.check())?;
        let mut is_over = self.stop.load(Ordering::Relaxed) || self.until_ns.is_some_and(|until| t_ns >= until);
        if let Some(live) = self.live.as_mut() {
            match live.turn(t_ns) {
                Some(Pressed::Mark) => self.recorder.mark(Mark { t_ns, text: String::new() }),
                Some(Pressed::Quit) => is_over = true,
                None => {}
            }
        } else if self.told.elapsed() >= PROGRESS_EVERY {
            self.told = Instant::now();
            progress(&format!("{:.0} s recorded, {} samples", signal::seconds_from_nanos(t_ns), self.n_samples));
        }
        Ok(!is_over)
    }
}

pub(crate) fn repair(args: &RepairArgs, json: bool) -> Result<Exit, Failure> {
    let repaired = drive::repair(Path::new(&args.drive))?;
    let result = wire::Repaired {
        file: repaired.path.display().to_string(),
        problems: repaired.problems.iter().map(ToString::to_string).collect(),
    };
    if json {
        print_json(&result)?;
    } else {
        let mut text = format!("{}\n", result.file);
        for problem in &result.problems {
            text += &format!("lost: {}\n", clean(problem));
        }
        print_text(&text);
    }
    Ok(if result.problems.is_empty() { Exit::Done } else { Exit::Lost })
}
