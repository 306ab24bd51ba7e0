//! A report as a list of blocks, the same for every writer.

use serde::Serialize;

use crate::texts::Texts;
use crate::{Case, Image, Settings, customer, technical};
use signal::Recording;

/// A piece of a page, from top to bottom.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(tag = "block", rename_all = "lowercase")]
pub enum Block {
    /// A heading of level 1 (title) to 3.
    Heading {
        /// 1 to 3.
        level: u8,
        /// Its words.
        text: String,
    },
    /// A paragraph.
    Text {
        /// Its words.
        text: String,
        /// How it looks.
        look: Look,
    },
    /// Short facts, name and value.
    Facts {
        /// In order.
        rows: Vec<[String; 2]>,
    },
    /// A list of sentences.
    List {
        /// In order.
        items: Vec<String>,
    },
    /// A table.
    Table {
        /// Headings of the columns.
        head: Vec<String>,
        /// Relative widths of the columns.
        widths: Vec<u8>,
        /// Cells, as many per row as columns.
        rows: Vec<Vec<String>>,
    },
    /// A picture with what it shows.
    Picture {
        /// A whole SVG document.
        svg: String,
        /// What it shows, below it.
        caption: String,
        /// Share of the width of the page, per cent.
        width_percent: u8,
    },
    /// A photograph with what it shows.
    Photo {
        /// The picture.
        #[serde(skip)]
        image: Image,
        /// A name that no other photograph of the report has.
        file: String,
        /// What it shows, below it.
        caption: String,
        /// Share of the width of the page, per cent.
        width_percent: u8,
    },
    /// Blocks side by side.
    Pair {
        /// Left, 45 % of the width.
        left: Vec<Block>,
        /// Right, the rest.
        right: Vec<Block>,
    },
    /// What follows begins on a new page when it is printed.
    NewPage,
}

/// How a paragraph looks.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Look {
    /// As a text.
    Plain,
    /// The customer's own words.
    Quote,
    /// What must not be overlooked.
    Strong,
    /// What is said besides.
    Small,
}

impl Block {
    pub(crate) fn heading(level: u8, text: impl Into<String>) -> Self {
        Self::Heading { level, text: text.into() }
    }

    pub(crate) fn text(text: impl Into<String>) -> Self {
        Self::Text { text: text.into(), look: Look::Plain }
    }

    pub(crate) fn looking(look: Look, text: impl Into<String>) -> Self {
        Self::Text { text: text.into(), look }
    }
}

/// All blocks of a report: one page for the customer, then the technical part.
///
/// `recordings` stand beside [`Case::drives`]; a missing one only costs its pictures.
#[must_use]
pub fn compose(case: &Case, recordings: &[Option<&Recording>], settings: &Settings) -> Vec<Block> {
    let texts = Texts::of(settings.language);
    let mut blocks = customer::page(case, recordings, texts, settings);
    blocks.push(Block::NewPage);
    blocks.extend(technical::part(case, texts, settings));
    without(blocks, &settings.without_pictures, &mut 0)
}

/// Leaves out pictures by their place among all; `n_seen` counts them.
fn without(blocks: Vec<Block>, left_out: &[usize], n_seen: &mut usize) -> Vec<Block> {
    let chosen = blocks.into_iter().filter_map(|block| match block {
        Block::Picture { .. } | Block::Photo { .. } => {
            *n_seen += 1;
            (!left_out.contains(&(*n_seen - 1))).then_some(block)
        }
        Block::Pair { left, right } => {
            let left = without(left, left_out, n_seen);
            Some(Block::Pair { left, right: without(right, left_out, n_seen) })
        }
        other => Some(other),
    });
    chosen.collect()
}

/// Odds as people say them.
pub(crate) fn odds(texts: &Texts, log10_odds: f64) -> String {
    let (key, most) = if log10_odds >= 0.0 { ("odds_for", "odds_most") } else { ("odds_against", "odds_most_against") };
    let log10 = log10_odds.abs();
    if log10 > 4.0 {
        return texts.get("text", most);
    }
    let ratio = 10f64.powf(log10);
    let n = if ratio < 10.0 { format!("{ratio:.1}") } else { format!("{ratio:.0}") };
    let n = n.replace('.', &texts.decimal_mark());
    texts.fill("text", key, &[("n", &n)])
}

/// With a capital letter in front, as a sentence begins.
pub(crate) fn sentence(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

/// A probability, never as certainty.
pub(crate) fn percent(p: f64) -> String {
    let percent = 100.0 * p;
    if percent > 99.0 {
        "> 99 %".to_owned()
    } else if percent < 1.0 {
        "< 1 %".to_owned()
    } else {
        format!("{percent:.0} %")
    }
}
