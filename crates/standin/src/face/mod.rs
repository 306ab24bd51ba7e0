//! What the car shows to a tester: the adapters that can stand between it and the tester.

pub(crate) mod at;

use crate::bus::{BusKind, CanFrame};
use protocol::Nanos;

/// The car's side of an adapter.
pub(crate) trait Wire {
    /// Puts a frame on a CAN bus of that kind at `at`; false when it cannot be sent because the bit rate is not the
    /// car's.
    fn transmit(&mut self, at: Nanos, bus: BusKind, frame: CanFrame) -> bool;

    /// Voltage at the diagnostic connector, V.
    fn volts(&mut self, at: Nanos) -> f64;
}
