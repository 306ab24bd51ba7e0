//! Messages longer than a CAN frame: ISO 15765-2.
//!
//! [`Frame`] reads one frame's data, [`Reassembly`] puts the frames of one sender together, [`Channel`] is both ends of a
//! conversation with one partner, and [`Conversations`] are a tester's with many modules. Normal, extended and mixed
//! addressing, 11-bit and 29-bit identifiers, classical frames and CAN FD.

mod channel;
mod conversations;
mod ends;
mod frame;
mod reassembly;

pub use channel::{Channel, Event, SendError, Step};
pub use conversations::{Conversations, Said};
pub use ends::{Ends, Settings, Timers};
pub use frame::{Frame, separation_ns};
pub use reassembly::{N_CR_NS, Reassembly};

/// Why a frame or a sequence of frames is not a message.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum IsoTpError {
    /// No data at all, or a protocol byte that the standard does not define.
    #[error("a frame without a meaning (first byte {first:02X?})")]
    Unknown {
        /// Its first byte, where there is one.
        first: Option<u8>,
    },
    /// The length that the frame states does not fit the bytes that it has.
    #[error("a frame states {stated} bytes and carries {carried}")]
    Length {
        /// Stated length of the message.
        stated: usize,
        /// Bytes that follow in the frame.
        carried: usize,
    },
    /// A continuation that nothing was begun for.
    #[error("a continuation without a beginning (index {index})")]
    Stray {
        /// Its index.
        index: u8,
    },
    /// A continuation is missing or came twice.
    #[error("continuation {got} came where {expected} was due")]
    Sequence {
        /// Index that was due.
        expected: u8,
        /// Index that came.
        got: u8,
    },
    /// A new message began before the one before it was complete.
    #[error("a message broke off after {have} of {length} bytes")]
    BrokenOff {
        /// Bytes received.
        have: usize,
        /// Bytes announced.
        length: usize,
    },
    /// The next continuation did not come within N_Cr.
    #[error("the continuation of a message did not come in time (N_Cr; {have} of {length} bytes)")]
    Timeout {
        /// Bytes received.
        have: usize,
        /// Bytes announced.
        length: usize,
    },
    /// The message is longer than the receiver takes; the sender was told so.
    #[error("a message of {length} bytes was refused: at most {max} are taken")]
    TooLong {
        /// Bytes announced.
        length: usize,
        /// Bytes that are taken.
        max: usize,
    },
    /// The flow control could not be put on the bus in time, or the receiver was not ready after all its wait frames.
    #[error("the flow control for a message of {length} bytes could not be sent in time ({timer})")]
    NoFlowControl {
        /// Bytes announced.
        length: usize,
        /// The timer: `N_Ar` or `N_Br`.
        timer: &'static str,
    },
}
