//! Recording a drive: plans, records, and closes cleanly whatever happens.

use std::path::{Path, PathBuf};

use drive::{DriveError, DriveInfo, Overwrite, Recorder, SignalHandle};
use protocol::Nanos;
use signal::{Gap, Mark, Sample, SignalId};
use vehicle::{Plan, Rate, RawExchange, SampleError, Sink, Vehicle};
use wire::{Content, FileRef};

use crate::examine::open_drive;
use crate::places::{fresh, time_for_name, unix_now_ns};
use crate::plan::{measured, planned_signals};
use crate::{Car, Control, Observer, Workshop, WorkshopError, to_wire};

/// How long rates are measured before a recording starts, seconds.
const TRIAL_S: f64 = 1.0;
/// Length of the event that the odds shown beside a recording are for, ms.
const EVENT_MS: f64 = 100.0;

/// What is to be recorded.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Wish {
    /// Signals by name.
    pub signals: Vec<SignalId>,
    /// How long, seconds of the car's clock; `None`: until it is stopped.
    pub seconds: Option<f64>,
    /// The drive file; `None`: a new file in the data folder.
    pub out: Option<PathBuf>,
    /// Whether an existing drive may be replaced, which happens when the new one is complete.
    pub replace: bool,
}

impl Wish {
    /// These signals, until it is stopped, in a new file of the data folder.
    #[must_use]
    pub fn of(signals: Vec<SignalId>) -> Self {
        Self { signals, ..Self::default() }
    }
}

impl Workshop {
    /// Records a drive and returns when it has ended: after its time, or when `control` says so.
    ///
    /// Nothing that an observer does can cost a sample, but what it takes long for slows the requests; use
    /// [`Workshop::start_recording`] where watchers may be slow.
    ///
    /// # Errors
    /// When there is nothing to record, or no file for it. Once it runs, whatever goes wrong ends or thins the recording
    /// and stands in [`wire::Recorded::problems`]; what was recorded stays.
    pub fn record(
        &self,
        car: &mut Car,
        wish: &Wish,
        control: &Control,
        observer: &mut dyn Observer,
    ) -> Result<wire::Recorded, WorkshopError> {
        if let Some(found) = wish.seconds.filter(|seconds| !(*seconds > 0.0 && *seconds <= 1e7)) {
            return Err(WorkshopError::Number { what: "the length of a drive", wanted: "above 0 s", found });
        }
        if wish.signals.is_empty() {
            return Err(WorkshopError::NoSignal);
        }
        let out = self.drive_file(wish.out.as_deref())?;
        let (mut plan, rates) = measured(car, &wish.signals, TRIAL_S, observer)?;
        for (signal, rate) in plan.signals.iter().zip(&rates) {
            observer.say(&format!("{:34} {:6.1}/s  from {}", signal.id, rate.per_second, signal.source));
        }
        let file = DriveFile { out, replace: wish.replace, until_ns: wish.seconds.map(signal::nanos_from_seconds) };
        let (outcome, mut recorded) =
            self.on_tape(car, &mut plan, &rates, file, control, observer, |vehicle, plan, tape| {
                vehicle.sample(plan, tape)
            })?;
        match outcome {
            Ok(()) => {}
            Err(SampleError::Sink(error)) => recorded.problems.insert(0, error.to_string()),
            Err(error @ SampleError::NothingPlanned) => {
                return Err(WorkshopError::NothingPlanned(error.to_string()));
            }
        }
        Ok(recorded)
    }

    /// Opens a drive for a plan, lets `work` fill it, and closes it whatever comes of that.
    #[allow(clippy::too_many_arguments, reason = "all that a recording is made of")]
    pub(crate) fn on_tape<T>(
        &self,
        car: &mut Car,
        plan: &mut Plan,
        rates: &[Rate],
        file: DriveFile,
        control: &Control,
        observer: &mut dyn Observer,
        work: impl FnOnce(&mut Vehicle, &mut Plan, &mut Tape<'_>) -> T,
    ) -> Result<(T, wire::Recorded), WorkshopError> {
        let DriveFile { out, replace, until_ns } = file;
        let info = DriveInfo {
            start_unix_ns: Some(unix_now_ns()),
            software: Some(self.software.clone()),
            adapter: Some(car.vehicle.link_info().adapter.clone()),
            protocol: car.vehicle.link_info().bus.map(|bus| bus.to_string()),
            vin: car.vehicle.vin()?.map(|vin| vin.as_str().to_owned()),
            ..DriveInfo::default()
        };
        let overwrite = if replace { Overwrite::WhenDone } else { Overwrite::Never };
        let mut recorder = Recorder::create(&out, &info, overwrite)?;
        let handles = plan.signals.iter().map(|signal| recorder.add_signal(&signal.id, &signal.unit, &signal.source));
        let handles = handles.collect::<Result<Vec<_>, _>>()?;
        observer.begin(&planned_signals(plan, rates, EVENT_MS));
        let mut tape = Tape { recorder, handles, until_ns, control, observer, problems: Vec::new(), notes: Vec::new() };
        let outcome = work(&mut car.vehicle, plan, &mut tape);
        let Tape { recorder, observer, mut problems, notes, .. } = tape;
        // Closed before anything else is said, so that what was recorded is safe.
        let finished = recorder.finish();
        observer.end();
        let bytes = match finished {
            Ok(finished) => finished.bytes,
            Err(error) => {
                problems.push(error.to_string());
                std::fs::metadata(&out).map(|file| file.len()).unwrap_or(0)
            }
        };
        let (recording, lost) = open_drive(&out)?;
        problems.extend(lost);
        let summary = to_wire::drive(&out, &recording);
        let file = self.file_ref(&out)?;
        let contents = drive_entries(file, &summary, &problems);
        let case = self.enter_or_tell(info.vin.as_deref(), &mut problems, &contents);
        let recorded = wire::Recorded {
            drive: summary,
            rates: rates.iter().map(to_wire::rate).collect(),
            unavailable: plan.unavailable.iter().map(to_wire::unavailable).collect(),
            bytes,
            notes,
            problems,
            case,
        };
        Ok((outcome, recorded))
    }

    /// A drive file as it was named, or a new one in the data folder.
    pub(crate) fn drive_file(&self, out: Option<&Path>) -> Result<PathBuf, WorkshopError> {
        Ok(match out {
            Some(out) => out.to_owned(),
            None => fresh(&self.places.sub("drives")?, &time_for_name(unix_now_ns()), "mcap"),
        })
    }

    /// Writes a good copy of a drive that was cut short or damaged, as `NAME.repaired.mcap` beside it.
    ///
    /// # Errors
    /// [`WorkshopError::Drive`].
    pub fn repair(&self, drive: &Path) -> Result<wire::Repaired, WorkshopError> {
        let repaired = drive::repair(drive)?;
        Ok(wire::Repaired {
            file: repaired.path.display().to_string(),
            problems: repaired.problems.iter().map(ToString::to_string).collect(),
        })
    }
}

/// Where a drive goes, and how long it is.
pub(crate) struct DriveFile {
    pub(crate) out: PathBuf,
    pub(crate) replace: bool,
    /// End of it; `None`: until it is stopped.
    pub(crate) until_ns: Option<Nanos>,
}

/// A drive and its marks.
fn drive_entries(file: FileRef, summary: &wire::DriveSummary, problems: &[String]) -> Vec<Content> {
    let mark = |mark: &wire::Mark| Content::Mark { drive: file.sha256.clone(), t_s: mark.t_s, text: mark.text.clone() };
    let marks: Vec<Content> = summary.marks.iter().map(mark).collect();
    let drive = Content::Drive { file, summary: summary.clone(), problems: problems.to_vec() };
    std::iter::once(drive).chain(marks).collect()
}

/// Takes samples into the recorder, and tells the observer.
pub(crate) struct Tape<'a> {
    recorder: Recorder,
    handles: Vec<SignalHandle>,
    until_ns: Option<Nanos>,
    control: &'a Control,
    observer: &'a mut dyn Observer,
    problems: Vec<String>,
    notes: Vec<String>,
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

impl Sink for Tape<'_> {
    type Error = DriveError;

    fn sample(&mut self, signal: usize, sample: Sample) -> Result<(), DriveError> {
        let Some(handle) = self.handles.get(signal) else { return Ok(()) };
        let recorded = go_on_after(&mut self.problems, self.recorder.push(*handle, sample));
        self.observer.sample(signal, sample);
        recorded
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
            to: to_wire::target(&raw.to),
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
        self.observer.note(t_ns, text);
        self.notes.push(format!("{:.3} s: {text}", signal::seconds_from_nanos(t_ns)));
    }

    fn mark(&mut self, mark: Mark) -> Result<(), DriveError> {
        self.observer.mark(mark.t_ns, &mark.text);
        self.recorder.mark(mark);
        Ok(())
    }

    fn go_on(&mut self, t_ns: Nanos) -> Result<bool, DriveError> {
        go_on_after(&mut self.problems, self.recorder.check())?;
        self.observer.turn(t_ns);
        for text in self.control.take_marks() {
            self.observer.mark(t_ns, &text);
            self.recorder.mark(Mark { t_ns, text });
        }
        Ok(!self.control.is_stopped() && self.until_ns.is_none_or(|until| t_ns < until))
    }
}
