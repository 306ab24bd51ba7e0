//! The services of ISO 14229-1: sessions, codes, outputs, routines, periodic and defined reads, clearing and restart.
//!
//! One file per service, each with requests and readings, all pure. These build and read messages; whether one may be sent
//! is decided elsewhere.

pub mod clear_codes;
pub mod codes;
pub mod dtc_setting;
pub mod dynamic;
pub mod io_control;
pub mod periodic;
pub mod reset;
pub mod routine;
pub mod security;
pub mod session;
pub mod tester_present;
