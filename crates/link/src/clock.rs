//! The monotonic clock of real ports.

use std::time::{Duration, Instant};

use protocol::Nanos;

/// Monotonic time since the clock was made; copies share the zero.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Clock(Instant);

impl Clock {
    pub(crate) fn new() -> Self {
        Self(Instant::now())
    }

    pub(crate) fn now(self) -> Nanos {
        Nanos::try_from(self.0.elapsed().as_nanos()).unwrap_or(Nanos::MAX)
    }

    /// Time until `deadline`; zero when it has passed.
    pub(crate) fn until(self, deadline: Nanos) -> Duration {
        Duration::from_nanos(u64::try_from(deadline.saturating_sub(self.now())).unwrap_or(0))
    }

    pub(crate) fn pause(self, nanos: Nanos) {
        std::thread::sleep(Duration::from_nanos(u64::try_from(nanos).unwrap_or(0)));
    }
}
