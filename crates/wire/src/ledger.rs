//! Cases and their ledger: everything that happened in a case, in order, only added to.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::{DriveSummary, Finding, Proof, Survey, SwapJudged};

/// Which part of each kind sits on each cylinder: `placement["coil"][k]` is on cylinder k + 1. Parts carry the number of
/// the cylinder on which each sat at first; parts that came later carry higher numbers.
pub type Placement = BTreeMap<String, Vec<u32>>;

/// A vehicle of the casebook.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct CaseVehicle {
    /// Its number in this casebook; 0 before it has one.
    #[cfg_attr(feature = "ts", ts(type = "number"))]
    pub number: i64,
    /// Vehicle identification number, where known.
    pub vin: Option<String>,
    /// Number plate.
    pub plate: Option<String>,
    /// Maker, model and year, in anybody's words.
    pub model: Option<String>,
    /// Engine, in anybody's words.
    pub engine: Option<String>,
}

/// When the complaint shows.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct Conditions {
    /// Hot, cold, both.
    pub engine: Option<String>,
    /// At which speed or load.
    pub speed: Option<String>,
    /// In which weather.
    pub weather: Option<String>,
    /// How often.
    pub often: Option<String>,
}

/// A case at a glance: one visit of one vehicle with one complaint.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct Case {
    /// Its number in this casebook.
    #[cfg_attr(feature = "ts", ts(type = "number"))]
    pub number: i64,
    /// Its identity in every casebook: 32 hex digits.
    pub uid: String,
    /// The vehicle.
    pub vehicle: CaseVehicle,
    /// The complaint in the customer's words.
    pub complaint: String,
    /// When it shows.
    pub conditions: Conditions,
    /// Odometer at this visit, km.
    pub mileage_km: Option<u32>,
    /// When it was opened, ms since 1970-01-01 UTC.
    #[cfg_attr(feature = "ts", ts(type = "number"))]
    pub opened_unix_ms: i64,
    /// When it was closed, ms since 1970-01-01 UTC; null while it is open.
    #[cfg_attr(feature = "ts", ts(type = "number | null"))]
    pub closed_unix_ms: Option<i64>,
    /// Number of ledger entries.
    #[cfg_attr(feature = "ts", ts(type = "number"))]
    pub n_entries: u64,
    /// Hash of the last entry; who keeps it elsewhere (on the invoice, say) can show that nothing was taken away.
    pub head: String,
}

/// A case with its whole ledger.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct CaseFile {
    /// The case.
    pub case: Case,
    /// Its ledger, oldest entry first.
    pub entries: Vec<Entry>,
}

/// One entry of a ledger; never changed, only corrected by a further one.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct Entry {
    /// Its number in the ledger, from 1.
    #[cfg_attr(feature = "ts", ts(type = "number"))]
    pub number: u64,
    /// When it was made, ms since 1970-01-01 UTC.
    #[cfg_attr(feature = "ts", ts(type = "number"))]
    pub time_unix_ms: i64,
    /// Who made it.
    pub who: String,
    /// Program and version that made it.
    pub software: String,
    /// What it says.
    pub content: Content,
    /// SHA-256 over everything above and the hash of the entry before, in hex.
    pub hash: String,
}

/// A file that belongs to a case, such as a drive.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct FileRef {
    /// Where it is: below the data folder with `/` between the names, or an absolute path.
    pub path: String,
    /// SHA-256 of its content, in hex.
    pub sha256: String,
    /// Its size.
    #[cfg_attr(feature = "ts", ts(type = "number"))]
    pub bytes: u64,
}

/// What an entry says.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case")]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub enum Content {
    /// The case was opened; always the first entry.
    Opened {
        /// The complaint in the customer's words.
        complaint: String,
        /// When it shows.
        #[serde(default)]
        conditions: Conditions,
        /// The vehicle as it was known then.
        vehicle: CaseVehicle,
        /// Odometer, km.
        #[serde(default)]
        mileage_km: Option<u32>,
    },
    /// The vehicle became known better, by its VIN for instance, or its description was changed.
    Vehicle {
        /// All that is known of it now.
        vehicle: CaseVehicle,
        /// Odometer, km.
        #[serde(default)]
        mileage_km: Option<u32>,
    },
    /// Everything that the car said of itself.
    Survey {
        /// The saved survey with its raw bytes.
        file: FileRef,
        /// What it says, without the raw bytes.
        survey: Box<Survey>,
    },
    /// A recorded drive.
    Drive {
        /// The drive.
        file: FileRef,
        /// What is in it.
        summary: DriveSummary,
        /// What was lost of it.
        #[serde(default)]
        problems: Vec<String>,
    },
    /// A moment or a stretch of a drive that somebody marked.
    Mark {
        /// SHA-256 of the drive.
        drive: String,
        /// Seconds since the start of the drive.
        t_s: f64,
        /// End of a stretch; nothing for a moment.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        #[cfg_attr(feature = "ts", ts(optional))]
        to_s: Option<f64>,
        /// What was said of it.
        text: String,
    },
    /// What a drive proves.
    Finding {
        /// The drive as it was examined.
        file: FileRef,
        /// Every answer, the strongest evidence for a fault first.
        findings: Vec<Finding>,
    },
    /// Two parts of one kind changed places.
    Swap {
        /// Kind of part, such as `coil`.
        part: String,
        /// One cylinder.
        from: u32,
        /// The other.
        to: u32,
    },
    /// A part was replaced by one from outside.
    Replaced {
        /// Kind of part, such as `coil`.
        part: String,
        /// Cylinder that it sits on, where it has one of its own.
        #[serde(default)]
        at: Option<u32>,
        /// Part number, maker, where it came from.
        #[serde(default)]
        text: String,
    },
    /// An output was commanded or a routine started.
    Command {
        /// Address of the module, in hex.
        module: String,
        /// What was commanded.
        output: String,
        /// How it went, in one sentence.
        statement: String,
        /// Everything else that is known of it.
        #[serde(default)]
        details: serde_json::Value,
    },
    /// Trouble codes were cleared.
    Clearing {
        /// Addresses of the modules, in hex.
        modules: Vec<String>,
        /// How it went, in one sentence.
        statement: String,
        /// Everything else that is known of it.
        #[serde(default)]
        details: serde_json::Value,
    },
    /// Something that somebody wrote down.
    Note {
        /// What.
        text: String,
    },
    /// A picture.
    Photo {
        /// The picture.
        file: FileRef,
        /// What it shows.
        text: String,
    },
    /// Something was decided.
    Decision {
        /// What.
        text: String,
        /// Why.
        #[serde(default)]
        reason: String,
    },
    /// What the drives around a swap say.
    SwapVerdict {
        /// The verdict with its numbers.
        verdict: Box<SwapJudged>,
    },
    /// A test of the fault model was made by hand.
    Tested {
        /// Area of the fault model, such as `misfire.1`.
        area: String,
        /// Short name of the test.
        test: String,
        /// Its answer.
        is_yes: bool,
    },
    /// A suspect was repaired, and the fault is gone or not.
    Repaired {
        /// Area of the fault model, such as `misfire.1`.
        area: String,
        /// Short name of the suspect.
        suspect: String,
        /// Whether the fault was gone afterwards, shown and not hoped.
        helped: bool,
    },
    /// How the suspects stood at this moment.
    Suspects {
        /// Probability of each, by `AREA/SUSPECT`.
        weights: BTreeMap<String, f64>,
        /// One sentence for each area.
        statements: Vec<String>,
        /// What was seen, by area and with where it comes from, one line each.
        #[serde(default)]
        reasons: Vec<String>,
    },
    /// How far the proof of a repair is.
    Proof {
        /// The proof with its numbers.
        proof: Box<Proof>,
    },
    /// A drive of a healthy car: later drives of the same model can be laid over it.
    Reference {
        /// The drive.
        file: FileRef,
        /// Maker and model, in anybody's words.
        model: String,
        /// Why it counts as healthy.
        #[serde(default)]
        text: String,
    },
    /// Something that was done before it was written down.
    Earlier {
        /// When it was done, ms since 1970-01-01 UTC.
        #[cfg_attr(feature = "ts", ts(type = "number"))]
        done_unix_ms: i64,
        /// What was done.
        content: Box<Content>,
    },
    /// An earlier entry was wrong.
    Correction {
        /// Number of the entry.
        #[cfg_attr(feature = "ts", ts(type = "number"))]
        of: u64,
        /// Why.
        reason: String,
        /// What it should have said; null when it should not have been made.
        #[serde(default)]
        content: Option<Box<Content>>,
    },
    /// The case was closed.
    Closed {
        /// How it ended.
        outcome: String,
    },
    /// A closed case was opened again.
    Reopened {
        /// Why.
        reason: String,
    },
}

impl Default for Content {
    fn default() -> Self {
        Self::Note { text: String::new() }
    }
}

/// The case that something belongs to.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct CaseRef {
    /// Number of the case in this casebook.
    #[cfg_attr(feature = "ts", ts(type = "number"))]
    pub number: i64,
    /// Number of the entry that was made.
    #[cfg_attr(feature = "ts", ts(type = "number"))]
    pub entry: u64,
    /// Whether the case was made for it, because none was open.
    pub is_new: bool,
}

/// `witness case list --json` and `witness case search --json`.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct Cases {
    /// The newest first.
    pub cases: Vec<Case>,
    /// The open case that commands work in; null when there is none.
    #[cfg_attr(feature = "ts", ts(type = "number | null"))]
    pub open: Option<i64>,
}

/// `witness case verify --json`.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct Verified {
    /// The case.
    pub case: Case,
    /// Whether nothing speaks against the ledger and its files.
    pub sound: bool,
    /// What is wrong, one sentence each.
    pub problems: Vec<String>,
    /// Files that were held against their checksums.
    pub n_files: usize,
}

/// `witness case show --json`.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct CaseShown {
    /// The case.
    pub case: Case,
    /// Its ledger, oldest entry first.
    pub entries: Vec<Entry>,
    /// Where the parts sit now, for the kinds that were ever swapped or replaced.
    pub placement: Placement,
    /// What tests by hand showed and which parts repairs were about, in words, by the number of the entry.
    #[cfg_attr(feature = "ts", ts(type = "Record<number, string>"))]
    pub words: BTreeMap<u64, String>,
}

/// What `witness case new`, `close`, `reopen`, `note`, `photo`, `decide`, `correct` and `witness swap add` print with
/// `--json`.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct CaseEntry {
    /// The case.
    pub case: Case,
    /// The entry that was made.
    pub entry: Entry,
    /// Where the parts sit now, for the kinds that were ever swapped or replaced.
    pub placement: Placement,
}

/// What `witness case export`, `import` and `backup` print with `--json`.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct CaseMoved {
    /// The case; null for a backup of the whole casebook.
    pub case: Option<Case>,
    /// The file that was written or read.
    pub file: String,
    /// How many drives, surveys and photos went with it.
    pub n_files: usize,
    /// What of its vehicle is known otherwise here, and stays so.
    pub notes: Vec<String>,
    /// Files that could not go with it, and why.
    pub problems: Vec<String>,
}

/// What was brought in from elsewhere.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct TakenIn {
    /// The name of the drive that it became; null for a case.
    pub drive: Option<String>,
    /// The case; null for a drive.
    pub case: Option<Case>,
    /// What of the vehicle of a case is known otherwise here, and stays so.
    pub notes: Vec<String>,
    /// What was damaged or missing.
    pub problems: Vec<String>,
}
