//! `witness watchlist`: signals chosen together, kept under a name. One text file per list, one signal per line.

use std::path::PathBuf;

use signal::SignalId;

use crate::cli::{SignalChoice, WatchlistCommand};
use crate::failure::{Exit, Failure, cannot_read, cannot_write};
use crate::output::{print_json, print_text};
use crate::places::data_folder;

pub(crate) fn run(command: &WatchlistCommand, json: bool) -> Result<Exit, Failure> {
    match command {
        WatchlistCommand::Save { name, signals } => {
            let ids = parse_ids(signals)?;
            let path = file_of(name)?;
            let text: String = ids.iter().map(|id| format!("{id}\n")).collect();
            std::fs::write(&path, text).map_err(|source| cannot_write(&path, &source))?;
        }
        WatchlistCommand::Remove { name } => {
            let path = file_of(name)?;
            std::fs::remove_file(&path).map_err(|source| match source.kind() {
                std::io::ErrorKind::NotFound => no_such(name),
                _ => cannot_write(&path, &source),
            })?;
        }
        WatchlistCommand::List => {}
    }
    let watchlists = all()?;
    if json {
        print_json(&wire::Watchlists { watchlists })?;
    } else {
        let lines: String =
            watchlists.iter().map(|list| format!("{:20} {}\n", list.name, list.signals.join(","))).collect();
        print_text(if lines.is_empty() { "no watchlists yet\n" } else { &lines });
    }
    Ok(Exit::Done)
}

/// The signals that a command was given, by name or by watchlist, each once, in their order.
pub(crate) fn chosen(choice: &SignalChoice) -> Result<Vec<SignalId>, Failure> {
    let mut ids = parse_ids(&choice.signals)?;
    if let Some(name) = &choice.watchlist {
        let path = file_of(name)?;
        let text = std::fs::read_to_string(&path).map_err(|source| match source.kind() {
            std::io::ErrorKind::NotFound => no_such(name),
            _ => cannot_read(&path, &source),
        })?;
        ids.extend(parse_ids(&text.lines().map(str::to_owned).collect::<Vec<_>>())?);
    }
    let mut seen = std::collections::BTreeSet::new();
    ids.retain(|id| seen.insert(id.clone()));
    if ids.is_empty() {
        Err(Failure::input("no signal was named")
            .hint("give --signals ID,ID,... or --watchlist NAME; `witness signals` lists the names"))
    } else {
        Ok(ids)
    }
}

fn parse_ids(names: &[String]) -> Result<Vec<SignalId>, Failure> {
    names
        .iter()
        .map(|name| name.trim())
        .filter(|name| !name.is_empty())
        .map(|name| {
            SignalId::new(name)
                .map_err(|error| Failure::input(error).hint("`witness signals TEXT` lists the names that contain TEXT"))
        })
        .collect()
}

fn no_such(name: &str) -> Failure {
    Failure::input(format!("there is no watchlist `{name}`")).hint("`witness watchlist list` shows them")
}

fn file_of(name: &str) -> Result<PathBuf, Failure> {
    let fits = |c: char| c.is_ascii_alphanumeric() || c == '-' || c == '_';
    if name.is_empty() || name.len() > 60 || !name.chars().all(fits) {
        return Err(Failure::input(format!(
            "a watchlist's name is made of up to 60 letters, digits, `-` and `_`: `{}`",
            name.escape_debug()
        )));
    }
    Ok(folder()?.join(format!("{name}.txt")))
}

fn folder() -> Result<PathBuf, Failure> {
    let folder = data_folder()?.join("watchlists");
    std::fs::create_dir_all(&folder).map_err(|source| cannot_write(&folder, &source))?;
    Ok(folder)
}

fn all() -> Result<Vec<wire::Watchlist>, Failure> {
    let folder = folder()?;
    let entries = std::fs::read_dir(&folder).map_err(|source| cannot_read(&folder, &source))?;
    let mut lists = Vec::new();
    for path in entries.filter_map(|entry| Some(entry.ok()?.path())) {
        if path.extension().is_none_or(|ending| ending != "txt") {
            continue;
        }
        let text = std::fs::read_to_string(&path).map_err(|source| cannot_read(&path, &source))?;
        let name = path.file_stem().map(|stem| stem.to_string_lossy().into_owned()).unwrap_or_default();
        let signals = text.lines().map(str::trim).filter(|line| !line.is_empty()).map(str::to_owned).collect();
        lists.push(wire::Watchlist { name, signals });
    }
    lists.sort_by(|a, b| a.name.cmp(&b.name));
    Ok(lists)
}
