//! What is measured: signal names, units, samples, series and the recording that holds them together.
//!
//! This crate must not know how a sample was obtained, where it is stored or what it means for a car's health.
//! Its main types are [`SignalId`], [`Unit`], [`Series`] and [`Recording`]; the names everyone shares are in the
//! [`Catalogue`], which is read from data files.
//!
//! ```
//! use signal::{Catalogue, SignalId, Unit};
//!
//! let speed = SignalId::new("vehicle.speed").unwrap();
//! let known = Catalogue::standard().get(&speed).unwrap();
//! assert_eq!(known.unit, Unit::named("km/h"));
//! assert_eq!(Unit::named("mph").convert(60.0, &known.unit), Some(96.56064));
//! ```

mod catalogue;
mod id;
mod recording;
mod unit;

pub use catalogue::{Catalogue, CatalogueError, Known};
pub use id::{IdError, SignalId};
pub use recording::{Gap, Mark, Recording, Sample, Series};
pub use unit::Unit;

/// Nanoseconds in one second.
pub const NANOS_PER_SECOND: f64 = 1e9;

/// Seconds from nanoseconds since the start of a drive.
///
/// ```
/// assert_eq!(signal::seconds_from_nanos(1_500_000_000), 1.5);
/// ```
#[must_use]
pub fn seconds_from_nanos(t_ns: i64) -> f64 {
    t_ns as f64 / NANOS_PER_SECOND
}

/// Nanoseconds since the start of a drive from seconds, rounded to the nearest; saturates at the range of `i64`.
///
/// ```
/// assert_eq!(signal::nanos_from_seconds(1.5), 1_500_000_000);
/// ```
#[must_use]
pub fn nanos_from_seconds(t_s: f64) -> i64 {
    (t_s * NANOS_PER_SECOND).round() as i64
}
