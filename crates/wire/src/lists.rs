//! Names that can be asked for.

use serde::{Deserialize, Serialize};

/// `witness signals --json`.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct Signals {
    /// By name.
    pub signals: Vec<Signal>,
}

/// A signal that has a name.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct Signal {
    /// Its name.
    pub id: String,
    /// Of its values.
    pub unit: String,
    /// What it is.
    pub title: String,
    /// Counterpart in the open vehicle signal catalogue.
    pub vss: Option<String>,
    /// Whether a definition says how to read it from a car.
    pub readable: bool,
    /// Names of the modules that have it, where a definition tells.
    pub modules: Vec<String>,
}

/// `witness watchlist --json`.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct Watchlists {
    /// By name.
    pub watchlists: Vec<Watchlist>,
}

/// Signals chosen together.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct Watchlist {
    /// Its name.
    pub name: String,
    /// Their names.
    pub signals: Vec<String>,
}
