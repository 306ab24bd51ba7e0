//! What the car really did, for whoever tests a tester: every answer as its module gave it, with what was true just then.

use std::sync::{Arc, Mutex, PoisonError};

use protocol::Nanos;

use crate::dial::Shared;
use crate::physics::{Commands, State};

/// An answer as a module gave it.
#[derive(Debug, Clone)]
pub struct Answer {
    /// When the module began to send it, on the clock of the link.
    pub at_ns: Nanos,
    /// Which module: its place among the modules of the car.
    pub module: usize,
    /// What it was asked; empty for what it sends by itself.
    pub request: Vec<u8>,
    /// What it said, refusals included.
    pub reply: Vec<u8>,
    state: State,
}

impl Answer {
    pub(crate) fn new(at_ns: Nanos, module: usize, request: &[u8], reply: &[u8], state: &State) -> Self {
        Self { at_ns, module, request: request.to_vec(), reply: reply.to_vec(), state: state.clone() }
    }

    /// What the car's sensors and modules held of a signal at that moment, in the unit of the catalogue and before it was
    /// rounded to what a message carries; `None` for signals that nobody asked this for yet.
    #[must_use]
    pub fn held(&self, signal: &str) -> Option<f64> {
        let s = &self.state;
        let [front_left, front_right, rear_left, rear_right] = s.wheels_kmh;
        Some(match signal {
            "engine.speed" => s.engine_rpm,
            "engine.load" => s.load_pct,
            "vehicle.speed" => s.speed_kmh,
            "coolant.temperature" => s.coolant_c,
            "intake.air_temperature" => s.intake_c,
            "intake.air_flow" => s.air_flow_g_s,
            "intake.manifold_pressure" => s.manifold_kpa,
            "pedal.position_1" => s.pedal_tracks_pct[0],
            "pedal.position_2" => s.pedal_tracks_pct[1],
            "throttle.position_1" => s.throttle_tracks_pct[0],
            "fuel.trim.short.bank_1" => s.short_trim_pct,
            "wheel.speed.front_left" => front_left,
            "wheel.speed.front_right" => front_right,
            "wheel.speed.rear_left" => rear_left,
            "wheel.speed.rear_right" => rear_right,
            "yaw.rate" => s.yaw_deg_s,
            "steering.angle" => s.steering_deg,
            "ac.pressure" => s.ac_pressure_kpa,
            "ac.clutch" => f64::from(u8::from(s.ac_relay)),
            "fan.command" => s.fan_pct,
            "misfire.cylinder_1" => f64::from(s.misfires[0]),
            "misfire.cylinder_2" => f64::from(s.misfires[1]),
            "misfire.cylinder_3" => f64::from(s.misfires[2]),
            "misfire.cylinder_4" => f64::from(s.misfires[3]),
            _ => return None,
        })
    }
}

/// Where a car keeps its answers.
pub(crate) type Kept = Arc<Mutex<Vec<Answer>>>;

/// The car behind a dial, as nobody at the connector sees it.
#[derive(Debug, Clone)]
pub struct Truth {
    pub(crate) shared: Shared,
    pub(crate) kept: Kept,
}

impl Truth {
    /// The clock that the link sees too.
    #[must_use]
    pub fn now(&self) -> Nanos {
        self.shared.rig().now()
    }

    /// Lets time pass with nobody at the connector.
    pub fn pass(&self, nanos: Nanos) {
        let mut rig = self.shared.rig();
        let to = rig.now() + nanos;
        rig.advance(to);
        rig.keep_up();
    }

    /// The answers since this was last called, in order.
    #[must_use]
    pub fn take_answers(&self) -> Vec<Answer> {
        std::mem::take(&mut *self.kept.lock().unwrap_or_else(PoisonError::into_inner))
    }

    /// The outputs that the modules have not back from a tester at this moment.
    #[must_use]
    pub fn driven(&self) -> Vec<&'static str> {
        let mut rig = self.shared.rig();
        rig.keep_up();
        let Commands { ac_clutch, fan_pct, vent_closed } = rig.commands();
        let all =
            [("ac.clutch", ac_clutch.is_some()), ("fan.command", fan_pct.is_some()), ("custom.tank_vent", vent_closed)];
        all.into_iter().filter(|(_, is_driven)| *is_driven).map(|(name, _)| name).collect()
    }
}
