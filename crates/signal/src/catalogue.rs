//! The names that everyone shares, read from data files.

use std::collections::BTreeMap;
use std::sync::LazyLock;

use serde::Deserialize;

use crate::{SignalId, Unit};

/// What the catalogue says of a signal.
#[derive(Debug, Clone, PartialEq)]
pub struct Known {
    /// The name.
    pub id: SignalId,
    /// The unit of its values.
    pub unit: Unit,
    /// What it is, in a few words.
    pub title: String,
    /// Least value that can be true, in `unit`.
    pub min: f64,
    /// Greatest value that can be true, in `unit`.
    pub max: f64,
    /// How often a new value is worth asking for, seconds; 0 for as often as the link allows. Thermal and other slow
    /// quantities leave the link to the fast ones.
    pub refresh_s: f64,
    /// Its counterpart in the open vehicle signal catalogue (COVESA VSS, release 6), where there is one.
    pub vss: Option<String>,
}

/// Why a catalogue file could not be read.
#[derive(Debug, thiserror::Error)]
pub enum CatalogueError {
    /// Not the format; the message holds line and column.
    #[error("signal catalogue: {0}")]
    Format(#[from] toml::de::Error),
    /// A row that contradicts itself or another one.
    #[error("signal catalogue: `{id}`: {problem}")]
    Row {
        /// The name in question.
        id: String,
        /// What is wrong with it.
        problem: String,
    },
}

/// All known signals by name.
#[derive(Debug, Default)]
pub struct Catalogue {
    by_id: BTreeMap<SignalId, Known>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    signal: Vec<Row>,
}

/// One row of a file. `{}` in the texts stands for each of `each` in turn, so that a row can name a family.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Row {
    id: String,
    unit: String,
    title: String,
    min: f64,
    max: f64,
    #[serde(default)]
    refresh_s: f64,
    vss: Option<String>,
    #[serde(default)]
    each: Vec<String>,
    /// Values for `{}` in `vss`, in the order of `each`; an empty text means no counterpart.
    #[serde(default)]
    each_vss: Vec<String>,
}

impl Catalogue {
    /// The catalogue that comes with the program.
    #[must_use]
    pub fn standard() -> &'static Self {
        static STANDARD: LazyLock<Catalogue> = LazyLock::new(|| {
            Catalogue::parse(include_str!("../data/signals.toml")).expect("a test reads the embedded catalogue")
        });
        &STANDARD
    }

    /// Reads a catalogue from TOML text; see `data/signals.toml` for the format.
    ///
    /// # Errors
    /// [`CatalogueError`] with the line or the name at fault.
    pub fn parse(text: &str) -> Result<Self, CatalogueError> {
        let file: File = toml::from_str(text)?;
        let mut catalogue = Self::default();
        for row in file.signal {
            let wrong = |problem: String| CatalogueError::Row { id: row.id.clone(), problem };
            if row.each.is_empty() == row.id.contains("{}") {
                return Err(wrong("`{}` in the id and `each` go together".into()));
            }
            if !row.each_vss.is_empty() && row.each_vss.len() != row.each.len() {
                return Err(wrong("`each_vss` must be as long as `each`".into()));
            }
            let members = if row.each.is_empty() { vec![String::new()] } else { row.each.clone() };
            for (idx, member) in members.iter().enumerate() {
                let id = SignalId::new(&row.id.replace("{}", member)).map_err(|error| wrong(error.to_string()))?;
                let vss = match (&row.vss, row.each_vss.get(idx).map(String::as_str)) {
                    (None, _) | (Some(_), Some("")) => None,
                    (Some(vss), Some(own)) => Some(vss.replace("{}", own)),
                    (Some(vss), None) => Some(vss.replace("{}", member)),
                };
                let unit = Unit::named(&row.unit);
                if unit.symbol() != row.unit {
                    return Err(wrong(format!("write the unit `{}` as `{unit}`", row.unit)));
                }
                // Written so that NaN limits are refused too.
                if !row.min.is_finite() || !row.max.is_finite() || row.min >= row.max {
                    return Err(wrong(format!("the limits {} .. {} enclose nothing", row.min, row.max)));
                }
                if !(0.0..=60.0).contains(&row.refresh_s) {
                    return Err(wrong(format!("refresh_s is 0 to 60 seconds, not {}", row.refresh_s)));
                }
                let title = row.title.replace("{}", &member.replace('_', " "));
                let known =
                    Known { id: id.clone(), unit, title, min: row.min, max: row.max, refresh_s: row.refresh_s, vss };
                if catalogue.by_id.insert(id, known).is_some() {
                    return Err(wrong("named twice".into()));
                }
            }
        }
        Ok(catalogue)
    }

    /// What is known of a signal.
    #[must_use]
    pub fn get(&self, id: &SignalId) -> Option<&Known> {
        self.by_id.get(id)
    }

    /// The known signal whose name is most like one that is not known: at most a fifth of it, and one letter at least, is
    /// added, left out, changed or changed about.
    #[must_use]
    pub fn like(&self, id: &SignalId) -> Option<&Known> {
        let distance = |known: &Known| strsim::damerau_levenshtein(known.id.as_str(), id.as_str());
        let most = (id.as_str().len() / 5).max(1);
        self.iter()
            .map(|known| (distance(known), known))
            .filter(|(n, _)| *n <= most)
            .min_by_key(|(n, _)| *n)
            .map(|(_, k)| k)
    }

    /// All known signals in order of their names.
    pub fn iter(&self) -> impl Iterator<Item = &Known> {
        self.by_id.values()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_embedded_catalogue_reads() {
        assert!(Catalogue::standard().iter().count() > 60);
    }

    #[test]
    fn what_was_mistyped_is_found() {
        let like =
            |name: &str| Catalogue::standard().like(&SignalId::new(name).unwrap()).map(|known| known.id.as_str());
        assert_eq!(like("engine.sped"), Some("engine.speed"));
        assert_eq!(like("wheel.speed.front_lfet"), Some("wheel.speed.front_left"));
        assert_eq!(like("misfire.cylinder4"), Some("misfire.cylinder_4"));
        assert_eq!(like("oil.level"), None);
    }

    #[test]
    fn errors_name_line_or_row() {
        let row = |rest: &str| format!("[[signal]]\nid = \"a.b\"\nunit = \"km/h\"\ntitle = \"t\"\n{rest}");
        for (text, expected) in [
            (row("min = 0.0\nmax = 1.0\nfoo = 1"), "line 7"),
            (row("min = 1.0\nmax = 1.0"), "enclose nothing"),
            (row("min = 0.0\nmax = 1.0\nrefresh_s = 61.0"), "refresh_s is 0 to 60"),
            (row("min = nan\nmax = 1.0"), "enclose nothing"),
            (row("min = 0.0\nmax = 1.0\neach = [\"x\"]"), "go together"),
            (row("min = 0.0\nmax = 1.0").replace("km/h", "kmh"), "write the unit `kmh` as `km/h`"),
            (format!("{0}\n{0}", row("min = 0.0\nmax = 1.0")), "named twice"),
        ] {
            let message = Catalogue::parse(&text).unwrap_err().to_string();
            assert!(message.contains(expected), "{message}");
        }
    }

    proptest::proptest! {
        #[test]
        fn rubbish_is_refused_without_a_panic(text in "(\\[\\[signal\\]\\]|id|unit|min|max|each|[=\"\\[\\]{}., \n]|[a-z0-9]){0,60}") {
            let _ = Catalogue::parse(&text);
        }
    }
}
