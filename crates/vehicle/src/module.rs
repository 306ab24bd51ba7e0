//! One control module that answers.

use protocol::Address;
use protocol::obd::Supported;

/// How a module can be spoken to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Speaks {
    /// OBD services 01-0A.
    Obd,
    /// OBD by identifiers of ISO 14229 (SAE J1979-2), and not services 01-0A.
    ObdOnUds,
    /// Not OBD, but it answers ISO 14229 (UDS) requests.
    Uds,
    /// Not OBD, but it answers ISO 14230 (KWP2000) requests.
    Kwp,
}

impl Speaks {
    /// Its usual name.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Obd => "OBD",
            Self::ObdOnUds => "OBD on UDS",
            Self::Uds => "UDS",
            Self::Kwp => "KWP2000",
        }
    }

    /// Whether it tells what the emissions diagnostics offer, in either way.
    #[must_use]
    pub const fn has_obd(self) -> bool {
        matches!(self, Self::Obd | Self::ObdOnUds)
    }
}

/// One control module that answers.
#[derive(Debug, Clone)]
pub struct Module {
    /// Its address, as its replies carry it.
    pub address: Address,
    /// What it understands.
    pub speaks: Speaks,
    /// The parameters of service 01 (or the same of OBD on UDS) that it says it has; empty unless it speaks OBD.
    pub pids: Supported,
}
