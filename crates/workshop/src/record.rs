//! Recording a drive: plans, records, and closes cleanly whatever happens.

use std::path::{Path, PathBuf};

use definition::Definitions;
use drive::{DriveError, DriveInfo, FrameBatch, Recorder, SignalHandle};
use link::{Heard, Source};
use protocol::{CanId, Nanos};
use signal::{Gap, Mark, Recording, Sample, SignalId};
use vehicle::{Plan, Rate, RawExchange, SampleError, Sink, Vehicle};
use wire::{Content, FileRef};

use crate::examine::open_drive;
use crate::places::{fresh, time_for_name, unix_now_ns};
use crate::plan::{measured, planned_signals};
use crate::tables::overwrite;
use crate::unheard::Unheard;
use crate::{Car, Control, Observer, Workshop, WorkshopError, to_wire};

/// How long rates are measured before a recording starts, seconds.
const TRIAL_S: f64 = 1.0;
/// Length of the event that the odds shown beside a recording are for, ms.
const EVENT_MS: f64 = 100.0;

/// What is to be recorded.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Wish {
    /// Signals, and how often each is wanted.
    pub signals: Vec<vehicle::Wish>,
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
        Self { signals: signals.into_iter().map(vehicle::Wish::from).collect(), ..Self::default() }
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
        let (mut plan, rates) = measured(&mut car.vehicle, &car.definitions, &wish.signals, TRIAL_S, observer)?;
        for (signal, rate) in plan.signals.iter().zip(&rates) {
            observer.say(&format!("{:34} {:6.1}/s  from {}", signal.id, rate.per_second, signal.source));
        }
        let definitions = car.definitions.clone();
        let file = DriveFile { out, replace: wish.replace, until_ns: wish.seconds.map(signal::nanos_from_seconds) };
        let (outcome, mut recorded) =
            self.on_tape(car, &mut plan, &rates, file, control, observer, |vehicle, plan, tape| {
                loop {
                    let began_ns = vehicle.now();
                    vehicle.sample(plan, tape)?;
                    let Some(wanted) = control.take_signals() else { return Ok(()) };
                    tape.go_on_with(&wanted, vehicle, began_ns, &definitions, plan).map_err(SampleError::Sink)?;
                }
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
        let recorder = Recorder::create(&out, &info, overwrite(replace))?;
        let mut tape = Tape {
            recorder,
            signals: Vec::new(),
            numbers: Vec::new(),
            part: Part::default(),
            until_ns,
            control,
            observer,
            frames: FrameBatch::new(BUS),
            frames_from_ns: 0,
            problems: Vec::new(),
            notes: Vec::new(),
        };
        tape.take_in(plan, rates)?;
        let planned = tape.planned();
        tape.observer.begin(&planned);
        let outcome = work(&mut car.vehicle, plan, &mut tape);
        tape.keep_frames();
        tape.set_marks(tape.part.t_ns, control.take_last_marks());
        tape.tell_unheard();
        let Tape { recorder, observer, mut problems, notes, .. } = tape;
        let unfinished = recorder.path().to_owned();
        // Closed before anything else is said, so that what was recorded is safe.
        let finished = recorder.finish();
        observer.end();
        // Where this drive is: under the wanted name there may still be the one that it was to replace.
        let path = match &finished {
            Ok(_) | Err(DriveError::Lost { .. }) => &out,
            Err(_) => &unfinished,
        };
        problems.extend(finished.err().map(|error| error.to_string()));
        if *path != out {
            let (out, path) = (out.display(), path.display());
            problems.push(format!("`{out}` was not replaced: what was recorded is in `{path}`"));
        }
        let (drive, case) = self.enter_drive(path, info.vin.as_deref(), &mut problems);
        let recorded = wire::Recorded {
            drive,
            rates: rates.iter().map(to_wire::rate).collect(),
            unavailable: plan.unavailable.iter().map(to_wire::unavailable).collect(),
            bytes: path.metadata().map_or(0, |file| file.len()),
            notes,
            problems,
            case,
        };
        Ok((outcome, recorded))
    }

    /// What the file of a drive holds that was just recorded, written into its case. What cannot be read or written is
    /// told among the problems.
    fn enter_drive(
        &self,
        path: &Path,
        vin: Option<&str>,
        problems: &mut Vec<String>,
    ) -> (wire::DriveSummary, Option<wire::CaseRef>) {
        let (recording, lost) =
            open_drive(path).unwrap_or_else(|error| (Recording::default(), vec![error.to_string()]));
        problems.extend(lost);
        let summary = to_wire::drive(path, &recording);
        let entered = self.file_ref(path).and_then(|file| self.enter(vin, &drive_entries(file, &summary, problems)));
        let case = entered.unwrap_or_else(|error| {
            problems.push(format!("not written into the casebook: {error}"));
            None
        });
        (summary, case)
    }

    /// Whether a drive can be made under this name, for asking before a car is connected; `None`: a name of its own. It
    /// replaces none of the files of `definitions`.
    ///
    /// # Errors
    /// [`WorkshopError::Drive`], [`WorkshopError::OverSource`].
    pub fn expect_room(&self, out: Option<&Path>, replace: bool, definitions: &[PathBuf]) -> Result<(), WorkshopError> {
        let Some(out) = out else { return Ok(()) };
        crate::tables::expect_apart(out, &crate::definitions::files(definitions))?;
        Ok(drive::expect_room(out, overwrite(replace))?)
    }

    /// A name for a new drive in the data folder.
    ///
    /// # Errors
    /// [`WorkshopError::Write`].
    pub fn new_drive(&self) -> Result<PathBuf, WorkshopError> {
        Ok(fresh(&self.places.sub("drives")?, &time_for_name(unix_now_ns()), "mcap"))
    }

    /// A drive file as it was named, or a new one in the data folder.
    pub(crate) fn drive_file(&self, out: Option<&Path>) -> Result<PathBuf, WorkshopError> {
        out.map_or_else(|| self.new_drive(), |out| Ok(out.to_owned()))
    }

    /// Writes a good copy of a drive that was cut short or damaged, as `NAME.repaired.mcap` beside it.
    ///
    /// # Errors
    /// [`WorkshopError::Drive`]; [`WorkshopError::Repaired`] where that copy is there already.
    pub fn repair(&self, drive: &Path) -> Result<wire::Repaired, WorkshopError> {
        let repaired = drive::repair(drive).map_err(|error| match error {
            DriveError::Exists(copy) => WorkshopError::Repaired(copy),
            other => other.into(),
        })?;
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
    let mark = |mark: &wire::Mark| {
        let wire::Mark { t_s, text } = mark.clone();
        Content::Mark { drive: file.sha256.clone(), t_s, to_s: None, text }
    };
    let marks: Vec<Content> = summary.marks.iter().map(mark).collect();
    let drive = Content::Drive { file, summary: summary.clone(), problems: problems.to_vec() };
    std::iter::once(drive).chain(marks).collect()
}

/// Takes samples into the recorder, and tells the observer.
pub(crate) struct Tape<'a> {
    recorder: Recorder,
    /// All signals of the drive.
    signals: Vec<Taped>,
    /// Which of them each signal of the plan is.
    numbers: Vec<usize>,
    part: Part,
    until_ns: Option<Nanos>,
    control: &'a Control,
    observer: &'a mut dyn Observer,
    /// Raw frames that were heard and are not with the recorder yet.
    frames: FrameBatch,
    /// When the first of them had arrived.
    frames_from_ns: Nanos,
    problems: Vec<String>,
    notes: Vec<String>,
}

/// A signal of the drive.
struct Taped {
    handle: SignalHandle,
    planned: wire::PlannedSignal,
    unheard: Unheard,
}

/// A part of a drive over which the same signals are recorded. The sampler counts time and exchanges from its start.
#[derive(Debug, Clone, Copy, Default)]
struct Part {
    from_ns: Nanos,
    from_exchange: u32,
    /// How far the drive was at the last turn.
    t_ns: Nanos,
    /// The greatest number so far.
    exchange: u32,
}

impl Part {
    /// Number of an exchange in the drive; 0 stays what it is, as it means none.
    fn exchange(&mut self, number: u32) -> u32 {
        if number == 0 {
            return 0;
        }
        let number = self.from_exchange.saturating_add(number);
        self.exchange = self.exchange.max(number);
        number
    }
}

impl Tape<'_> {
    /// Takes in what a plan records from now on.
    fn take_in(&mut self, plan: &Plan, rates: &[Rate]) -> Result<(), DriveError> {
        for Taped { planned, .. } in &mut self.signals {
            (planned.per_second, planned.odds, planned.events_for_95_percent) = (0.0, 0.0, None);
            planned.left_out = true;
        }
        self.numbers.clear();
        for (signal, planned) in plan.signals.iter().zip(planned_signals(plan, rates, EVENT_MS)) {
            let known = self.signals.iter().position(|known| known.planned.id == planned.id);
            let number = match known {
                Some(number) => number,
                None => {
                    let handle = self.recorder.add_signal(&signal.id, &signal.unit, &signal.source)?;
                    self.signals.push(Taped { handle, planned: planned.clone(), unheard: Unheard::default() });
                    self.signals.len() - 1
                }
            };
            let taped = &mut self.signals[number];
            taped.unheard.begin(self.part.from_ns, planned.per_second);
            taped.planned = planned;
            self.numbers.push(number);
        }
        Ok(())
    }

    fn planned(&self) -> Vec<wire::PlannedSignal> {
        self.signals.iter().map(|taped| taped.planned.clone()).collect()
    }

    /// Plans and measures other signals and goes on with them in the same drive; the time that this takes is a gap. If
    /// they cannot be had, it goes on as before. `began_ns`: when the part of the drive that is over began, on the car's clock.
    fn go_on_with(
        &mut self,
        wanted: &[SignalId],
        vehicle: &mut Vehicle,
        began_ns: Nanos,
        definitions: &Definitions,
        plan: &mut Plan,
    ) -> Result<(), DriveError> {
        // What was under way at the last turn has been waited for, which may have taken seconds.
        let start_ns = self.part.from_ns;
        let from_ns = start_ns + (vehicle.now() - began_ns);
        let wanted: Vec<vehicle::Wish> = wanted.iter().cloned().map(vehicle::Wish::from).collect();
        let measured = measured(vehicle, definitions, &wanted, TRIAL_S, &mut *self.observer);
        let to_ns = start_ns + (vehicle.now() - began_ns);
        self.nothing_came(Gap { from_ns, to_ns, reason: "the signals were changed".to_owned() });
        self.part = Part { from_ns: to_ns, t_ns: to_ns, from_exchange: self.part.exchange, ..self.part };
        match measured {
            Ok((new, rates)) => {
                self.take_in(&new, &rates)?;
                *plan = new;
                let planned = self.planned();
                self.observer.change(&planned);
            }
            Err(error) => self.note(0, &format!("the signals could not be changed: {error}")),
        }
        Ok(())
    }
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

/// Name of the network that broadcasts are heard on.
const BUS: &str = "car";
/// Frames that are handed to the recorder in one go, and the longest that one is kept back: short enough that hardly
/// anything more is lost when the program is killed.
const FRAMES_AT_ONCE: usize = 256;
const FRAMES_LATEST_NS: Nanos = 100_000_000;

impl Tape<'_> {
    fn set_marks(&mut self, t_ns: Nanos, texts: Vec<String>) {
        for text in texts {
            self.observer.mark(t_ns, &text);
            self.recorder.mark(Mark { t_ns, text });
        }
    }

    /// A gap, on the time base of the drive: a signal is missing before it, but not in it, where nothing could come.
    fn nothing_came(&mut self, gap: Gap) {
        self.miss_until(gap.from_ns, gap.to_ns);
        self.recorder.gap(gap);
    }

    /// Whatever did not come until `t_ns` was missing; what comes next may take its time from `next_ns` on.
    fn miss_until(&mut self, t_ns: Nanos, next_ns: Nanos) {
        for number in &self.numbers {
            self.signals[*number].unheard.heard(t_ns, next_ns);
        }
    }

    /// Notes at the end of which signals something is missing.
    fn tell_unheard(&mut self) {
        self.miss_until(self.part.t_ns, self.part.t_ns);
        let told = self.signals.iter().filter_map(|taped| taped.unheard.told(&taped.planned.id));
        self.problems.extend(told);
    }

    /// Hands the frames that were heard to the recorder.
    fn keep_frames(&mut self) {
        if !self.frames.is_empty() {
            self.recorder.push_frames(std::mem::replace(&mut self.frames, FrameBatch::new(BUS)));
        }
    }
}

impl Sink for Tape<'_> {
    type Error = DriveError;

    fn sample(&mut self, signal: usize, sample: Sample) -> Result<(), DriveError> {
        let Some(number) = self.numbers.get(signal).copied() else { return Ok(()) };
        let sample = Sample {
            t_ns: sample.t_ns + self.part.from_ns,
            asked_ns: sample.asked_ns + self.part.from_ns,
            exchange: self.part.exchange(sample.exchange),
            ..sample
        };
        let taped = &mut self.signals[number];
        taped.unheard.heard(sample.t_ns, sample.t_ns);
        let recorded = go_on_after(&mut self.problems, self.recorder.push(taped.handle, sample));
        self.observer.sample(number, sample);
        recorded
    }

    fn exchange(&mut self, number: u32, raw: RawExchange) -> Result<(), DriveError> {
        let from_ns = self.part.from_ns;
        let replies = raw.exchange.replies.into_iter().map(|reply| drive::Reply {
            from: reply.from.to_string(),
            arrived_ns: reply.arrived_ns + from_ns,
            bytes: reply.bytes,
        });
        self.recorder.push_exchange(drive::Exchange {
            number: self.part.exchange(number),
            asked_ns: raw.exchange.asked_ns + from_ns,
            over_ns: raw.exchange.over_ns + from_ns,
            to: to_wire::target(&raw.to),
            request: raw.request,
            replies: replies.collect(),
            problems: raw.exchange.problems,
        });
        Ok(())
    }

    fn heard(&mut self, number: u32, heard: Heard) -> Result<(), DriveError> {
        let Heard { from, bytes, arrived_ns } = heard;
        let (number, arrived_ns) = (self.part.exchange(number), arrived_ns + self.part.from_ns);
        if self.frames.is_empty() {
            self.frames_from_ns = arrived_ns;
        }
        match from {
            Source::Frame(id) => {
                self.frames.push(arrived_ns, id.number(), matches!(id, CanId::Extended(_)), &bytes);
                if self.frames.len() >= FRAMES_AT_ONCE {
                    self.keep_frames();
                }
            }
            Source::Message(module) => self.recorder.push_exchange(drive::Exchange {
                number,
                asked_ns: arrived_ns,
                over_ns: arrived_ns,
                to: module.to_string(),
                request: Vec::new(),
                replies: vec![drive::Reply { from: module.to_string(), arrived_ns, bytes }],
                problems: Vec::new(),
            }),
        }
        Ok(())
    }

    fn gap(&mut self, gap: Gap) -> Result<(), DriveError> {
        let Gap { from_ns, to_ns, reason } = gap;
        let start_ns = self.part.from_ns;
        self.nothing_came(Gap { from_ns: from_ns + start_ns, to_ns: to_ns + start_ns, reason });
        Ok(())
    }

    fn note(&mut self, t_ns: Nanos, text: &str) {
        let t_ns = t_ns + self.part.from_ns;
        self.observer.note(t_ns, text);
        self.notes.push(format!("{:.3} s: {text}", signal::seconds_from_nanos(t_ns)));
    }

    fn mark(&mut self, mark: Mark) -> Result<(), DriveError> {
        let mark = Mark { t_ns: mark.t_ns + self.part.from_ns, ..mark };
        self.observer.mark(mark.t_ns, &mark.text);
        self.recorder.mark(mark);
        Ok(())
    }

    fn go_on(&mut self, t_ns: Nanos) -> Result<bool, DriveError> {
        go_on_after(&mut self.problems, self.recorder.check())?;
        let t_ns = t_ns + self.part.from_ns;
        self.part.t_ns = t_ns;
        self.observer.turn(t_ns);
        if t_ns - self.frames_from_ns > FRAMES_LATEST_NS {
            self.keep_frames();
        }
        self.set_marks(t_ns, self.control.take_marks());
        let is_wanted = !self.control.is_stopped() && !self.control.wants_others();
        Ok(is_wanted && self.until_ns.is_none_or(|until| t_ns < until))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{Places, signal_ids};

    /// Wants other signals after five seconds.
    struct Changing {
        control: Control,
        wanted: Option<Vec<SignalId>>,
        told: Vec<wire::PlannedSignal>,
    }

    impl Observer for Changing {
        fn turn(&mut self, t_ns: Nanos) {
            if t_ns > 5_000_000_000
                && let Some(wanted) = self.wanted.take()
            {
                self.control.record_from_now_on(wanted);
            }
        }

        fn change(&mut self, signals: &[wire::PlannedSignal]) {
            self.told = signals.to_vec();
        }
    }

    #[test]
    fn other_signals_go_into_the_same_drive_behind_a_gap() {
        let ids =
            |names: &[&str]| signal_ids(&names.iter().map(|name| (*name).to_owned()).collect::<Vec<_>>()).unwrap();
        let folder = tempfile::tempdir().unwrap();
        let workshop = Workshop::new(Places::at(folder.path()).unwrap(), "test 1");
        let mut car = workshop.connect("standin:fell?script=town", &[], &mut crate::Silent).unwrap();
        let control = Control::default();
        let wanted = Some(ids(&["engine.speed", "coolant.temperature"]));
        let mut changing = Changing { control: control.clone(), wanted, told: Vec::new() };
        let wish = Wish { seconds: Some(20.0), ..Wish::of(ids(&["engine.speed", "pedal.position_1"])) };
        let recorded = workshop.record(&mut car, &wish, &control, &mut changing).unwrap();
        assert_eq!(recorded.problems, Vec::<String>::new());
        let told: Vec<(&str, bool)> = changing.told.iter().map(|one| (one.id.as_str(), one.left_out)).collect();
        assert_eq!(told, [("engine.speed", false), ("pedal.position_1", true), ("coolant.temperature", false)]);

        let (drive, _) = open_drive(Path::new(&recorded.drive.file)).unwrap();
        let gap = drive.gaps.iter().find(|gap| gap.reason.contains("changed")).unwrap();
        let [speed, pedal, coolant] =
            ["engine.speed", "pedal.position_1", "coolant.temperature"].map(|id| drive.series(id).unwrap());
        assert!(*pedal.t_ns.last().unwrap() <= gap.from_ns && pedal.t_ns.len() > 5);
        assert!(coolant.t_ns[0] >= gap.to_ns, "{:?} {gap:?}", coolant.t_ns);
        assert!(coolant.t_ns.len() > 2);
        let inside = |t: &&i64| **t > gap.from_ns && **t < gap.to_ns;
        assert_eq!(speed.t_ns.iter().filter(inside).count(), 0);
        assert!(speed.t_ns[0] < gap.from_ns && *speed.t_ns.last().unwrap() > gap.to_ns);
        // Exchanges are numbered on: equal numbers mean the same answer.
        assert!(speed.exchange.windows(2).all(|pair| pair[0] < pair[1]), "{:?}", speed.exchange);
        assert!((recorded.drive.duration_s - 20.0).abs() < 1.0, "{}", recorded.drive.duration_s);
    }

    #[test]
    fn a_module_that_falls_silent_in_mid_drive_is_told() {
        let folder = tempfile::tempdir().unwrap();
        let workshop = Workshop::new(Places::at(folder.path()).unwrap(), "test 1");
        let mut car = workshop.connect("standin:fell?script=idle&silent=body:16:60", &[], &mut crate::Silent).unwrap();
        let ids = ["engine.speed", "ac.clutch"].map(|name| SignalId::new(name).unwrap());
        let wish = Wish { seconds: Some(20.0), ..Wish::of(ids.to_vec()) };
        let recorded = workshop.record(&mut car, &wish, &Control::default(), &mut crate::Silent).unwrap();
        assert_eq!(recorded.problems.len(), 1, "{:?}", recorded.problems);
        assert!(recorded.problems[0].starts_with("ac.clutch has no sample from "), "{:?}", recorded.problems);
    }

    /// A module that asks for three seconds more each time (78, ISO 14229-1): an answer is under way when the signals change.
    #[test]
    fn what_was_under_way_stands_before_the_gap() {
        let ids = |names: &[&str]| names.iter().map(|name| SignalId::new(name).unwrap()).collect::<Vec<_>>();
        let folder = tempfile::tempdir().unwrap();
        let workshop = Workshop::new(Places::at(folder.path()).unwrap(), "test 1");
        let slow = "standin:fell?script=town&face=slcan&pending=engine:1:3000";
        let mut car = workshop.connect(slow, &[], &mut crate::Silent).unwrap();
        let control = Control::default();
        let wanted = Some(ids(&["engine.speed", "engine.load"]));
        let mut changing = Changing { control: control.clone(), wanted, told: Vec::new() };
        let wish = Wish { seconds: Some(40.0), ..Wish::of(ids(&["engine.speed"])) };
        let recorded = workshop.record(&mut car, &wish, &control, &mut changing).unwrap();
        let (drive, _) = open_drive(Path::new(&recorded.drive.file)).unwrap();
        let gap = drive.gaps.iter().find(|gap| gap.reason.contains("changed")).unwrap();
        let speed = drive.series("engine.speed").unwrap();
        assert!(speed.t_ns.iter().any(|t| (5_100_000_000..=gap.from_ns).contains(t)), "{:?} {gap:?}", speed.t_ns);
        assert!(speed.t_ns.iter().all(|t| *t <= gap.from_ns || *t >= gap.to_ns), "{:?} {gap:?}", speed.t_ns);
    }
}
