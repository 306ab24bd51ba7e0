//! Looking a phrase up.

use std::cell::{Cell, RefCell};
use std::collections::{BTreeMap, HashMap};

/// Parts of a text that are looked up before it is given up: texts come from cars and files too.
const MOST_LOOKUPS: usize = 2000;
/// Bytes of the longest text that is looked up.
const LONGEST: usize = 2000;

/// The phrases of one language, by their English.
#[derive(Debug)]
pub struct Phrasebook {
    whole: HashMap<String, String>,
    /// Those with places, the most words of their own first: they say most about what they are.
    patterns: Vec<Pattern>,
    decimal_mark: char,
    contracted: Vec<(&'static str, &'static str)>,
}

#[derive(Debug)]
struct Pattern {
    /// What stands before, between and after the places: one more than those.
    fixed: Vec<String>,
    places: Vec<Place>,
    translation: String,
}

#[derive(Debug, PartialEq, Eq)]
enum Place {
    /// Itself a phrase.
    Said,
    /// One word.
    Word(String),
    /// Any words.
    Words(String),
}

/// `{}`, `{n}` and `{*module}` of a phrase, and what stands around them.
fn places_of(phrase: &str) -> (Vec<String>, Vec<Place>) {
    let (mut fixed, mut places, mut rest) = (Vec::new(), Vec::new(), phrase);
    while let Some((before, name, after)) =
        rest.split_once('{').and_then(|(before, open)| open.split_once('}').map(|(name, after)| (before, name, after)))
    {
        fixed.push(before.to_owned());
        places.push(match name.strip_prefix('*') {
            Some(name) => Place::Words(name.to_owned()),
            None if name.is_empty() => Place::Said,
            None => Place::Word(name.to_owned()),
        });
        rest = after;
    }
    fixed.push(rest.to_owned());
    (fixed, places)
}

/// One text on its way through the book.
struct Lookup<'b, 't> {
    book: &'b Phrasebook,
    left: Cell<usize>,
    known: RefCell<HashMap<&'t str, Option<String>>>,
}

impl Phrasebook {
    /// From files that each hold one JSON object: English phrases and their translations. `decimal_mark` stands before
    /// the decimals of a number, and `contracted` are words that this language draws together.
    ///
    /// # Errors
    /// Names the phrase whose places its translation does not have, or that stands in two files.
    pub fn read(
        files: &[&str],
        decimal_mark: char,
        contracted: &[(&'static str, &'static str)],
    ) -> Result<Self, String> {
        let mut whole = HashMap::new();
        for file in files {
            let phrases: BTreeMap<String, String> = serde_json::from_str(file).map_err(|error| error.to_string())?;
            for (english, translation) in phrases {
                let (wanted, found) = (sorted_places(&english), sorted_places(&translation));
                if wanted != found {
                    return Err(format!("`{english}` and its translation have different places"));
                }
                if whole.insert(english.clone(), translation).is_some() {
                    return Err(format!("`{english}` stands here twice"));
                }
            }
        }
        let mut patterns = Vec::new();
        whole.retain(|english, translation| {
            let (fixed, places) = places_of(english);
            let is_whole = places.is_empty();
            if !is_whole {
                patterns.push(Pattern { fixed, places, translation: translation.clone() });
            }
            is_whole
        });
        patterns.sort_by_key(|pattern| (std::cmp::Reverse(pattern.weight()), pattern.fixed.clone()));
        Ok(Self { whole, patterns, decimal_mark, contracted: contracted.to_vec() })
    }

    /// The text in this language; `None` where not all of it is known.
    #[must_use]
    pub fn said(&self, text: &str) -> Option<String> {
        if text.len() > LONGEST {
            return None;
        }
        let lookup = Lookup { book: self, left: Cell::new(MOST_LOOKUPS), known: RefCell::default() };
        let said = lookup.said(text)?;
        Some(self.contracted.iter().fold(said, |said, (apart, together)| said.replace(apart, together)))
    }
}

fn sorted_places(phrase: &str) -> Vec<String> {
    let mut names: Vec<String> = places_of(phrase).1.iter().map(|place| format!("{place:?}")).collect();
    names.sort_unstable();
    names
}

/// Digits with what stands between and around them: `12.5`, `55 %`.
fn is_number(text: &str) -> bool {
    text.contains(|c: char| c.is_ascii_digit()) && text.chars().all(|c| c.is_ascii_digit() || "+-.,:% ".contains(c))
}

impl<'t> Lookup<'_, 't> {
    fn said(&self, text: &'t str) -> Option<String> {
        if let Some(known) = self.known.borrow().get(text) {
            return known.clone();
        }
        self.left.set(self.left.get().checked_sub(1)?);
        let said = self.look_up(text);
        self.known.borrow_mut().insert(text, said.clone());
        said
    }

    fn look_up(&self, text: &'t str) -> Option<String> {
        if let Some(translation) = self.book.whole.get(text) {
            return Some(translation.clone());
        }
        if is_number(text) {
            return Some(text.replace('.', &self.book.decimal_mark.to_string()));
        }
        self.book.patterns.iter().find_map(|pattern| self.filled(pattern, text)).or_else(|| self.sentences(text))
    }

    /// The text as two parts, the first of which ends a sentence.
    fn sentences(&self, text: &'t str) -> Option<String> {
        text.match_indices(". ").find_map(|(at, _)| {
            let (first, rest) = (self.said(&text[..=at])?, self.said(&text[at + 2..])?);
            Some(format!("{first} {rest}"))
        })
    }

    fn filled(&self, pattern: &Pattern, text: &'t str) -> Option<String> {
        let rest = text.strip_prefix(pattern.fixed[0].as_str())?;
        if !rest.ends_with(pattern.fixed[pattern.places.len()].as_str()) {
            return None;
        }
        let mut values = Vec::new();
        self.fits(pattern, 0, rest, &mut values).then(|| pattern.fill(&values))
    }

    /// Whether `rest` fits the pattern from its place `k` on; `values` gets what the places hold.
    fn fits(&self, pattern: &Pattern, k: usize, rest: &'t str, values: &mut Vec<String>) -> bool {
        let fixed = pattern.fixed[k + 1].as_str();
        let is_last = k + 1 == pattern.places.len();
        let ends: Vec<usize> = if is_last {
            rest.len().checked_sub(fixed.len()).into_iter().collect()
        } else {
            rest.match_indices(fixed).map(|(at, _)| at).collect()
        };
        ends.into_iter().any(|end| {
            let Some(value) = self.value(&pattern.places[k], &rest[..end]) else { return false };
            values.push(value);
            let fits = is_last || self.fits(pattern, k + 1, &rest[end + fixed.len()..], values);
            if !fits {
                values.pop();
            }
            fits
        })
    }

    fn value(&self, place: &Place, text: &'t str) -> Option<String> {
        match place {
            _ if text.is_empty() => None,
            Place::Said => self.said(text),
            Place::Word(_) if text.contains(char::is_whitespace) => None,
            Place::Word(_) | Place::Words(_) => Some(text.to_owned()),
        }
    }
}

impl Pattern {
    /// Letters of its own.
    fn weight(&self) -> usize {
        self.fixed.iter().map(String::len).sum()
    }

    /// The translation with its values: those that are said in their order, the others by their names.
    fn fill(&self, values: &[String]) -> String {
        let (fixed, places) = places_of(&self.translation);
        let mut said = self.places.iter().zip(values).filter(|(place, _)| **place == Place::Said);
        let mut text = fixed[0].clone();
        for (place, after) in places.iter().zip(&fixed[1..]) {
            let value = match place {
                Place::Said => said.next(),
                named => self.places.iter().zip(values).find(|(place, _)| *place == named),
            };
            text.extend(value.map(|(_, value)| value.as_str()));
            text += after;
        }
        text
    }
}
