//! One control module that answers.

use protocol::Address;
use protocol::obd::Supported;

/// How a module can be spoken to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Speaks {
    /// OBD services 01-0A.
    Obd,
    /// Not OBD, but it answers ISO 14229 (UDS) requests.
    Uds,
}

/// One control module that answers.
#[derive(Debug, Clone)]
pub struct Module {
    /// Its address, as its replies carry it.
    pub address: Address,
    /// What it understands.
    pub speaks: Speaks,
    /// The PIDs of service 01 that it says it has; empty unless it speaks OBD.
    pub pids: Supported,
}
