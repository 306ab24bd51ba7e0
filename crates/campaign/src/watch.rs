//! What is watched from outside of the trials: panics, hangs, memory.

use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use crate::trial::Trial;

/// Longest that one trial may take on the wall clock. On a virtual clock it is seconds.
const LONGEST: Duration = Duration::from_secs(240);

#[derive(Default)]
struct Seen {
    panics: Vec<String>,
    trial: Option<(Trial, Instant)>,
}

/// Sees panics of every thread, and ends the program when a trial hangs.
pub(crate) struct Watch(Arc<Mutex<Seen>>);

fn lock(seen: &Mutex<Seen>) -> MutexGuard<'_, Seen> {
    seen.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Watch {
    pub(crate) fn begin() -> Self {
        let seen: Arc<Mutex<Seen>> = Arc::default();
        let panics = Arc::clone(&seen);
        std::panic::set_hook(Box::new(move |info| lock(&panics).panics.push(info.to_string().replace('\n', " "))));
        let hangs = Arc::clone(&seen);
        std::thread::spawn(move || {
            loop {
                std::thread::sleep(Duration::from_secs(1));
                let trial = lock(&hangs).trial;
                if let Some((trial, since)) = trial
                    && since.elapsed() > LONGEST
                {
                    println!(
                        "BROKEN {trial}: hangs for {} s\n       again: {} {trial}",
                        LONGEST.as_secs(),
                        crate::REPEAT
                    );
                    std::process::exit(1);
                }
            }
        });
        Self(seen)
    }

    pub(crate) fn starts(&self, trial: &Trial) {
        lock(&self.0).trial = Some((*trial, Instant::now()));
    }

    /// The panics since this was last called.
    pub(crate) fn panics(&self) -> Vec<String> {
        std::mem::take(&mut lock(&self.0).panics)
    }
}

/// Memory that this process has, kB; 0 where the system does not say.
pub(crate) fn resident_kb() -> f64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = status.lines().find_map(|line| line.strip_prefix("VmRSS:"));
    line.and_then(|line| line.trim().split(' ').next()?.parse().ok()).unwrap_or(0.0)
}
