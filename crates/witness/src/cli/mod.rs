//! Every command and option of the command line; help texts come from here.

use std::path::PathBuf;

use clap::{Args, Parser, Subcommand};

mod car;
mod case;
mod files;

pub(crate) use car::*;
pub(crate) use case::*;
pub(crate) use files::*;

/// A diagnostic workbench that judges what it records: which part, how sure, and where in the recording.
#[derive(Debug, Parser)]
#[command(name = "witness", version, propagate_version = true)]
pub(crate) struct Cli {
    /// Print exactly one JSON object on standard output; progress goes to standard error.
    #[arg(long, global = true)]
    pub(crate) json: bool,
    #[command(flatten)]
    pub(crate) in_case: InCaseArgs,
    #[command(subcommand)]
    pub(crate) command: Option<Command>,
}

/// Which case, and in whose name.
#[derive(Debug, Args)]
pub(crate) struct InCaseArgs {
    /// Work in this case instead of the open one.
    #[arg(long, global = true, value_name = "N", conflicts_with = "no_case", help_heading = "Case")]
    pub(crate) case: Option<i64>,
    /// Write nothing into the casebook.
    #[arg(long, global = true, help_heading = "Case")]
    pub(crate) no_case: bool,
    /// Who makes the entries; by default the user of this computer.
    #[arg(long, global = true, value_name = "NAME", env = "WITNESS_WHO", help_heading = "Case")]
    pub(crate) who: Option<String>,
    /// The casebook: a file, or the URL of a PostgreSQL server; by default a file in the data folder.
    #[arg(
        long,
        global = true,
        value_name = "FILE|URL",
        env = "WITNESS_CASEBOOK",
        hide_env_values = true,
        help_heading = "Case"
    )]
    pub(crate) casebook: Option<String>,
}

#[derive(Debug, Subcommand)]
pub(crate) enum Command {
    /// Start the workbench in the browser; without any command this is what happens.
    Serve(ServeArgs),
    /// List adapters that are plugged in or reachable, what each can do, how quick it is, and what to try.
    Adapters(AdaptersArgs),
    /// Read identity, modules, codes, freeze frames, readiness and monitor results; save all of it; change nothing.
    Survey(SurveyArgs),
    /// Record a drive with live numbers; space bar sets a mark, q ends it.
    #[command(args_conflicts_with_subcommands = true)]
    Drive(DriveArgs),
    /// Show the rate that each signal would get, and the odds of catching a short event.
    Plan(PlanArgs),
    /// Drive an output or run a routine, with the signals that respond recorded beside it; without a name, list them.
    ///
    /// Ends with 4 when the module refuses or a condition does not hold, with 3 when the module falls silent, with 5 when it
    /// starts anew on the way, or the adapter or some of the recording is lost, and with 1 when nobody knows whether the module
    /// has control back.
    #[command(name = "command")]
    Act(CommandArgs),
    /// Clear trouble codes, after a full survey is saved; reads again afterwards.
    Clear(ClearArgs),
    /// Make a drive from a table (CSV), Parquet, MDF 4, or a log of raw CAN frames.
    Import(ImportArgs),
    /// Write a drive as a table (CSV), as Parquet or as ASAM MDF 4.
    Export(ExportArgs),
    /// Examine a drive: what is faulty, how sure, where in the recording, what else could explain it.
    Examine(ExamineArgs),
    /// What checks look at: a signal over speed and load, two tracks over their travel, what repeats with the wheels.
    Picture(PictureArgs),
    /// Keep book of swapped parts, and judge: does the misfire follow a part, or stay with the cylinder?
    Swap(SwapArgs),
    /// Cases: a vehicle's visit with its complaint, and everything that was done.
    Case(CaseArgs),
    /// Weigh the suspects: which part or connection, what speaks for and against each, and what to test next.
    Suspects(SuspectsArgs),
    /// Prove a repair: whether the faults of the drives before it are gone, or what must still be driven.
    Proof(ProofArgs),
    /// Make a report to hand over: one page for the customer, and the technical part behind it.
    Report(Box<ReportArgs>),
    /// Keep lists of signals under a name.
    Watchlist(WatchlistArgs),
    /// List the signals that can be asked for by name.
    Signals(SignalsArgs),
    /// Files that describe a maker's modules or the messages of a CAN bus.
    Definitions(DefinitionsArgs),
    /// Serve the invented car for anyone to connect to.
    Standin(StandinArgs),
    /// The whole pass on the invented car: survey, drive, findings, in under a minute.
    Demo(DemoArgs),
    /// Print what a shell runs so that it completes the commands and options of this program.
    Completions(CompletionsArgs),
    /// Write the manual pages of all commands, for those who make packages.
    #[command(hide = true)]
    Manual(ManualArgs),
}

impl Command {
    /// `witness serve` without a word behind it: `adapter` is what the environment names, as it reads it too.
    fn serve(adapter: Option<String>) -> Self {
        let server::Options { listen, pace, .. } = server::Options::default();
        Self::Serve(ServeArgs { listen, adapter: adapter.into_iter().collect(), no_open: false, pace })
    }
}

impl Default for Command {
    fn default() -> Self {
        Self::serve(std::env::var(ADAPTER_VARIABLE).ok())
    }
}

/// What names the adapter where no option does.
const ADAPTER_VARIABLE: &str = "WITNESS_ADAPTER";

#[derive(Debug, Args)]
pub(crate) struct CompletionsArgs {
    /// The shell.
    pub(crate) shell: clap_complete::Shell,
}

#[derive(Debug, Args)]
pub(crate) struct ManualArgs {
    /// Where the pages go; made if it is not there.
    pub(crate) folder: PathBuf,
}

#[derive(Debug, Args)]
pub(crate) struct ServeArgs {
    /// Where to listen; anything but loopback lets others on the network in, by pairing code.
    #[arg(long, value_name = "ADDRESS:PORT", default_value_t = server::Options::default().listen)]
    pub(crate) listen: std::net::SocketAddr,
    /// An adapter to offer on the first page; repeatable.
    #[arg(long, value_name = "ADDRESS", env = ADAPTER_VARIABLE)]
    pub(crate) adapter: Vec<String>,
    /// Do not open the page in the browser.
    #[arg(long)]
    pub(crate) no_open: bool,
    /// How many times as fast as a real car the invented one lives, to see a long drive in a short time.
    #[arg(long, value_name = "TIMES", default_value_t = 1.0, value_parser = pace)]
    pub(crate) pace: f64,
}

fn pace(text: &str) -> Result<f64, String> {
    let times = text.parse::<f64>().map_err(|error| error.to_string())?;
    if (0.1..=1000.0).contains(&times) { Ok(times) } else { Err("from 0.1 to 1000".to_owned()) }
}

/// How to reach the car.
#[derive(Debug, Args)]
pub(crate) struct AdapterArgs {
    /// The adapter: at+serial:PATH?baud=N, at+tcp://HOST:PORT, slcan+serial:PATH?baud=N, slcan+tcp://HOST:PORT,
    /// socketcan:IFACE, doip://HOST:PORT, doip+tls://HOST:PORT?ca=FILE, passthru:LIBRARY or
    /// standin:NAME.
    #[arg(long, value_name = "ADDRESS", env = ADAPTER_VARIABLE)]
    pub(crate) adapter: String,
    /// A file that describes a maker's modules (TOML, or ODX as FILE or FILE#VARIANT) or CAN messages (DBC); repeatable.
    #[arg(long, value_name = "FILE")]
    pub(crate) definitions: Vec<PathBuf>,
}

/// Which signals.
#[derive(Debug, Args)]
#[group(multiple = true)]
pub(crate) struct SignalChoice {
    /// Signals by name, separated by commas.
    #[arg(long, value_delimiter = ',', value_name = "ID,ID,...")]
    pub(crate) signals: Vec<String>,
    /// A saved watchlist; see `witness watchlist`.
    #[arg(long, value_name = "NAME")]
    pub(crate) watchlist: Option<String>,
}

/// How often each of the chosen signals is wanted.
#[derive(Debug, Args)]
pub(crate) struct PaceArgs {
    /// Give a signal this share of the link against the others, which have 1.
    #[arg(long, value_name = "ID=X")]
    pub(crate) weight: Vec<String>,
    /// Ask for a signal at least so many times a second, where the link can; goes before all shares.
    #[arg(long, value_name = "ID=PER_SECOND")]
    pub(crate) at_least: Vec<String>,
    /// Ask for a signal once in so many seconds; 0: as fast as possible, also where it usually changes slowly.
    #[arg(long, value_name = "ID=SECONDS")]
    pub(crate) every: Vec<String>,
    /// Open an extended diagnostic session in modules that send values by themselves only there. Some behave otherwise in
    /// such a session: not on the road, unless the maker allows it.
    #[arg(long)]
    pub(crate) extended_session: bool,
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test fails by panicking")]

    use super::*;

    #[test]
    fn without_a_command_it_serves_as_the_command_does() {
        let named = Cli::try_parse_from(["witness", "serve", "--adapter", "standin:fell"]).unwrap();
        let plain = Command::serve(Some("standin:fell".to_owned()));
        assert_eq!(format!("{:?}", named.command.unwrap()), format!("{plain:?}"));
    }
}
