//! The words of a report, read from `texts/`.

use std::collections::BTreeMap;
use std::sync::LazyLock;

use crate::units::{self, Units};

/// A language that the report's own words exist in.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub enum Language {
    /// English.
    #[default]
    English,
    /// Spanish.
    Spanish,
}

type Sections = BTreeMap<String, BTreeMap<String, String>>;

/// The texts of one language.
#[derive(Debug)]
pub(crate) struct Texts {
    pub(crate) language: Language,
    sections: Sections,
}

fn read(language: Language, text: &str) -> Texts {
    Texts { language, sections: toml::from_str(text).expect("a test reads the embedded texts") }
}

impl Texts {
    pub(crate) fn of(language: Language) -> &'static Self {
        static ENGLISH: LazyLock<Texts> = LazyLock::new(|| read(Language::English, include_str!("../texts/en.toml")));
        static SPANISH: LazyLock<Texts> = LazyLock::new(|| read(Language::Spanish, include_str!("../texts/es.toml")));
        match language {
            Language::English => &ENGLISH,
            Language::Spanish => &SPANISH,
        }
    }

    /// Code of the language for documents.
    pub(crate) fn code(&self) -> &'static str {
        match self.language {
            Language::English => "en",
            Language::Spanish => "es",
        }
    }

    fn find(&self, section: &str, key: &str) -> Option<&str> {
        Some(self.sections.get(section)?.get(key)?.as_str())
    }

    /// The text under `section` and `key`; the key itself where there is none.
    pub(crate) fn get(&self, section: &str, key: &str) -> String {
        self.find(section, key).unwrap_or(key).to_owned()
    }

    /// The same with values for its `{names}`. A value is never searched for names itself.
    pub(crate) fn fill(&self, section: &str, key: &str, values: &[(&str, &str)]) -> String {
        let mut rest = self.find(section, key).unwrap_or(key);
        let mut text = String::new();
        while let Some((before, name, after)) = rest
            .split_once('{')
            .and_then(|(before, open)| open.split_once('}').map(|(name, after)| (before, name, after)))
        {
            text += before;
            match values.iter().find(|value| value.0 == name) {
                Some((_, value)) => text += value,
                None => text += &format!("{{{name}}}"),
            }
            rest = after;
        }
        text + rest
    }

    /// What the program said of its own, in this language and these units; in English where the phrase is not known.
    pub(crate) fn said(&self, text: &str, units: Units) -> String {
        let said = match self.language {
            Language::English => None,
            Language::Spanish => phrases::spanish().said(text),
        };
        units.sentence(said.as_deref().unwrap_or(text), &self.decimal_mark())
    }

    pub(crate) fn has(&self, section: &str, key: &str) -> bool {
        self.find(section, key).is_some()
    }

    /// What stands before the decimals of a number.
    pub(crate) fn decimal_mark(&self) -> String {
        self.get("format", "decimal")
    }

    /// A number as people of this language write it: no more places than it is worth.
    pub(crate) fn number(&self, value: f64) -> String {
        units::number(value).replace('.', &self.decimal_mark())
    }

    /// A value with its unit, as the reader wants them.
    pub(crate) fn measured(&self, value: f64, unit: &str, units: Units) -> String {
        let (value, unit) = units.shown(value, unit);
        format!("{} {unit}", self.number(value)).trim_end().to_owned()
    }

    /// Seconds as `m:ss`, with tenths where there are any.
    pub(crate) fn clock(&self, t_s: f64) -> String {
        units::clock(t_s).replace('.', &self.decimal_mark())
    }

    /// The wheel that a wheel speed belongs to; what the signal is called where it is none.
    pub(crate) fn wheel(&self, id: &str) -> String {
        let known = id.strip_prefix("wheel.speed.").and_then(|place| self.find("wheels", place));
        known.map_or_else(|| self.signal(id), str::to_owned)
    }

    /// What a signal or other subject is called.
    pub(crate) fn signal(&self, id: &str) -> String {
        if let Some(text) = self.find("signals", id) {
            return text.to_owned();
        }
        let family = self.sections.get("signals").into_iter().flatten().find_map(|(key, _)| {
            let start = key.strip_suffix('*')?;
            id.strip_prefix(start).map(|n| (key, n))
        });
        match family {
            Some((key, n)) => self.fill("signals", key, &[("n", n)]),
            None => id.to_owned(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn names(text: &str) -> Vec<&str> {
        let mut names: Vec<&str> = text.split('{').skip(1).filter_map(|part| Some(part.split_once('}')?.0)).collect();
        names.sort_unstable();
        names
    }

    #[test]
    fn both_languages_have_the_same_keys_with_the_same_names() {
        let (en, es) = (Texts::of(Language::English), Texts::of(Language::Spanish));
        let keys = |texts: &Texts| -> Vec<(String, String)> {
            let each = texts.sections.iter().flat_map(|(s, rows)| rows.keys().map(move |k| (s.clone(), k.clone())));
            each.collect()
        };
        assert_eq!(keys(en), keys(es));
        for (section, key) in keys(en) {
            let (a, b) = (en.find(&section, &key).unwrap(), es.find(&section, &key).unwrap());
            assert_eq!(names(a), names(b), "{section}.{key}");
            assert!(!b.trim().is_empty());
        }
    }

    #[test]
    fn values_are_put_in_once() {
        let texts = Texts::of(Language::English);
        assert_eq!(texts.fill("title", "case", &[("number", "{number}")]), "Case {number}");
        assert_eq!(texts.signal("misfire.cylinder_3"), "misfires of cylinder 3");
        assert_eq!(texts.signal("custom.thing"), "custom.thing");
        assert_eq!(texts.wheel("wheel.speed.rear_left"), "rear left wheel");
        let spanish = Texts::of(Language::Spanish);
        assert_eq!((spanish.number(12.5), spanish.clock(62.5)), ("12,5".to_owned(), "1:02,5".to_owned()));
    }
}
