//! Headings such as `vehicle.speed [km/h]`, and maps from foreign headings to signals.

use std::str::FromStr;

use signal::{IdError, SignalId, Unit};

/// Units that say something else in round brackets: the least of a value, a speed by satellites.
const OTHER_WORDS: [&str; 2] = ["min", "gps"];

/// `--map 'COLUMN=SIGNAL [UNIT]'`: which signal a column holds, and in which unit the column is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct MapEntry {
    /// Heading in a wide table (with or without its unit), name in a long one.
    pub column: String,
    /// The signal, or `time_s` for the column that holds the time.
    pub signal: SignalId,
    /// The unit that the values in the table are in; `None`: as the table says.
    pub unit: Option<Unit>,
}

/// Why a text is not a map entry.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum MapError {
    /// No `=`, or nothing before it.
    #[error("a map reads `COLUMN=SIGNAL [UNIT]`, not `{0}`")]
    Form(String),
    /// What is behind `=` is not a signal's name.
    #[error("cannot map to `{name}`: {reason}")]
    Signal {
        /// What was given.
        name: String,
        /// What is wrong with it.
        reason: IdError,
    },
}

impl FromStr for MapEntry {
    type Err = MapError;

    /// The last `=` separates, so that headings may contain one.
    fn from_str(text: &str) -> Result<Self, MapError> {
        let form = || MapError::Form(text.to_owned());
        let (column, target) = text.rsplit_once('=').ok_or_else(form)?;
        let (column, (name, unit)) = (column.trim(), split(target));
        if column.is_empty() || name.is_empty() {
            return Err(form());
        }
        let signal =
            SignalId::new(name).map_err(|reason| MapError::Signal { name: name.escape_debug().to_string(), reason })?;
        Ok(Self { column: column.to_owned(), signal, unit: unit.map(Unit::named) })
    }
}

/// Splits `NAME [UNIT]`; the unit is what the last pair of matching brackets at the end encloses. Round ones count where they
/// hold a known unit and nothing that may be part of the name.
pub(super) fn split(heading: &str) -> (&str, Option<&str>) {
    let heading = heading.trim();
    let Some(inside) = heading.strip_suffix(']') else { return split_round(heading) };
    let mut depth = 1;
    for (idx, character) in inside.char_indices().rev() {
        match character {
            ']' => depth += 1,
            '[' => depth -= 1,
            _ => continue,
        }
        if depth == 0 {
            return (heading[..idx].trim_end(), Some(inside[idx + 1..].trim()));
        }
    }
    (heading, None)
}

/// Splits `NAME (UNIT)`.
fn split_round(heading: &str) -> (&str, Option<&str>) {
    let parts = heading.strip_suffix(')').and_then(|inside| inside.rsplit_once('('));
    let Some((name, unit)) = parts.map(|(name, unit)| (name.trim_end(), unit.trim())) else { return (heading, None) };
    // A letter or digit counts the sensors of a kind more often than it names a unit.
    let is_mark = unit.chars().count() < 2 && unit.chars().all(char::is_alphanumeric);
    let is_word = OTHER_WORDS.iter().any(|word| word.eq_ignore_ascii_case(unit));
    let is_unit = !name.is_empty() && !is_mark && !is_word && Unit::named(unit).is_known();
    if is_unit { (name, Some(unit)) } else { (heading, None) }
}

/// The heading of a signal's column.
pub(super) fn join(id: &SignalId, unit: &Unit) -> String {
    format!("{id} [{unit}]")
}
