//! The car's CAN without an adapter between, inside this process: frames with exact times on a virtual clock.

use crate::StandinError;
use crate::bus::{self, BusKind};
use crate::car::Car;
use crate::dial::LONGEST_WAIT_NS;
use crate::spec::Spec;
use link::can::{CanDial, CanPort, Incoming, Mode};
use link::{LinkError, PortError};
use protocol::{CanFrame, CanId, Nanos};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

/// The diagnostic CAN of the stand-in named `spec`, on a virtual clock: time passes only while somebody waits for it.
///
/// # Errors
/// [`StandinError`] when `spec` has a name, an option or a value that does not exist.
pub fn can_dial(spec: &str) -> Result<Box<dyn CanDial>, StandinError> {
    let parsed: Spec = spec.parse()?;
    let state = State { car: parsed.car()?, now: 0 };
    let latency = parsed.latency_ns();
    Ok(Box::new(CanEnd { address: format!("standin:{spec}"), state: Arc::new(Mutex::new(state)), latency, kbit_s: 0 }))
}

struct State {
    car: Car,
    now: Nanos,
}

/// Dial and port alike: a connector that can be plugged in any number of times.
#[derive(Clone)]
struct CanEnd {
    address: String,
    state: Arc<Mutex<State>>,
    /// One way between tester and bus.
    latency: Nanos,
    kbit_s: u32,
}

impl CanEnd {
    fn state(&self) -> MutexGuard<'_, State> {
        // A panic elsewhere while holding the lock leaves a car that is still whole.
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl CanDial for CanEnd {
    fn address(&self) -> &str {
        &self.address
    }

    fn dial(&mut self, kbit_s: u16, _mode: Mode) -> Result<Box<dyn CanPort>, LinkError> {
        self.kbit_s = u32::from(kbit_s);
        Ok(Box::new(self.clone()))
    }

    fn about(&self) -> String {
        "the stand-in's CAN".to_owned()
    }

    fn latency_ns(&self) -> Nanos {
        2 * self.latency
    }

    fn now(&self) -> Nanos {
        self.state().now
    }

    fn pause(&mut self, nanos: Nanos) {
        let mut state = self.state();
        state.now += nanos.clamp(0, LONGEST_WAIT_NS);
    }
}

impl CanPort for CanEnd {
    fn now(&self) -> Nanos {
        self.state().now
    }

    fn send(&mut self, frame: &CanFrame) -> Result<(), PortError> {
        let id = match frame.id {
            CanId::Standard(id) => bus::CanId::Standard(id),
            CanId::Extended(id) => bus::CanId::Extended(id),
        };
        let kind = BusKind { wide: matches!(frame.id, CanId::Extended(_)), kbit_s: self.kbit_s };
        let latency = self.latency;
        let mut state = self.state();
        let at = state.now + latency;
        state.car.transmit(at, kind, bus::CanFrame::new(id, &frame.data));
        Ok(())
    }

    fn receive_until(&mut self, deadline: Nanos) -> Result<Option<(Nanos, Incoming)>, PortError> {
        let (latency, kbit_s) = (self.latency, self.kbit_s);
        let mut state = self.state();
        let deadline = deadline.clamp(state.now, state.now + LONGEST_WAIT_NS);
        while let Some((at, frame)) = state.car.advance(deadline - latency) {
            if kbit_s != state.car.kbit_s() {
                continue;
            }
            state.now = state.now.max(at + latency);
            let id = match frame.id {
                bus::CanId::Standard(id) => CanId::Standard(id),
                bus::CanId::Extended(id) => CanId::Extended(id),
            };
            return Ok(Some((at + latency, Incoming::Frame(CanFrame::classic(id, frame.data())))));
        }
        state.now = deadline;
        Ok(None)
    }

    fn supply_volts(&mut self) -> Option<f64> {
        let mut state = self.state();
        let now = state.now;
        Some(state.car.volts(now))
    }
}
