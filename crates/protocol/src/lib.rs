//! What vehicles and adapters say to each other: bytes and `now` go in; messages, events and the next deadline come out.
//!
//! This crate must not know ports, clocks or threads. Everything in it can be run by a live car, by the stand-in and by
//! a test alike. Bytes that come from outside can be anything: nothing here panics on them.
//!
//! - [`Address`]: who speaks, and how to reach it.

#![deny(clippy::indexing_slicing)]

mod address;

pub use address::{Address, AddressError, Bus};

/// Nanoseconds of a monotonic clock; the zero is the caller's.
pub type Nanos = i64;
