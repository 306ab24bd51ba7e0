//! Battery and generator.

use super::state::State;
use super::{Setup, lag};
use crate::faults::FaultKind;
use crate::rng::Rng;

#[derive(Debug)]
pub(super) struct Supply {
    rng: Rng,
    volts: f64,
    missing_v: f64,
}

impl Supply {
    pub(super) fn new(setup: &Setup) -> Self {
        let missing_v = 2.0 * setup.severity(|kind| matches!(kind, FaultKind::Generator));
        Self { rng: Rng::new(setup.seed, "supply"), volts: 14.1, missing_v }
    }

    pub(super) fn step(&mut self, cranking: bool, brake_lamps: bool, state: &mut State) {
        let amps =
            24.0 + 0.22 * state.fan_pct + if state.ac_clutch { 4.0 } else { 0.0 } + if brake_lamps { 5.0 } else { 0.0 };
        // Bands of the reference page 9.3: charging 13.5 to 14.8 V, at rest 12.4 to 12.7 V, cranking above 9.6 V.
        let (to, time) = if cranking {
            (10.2, 0.03)
        } else if state.engine_running {
            let weak = ((1000.0 - state.engine_rpm) / 400.0).clamp(0.0, 1.0);
            (14.45 - 0.004 * (state.intake_c - 20.0) - amps * (0.005 + 0.004 * weak) - self.missing_v, 0.25)
        } else {
            (12.62 - 0.008 * amps, 2.0)
        };
        lag(&mut self.volts, to, time);
        // Ripple of the rectified current.
        let ripple = if state.engine_running { 0.018 } else { 0.004 };
        state.battery_v = self.volts + ripple * self.rng.normal();
    }
}
