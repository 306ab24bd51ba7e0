//! The standard OBD signals: the catalogue's names from `data/obd.toml`, everything else under `custom.`.

use std::collections::BTreeSet;

use protocol::obd::{Field, OxygenLayout, Pid};
use serde::Deserialize;
use signal::{Catalogue, SignalId, Unit};
use toml::Spanned;

use crate::error::{DefinitionError, FileProblem, Place};
use crate::signals::{Decode, Read, SignalDefinition};

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    signal: Vec<SignalRow>,
    oxygen: Vec<OxygenRow>,
    monitor: Vec<MonitorRow>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct SignalRow {
    id: Spanned<String>,
    from: Vec<Source>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Source {
    pid: u8,
    value: Spanned<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct OxygenRow {
    id: String,
    first_pid: u8,
    value: Spanned<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct MonitorRow {
    id: Spanned<String>,
    first_mid: u8,
    n: u8,
    tid: u8,
}

/// Reads the embedded file and adds every value of the PID table that it does not name.
pub(crate) fn read() -> Result<Vec<SignalDefinition>, DefinitionError> {
    parse(&Place { text: include_str!("../data/obd.toml"), file: "obd.toml" })
}

fn parse(place: &Place<'_>) -> Result<Vec<SignalDefinition>, DefinitionError> {
    let file: File = place.parse()?;
    let mut definitions = Vec::new();
    // Fields that have a catalogue name and nothing else.
    let mut named = BTreeSet::new();

    for row in &file.signal {
        for (rank, source) in row.from.iter().enumerate() {
            let (pid, field) = find(place, source.pid, source.value.get_ref(), source.value.span())?;
            let id = catalogue_id(place, row.id.get_ref(), row.id.span())?;
            definitions.push(SignalDefinition::of_field(pid, field, id, String::new()));
            if rank == 0 {
                named.insert(field.name);
            }
        }
    }
    for row in &file.oxygen {
        for n in 1..=8 {
            let value = row.value.get_ref().replace('#', &n.to_string());
            let (pid, field) = find(place, row.first_pid.saturating_add(n - 1), &value, row.value.span())?;
            for layout in [OxygenLayout::TwoBanks, OxygenLayout::FourBanks] {
                let (bank, sensor) = layout.bank_and_sensor(n);
                let id = format!("{}.bank_{bank}_sensor_{sensor}", row.id);
                let id = catalogue_id(place, &id, row.value.span())?;
                let definition = SignalDefinition::of_field(pid, field, id, String::new());
                definitions.push(SignalDefinition { oxygen_layout: Some(layout), ..definition });
            }
            named.insert(field.name);
        }
    }
    for row in &file.monitor {
        for n in 0..row.n {
            let id = row.id.get_ref().replace('#', &(u16::from(n) + 1).to_string());
            let id = catalogue_id(place, &id, row.id.span())?;
            let Some(known) = Catalogue::standard().get(&id) else { continue };
            definitions.push(SignalDefinition {
                unit: known.unit.clone(),
                title: known.title.clone(),
                limits: Some((known.min, known.max)),
                id,
                module: None,
                read: Read::MonitorResult { mid: row.first_mid.saturating_add(n), tid: row.tid },
                n_bytes: None,
                oxygen_layout: None,
                decode: Decode::MonitorResult,
            });
        }
    }
    definitions.extend(unnamed(&named));
    Ok(definitions)
}

/// Every value that can be recorded and has no name in the catalogue.
fn unnamed(named: &BTreeSet<&str>) -> impl Iterator<Item = SignalDefinition> {
    let fields = Pid::all().flat_map(|pid| pid.fields.iter().map(move |field| (pid, field)));
    fields.filter(|(_, field)| field.is_recordable() && !named.contains(field.name)).filter_map(|(pid, field)| {
        let id = SignalId::custom(field.name).ok()?;
        Some(SignalDefinition::of_field(pid, field, id, pid.title_of(field.name)))
    })
}

type Range = std::ops::Range<usize>;

fn find(place: &Place<'_>, pid: u8, value: &str, at: Range) -> Result<(&'static Pid, &'static Field), DefinitionError> {
    let row = Pid::find(pid);
    let field = row.and_then(|row| row.field(value)).filter(|field| field.is_recordable());
    let missing = || place.error(at, FileProblem::NoSuchValue { pid, value: value.to_owned() });
    row.zip(field).ok_or_else(missing)
}

/// A name that the catalogue knows.
pub(crate) fn catalogue_id(place: &Place<'_>, text: &str, at: Range) -> Result<SignalId, DefinitionError> {
    let id = SignalId::new(text).map_err(|error| place.error(at.clone(), error.into()))?;
    if id.is_custom() || Catalogue::standard().get(&id).is_some() {
        return Ok(id);
    }
    Err(place.error(at, FileProblem::UnknownSignal(text.to_owned())))
}

/// The unit that a signal of a file is kept in: the catalogue's, which the file's own must convert to, or else its own.
pub(crate) fn file_unit(place: &Place<'_>, id: &SignalId, own: &Unit, at: Range) -> Result<Unit, DefinitionError> {
    let unit = Catalogue::standard().get(id).map_or_else(|| own.clone(), |known| known.unit.clone());
    if own.convert(1.0, &unit).is_none() {
        let problem = FileProblem::Unit { id: id.to_string(), have: own.to_string(), want: unit.to_string() };
        return Err(place.error(at, problem));
    }
    Ok(unit)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_wrong_row_is_named_by_its_line() {
        let tail = "\n[[oxygen]]\nid = \"lambda\"\nfirst_pid = 0x24\nvalue = \"wide_oxygen_sensor_#_lambda\"\n\
                    [[monitor]]\nid = \"misfire.cylinder_#\"\nfirst_mid = 0xA2\nn = 12\ntid = 12\n";
        for (id, value, line, expected) in [
            ("engine.speed", "engine_spead", 4, "no value `engine_spead` in PID 0C"),
            ("engine.sped", "engine_speed", 3, "no signal `engine.sped`"),
        ] {
            let text =
                format!("# head\n[[signal]]\nid = \"{id}\"\nfrom = [{{ pid = 0x0C, value = \"{value}\" }}]{tail}");
            let error = parse(&Place { text: &text, file: "x.toml" }).unwrap_err();
            assert_eq!(error.line, line, "{error}");
            assert!(error.to_string().contains(expected), "{error}");
        }
    }
}
