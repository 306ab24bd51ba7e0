//! An XML document as a tree, of bounded size.

use std::collections::BTreeMap;

use quick_xml::XmlVersion;
use quick_xml::escape::resolve_predefined_entity;
use quick_xml::events::{BytesStart, Event};
use quick_xml::reader::Reader;

/// Most elements of all documents together; files of whole vehicles have some millions.
const MAX_ELEMENTS: usize = 20_000_000;
/// Deepest nesting; the format has some 20 levels.
const MAX_DEPTH: usize = 200;

/// One element. Prefixes of names are left out: `xsi:type` is `type`.
#[derive(Debug, Default)]
pub(super) struct Element {
    pub(super) name: String,
    pub(super) attributes: Vec<(String, String)>,
    pub(super) children: Vec<Element>,
    /// The text directly in it, without blanks at its ends.
    pub(super) text: String,
    /// Line of its start, from 1.
    pub(super) line: usize,
}

impl Element {
    pub(super) fn attribute(&self, name: &str) -> Option<&str> {
        self.attributes.iter().find(|(key, _)| key == name).map(|(_, value)| value.as_str())
    }

    pub(super) fn child(&self, name: &str) -> Option<&Element> {
        self.children.iter().find(|child| child.name == name)
    }

    /// The children of a child, such as `PARAMS` / `PARAM`.
    pub(super) fn list(&self, name: &str) -> impl Iterator<Item = &Element> {
        self.child(name).into_iter().flat_map(|list| &list.children)
    }

    /// The text of a child, if that is not empty.
    pub(super) fn text_of(&self, name: &str) -> Option<&str> {
        self.child(name).map(|child| child.text.as_str()).filter(|text| !text.is_empty())
    }

    pub(super) fn short_name(&self) -> &str {
        self.text_of("SHORT-NAME").unwrap_or_default()
    }

    /// Itself and all below it.
    pub(super) fn visit<'e>(&'e self, take: &mut impl FnMut(&'e Element)) {
        take(self);
        for child in &self.children {
            child.visit(take);
        }
    }
}

/// Reads a document; `n_left` is how many elements may still come. The error names the line.
pub(super) fn parse(text: &str, n_left: &mut usize) -> Result<Element, (usize, String)> {
    let mut reader = Reader::from_str(text);
    let mut lines = Lines { text, at: 0, line: 1 };
    let mut open: Vec<Element> = Vec::new();
    let mut root = None;
    loop {
        let event = reader.read_event();
        let line = lines.of(usize::try_from(reader.buffer_position()).unwrap_or(usize::MAX));
        match event.map_err(|error| (line, error.to_string()))? {
            Event::Start(start) => {
                if open.len() >= MAX_DEPTH {
                    return Err((line, format!("nested deeper than {MAX_DEPTH} elements")));
                }
                open.push(element(&start, line, n_left)?);
            }
            Event::Empty(start) => {
                let element = element(&start, line, n_left)?;
                match open.last_mut() {
                    Some(parent) => parent.children.push(element),
                    None => root = root.or(Some(element)),
                }
            }
            Event::End(_) => {
                let Some(mut done) = open.pop() else { return Err((line, "an end without a start".into())) };
                done.text.truncate(done.text.trim_end().len());
                done.text.drain(..done.text.len() - done.text.trim_start().len());
                match open.last_mut() {
                    Some(parent) => parent.children.push(done),
                    None => root = root.or(Some(done)),
                }
            }
            Event::Text(text) => {
                if let Some(element) = open.last_mut() {
                    element.text.push_str(&text);
                }
            }
            Event::CData(text) => {
                if let Some(element) = open.last_mut() {
                    element.text.push_str(&text.into_inner());
                }
            }
            Event::GeneralRef(name) => {
                if let Some(element) = open.last_mut() {
                    // Entities that a document defines itself are not followed: they could blow it up without end.
                    match name.resolve_char_ref() {
                        Ok(Some(character)) => element.text.push(character),
                        _ => element.text.push_str(resolve_predefined_entity(&name).unwrap_or_default()),
                    }
                }
            }
            Event::Eof => break,
            Event::Comment(_) | Event::Decl(_) | Event::PI(_) | Event::DocType(_) => {}
        }
    }
    match root {
        Some(root) if open.is_empty() => Ok(root),
        _ => Err((lines.line, "the document ends within an element".into())),
    }
}

pub(super) fn budget() -> usize {
    MAX_ELEMENTS
}

fn element(start: &BytesStart<'_>, line: usize, n_left: &mut usize) -> Result<Element, (usize, String)> {
    *n_left = n_left.checked_sub(1).ok_or_else(|| (line, format!("more than {MAX_ELEMENTS} elements")))?;
    let local = |name: &str| name.rsplit(':').next().unwrap_or(name).to_owned();
    let mut element = Element { name: local(start.name().0), line, ..Element::default() };
    for attribute in start.attributes() {
        let attribute = attribute.map_err(|error| (line, error.to_string()))?;
        let value = attribute.normalized_value(XmlVersion::Implicit1_0).map_err(|error| (line, error.to_string()))?;
        element.attributes.push((local(attribute.key.0), value.trim().to_owned()));
    }
    Ok(element)
}

/// Lines of growing positions.
struct Lines<'t> {
    text: &'t str,
    at: usize,
    line: usize,
}

impl Lines<'_> {
    fn of(&mut self, position: usize) -> usize {
        let bytes = self.text.as_bytes();
        let to = position.min(bytes.len());
        if let Some(passed) = bytes.get(self.at..to) {
            self.line += passed.iter().filter(|byte| **byte == b'\n').count();
            self.at = to;
        }
        self.line
    }
}

/// Every element with an `ID`, by that.
pub(super) fn ids(documents: &[(String, Element)]) -> BTreeMap<&str, (usize, &Element)> {
    let mut ids = BTreeMap::new();
    for (idx, (_, root)) in documents.iter().enumerate() {
        root.visit(&mut |element| {
            if let Some(id) = element.attribute("ID") {
                ids.entry(id).or_insert((idx, element));
            }
        });
    }
    ids
}
