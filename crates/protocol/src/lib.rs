//! What vehicles and adapters say to each other: bytes and `now` go in; messages, events and the next deadline come out.
//!
//! This crate must not know ports, clocks or threads. Everything in it can be run by a live car, by the stand-in and by
//! a test alike. Bytes that come from outside can be anything: nothing here panics on them.
//!
//! - [`Address`]: who speaks, and how to reach it; [`exchange`]: one request and what came back.
//! - [`isotp`]: messages longer than a CAN frame; [`dialogue`]: how long an answer is waited for, and how often asked;
//!   [`timing`]: what modules say of that.
//! - [`at`]: the text of AT-command adapters; [`slcan`]: that of serial-line CAN adapters; [`doip`]: diagnostics over IP.
//! - [`header`]: the three bytes in front of messages on K-lines.
//! - [`obd`], [`uds_read`], [`uds`] and [`kwp`]: requests and replies of the diagnostic services; [`Code`], [`Vin`]: what they bring.

#![deny(clippy::indexing_slicing)]

mod address;
pub mod at;
pub mod can;
mod code;
pub mod dialogue;
pub mod doip;
pub mod exchange;
pub mod header;
pub mod isotp;
pub mod kwp;
pub mod obd;
mod reply;
pub mod slcan;
pub mod timing;
pub mod uds;
pub mod uds_read;
mod vin;

pub use address::{Address, AddressError, Bus};
pub use can::{CanFrame, CanId};
pub use code::{Code, CodeError, CodeStatus, Definer, System, failure_type_text};
pub use reply::{Decoded, Hex, NEGATIVE, NegativeCode, Problem, ReplyError, reply_body};
pub use vin::{Vin, VinError, VinWarning};

/// Nanoseconds of a monotonic clock; the zero is the caller's.
pub type Nanos = i64;
