//! The car of a trial with what is done to it, and what is known of it behind its back.

use definition::Definitions;
use link::{AtLink, Dial, Link, Settings, SlcanDial};
use standin::{Answer, Truth};
use vehicle::Vehicle;
use workshop::Car;

use crate::dice::Dice;
use crate::fault::{Arranged, arrange};
use crate::line::{HarmedDial, Hit, Line};
use crate::trial::{Operation, Trial};

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

/// A connected car with all that is known of it behind its back.
pub(crate) struct Scene {
    pub(crate) truth: Truth,
    pub(crate) line: Line,
    pub(crate) answers: Vec<Answer>,
}

impl Scene {
    /// All answers so far.
    pub(crate) fn answers(&mut self) -> &[Answer] {
        let new = self.truth.take_answers();
        if !new.is_empty() {
            self.answers.extend(new);
            // On a K-line an answer is kept when it is worked out, and said later.
            self.answers.sort_by_key(|answer| answer.at_ns);
        }
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
    pub(crate) fn connect(&mut self) -> Result<(Car, Scene), String> {
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
