//! What is asked of a connected car: adapters, survey, plan, drive, command, clear.

use std::path::PathBuf;

use clap::{Args, Subcommand};

use super::{AdapterArgs, PaceArgs, SignalChoice};

#[derive(Debug, Args)]
pub(crate) struct AdaptersArgs {
    /// Only this one, also of a kind that is not found by itself.
    #[arg(long, value_name = "ADDRESS")]
    pub(crate) adapter: Option<String>,
    /// Only list them: open nothing and ask nothing.
    #[arg(long)]
    pub(crate) no_ask: bool,
}

#[derive(Debug, Args)]
pub(crate) struct SurveyArgs {
    #[command(flatten)]
    pub(crate) adapter: AdapterArgs,
    /// Where to save it; by default a new file in the data folder, named after time and vehicle.
    #[arg(long, value_name = "FILE")]
    pub(crate) out: Option<PathBuf>,
    /// Only the modules of the emissions diagnostics: some seconds, instead of asking every usual address of the network.
    #[arg(long)]
    pub(crate) emissions_only: bool,
}

#[derive(Debug, Args)]
pub(crate) struct DriveArgs {
    #[command(subcommand)]
    pub(crate) command: Option<DriveCommand>,
    #[command(flatten)]
    pub(crate) adapter: Option<AdapterArgs>,
    #[command(flatten)]
    pub(crate) choice: Option<SignalChoice>,
    #[command(flatten)]
    pub(crate) pace: PaceArgs,
    #[command(flatten)]
    pub(crate) recording: RecordingArgs,
}

#[derive(Debug, Subcommand)]
pub(crate) enum DriveCommand {
    /// Record without a terminal.
    Record(DriveOptions),
    /// Write a good copy of a drive that was cut short or damaged; the original stays as it is.
    Repair(RepairArgs),
}

#[derive(Debug, Args)]
pub(crate) struct DriveOptions {
    #[command(flatten)]
    pub(crate) adapter: AdapterArgs,
    #[command(flatten)]
    pub(crate) choice: SignalChoice,
    #[command(flatten)]
    pub(crate) pace: PaceArgs,
    #[command(flatten)]
    pub(crate) recording: RecordingArgs,
}

#[derive(Debug, Args)]
pub(crate) struct RecordingArgs {
    /// How long to record, in seconds of car time; without it until it is stopped.
    #[arg(long, value_name = "N")]
    pub(crate) seconds: Option<f64>,
    #[command(flatten)]
    pub(crate) file: DriveFileArgs,
}

#[derive(Debug, Args)]
pub(crate) struct DriveFileArgs {
    /// The drive file; by default a new file in the data folder.
    #[arg(long, value_name = "DRIVE.mcap")]
    pub(crate) out: Option<PathBuf>,
    /// Replace an existing drive.
    #[arg(long)]
    pub(crate) force: bool,
}

#[derive(Debug, Args)]
pub(crate) struct RepairArgs {
    /// The damaged drive; the copy is named NAME.repaired.mcap.
    #[arg(value_name = "DRIVE.mcap")]
    pub(crate) drive: PathBuf,
}

#[derive(Debug, Args)]
pub(crate) struct PlanArgs {
    #[command(flatten)]
    pub(crate) adapter: AdapterArgs,
    #[command(flatten)]
    pub(crate) choice: SignalChoice,
    #[command(flatten)]
    pub(crate) pace: PaceArgs,
    /// Length of the event to be caught, in milliseconds.
    #[arg(long, value_name = "MS", default_value_t = 100.0)]
    pub(crate) event_ms: f64,
}

#[derive(Debug, Args)]
pub(crate) struct CommandArgs {
    #[command(flatten)]
    pub(crate) adapter: AdapterArgs,
    /// The output to drive.
    #[arg(long, value_name = "ID", conflicts_with = "routine")]
    pub(crate) output: Option<String>,
    /// The routine to run.
    #[arg(long, value_name = "ID")]
    pub(crate) routine: Option<String>,
    /// Drive it on: a switch to 1, anything else to its greatest level.
    #[arg(long, requires = "output", conflicts_with = "level")]
    pub(crate) on: bool,
    /// Drive it to this level.
    #[arg(long, value_name = "X", requires = "output", allow_negative_numbers = true)]
    pub(crate) level: Option<f64>,
    /// Drive it on and off in turn: seconds on, seconds off, how often. The lengths differ by up to 40 %, as the examination
    /// of a response needs it.
    #[arg(long, value_name = "ON:OFF:N", requires = "output", value_parser = pulse)]
    pub(crate) pulse: Option<Pulse>,
    /// All pulses equally long.
    #[arg(long, requires = "pulse")]
    pub(crate) even: bool,
    /// A parameter of the routine; repeatable.
    #[arg(long, value_name = "NAME=VALUE", requires = "routine", value_parser = parameter)]
    pub(crate) set: Vec<(String, f64)>,
    /// How long it is held, or may run; without it, at a terminal, as long as the space bar is held.
    #[arg(long, value_name = "SECONDS", conflicts_with = "pulse")]
    pub(crate) hold: Option<f64>,
    /// I have read the cautions.
    #[arg(long)]
    pub(crate) i_have_read: bool,
    #[command(flatten)]
    pub(crate) choice: SignalChoice,
    #[command(flatten)]
    pub(crate) file: DriveFileArgs,
}

/// A pulse train.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Pulse {
    pub(crate) on_s: f64,
    pub(crate) off_s: f64,
    pub(crate) count: u32,
}

fn pulse(text: &str) -> Result<Pulse, String> {
    let parts: Vec<&str> = text.split(':').collect();
    let read = |[on, off, count]: [&str; 3]| {
        Some(Pulse { on_s: on.parse().ok()?, off_s: off.parse().ok()?, count: count.parse().ok()? })
    };
    let pulse = <[&str; 3]>::try_from(parts).ok().and_then(read);
    pulse.ok_or_else(|| "write seconds on, seconds off and how often, such as 12:12:5".to_owned())
}

fn parameter(text: &str) -> Result<(String, f64), String> {
    let pair =
        text.split_once('=').and_then(|(name, value)| Some((name.trim().to_owned(), value.trim().parse().ok()?)));
    pair.ok_or_else(|| "write NAME=VALUE, with a number".to_owned())
}

#[derive(Debug, Args)]
pub(crate) struct ClearArgs {
    #[command(flatten)]
    pub(crate) adapter: AdapterArgs,
    /// Every module that answers.
    #[arg(long, required_unless_present = "module", conflicts_with = "module")]
    pub(crate) all: bool,
    /// Only this module, by its address as a survey shows it; repeatable.
    #[arg(long, value_name = "ADDRESS")]
    pub(crate) module: Vec<String>,
    /// Clear although the engine runs, or although it cannot be read whether it does.
    #[arg(long)]
    pub(crate) engine_running: bool,
    /// The speed cannot be read from this car, and I see that it stands still.
    #[arg(long)]
    pub(crate) standing: bool,
    /// Clear also what could not be read whole and may have codes that are not in the survey.
    #[arg(long)]
    pub(crate) codes_unread: bool,
    /// I have read what will be lost.
    #[arg(long)]
    pub(crate) i_have_read: bool,
    /// Where to save the survey before; by default a new file in the data folder.
    #[arg(long, value_name = "FILE")]
    pub(crate) survey: Option<PathBuf>,
}
