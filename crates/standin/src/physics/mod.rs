//! The invented car itself: engine, driveline, wheels, temperatures and electrics, in fixed steps from a seed.
//!
//! Plausible rather than exact: textbook relations with the numbers of a small invented car. Nothing here is fitted to a
//! real one, and nothing in the analysis may be fitted to this one.

mod driveline;
mod driver;
mod engine;
mod heat;
mod misfire;
mod state;
mod supply;
#[cfg(test)]
mod tests;
mod wheels;

pub(crate) use engine::DISPLACEMENT_M3;
pub(crate) use state::{Commands, FuelLoop, State};

pub(crate) use driveline::gear_ratio;

use crate::faults::{Fault, FaultKind, Placement};
use crate::road::Road;

/// Length of a step, s.
pub(crate) const STEP_S: f64 = 0.005;

/// What the car is like before it moves.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Setup {
    pub(crate) seed: u64,
    pub(crate) faults: Vec<Fault>,
    pub(crate) placement: Placement,
}

impl Setup {
    /// Greatest severity among the faults that this picks.
    fn severity(&self, pick: impl Fn(&FaultKind) -> bool) -> f64 {
        self.faults.iter().filter(|fault| pick(&fault.kind)).map(|fault| fault.severity).fold(0.0, f64::max)
    }
}

/// The car in motion.
#[derive(Debug)]
pub(crate) struct Physics {
    road: Road,
    n_steps: u64,
    state: State,
    driver: driver::Driver,
    engine: engine::Engine,
    driveline: driveline::Driveline,
    wheels: wheels::Wheels,
    heat: heat::Heat,
    supply: supply::Supply,
    starts: u32,
    cranking_s: f64,
}

impl Physics {
    pub(crate) fn new(setup: &Setup, road: Road) -> Self {
        let warm = if road.warm { 88.0 } else { road.ambient_c };
        let state = State {
            ambient_c: road.ambient_c,
            intake_c: road.ambient_c + if road.warm { 12.0 } else { 0.0 },
            coolant_c: warm,
            oil_c: warm,
            catalyst_c: if road.warm { 420.0 } else { road.ambient_c },
            ..State::default()
        };
        Self {
            road,
            n_steps: 0,
            driver: driver::Driver::new(setup.seed),
            engine: engine::Engine::new(setup),
            driveline: driveline::Driveline::default(),
            wheels: wheels::Wheels::new(setup),
            heat: heat::Heat::new(setup),
            supply: supply::Supply::new(setup),
            starts: 1,
            cranking_s: 0.0,
            state,
        }
    }

    /// What the sensors show now.
    pub(crate) fn state(&self) -> &State {
        &self.state
    }

    /// How often the engine has been started.
    pub(crate) fn starts(&self) -> u32 {
        self.starts
    }

    /// Takes outputs out of the modules' hands, and gives those back that are not named.
    pub(crate) fn command(&mut self, commands: Commands) {
        self.state.commands = commands;
    }

    /// Moves on to this time, in whole steps.
    pub(crate) fn advance(&mut self, to_s: f64) {
        while (self.n_steps + 1) as f64 * STEP_S <= to_s {
            self.n_steps += 1;
            self.state.time_s = self.n_steps as f64 * STEP_S;
            self.step();
        }
    }

    fn step(&mut self) {
        let stretch = self.road.at(self.state.time_s);
        self.ignition_switch(stretch.off);
        let state = &mut self.state;
        self.driver.step(&stretch, self.engine.friction_nm(), self.driveline.drive_n(), state);
        self.engine.step(self.cranking_s > 0.0, state);
        self.driveline.step(&stretch, self.driver.brake_n, &mut self.engine, state);
        self.wheels.step(self.driver.curvature_per_m, self.driveline.axle_forces_n(), state);
        self.heat.step(&stretch, state);
        self.supply.step(self.cranking_s > 0.0, self.driver.brake_n > 0.0, state);
    }

    /// Stops the engine, or cranks it for a moment and lets it run as a new drive cycle.
    fn ignition_switch(&mut self, off: bool) {
        const CRANK_S: f64 = 0.8;
        let state = &mut self.state;
        if off {
            if state.true_speed_kmh < 0.5 {
                state.engine_running = false;
                self.cranking_s = 0.0;
            }
        } else if !state.engine_running {
            self.cranking_s += STEP_S;
            if self.cranking_s >= CRANK_S {
                self.cranking_s = 0.0;
                self.starts += 1;
                state.engine_running = true;
                state.run_time_s = 0.0;
                state.misfires = [0; 4];
                state.judged_revolutions = 0.0;
            }
        } else {
            state.run_time_s += STEP_S;
        }
    }
}

/// One step of a first-order lag towards `target`.
fn lag(value: &mut f64, target: f64, time_constant_s: f64) {
    *value += (target - *value) * (STEP_S / time_constant_s).min(1.0);
}

/// Smooth step from 0 to 1 around 0, `1 / (1 + exp(-x))`.
fn rise(x: f64) -> f64 {
    1.0 / (1.0 + (-x).exp())
}
