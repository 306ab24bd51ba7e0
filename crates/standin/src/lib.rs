//! An invented car to test against and to show things with: the Tarnwick Fell 1.6, a petrol four-cylinder.
//!
//! Physics, faults, control modules and the adapter faces that the car can wear. It must not know the analysis: it only
//! behaves as a car would, and whoever judges it sees bytes alone. Its encoders are its own, so that an error in the
//! project's decoders cannot hide.
//!
//! - [`open`]: a link to the car inside this process, on a virtual clock; [`dial`] and [`can_dial`]: its two ends.
//! - [`dial_with_truth`]: the same, and what the car really did, to hold a tester against.
//! - [`serve_tcp`], [`serve_pty`]: the same for other programs, in real time or faster.
//! - [`OPTIONS`] and [`FAULT_FORMS`]: what a stand-in's name can say.
//!
//! ```
//! let mut dial = standin::dial("fell?script=idle")?;
//! let mut port = dial.dial()?;
//! port.write_all(b"ATI\r")?;
//! let mut said = [0; 64];
//! assert!(port.read_until(&mut said, 1_000_000_000)? > 0);
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```

mod broadcast;
mod bus;
mod can;
mod car;
mod dial;
mod face;
mod faults;
mod model;
mod modules;
mod physics;
mod rig;
mod rng;
mod road;
mod serve;
mod spec;
mod trace;
mod truth;

pub use can::can_dial;
pub use dial::{OpenError, dial, dial_with_truth, open};
pub use faults::FAULT_FORMS;
pub use modules::VIN;
pub use serve::{Terminal, scheme, serve_pty, serve_tcp};
pub use spec::OPTIONS;
pub use trace::trace;
pub use truth::{Answer, Truth};

/// What the modules of the car offer beyond the standard, as a maker's definition file.
pub const DEFINITIONS: &str = include_str!("../data/tarnwick.toml");

/// The same of the older car, which tells no VIN that the file could name.
pub const FEN_DEFINITIONS: &str = include_str!("../data/fen.toml");

/// The maker's definition file of the car that `spec` names.
///
/// # Errors
/// [`StandinError`] when `spec` has a name, an option or a value that does not exist.
pub fn definitions(spec: &str) -> Result<&'static str, StandinError> {
    let spec: spec::Spec = spec.parse()?;
    Ok(if spec.vin().is_empty() { FEN_DEFINITIONS } else { DEFINITIONS })
}

/// What the modules broadcast where the connector carries it (option `broadcast`), as a DBC file.
pub const BROADCASTS: &str = include_str!("../data/tarnwick.dbc");

/// The cars: the name in an adapter address, and what it is.
pub fn cars() -> impl Iterator<Item = (&'static str, &'static str)> {
    model::MODELS.into_iter().map(|(name, _, about)| (name, about))
}

#[doc = include_str!("../data/roads/README.md")]
pub const SCRIPTS: [&str; 7] = ["mixed", "town", "cruise", "corners", "pedal", "warmup", "idle"];

/// Why a stand-in could not be set up.
#[derive(Debug, thiserror::Error)]
pub enum StandinError {
    /// No such car.
    #[error("there is no stand-in car `{car}`; there are: {known}")]
    Car {
        /// What was asked for.
        car: String,
        /// What there is.
        known: String,
    },
    /// No such option.
    #[error("the stand-in has no option `{option}`; it has: {known}")]
    Option {
        /// What was asked for.
        option: String,
        /// What there is.
        known: String,
    },
    /// An option with an impossible value.
    #[error("stand-in option `{option}={value}`: expected {expected}")]
    Value {
        /// The option.
        option: String,
        /// Its value.
        value: String,
        /// What it should look like.
        expected: String,
    },
    /// A fault that does not exist or is not written right.
    #[error("stand-in fault `{fault}`: {what}; faults are: {known}")]
    Fault {
        /// What was asked for.
        fault: String,
        /// What is wrong.
        what: String,
        /// What there is.
        known: String,
    },
    /// A road script that cannot be driven.
    #[error("road script `{script}`, line {line}: {what}")]
    Script {
        /// Its name.
        script: String,
        /// Line, from 1.
        line: usize,
        /// What is wrong.
        what: String,
    },
    /// No road script of that name.
    #[error("there is no road script `{script}`; there are: {known}")]
    NoScript {
        /// What was asked for.
        script: String,
        /// What there is.
        known: String,
    },
    /// A road script's file cannot be read.
    #[error("cannot read the road script `{path}`: {source}")]
    ScriptFile {
        /// The file.
        path: String,
        /// The operating system's reason.
        source: std::io::Error,
    },
    /// A face that speaks no bytes.
    #[error("the stand-in's face `can` carries frames, not bytes: it can only be used inside this program")]
    NoBytes,
    /// A socket or terminal failed.
    #[error("cannot serve the stand-in at {address}: {source}")]
    Serve {
        /// Where.
        address: String,
        /// The operating system's reason.
        source: std::io::Error,
    },
}
