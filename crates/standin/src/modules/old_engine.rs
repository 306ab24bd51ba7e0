//! The engine module of an older car: services 01 to 04 and 07 in the layout of a K-line, no VIN, and ISO 14230 beside it.

use super::engine::Engine;
use super::obd::{self, Emissions};
use super::outputs::{Output, Outputs, Routine};
use super::pack::{byte, celsius, word};
use super::uds::{MOST_SPEED_KMH, OUT_OF_RANGE, SUB_FUNCTION_NOT_SUPPORTED};
use super::unit::{Unit, kwp_reply};
use super::{Module, Reply};
use crate::physics::{Commands, State};

/// The engine of the old car.
#[derive(Debug)]
pub(super) struct OldEngine {
    engine: Engine,
    /// What it says in the maker's dialect.
    kwp: Unit,
    /// The end of the session in which outputs can be driven, s.
    session_until_s: f64,
    outputs: Outputs,
}

/// A conversation is over after so long without a request, s (P3 max, ISO 14230-2).
const P3_MAX_S: f64 = 5.0;
const CONDITIONS_NOT_CORRECT: u8 = 0x22;
/// ISO 14230-3: not in this session.
const NOT_IN_THIS_SESSION: u8 = 0x80;

/// The routine that runs the fan through its speeds.
const RAMP: u8 = 0x05;
/// Parameters of about 2001.
const PIDS: [u8; 14] = [0x01, 0x03, 0x04, 0x05, 0x06, 0x07, 0x0B, 0x0C, 0x0D, 0x0E, 0x0F, 0x11, 0x13, 0x1C];

impl OldEngine {
    pub(super) fn new(engine: Engine, kwp: Unit) -> Self {
        Self { engine, kwp, session_until_s: 0.0, outputs: Outputs::default() }
    }

    /// Sessions, data and outputs of ISO 14230-3; `None`: another service.
    fn control(&mut self, request: &[u8], state: &State) -> Option<Result<Vec<u8>, u8>> {
        Some(match *request {
            [0x10, 0x81] => {
                self.session_until_s = 0.0;
                Ok(vec![0x81])
            }
            [0x10, 0x89] => {
                self.session_until_s = state.time_s + P3_MAX_S;
                Ok(vec![0x89])
            }
            [0x21, 0x01] => Ok([&[0x01], Self::block(state).as_slice()].concat()),
            [0x21, _] => Err(OUT_OF_RANGE),
            // Giving back is always allowed, so that nobody is left with an output in hand.
            [0x30, id, 0x00] => self.drive(id, None).map(|()| vec![id, 0x00]),
            [0x30 | 0x31, ..] if !self.has_session(state) => Err(NOT_IN_THIS_SESSION),
            [0x30 | 0x31, ..] if state.speed_kmh > MOST_SPEED_KMH => Err(CONDITIONS_NOT_CORRECT),
            [0x30, id, 0x07, ref wanted @ ..] => self.drive(id, Some(wanted)).map(|()| [&[id, 0x07], wanted].concat()),
            [0x30, ..] => Err(SUB_FUNCTION_NOT_SUPPORTED),
            [service @ 0x31..=0x33, RAMP, ref option @ ..] => {
                let what = match service {
                    0x31 => Routine::Start,
                    0x32 => Routine::Stop,
                    _ => Routine::Results,
                };
                self.outputs.ramp(what, option, state).map(|record| [&[RAMP], record.as_slice()].concat())
            }
            [0x31..=0x33, ..] => Err(OUT_OF_RANGE),
            _ => return None,
        })
    }

    fn has_session(&self, state: &State) -> bool {
        self.session_until_s > state.time_s
    }

    fn drive(&mut self, id: u8, wanted: Option<&[u8]>) -> Result<(), u8> {
        let output = match id {
            0x12 => Output::Fan,
            0x13 => Output::Clutch,
            _ => return Err(OUT_OF_RANGE),
        };
        self.outputs.drive(output, wanted)
    }

    /// What local identifier 01 holds, twelve bytes.
    fn block(state: &State) -> Vec<u8> {
        let mut data = word(state.engine_rpm * 4.0).to_vec();
        data.extend([byte(state.speed_kmh), celsius(state.coolant_c), celsius(state.intake_c)]);
        data.push(byte(state.throttle_tracks_pct[0] * 2.55));
        data.extend(word(state.battery_v * 1000.0));
        data.extend([byte(state.fan_pct), u8::from(state.ac_relay)]);
        data.extend(word(state.ac_pressure_kpa));
        data
    }

    fn obd(&mut self, request: &[u8], state: &State) -> Option<Vec<u8>> {
        match *request {
            [1, 0] => obd::bitmap(&PIDS, 0).map(|bits| [&[0x41, 0], bits.as_slice()].concat()),
            // ISO 9141-2 era: 1C 9 stands for "EOBD and OBD II".
            [1, 0x1C] => Some(vec![0x41, 0x1C, 0x09]),
            [1, pid] if PIDS.contains(&pid) => Some([&[0x41, pid], self.engine.pid(pid, state).as_slice()].concat()),
            [2, 2, 0] => Some(vec![0x42, 2, 0, 0, 0]),
            // Three codes, padded; more than three come in further messages in newer modules only.
            [service @ (3 | 7)] => {
                let codes = Emissions::codes(&mut self.engine);
                let list = if service == 3 { codes.stored() } else { codes.pending() };
                let mut data = vec![service + 0x40];
                data.extend(list.iter().take(3).flat_map(|code| code.to_be_bytes()));
                data.resize(7, 0);
                Some(data)
            }
            [4] if !state.engine_running => {
                Emissions::clear(&mut self.engine, state);
                Some(vec![0x44])
            }
            _ => None,
        }
    }
}

impl Module for OldEngine {
    fn answer(&mut self, request: &[u8], functional: bool, state: &State) -> Reply {
        let Some(&service) = request.first() else { return Reply::Silent };
        if self.has_session(state) {
            self.session_until_s = state.time_s + P3_MAX_S;
        }
        if (0x01..=0x0A).contains(&service) {
            return self.obd(request, state).map_or(Reply::Silent, Reply::Message);
        }
        match self.control(request, state) {
            Some(result) => kwp_reply(service, functional, result),
            None => self.kwp.answer(request, functional, state),
        }
    }

    fn observe(&mut self, state: &State, step_s: f64) {
        self.engine.observe(state, step_s);
        self.kwp.observe(state, step_s);
        self.outputs.observe(self.has_session(state), state);
    }

    fn commands(&self) -> Commands {
        self.engine.commands().and(self.outputs.commands())
    }

    fn restart(&mut self) {
        self.engine.restart();
        self.kwp.restart();
        self.session_until_s = 0.0;
        self.outputs = Outputs::default();
    }

    fn new_cycle(&mut self, state: &State) {
        self.engine.new_cycle(state);
        self.kwp.new_cycle(state);
    }
}
