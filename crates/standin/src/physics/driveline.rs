//! Gearbox with torque converter and lock-up clutch, and the car's motion along the road.

use super::STEP_S;
use super::engine::Engine;
use super::state::State;
use crate::road::Stretch;

/// Kerb mass with driver, kg.
pub(super) const MASS_KG: f64 = 1260.0;
pub(super) const FINAL_DRIVE: f64 = 4.05;
/// Rolling radius, m (195/60R15 with a rolling factor of 0.97).
pub(super) const ROLLING_RADIUS_M: f64 = 0.298;
/// Share of the car's mass that the turning parts add.
const TURNING_SHARE: f64 = 0.05;
const EFFICIENCY: f64 = 0.93;

/// Gearbox ratio of a gear; 0 in neutral.
pub(crate) fn gear_ratio(gear: u8) -> f64 {
    [0.0, 3.62, 1.95, 1.28, 0.98, 0.76].get(usize::from(gear)).copied().unwrap_or(0.0)
}

/// Air, rolling and slope, N: 0.5 rho cd A v2, mass g f, mass g sin(slope).
pub(super) fn resistance_n(speed_m_s: f64, grade_pct: f64) -> f64 {
    let rolling = if speed_m_s > 0.05 { 0.011 } else { 0.0 };
    0.5 * 1.2 * 0.66 * speed_m_s * speed_m_s + MASS_KG * 9.81 * (rolling + grade_pct / 100.0)
}

#[derive(Debug)]
pub(super) struct Driveline {
    gear: u8,
    neutral: bool,
    hold_s: f64,
    shift_s: f64,
    lock_nm: f64,
    drive_n: f64,
    brake_n: f64,
}

impl Default for Driveline {
    fn default() -> Self {
        Self { gear: 1, neutral: false, hold_s: 0.0, shift_s: 0.0, lock_nm: 0.0, drive_n: 0.0, brake_n: 0.0 }
    }
}

impl Driveline {
    /// Force of the driven wheels, N.
    pub(super) fn drive_n(&self) -> f64 {
        self.drive_n
    }

    /// Force of front and rear axle on the road, N, forward positive. Front drive; 70 % of the braking in front.
    pub(super) fn axle_forces_n(&self) -> [f64; 2] {
        [self.drive_n - 0.7 * self.brake_n, -0.3 * self.brake_n]
    }

    pub(super) fn step(&mut self, stretch: &Stretch, brake_n: f64, engine: &mut Engine, state: &mut State) {
        let speed = state.true_speed_kmh / 3.6;
        // Revving while standing: neutral, until the engine has calmed down again.
        let revving = stretch.pedal_pct.is_some() && stretch.speed_kmh < 0.5 && speed < 1.0;
        self.neutral = revving || self.neutral && engine.omega > 140.0;
        let gear = if self.neutral || !state.engine_running { 0 } else { self.gear };
        let ratio = gear_ratio(gear) * FINAL_DRIVE;
        let turbine = speed / ROLLING_RADIUS_M * ratio;
        self.choose_gear(turbine, speed, state);

        let (pump_nm, turbine_nm) = if gear == 0 { (0.0, 0.0) } else { self.converter(engine.omega, turbine, speed) };
        engine.turn(pump_nm, state);

        self.drive_n = turbine_nm * ratio * EFFICIENCY / ROLLING_RADIUS_M;
        let free_n = self.drive_n - resistance_n(speed, stretch.grade_pct);
        // Brakes oppose motion and hold the standing car; they never push it backwards.
        let inertia = MASS_KG * (1.0 + TURNING_SHARE);
        let stopping_n = speed / STEP_S * inertia + free_n;
        self.brake_n = brake_n.min(stopping_n.max(0.0));
        let speed = (speed + (free_n - self.brake_n) / inertia * STEP_S).max(0.0);
        state.true_speed_kmh = speed * 3.6;
        state.odometer_km += speed * STEP_S / 1000.0;
        state.gear = gear;
        state.shifting = self.shift_s > 0.0;
        // Less torque while the clutches change over; nothing to take away when the pedal is up.
        engine.torque_share = if state.shifting && state.true_pedal_pct > 1.0 { 0.55 } else { 1.0 };
    }

    /// Torque on the engine and on the gearbox. The converter's pump takes torque with the square of its speed, less as
    /// the turbine catches up, and multiplies it up to 1.9 times at standstill; the lock-up clutch adds friction.
    fn converter(&mut self, omega: f64, turbine: f64, speed: f64) -> (f64, f64) {
        let ratio = (turbine / omega.max(1.0)).max(0.0);
        let (pump, multiplied) = if ratio <= 1.0 {
            let pump = 2.0e-3 * omega * omega * (1.0 - ratio.powi(4));
            (pump, pump * (1.0 + 0.9 * (1.0 - ratio / 0.85).max(0.0)))
        } else {
            let pump = -0.4e-3 * (turbine * turbine - omega * omega);
            (pump, pump)
        };
        let close = self.gear >= 2 && speed > 7.5 && self.shift_s <= 0.0 && turbine > 115.0;
        let step = 400.0 * STEP_S;
        self.lock_nm = (self.lock_nm + if close { step } else { -4.0 * step }).clamp(0.0, 250.0);
        let lock = (6.0 * (omega - turbine)).clamp(-self.lock_nm, self.lock_nm);
        (pump + lock, multiplied + lock)
    }

    fn choose_gear(&mut self, turbine: f64, speed: f64, state: &State) {
        const SHIFT_S: f64 = 0.35;
        self.hold_s += STEP_S;
        self.shift_s = (self.shift_s - STEP_S).max(0.0);
        let rpm = turbine * 60.0 / std::f64::consts::TAU;
        let pedal = state.true_pedal_pct;
        let up = rpm > 1800.0 + 38.0 * pedal && self.gear < 5;
        // The lower gear must not call for the higher one again at once.
        let lower = gear_ratio(self.gear.saturating_sub(1)) / gear_ratio(self.gear).max(0.1);
        let down = self.gear > 1 && rpm < (1080.0 + 24.0 * pedal).min((1650.0 + 38.0 * pedal) / lower);
        let next = match (up, down) {
            (true, _) => self.gear + 1,
            (_, true) => self.gear - 1,
            _ => self.gear,
        };
        if speed < 0.3 {
            self.gear = 1;
        } else if next != self.gear && self.hold_s > 1.2 {
            self.gear = next;
            self.hold_s = 0.0;
            self.shift_s = SHIFT_S;
        }
    }
}
