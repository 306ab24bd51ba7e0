//! A connected car: find its modules, survey them, plan what to ask how often, and sample.
//!
//! This crate must not know findings or storage. Its main types are [`Vehicle`] (a link with the modules behind it),
//! [`Survey`] (everything read before anything is changed), [`Plan`] and [`Sink`] (where samples go).

mod clear;
mod command;
mod conversation;
mod find;
mod grant;
mod grouping;
mod hear;
mod look;
mod module;
mod periodic;
mod plan;
mod poll;
mod relief;
mod sampler;
mod schedule;
mod survey;
mod tune;

pub use clear::{ClearError, Clearing, Despite};
pub use command::{CommandError, Conduct, Driven, Ended, Hand, Order, Pattern, PatternError, Returned};
pub use conversation::{RawExchange, Vehicle};
pub use grant::{Grant, GrantError, Purpose};
pub use look::kind_of;
pub use module::{Module, Speaks};
pub use plan::{Plan, PlannedSignal, Unavailable, Wish};
pub use relief::{Gain, Relief};
pub use sampler::{Rate, SampleError, Sink};
pub use schedule::catch_odds;
pub use survey::{CodeRecord, FoundCode, FreezeFrame, InfoItem, Missing, ModuleSurvey, Survey};
