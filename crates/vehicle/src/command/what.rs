//! An output or a routine, and the requests that it takes.

use definition::{Call, Drive, Output, Routine};
use protocol::kwp;
use protocol::uds::session;
use signal::SignalId;

/// What is done.
pub(super) enum What<'d> {
    Output(&'d Output),
    Routine(&'d Routine, Vec<u8>),
}

impl What<'_> {
    /// Its name.
    pub(super) fn id(&self) -> &SignalId {
        match self {
            Self::Output(output) => &output.id,
            Self::Routine(routine, _) => &routine.id,
        }
    }

    /// The request that drives it to this level, or starts it.
    pub(super) fn drive_bytes(&self, level: f64) -> Vec<u8> {
        match self {
            Self::Output(output) => output.drive_request(level).unwrap_or_default(),
            Self::Routine(_, start) => start.clone(),
        }
    }

    /// The request that gives control back; `None` for a routine that cannot be stopped.
    pub(super) fn return_bytes(&self) -> Option<Vec<u8>> {
        match self {
            Self::Output(output) => Some(output.return_request()),
            Self::Routine(routine, _) => routine.can_stop.then(|| routine.stop_request()),
        }
    }

    /// Whether the services of ISO 14230-3 are used.
    pub(super) fn is_kwp(&self) -> bool {
        match self {
            Self::Output(output) => matches!(output.drive, Drive::Local { .. }),
            Self::Routine(routine, _) => matches!(routine.call, Call::Local { .. }),
        }
    }

    /// The request for a session.
    pub(super) fn session_bytes(&self, session: u8) -> Vec<u8> {
        if self.is_kwp() { kwp::session::request(session) } else { session::request(session) }
    }
}
