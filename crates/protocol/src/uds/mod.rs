//! The services of ISO 14229-1 that set a module to something: sessions, outputs, routines, periodic and defined reads.
//!
//! One file per service, each with requests and readings, all pure. These build and read messages; whether one may be sent
//! is decided elsewhere.

pub mod dtc_setting;
pub mod dynamic;
pub mod io_control;
pub mod periodic;
pub mod routine;
pub mod session;
pub mod tester_present;
