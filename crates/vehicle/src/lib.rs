//! A connected car: find its modules, survey them, plan what to ask how often, and sample.
//!
//! This crate must not know findings or storage. Its main types are [`Vehicle`] (a link with the modules behind it),
//! [`Survey`] (everything read before anything is changed), [`Plan`] and [`Sink`] (where samples go).

mod conversation;
mod find;
mod module;
mod plan;
mod sampler;
mod schedule;
mod survey;

pub use conversation::{RawExchange, Vehicle};
pub use module::{Module, Speaks};
pub use plan::{Plan, PlannedSignal, Unavailable};
pub use sampler::{Rate, SampleError, Sink};
pub use schedule::catch_odds;
pub use survey::{FoundCode, FreezeFrame, InfoItem, ModuleSurvey, Survey};
