//! One file per command.

mod adapters;
mod clear;
mod command;
mod demo;
mod drive;
mod examine;
mod export;
mod import;
mod plan;
mod proof;
mod serve;
mod signals;
mod standin;
mod survey;
mod suspects;
mod swap;
mod watchlist;

use ::workshop::{Car, Places, Workshop};

use crate::cli::{AdapterArgs, Cli, Command, DriveCommand, DriveOptions, SignalChoice};
use crate::failure::{Exit, Failure};
use crate::output::Aloud;

/// Runs the command that was asked for.
pub(crate) fn run(cli: Cli) -> Result<Exit, Failure> {
    let json = cli.json;
    match cli.command.unwrap_or_default() {
        Command::Serve(args) => serve::run(&args, json),
        Command::Adapters(args) => adapters::run(&args, json),
        Command::Survey(args) => survey::run(&args, json),
        Command::Drive(args) => match (args.command, args.adapter, args.choice) {
            (Some(DriveCommand::Record(options)), _, _) => drive::record(&options, json),
            (Some(DriveCommand::Repair(args)), _, _) => drive::repair(&args, json),
            (None, Some(adapter), Some(choice)) => {
                drive::live(&DriveOptions { adapter, choice, recording: args.recording }, json)
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
        Command::Swap(args) => swap::run(&args, json),
        Command::Suspects(args) => suspects::run(&args, json),
        Command::Proof(args) => proof::run(&args, json),
        Command::Watchlist(args) => watchlist::run(&args.command, json),
        Command::Signals(args) => signals::run(&args, json),
        Command::Standin(args) => standin::run(&args, json),
        Command::Demo(args) => demo::run(&args, json),
    }
}

/// The workshop at the usual place, in the name of this program.
pub(crate) fn workshop() -> Result<Workshop, Failure> {
    Ok(Workshop::new(Places::usual()?, crate::SOFTWARE))
}

/// Connects to the car behind the adapter, telling progress.
pub(crate) fn connect(workshop: &Workshop, args: &AdapterArgs) -> Result<Car, Failure> {
    Ok(workshop.connect(&args.adapter, &args.definitions, &mut Aloud)?)
}

/// The signals that a command was given.
pub(crate) fn chosen(workshop: &Workshop, choice: &SignalChoice) -> Result<Vec<signal::SignalId>, Failure> {
    Ok(workshop.chosen_signals(&choice.signals, choice.watchlist.as_deref())?)
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
