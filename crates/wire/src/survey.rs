//! `witness survey --json`, which is also the file that a survey is saved as.

use serde::{Deserialize, Serialize};

/// Everything that a car said of itself, read before anything was changed.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct Survey {
    /// The car as a whole.
    pub vehicle: Vehicle,
    /// One per module that answers.
    pub modules: Vec<Module>,
    /// Of the first module that reports it.
    pub readiness: Readiness,
    /// Modules that others get no messages from, those that more of them miss first.
    pub missing: Vec<Missing>,
    /// Which module sits on which network, as far as it is known.
    pub networks: Vec<Network>,
    /// What went wrong over the whole car.
    pub problems: Vec<String>,
    /// What went wrong on the way and was made good by asking again: nothing is lost.
    pub notes: Vec<String>,
    /// When, as `2026-03-01 10:20:30 UTC`.
    pub taken: String,
    /// Program and version that took it.
    pub software: String,
    /// Where it was saved.
    pub file: Option<String>,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    /// Every request with its replies; only in the saved file.
    pub raw: Vec<RawExchange>,
    /// The case that it belongs to; null when it belongs to none.
    pub case: Option<crate::CaseRef>,
}

/// A module that others get no messages from.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct Missing {
    /// The code that says so, without failure type.
    pub code: String,
    /// Who is missing, in the words of the standard code.
    pub who: String,
    /// Addresses of the modules that say so.
    pub reported_by: Vec<String>,
    /// Somebody says that it is so now; otherwise it was so once.
    pub is_now: bool,
}

/// A network with the modules on it.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct Network {
    /// What it is called; null for the one at the connector or behind it, as far as nobody tells.
    pub name: Option<String>,
    /// Addresses of its modules.
    pub modules: Vec<String>,
}

/// The car as a whole.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct Vehicle {
    /// Vehicle identification number, where a module reports one.
    pub vin: Option<String>,
    /// Name of the network.
    pub protocol: Option<String>,
    /// What is odd about the VIN, such as its check digit, or that a module tells another one.
    pub vin_notes: Vec<String>,
    /// As the VIN says it.
    pub model_year: Option<u16>,
    /// What the adapter says of itself.
    pub adapter: String,
    /// At the connector, V.
    pub supply_volts: Option<f64>,
}

/// What one module said.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct Module {
    /// As its replies carry it, in hex.
    pub address: String,
    /// What it calls itself, or what a definition calls it.
    pub name: Option<String>,
    /// What its address alone says that it is for, where addresses are given by kind.
    pub kind: Option<String>,
    /// The address with all that is needed to reach it, such as `714-77E`; the same as `address` where that says it all.
    pub full_address: String,
    /// What it speaks: `OBD`, `OBD on UDS`, `UDS` or `KWP2000`.
    pub dialect: String,
    /// The network that it sits on, where a definition tells.
    pub network: Option<String>,
    /// Its codes, each once.
    pub codes: Vec<Code>,
    /// Its freeze frames.
    pub freeze_frames: Vec<FreezeFrame>,
    /// Results of its self-tests.
    pub monitors: Vec<MonitorResult>,
    /// Since codes were cleared.
    pub readiness: Option<Readiness>,
    /// In this drive cycle.
    pub readiness_this_cycle: Option<Readiness>,
    /// What it says of itself.
    pub info: Vec<Info>,
    /// The PIDs of service 01 that it has, in hex.
    pub pids: Vec<String>,
    /// What went wrong with this module.
    pub problems: Vec<String>,
    /// Whether reading it broke off, or its codes could not be read without trouble: it may have codes that are not here.
    pub is_cut_short: bool,
}

/// A trouble code with everything known of its state.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct Code {
    /// Such as `P0301`.
    pub code: String,
    /// The lists that it is in: `stored`, `pending`, `permanent`.
    pub kinds: Vec<String>,
    /// ISO 14229 status byte, where the module gives one.
    pub status: Option<u8>,
    /// ISO 14230 status byte, where the module gives that one.
    pub kwp_status: Option<u8>,
    /// The bits of the status byte in words.
    pub status_words: Vec<String>,
    /// The code with its failure type, where `code` comes from a list without.
    pub detail: Option<String>,
    /// What the module keeps with it, such as counters.
    pub records: Vec<CodeRecord>,
    /// What a standard code means, where it is known.
    pub text: Option<String>,
    /// What the structure of the code alone tells.
    pub structure: String,
}

/// What a module keeps with a code; its maker defines what it means.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct CodeRecord {
    /// Its number; null where the module has one only.
    pub record: Option<u8>,
    /// Its bytes in hex.
    pub bytes: String,
}

/// The values that were frozen when a code was stored.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct FreezeFrame {
    /// Its number.
    pub frame: u8,
    /// The code that stored it.
    pub code: String,
    /// What it holds.
    pub values: Vec<Value>,
}

/// A named value.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct Value {
    /// Its name in the tables, the same in every version.
    pub name: String,
    /// What it is, in a few words; empty in surveys that were saved before there were titles.
    pub title: String,
    /// A number, a text, or null where only the bytes are known.
    pub value: serde_json::Value,
    /// Its unit; empty or `1` where it has none.
    pub unit: String,
}

impl Value {
    /// What it is, in a few words.
    #[must_use]
    pub fn words(&self) -> String {
        if self.title.is_empty() { self.name.replace('_', " ") } else { self.title.clone() }
    }

    /// Its value without the unit: numbers as `number` writes them, nothing in a list's way.
    #[must_use]
    pub fn text(&self, number: &dyn Fn(f64) -> String) -> String {
        text_of(&self.value, number)
    }
}

fn text_of(value: &serde_json::Value, number: &dyn Fn(f64) -> String) -> String {
    use serde_json::Value::{Array, Bool, Null, Number, Object, String as Text};
    match value {
        Number(raw) => number(raw.as_f64().unwrap_or(f64::NAN)),
        Text(text) => text.clone(),
        Bool(on) => if *on { "on" } else { "off" }.to_owned(),
        Array(parts) => parts.iter().map(|part| text_of(part, number)).collect::<Vec<_>>().join("; "),
        Null => "–".to_owned(),
        Object(_) => value.to_string(),
    }
}

/// One self-test result of service 06.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct MonitorResult {
    /// Number of the monitor, in hex.
    pub monitor: String,
    /// Number of the test, in hex.
    pub test: String,
    /// What a standard monitor and test are.
    pub title: Option<String>,
    /// The result.
    pub value: Option<f64>,
    /// Least value that passes.
    pub min: Option<f64>,
    /// Greatest value that passes.
    pub max: Option<f64>,
    /// Of value and limits.
    pub unit: String,
    /// `passed`, `failed` or `not run`.
    pub verdict: String,
}

/// Which self-tests have run.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct Readiness {
    /// The module that reports it; null when none does.
    pub module: Option<String>,
    /// Whether the malfunction lamp is commanded on.
    pub lamp: Option<bool>,
    /// Number of confirmed codes.
    pub confirmed_codes: Option<u8>,
    /// `spark` or `compression`.
    pub ignition: Option<String>,
    /// Monitors that are fitted and have not run to their end.
    pub incomplete: usize,
    /// Each monitor.
    pub monitors: Vec<MonitorState>,
}

/// One readiness monitor.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct MonitorState {
    /// What it watches.
    pub name: String,
    /// Whether it runs all the time.
    pub continuous: bool,
    /// `not fitted`, `complete` or `incomplete`.
    pub state: String,
}

/// One thing that a module says of itself.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct Info {
    /// What it is.
    pub title: String,
    /// As text.
    pub values: Vec<String>,
    /// How often its monitors ran.
    pub performance: Vec<InUse>,
}

/// How often a monitor ran, out of how often it could have.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct InUse {
    /// The monitor.
    pub name: String,
    /// Times that it ran to its end.
    pub completions: u16,
    /// Times that it could have.
    pub conditions: u16,
    /// The first by the second.
    pub ratio: Option<f64>,
}

/// A request with all that came back.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct RawExchange {
    /// When the request left, ns on the link's clock.
    #[cfg_attr(feature = "ts", ts(type = "number"))]
    pub asked_ns: i64,
    /// A module's address, or `everyone`.
    pub to: String,
    /// In hex.
    pub request: String,
    /// In order of arrival.
    pub replies: Vec<RawReply>,
    /// What was unreadable.
    pub problems: Vec<String>,
}

/// One reply.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct RawReply {
    /// Address of the module.
    pub from: String,
    /// When it had arrived, ns on the link's clock.
    #[cfg_attr(feature = "ts", ts(type = "number"))]
    pub arrived_ns: i64,
    /// In hex.
    pub bytes: String,
}
