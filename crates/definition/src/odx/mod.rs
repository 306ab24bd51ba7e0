//! Reading ODX: diagnostic descriptions of ISO 22901-1, as single documents or packed (PDX).
//!
//! [`Database`] holds the layers of a file with their services; a [`Service`] makes request bytes of values and values of
//! response bytes. What a layer offers to a workbench (identifiers, outputs, routines, codes) is offered as a file of
//! definitions. Program code in a description (jobs, computed conversions) is never run.

mod code;
#[cfg(test)]
mod endless;
mod offer;
mod read;
mod types;
mod xml;

use std::collections::BTreeMap;
use std::io::{Cursor, Read as _};
use std::sync::Arc;

pub use code::CodeError;
pub use types::{Dtc, Value};

use protocol::Address;

use crate::error::{DefinitionError, FileProblem};
use crate::packed::MAX_MEMBERS;
use types::{Kind, Structure};

/// Longest packed or single file, and most that a packed one may unpack to, bytes.
const MAX_PACKED: usize = 256 << 20;
const MAX_UNPACKED: u64 = 1 << 30;
/// Most times its packed size that a document may have; such documents shrink to a fiftieth at most, and one made to fill
/// the memory to a thousandth.
const MAX_RATIO: u64 = 200;
/// Up to this size nobody asks, bytes.
const SMALL: u64 = 1 << 20;

/// The diagnostic layers of a file.
#[derive(Debug, Clone)]
pub struct Database {
    /// Every layer, in the order of the file.
    pub layers: Vec<Layer>,
    /// What could not be used, with its line. The rest was read.
    pub problems: Vec<DefinitionError>,
}

/// Kinds of layers.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LayerKind {
    /// How to talk.
    Protocol,
    /// What several modules have in common.
    FunctionalGroup,
    /// What all variants of a module have in common.
    BaseVariant,
    /// One variant of a module.
    EcuVariant,
    /// Data that others use.
    SharedData,
}

impl LayerKind {
    fn of(element: &str) -> Option<Self> {
        Some(match element {
            "PROTOCOL" => Self::Protocol,
            "FUNCTIONAL-GROUP" => Self::FunctionalGroup,
            "BASE-VARIANT" => Self::BaseVariant,
            "ECU-VARIANT" => Self::EcuVariant,
            "ECU-SHARED-DATA" => Self::SharedData,
            _ => return None,
        })
    }
}

/// One layer, with what it has from its parents.
#[derive(Debug, Clone)]
pub struct Layer {
    /// Its kind.
    pub kind: LayerKind,
    /// Short name.
    pub name: String,
    /// Long name.
    pub title: Option<String>,
    id: String,
    parents: Vec<String>,
    /// Its services.
    pub services: Vec<Service>,
    /// Names of jobs, which are program code and are not run.
    pub jobs: Vec<String>,
    /// The trouble codes of its data objects.
    pub codes: Vec<Dtc>,
    /// What answers tell that a module is this variant: any of the lists, all of a list.
    pub patterns: Vec<Vec<MatchingParameter>>,
    /// Communication parameters by name, such as `CP_Baudrate`.
    pub parameters: BTreeMap<String, Vec<String>>,
}

/// An answer that tells a variant.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct MatchingParameter {
    /// The service to ask.
    pub service: String,
    /// The parameter of its response, names joined by dots.
    pub parameter: String,
    /// The value that it has, as text.
    pub expected: String,
}

/// A service: a request and its responses.
#[derive(Debug, Clone)]
pub struct Service {
    /// Short name.
    pub name: String,
    /// Long name.
    pub title: Option<String>,
    /// What it is for, such as `CURRENTDATA`.
    pub semantic: Option<String>,
    pub(crate) request: Arc<Structure>,
    pub(crate) positive: Vec<Arc<Structure>>,
    pub(crate) negative: Vec<Arc<Structure>>,
}

/// What came back.
#[derive(Debug, Clone, PartialEq)]
pub struct Decoded {
    /// Name of the response in the file.
    pub name: String,
    /// Whether it is a positive one.
    pub is_positive: bool,
    /// Its parameters.
    pub values: Value,
}

impl Service {
    /// The request with these values; parameters that are not given have their defaults.
    ///
    /// # Errors
    /// [`CodeError`] names the parameter that is missing or cannot be written, or the constant that lies over another one.
    pub fn request(&self, values: &[(&str, Value)]) -> Result<Vec<u8>, CodeError> {
        let bytes = code::encode(&self.request, &given(values), &[])?;
        if self.request_parameters().next().is_none() {
            // Made of constants alone, it must read as it was described, or it is another request.
            self.read_request(&bytes)?;
        }
        Ok(bytes)
    }

    /// The values in request bytes.
    ///
    /// # Errors
    /// [`CodeError`] if the bytes are not this request.
    pub fn read_request(&self, bytes: &[u8]) -> Result<Value, CodeError> {
        code::decode(&self.request, bytes, &[])
    }

    /// A response with these values to a request, as the module sends it.
    ///
    /// # Errors
    /// [`CodeError`]; also if the service has no response of this name.
    pub fn response(&self, name: &str, values: &[(&str, Value)], request: &[u8]) -> Result<Vec<u8>, CodeError> {
        code::encode(self.named(name)?, &given(values), request)
    }

    /// The values in response bytes: of the first response that they fit, positive ones first.
    ///
    /// # Errors
    /// [`CodeError`] of the response that got furthest, if they fit none.
    pub fn read_response(&self, bytes: &[u8], request: &[u8]) -> Result<Decoded, CodeError> {
        let mut first_error = None;
        let positive = self.positive.iter().map(|structure| (structure, true));
        for (structure, is_positive) in positive.chain(self.negative.iter().map(|structure| (structure, false))) {
            match code::decode(structure, bytes, request) {
                Ok(values) => return Ok(Decoded { name: structure.name.clone(), is_positive, values }),
                Err(error) => drop(first_error.get_or_insert(error)),
            }
        }
        let none = || CodeError { parameter: self.name.clone(), what: "the service has no response".into() };
        Err(first_error.unwrap_or_else(none))
    }

    /// The values in response bytes, taken as the response of this name.
    ///
    /// # Errors
    /// [`CodeError`] if they are not that response, or there is none of this name.
    pub fn read_response_as(&self, name: &str, bytes: &[u8], request: &[u8]) -> Result<Value, CodeError> {
        code::decode(self.named(name)?, bytes, request)
    }

    fn named(&self, name: &str) -> Result<&Structure, CodeError> {
        let found = self.positive.iter().chain(&self.negative).find(|structure| structure.name == name);
        let what = "the service has no such response".to_owned();
        found.map(Arc::as_ref).ok_or_else(|| CodeError { parameter: name.to_owned(), what })
    }

    /// Names of its responses, with whether each is positive.
    pub fn responses(&self) -> impl Iterator<Item = (&str, bool)> {
        let positive = self.positive.iter().map(|structure| (structure.name.as_str(), true));
        positive.chain(self.negative.iter().map(|structure| (structure.name.as_str(), false)))
    }

    /// Names of the parameters of its request that can be given.
    pub fn request_parameters(&self) -> impl Iterator<Item = &str> {
        let is_open =
            |kind: &Kind| !matches!(kind, Kind::CodedConst { .. } | Kind::PhysConst { .. } | Kind::Reserved { .. });
        let parameters = self.request.parameters.iter();
        parameters.filter(move |parameter| is_open(&parameter.kind)).map(|parameter| parameter.name.as_str())
    }
}

fn given(values: &[(&str, Value)]) -> Value {
    Value::Structure(values.iter().map(|(name, value)| ((*name).to_owned(), value.clone())).collect())
}

impl Database {
    /// Reads a packed file (PDX) or a single document.
    ///
    /// # Errors
    /// [`DefinitionError`] if it is neither, or a document is no well-formed XML. What is wrong with a single service is
    /// in [`Database::problems`].
    pub fn read(bytes: &[u8], file: &str) -> Result<Self, DefinitionError> {
        let texts = unpack(bytes).map_err(|what| DefinitionError {
            file: file.to_owned(),
            line: 1,
            problem: FileProblem::Format(what),
        })?;
        let mut n_left = xml::budget();
        let mut documents = Vec::new();
        for (name, text) in texts {
            let full = if name.is_empty() { file.to_owned() } else { format!("{file}: {name}") };
            let root = xml::parse(&text, &mut n_left).map_err(|(line, what)| DefinitionError {
                file: full.clone(),
                line,
                problem: FileProblem::Format(what),
            })?;
            documents.push((full, root));
        }
        let ids = xml::ids(&documents);
        let (layers, troubles) = read::layers(&documents, &ids);
        if layers.is_empty() {
            let what = "it describes no diagnostic layer".to_owned();
            return Err(DefinitionError { file: file.to_owned(), line: 1, problem: FileProblem::Format(what) });
        }
        let problems = troubles.into_iter().map(|trouble| DefinitionError {
            file: documents.get(trouble.document).map_or_else(|| file.to_owned(), |(name, _)| name.clone()),
            line: trouble.line,
            problem: FileProblem::LeftOut(trouble.what),
        });
        Ok(Self { layers, problems: problems.collect() })
    }

    /// A layer by its short name.
    #[must_use]
    pub fn layer(&self, name: &str) -> Option<&Layer> {
        self.layers.iter().find(|layer| layer.name == name)
    }

    /// The variant of a module that answers like this one: `ask` sends a request and gives what comes back.
    ///
    /// Every service is asked once. `None` if no variant's pattern fits.
    pub fn identify(&self, mut ask: impl FnMut(&[u8]) -> Option<Vec<u8>>) -> Option<&Layer> {
        let is_variant = |layer: &&Layer| matches!(layer.kind, LayerKind::EcuVariant | LayerKind::BaseVariant);
        fitting(self.layers.iter().filter(is_variant), &mut ask)
    }

    /// The variants that the modules of a car turn out to be, where several share one address: `ask` sends a request to a
    /// module and gives what comes back.
    pub(crate) fn identify_all(&self, mut ask: impl FnMut(Address, &[u8]) -> Option<Vec<u8>>) -> Vec<&Layer> {
        let bases = self.layers.iter().filter(|layer| layer.kind == LayerKind::BaseVariant);
        let several = bases.map(|base| (base, self.variants_of(base))).filter(|(_, variants)| variants.len() > 1);
        several
            .filter_map(|(base, variants)| {
                let address = base.address().or_else(|| variants.iter().find_map(|variant| variant.address()))?;
                fitting(variants.into_iter(), &mut |request| ask(address, request))
            })
            .collect()
    }

    /// The variants of a module.
    fn variants_of(&self, base: &Layer) -> Vec<&Layer> {
        let is_own = |layer: &&Layer| layer.kind == LayerKind::EcuVariant && layer.parents.contains(&base.id);
        self.layers.iter().filter(is_own).collect()
    }
}

/// The first of these layers one of whose patterns fits what a module answers.
fn fitting<'l>(
    layers: impl Iterator<Item = &'l Layer>,
    ask: &mut dyn FnMut(&[u8]) -> Option<Vec<u8>>,
) -> Option<&'l Layer> {
    let mut answers: BTreeMap<Vec<u8>, Option<Vec<u8>>> = BTreeMap::new();
    for layer in layers {
        let mut fits = |row: &MatchingParameter| {
            let service = layer.services.iter().find(|service| service.name == row.service)?;
            let request = service.request(&[]).ok()?;
            let answer = answers.entry(request.clone()).or_insert_with(|| ask(&request)).clone()?;
            let decoded = service.read_response(&answer, &request).ok()?;
            let value = row.parameter.split('.').try_fold(&decoded.values, |value, name| value.get(name))?;
            Some(value.shows(&row.expected))
        };
        let mut all =
            |pattern: &Vec<MatchingParameter>| !pattern.is_empty() && pattern.iter().all(|row| fits(row) == Some(true));
        if layer.patterns.iter().any(&mut all) {
            return Some(layer);
        }
    }
    None
}

impl Value {
    /// Whether a text in a description stands for this value.
    fn shows(&self, text: &str) -> bool {
        match self {
            Self::Number(number) => text.parse() == Ok(*number),
            Self::Text(own) => own == text,
            Self::Bytes(bytes) => {
                let hex: String = bytes.iter().map(|byte| format!("{byte:02X}")).collect();
                hex.eq_ignore_ascii_case(text)
            }
            Self::Code(number) => text.parse() == Ok(*number),
            Self::Structure(_) | Self::List(_) | Self::Case(..) => false,
        }
    }
}

/// Whether bytes look like a packed or single description.
pub(crate) fn is_likely(bytes: &[u8]) -> bool {
    let text = bytes.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(bytes).trim_ascii_start();
    bytes.starts_with(b"PK\x03\x04") || text.starts_with(b"<")
}

/// The documents with diagnostic layers, each with its name within the packed file.
fn unpack(bytes: &[u8]) -> Result<Vec<(String, String)>, String> {
    if bytes.len() > MAX_PACKED {
        return Err(format!("longer than {} MB", MAX_PACKED >> 20));
    }
    if !bytes.starts_with(b"PK") {
        return Ok(vec![(String::new(), crate::dbc::text(bytes).into_owned())]);
    }
    let damaged = |error: zip::result::ZipError| format!("the zip archive is damaged: {error}");
    let mut archive = crate::packed::open(Cursor::new(bytes)).map_err(damaged)?;
    if archive.len() > MAX_MEMBERS {
        return Err(format!("more than {MAX_MEMBERS} files in it"));
    }
    let (mut texts, mut left) = (Vec::new(), MAX_UNPACKED);
    for idx in 0..archive.len() {
        let mut entry = archive.by_index(idx).map_err(damaged)?;
        let name = entry.name().map_err(damaged)?.into_owned();
        let ending = name.rsplit('.').next().unwrap_or_default().to_ascii_lowercase();
        if !(ending == "odx" || ending.starts_with("odx-")) {
            continue;
        }
        let mut content = Vec::new();
        // Sizes in an archive's directory may lie: what comes out is counted.
        let believable = entry.compressed_size().saturating_mul(MAX_RATIO).max(SMALL);
        (&mut entry)
            .take(left.min(believable) + 1)
            .read_to_end(&mut content)
            .map_err(|error| format!("`{name}` does not unpack: {error}"))?;
        if content.len() as u64 > believable {
            return Err(format!("`{name}` unpacks to more than {MAX_RATIO} times its size"));
        }
        left = left
            .checked_sub(content.len() as u64)
            .ok_or_else(|| format!("it unpacks to more than {} MB", MAX_UNPACKED >> 20))?;
        texts.push((name, crate::dbc::text(&content).into_owned()));
    }
    if texts.is_empty() { Err("there is no ODX document in it".into()) } else { Ok(texts) }
}
