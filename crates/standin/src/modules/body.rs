//! The body module: 7E3 / 7EB, ISO 14229 only.

use super::codes::{Codes, Kind};
use super::pack::{byte, word};
use super::uds::{self, Diagnostics, Identity, OUT_OF_RANGE, SEQUENCE, Session};
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
    commands: Commands,
    ramp: Ramp,
}

/// The routine 0203: runs the fan through its speeds, a quarter more each step.
#[derive(Debug, Default, Clone, Copy, PartialEq)]
enum Ramp {
    #[default]
    Never,
    Running {
        since_s: f64,
        step_s: f64,
    },
    Over,
    Stopped,
}

impl Body {
    pub(super) fn new(vin: &'static str) -> Self {
        Self {
            vin,
            codes: Codes::new(&KINDS),
            session: Session::default(),
            low_s: 0.0,
            commands: Commands::default(),
            ramp: Ramp::default(),
        }
    }
}

impl Diagnostics for Body {
    fn services(&self) -> &'static [u8] {
        &[0x10, 0x14, 0x19, 0x22, 0x2C, 0x2F, 0x31, 0x3E, 0x85]
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
        match (did, wanted) {
            (0xD101, None) => self.commands.ac_clutch = None,
            (0xD101, Some(&[on @ (0 | 1)])) => self.commands.ac_clutch = Some(on == 1),
            (0xD103, None) => self.commands.fan_pct = None,
            (0xD103, Some(&[pct @ 0..=100])) => self.commands.fan_pct = Some(f64::from(pct)),
            _ => return Err(OUT_OF_RANGE),
        }
        // What is asked for, as far as the module knows it; otherwise what it does by itself.
        Ok(wanted.map_or_else(|| self.data(did, state).unwrap_or_default(), <[u8]>::to_vec))
    }

    fn routine(&mut self, sub: u8, id: u16, option: &[u8], state: &State) -> Result<Vec<u8>, u8> {
        if id != 0x0203 {
            return Err(OUT_OF_RANGE);
        }
        match (sub, option, self.ramp) {
            (1, &[step @ 1..=10], _) => {
                self.ramp = Ramp::Running { since_s: state.time_s, step_s: f64::from(step) };
                Ok(Vec::new())
            }
            (1, ..) => Err(OUT_OF_RANGE),
            (_, _, Ramp::Never) => Err(SEQUENCE),
            (2, ..) => {
                if matches!(self.ramp, Ramp::Running { .. }) {
                    self.ramp = Ramp::Stopped;
                    self.commands.fan_pct = None;
                }
                Ok(Vec::new())
            }
            (_, _, Ramp::Running { .. }) => Ok(vec![0]),
            (_, _, Ramp::Over) => Ok(vec![1]),
            (_, _, Ramp::Stopped) => Ok(vec![2]),
        }
    }
}

impl Module for Body {
    fn answer(&mut self, request: &[u8], functional: bool, state: &State) -> Reply {
        uds::answer(self, request, functional, state)
    }

    fn observe(&mut self, state: &State, step_s: f64) {
        if !self.session.is_extended(state) {
            // With the session everything that was set in it ends (reference page 3.3).
            self.commands = Commands::default();
            if matches!(self.ramp, Ramp::Running { .. }) {
                self.ramp = Ramp::Stopped;
            }
        }
        if let Ramp::Running { since_s, step_s } = self.ramp {
            let step = ((state.time_s - since_s) / step_s).floor();
            self.commands.fan_pct = (step < 4.0).then_some(25.0 * (step + 1.0));
            if step >= 4.0 {
                self.ramp = Ramp::Over;
            }
        }
        // Low supply while the engine charges, for ten seconds (the threshold is this invented car's own).
        self.low_s = if state.engine_running && state.battery_v < 12.4 { self.low_s + step_s } else { 0.0 };
        if state.run_time_s > 10.0 {
            self.codes.report(0x0562, self.low_s > 10.0, state);
        }
    }

    fn commands(&self) -> Commands {
        self.commands
    }

    fn new_cycle(&mut self, _: &State) {
        self.codes.new_cycle();
    }
}
