//! Air, fuel and torque.

use super::misfire::Misfires;
use super::state::{FuelLoop, State};
use super::{STEP_S, Setup, lag};
use crate::faults::FaultKind;
use crate::rng::Rng;
use std::f64::consts::TAU;

/// Displacement, m3.
pub(crate) const DISPLACEMENT_M3: f64 = 1.598e-3;
const MANIFOLD_M3: f64 = 3.0e-3;
const GAS_J_KG_K: f64 = 287.0;
/// Crank, flywheel and converter pump, kg m2.
const INERTIA: f64 = 0.19;
/// Open throttle, effective area, m2; and what a closed one lets through.
const THROTTLE_M2: f64 = 1.25e-3;
const CLOSED_M2: f64 = 1.5e-6;
/// Torque per gram of air in one working cycle of all cylinders, Nm/g.
const NM_PER_GRAM: f64 = 98.0;
/// Stoichiometric air to fuel (reference page 9.2).
const STOICHIOMETRIC: f64 = 14.7;
const PETROL_G_L: f64 = 745.0;

/// Volumetric efficiency: best in the middle, less where the manifold is under vacuum (residual gas).
pub(super) fn filling(rpm: f64, pressure_ratio: f64) -> f64 {
    let x = (rpm - 4000.0) / 3600.0;
    (0.92 - 0.10 * x * x).max(0.5) * (1.0 - 0.12 * (1.0 - pressure_ratio))
}

/// Air into the cylinders, g/s: eta (p / R T) Vd N / 2 (Heywood 1988, ch. 2; reference page 9.2).
pub(super) fn cylinder_air_g_s(filling: f64, manifold_pa: f64, air_k: f64, displacement_m3: f64, rpm: f64) -> f64 {
    filling * manifold_pa / (GAS_J_KG_K * air_k) * displacement_m3 * rpm / 120.0 * 1000.0
}

/// Absolute load, %: air per intake stroke over what the cylinder holds at 1.184 g/L (reference page 9.2).
pub(super) fn absolute_load_pct(air_g_s: f64, displacement_m3: f64, rpm: f64) -> f64 {
    air_g_s * 120.0 / rpm.max(1.0) / (1.184 * displacement_m3 * 1000.0) * 100.0
}

/// Flow function of a nozzle, air (isentropic, choked below a ratio of 0.528).
fn nozzle(ratio: f64) -> f64 {
    if ratio <= 0.528 {
        return 0.6847;
    }
    if ratio >= 0.97 {
        // Straight to zero: the true slope at 1 is infinite.
        let at = 0.97_f64.powf(1.0 / 1.4) * (7.0 * (1.0 - 0.97_f64.powf(0.4 / 1.4))).sqrt();
        return at * (1.0 - ratio) / 0.03;
    }
    ratio.powf(1.0 / 1.4) * (7.0 * (1.0 - ratio.powf(0.4 / 1.4))).sqrt()
}

#[derive(Debug)]
pub(super) struct Engine {
    rng: Rng,
    misfires: Misfires,
    /// Crank speed, rad/s.
    pub(super) omega: f64,
    /// Share of its torque that the engine gives during a gear change.
    pub(super) torque_share: f64,
    manifold_pa: f64,
    throttle: f64,
    idle_air: f64,
    brake_nm: f64,
    friction_nm: f64,
    cut: bool,
    closed_s: f64,
    short: f64,
    long: [f64; 3],
    exhaust_lambda: f64,
    sensed_lambda: f64,
    dither_s: f64,
    metered: f64,
    leak_m2: f64,
    meter_factor: f64,
    wear: [Option<(f64, f64, f64)>; 2],
}

impl Engine {
    pub(super) fn new(setup: &Setup) -> Self {
        let wear = |track: usize| {
            setup.faults.iter().find_map(|fault| match fault.kind {
                FaultKind::PedalWear { track: t, place_pct, width_pct } if t == track => {
                    Some((fault.severity, place_pct, width_pct))
                }
                _ => None,
            })
        };
        Self {
            rng: Rng::new(setup.seed, "engine"),
            misfires: Misfires::new(setup),
            omega: 78.0,
            torque_share: 1.0,
            manifold_pa: 36_000.0,
            throttle: 0.02,
            idle_air: 0.22,
            brake_nm: 0.0,
            friction_nm: 20.0,
            cut: false,
            closed_s: 0.0,
            short: 0.0,
            long: [0.012, 0.008, 0.015],
            exhaust_lambda: 1.0,
            sensed_lambda: 1.0,
            dither_s: 0.0,
            metered: 2.6,
            // The worst leak passes 1.2 g/s at idle vacuum.
            leak_m2: 5.1e-6 * setup.severity(|kind| matches!(kind, FaultKind::AirLeak)),
            meter_factor: 1.0 - 0.25 * setup.severity(|kind| matches!(kind, FaultKind::AirMeter)),
            wear: [wear(1), wear(2)],
        }
    }

    /// Friction, pumping and auxiliaries, Nm.
    pub(super) fn friction_nm(&self) -> f64 {
        self.friction_nm
    }

    pub(super) fn step(&mut self, cranking: bool, state: &mut State) {
        let rpm = self.omega * 60.0 / TAU;
        self.air(rpm, state);
        let running = state.engine_running;
        // Overrun cut with hysteresis, and the limiter, lower in neutral.
        let most_rpm = if state.gear == 0 { 4000.0 } else { 6300.0 };
        self.cut = running
            && (rpm > most_rpm
                || state.true_pedal_pct < 0.5
                    && state.run_time_s > 3.0
                    && rpm > if self.cut { 1150.0 } else { 1500.0 });
        let fuel = running && !self.cut;
        self.mixture(fuel, state);

        let cold = ((60.0 - state.oil_c) / 80.0).max(0.0);
        let pumping = (state.barometric_kpa * 1000.0 - self.manifold_pa) * DISPLACEMENT_M3 / (2.0 * TAU);
        let compressor = if state.ac_clutch { 7.0 + state.ac_pressure_kpa / 300.0 } else { 0.0 };
        let generator = (state.battery_v * 32.0 / 0.6 / self.omega.max(60.0)).min(12.0);
        self.friction_nm = 9.0 + 0.0021 * rpm + 14.0 * cold + pumping + compressor + generator;

        let per_cycle_g = state.true_air_g_s * 120.0 / rpm.max(200.0);
        let spark = self.spark(rpm, state);
        let fires = self.misfires.step(rpm / 60.0 * STEP_S, fuel, state);
        let burnt = if fuel { NM_PER_GRAM * per_cycle_g * spark * self.torque_share * fires } else { 0.0 };
        let turning = (self.omega / 20.0).min(1.0);
        self.brake_nm = burnt - self.friction_nm * turning;
        state.torque_nm = self.brake_nm.max(-40.0);
        if cranking {
            // The starter holds about 220 rpm.
            self.brake_nm += (23.0 - self.omega) * 20.0;
        }
        state.fuel_l_h =
            if fuel { state.true_air_g_s / (STOICHIOMETRIC * self.exhaust_lambda) / PETROL_G_L * 3600.0 } else { 0.0 };
        self.pedal_and_throttle_sensors(state);
    }

    /// The gearbox takes this much torque; the crank speeds up or down.
    pub(super) fn turn(&mut self, load_nm: f64, state: &mut State) {
        self.omega = (self.omega + (self.brake_nm - load_nm) / INERTIA * STEP_S).clamp(0.0, 720.0);
        if !state.engine_running && self.omega < 1.0 {
            self.omega = 0.0;
        }
        state.engine_rpm = self.omega * 60.0 / TAU;
    }

    fn idle_target(state: &State) -> f64 {
        let cold = ((70.0 - state.coolant_c) / 90.0).clamp(0.0, 1.0);
        let flare = 250.0 * (-state.run_time_s / 2.0).exp();
        720.0 + 430.0 * cold + flare + if state.ac_clutch { 60.0 } else { 0.0 }
    }

    /// Throttle command from the pedal, throttle motion, manifold filling.
    fn air(&mut self, rpm: f64, state: &mut State) {
        let ambient_pa = state.barometric_kpa * 1000.0;
        let air_k = state.intake_c + 273.15;
        let error = Self::idle_target(state) - rpm;
        let idling = state.true_pedal_pct < 0.5 && rpm < 1600.0 && state.engine_running;
        // On the overrun the wheels turn the engine: that says nothing about the air it needs.
        if idling && (error > 0.0 || state.true_speed_kmh < 3.0) {
            self.idle_air = (self.idle_air + error * 2.5e-4 * STEP_S).clamp(0.10, 0.60);
        }
        let help = if idling { (error * 6e-4).clamp(-0.08, 0.25) } else { 0.0 };
        let pedal = state.true_pedal_pct / 100.0;
        let base = if self.cut { 0.12 } else { self.idle_air + help };
        let charge = (base + (1.0 - base) * pedal.powf(1.05)).clamp(0.08, 1.0);

        // The throttle area that passes this charge at this speed.
        let wanted_ratio = (0.05 + 0.93 * charge).min(0.985);
        let rpm_min = rpm.max(500.0);
        let wanted_g_s = cylinder_air_g_s(
            filling(rpm_min, wanted_ratio),
            wanted_ratio * ambient_pa,
            air_k,
            DISPLACEMENT_M3,
            rpm_min,
        );
        let per_area = ambient_pa / (GAS_J_KG_K * air_k).sqrt() * 1000.0;
        let area = wanted_g_s / (per_area * nozzle(wanted_ratio));
        let command =
            if pedal > 0.95 { 1.0 } else { ((area - CLOSED_M2).max(0.0) / THROTTLE_M2).powf(1.0 / 1.6).min(1.0) };
        lag(&mut self.throttle, command, 0.045);
        state.throttle_command_pct = 8.0 + 84.0 * command;

        let opening = CLOSED_M2 + THROTTLE_M2 * self.throttle.powf(1.6);
        let ratio = (self.manifold_pa / ambient_pa).clamp(0.0, 1.0);
        let flow = nozzle(ratio);
        let slope = (nozzle((ratio + 1e-3).min(1.0)) - flow) / 1e-3;
        let through = per_area * flow;
        let (metered_g_s, leak_g_s) = (through * opening, through * self.leak_m2);
        let per_pa = cylinder_air_g_s(filling(rpm, ratio), 1.0, air_k, DISPLACEMENT_M3, rpm);
        let cylinders_g_s = per_pa * self.manifold_pa;
        // Linearly implicit step: with an open throttle the manifold fills faster than a step is long.
        let gain = GAS_J_KG_K * air_k / MANIFOLD_M3 / 1000.0 * STEP_S;
        let stiff = per_pa - per_area * slope / ambient_pa * (opening + self.leak_m2);
        self.manifold_pa += gain * (metered_g_s + leak_g_s - cylinders_g_s) / (1.0 + gain * stiff.max(0.0));
        self.manifold_pa = self.manifold_pa.clamp(8_000.0, ambient_pa);

        state.true_air_g_s = per_pa * self.manifold_pa;
        let full_g_s = cylinder_air_g_s(filling(rpm, 1.0), 0.985 * ambient_pa, air_k, DISPLACEMENT_M3, rpm);
        state.load_pct = (100.0 * state.true_air_g_s / full_g_s.max(0.1)).clamp(0.0, 100.0);
        state.absolute_load_pct =
            if rpm > 50.0 { absolute_load_pct(state.true_air_g_s, DISPLACEMENT_M3, rpm) } else { 0.0 };
        if rpm < 50.0 {
            state.load_pct = 0.0;
        }
        state.manifold_kpa = self.manifold_pa / 1000.0 + 0.25 * self.rng.normal();
        // The hot-film meter sees only what passes it, smoothed, with the ripple of the intake strokes.
        lag(&mut self.metered, metered_g_s, 0.03);
        let ripple = 1.0 + 0.006 * self.rng.normal();
        state.air_flow_g_s = (self.metered * self.meter_factor * ripple).max(0.0);
    }

    fn mixture(&mut self, fuel: bool, state: &mut State) {
        let hard = state.load_pct > 92.0 && state.true_pedal_pct > 80.0;
        let cold = ((45.0 - state.coolant_c) / 60.0).clamp(0.0, 1.0);
        let sensor_hot = state.run_time_s > 12.0 + 25.0 * cold && state.coolant_c > 5.0;
        state.fuel_loop = match (state.engine_running, fuel, hard, sensor_hot) {
            (false, ..) => FuelLoop::Off,
            (_, false, ..) | (_, _, true, _) => FuelLoop::OpenDrive,
            (.., false) => FuelLoop::OpenCold,
            _ => FuelLoop::Closed,
        };
        let closed = state.fuel_loop == FuelLoop::Closed;
        self.closed_s = if closed { self.closed_s + STEP_S } else { 0.0 };
        state.lambda_command = match state.fuel_loop {
            FuelLoop::OpenDrive if fuel => 0.88,
            FuelLoop::OpenCold => 1.0 - 0.15 * cold - 0.03,
            _ => 1.0,
        };
        let cell = match state.true_air_g_s {
            ..5.0 => 0,
            5.0..15.0 => 1,
            _ => 2,
        };
        // The catalyst wants a little to and fro around the target.
        self.dither_s = (self.dither_s + STEP_S) % 1.6;
        let dither = if closed { if self.dither_s < 0.8 { 0.012 } else { -0.012 } } else { 0.0 };
        // Share of the burnt air that was metered; what leaks in behind the meter gets no fuel.
        let ambient_pa = state.barometric_kpa * 1000.0;
        let leak = self.leak_m2 * nozzle((self.manifold_pa / ambient_pa).min(1.0)) * ambient_pa
            / (GAS_J_KG_K * (state.intake_c + 273.15)).sqrt()
            * 1000.0;
        let seen = (1.0 - leak / state.true_air_g_s.max(0.5)).max(0.4) * self.meter_factor;
        let short = if closed { self.short } else { 0.0 };
        let fuelled = seen * (1.0 + short) * (1.0 + self.long[cell]) * (1.0 + dither) / state.lambda_command;
        let lambda = (1.0 / fuelled.max(0.3)).clamp(0.6, 1.9);
        // Burnt gas reaches the sensor after a working cycle or two.
        let transport_s = 0.06 + 100.0 / state.engine_rpm.max(400.0);
        lag(&mut self.exhaust_lambda, lambda, transport_s);
        // What has not burnt leaves its oxygen: a missing cylinder reads lean.
        let at_sensor = if fuel { self.exhaust_lambda + 0.7 * self.misfires.share } else { 1.95 };
        lag(&mut self.sensed_lambda, at_sensor, 0.10);
        if closed && self.closed_s > 0.6 {
            let error = self.sensed_lambda - 1.0;
            self.short = (self.short + (0.35 * error) * STEP_S).clamp(-0.25, 0.25);
            self.long[cell] = (self.long[cell] + self.short * STEP_S / 18.0).clamp(-0.30, 0.30);
        } else if !closed {
            self.short = 0.0;
        }
        state.short_trim_pct = if closed { 100.0 * (short + dither) } else { 0.0 };
        state.long_trim_pct = 100.0 * self.long[cell];
        state.lambda = (self.sensed_lambda + 0.002 * self.rng.normal()).clamp(0.6, 1.99);
        let behind = if !fuel {
            0.04
        } else if self.sensed_lambda < 0.97 {
            0.86
        } else {
            0.68
        };
        lag(&mut state.oxygen_rear_v, behind, if fuel { 3.0 } else { 1.2 });
    }

    /// Ignition angle and the share of torque that it leaves; at idle it steadies the speed.
    fn spark(&mut self, rpm: f64, state: &mut State) -> f64 {
        let idling = state.true_pedal_pct < 0.5 && rpm < 1300.0;
        if idling {
            let share = (0.90 + (Self::idle_target(state) - rpm) * 0.0012).clamp(0.72, 1.0);
            state.ignition_deg = 14.0 - 60.0 * (1.0 - share);
            return share;
        }
        let wanted = 12.0 + 22.0 * (1.0 - state.load_pct / 100.0) + (rpm - 1500.0).clamp(-800.0, 3000.0) * 0.004;
        lag(&mut state.ignition_deg, wanted, 0.05);
        1.0
    }

    fn pedal_and_throttle_sensors(&mut self, state: &mut State) {
        // 15.7 % to 80.7 % of supply over the travel; the second track has half the slope (reference page 8).
        let travel = state.true_pedal_pct;
        let full = 15.7 + 0.65 * travel;
        for (track, share) in [1.0, 0.5].into_iter().enumerate() {
            let mut reading = full * share;
            if let Some((severity, place, width)) = self.wear[track] {
                let away = (travel - place) / (width / 2.0);
                // Contact through the worn place is unsteady, and low on the whole; up to 12 % of travel.
                let depth = severity * 12.0 * 0.65 * share * (0.75 + 0.25 * self.rng.uniform());
                reading -= depth * (1.0 - away * away).max(0.0).sqrt();
            }
            reading += 0.04 * self.rng.normal();
            state.pedal_tracks_pct[track] = (reading * 10.24).round().clamp(0.0, 1024.0) / 10.24;
        }
        let first = 12.0 + 76.0 * self.throttle + 0.05 * self.rng.normal();
        state.throttle_tracks_pct = [first, 100.0 - first + 0.05 * self.rng.normal()];
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Worked rows of the reference page 9.2 (its source: Heywood 1988, ch. 2).
    #[test]
    fn air_flow_of_the_worked_rows() {
        for (litres, rpm, kpa, celsius, eta, g_s) in [
            (2.0, 750.0, 33.0, 40.0, 0.75, 3.44),
            (1.0, 700.0, 30.0, 40.0, 0.75, 1.46),
            (2.5, 3000.0, 60.0, 30.0, 0.80, 34.5),
            (2.0, 6000.0, 98.0, 25.0, 0.90, 103.1),
            (1.0, 6000.0, 100.0, 25.0, 0.90, 52.6),
        ] {
            let flow = cylinder_air_g_s(eta, kpa * 1000.0, celsius + 273.15, litres * 1e-3, rpm);
            assert!((flow - g_s).abs() < 0.006 * g_s, "{litres} L {rpm}: {flow}, published {g_s}");
        }
        let load = absolute_load_pct(20.0, 2.0e-3, 2000.0);
        assert!((load - 50.7).abs() < 0.05, "{load}");
    }

    /// Choked value and a point of the isentropic nozzle relation (textbook, from memory: 0.6847 at and below 0.528).
    #[test]
    fn the_nozzle_is_continuous() {
        assert!((nozzle(0.5281) - 0.6847).abs() < 1e-3);
        assert!((nozzle(0.9699) - nozzle(0.9701)).abs() < 2e-3);
        assert!(nozzle(1.0).abs() < 1e-12);
    }
}
