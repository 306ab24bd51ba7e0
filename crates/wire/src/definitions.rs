//! What a file of definitions offers.

use serde::{Deserialize, Serialize};

/// `witness definitions check --json`.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct DefinitionsChecked {
    /// The file.
    pub file: String,
    /// What it describes.
    pub title: String,
    /// Where the knowledge comes from.
    pub origin: String,
    /// Beginnings of the VINs that it is for; empty for any vehicle.
    pub fits_vin: Vec<String>,
    /// Modules, and what can be read from and done with each.
    pub modules: Vec<DefinedModule>,
    /// What modules broadcast.
    pub messages: Vec<DefinedMessage>,
    /// What could not be used, or is odd, with its line.
    pub problems: Vec<String>,
}

/// A module of a file of definitions.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct DefinedModule {
    /// Its name.
    pub name: String,
    /// Where it answers.
    pub address: String,
    /// What can be read from it.
    pub signals: Vec<DefinedSignal>,
    /// What it can drive.
    pub outputs: Vec<DefinedAction>,
    /// What it can run.
    pub routines: Vec<DefinedAction>,
    /// Its own trouble codes with their texts.
    pub codes: Vec<DefinedCode>,
}

/// A signal of a file of definitions.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct DefinedSignal {
    /// Its name.
    pub id: String,
    /// Of its values.
    pub unit: String,
    /// What it is.
    pub title: String,
    /// The request that reads it, in hex; null for one that is broadcast.
    pub request: Option<String>,
}

/// An output or a routine of a file of definitions.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct DefinedAction {
    /// Its name.
    pub id: String,
    /// What it is.
    pub title: String,
    /// What it takes, in words.
    pub takes: Vec<String>,
    /// What must hold, in words.
    pub conditions: Vec<String>,
    /// What can hurt someone or break something.
    pub cautions: Vec<String>,
}

/// The text of a trouble code.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct DefinedCode {
    /// The code.
    pub code: String,
    /// What it means.
    pub text: String,
}

/// A message that modules broadcast.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct DefinedMessage {
    /// Its name.
    pub name: String,
    /// CAN identifier, in hex.
    pub id: String,
    /// Data bytes.
    #[cfg_attr(feature = "ts", ts(type = "number"))]
    pub bytes: u64,
    /// How often it comes, ms.
    pub cycle_ms: Option<f64>,
    /// Its signals.
    pub signals: Vec<DefinedSignal>,
}
