//! The body module: 7E3 / 7EB, ISO 14229 only.

use super::codes::{Codes, Kind};
use super::pack::{byte, word};
use super::uds::{self, Diagnostics, Identity, Session};
use super::{Module, Reply};
use crate::physics::State;

/// Supply voltage low; maker's own circuit codes.
const KINDS: [Kind; 3] = [kind(0x0562, 0x16), kind(0x9A21, 0x13), kind(0x9A30, 0x15)];

const fn kind(code: u16, failure_type: u8) -> Kind {
    Kind { code, failure_type, two_trips: false, lamp: false }
}

#[derive(Debug)]
pub(super) struct Body {
    codes: Codes,
    session: Session,
    low_s: f64,
}

impl Default for Body {
    fn default() -> Self {
        Self { codes: Codes::new(&KINDS), session: Session::default(), low_s: 0.0 }
    }
}

impl Diagnostics for Body {
    fn services(&self) -> &'static [u8] {
        &[0x10, 0x14, 0x19, 0x22, 0x3E]
    }

    fn identity(&self) -> Identity {
        Identity { name: "Body control", software: "07A0" }
    }

    fn session(&mut self) -> &mut Session {
        &mut self.session
    }

    fn data(&self, did: u16, state: &State) -> Option<Vec<u8>> {
        Some(match did {
            0xD101 => vec![u8::from(state.ac_clutch)],
            0xD102 => word(state.ac_pressure_kpa).to_vec(),
            0xD103 => vec![byte(state.fan_pct)],
            0xD104 => word((state.battery_v - 0.05) * 1000.0).to_vec(),
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

impl Module for Body {
    fn answer(&mut self, request: &[u8], functional: bool, state: &State) -> Reply {
        uds::answer(self, request, functional, state)
    }

    fn observe(&mut self, state: &State, step_s: f64) {
        // Low supply while the engine charges, for ten seconds (the threshold is this invented car's own).
        self.low_s = if state.engine_running && state.battery_v < 12.4 { self.low_s + step_s } else { 0.0 };
        if state.run_time_s > 10.0 {
            self.codes.report(0x0562, self.low_s > 10.0, state);
        }
    }

    fn new_cycle(&mut self, _: &State) {
        self.codes.new_cycle();
    }
}
