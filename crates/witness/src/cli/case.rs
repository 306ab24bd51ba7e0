//! What is asked of a case: its ledger, swaps, suspects, proof and report.

use std::path::PathBuf;

use clap::{Args, Subcommand, ValueEnum};

#[derive(Debug, Args)]
pub(crate) struct SwapArgs {
    #[command(subcommand)]
    pub(crate) command: SwapCommand,
}

#[derive(Debug, Subcommand)]
pub(crate) enum SwapCommand {
    /// Two parts of a kind changed places, or one was replaced.
    Add {
        /// Kind of part, such as coil, plug or injector.
        #[arg(long, value_name = "PART")]
        part: String,
        /// The two cylinders whose parts changed places.
        #[arg(long, num_args = 2, value_name = "CYLINDER")]
        between: Vec<u32>,
        /// The cylinder that the part came from; the one that sat where it went took its place.
        #[arg(long, value_name = "CYLINDER", requires = "to", conflicts_with_all = ["between", "new_at"])]
        from: Option<u32>,
        /// The cylinder that it went to.
        #[arg(long, value_name = "CYLINDER", requires = "from")]
        to: Option<u32>,
        /// The cylinder on which a part from outside replaced the old one.
        #[arg(long, value_name = "CYLINDER", conflicts_with = "between")]
        new_at: Option<u32>,
        /// Part number, maker, where the part from outside came from.
        #[arg(long, value_name = "TEXT", default_value = "", conflicts_with_all = ["between", "from"])]
        text: String,
        #[command(flatten)]
        when: WhenArgs,
    },
    /// The last swap was put back; or, with --mistaken, it never was one.
    Undo {
        /// The parts never changed places: withdraw the entry.
        #[arg(long)]
        mistaken: bool,
    },
    /// From drives before and after parts changed places.
    Judge {
        /// Which parts were exchanged, the drives, and where each part sat in each drive (JSON); by default what the case
        /// knows.
        #[arg(value_name = "EXPERIMENT.json")]
        experiment: Option<PathBuf>,
    },
}

#[derive(Debug, Args)]
pub(crate) struct CaseArgs {
    #[command(subcommand)]
    pub(crate) command: CaseCommand,
}

#[derive(Debug, Subcommand)]
pub(crate) enum CaseCommand {
    /// Open a case; commands belong to it until another is opened or it is closed.
    New(NewCaseArgs),
    /// The newest cases.
    List {
        /// Most of them.
        #[arg(long, value_name = "N", default_value_t = 20)]
        limit: usize,
    },
    /// A case with its ledger.
    Show {
        /// Its number; by default the open case.
        #[arg(value_name = "N")]
        number: Option<i64>,
    },
    /// Cases that hold all these words: complaint, code, part, vehicle, notes.
    Search {
        /// Words, or beginnings of words.
        #[arg(value_name = "TEXT", required = true)]
        text: Vec<String>,
        /// Most of them.
        #[arg(long, value_name = "N", default_value_t = 20)]
        limit: usize,
    },
    /// Work in this case from now on.
    Open {
        /// Its number.
        #[arg(value_name = "N")]
        number: i64,
    },
    /// Close the case.
    Close {
        /// How it ended.
        #[arg(value_name = "OUTCOME", default_value = "")]
        outcome: String,
    },
    /// Open a closed case again.
    Reopen {
        /// Its number.
        #[arg(value_name = "N")]
        number: i64,
        /// Why.
        #[arg(long, value_name = "TEXT", default_value = "")]
        reason: String,
    },
    /// Say more of the vehicle.
    Vehicle(VehicleArgs),
    /// Write something down.
    Note {
        /// What.
        #[arg(value_name = "TEXT")]
        text: String,
    },
    /// Keep a picture.
    Photo {
        /// The picture.
        #[arg(value_name = "FILE")]
        file: PathBuf,
        /// What it shows.
        #[arg(long, value_name = "TEXT", default_value = "")]
        text: String,
    },
    /// Write down a decision.
    Decide {
        /// What was decided.
        #[arg(value_name = "TEXT")]
        text: String,
        /// Why.
        #[arg(long, value_name = "TEXT", default_value = "")]
        reason: String,
    },
    /// Write down the result of a test that `witness suspects` asked for.
    Tested {
        /// Such as misfire.1/compression-low=no.
        #[arg(value_name = "AREA/TEST=yes|no")]
        result: String,
    },
    /// Write down that a suspect was repaired, and whether the fault was gone afterwards.
    Repaired {
        /// Such as misfire.1/coil=yes.
        #[arg(value_name = "AREA/SUSPECT=yes|no")]
        result: String,
    },
    /// Correct an entry by a further one.
    Correct {
        /// Number of the entry.
        #[arg(value_name = "ENTRY")]
        entry: u64,
        /// Why.
        #[arg(long, value_name = "TEXT")]
        reason: String,
        /// What it should have said, as JSON of an entry's content; without it the entry is withdrawn.
        #[arg(long, value_name = "JSON")]
        content: Option<String>,
    },
    /// Before and after: two surveys, two drives, and a drive over those of healthy cars of the same model.
    Compare(CompareArgs),
    /// Mark a drive as that of a healthy car of this model, to lay later drives over it.
    Reference {
        /// The drive.
        #[arg(value_name = "DRIVE.mcap")]
        drive: PathBuf,
        /// Maker and model; by default that of the vehicle of the case.
        #[arg(long, value_name = "TEXT")]
        model: Option<String>,
        /// Why it counts as healthy.
        #[arg(long, value_name = "TEXT", default_value = "")]
        text: String,
    },
    /// Hold the ledger against its hash chain, and its files against their checksums.
    Verify {
        /// Its number; by default the open case.
        #[arg(value_name = "N")]
        number: Option<i64>,
    },
    /// Write the case with its drives into one file that another shop can open.
    Export {
        /// The zip to be made.
        #[arg(value_name = "CASE.zip")]
        file: PathBuf,
    },
    /// Take in a case from such a file.
    Import {
        /// The zip.
        #[arg(value_name = "CASE.zip")]
        file: PathBuf,
    },
    /// Copy the whole casebook into a new file while it is in use.
    Backup {
        /// The copy to be made.
        #[arg(value_name = "FILE.sqlite")]
        file: PathBuf,
    },
}

/// Without any of these: the first and the last survey of the case, its first and its last drive, and the last drive over the
/// healthy ones of its model.
#[derive(Debug, Args)]
pub(crate) struct CompareArgs {
    /// A survey from before the repair.
    #[arg(long, value_name = "FILE.json", requires = "survey_after")]
    pub(crate) survey_before: Option<PathBuf>,
    /// A survey after it.
    #[arg(long, value_name = "FILE.json", requires = "survey_before")]
    pub(crate) survey_after: Option<PathBuf>,
    /// A drive from before the repair.
    #[arg(long, value_name = "DRIVE.mcap", requires = "after")]
    pub(crate) before: Option<PathBuf>,
    /// A drive after it, on the same signals.
    #[arg(long, value_name = "DRIVE.mcap", requires = "before")]
    pub(crate) after: Option<PathBuf>,
    /// A drive to lay over the healthy ones.
    #[arg(long, value_name = "DRIVE.mcap")]
    pub(crate) over_reference: Option<PathBuf>,
    /// Maker and model of the healthy ones; by default that of the vehicle of the case.
    #[arg(long, value_name = "TEXT", requires = "over_reference")]
    pub(crate) model: Option<String>,
}

/// When it was done, if not just now; the ledger keeps when it was written as well.
#[derive(Debug, Args)]
pub(crate) struct WhenArgs {
    /// Done before this entry of the ledger: a drive that was made with the parts as they are told now.
    #[arg(long, value_name = "ENTRY", conflicts_with = "minutes_ago")]
    pub(crate) before_entry: Option<u64>,
    /// Done so many minutes ago.
    #[arg(long, value_name = "MINUTES")]
    pub(crate) minutes_ago: Option<f64>,
}

#[derive(Debug, Args)]
pub(crate) struct NewCaseArgs {
    /// The complaint in the customer's words.
    #[arg(long, value_name = "TEXT")]
    pub(crate) complaint: String,
    /// Engine hot, cold, both.
    #[arg(long, value_name = "TEXT")]
    pub(crate) when: Option<String>,
    /// At which speed or load.
    #[arg(long, value_name = "TEXT")]
    pub(crate) speed: Option<String>,
    /// In which weather.
    #[arg(long, value_name = "TEXT")]
    pub(crate) weather: Option<String>,
    /// How often.
    #[arg(long, value_name = "TEXT")]
    pub(crate) often: Option<String>,
    #[command(flatten)]
    pub(crate) vehicle: VehicleArgs,
}

#[derive(Debug, Args)]
pub(crate) struct VehicleArgs {
    /// Vehicle identification number; a survey fills it in where the car reports it.
    #[arg(long, value_name = "VIN")]
    pub(crate) vin: Option<String>,
    /// Number plate.
    #[arg(long, value_name = "TEXT")]
    pub(crate) plate: Option<String>,
    /// Maker, model, year.
    #[arg(long, value_name = "TEXT")]
    pub(crate) model: Option<String>,
    /// Engine.
    #[arg(long, value_name = "TEXT")]
    pub(crate) engine: Option<String>,
    /// Odometer, km.
    #[arg(long, value_name = "KM")]
    pub(crate) mileage: Option<u32>,
}

#[derive(Debug, Args)]
pub(crate) struct SuspectsArgs {
    /// The complaint in the customer's words.
    #[arg(long, value_name = "TEXT")]
    pub(crate) complaint: Option<String>,
    /// A saved survey, for its codes; repeatable.
    #[arg(long, value_name = "FILE.json")]
    pub(crate) survey: Vec<PathBuf>,
    /// A drive to be examined; repeatable.
    #[arg(long, value_name = "DRIVE.mcap")]
    pub(crate) drive: Vec<PathBuf>,
    /// A swap to be judged, as `witness swap judge` reads it.
    #[arg(long, value_name = "EXPERIMENT.json")]
    pub(crate) swap: Option<PathBuf>,
    /// The result of a test that was made by hand, such as `misfire.1/compression-low=no`; repeatable.
    #[arg(long, value_name = "AREA/TEST=yes|no")]
    pub(crate) result: Vec<String>,
    /// A repair that was made, and whether the fault was gone afterwards, such as `misfire.1/coil=no`; repeatable.
    #[arg(long, value_name = "AREA/SUSPECT=yes|no")]
    pub(crate) repaired: Vec<String>,
    /// What an hour of work costs, in the currency of the parts.
    #[arg(long, value_name = "MONEY")]
    pub(crate) money_per_hour: Option<f64>,
    /// Show every step: how each piece of evidence changed the probabilities.
    #[arg(long)]
    pub(crate) steps: bool,
}

#[derive(Debug, Args)]
pub(crate) struct ProofArgs {
    /// A drive that shows the fault, from before the repair; repeatable; by default the drives of the case, divided at its
    /// repairs.
    #[arg(long, value_name = "DRIVE.mcap")]
    pub(crate) before: Vec<PathBuf>,
    /// A drive after the repair; repeatable; without one it says what must be driven.
    #[arg(long, value_name = "DRIVE.mcap", requires = "before")]
    pub(crate) after: Vec<PathBuf>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum ReportLanguage {
    /// English.
    En,
    /// Spanish.
    Es,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum ReportUnits {
    /// km/h, degrees Celsius, kPa, km.
    Metric,
    /// mph, degrees Fahrenheit, psi, miles.
    Us,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum ReportPaper {
    /// 210 by 297 mm.
    A4,
    /// 8.5 by 11 inches.
    Letter,
}

#[derive(Debug, Args)]
pub(crate) struct ReportArgs {
    /// The report; the ending says the form.
    #[arg(long, value_name = "REPORT.html|REPORT.pdf")]
    pub(crate) out: PathBuf,
    /// Replace an existing report.
    #[arg(long)]
    pub(crate) force: bool,
    /// A survey from before the repair.
    #[arg(long, value_name = "FILE.json")]
    pub(crate) survey_before: Option<PathBuf>,
    /// A survey after the repair.
    #[arg(long, value_name = "FILE.json")]
    pub(crate) survey_after: Option<PathBuf>,
    /// A drive from before the repair; repeatable.
    #[arg(long, value_name = "DRIVE.mcap")]
    pub(crate) before: Vec<PathBuf>,
    /// A drive after parts were exchanged, before the repair; repeatable.
    #[arg(long, value_name = "DRIVE.mcap")]
    pub(crate) between: Vec<PathBuf>,
    /// A drive after the repair; repeatable.
    #[arg(long, value_name = "DRIVE.mcap")]
    pub(crate) after: Vec<PathBuf>,
    /// A swap to be judged, as `witness swap judge` reads it.
    #[arg(long, value_name = "EXPERIMENT.json")]
    pub(crate) swap: Option<PathBuf>,
    /// The complaint in the customer's words.
    #[arg(long, value_name = "TEXT")]
    pub(crate) complaint: Option<String>,
    /// When it happens: warm, at which speed, how often; repeatable.
    #[arg(long, value_name = "TEXT")]
    pub(crate) condition: Vec<String>,
    /// What was done; repeatable.
    #[arg(long, value_name = "TEXT")]
    pub(crate) done: Vec<String>,
    /// What remains to be done; repeatable.
    #[arg(long, value_name = "TEXT")]
    pub(crate) remains: Vec<String>,
    /// Number of the case.
    #[arg(long, value_name = "TEXT")]
    pub(crate) number: Option<String>,
    /// Who worked on it.
    #[arg(long, value_name = "NAME")]
    pub(crate) technician: Option<String>,
    /// Maker and model.
    #[arg(long, value_name = "TEXT")]
    pub(crate) vehicle: Option<String>,
    /// Registration.
    #[arg(long, value_name = "TEXT")]
    pub(crate) plate: Option<String>,
    /// Odometer, km.
    #[arg(long, value_name = "KM")]
    pub(crate) mileage_km: Option<u32>,
    /// The shop's name, lines and logo (JSON); by default `shop.json` in the data folder.
    #[arg(long, value_name = "SHOP.json")]
    pub(crate) shop: Option<PathBuf>,
    /// Language of the report's own words.
    #[arg(long, value_enum, default_value_t = ReportLanguage::En)]
    pub(crate) language: ReportLanguage,
    /// Units of values.
    #[arg(long, value_enum, default_value_t = ReportUnits::Metric)]
    pub(crate) units: ReportUnits,
    /// Paper of the print.
    #[arg(long, value_enum, default_value_t = ReportPaper::A4)]
    pub(crate) paper: ReportPaper,
    /// Leave out the picture with this place in the report, from 1; repeatable.
    #[arg(long, value_name = "N")]
    pub(crate) without_picture: Vec<usize>,
}
