//! `witness watchlist`: signals chosen together, kept under a name.

use crate::cli::WatchlistCommand;
use crate::failure::{Exit, Failure};
use crate::output::{print_json, print_text};

pub(crate) fn run(command: &WatchlistCommand, json: bool) -> Result<Exit, Failure> {
    let workshop = super::workshop()?;
    match command {
        WatchlistCommand::Save { name, signals } => workshop.save_watchlist(name, signals)?,
        WatchlistCommand::Remove { name } => workshop.remove_watchlist(name)?,
        WatchlistCommand::List => {}
    }
    let watchlists = workshop.watchlists()?;
    if json {
        print_json(&wire::Watchlists { watchlists })?;
    } else {
        let lines: String =
            watchlists.iter().map(|list| format!("{:20} {}\n", list.name, list.signals.join(","))).collect();
        print_text(if lines.is_empty() { "no watchlists yet\n" } else { &lines });
    }
    Ok(Exit::Done)
}
