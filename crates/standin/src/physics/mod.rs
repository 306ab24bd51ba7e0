//! The invented car itself: engine, driveline, wheels, temperatures and electrics, in fixed steps from a seed.

mod state;

pub use state::{FuelLoop, State};

/// Displacement, m3.
pub const DISPLACEMENT_M3: f64 = 1.598e-3;

/// Gearbox ratio of a gear; 0 in neutral.
#[must_use]
pub fn gear_ratio(gear: u8) -> f64 {
    [0.0, 3.62, 1.95, 1.28, 0.98, 0.76].get(usize::from(gear)).copied().unwrap_or(0.0)
}

/// What the car is like before it moves.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Setup {
    pub(crate) seed: u64,
    pub(crate) faults: Vec<crate::faults::Fault>,
    pub(crate) placement: crate::faults::Placement,
}

/// The car in motion.
#[derive(Debug, Default)]
pub struct Physics {
    state: State,
}

impl Physics {
    pub(crate) fn new(_setup: &Setup, _road: crate::road::Road) -> Self {
        Self::default()
    }

    /// What the sensors show now.
    #[must_use]
    pub fn state(&self) -> &State {
        &self.state
    }

    /// How often the engine has been started.
    #[must_use]
    pub fn starts(&self) -> u32 {
        0
    }

    /// Moves on to this time.
    pub fn advance(&mut self, to_s: f64) {
        self.state.time_s = self.state.time_s.max(to_s);
    }
}
