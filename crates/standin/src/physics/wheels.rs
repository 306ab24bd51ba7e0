//! Four wheels, their sensors, yaw rate and steering angle.

use super::state::State;
use super::{STEP_S, Setup, lag};
use crate::faults::{FaultKind, Wheel};
use crate::rng::Rng;
use std::f64::consts::TAU;

/// Track width, m.
const TRACK_M: f64 = 1.5;
/// Wheelbase, m.
const WHEELBASE_M: f64 = 2.65;
/// Steering wheel over road wheel angle.
const STEERING_RATIO: f64 = 15.5;
/// Longitudinal slip stiffness of an axle, N per unit of slip.
const SLIP_STIFFNESS_N: [f64; 2] = [180_000.0, 150_000.0];
const RADIUS_M: f64 = super::driveline::ROLLING_RADIUS_M;
/// Teeth per tone ring.
const TEETH: f64 = 48.0;
/// Steps between two updates in the brake module.
const MODULE_STEPS: u64 = 2;

/// Speeds of FL, FR, RL, RR along their own directions of rolling, as multiples of the speed of the rear axle's middle.
///
/// `curvature_per_m` of the path of the rear axle's middle, left positive. Rear: 1 -+ k t/2; front:
/// sqrt((1 -+ k t/2)^2 + (k L)^2). Source: reference page 7 (same kinematics in Emirler et al. 2013).
pub(super) fn kinematics(curvature_per_m: f64, track_m: f64, wheelbase_m: f64) -> [f64; 4] {
    let side = curvature_per_m * track_m / 2.0;
    let nose = curvature_per_m * wheelbase_m;
    let front = |rear: f64| (rear * rear + nose * nose).sqrt();
    [front(1.0 - side), front(1.0 + side), 1.0 - side, 1.0 + side]
}

#[derive(Debug, Default, Clone)]
struct One {
    /// Share by which this wheel turns faster than one of nominal radius.
    faster: f64,
    dropout: f64,
    rough: f64,
    crack: f64,
    /// Signal lost until, and next loss at, s.
    lost_until_s: f64,
    next_loss_s: f64,
    /// Turned angle, revolutions.
    angle: f64,
    road: f64,
    held_kmh: f64,
}

#[derive(Debug)]
pub(super) struct Wheels {
    rng: Rng,
    wheels: [One; 4],
    n: u64,
    curvature_per_m: f64,
    yaw_offset: f64,
    steering_offset: f64,
}

impl Wheels {
    pub(super) fn new(setup: &Setup) -> Self {
        let mut rng = Rng::new(setup.seed, "wheels");
        let wheels = [Wheel::FrontLeft, Wheel::FrontRight, Wheel::RearLeft, Wheel::RearRight].map(|wheel| {
            let dropout = setup.severity(|kind| *kind == FaultKind::WheelDropout(wheel));
            One {
                // New equal tyres differ by a few tenths of a percent.
                faster: 0.0015 * rng.normal() + 0.05 * setup.severity(|kind| *kind == FaultKind::TyreSize(wheel)),
                dropout,
                rough: setup.severity(|kind| *kind == FaultKind::WheelRough(wheel)),
                crack: setup.severity(|kind| *kind == FaultKind::ToneRing(wheel)),
                next_loss_s: if dropout > 0.0 { rng.exponential(6.0 / dropout) } else { f64::INFINITY },
                ..One::default()
            }
        });
        let (yaw_offset, steering_offset) = (0.12 * rng.normal(), 0.8 * rng.normal());
        Self { rng, wheels, n: 0, curvature_per_m: 0.0, yaw_offset, steering_offset }
    }

    pub(super) fn step(&mut self, curvature_per_m: f64, axle_forces_n: [f64; 2], state: &mut State) {
        self.n += 1;
        self.curvature_per_m = curvature_per_m;
        state.true_curvature_per_m = curvature_per_m;
        let speed_kmh = state.true_speed_kmh;
        let path = kinematics(curvature_per_m, TRACK_M, WHEELBASE_M);
        let update = self.n.is_multiple_of(MODULE_STEPS);
        for (idx, wheel) in self.wheels.iter_mut().enumerate() {
            let axle = idx / 2;
            let slip = (axle_forces_n[axle] / SLIP_STIFFNESS_N[axle]).clamp(-0.2, 0.2);
            // Unevenness of the road, correlated over about 50 ms.
            wheel.road += -wheel.road * STEP_S / 0.05 + 0.0008 * (2.0 * STEP_S / 0.05_f64).sqrt() * self.rng.normal();
            let rolling = speed_kmh * path[idx] * (1.0 + slip + wheel.road) * (1.0 + wheel.faster);
            let turned = rolling / 3.6 * STEP_S / (TAU * RADIUS_M);
            wheel.angle += turned;
            if update {
                let measured = wheel.measure(rolling, turned * MODULE_STEPS as f64, state.time_s, &mut self.rng);
                state.wheels_kmh[idx] = (measured * 100.0).round() / 100.0;
            }
        }
        if update {
            let mut sorted = state.wheels_kmh;
            sorted.sort_by(f64::total_cmp);
            state.speed_kmh = (sorted[1] + sorted[2]) / 2.0;
            let speed = speed_kmh / 3.6;
            let yaw = (speed * curvature_per_m).to_degrees() + self.yaw_offset + 0.08 * self.rng.normal();
            lag(&mut state.yaw_deg_s, yaw, 0.015);
            // Kinematic angle plus a little understeer, 0.002 rad per m/s2 sideways.
            let angle = (WHEELBASE_M * curvature_per_m).atan() + 0.002 * speed * speed * curvature_per_m;
            let steering = angle.to_degrees() * STEERING_RATIO + self.steering_offset + 0.05 * self.rng.normal();
            state.steering_deg = (steering * 10.0).round() / 10.0;
        }
    }
}

impl One {
    /// What the brake module makes of the pulses of the last interval.
    fn measure(&mut self, rolling_kmh: f64, turned: f64, time_s: f64, rng: &mut Rng) -> f64 {
        let mut speed = rolling_kmh * (1.0 + 0.0003 * rng.normal()) + 0.015 * rng.normal();
        if self.crack > 0.0 {
            // The crack makes one gap per turn longer by up to 0.7 teeth; averaged over the teeth of two intervals.
            let window = (2.0 * turned).max(1.0 / TEETH);
            if self.angle.fract() < window {
                let teeth = window * TEETH;
                speed *= teeth / (teeth + 0.7 * self.crack);
            }
        }
        if self.rough > 0.0 {
            // Pulses come early, late or not at all; worst when the signal is weak.
            speed += self.rough * (0.5 + 0.02 * rolling_kmh) * rng.normal();
            if rng.chance(0.02 * self.rough) {
                speed *= rng.between(0.6, 0.9);
            }
        }
        if time_s >= self.next_loss_s {
            if rolling_kmh > 5.0 {
                self.lost_until_s = time_s + rng.between(0.06, 0.3);
            }
            self.next_loss_s = time_s + rng.exponential(6.0 / self.dropout.max(1e-3));
        }
        let lost = time_s < self.lost_until_s;
        // Two pulses must come within reasonable time: nothing is measured below walking pace.
        let target = if lost || speed < 0.8 { 0.0 } else { speed };
        if lost || target == 0.0 || self.held_kmh == 0.0 {
            self.held_kmh = target;
        } else {
            // The module smooths over about two of its intervals.
            self.held_kmh += 0.5 * (target - self.held_kmh);
        }
        self.held_kmh
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Turn table of the reference page 7: track 1.5 m, wheelbase 2.7 m, radius to the middle of the rear axle.
    #[test]
    fn turns_agree_with_the_published_table() {
        for (radius, rear, front, outer) in [
            (6.0, 1.2857, 1.2314, 1.0770),
            (10.0, 1.1622, 1.1503, 1.0311),
            (20.0, 1.0779, 1.0765, 1.0084),
            (50.0, 1.0305, 1.0304, 1.0014),
        ] {
            let [fl, fr, rl, rr] = kinematics(1.0 / radius, 1.5, 2.7);
            for (name, ours, published) in
                [("rear", rr / rl, rear), ("front", fr / fl, front), ("outer", fr / rr, outer)]
            {
                assert!((ours - published).abs() < 6e-5, "R {radius} {name}: {ours}, published {published}");
            }
        }
        // A right turn is the mirror image.
        let [left, right] = [0.02, -0.02].map(|k| kinematics(k, TRACK_M, WHEELBASE_M));
        assert!((left[0] - right[1]).abs() < 1e-12 && (left[3] - right[2]).abs() < 1e-12);
    }
}
