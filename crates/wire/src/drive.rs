//! Drives: what is in one, what was recorded, and what came of a table.

use serde::{Deserialize, Serialize};

/// What is in a drive.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct DriveSummary {
    /// Where it is.
    pub file: String,
    /// Its length, seconds.
    pub duration_s: f64,
    /// What was recorded.
    pub signals: Vec<SignalSummary>,
    /// Moments that somebody marked.
    pub marks: Vec<Mark>,
    /// Stretches in which nothing could be recorded.
    pub gaps: Vec<Gap>,
    /// When it was driven, by the clock of whoever recorded it: ms since 1970-01-01 UTC.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "ts", ts(optional, type = "number"))]
    pub start_unix_ms: Option<i64>,
}

/// One recorded signal.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct SignalSummary {
    /// Its name.
    pub id: String,
    /// Of its values.
    pub unit: String,
    /// How many.
    pub samples: usize,
    /// Between samples, seconds; 0 with fewer than two.
    pub median_interval_s: f64,
}

/// A moment that somebody marked.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct Mark {
    /// Seconds since the start of the drive.
    pub t_s: f64,
    /// What was said about it.
    pub text: String,
}

/// A stretch in which nothing could be recorded.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct Gap {
    /// Seconds since the start of the drive.
    pub from_s: f64,
    /// Seconds since the start of the drive.
    pub to_s: f64,
    /// Why.
    pub reason: String,
}

/// A stretch of a drive.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct Span {
    /// Seconds since the start of the drive.
    pub from_s: f64,
    /// Seconds since the start of the drive.
    pub to_s: f64,
}

/// The rate that a signal gets.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct Rate {
    /// The signal.
    pub id: String,
    /// Samples per second.
    pub per_second: f64,
}

/// A signal that cannot be had.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct Unavailable {
    /// The signal.
    pub id: String,
    /// Why not, and what to do about it.
    pub reason: String,
}

/// `witness drive record --json`.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct Recorded {
    /// The drive.
    pub drive: DriveSummary,
    /// As measured before it started.
    pub rates: Vec<Rate>,
    /// Wanted signals that could not be had.
    pub unavailable: Vec<Unavailable>,
    /// Size of the file.
    #[cfg_attr(feature = "ts", ts(type = "number"))]
    pub bytes: u64,
    /// What happened on the way.
    pub notes: Vec<String>,
    /// What was lost, besides the gaps.
    pub problems: Vec<String>,
    /// The case that it belongs to; null when it belongs to none.
    pub case: Option<crate::CaseRef>,
}

/// `witness drive repair --json`.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct Repaired {
    /// The good copy.
    pub file: String,
    /// What is lost.
    pub problems: Vec<String>,
}

/// `witness import --json`.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct Imported {
    /// The drive.
    pub file: String,
    /// Rows of the table, or frames of the log.
    #[cfg_attr(feature = "ts", ts(type = "number"))]
    pub rows: u64,
    /// Samples in the drive.
    #[cfg_attr(feature = "ts", ts(type = "number"))]
    pub samples: u64,
    /// Their names.
    pub signals: Vec<String>,
    /// What was done to names and units.
    pub notes: Vec<String>,
    /// What was lost.
    pub problems: Vec<String>,
}

/// `witness export --json`.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct Exported {
    /// The table.
    pub file: String,
    /// Its rows.
    #[cfg_attr(feature = "ts", ts(type = "number"))]
    pub rows: u64,
    /// Its samples.
    #[cfg_attr(feature = "ts", ts(type = "number"))]
    pub samples: u64,
    /// What a table cannot hold.
    pub left_out: Vec<String>,
    /// What could not be read of the drive.
    pub problems: Vec<String>,
}

/// `witness plan --json`.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct Planned {
    /// Name of the network.
    pub protocol: Option<String>,
    /// Length of the event that the odds are for, ms.
    pub event_ms: f64,
    /// The wanted signals that can be had.
    pub signals: Vec<PlannedSignal>,
    /// Those that cannot.
    pub unavailable: Vec<Unavailable>,
    /// What to leave out for better odds, best first; estimated from the measured times.
    pub leave_out: Vec<LeaveOut>,
}

/// Signals to leave out of a plan, and what that gains.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct LeaveOut {
    /// Names of the signals.
    pub ids: Vec<String>,
    /// What others would then get.
    pub gains: Vec<Gain>,
}

/// What a signal would get.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct Gain {
    /// Its name.
    pub id: String,
    /// Samples per second.
    pub per_second: f64,
    /// Odds of catching one event of the plan's length.
    pub odds: f64,
}

/// A signal that can be had, and how well.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct PlannedSignal {
    /// Its name.
    pub id: String,
    /// Of its values.
    pub unit: String,
    /// Which module and request it comes from.
    pub source: String,
    /// Samples per second, measured on this car.
    pub per_second: f64,
    /// Seconds between two requests for a signal that changes slowly and is asked so on purpose; null: as often as can be.
    pub every_s: Option<f64>,
    /// Odds of catching one event of `event_ms`.
    pub odds: f64,
    /// Events after which one is caught with 95 %; null when none ever would be.
    pub events_for_95_percent: Option<f64>,
    /// Whether it was left out on the way: it stays in the drive, but brings nothing more.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub left_out: bool,
}
