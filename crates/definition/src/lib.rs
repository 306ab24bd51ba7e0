//! Which request yields which signal of which module, and what a standard trouble code means.
//!
//! This crate must not know any open connection.

pub mod codes;
