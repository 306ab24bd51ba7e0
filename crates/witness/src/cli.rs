//! Every command and option of the command line; help texts come from here.

use std::path::PathBuf;

use clap::{Args, Parser, Subcommand, ValueEnum};

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
}

impl Default for Command {
    fn default() -> Self {
        let server::Options { listen, adapters, pace } = server::Options::default();
        Self::Serve(ServeArgs { listen, adapter: adapters, no_open: false, pace })
    }
}

#[derive(Debug, Args)]
pub(crate) struct ServeArgs {
    /// Where to listen; anything but loopback lets others on the network in, by pairing code.
    #[arg(long, value_name = "ADDRESS:PORT", default_value_t = server::Options::default().listen)]
    pub(crate) listen: std::net::SocketAddr,
    /// An adapter to offer on the first page; repeatable.
    #[arg(long, value_name = "ADDRESS", env = "WITNESS_ADAPTER")]
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
    #[arg(long, value_name = "ADDRESS", env = "WITNESS_ADAPTER")]
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
    /// The drive file; by default a new file in the data folder.
    #[arg(long, value_name = "DRIVE.mcap")]
    pub(crate) out: Option<PathBuf>,
    /// Replace an existing drive.
    #[arg(long)]
    pub(crate) force: bool,
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
    /// I have read what will be lost.
    #[arg(long)]
    pub(crate) i_have_read: bool,
    /// Where to save the survey before; by default a new file in the data folder.
    #[arg(long, value_name = "FILE")]
    pub(crate) survey: Option<PathBuf>,
}

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
        /// Part number, maker, where it came from.
        #[arg(long, value_name = "TEXT", default_value = "")]
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
