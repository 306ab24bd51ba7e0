//! Ending cleanly when asked to.

use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use signal_hook::SigId;
use signal_hook::consts::{SIGINT, SIGTERM};
use signal_hook::{flag, low_level};

use crate::failure::{Exit, Failure};

/// What asks the program to end: Ctrl-C, SIGTERM, and a terminal that is closed or lost, unless whoever started the program
/// has it outlive that, as `nohup` does. On Windows a closed console counts as Ctrl-Break, and the system waits for nothing.
fn signals() -> impl Iterator<Item = i32> {
    #[cfg(unix)]
    let gone = (!is_ignored(signal_hook::consts::SIGHUP)).then_some(signal_hook::consts::SIGHUP);
    #[cfg(windows)]
    let gone = Some(signal_hook::consts::SIGBREAK);
    [SIGINT, SIGTERM].into_iter().chain(gone)
}

/// Whether the program was started with a signal ignored.
#[cfg(unix)]
#[allow(unsafe_code, reason = "what becomes of a signal can only be asked of the C library")]
fn is_ignored(signal: i32) -> bool {
    let mut action = std::mem::MaybeUninit::<libc::sigaction>::zeroed();
    // SAFETY: nothing is set, and what it is set to is written into a place of the right kind, which is valid as zeros too.
    let action = unsafe {
        libc::sigaction(signal, std::ptr::null(), action.as_mut_ptr());
        action.assume_init()
    };
    action.sa_sigaction == libc::SIG_IGN
}

/// What asks the program to end sets this flag: whatever runs then ends as if its time were over.
pub(crate) fn on_signals(flag: &Arc<AtomicBool>) -> Result<(), Failure> {
    signals().try_for_each(|signal| flag::register(signal, Arc::clone(flag)).map(drop)).map_err(unwatched)
}

fn unwatched(error: std::io::Error) -> Failure {
    Failure::new(Exit::Failed, format!("cannot watch for Ctrl-C: {error}"))
}

/// While this lives, some signals end the program at once.
pub(crate) struct AtOnce(Vec<SigId>);

impl AtOnce {
    /// Ctrl-C and SIGTERM do, once they are given again: for what only reads. To be made before [`on_signals`] of this flag.
    /// A closed terminal is left out, as the system and the shell may tell that one after the other.
    pub(crate) fn when_repeated(flag: &Arc<AtomicBool>) -> Result<Self, Failure> {
        Self::register([SIGINT, SIGTERM].into_iter(), flag)
    }

    /// All of them do: while a question waits for its answer.
    pub(crate) fn always() -> Result<Self, Failure> {
        Self::register(signals(), &Arc::new(AtomicBool::new(true)))
    }

    fn register(signals: impl Iterator<Item = i32>, condition: &Arc<AtomicBool>) -> Result<Self, Failure> {
        // What becomes of Ctrl-Break by itself is not known to the library.
        let known = signals.filter(|signal| low_level::signal_name(*signal).is_some());
        let ids = known.map(|signal| flag::register_conditional_default(signal, Arc::clone(condition)));
        ids.collect::<Result<_, _>>().map(Self).map_err(unwatched)
    }
}

impl Drop for AtOnce {
    fn drop(&mut self) {
        for id in self.0.drain(..) {
            low_level::unregister(id);
        }
    }
}
