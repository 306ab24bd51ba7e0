//! What the program says of itself.

use serde::{Deserialize, Serialize};

use crate::{Examined, Proof, SwapJudged};

/// `witness standin --json`: an invented car that is being served.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct Serving {
    /// Address to connect to.
    pub adapter: String,
}

/// `witness standin --help-cars --json`: what a stand-in can be called.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct StandinHelp {
    /// The cars.
    pub cars: Vec<Explained>,
    /// What may stand behind `?`.
    pub options: Vec<Explained>,
    /// The forms of the option `fault`.
    pub faults: Vec<String>,
}

/// A name and what it means.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct Explained {
    /// The name.
    pub name: String,
    /// What it means.
    pub text: String,
}

/// `witness standin --show-definitions --json`.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct StandinDefinitions {
    /// The car's file of definitions, as it stands.
    pub definitions: String,
}

/// `witness serve --json`: a workbench that is being served.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct Workbench {
    /// Address of its first page.
    pub url: String,
}

/// `witness completions SHELL --json`.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct Completions {
    /// The shell.
    pub shell: String,
    /// What it is to run at its start.
    pub script: String,
}

/// `witness manual FOLDER --json`.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct Manual {
    /// Where the pages are.
    pub folder: String,
    /// Names of the pages.
    pub pages: Vec<String>,
}

/// `witness adapters --json`.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct Adapters {
    /// What is plugged in or reachable.
    pub adapters: Vec<Adapter>,
    /// What could not be looked for, and what is never found by itself.
    pub notes: Vec<String>,
}

/// One adapter, or a place where one may be.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct Adapter {
    /// Address to give to `--adapter`.
    pub address: String,
    /// What kind of adapter it is, or was taken for.
    pub kind: String,
    /// What the system or the device says of itself.
    pub what: String,
    /// What adapters of this kind can do.
    pub abilities: Vec<String>,
    /// Whether it answered.
    pub answers: bool,
    /// What it says of itself.
    pub adapter: Option<String>,
    /// The vehicle's network, when a vehicle answered.
    pub network: Option<String>,
    /// From a question to the adapter to its own answer, ms.
    pub round_trip_ms: Option<f64>,
    /// From a request to the first answer of a module, ms.
    pub vehicle_round_trip_ms: Option<f64>,
    /// Supply voltage at the connector, V.
    pub supply_volts: Option<f64>,
    /// Why it cannot be used.
    pub problem: Option<String>,
    /// What to try.
    pub hints: Vec<String>,
    /// What opening it found missing or odd.
    pub notes: Vec<String>,
}

/// `witness demo --json`.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct Demo {
    /// Where the files are.
    pub folder: String,
    /// Each file.
    pub files: Vec<String>,
    /// How long it took, seconds.
    pub wall_s: f64,
    /// Codes that the survey found.
    pub codes: Vec<String>,
    /// What the drive proves.
    pub examined: Examined,
    /// What the swap of the second car says.
    pub swap: SwapJudged,
    /// What the proof of its repair says.
    pub proof: Proof,
}

/// Any command with `--json` that fails.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct Failed {
    /// Why.
    pub error: Failure,
}

/// Why a command could not be done, and what to do next.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct Failure {
    /// What happened, and where.
    pub message: String,
    /// What to do next.
    pub hints: Vec<String>,
    /// How the program ends.
    pub exit_code: u8,
}
