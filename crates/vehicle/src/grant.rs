//! Leave to act on the car. Reading needs none.

use std::fmt;

use protocol::{Address, Nanos};
use signal::SignalId;

/// Leave to act on the car: one module, one purpose, and only for a while. The default allows nothing.
///
/// ```
/// use protocol::Address;
/// use vehicle::{Grant, Purpose};
/// let (module, clear) = (Address::from_reply11(0x7E8), Purpose::ClearCodes);
/// assert!(Grant::default().check(module, &clear, 0).is_err());
/// let grant = Grant::new(module, clear.clone(), 1_000);
/// assert!(grant.check(module, &clear, 999).is_ok());
/// assert!(grant.check(module, &clear, 1_000).is_err());
/// assert!(grant.check(Address::from_reply11(0x7E9), &clear, 0).is_err());
/// ```
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Grant(Option<Leave>);

#[derive(Debug, Clone, PartialEq, Eq)]
struct Leave {
    module: Address,
    purpose: Purpose,
    until_ns: Nanos,
}

/// What a grant is for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Purpose {
    /// Drive this output.
    Output(SignalId),
    /// Run this routine.
    Routine(SignalId),
    /// Clear codes, and what goes with them.
    ClearCodes,
}

impl fmt::Display for Purpose {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Output(id) => write!(f, "drive output `{id}`"),
            Self::Routine(id) => write!(f, "run routine `{id}`"),
            Self::ClearCodes => f.pad("clear codes"),
        }
    }
}

/// Why something may not be done.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum GrantError {
    /// The grant allows nothing.
    #[error("to {purpose} at {module} was not granted")]
    Nothing {
        /// The module.
        module: Address,
        /// What was to be done.
        purpose: Purpose,
    },
    /// The grant is for something else.
    #[error("to {purpose} at {module} was not granted: the grant is to {granted} at {granted_module}")]
    Other {
        /// The module.
        module: Address,
        /// What was to be done.
        purpose: Purpose,
        /// The module of the grant.
        granted_module: Address,
        /// The purpose of the grant.
        granted: Purpose,
    },
    /// The grant was for a time that is over.
    #[error("the grant to {purpose} at {module} has expired")]
    Expired {
        /// The module.
        module: Address,
        /// What was to be done.
        purpose: Purpose,
    },
}

impl Grant {
    /// Leave for this purpose at this module, until a time of the link's clock ([`crate::Vehicle::now`]).
    #[must_use]
    pub fn new(module: Address, purpose: Purpose, until_ns: Nanos) -> Self {
        Self(Some(Leave { module, purpose, until_ns }))
    }

    /// The module that it is for; `None` when it allows nothing.
    #[must_use]
    pub fn module(&self) -> Option<Address> {
        self.0.as_ref().map(|leave| leave.module)
    }

    /// Whether something may be done now.
    ///
    /// # Errors
    /// [`GrantError`] says why not.
    pub fn check(&self, module: Address, purpose: &Purpose, now: Nanos) -> Result<(), GrantError> {
        let purpose = purpose.clone();
        match &self.0 {
            None => Err(GrantError::Nothing { module, purpose }),
            Some(leave) if leave.module != module || leave.purpose != purpose => {
                Err(GrantError::Other { module, purpose, granted_module: leave.module, granted: leave.purpose.clone() })
            }
            Some(leave) if now >= leave.until_ns => Err(GrantError::Expired { module, purpose }),
            Some(_) => Ok(()),
        }
    }
}
