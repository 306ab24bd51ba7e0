//! Pure functions from a recording to findings.
//!
//! This crate must not know cars, files or the web, and it never meets the stand-in. A check is one file with one
//! function; [`examine`] runs all of [`CHECKS`].

mod airflow;
mod answer;
mod charging;
mod command;
pub mod compare;
mod cranking;
mod drawn;
mod dropout;
mod examination;
mod exposure;
mod finding;
mod made;
pub mod misfire;
mod mixture;
mod noise;
mod odd_wheel;
mod pair;
mod physics;
pub mod proof;
mod skew;
mod stats;
pub mod suspects;
pub mod swap;
mod tone_ring;
mod warm_up;
mod wheel_size;
mod wheels;

pub use examination::Examination;
pub use finding::{Check, Finding, Kind, Span, Verdict};
pub use stats::{change, periodogram, poisson};

/// What checks look at, as pictures for people.
pub mod views {
    pub use crate::misfire::{LoadMap, MAP_CELL, MapCell, load_map};
    pub use crate::pair::{PairCell, PairError, pair_error};
    pub use crate::tone_ring::{RING_TOLERANCE_PERCENT, TURNS_PER_M, WheelSpectrum, wheel_spectra};
}

use signal::Recording;

/// All checks, in the order in which their findings are reported.
pub const CHECKS: &[Check] = &[
    dropout::CHECK,
    noise::CHECK,
    odd_wheel::CHECK,
    tone_ring::CHECK,
    wheel_size::CHECK,
    pair::CHECK,
    misfire::CHECK,
    mixture::CHECK,
    airflow::CHECK,
    charging::CHECK,
    cranking::CHECK,
    warm_up::CHECK,
    command::CHECK,
];

/// Runs every check over a recording.
#[must_use]
pub fn examine(recording: &Recording) -> Vec<Finding> {
    let examination = Examination::new(recording);
    CHECKS.iter().flat_map(|check| (check.run)(&examination)).collect()
}
