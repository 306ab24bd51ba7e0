//! Commands: what a car's modules can be told to do, how one went, and what clearing did.

use serde::{Deserialize, Serialize};

use crate::{Finding, Recorded};

/// What the modules of a car can be told to do.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct Commands {
    /// What can be driven.
    pub outputs: Vec<Output>,
    /// What can be started.
    pub routines: Vec<Routine>,
    /// What can hurt someone whatever is driven, besides each one's own cautions.
    pub cautions: Vec<String>,
}

/// What has to be heeded before and while something is done.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct Care {
    /// What must hold, as sentences; read from the car all the while.
    pub conditions: Vec<String>,
    /// The same as limits of signals, in the same order.
    pub needs: Vec<Need>,
    /// What can hurt someone or break something.
    pub cautions: Vec<String>,
    /// Whether the vehicle may move.
    pub while_moving: bool,
    /// Longest time in one go, seconds, where one is known.
    pub longest_s: Option<f64>,
}

/// A condition as limits of a signal, whose value must be known.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct Need {
    /// Which condition it is: `standing`, `engine-off`, `engine-running`, `ignition-on`, or `within` limits of its own.
    pub name: String,
    /// The signal.
    pub signal: String,
    /// Least value; null: no limit.
    pub min: Option<f64>,
    /// Greatest value; null: no limit.
    pub max: Option<f64>,
}

/// An output that can be driven.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct Output {
    /// Its name.
    pub id: String,
    /// What it is.
    pub title: String,
    /// The module that drives it, in hex.
    pub module: String,
    /// Whether it is only on (1) or off (0).
    pub is_switch: bool,
    /// Least level.
    pub min: f64,
    /// Greatest level.
    pub max: f64,
    /// Of the levels; empty or `1` where they have none.
    pub unit: String,
    /// The level between pulses, and before letting go.
    pub safe: f64,
    /// Signals that ought to respond.
    pub responds: Vec<String>,
    /// What has to be heeded.
    pub care: Care,
}

/// A routine that can be started.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct Routine {
    /// Its name.
    pub id: String,
    /// What it does.
    pub title: String,
    /// The module that runs it, in hex.
    pub module: String,
    /// What it wants to know.
    pub parameters: Vec<Parameter>,
    /// Names of what it tells.
    pub results: Vec<String>,
    /// Whether it can be stopped before its end.
    pub can_stop: bool,
    /// What has to be heeded.
    pub care: Care,
}

/// A parameter of a routine.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct Parameter {
    /// Its name.
    pub name: String,
    /// What it is.
    pub title: String,
    /// Its unit.
    pub unit: String,
    /// Least value.
    pub min: f64,
    /// Greatest value.
    pub max: f64,
    /// The value when none is given; null: one must be given.
    pub default: Option<f64>,
}

/// How a command went.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct Commanded {
    /// The output or routine.
    pub id: String,
    /// Its module, in hex.
    pub module: String,
    /// `complete`, `released`, `unmet`, `expired`, `longest`, `refused`, `silent`, `session-over` or `link-lost`.
    pub ended: String,
    /// The same in words, with the reason.
    pub ended_text: String,
    /// `confirmed`, `by-session`, `unknown` or `not-driven`.
    pub returned: String,
    /// The same in words, with what to do.
    pub returned_text: String,
    /// What was driven and confirmed, in order.
    pub driven: Vec<Driven>,
    /// What a routine told.
    pub results: Vec<RoutineResult>,
    /// How the recorded signals responded.
    pub findings: Vec<Finding>,
    /// The drive that was recorded beside it.
    pub recorded: Recorded,
}

/// A level that was driven.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct Driven {
    /// The level.
    pub level: f64,
    /// When the request left, seconds since the start of the drive.
    pub asked_s: f64,
    /// When the module's confirmation had arrived.
    pub confirmed_s: f64,
}

/// One value that a routine told.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct RoutineResult {
    /// Its name.
    pub name: String,
    /// Its value; null where it is not there.
    pub value: Option<f64>,
    /// Its unit.
    pub unit: String,
    /// The text of the value, where the definition has one.
    pub text: Option<String>,
}

/// What clearing did.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct Cleared {
    /// What each module did.
    pub modules: Vec<ClearedModule>,
    /// File of the survey that was saved before.
    pub survey_before: String,
    /// File of the survey that was taken afterwards.
    pub survey_after: String,
    /// What was lost, in words.
    pub lost: Vec<String>,
    /// What went wrong.
    pub problems: Vec<String>,
}

/// What clearing one module costs, and what stays.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct ClearingCost {
    /// Its address, in hex.
    pub module: String,
    /// What it calls itself.
    pub name: Option<String>,
    /// Codes that go, with their status.
    pub codes: Vec<String>,
    /// How many freeze frames go.
    pub freeze_frames: usize,
    /// How many results of self-tests go.
    pub test_results: usize,
    /// How many readiness monitors that are complete have to run again.
    pub monitors: usize,
    /// Permanent codes, which stay until the car itself sees the repair.
    pub permanent: Vec<String>,
    /// What could not be read of it, and goes unseen if it is there.
    pub unread: Vec<String>,
    /// Whether it may have codes that nobody has read: it is cleared only where that is said to be meant.
    pub is_cut_short: bool,
}

/// What one module did when it was told to clear.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct ClearedModule {
    /// Its address, in hex.
    pub module: String,
    /// `confirmed`, `refused` or `silent`.
    pub outcome: String,
    /// Why it refused.
    pub reason: Option<String>,
    /// Its codes before.
    pub before: Vec<String>,
    /// Its codes afterwards; permanent ones stay until the car itself has seen the repair.
    pub after: Vec<String>,
}
