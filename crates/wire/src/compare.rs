//! Before and after, and beside healthy cars.

use serde::{Deserialize, Serialize};

use crate::Bounds;

/// `witness case compare --json`.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct Compared {
    /// Two surveys; null where there are not two.
    pub surveys: Option<SurveysCompared>,
    /// Two drives; null where there are not two.
    pub drives: Option<DrivesCompared>,
    /// A drive over drives of healthy cars of the same model; null where none was asked for.
    pub reference: Option<ReferenceCompared>,
    /// What could not be read.
    pub problems: Vec<String>,
}

/// Two surveys.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct SurveysCompared {
    /// When the first was taken.
    pub before: String,
    /// When the second was taken.
    pub after: String,
    /// Every code of either.
    pub codes: Vec<CodeCompared>,
    /// Readiness monitors whose state changed, and those that are incomplete in the second.
    pub readiness: Vec<StateCompared>,
    /// Freeze frames of codes that are in either, value by value; fuel trims among them.
    pub frames: Vec<FrameCompared>,
    /// Modules that answered in one of them only: nothing can be said of their codes.
    pub only_in_one: Vec<String>,
}

/// One code in two surveys.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct CodeCompared {
    /// The module.
    pub module: String,
    /// Such as `P0301`.
    pub code: String,
    /// `new`, `gone`, `still there`, or `not asked` where the module answered in one survey only.
    pub change: String,
    /// The lists that it was in.
    pub before: Vec<String>,
    /// The lists that it is in.
    pub after: Vec<String>,
}

/// One state in two surveys.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct StateCompared {
    /// What it is the state of.
    pub name: String,
    /// In the first; null where it is not in it.
    pub before: Option<String>,
    /// In the second; null where it is not in it.
    pub after: Option<String>,
}

/// One freeze frame in two surveys.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct FrameCompared {
    /// The module.
    pub module: String,
    /// The code that stored it.
    pub code: String,
    /// Its values, with their units.
    pub values: Vec<StateCompared>,
}

/// Two drives on the same signals in the same conditions.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct DrivesCompared {
    /// The first drive.
    pub before: String,
    /// The second drive.
    pub after: String,
    /// Signal by signal.
    pub signals: Vec<SignalCompared>,
    /// Signals that only one of them has.
    pub only_in_one: Vec<String>,
    /// What the numbers do not say.
    pub caution: String,
}

/// One signal in two drives.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct SignalCompared {
    /// The signal.
    pub id: String,
    /// Unit of its numbers.
    pub unit: String,
    /// One plain sentence.
    pub statement: String,
    /// Every condition that either drive was in.
    pub cells: Vec<CellCompared>,
}

/// One signal in one condition of two drives.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct CellCompared {
    /// The condition; empty for the whole drive.
    pub bounds: Vec<Bounds>,
    /// `higher`, `lower`, `no difference shown` or `too short`.
    pub verdict: String,
    /// Second less first; null where one is too short.
    pub difference: Option<f64>,
    /// Lower end of its interval; the intervals of all conditions and signals hold together at 95 %.
    pub low: Option<f64>,
    /// Upper end.
    pub high: Option<f64>,
    /// The first drive.
    pub before: CellMean,
    /// The second drive.
    pub after: CellMean,
}

/// A signal in one condition of one drive.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct CellMean {
    /// How long it was there.
    pub seconds: f64,
    /// Mean; null when it was never there.
    pub mean: Option<f64>,
}

/// A drive over drives of healthy cars of the same model.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct ReferenceCompared {
    /// The drive.
    pub drive: String,
    /// The model whose healthy drives are meant.
    pub model: String,
    /// The healthy drives.
    pub references: Vec<String>,
    /// Signal by signal.
    pub signals: Vec<SignalReferred>,
    /// Signals of the drive that no healthy one has.
    pub without_reference: Vec<String>,
    /// What the numbers do not say.
    pub caution: String,
}

/// One signal beside the healthy drives.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct SignalReferred {
    /// The signal.
    pub id: String,
    /// Unit of its numbers.
    pub unit: String,
    /// One plain sentence.
    pub statement: String,
    /// Every condition that the drive was in.
    pub cells: Vec<CellReferred>,
}

/// One signal in one condition beside the healthy drives.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct CellReferred {
    /// The condition; empty for the whole drive.
    pub bounds: Vec<Bounds>,
    /// `outside`, `as the healthy ones` or `too little`.
    pub verdict: String,
    /// The drive.
    pub drive: CellMean,
    /// Median of the drive's stretches of ten seconds.
    pub median: Option<f64>,
    /// Share of the healthy stretches below that median, percent.
    pub percentile: Option<f64>,
    /// 5th, 25th, 50th, 75th and 95th percentile of the healthy stretches; empty where there are none.
    pub reference: Vec<f64>,
    /// Healthy drives that were in this condition.
    pub reference_drives: usize,
    /// How long they were there.
    pub reference_seconds: f64,
}
