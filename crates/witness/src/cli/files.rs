//! What is asked of recordings and other files: import, export, examine, pictures, definitions; and of this program itself.

use std::path::PathBuf;

use clap::{Args, Subcommand, ValueEnum};

use super::WhenArgs;

#[derive(Debug, Args)]
pub(crate) struct ImportArgs {
    /// A table (first column time_s, other headers `SIGNAL [UNIT]`; or `time_s,signal,value` and perhaps `unit`), a log of
    /// CAN frames (`(SECONDS) INTERFACE ID#DATA`), or a drive that holds raw CAN frames.
    #[arg(value_name = "FILE")]
    pub(crate) file: PathBuf,
    /// The drive to be made.
    #[arg(long, value_name = "DRIVE.mcap")]
    pub(crate) out: PathBuf,
    /// What a foreign column or name means; repeatable.
    #[arg(long, value_name = "COLUMN=SIGNAL [UNIT]")]
    pub(crate) map: Vec<String>,
    /// What is in CAN frames: a DBC file, or a file of our own with messages; repeatable.
    #[arg(long, value_name = "FILE")]
    pub(crate) definitions: Vec<PathBuf>,
    /// The only CAN interface of the log to be read.
    #[arg(long, value_name = "NAME")]
    pub(crate) bus: Option<String>,
    /// Replace an existing drive.
    #[arg(long)]
    pub(crate) force: bool,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum Shape {
    /// One row per time, one column per signal.
    Wide,
    /// One row per sample.
    Long,
}

#[derive(Debug, Args)]
pub(crate) struct ExportArgs {
    /// The drive.
    #[arg(value_name = "DRIVE.mcap")]
    pub(crate) drive: PathBuf,
    /// The file to be written; the ending says the format.
    #[arg(long, value_name = "FILE.{csv,parquet,mf4}")]
    pub(crate) out: PathBuf,
    /// One row per time or one row per sample, in a CSV.
    #[arg(long, value_enum, default_value_t = Shape::Wide)]
    pub(crate) shape: Shape,
    /// Replace an existing file.
    #[arg(long)]
    pub(crate) force: bool,
}

#[derive(Debug, Args)]
pub(crate) struct ExamineArgs {
    /// The drive.
    #[arg(value_name = "DRIVE.mcap")]
    pub(crate) drive: PathBuf,
    /// Show healthy findings in full too.
    #[arg(long)]
    pub(crate) all: bool,
    #[command(flatten)]
    pub(crate) when: WhenArgs,
}

#[derive(Debug, Args)]
pub(crate) struct PictureArgs {
    /// The drive.
    #[arg(value_name = "DRIVE.mcap")]
    pub(crate) drive: PathBuf,
    /// A signal over engine speed and load; counters of misfires become rates.
    #[arg(long, value_name = "SIGNAL")]
    pub(crate) map: Option<String>,
    /// How far two tracks of one sensor disagree, over their travel.
    #[arg(long, value_name = "FIRST,SECOND", value_delimiter = ',')]
    pub(crate) pair: Option<Vec<String>>,
    /// What repeats in the speed of each wheel, per metre rolled.
    #[arg(long)]
    pub(crate) wheels: bool,
}

#[derive(Debug, Args)]
pub(crate) struct WatchlistArgs {
    #[command(subcommand)]
    pub(crate) command: WatchlistCommand,
}

#[derive(Debug, Subcommand)]
pub(crate) enum WatchlistCommand {
    /// Save signals under a name.
    Save {
        /// Name of the list.
        name: String,
        /// Signals by name, separated by commas.
        #[arg(long, value_delimiter = ',', value_name = "ID,ID,...", required = true)]
        signals: Vec<String>,
    },
    /// Show all lists.
    List,
    /// Forget a list.
    Remove {
        /// Name of the list.
        name: String,
    },
}

#[derive(Debug, Args)]
pub(crate) struct SignalsArgs {
    /// Only names or titles that contain this text.
    #[arg(value_name = "TEXT")]
    pub(crate) search: Option<String>,
    /// A file that describes a maker's modules (TOML, or ODX as FILE or FILE#VARIANT) or CAN messages (DBC); repeatable.
    #[arg(long, value_name = "FILE")]
    pub(crate) definitions: Vec<PathBuf>,
}

#[derive(Debug, Args)]
pub(crate) struct DefinitionsArgs {
    #[command(subcommand)]
    pub(crate) command: DefinitionsCommand,
}

#[derive(Debug, Subcommand)]
pub(crate) enum DefinitionsCommand {
    /// Explain what a file offers, and name every mistake by its line.
    Check {
        /// A maker's file (TOML), a DBC file, or a diagnostic description (ODX, PDX).
        #[arg(value_name = "FILE")]
        file: PathBuf,
        /// The variant of a diagnostic description to be looked at, by its short name.
        #[arg(long, value_name = "NAME")]
        layer: Option<String>,
        /// List everything.
        #[arg(long)]
        all: bool,
    },
}

#[derive(Debug, Args)]
pub(crate) struct StandinArgs {
    /// The car and its faults, as behind `standin:`; `witness standin --help-cars` explains them.
    #[arg(value_name = "NAME", default_value = "fell")]
    pub(crate) name: String,
    /// Listen on this TCP address.
    #[arg(long, value_name = "HOST:PORT", conflicts_with = "pty")]
    pub(crate) tcp: Option<String>,
    /// Offer a serial device (pty); its path is printed.
    #[arg(long)]
    pub(crate) pty: bool,
    /// The adapter that it wears: at, slcan or doip; otherwise as NAME says.
    #[arg(long)]
    pub(crate) face: Option<String>,
    /// How fast its clock runs; 1 is real time.
    #[arg(long, value_name = "FACTOR", default_value_t = 1.0)]
    pub(crate) speed: f64,
    /// Explain names, faults and settings, and end.
    #[arg(long)]
    pub(crate) help_cars: bool,
    /// Print the car's file of definitions, to give with --definitions or to copy from, and end.
    #[arg(long)]
    pub(crate) show_definitions: bool,
}

#[derive(Debug, Args)]
pub(crate) struct DemoArgs {
    /// Where to leave the files; by default `demo` in the current folder.
    #[arg(long, value_name = "FOLDER", default_value = "demo")]
    pub(crate) out: PathBuf,
    /// Afterwards, serve the workbench with the demo's cases and open it in the browser, until it is interrupted.
    #[arg(long)]
    pub(crate) open: bool,
}
