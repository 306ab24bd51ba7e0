//! The workbench as it runs, from outside: a command under a finger, who may do what, and what hostile neighbours try.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a test fails by panicking")]

mod abuse;
mod bench;
mod hold;
mod neighbours;
mod page;
mod paths;
mod roles;
mod sessions;
mod shared;
mod stalls;
