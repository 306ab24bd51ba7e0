//! What the program says of itself.

use serde::{Deserialize, Serialize};

use crate::Examined;

/// `witness standin --json`: an invented car that is being served.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct Serving {
    /// Address to connect to.
    pub adapter: String,
}

/// `witness serve --json`: a workbench that is being served.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct Workbench {
    /// Address of its first page.
    pub url: String,
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
