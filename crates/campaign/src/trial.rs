//! One trial: an invented car, a fault, and one operation of the job from connecting to the end.

use std::path::Path;

use workshop::{Places, Workshop};

use crate::fault::{Fault, S};
use crate::job::Job;
use crate::machine;
use crate::scene::Plan;

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

/// Longest time to connect, seconds of the link's clock.
const LONGEST_CONNECT_S: f64 = 300.0;

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
    outcome.check_time("connecting", seconds(scene.truth.now()), LONGEST_CONNECT_S);
    let workshop = match Places::at(&folder.join("home")) {
        Ok(places) => Workshop::new(places, "campaign"),
        Err(error) => {
            outcome.broken.push(error.to_string());
            return outcome;
        }
    };
    let began_ns = scene.truth.now();
    let mut job =
        Job { workshop: &workshop, car: &mut car, scene: &mut scene, plan: &mut plan, folder, outcome: &mut outcome };
    match trial.operation {
        Operation::Drive => job.drive(),
        Operation::Survey => {
            job.survey();
        }
        Operation::Command => job.command(),
        Operation::Clear => job.clear(),
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

pub(crate) fn seconds(nanos: i64) -> f64 {
    nanos as f64 / S as f64
}

impl Outcome {
    /// Nothing may take longer than it promises.
    pub(crate) fn check_time(&mut self, what: &str, took_s: f64, longest_s: f64) {
        if took_s > longest_s {
            self.broken.push(format!("{what} took {took_s:.1} s, longer than {longest_s:.0} s"));
        }
    }
}
