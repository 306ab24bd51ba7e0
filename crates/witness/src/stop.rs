//! Ending cleanly when asked to.

use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use crate::failure::{Exit, Failure};

/// A flag that Ctrl-C and SIGTERM set: whatever runs then ends as if its time were over.
pub(crate) fn flag() -> Result<Arc<AtomicBool>, Failure> {
    let stop = Arc::new(AtomicBool::new(false));
    for signal in [signal_hook::consts::SIGINT, signal_hook::consts::SIGTERM] {
        signal_hook::flag::register(signal, Arc::clone(&stop))
            .map_err(|error| Failure::new(Exit::Failed, format!("cannot watch for Ctrl-C: {error}")))?;
    }
    Ok(stop)
}
