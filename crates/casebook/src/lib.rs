//! Vehicles, cases and their ledger: an append-only list of typed entries with a hash chain over them.
//!
//! By default a casebook is one file with an embedded database; with the feature `postgres` the same casebook can be kept
//! on a server, for a shop with several bays. Its types are those of [`wire`]. This crate must not know protocols, cars,
//! or how a finding comes about; files that belong to a case are only named here, with their checksums.
//!
//! ```
//! use casebook::{Author, Casebook, NewCase};
//! use wire::Content;
//!
//! let folder = tempfile::tempdir().unwrap();
//! let mut casebook = Casebook::open_file(&folder.path().join("casebook.sqlite"))?;
//! let me = Author { who: "Ada".into(), software: "example 1.0".into() };
//! let case = casebook.open_case(&me, &NewCase { complaint: "it stumbles when warm".into(), ..NewCase::default() })?;
//! casebook.append(&me, case.number, &Content::Note { text: "coil 1 looks cracked".into() })?;
//! assert_eq!(casebook.search("stumble cracked", 10)?[0].number, case.number);
//! assert!(casebook.verify(case.number)?.is_empty());
//! # Ok::<(), casebook::CasebookError>(())
//! ```

mod chain;
mod db;
mod error;
mod files;
mod reading;
mod rows;
mod schema;
mod search;
mod store;
mod writing;

pub use chain::verify;
pub use error::CasebookError;
pub use files::{sha256, sha256_of_file};
pub use reading::{corrections, effective, just_before_unix_ms, n_cylinders, placements};
pub use search::REFERENCE_TERM;
pub use store::{Author, Casebook, NewCase, RawEntry};
