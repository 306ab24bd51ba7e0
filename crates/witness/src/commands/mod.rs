//! One file per command.

mod demo;
mod drive;
mod examine;
mod export;
mod import;
mod plan;
mod signals;
mod standin;
mod survey;
mod swap;
mod watchlist;

use std::path::Path;

use crate::cli::{Cli, Command, DriveCommand, DriveOptions};
use crate::failure::{Exit, Failure};

/// Runs the command that was asked for.
pub(crate) fn run(cli: Cli) -> Result<Exit, Failure> {
    let json = cli.json;
    match cli.command {
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
        Command::Import(args) => import::run(&args, json),
        Command::Export(args) => export::run(&args, json),
        Command::Examine(args) => examine::run(&args, json),
        Command::Swap(args) => swap::run(&args, json),
        Command::Watchlist(args) => watchlist::run(&args.command, json),
        Command::Signals(args) => signals::run(&args, json),
        Command::Standin(args) => standin::run(&args, json),
        Command::Demo(args) => demo::run(&args, json),
    }
}

/// Opens a drive for reading.
pub(crate) fn open_drive(path: &Path) -> Result<::drive::Opened, Failure> {
    ::drive::read(path).map_err(Failure::from)
}

/// What is missing of a drive that was read, one line each.
pub(crate) fn drive_problems(opened: &::drive::Opened) -> Vec<String> {
    let mut lines: Vec<String> = opened.problems.iter().map(ToString::to_string).collect();
    if !opened.is_finished && lines.is_empty() {
        lines.push("the recording was cut short; everything that was saved is there".to_owned());
    }
    lines
}
