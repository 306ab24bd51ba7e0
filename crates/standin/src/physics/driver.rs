//! The driver: wants a speed, uses pedal, brake and steering wheel.

use super::driveline::{FINAL_DRIVE, MASS_KG, ROLLING_RADIUS_M, gear_ratio, resistance_n};
use super::state::State;
use super::{STEP_S, lag};
use crate::rng::Rng;
use crate::road::Stretch;

/// Comfortable limits of this driver: acceleration, braking and sideways, m/s2.
const MOST_ACCELERATION: f64 = 1.7;
const MOST_BRAKING: f64 = 2.4;
const MOST_SIDEWAYS: f64 = 3.2;
/// Torque at full load and full air, before friction, Nm; what the driver expects of the pedal.
const FULL_NM: f64 = 165.0;

#[derive(Debug)]
pub(super) struct Driver {
    rng: Rng,
    wish: f64,
    integral: f64,
    foot: f64,
    tremble: f64,
    wander: f64,
    /// Braking force wanted, N.
    pub(super) brake_n: f64,
    /// Curvature that the steering wheel is held for, 1/m, left positive.
    pub(super) curvature_per_m: f64,
}

impl Driver {
    pub(super) fn new(seed: u64) -> Self {
        Self {
            rng: Rng::new(seed, "driver"),
            wish: 0.0,
            integral: 0.0,
            foot: 0.0,
            tremble: 0.0,
            wander: 0.0,
            brake_n: 0.0,
            curvature_per_m: 0.0,
        }
    }

    pub(super) fn step(&mut self, stretch: &Stretch, friction_nm: f64, drive_n: f64, state: &mut State) {
        let speed = state.true_speed_kmh / 3.6;
        self.steer(stretch, speed);
        // Foot and hands are never quite still: noise with a time constant of 0.4 s.
        self.tremble += -self.tremble * STEP_S / 0.4 + 0.35 * (2.0 * STEP_S / 0.4_f64).sqrt() * self.rng.normal();
        if let Some(pedal) = stretch.pedal_pct {
            self.brake_n = if stretch.speed_kmh < 0.5 && speed < 1.0 { 3000.0 } else { 0.0 };
            let most = 400.0 * STEP_S;
            self.foot += (pedal - self.foot).clamp(-most, most);
            self.integral = 0.0;
        } else {
            self.pedal_and_brake(stretch, speed, friction_nm, drive_n, state);
        }
        let still = self.foot < 0.5;
        state.true_pedal_pct = if still { 0.0 } else { (self.foot + self.tremble).clamp(0.0, 100.0) };
    }

    fn pedal_and_brake(&mut self, stretch: &Stretch, speed: f64, friction_nm: f64, drive_n: f64, state: &State) {
        let for_curve = if stretch.curvature_per_m == 0.0 {
            f64::INFINITY
        } else {
            (0.85 * MOST_SIDEWAYS / stretch.curvature_per_m.abs()).sqrt()
        };
        let target = (stretch.speed_kmh / 3.6).min(for_curve);
        let wanted = (0.7 * (target - speed)).clamp(-MOST_BRAKING, MOST_ACCELERATION);
        self.wish += (wanted - self.wish).clamp(-4.0 * STEP_S, 2.5 * STEP_S);
        if target < 0.3 && speed < 1.0 {
            // Standing: foot on the brake.
            self.brake_n = 2000.0;
            self.foot = 0.0;
            self.integral = 0.0;
            return;
        }
        let force = MASS_KG * self.wish + resistance_n(speed, stretch.grade_pct);
        let ratio = gear_ratio(state.gear.max(1)) * FINAL_DRIVE / ROLLING_RADIUS_M;
        let demand = force / (ratio * 0.92) + friction_nm;
        // The last bit of error is trimmed away slowly, as a foot does it.
        if self.brake_n <= 0.0 && !state.shifting {
            self.integral = (self.integral + 4.0 * (target - speed).clamp(-1.5, 1.5) * STEP_S).clamp(-10.0, 12.0);
        }
        let pedal = 100.0 * (demand / FULL_NM - 0.10) + self.integral;
        // First the foot leaves the pedal, then it brakes, also against the creeping of the converter.
        self.brake_n = if pedal <= 0.0 && self.foot < 1.0 { (drive_n - force).max(0.0) } else { 0.0 };
        if self.brake_n > 0.0 {
            self.integral *= 1.0 - STEP_S;
        }
        let target_foot = if self.brake_n > 0.0 { 0.0 } else { pedal.clamp(0.0, 95.0) };
        let most = 160.0 * STEP_S;
        let mut next = self.foot;
        lag(&mut next, target_foot, 0.15);
        self.foot += (next - self.foot).clamp(-most, most);
    }

    fn steer(&mut self, stretch: &Stretch, speed: f64) {
        let sigma = 0.0004 * (speed / 5.0).min(1.0);
        self.wander += -self.wander * STEP_S / 2.0 + sigma * STEP_S.sqrt() * self.rng.normal();
        let grip = MOST_SIDEWAYS / (speed * speed).max(1.0);
        let wanted = stretch.curvature_per_m.clamp(-grip, grip) + self.wander;
        lag(&mut self.curvature_per_m, wanted, 0.35);
    }
}
