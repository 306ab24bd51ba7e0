//! One file per command.

mod adapters;
mod case;
mod clear;
mod command;
mod compare;
mod completions;
mod definitions;
mod demo;
mod drive;
mod examine;
mod export;
mod import;
mod manual;
mod picture;
mod plan;
mod proof;
mod report;
mod serve;
mod signals;
mod standin;
mod survey;
mod suspects;
mod swap;
mod watchlist;

use std::sync::{Arc, OnceLock};

use ::workshop::{Car, CaseChoice, Places, SignalWish, Workshop};

use crate::cli::{AdapterArgs, Cli, Command, DriveCommand, DriveOptions, InCaseArgs, PaceArgs, SignalChoice};
use crate::failure::{Exit, Failure};
use crate::output::{Aloud, progress};
use crate::stop::{AtOnce, on_signals};

/// Runs the command that was asked for.
pub(crate) fn run(cli: Cli) -> Result<Exit, Failure> {
    let json = cli.json;
    // Set once, here; what the process was called with does not change.
    let _ = IN_CASE.set(cli.in_case);
    match cli.command.unwrap_or_default() {
        Command::Serve(args) => serve::run(&args, json),
        Command::Adapters(args) => adapters::run(&args, json),
        Command::Survey(args) => survey::run(&args, json),
        Command::Drive(args) => match (args.command, args.adapter, args.choice) {
            (Some(DriveCommand::Record(options)), _, _) => drive::record(&options, json),
            (Some(DriveCommand::Repair(args)), _, _) => drive::repair(&args, json),
            (None, Some(adapter), Some(choice)) => {
                drive::live(&DriveOptions { adapter, choice, pace: args.pace, recording: args.recording }, json)
            }
            (None, ..) => Err(Failure::input("nothing to record: name an adapter and signals")
                .hint("`witness drive --adapter ADDRESS --signals ID,ID,...`")),
        },
        Command::Plan(args) => plan::run(&args, json),
        Command::Act(args) => command::run(&args, json),
        Command::Clear(args) => clear::run(&args, json),
        Command::Import(args) => import::run(&args, json),
        Command::Export(args) => export::run(&args, json),
        Command::Examine(args) => examine::run(&args, json),
        Command::Picture(args) => picture::run(&args, json),
        Command::Swap(args) => swap::run(&args, json),
        Command::Case(args) => case::run(args.command, json),
        Command::Suspects(args) => suspects::run(&args, json),
        Command::Proof(args) => proof::run(&args, json),
        Command::Report(args) => report::run(&args, json),
        Command::Watchlist(args) => watchlist::run(&args.command, json),
        Command::Signals(args) => signals::run(&args, json),
        Command::Definitions(args) => definitions::run(&args.command, json),
        Command::Standin(args) => standin::run(&args, json),
        Command::Demo(args) => demo::run(&args, json),
        Command::Completions(args) => completions::run(&args, json),
        Command::Manual(args) => manual::run(&args, json),
    }
}

/// Which case, and in whose name: as the process was called.
static IN_CASE: OnceLock<InCaseArgs> = OnceLock::new();

/// The workshop at the usual place, in the name of this program, in the case that was asked for.
pub(crate) fn workshop() -> Result<Workshop, Failure> {
    let workshop = Workshop::new(Places::usual()?, crate::SOFTWARE);
    let Some(args) = IN_CASE.get() else { return Ok(workshop) };
    let choice = match (args.case, args.no_case) {
        (Some(number), _) => CaseChoice::Number(number),
        (None, true) => CaseChoice::None,
        (None, false) => CaseChoice::Open,
    };
    let workshop = workshop.in_case(choice);
    let workshop = args.who.iter().fold(workshop, |workshop, who| workshop.by(who));
    Ok(args.casebook.iter().fold(workshop, |workshop, address| workshop.with_casebook(address)))
}

/// Whether nothing is to be written into a case.
pub(crate) fn is_without_case() -> bool {
    IN_CASE.get().is_some_and(|args| args.no_case)
}

/// Tells which case something was written into.
pub(crate) fn tell_case(case: Option<&wire::CaseRef>) {
    match case {
        Some(case) if case.is_new => progress(&format!("{}; `witness case show`", ::workshop::opened_in_words(case))),
        Some(case) => progress(&format!("case {}, entry {}", case.number, case.entry)),
        None => {}
    }
}

/// Connects to the car behind the adapter, telling progress.
pub(crate) fn connect(workshop: &Workshop, args: &AdapterArgs) -> Result<Car, Failure> {
    Ok(workshop.connect(&args.adapter, &args.definitions, &mut Aloud)?)
}

/// Has what asks the program to end stop surveys and clearing between two of their steps; while what is given back lives,
/// asking once more ends it at once.
pub(crate) fn stop_between_steps(car: &mut Car) -> Result<AtOnce, Failure> {
    let stop = Arc::default();
    let at_once = AtOnce::when_repeated(&stop)?;
    on_signals(&stop)?;
    car.vehicle.stop_on(&stop);
    Ok(at_once)
}

/// The signals that a command was given.
pub(crate) fn chosen(workshop: &Workshop, choice: &SignalChoice) -> Result<Vec<signal::SignalId>, Failure> {
    Ok(workshop.chosen_signals(&choice.signals, choice.watchlist.as_deref())?)
}

/// The chosen signals with the wishes how often each comes.
pub(crate) fn paced(signals: Vec<signal::SignalId>, pace: &PaceArgs) -> Result<Vec<SignalWish>, Failure> {
    let mut wishes: Vec<SignalWish> = signals.into_iter().map(SignalWish::from).collect();
    type Set = fn(&mut SignalWish, f64);
    let options: [(&str, &[String], std::ops::RangeInclusive<f64>, Set); 3] = [
        ("--weight", &pace.weight, 0.01..=100.0, |wish, weight| wish.weight = weight),
        ("--at-least", &pace.at_least, 0.01..=1000.0, |wish, per_second| wish.latest_s = Some(1.0 / per_second)),
        ("--every", &pace.every, 0.0..=3600.0, |wish, seconds| wish.period_s = Some(seconds)),
    ];
    for (option, texts, range, set) in options {
        for text in texts {
            let parsed = text.rsplit_once('=').and_then(|(id, number)| Some((id, number.parse::<f64>().ok()?)));
            let Some((id, number)) = parsed.filter(|(_, number)| range.contains(number)) else {
                let (low, high) = (range.start(), range.end());
                return Err(Failure::input(format!("{option} takes ID=NUMBER with {low} to {high}, not `{text}`")));
            };
            let wish = wishes.iter_mut().find(|wish| wish.id.as_str() == id);
            set(wish.ok_or_else(|| Failure::input(format!("{option}: `{id}` is not among the signals")))?, number);
        }
    }
    Ok(wishes)
}

/// Whether somebody has read what was just shown: said by a flag, or typed at the terminal.
pub(crate) fn is_read(flag: bool, word: &str) -> bool {
    use std::io::{BufRead, IsTerminal};
    if flag {
        return true;
    }
    if !std::io::stdin().is_terminal() {
        return false;
    }
    crate::output::progress(&format!("type `{word}` to go on, anything else to leave it"));
    let mut line = String::new();
    std::io::stdin().lock().read_line(&mut line).is_ok() && line.trim() == word
}
