//! Statistics that more than one check needs; pure functions of numbers.

pub mod change;
pub(crate) mod fourier;
pub(crate) mod gauss;
pub(crate) mod line;
pub(crate) mod oracle;
pub mod periodogram;
pub mod poisson;
pub(crate) mod quantum;
pub(crate) mod robust;
pub(crate) mod rows;
pub(crate) mod search;
pub(crate) mod shape;
pub(crate) mod two_samples;
