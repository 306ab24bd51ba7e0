//! What a drive proves.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::{DriveSummary, Span};

/// `witness examine --json`.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct Examined {
    /// The drive.
    pub drive: DriveSummary,
    /// The strongest evidence for a fault first.
    pub findings: Vec<Finding>,
    /// What could not be read of the drive.
    pub problems: Vec<String>,
    /// The case that it belongs to; null when it belongs to none.
    pub case: Option<crate::CaseRef>,
}

/// One answer about one subject.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct Finding {
    /// Which question, such as `dropout`.
    pub kind: String,
    /// About what.
    pub subject: Vec<String>,
    /// `faulty`, `healthy` or `undecided`.
    pub verdict: String,
    /// Evidence for a fault over no fault.
    pub log10_odds: f64,
    /// One plain sentence with its numbers.
    pub statement: String,
    /// The numbers by name; units in the names.
    pub figures: BTreeMap<String, f64>,
    /// Where in the drive.
    pub spans: Vec<Span>,
    /// What else could explain it.
    pub alternatives: Vec<String>,
    /// What would settle it.
    pub next: Vec<String>,
}

/// `witness swap judge --json`.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct SwapJudged {
    /// The most probable first; they sum to 1.
    pub hypotheses: Vec<Hypothesis>,
    /// Whether the first is probable enough.
    pub decided: bool,
    /// One plain sentence with its numbers.
    pub statement: String,
    /// What would settle it, or what to do now.
    pub next: Vec<String>,
    /// Per drive and cylinder, in the condition in which it failed before.
    pub drives: Vec<SwapCounts>,
    /// What could not be read of the drives.
    pub problems: Vec<String>,
    /// The case that it belongs to; null when it belongs to none.
    pub case: Option<crate::CaseRef>,
}

/// What may be at fault.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct Hypothesis {
    /// `coil 1`, `cylinder 1`, `several` or `none`.
    pub fault: String,
    /// 0 to 1.
    pub probability: f64,
}

/// Misfires of one drive by cylinder; null where a counter was not recorded.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct SwapCounts {
    /// The drive.
    pub file: String,
    /// Counted misfires.
    #[cfg_attr(feature = "ts", ts(type = "Array<number | null>"))]
    pub misfires: Vec<Option<u64>>,
    /// Firings in the same condition.
    pub firings: Vec<Option<f64>>,
}

/// Drives before and after parts changed places, as `witness swap judge` reads them.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct Experiment {
    /// The kinds of part that were exchanged.
    pub parts: Vec<String>,
    /// In order of time.
    pub drives: Vec<ExperimentDrive>,
}

/// One drive of an experiment.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct ExperimentDrive {
    /// The drive, beside the experiment's own file or as a path.
    pub file: String,
    /// `placement["coil"][k]`: which coil sits on cylinder k + 1, numbered by where each sat at first.
    pub placement: crate::Placement,
}
