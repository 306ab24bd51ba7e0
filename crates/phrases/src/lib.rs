//! What the program says of its own, in another language.
//!
//! Checks, the fault model and the texts of codes speak English, and cases keep what they said. Whoever shows it to a
//! reader of another language looks it up here, by the English words: in `data/`, one folder per language, each line an
//! English phrase and its translation. The workbench reads the same files, by the same rules (`web/src/text/said.ts`),
//! and both are held to `data/examples.json`.
//!
//! A phrase may have places: `{}` stands for anything that can itself be said, `{n}` for one word that stays as it is,
//! and `{*module}` for any words that stay. Sentences behind one another are looked up one by one, and numbers are
//! written as the language writes them. What is not known as a whole is not translated at all: half a sentence in
//! another language is worse than none.
//!
//! This crate must not know what any phrase is about, and who shows it.
//!
//! ```
//! let said = phrases::spanish().said("ignition coil of cylinder 1, now on cylinder 4");
//! assert_eq!(said.as_deref(), Some("bobina de encendido del cilindro 1, ahora en el cilindro 4"));
//! ```

mod book;

pub use book::Phrasebook;

use std::sync::LazyLock;

/// The files of Spanish.
const SPANISH: &[&str] = &[
    include_str!("../data/es/codes.json"),
    include_str!("../data/es/compared.json"),
    include_str!("../data/es/findings_engine.json"),
    include_str!("../data/es/findings_signals.json"),
    include_str!("../data/es/findings_wheels.json"),
    include_str!("../data/es/parameters.json"),
    include_str!("../data/es/signals.json"),
    include_str!("../data/es/suspects.json"),
    include_str!("../data/es/talk.json"),
    include_str!("../data/es/verdicts.json"),
    include_str!("../data/es/words.json"),
];

/// Spanish.
#[must_use]
pub fn spanish() -> &'static Phrasebook {
    static BOOK: LazyLock<Phrasebook> = LazyLock::new(|| {
        let contracted = [(" de el ", " del "), (" a el ", " al ")];
        Phrasebook::read(SPANISH, ',', &contracted).expect("a test reads the embedded phrases")
    });
    &BOOK
}
