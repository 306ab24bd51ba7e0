//! Coolant, oil, intake air and catalyst.

use super::state::State;
use super::{STEP_S, Setup, lag};
use crate::faults::FaultKind;
use crate::rng::Rng;
use crate::road::Stretch;

/// Heat stored by engine and coolant per kelvin, J/K.
const CAPACITY_J_K: f64 = 48_000.0;
/// Energy of petrol, J/g (textbook value 43 MJ/kg), and the share of it that goes into the coolant.
const PETROL_J_G: f64 = 43_000.0;
const TO_COOLANT: f64 = 0.30;

#[derive(Debug)]
pub(super) struct Heat {
    thermostat: f64,
    stuck_open: f64,
    coolant_c: Option<f64>,
    evaporator_c: f64,
    call_s: f64,
    clutch_s: f64,
    clutch_open: f64,
    clutch_late_s: f64,
    clutch_fails: bool,
    rng: Rng,
}

impl Heat {
    pub(super) fn new(setup: &Setup) -> Self {
        Self {
            thermostat: 0.0,
            stuck_open: 0.5 * setup.severity(|kind| matches!(kind, FaultKind::Thermostat)),
            coolant_c: None,
            evaporator_c: 20.0,
            call_s: 0.0,
            clutch_s: 0.0,
            clutch_open: setup.severity(|kind| matches!(kind, FaultKind::ClutchOpen)),
            clutch_late_s: 4.0 * setup.severity(|kind| matches!(kind, FaultKind::ClutchSlow)),
            clutch_fails: false,
            rng: Rng::new(setup.seed, "clutch"),
        }
    }

    pub(super) fn step(&mut self, stretch: &Stretch, state: &mut State) {
        let coolant = *self.coolant_c.get_or_insert(state.coolant_c);
        let speed = state.true_speed_kmh / 3.6;
        let fuel_g_s = state.fuel_l_h * 745.0 / 3600.0;
        let above = coolant - state.ambient_c;
        // Wax: opens from 84 to 94 degC, slowly.
        let wax = ((coolant - 84.0) / 10.0).clamp(0.0, 1.0);
        lag(&mut self.thermostat, wax.max(self.stuck_open), 12.0);
        let radiator_w = self.thermostat * (150.0 + 25.0 * speed + 7.0 * state.fan_pct) * above;
        let block_w = 18.0 * (1.0 + 0.06 * speed) * above;
        let heat_w = TO_COOLANT * fuel_g_s * PETROL_J_G - radiator_w - block_w;
        let coolant = coolant + heat_w / CAPACITY_J_K * STEP_S;
        self.coolant_c = Some(coolant);
        state.coolant_c = coolant;
        let oil_to = coolant + 3.0 + 0.18 * state.torque_nm.max(0.0);
        lag(&mut state.oil_c, oil_to, 240.0);
        // Air is heated under the bonnet, less the more of it flows.
        let soak = 0.34 * above.max(0.0) * (-state.true_air_g_s / 9.0).exp() + 4.0;
        lag(&mut state.intake_c, state.ambient_c + soak, 45.0);
        let catalyst_to = if fuel_g_s > 0.01 { 380.0 + 130.0 * fuel_g_s.sqrt() } else { state.ambient_c };
        lag(&mut state.catalyst_c, catalyst_to, if fuel_g_s > 0.01 { 60.0 } else { 500.0 });
        state.fuel_level_pct = (state.fuel_level_pct - fuel_g_s * STEP_S / (745.0 * 47.0) * 100.0).max(2.0);
        self.air_conditioning(stretch.ac, state);
        self.fan(state);
    }

    fn air_conditioning(&mut self, wanted: bool, state: &mut State) {
        let full = state.true_pedal_pct > 85.0;
        let call = wanted && state.engine_running && !full && state.ac_pressure_kpa < 2600.0;
        // Between 2 and 6 degC at the evaporator the clutch keeps its state.
        let cold = self.evaporator_c < if state.ac_relay { 2.0 } else { 6.0 };
        self.call_s = if call && !cold { self.call_s + STEP_S } else { 0.0 };
        let was_on = state.ac_relay;
        state.ac_relay = match state.commands.ac_clutch {
            // Too high a pressure opens a switch of its own, whoever commands.
            Some(on) => on && state.ac_pressure_kpa < 2600.0,
            None => self.call_s > 0.15,
        };
        if state.ac_relay && !was_on {
            self.clutch_fails = self.rng.chance(self.clutch_open);
        }
        self.clutch_s = if state.ac_relay && !self.clutch_fails { self.clutch_s + STEP_S } else { 0.0 };
        // The compressor turns with the engine alone.
        state.ac_clutch = self.clutch_s > self.clutch_late_s && state.engine_running;
        let evaporator_to = if state.ac_clutch { -6.0 } else { state.ambient_c };
        lag(&mut self.evaporator_c, evaporator_to, if state.ac_clutch { 25.0 } else { 40.0 });
        let cooling = 0.12 * state.true_speed_kmh.min(80.0) + 0.08 * state.fan_pct;
        let high = 1250.0 + 28.0 * (state.ambient_c - 20.0) - 20.0 * cooling;
        let rest = 470.0 + 9.0 * (state.ambient_c - 10.0);
        let (to, time) = if state.ac_clutch { (high, 5.0) } else { (rest, 14.0) };
        lag(&mut state.ac_pressure_kpa, to, time);
    }

    fn fan(&mut self, state: &mut State) {
        let for_coolant = ((state.coolant_c - 97.0) * 15.0).clamp(0.0, 100.0);
        let for_pressure =
            if state.ac_clutch { ((state.ac_pressure_kpa - 900.0) / 8.0).clamp(20.0, 80.0) } else { 0.0 };
        let own = if state.engine_running { for_coolant.max(for_pressure) } else { 0.0 };
        let to = state.commands.fan_pct.unwrap_or(own);
        lag(&mut state.fan_pct, to, 0.8);
        if to == 0.0 && state.fan_pct < 0.5 {
            state.fan_pct = 0.0;
        }
    }
}
