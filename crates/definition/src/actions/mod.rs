//! What a module can be told to do: outputs that can be driven and routines that can be started, with all that has to be
//! heeded. Nothing here sends anything; who may is decided by the grants of the `vehicle` crate.

mod care;
mod output;
mod routine;
mod rows;

pub use care::{Care, Condition};
pub use output::{Drive, LevelError, Output, Range};
pub use routine::{Call, Field, Parameter, ParameterError, ResultsIn, Routine};
pub(crate) use rows::{OutputRow, RoutineRow, number8, number16, output, routine};
