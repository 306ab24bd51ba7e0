//! The engine module of an older car: services 01 to 04 and 07 in the layout of a K-line, no VIN, and ISO 14230 beside it.

use super::engine::Engine;
use super::obd::{self, Emissions};
use super::unit::Unit;
use super::{Module, Reply};
use crate::physics::{Commands, State};

/// The engine of the old car.
#[derive(Debug)]
pub(super) struct OldEngine {
    pub(super) engine: Engine,
    /// What it says in the maker's dialect.
    pub(super) kwp: Unit,
}

/// Parameters of about 2001.
const PIDS: [u8; 14] = [0x01, 0x03, 0x04, 0x05, 0x06, 0x07, 0x0B, 0x0C, 0x0D, 0x0E, 0x0F, 0x11, 0x13, 0x1C];

impl OldEngine {
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
        match request.first() {
            Some(0x01..=0x0A) => self.obd(request, state).map_or(Reply::Silent, Reply::Message),
            _ => self.kwp.answer(request, functional, state),
        }
    }

    fn observe(&mut self, state: &State, step_s: f64) {
        self.engine.observe(state, step_s);
        self.kwp.observe(state, step_s);
    }

    fn commands(&self) -> Commands {
        self.engine.commands()
    }

    fn new_cycle(&mut self, state: &State) {
        self.engine.new_cycle(state);
        self.kwp.new_cycle(state);
    }
}
