//! The body module: 7E3 / 7EB, ISO 14229 only.

use super::codes::{Codes, Kind};
use super::outputs::{Output, Outputs, Routine};
use super::pack::{byte, word};
use super::uds::{self, Diagnostics, Identity, OUT_OF_RANGE, Session};
use super::{Module, Reply};
use crate::physics::{Commands, State};

/// Supply voltage low; maker's own circuit codes.
const KINDS: [Kind; 3] = [kind(0x0562, 0x16), kind(0x9A21, 0x13), kind(0x9A30, 0x15)];

const fn kind(code: u16, failure_type: u8) -> Kind {
    Kind { code, failure_type, two_trips: false, lamp: false }
}

#[derive(Debug)]
pub(super) struct Body {
    vin: &'static str,
    codes: Codes,
    session: Session,
    low_s: f64,
    outputs: Outputs,
}

impl Body {
    pub(super) fn new(vin: &'static str) -> Self {
        Self { vin, codes: Codes::new(&KINDS), session: Session::default(), low_s: 0.0, outputs: Outputs::default() }
    }
}

impl Diagnostics for Body {
    fn services(&self) -> &'static [u8] {
        &[0x10, 0x14, 0x19, 0x22, 0x2A, 0x2C, 0x2F, 0x31, 0x3E, 0x85]
    }

    fn identity(&self) -> Identity {
        Identity { name: "Body control", software: "07A0" }
    }

    fn vin(&self) -> &'static str {
        self.vin
    }

    fn session(&mut self) -> &mut Session {
        &mut self.session
    }

    fn take_back(&mut self, state: &State) {
        self.outputs.observe(false, state);
    }

    fn data(&self, did: u16, state: &State) -> Option<Vec<u8>> {
        Some(match did {
            0xD101 => vec![u8::from(state.ac_relay)],
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

    fn drive(&mut self, did: u16, wanted: Option<&[u8]>, state: &State) -> Result<Vec<u8>, u8> {
        let output = match did {
            0xD101 => Output::Clutch,
            0xD103 => Output::Fan,
            _ => return Err(OUT_OF_RANGE),
        };
        self.outputs.drive(output, wanted)?;
        // What is asked for, as far as the module knows it; otherwise what it does by itself.
        Ok(wanted.map_or_else(|| self.data(did, state).unwrap_or_default(), <[u8]>::to_vec))
    }

    fn routine(&mut self, sub: u8, id: u16, option: &[u8], state: &State) -> Result<Vec<u8>, u8> {
        let what = match (id, sub) {
            (0x0203, 1) => Routine::Start,
            (0x0203, 2) => Routine::Stop,
            (0x0203, _) => Routine::Results,
            _ => return Err(OUT_OF_RANGE),
        };
        self.outputs.ramp(what, option, state)
    }
}

impl Module for Body {
    fn answer(&mut self, request: &[u8], functional: bool, state: &State) -> Reply {
        uds::answer(self, request, functional, state)
    }

    fn sends(&mut self, state: &State) -> Option<(u8, Vec<Vec<u8>>)> {
        uds::sends(self, state)
    }

    fn observe(&mut self, state: &State, step_s: f64) {
        self.outputs.observe(self.session.is_extended(state), state);
        // Low supply while the engine charges, for ten seconds (the threshold is this invented car's own).
        self.low_s = if state.engine_running && state.battery_v < 12.4 { self.low_s + step_s } else { 0.0 };
        if state.run_time_s > 10.0 {
            self.codes.report(0x0562, self.low_s > 10.0, state);
        }
    }

    fn commands(&self) -> Commands {
        self.outputs.commands()
    }

    fn restart(&mut self) {
        self.session = Session::default();
        self.outputs = Outputs::default();
    }

    fn new_cycle(&mut self, _: &State) {
        self.codes.new_cycle();
    }
}
