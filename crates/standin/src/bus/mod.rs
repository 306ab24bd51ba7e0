//! The vehicle's diagnostic CAN: frames with their real length, arbitration, and ISO 15765-2 segmentation in the modules.

mod can;
mod frame;
pub(crate) mod k_line;
mod node;

pub(crate) use can::{CanBus, Delivery, Sender};
pub(crate) use frame::{CanFrame, CanId};
pub(crate) use k_line::KLine;
pub(crate) use node::{Incoming, Node, NodeTiming};

/// Addressing and bit rate of the car's diagnostic bus.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct BusKind {
    /// 29-bit identifiers instead of 11-bit ones.
    pub wide: bool,
    /// Bit rate, kbit/s: 500 or 250.
    pub kbit_s: u32,
}

impl BusKind {
    /// Identifier of functional requests (ISO 15765-4).
    #[must_use]
    pub(crate) fn functional(self) -> CanId {
        if self.wide { CanId::Extended(0x18DB_33F1) } else { CanId::Standard(0x7DF) }
    }
}
