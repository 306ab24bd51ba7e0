//! Signals by name, and lists of them that are kept. One text file per list, one signal per line.

use std::collections::{BTreeMap, BTreeSet};
use std::io::ErrorKind;
use std::path::PathBuf;

use definition::Definitions;
use signal::SignalId;

use crate::{Workshop, WorkshopError};

impl Workshop {
    /// All watchlists, by name.
    ///
    /// # Errors
    /// [`WorkshopError::Read`].
    pub fn watchlists(&self) -> Result<Vec<wire::Watchlist>, WorkshopError> {
        let folder = self.places.sub("watchlists")?;
        let entries = std::fs::read_dir(&folder).map_err(WorkshopError::read(&folder))?;
        let mut lists = Vec::new();
        for path in entries.filter_map(|entry| Some(entry.ok()?.path())) {
            if path.extension().is_none_or(|ending| ending != "txt") {
                continue;
            }
            let text = std::fs::read_to_string(&path).map_err(WorkshopError::read(&path))?;
            let name = path.file_stem().map(|stem| stem.to_string_lossy().into_owned()).unwrap_or_default();
            let signals = text.lines().map(str::trim).filter(|line| !line.is_empty()).map(str::to_owned).collect();
            lists.push(wire::Watchlist { name, signals });
        }
        lists.sort_by(|a, b| a.name.cmp(&b.name));
        Ok(lists)
    }

    /// Keeps signals under a name; a list of that name is replaced.
    ///
    /// # Errors
    /// [`WorkshopError::WatchlistName`], [`WorkshopError::SignalName`], [`WorkshopError::Write`].
    pub fn save_watchlist(&self, name: &str, signals: &[String]) -> Result<(), WorkshopError> {
        let ids = signal_ids(signals)?;
        let path = self.watchlist_file(name)?;
        let text: String = ids.iter().map(|id| format!("{id}\n")).collect();
        std::fs::write(&path, text).map_err(WorkshopError::write(&path))
    }

    /// Forgets a list.
    ///
    /// # Errors
    /// [`WorkshopError::NoWatchlist`], [`WorkshopError::WatchlistName`], [`WorkshopError::Write`].
    pub fn remove_watchlist(&self, name: &str) -> Result<(), WorkshopError> {
        let path = self.watchlist_file(name)?;
        std::fs::remove_file(&path).map_err(|source| match source.kind() {
            ErrorKind::NotFound => WorkshopError::NoWatchlist(name.to_owned()),
            _ => WorkshopError::write(&path)(source),
        })
    }

    /// The signals named one by one and those of a watchlist, each once, in their order.
    ///
    /// # Errors
    /// [`WorkshopError::NoSignal`] when that is none; as [`signal_ids`]; a watchlist that cannot be read.
    pub fn chosen_signals(&self, names: &[String], watchlist: Option<&str>) -> Result<Vec<SignalId>, WorkshopError> {
        let mut ids = signal_ids(names)?;
        if let Some(name) = watchlist {
            let path = self.watchlist_file(name)?;
            let text = std::fs::read_to_string(&path).map_err(|source| match source.kind() {
                ErrorKind::NotFound => WorkshopError::NoWatchlist(name.to_owned()),
                _ => WorkshopError::read(&path)(source),
            })?;
            ids.extend(signal_ids(&text.lines().map(str::to_owned).collect::<Vec<_>>())?);
        }
        let mut seen = BTreeSet::new();
        ids.retain(|id| seen.insert(id.clone()));
        if ids.is_empty() { Err(WorkshopError::NoSignal) } else { Ok(ids) }
    }

    fn watchlist_file(&self, name: &str) -> Result<PathBuf, WorkshopError> {
        let fits = |c: char| c.is_ascii_alphanumeric() || c == '-' || c == '_';
        if name.is_empty() || name.len() > 60 || !name.chars().all(fits) {
            return Err(WorkshopError::WatchlistName(name.to_owned()));
        }
        Ok(self.places.sub("watchlists")?.join(format!("{name}.txt")))
    }
}

/// Signals by name; empty names are left out.
///
/// # Errors
/// [`WorkshopError::SignalName`].
pub fn signal_ids(names: &[String]) -> Result<Vec<SignalId>, WorkshopError> {
    let names = names.iter().map(|name| name.trim()).filter(|name| !name.is_empty());
    Ok(names.map(SignalId::new).collect::<Result<Vec<_>, _>>()?)
}

/// Every signal that has a name, in the catalogue or in a definition, by name.
#[must_use]
pub fn known_signals(definitions: &Definitions) -> Vec<wire::Signal> {
    let mut signals: BTreeMap<String, wire::Signal> = BTreeMap::new();
    for known in signal::Catalogue::standard().iter() {
        let id = known.id.to_string();
        let readable = id == "adapter.voltage";
        let (unit, title) = (known.unit.to_string(), known.title.clone());
        signals.insert(
            id.clone(),
            wire::Signal { id, unit, title, vss: known.vss.clone(), readable, modules: Vec::new() },
        );
    }
    let named = definitions.files().iter().flat_map(|file| &file.modules);
    for definition in definitions.iter() {
        let id = definition.id.to_string();
        let entry = signals.entry(id.clone()).or_insert_with(|| wire::Signal {
            id,
            unit: definition.unit.to_string(),
            title: definition.title.clone(),
            vss: None,
            readable: true,
            modules: Vec::new(),
        });
        entry.readable = true;
        let here = named.clone().filter(|module| Some(module.address) == definition.module);
        entry.modules.extend(here.map(|module| module.name.clone()));
    }
    for signal in signals.values_mut() {
        signal.modules.sort();
        signal.modules.dedup();
    }
    signals.into_values().collect()
}
