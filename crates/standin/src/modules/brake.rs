//! The brake module: 7E2 / 7EA, ISO 14229 only.

use super::codes::{Codes, Kind};
use super::monitors::WheelMonitors;
use super::pack::{signed_word, word};
use super::uds::{self, Diagnostics, Identity, Session};
use super::{Module, Reply};
use crate::physics::State;

/// Wheel speed sensors LF, RF, LR, RR and their tone wheels in the newer numbering (reference page 2.4).
const KINDS: [Kind; 8] = [
    kind(0x4031, 0x1F),
    kind(0x4034, 0x1F),
    kind(0x4037, 0x1F),
    kind(0x403A, 0x1F),
    kind(0x4030, 0x2F),
    kind(0x4033, 0x2F),
    kind(0x4036, 0x2F),
    kind(0x4039, 0x2F),
];

const fn kind(code: u16, failure_type: u8) -> Kind {
    Kind { code, failure_type, two_trips: false, lamp: false }
}

#[derive(Debug)]
pub(super) struct Brake {
    vin: &'static str,
    codes: Codes,
    session: Session,
    monitors: WheelMonitors,
}

impl Brake {
    pub(super) fn new(vin: &'static str) -> Self {
        Self { vin, codes: Codes::new(&KINDS), session: Session::default(), monitors: WheelMonitors::default() }
    }
}

impl Diagnostics for Brake {
    fn services(&self) -> &'static [u8] {
        &[0x10, 0x14, 0x19, 0x22, 0x2A, 0x2C, 0x3E]
    }

    fn identity(&self) -> Identity {
        Identity { name: "Brake control", software: "11C3" }
    }

    fn vin(&self) -> &'static str {
        self.vin
    }

    fn session(&mut self) -> &mut Session {
        &mut self.session
    }

    fn data(&self, did: u16, state: &State) -> Option<Vec<u8>> {
        Some(match did {
            0xD010 => state.wheels_kmh.iter().flat_map(|v| word(v * 100.0)).collect(),
            0xD011 => signed_word(state.yaw_deg_s * 100.0).to_vec(),
            0xD012 => signed_word(state.steering_deg * 10.0).to_vec(),
            _ => return None,
        })
    }

    fn codes(&mut self) -> &mut Codes {
        &mut self.codes
    }

    fn clear(&mut self, _: &State) {
        self.codes.clear();
    }
}

impl Module for Brake {
    fn answer(&mut self, request: &[u8], functional: bool, state: &State) -> Reply {
        uds::answer(self, request, functional, state)
    }

    fn sends(&mut self, state: &State) -> Option<(u8, Vec<Vec<u8>>)> {
        uds::sends(self, state)
    }

    fn observe(&mut self, state: &State, step_s: f64) {
        self.monitors.observe(state, step_s, &mut self.codes);
    }

    fn restart(&mut self) {
        self.session = Session::default();
    }

    fn new_cycle(&mut self, _: &State) {
        self.codes.new_cycle();
    }
}
