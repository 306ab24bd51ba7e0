//! Broadcast messages as the rows of a maker's file.

use serde::Deserialize;
use signal::{Catalogue, Unit};
use toml::Spanned;

use crate::broadcast::{BroadcastSignal, Message, Multiplexed};
use crate::error::{DefinitionError, FileProblem, Place};
use crate::standard::{catalogue_id, file_unit};
use crate::values::row_with_value;

/// `[[message]]`.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct MessageRow {
    pub(crate) name: Spanned<String>,
    id: Spanned<String>,
    n_bytes: usize,
    cycle_ms: Option<Spanned<f64>>,
    #[serde(default)]
    senders: Vec<String>,
    #[serde(default)]
    note: String,
    #[serde(default)]
    group: bool,
    pub(crate) signal: Vec<MessageSignalRow>,
}

row_with_value! {
    /// `[[message.signal]]`.
    pub(crate) struct MessageSignalRow {
        pub(crate) id: Spanned<String>,
        unit: Spanned<String>,
        title: Option<String>,
        byte: Spanned<usize>,
        min: Option<f64>,
        max: Option<f64>,
        when: Option<Spanned<WhenRow>>,
    }
}

/// When a signal is there: while another one of the message has one of these raw values.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct WhenRow {
    signal: String,
    is: Vec<WhenValue>,
}

#[derive(Deserialize)]
#[serde(untagged)]
enum WhenValue {
    One(i64),
    FromTo(i64, i64),
}

/// Reads a message.
pub(crate) fn message(place: &Place<'_>, row: &MessageRow) -> Result<Message, DefinitionError> {
    let name = row.name.get_ref().trim().to_owned();
    if name.is_empty() {
        return Err(place.error(row.name.span(), FileProblem::Empty("name")));
    }
    let text = row.id.get_ref();
    let wrong = || place.error(row.id.span(), FileProblem::FrameId(text.escape_debug().to_string()));
    let id: protocol::CanId = text.parse().map_err(|_| wrong())?;
    if let Some(cycle) = &row.cycle_ms
        && !(cycle.get_ref().is_finite() && *cycle.get_ref() > 0.0)
    {
        return Err(place.error(cycle.span(), FileProblem::Duration(*cycle.get_ref())));
    }
    let mut signals: Vec<BroadcastSignal> = Vec::new();
    for own in &row.signal {
        signals.push(signal(place, own, row.n_bytes)?);
    }
    for (idx, own) in row.signal.iter().enumerate() {
        let Some(when) = &own.when else { continue };
        let WhenRow { signal, is } = when.get_ref();
        let selector = signals.iter().position(|other| other.id.as_str() == signal).filter(|other| *other != idx);
        let unknown = || place.error(when.span(), FileProblem::UnknownSelector(signal.escape_debug().to_string()));
        let selector = selector.ok_or_else(unknown)?;
        let values = is.iter().map(|value| match value {
            WhenValue::One(value) => (i128::from(*value), i128::from(*value)),
            WhenValue::FromTo(from, to) => (i128::from(*from), i128::from(*to)),
        });
        signals[idx].multiplexed = Some(Multiplexed { selector, values: values.collect() });
        signals[selector].is_selector = true;
    }
    Ok(Message {
        name,
        id,
        is_group: row.group && matches!(id, protocol::CanId::Extended(_)),
        n_bytes: row.n_bytes,
        cycle_ms: row.cycle_ms.as_ref().map(|cycle| *cycle.get_ref()),
        senders: row.senders.clone(),
        note: row.note.trim().to_owned(),
        signals,
    })
}

fn signal(place: &Place<'_>, row: &MessageSignalRow, n_bytes: usize) -> Result<BroadcastSignal, DefinitionError> {
    let id = catalogue_id(place, row.id.get_ref(), row.id.span())?;
    let own = Unit::named(row.unit.get_ref());
    let unit = file_unit(place, &id, &own, row.unit.span())?;
    let mut coded = row.value_keys(*row.byte.get_ref()).coded(place, n_bytes, &row.byte.span())?;
    let in_unit = |limit: f64| own.convert(limit, &unit).unwrap_or(limit);
    let limits = match (row.min.map(in_unit), row.max.map(in_unit)) {
        (None, None) => None,
        (min, max) => Some((min.unwrap_or(f64::NEG_INFINITY), max.unwrap_or(f64::INFINITY))),
    };
    // Written so that NaN limits are refused too.
    if let Some((min, max)) = limits
        && !matches!(min.partial_cmp(&max), Some(std::cmp::Ordering::Less))
    {
        return Err(place.error(row.id.span(), FileProblem::Limits(format!("{min} .. {max}"))));
    }
    if own != unit {
        coded.convert = Some((own, unit.clone()));
    }
    let known = Catalogue::standard().get(&id).map(|known| known.title.clone());
    let name = id.as_str().trim_start_matches("custom.").to_owned();
    Ok(BroadcastSignal {
        title: row.title.clone().or(known).unwrap_or_else(|| name.replace(['_', '.'], " ")),
        name,
        id,
        unit,
        coded,
        limits,
        multiplexed: None,
        is_selector: false,
    })
}
