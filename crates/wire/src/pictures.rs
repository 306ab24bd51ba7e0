//! What checks look at, as numbers that can be drawn.

use serde::{Deserialize, Serialize};

/// `witness picture --json`: only what was asked for.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct Pictures {
    /// A signal over engine speed and load.
    pub map: Option<LoadMap>,
    /// Two tracks of one sensor over their travel.
    pub pair: Option<PairError>,
    /// What repeats in the speed of each wheel; null when it was not asked for.
    pub wheels: Option<Wheels>,
    /// What could not be made, and why.
    pub problems: Vec<String>,
}

/// A signal over engine speed and load.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct LoadMap {
    /// The signal.
    pub signal: String,
    /// What stands for the load; null: nothing, and all cells lie at 0.
    pub load: Option<String>,
    /// Of the values: the signal's own, or `per 1000 firings` for counters of misfires.
    pub unit: String,
    /// Width of a cell, rpm.
    pub cell_rpm: f64,
    /// Height of a cell, percent (or what stands for it).
    pub cell_load: f64,
    /// Where the engine was.
    pub cells: Vec<MapCell>,
    /// Where a cylinder misfires more often than elsewhere; null when no part stands out.
    pub region: Option<MapRegion>,
}

/// A cell of a map.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct MapCell {
    /// Lower edge, rpm.
    pub rpm: f64,
    /// Lower edge, percent (or what stands for it).
    pub load: f64,
    /// Seconds, or firings of the cylinder for a rate.
    pub exposure: f64,
    /// Mean, or rate.
    pub value: f64,
}

/// A part of a map; null: it has no end there.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct MapRegion {
    /// From this engine speed.
    pub from_rpm: Option<f64>,
    /// To this one.
    pub to_rpm: Option<f64>,
    /// From this load.
    pub from_load: Option<f64>,
    /// To this one.
    pub to_load: Option<f64>,
}

/// How far two tracks of one sensor disagree, by position.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct PairError {
    /// The two signals.
    pub signals: [String; 2],
    /// Their units.
    pub units: [String; 2],
    /// The straight line between them: the second is `offset` plus `slope` times the first.
    pub slope: f64,
    /// See `slope`.
    pub offset: f64,
    /// Parts of the visited travel in order of position.
    pub cells: Vec<PairCell>,
    /// The most suspicious place, in readings of the first; null when there is none.
    pub place: Option<[f64; 2]>,
}

/// A part of the travel. Errors are the second signal less the line, in its own unit.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct PairCell {
    /// From this reading of the first.
    pub from: f64,
    /// To this one.
    pub to: f64,
    /// Readings.
    pub n: usize,
    /// One reading in twenty falls below.
    pub low: f64,
    /// The middle.
    pub middle: f64,
    /// One reading in twenty exceeds it.
    pub high: f64,
    /// How far off a sound pair may be.
    pub allowed: f64,
}

/// What repeats in the speeds of wheels.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct Wheels {
    /// Size that sound rings show, percent.
    pub tolerance_percent: f64,
    /// One turn of a wheel lies between these, repetitions per metre.
    pub turn_per_m: [f64; 2],
    /// One per wheel that rolled far enough.
    pub spectra: Vec<WheelSpectrum>,
}

/// What repeats in the speed of one wheel.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct WheelSpectrum {
    /// The signal.
    pub signal: String,
    /// How far it was looked at, metres.
    pub metres: f64,
    /// Circumference of the strongest line that may be one turn, metres.
    pub circumference_m: f64,
    /// Repetitions per metre.
    pub per_m: Vec<f64>,
    /// Size of the error that repeats so often, percent of the speed.
    pub percent: Vec<f64>,
}
