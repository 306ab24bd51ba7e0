//! A case as a page to hand over: HTML (one file, no scripts) and PDF, with its pictures.
//!
//! A [`Case`] and its recordings go in; [`compose`](fn@page::compose) makes one list of [`page::Block`]s of them, and
//! two writers show that list: [`html`] and, with the feature `pdf`, `pdf`. Pictures are SVG from one writer
//! ([`chart`]) for both. All words are in `texts/`, one file per language. Nothing here claims more than the findings do.
//!
//! This crate must not know the database, cars, files or how anything is computed: it shows what it is given. Every text
//! of a case may come from a car or a stranger, so it is escaped in HTML and handed to the typesetter as a value, never
//! as markup.
//!
//! ```
//! use report::{Case, Settings, html};
//!
//! let case = Case { complaint: "stumbles <uphill>".into(), ..Case::default() };
//! let page = html(&case, &[], &Settings::default());
//! assert!(page.contains("stumbles &lt;uphill&gt;") && !page.contains("<script"));
//! ```

mod case;
pub mod chart;
mod customer;
mod html;
mod ledger;
pub mod page;
#[cfg(feature = "pdf")]
mod pdf;
mod pictures;
mod plain;
mod technical;
mod texts;
mod units;

pub use case::{Case, Drive, Entry, File, Image, Judged, Moment, Photo, Settings, Shop, Survey, Swap, Vehicle};
pub use html::html;
pub use ledger::repairs;
#[cfg(feature = "pdf")]
pub use pdf::{PdfError, pdf};
pub use plain::in_plain_words;
pub use texts::Language;
pub use units::{Paper, Units};
