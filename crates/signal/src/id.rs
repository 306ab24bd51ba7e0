//! Names of signals.

use std::fmt;
use std::sync::Arc;

/// Longest accepted name, in bytes: generous for a module's own text, short enough for a line of output.
const MAX_LENGTH: usize = 200;

/// The name of a signal: lower-case dotted words such as `wheel.speed.front_left`.
///
/// A signal that no catalogue knows keeps the name that its file or definition gives it, behind `custom.`; there any
/// printable characters are allowed.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct SignalId(Arc<str>);

/// Why a text is not a signal name.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum IdError {
    /// Nothing between the dots, or nothing at all.
    #[error("a signal name needs at least one word, and a word between any two dots: `{0}`")]
    Empty(String),
    /// A character outside `a-z`, `0-9`, `_` and `.`, or a control character in a custom name.
    #[error("a signal name is made of a-z, 0-9, `_` and `.`, or starts with `custom.`: `{text}` has {character:?}")]
    Character {
        /// The text that was given.
        text: String,
        /// The first character that does not belong.
        character: char,
    },
    /// Longer than any honest name.
    #[error("a signal name has at most {MAX_LENGTH} bytes, this one has {0}")]
    TooLong(usize),
}

impl SignalId {
    /// The prefix of names that no catalogue knows.
    pub const CUSTOM: &'static str = "custom.";

    /// Checks and takes a name as it is.
    ///
    /// # Errors
    /// [`IdError`] if the text is empty, too long or holds a character that does not belong.
    pub fn new(text: &str) -> Result<Self, IdError> {
        if text.len() > MAX_LENGTH {
            return Err(IdError::TooLong(text.len()));
        }
        let bad = |character| IdError::Character { text: text.escape_debug().to_string(), character };
        if let Some(own) = text.strip_prefix(Self::CUSTOM) {
            if own.trim().is_empty() {
                return Err(IdError::Empty(text.to_owned()));
            }
            if let Some(character) = own.chars().find(|c| c.is_control()) {
                return Err(bad(character));
            }
            return Ok(Self(text.into()));
        }
        if text.split('.').any(str::is_empty) {
            return Err(IdError::Empty(text.to_owned()));
        }
        match text.chars().find(|c| !matches!(c, 'a'..='z' | '0'..='9' | '_' | '.')) {
            Some(character) => Err(bad(character)),
            None => Ok(Self(text.into())),
        }
    }

    /// The name a foreign file's column gets: itself behind `custom.`, unless it already is there.
    ///
    /// # Errors
    /// As [`SignalId::new`].
    pub fn custom(name: &str) -> Result<Self, IdError> {
        let name = name.trim();
        if name.starts_with(Self::CUSTOM) { Self::new(name) } else { Self::new(&format!("{}{name}", Self::CUSTOM)) }
    }

    /// The name as text.
    #[must_use]
    pub fn as_str(&self) -> &str {
        &self.0
    }

    /// Whether this name belongs to no catalogue.
    #[must_use]
    pub fn is_custom(&self) -> bool {
        self.0.starts_with(Self::CUSTOM)
    }
}

impl fmt::Display for SignalId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&self.0)
    }
}

impl fmt::Debug for SignalId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:?}", &self.0)
    }
}

impl std::str::FromStr for SignalId {
    type Err = IdError;

    fn from_str(text: &str) -> Result<Self, IdError> {
        Self::new(text)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn catalogue_names_are_lower_case_dotted_words() {
        assert_eq!(SignalId::new("wheel.speed.front_left").unwrap().as_str(), "wheel.speed.front_left");
        for (text, expected) in [
            ("", IdError::Empty(String::new())),
            ("a..b", IdError::Empty("a..b".into())),
            (".a", IdError::Empty(".a".into())),
            ("Engine.speed", IdError::Character { text: "Engine.speed".into(), character: 'E' }),
            ("engine speed", IdError::Character { text: "engine speed".into(), character: ' ' }),
            ("custom.", IdError::Empty("custom.".into())),
            ("custom.a\nb", IdError::Character { text: "custom.a\\nb".into(), character: '\n' }),
        ] {
            assert_eq!(SignalId::new(text), Err(expected), "{text:?}");
        }
        assert_eq!(SignalId::new(&"a".repeat(201)), Err(IdError::TooLong(201)));
    }

    /// A table is opened in spreadsheets, where a cell that begins so is computed (common practice, no source).
    #[test]
    fn no_name_of_a_signal_is_a_formula() {
        for start in ['=', '+', '-', '@', '\t', '\r', '|', '"'] {
            let name = format!("{start}cmd|'/C calc'!A1");
            assert!(SignalId::new(&name).is_err(), "{name}");
            assert!(SignalId::custom(&name).is_ok_and(|id| id.as_str().starts_with("custom.")) || start.is_control());
        }
    }

    #[test]
    fn a_foreign_name_is_kept_behind_custom() {
        assert_eq!(SignalId::custom("Öl Temp #2").unwrap().as_str(), "custom.Öl Temp #2");
        assert_eq!(SignalId::custom("custom.oil").unwrap().as_str(), "custom.oil");
        assert!(SignalId::custom("oil").unwrap().is_custom());
    }
}
