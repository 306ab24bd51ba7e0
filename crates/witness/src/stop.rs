//! Ending cleanly when asked to.

use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use crate::failure::{Exit, Failure};

/// Ctrl-C and SIGTERM set this flag: whatever runs then ends as if its time were over.
pub(crate) fn on_signals(flag: &Arc<AtomicBool>) -> Result<(), Failure> {
    for signal in [signal_hook::consts::SIGINT, signal_hook::consts::SIGTERM] {
        signal_hook::flag::register(signal, Arc::clone(flag))
            .map_err(|error| Failure::new(Exit::Failed, format!("cannot watch for Ctrl-C: {error}")))?;
    }
    Ok(())
}
