//! A report as PDF, set by typst with the fonts that it carries.

use std::sync::LazyLock;

use serde::Serialize;
use signal::Recording;
use typst::diag::{FileError, FileResult, SourceDiagnostic};
use typst::foundations::{Bytes, Datetime, Duration, Smart};
use typst::syntax::{FileId, RootedPath, Source, VirtualPath, VirtualRoot};
use typst::text::{Font, FontBook};
use typst::utils::LazyHash;
use typst::{Library, LibraryExt, World};
use typst_kit::fonts::{FontStore, embedded};
use typst_layout::PagedDocument;
use typst_pdf::PdfOptions;

use crate::chart::turns;
use crate::page::{Block, compose};
use crate::texts::Texts;
use crate::{Case, Paper, Settings, Shop};

const PAGE: &str = include_str!("page.typ");

/// Why no PDF could be made.
#[derive(Debug, thiserror::Error)]
pub enum PdfError {
    /// The data of the page cannot be written down.
    #[error("the report's data cannot be laid out: {0}")]
    Data(#[from] serde_json::Error),
    /// The typesetter refused the page, or a picture in it.
    #[error("the page cannot be set: {0}")]
    Set(String),
}

/// What `page.typ` reads.
#[derive(Serialize)]
struct Data<'a> {
    title: String,
    language: &'a str,
    paper: &'a str,
    number: String,
    made_by: String,
    /// The words around the number of the page and the number of pages.
    page_words: [String; 3],
    shop: &'a Shop,
    logo: Option<&'a str>,
    blocks: Vec<Block>,
}

/// The whole report as PDF; the same case gives the same bytes.
///
/// `recordings` stand beside [`Case::drives`]; a missing one only costs its pictures.
///
/// # Errors
/// [`PdfError`] when a picture, such as the shop's logo, cannot be read.
pub fn pdf(case: &Case, recordings: &[Option<&Recording>], settings: &Settings) -> Result<Vec<u8>, PdfError> {
    let texts = Texts::of(settings.language);
    let logo = case.shop.logo.as_ref().map(|image| (image.named("logo"), image.bytes().to_vec()));
    let blocks = compose(case, recordings, settings);
    let files: Vec<(String, Vec<u8>)> = logo.iter().cloned().chain(photos(&blocks)).collect();
    let numbered = |text: String| if case.number.is_empty() { String::new() } else { text };
    let page_words = texts.get("text", "page");
    let (before, rest) = page_words.split_once("{n}").unwrap_or((&page_words, ""));
    let (between, after) = rest.split_once("{of}").unwrap_or((rest, ""));
    let made_by = texts.fill("text", "made_by", &[("software", &case.software)]);
    let data = Data {
        title: texts.get("title", "report"),
        language: texts.code(),
        paper: match settings.paper {
            Paper::A4 => "a4",
            Paper::Letter => "us-letter",
        },
        number: numbered(texts.fill("title", "case", &[("number", &case.number)])),
        made_by: if case.software.is_empty() { String::new() } else { made_by },
        page_words: [before, between, after].map(str::to_owned),
        shop: &case.shop,
        logo: logo.as_ref().map(|(name, _)| name.as_str()),
        blocks,
    };
    let data = serde_json::to_string(&data)?.replace(turns, "\u{FFFD}");
    let desk = Desk::new(data.into_bytes(), files)?;
    let document: PagedDocument = typst::compile(&desk).output.map_err(|errors| refused(&errors))?;
    let options = PdfOptions { creator: Smart::Custom(Some(case.software.clone())), ..PdfOptions::default() };
    typst_pdf::pdf(&document, &options).map_err(|errors| refused(&errors))
}

fn refused(errors: &[SourceDiagnostic]) -> PdfError {
    PdfError::Set(errors.iter().map(|error| error.message.to_string()).collect::<Vec<_>>().join("; "))
}

/// The photographs among blocks, by the names under which the page asks for them.
fn photos(blocks: &[Block]) -> Vec<(String, Vec<u8>)> {
    let each = blocks.iter().flat_map(|block| match block {
        Block::Photo { image, file, .. } => vec![(file.clone(), image.bytes().to_vec())],
        Block::Pair { left, right } => [photos(left), photos(right)].concat(),
        _ => Vec::new(),
    });
    each.collect()
}

/// Everything that the typesetter may see: the page, its data, logo and photographs, and the fonts in the program. No file of the
/// machine, no network, no clock.
struct Desk {
    page: Source,
    files: Vec<(FileId, Bytes)>,
}

fn id(name: &str) -> Result<FileId, PdfError> {
    let path = VirtualPath::new(name).map_err(|error| PdfError::Set(error.to_string()))?;
    Ok(RootedPath::new(VirtualRoot::Project, path).intern())
}

impl Desk {
    fn new(data: Vec<u8>, pictures: Vec<(String, Vec<u8>)>) -> Result<Self, PdfError> {
        let mut files = vec![(id("data.json")?, Bytes::new(data))];
        for (name, bytes) in pictures {
            files.push((id(&name)?, Bytes::new(bytes)));
        }
        Ok(Self { page: Source::new(id("page.typ")?, PAGE.to_owned()), files })
    }
}

fn fonts() -> &'static FontStore {
    static FONTS: LazyLock<FontStore> = LazyLock::new(|| {
        let mut store = FontStore::new();
        store.extend(embedded());
        store
    });
    &FONTS
}

impl World for Desk {
    fn library(&self) -> &LazyHash<Library> {
        static LIBRARY: LazyLock<LazyHash<Library>> = LazyLock::new(|| LazyHash::new(Library::default()));
        &LIBRARY
    }

    fn book(&self) -> &LazyHash<FontBook> {
        fonts().book()
    }

    fn main(&self) -> FileId {
        self.page.id()
    }

    fn source(&self, id: FileId) -> FileResult<Source> {
        if id == self.page.id() { Ok(self.page.clone()) } else { Err(FileError::AccessDenied) }
    }

    fn file(&self, id: FileId) -> FileResult<Bytes> {
        self.files.iter().find(|file| file.0 == id).map(|file| file.1.clone()).ok_or(FileError::AccessDenied)
    }

    fn font(&self, index: usize) -> Option<Font> {
        fonts().font(index)
    }

    fn today(&self, _: Option<Duration>) -> Option<Datetime> {
        None
    }
}
