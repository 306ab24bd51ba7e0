//! Which request yields which signal of which module, and what a standard trouble code means.
//!
//! This crate must not know any open connection. Its main types are [`Definitions`] (standard OBD and makers' files) and
//! [`SignalDefinition`] (what to read for a signal, and how to read it from the answer); [`Output`] and [`Routine`] say what
//! a module can be told to do.
//!
//! ```
//! use definition::{Definitions, Read};
//! use protocol::obd::Supported;
//!
//! let definitions = Definitions::standard();
//! let pids: Supported = [0x0C, 0x67].into_iter().collect();
//! let offered = definitions.obd_signals(&pids, &Supported::default());
//! let coolant = offered.iter().find(|signal| signal.id.as_str() == "coolant.temperature").unwrap();
//! assert_eq!(coolant.read, Read::Pid(0x67));
//! assert_eq!(coolant.value(&[0x01, 0x7B, 0x00]), Ok(83.0));
//! ```

mod actions;
mod bits;
mod broadcast;
mod coded;
pub mod codes;
mod conversion;
pub mod dbc;
mod definitions;
mod error;
mod file;
mod messages;
pub mod odx;
pub mod packed;
mod signals;
mod standard;
mod values;

pub use actions::{
    Call, Care, Condition, Drive, Field, LevelError, Output, Parameter, ParameterError, Range, ResultsIn, Routine,
};
pub use bits::{Bits, Encoding, Raw};
pub use broadcast::{BroadcastSignal, FrameDecoder, Message, Multiplexed, parameter_group};
pub use coded::Coded;
pub use conversion::{Conversion, Interval, Piece, Quotient, StateText};
pub use definitions::Definitions;
pub use error::{DefinitionError, FileProblem};
pub use file::{CodeText, MakerFile, ModuleName};
pub use signals::{Read, SignalDefinition, ValueError};
