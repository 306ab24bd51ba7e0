//! Everything that reads bytes from outside, fed with any bytes: one file per target in `targets`.
//!
//! A [`Target`] takes bytes, gives them to one reader of the workspace and asserts what must hold whatever they are:
//! nothing panics, what is read was there, what is written reads back, every operation ends. Its seeds are made when they
//! are asked for, from the stand-in and from the open recordings beside the clone. The program that `cargo xtask fuzz`
//! builds from this crate hands the targets to libFuzzer; without the feature `libfuzzer` they are plain functions, and a
//! test runs each on its seeds and on damaged copies of them.
//!
//! It is a member of the workspace, so that a changed interface breaks the targets at once, and the feature is off
//! otherwise, so that ordinary builds need no C++ compiler. Nothing uses this crate. It must not know what a reader
//! ought to make of its bytes, beyond what holds for all of them.

#![allow(clippy::panic, clippy::unwrap_used, reason = "a target reports by panicking")]

mod scratch;
mod script;
mod seeds;
mod targets;

pub use seeds::Seeds;
pub use targets::TARGETS;

/// One reader of bytes from outside.
#[derive(Clone, Copy)]
pub struct Target {
    /// Its name, that of its file.
    pub name: &'static str,
    /// Longest input that is tried, bytes.
    pub max_len: usize,
    /// Words that its inputs are likely to hold.
    pub words: &'static [&'static str],
    /// Adds inputs to begin with.
    pub seeds: fn(&mut Seeds),
    /// Reads the bytes; panics when something does not hold.
    pub run: fn(&[u8]),
}

/// The target of this name.
#[must_use]
pub fn target(name: &str) -> Option<&'static Target> {
    TARGETS.iter().find(|target| target.name == name)
}
