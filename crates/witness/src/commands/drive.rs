//! `witness drive`: records with live numbers or without, and mends.

use std::time::{Duration, Instant};

use protocol::Nanos;
use signal::Sample;
use workshop::{Control, Observer, Wish};

use crate::cli::{DriveOptions, RepairArgs};
use crate::failure::{Exit, Failure};
use crate::live::Live;
use crate::output::{clean, print_json, print_text, progress};

/// How often progress is told without a live view.
const PROGRESS_EVERY: Duration = Duration::from_secs(5);

pub(crate) fn record(options: &DriveOptions, json: bool) -> Result<Exit, Failure> {
    finish(run(options, &Control::default(), &mut Lines::new())?, json)
}

pub(crate) fn live(options: &DriveOptions, json: bool) -> Result<Exit, Failure> {
    let control = Control::default();
    let mut live = Live::new(control.clone())?;
    for caution in CAUTIONS {
        progress(caution);
    }
    let recorded = run(options, &control, &mut live)?;
    drop(live);
    finish(recorded, json)
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
pub(crate) fn run(
    options: &DriveOptions,
    control: &Control,
    observer: &mut dyn Observer,
) -> Result<wire::Recorded, Failure> {
    if options.recording.seconds.is_some_and(|seconds| !(seconds > 0.0 && seconds <= 1e7)) {
        return Err(Failure::input("--seconds takes a number above 0"));
    }
    let workshop = super::workshop()?;
    let wish = Wish {
        signals: super::paced(super::chosen(&workshop, &options.choice)?, &options.pace)?,
        seconds: options.recording.seconds,
        out: options.recording.file.out.clone(),
        replace: options.recording.file.force,
    };
    workshop.expect_room(wish.out.as_deref(), wish.replace, &options.adapter.definitions)?;
    let mut car = super::connect(&workshop, &options.adapter)?;
    car.vehicle.allow_sessions(options.pace.extended_session);
    crate::stop::on_signals(&control.stop_flag())?;
    let recorded = workshop.record(&mut car, &wish, control, observer)?;
    super::tell_case(recorded.case.as_ref());
    Ok(recorded)
}

/// Tells progress in lines on standard error.
pub(crate) struct Lines {
    told: Instant,
    n_samples: u64,
}

impl Lines {
    pub(crate) fn new() -> Self {
        Self { told: Instant::now(), n_samples: 0 }
    }
}

impl Observer for Lines {
    fn say(&mut self, line: &str) {
        progress(line);
    }

    fn sample(&mut self, _: usize, _: Sample) {
        self.n_samples += 1;
    }

    fn note(&mut self, t_ns: Nanos, text: &str) {
        progress(&format!("{:.3} s: {text}", signal::seconds_from_nanos(t_ns)));
    }

    fn turn(&mut self, t_ns: Nanos) {
        if self.told.elapsed() >= PROGRESS_EVERY {
            self.told = Instant::now();
            progress(&format!("{:.0} s recorded, {} samples", signal::seconds_from_nanos(t_ns), self.n_samples));
        }
    }
}

pub(crate) fn repair(args: &RepairArgs, json: bool) -> Result<Exit, Failure> {
    let result = super::workshop()?.repair(&args.drive)?;
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
