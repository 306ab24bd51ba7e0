//! One trial: an invented car, a fault, and one operation of the job from connecting to the end.

use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use definition::Definitions;
use link::{AtLink, Dial, Link, Settings, SlcanDial};
use signal::{Sample, SignalId};
use standin::{Answer, Truth};
use vehicle::Vehicle;
use workshop::{Car, ClearWish, CommandWish, Control, Despite, Hand, How, Observer, Places, Scope, Workshop};

use crate::dice::Dice;
use crate::fault::{Arranged, Blow, Fault, S, arrange};
use crate::line::{HarmedDial, Hit, Line};
use crate::{drive_oracle, machine, survey_oracle};

/// What is done with the car.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Operation {
    Drive,
    Survey,
    Command,
    Clear,
}

/// All of them by name.
pub(crate) const OPERATIONS: [(Operation, &str); 4] = [
    (Operation::Drive, "drive"),
    (Operation::Survey, "survey"),
    (Operation::Command, "command"),
    (Operation::Clear, "clear"),
];

impl Operation {
    pub(crate) fn name(self) -> &'static str {
        OPERATIONS.iter().find(|(one, _)| *one == self).map_or("", |(_, name)| name)
    }

    pub(crate) fn named(name: &str) -> Option<Self> {
        OPERATIONS.iter().find(|(_, known)| *known == name).map(|(one, _)| *one)
    }
}

/// How the car is reached.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Face {
    At,
    /// An AT-command adapter on the K-line of the older car.
    KLine,
    Slcan,
    Doip,
}

impl Face {
    pub(crate) fn modules(self) -> &'static [&'static str] {
        match self {
            Self::KLine => &["engine"],
            _ => &["engine", "gearbox", "brake", "body"],
        }
    }
}

/// One trial; the same three always make the same one.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Trial {
    pub(crate) operation: Operation,
    pub(crate) fault: Fault,
    pub(crate) seed: u64,
}

impl std::fmt::Display for Trial {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}:{}:{}", self.operation.name(), self.fault.name(), self.seed)
    }
}

impl std::str::FromStr for Trial {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let wrong = || format!("`{text}` is not OPERATION:FAULT:SEED");
        let [operation, fault, seed] = *text.split(':').collect::<Vec<_>>() else { return Err(wrong()) };
        Ok(Self {
            operation: Operation::named(operation).ok_or_else(wrong)?,
            fault: Fault::named(fault).ok_or_else(wrong)?,
            seed: seed.parse().map_err(|_| wrong())?,
        })
    }
}

/// What came of a trial.
#[derive(Debug, Default)]
pub(crate) struct Outcome {
    /// What must not be.
    pub(crate) broken: Vec<String>,
    /// It was not done, or not all of it, and this was told.
    pub(crate) told: Option<String>,
    pub(crate) n_samples: u64,
    /// Samples that are wrong and that nobody could notice: one digit became another on a line without check sum.
    pub(crate) n_undetectable: u64,
    /// How long it took on the link's clock, seconds.
    pub(crate) took_s: f64,
}

/// A connected car with all that is known of it behind its back.
pub(crate) struct Scene {
    pub(crate) truth: Truth,
    pub(crate) line: Line,
    pub(crate) answers: Vec<Answer>,
}

impl Scene {
    /// All answers so far.
    pub(crate) fn answers(&mut self) -> &[Answer] {
        self.answers.extend(self.truth.take_answers());
        &self.answers
    }

    pub(crate) fn hits(&self) -> Vec<Hit> {
        self.line.hits()
    }
}

/// The car of a trial, as its seed has it.
pub(crate) struct Plan {
    pub(crate) face: Face,
    pub(crate) spec: String,
    pub(crate) arranged: Arranged,
    pub(crate) signals: Vec<&'static str>,
    pub(crate) seconds: f64,
    /// Wall-clock seconds for one of a drive; `None`: as fast as the processor can.
    pub(crate) pace_s: Option<f64>,
    pub(crate) dice: Dice,
}

/// A road on which the car stands with its engine off, as for clearing.
const STANDING: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/data/standing.road");

const CAN_SIGNALS: [&str; 20] = [
    "engine.speed",
    "engine.load",
    "vehicle.speed",
    "coolant.temperature",
    "intake.air_flow",
    "intake.manifold_pressure",
    "pedal.position_1",
    "pedal.position_2",
    "throttle.position_1",
    "fuel.trim.short.bank_1",
    "wheel.speed.front_left",
    "wheel.speed.front_right",
    "wheel.speed.rear_left",
    "wheel.speed.rear_right",
    "yaw.rate",
    "steering.angle",
    "ac.pressure",
    "ac.clutch",
    "misfire.cylinder_1",
    "misfire.cylinder_3",
];
const K_LINE_SIGNALS: [&str; 6] =
    ["engine.speed", "engine.load", "vehicle.speed", "coolant.temperature", "throttle.position_1", "ac.pressure"];

impl Plan {
    pub(crate) fn of(trial: &Trial) -> Self {
        let mut dice = Dice::new(trial.seed);
        let face = dice.of(trial.fault.faces());
        let car = match face {
            Face::KLine => "fen",
            // The others can be told to do nothing.
            _ if trial.operation == Operation::Command => "fell",
            _ => dice.of(&["fell", "fell", "beck"]),
        };
        let start_s = dice.between(0.0, 300.0).round();
        let script = match trial.operation {
            Operation::Command => "idle",
            Operation::Clear => STANDING,
            _ => dice.of(&["mixed", "town", "cruise", "corners", "pedal", "idle"]),
        };
        let mut spec = format!("{car}?script={script}&seed={}&start={start_s}", trial.seed % 1000);
        match face {
            Face::KLine => spec += dice.of(&["&bus=kwp-fast", "&bus=kwp-5baud", "&bus=iso9141"]),
            Face::Slcan => spec += "&face=slcan",
            Face::Doip => spec += "&face=doip",
            Face::At => {
                spec += dice.of(&["", "&bus=can29-500", "&bus=can11-250"]);
                spec += dice.of(&["", "&count=messages", "&count=refused"]);
                spec += dice.of(&["", "", "&quirk=echo", "&quirk=spaces", "&quirk=padding"]);
            }
        }
        if face != Face::Doip {
            spec += dice.of(&["", "&baud=38400", "&baud=500000"]);
        }
        spec += dice.of(&["", "&rtt_ms=4", "&rtt_ms=30"]);
        let arranged = arrange(trial.fault, face, start_s, &mut dice);
        spec += &arranged.spec;
        let all: &[&str] = if face == Face::KLine { &K_LINE_SIGNALS } else { &CAN_SIGNALS };
        let n = 2 + (dice.next() % 6) as usize;
        let mut signals = dice.some(all, n);
        // Every car has this one.
        if !signals.contains(&"engine.speed") {
            signals.push("engine.speed");
        }
        let seconds = dice.between(6.0, 18.0).round();
        Self { face, spec, arranged, signals, seconds, pace_s: None, dice }
    }

    /// Connects to the car behind the harmed line.
    fn connect(&mut self) -> Result<(Car, Scene), String> {
        let (dial, truth) = standin::dial_with_truth(&self.spec).map_err(|error| error.to_string())?;
        let harm = self.arranged.harm.clone();
        let (dial, line) = HarmedDial::new(dial, harm, Dice::new(self.dice.next()));
        let scene = Scene { truth, line, answers: Vec::new() };
        let car = self.find(Box::new(dial))?;
        Ok((car, scene))
    }

    fn find(&self, dial: Box<dyn Dial>) -> Result<Car, String> {
        let settings = Settings { bus: None, need_vehicle: true };
        let link: Box<dyn Link> = match self.face {
            Face::At | Face::KLine => Box::new(AtLink::start(dial, settings).map_err(told)?),
            Face::Slcan => link::can::start(Box::new(SlcanDial::new(dial)), settings).map_err(told)?,
            Face::Doip => link::doip::start(dial, None, settings).map_err(told)?,
        };
        let mut definitions: Definitions = workshop::definitions(&[]).map_err(told)?;
        if self.face == Face::KLine {
            definitions.load_toml(standin::FEN_DEFINITIONS, "the older car").map_err(told)?;
        }
        let mut vehicle = Vehicle::find(link).map_err(told)?;
        vehicle.find_defined(&mut definitions).map_err(told)?;
        Ok(Car { vehicle, definitions, adapter: format!("standin:{}", self.spec) })
    }
}

fn told(error: impl std::fmt::Display) -> String {
    error.to_string()
}

/// Lets the machine go wrong as arranged, and keeps what the drive is said to hold.
pub(crate) struct Watcher {
    truth: Truth,
    blows: Vec<(f64, Blow)>,
    /// See [`Plan::pace_s`], and when the drive began.
    pace: Option<(f64, Instant)>,
    /// The adapter takes one request at a time.
    pub(crate) is_serial: bool,
    pub(crate) start_ns: i64,
    pub(crate) signals: Vec<wire::PlannedSignal>,
    pub(crate) samples: Vec<(usize, Sample)>,
}

impl Watcher {
    pub(crate) fn new(truth: Truth, plan: &Plan) -> Self {
        let mut watcher = Self {
            truth,
            blows: plan.arranged.blows.clone(),
            pace: plan.pace_s.map(|pace_s| (pace_s, Instant::now())),
            is_serial: matches!(plan.face, Face::At | Face::KLine),
            start_ns: 0,
            signals: Vec::new(),
            samples: Vec::new(),
        };
        watcher.strike(-0.5);
        watcher
    }

    /// What is due at this second of the operation; below zero: before it has begun.
    fn strike(&mut self, t_s: f64) {
        self.blows.retain(|(at_s, blow)| {
            if *at_s > t_s {
                return true;
            }
            match *blow {
                Blow::StepWallClock(seconds) => machine::step_wall_clock(seconds),
                Blow::DiskLeft(bytes) => machine::leave_on_disk(bytes),
                Blow::ReadOnly => machine::make_read_only(),
                Blow::SlowSyncs(ms) => machine::slow_down(Duration::from_millis(ms)),
            }
            false
        });
    }
}

impl Observer for Watcher {
    fn say(&mut self, _: &str) {
        self.strike(0.0);
    }

    fn begin(&mut self, signals: &[wire::PlannedSignal]) {
        self.start_ns = self.truth.now();
        self.pace = self.pace.map(|(pace_s, _)| (pace_s, Instant::now()));
        self.signals = signals.to_vec();
    }

    fn sample(&mut self, signal: usize, sample: Sample) {
        self.samples.push((signal, sample));
    }

    fn turn(&mut self, t_ns: i64) {
        let t_s = seconds(t_ns);
        if let Some((pace_s, began)) = self.pace {
            std::thread::sleep(Duration::from_secs_f64(t_s * pace_s).saturating_sub(began.elapsed()));
        }
        self.strike(t_s);
    }
}

/// Longest times on the link's clock, seconds: what an operation promises, and what faults may add to it.
const LONGEST_CONNECT_S: f64 = 300.0;
const LONGEST_SURVEY_S: f64 = 900.0;
/// A drive and a command end when their time is over, and at most one exchange later ([`link::LONGEST_EXCHANGE_NS`]); before
/// it lie the plan, the tries of what is faster, and the trial.
const LONGEST_BESIDE_S: f64 = 400.0;

/// Runs a trial; `folder` is its own.
pub(crate) fn run(trial: &Trial, folder: &Path) -> Outcome {
    run_at(trial, folder, None)
}

/// As [`run`], with a second of a drive taking `pace_s` on the wall clock.
pub(crate) fn run_at(trial: &Trial, folder: &Path, pace_s: Option<f64>) -> Outcome {
    let mut plan = Plan::of(trial);
    plan.pace_s = pace_s;
    let mut outcome = Outcome::default();
    let connected = plan.connect();
    let (mut car, mut scene) = match connected {
        Ok(connected) => connected,
        Err(why) => {
            if trial.fault == Fault::None {
                outcome.broken.push(format!("could not be connected although nothing was wrong: {why}"));
            }
            outcome.told = Some(why);
            return outcome;
        }
    };
    check_time(&mut outcome, "connecting", seconds(scene.truth.now()), LONGEST_CONNECT_S);
    let workshop = match Places::at(&folder.join("home")) {
        Ok(places) => Workshop::new(places, "campaign"),
        Err(error) => {
            outcome.broken.push(error.to_string());
            return outcome;
        }
    };
    let began_ns = scene.truth.now();
    match trial.operation {
        Operation::Drive => drive(&workshop, &mut car, &mut scene, &plan, folder, &mut outcome),
        Operation::Survey => {
            survey(&workshop, &mut car, &mut scene, &plan, folder, &mut outcome);
        }
        Operation::Command => command(&workshop, &mut car, &mut scene, &mut plan, folder, &mut outcome),
        Operation::Clear => clear(&workshop, &mut car, &mut scene, &plan, folder, &mut outcome),
    }
    machine::mend();
    outcome.took_s = seconds(scene.truth.now() - began_ns);
    if trial.fault == Fault::None
        && let Some(told) = &outcome.told
    {
        outcome.broken.push(format!("nothing was wrong, and yet: {told}"));
    }
    outcome
}

fn seconds(nanos: i64) -> f64 {
    nanos as f64 / S as f64
}

fn check_time(outcome: &mut Outcome, what: &str, took_s: f64, longest_s: f64) {
    if took_s > longest_s {
        outcome.broken.push(format!("{what} took {took_s:.1} s, longer than {longest_s:.0} s"));
    }
}

fn ids(names: &[&str]) -> Vec<SignalId> {
    names.iter().filter_map(|name| SignalId::new(name).ok()).collect()
}

fn drive(workshop: &Workshop, car: &mut Car, scene: &mut Scene, plan: &Plan, folder: &Path, outcome: &mut Outcome) {
    let out = folder.join("drive.mcap");
    let wish = workshop::Wish {
        seconds: Some(plan.seconds),
        out: Some(out.clone()),
        ..workshop::Wish::of(ids(&plan.signals))
    };
    let mut watcher = Watcher::new(scene.truth.clone(), plan);
    let began_ns = scene.truth.now();
    let recorded = workshop.record(car, &wish, &Control::default(), &mut watcher);
    machine::mend();
    check_time(outcome, "the drive", seconds(scene.truth.now() - began_ns), plan.seconds + LONGEST_BESIDE_S);
    let ran_s = seconds(scene.truth.now() - watcher.start_ns);
    if watcher.start_ns > 0 && ran_s > plan.seconds + seconds(link::LONGEST_EXCHANGE_NS) + 2.0 {
        outcome.broken.push(format!("a drive of {} s went on for {ran_s:.1} s", plan.seconds));
    }
    let recorded = match recorded {
        Ok(recorded) => Some(recorded),
        Err(error) => {
            outcome.told = Some(error.to_string());
            None
        }
    };
    if let Some(problem) = recorded.as_ref().and_then(|recorded| recorded.problems.first()) {
        outcome.told = Some(problem.clone());
    }
    if watcher.start_ns > 0 || out.exists() {
        drive_oracle::check(&out, recorded.as_ref(), &watcher, scene, outcome);
    }
}

fn survey(
    workshop: &Workshop,
    car: &mut Car,
    scene: &mut Scene,
    plan: &Plan,
    folder: &Path,
    outcome: &mut Outcome,
) -> Option<wire::Survey> {
    let out: PathBuf = folder.join("survey.json");
    let mut watcher = Watcher::new(scene.truth.clone(), plan);
    let began_ns = scene.truth.now();
    let survey = workshop.survey(car, Scope::Everything, Some(&out), &mut watcher);
    check_time(outcome, "the survey", seconds(scene.truth.now() - began_ns), LONGEST_SURVEY_S);
    match survey {
        Ok(survey) => {
            if let Some(problem) = survey.problems.first() {
                outcome.told = Some(problem.clone());
            }
            survey_oracle::check(&out, &survey, scene, outcome);
            Some(survey)
        }
        Err(error) => {
            if out.exists() {
                outcome.broken.push(format!("the survey failed ({error}) and left a file"));
            }
            outcome.told = Some(error.to_string());
            None
        }
    }
}

fn clear(workshop: &Workshop, car: &mut Car, scene: &mut Scene, plan: &Plan, folder: &Path, outcome: &mut Outcome) {
    let is_clearing = |request: &[u8]| matches!(request.first(), Some(0x04 | 0x14));
    let before = survey(workshop, car, scene, plan, folder, outcome);
    if scene.answers().iter().any(|answer| is_clearing(&answer.request)) {
        outcome.broken.push("codes were cleared before a survey was saved".to_owned());
    }
    let Some(before) = before else {
        machine::mend();
        return;
    };
    let wish = ClearWish { modules: None, despite: Despite::default() };
    let began_ns = scene.truth.now();
    let cleared = workshop.clear(car, &wish, &before, &mut workshop::Silent);
    machine::mend();
    check_time(outcome, "clearing", seconds(scene.truth.now() - began_ns), LONGEST_SURVEY_S);
    match cleared {
        Ok(cleared) => {
            if let Some(problem) = cleared.problems.first() {
                outcome.told = Some(problem.clone());
            }
            survey_oracle::check_clearing(&cleared, began_ns, scene, outcome);
        }
        Err(error) => outcome.told = Some(error.to_string()),
    }
}

/// How long a module keeps a session of which nobody speaks any more, seconds, and a little (S3 of ISO 14229-2 is 5 s).
const SESSION_S: f64 = 6.0;

fn command(
    workshop: &Workshop,
    car: &mut Car,
    scene: &mut Scene,
    plan: &mut Plan,
    folder: &Path,
    outcome: &mut Outcome,
) {
    let dice = &mut plan.dice;
    let seconds_on = dice.between(2.0, 12.0).round();
    let id = dice.of(&["ac.clutch", "fan.command", "custom.fan_ramp"]);
    let how = match (id, dice.chance(0.5)) {
        ("custom.fan_ramp", _) => How::Routine { parameters: vec![("step".to_owned(), 1.0)], seconds: seconds_on },
        (_, true) => {
            How::Pulses { level: None, on_s: 2.0, off_s: 2.0, count: 1 + (dice.next() % 3) as u32, even: true }
        }
        (_, false) => How::Hold { level: None, seconds: seconds_on },
    };
    let Some(id) = SignalId::new(id).ok() else { return };
    let wish = CommandWish {
        id,
        how,
        signals: Vec::new(),
        out: Some(folder.join("command.mcap")),
        replace: false,
        cautions_read: true,
        pauses_s: 10.0,
    };
    // Whoever presses lets go at some time, or never.
    let leaves_ns = scene.truth.now() + dice.between(3.0, 40.0) as i64 * S;
    let truth = scene.truth.clone();
    let mut hand = || Hand::from(truth.now() < leaves_ns);
    let mut watcher = Watcher::new(scene.truth.clone(), plan);
    let began_ns = scene.truth.now();
    let done = workshop.command(car, &wish, &Control::default(), &mut watcher, &mut hand);
    machine::mend();
    check_time(outcome, "the command", seconds(scene.truth.now() - began_ns), LONGEST_BESIDE_S);
    let driven_now = scene.truth.driven();
    let (returned, recorded) = match done {
        Ok(done) => {
            if done.ended != "complete" && done.ended != "released" {
                outcome.told = Some(done.ended_text.clone());
            }
            outcome.told = outcome.told.take().or_else(|| done.recorded.problems.first().cloned());
            (done.returned, Some(done.recorded))
        }
        Err(error) => {
            outcome.told = Some(error.to_string());
            ("error".to_owned(), None)
        }
    };
    if matches!(returned.as_str(), "confirmed" | "not-driven") && !driven_now.is_empty() {
        outcome.broken.push(format!("control is said to be {returned}, and the car still has {driven_now:?} driven"));
    }
    // The adapter stays plugged in and says nothing, or goes on with what it keeps alive by itself.
    scene.truth.pass((SESSION_S * S as f64) as i64);
    let driven_later = scene.truth.driven();
    if !driven_later.is_empty() {
        outcome
            .broken
            .push(format!("{driven_later:?} still driven {SESSION_S} s after the command ended ({returned})"));
    }
    if let Some(recorded) = recorded {
        drive_oracle::check(&folder.join("command.mcap"), Some(&recorded), &watcher, scene, outcome);
    }
}
