//! The emissions services by identifiers, as the youngest cars have them (SAE J1979-2, from memory).

use super::obd::{self, Emissions};
use super::uds::{self, Diagnostics, OUT_OF_RANGE, SERVICE_NOT_SUPPORTED};
use super::{Module, Reply};
use crate::physics::{Commands, State};

/// An emissions module that answers OBD on UDS and not services 01 to 0A.
#[derive(Debug)]
pub(super) struct OnUds<M>(pub(super) M);

/// The group of emissions codes.
const EMISSIONS: u8 = 0x33;
/// All groups at once.
const EVERY_GROUP: u8 = 0xFF;

impl<M: Emissions + Diagnostics> OnUds<M> {
    fn data(&mut self, did: u16, state: &State) -> Option<Vec<u8>> {
        let [group, number] = did.to_be_bytes();
        let ecu = &mut self.0;
        match group {
            // How far the monitors are is told by readiness groups: parameters 01 and 41, the first of their bitmaps, go.
            0xF4 if matches!(number, 0x01 | 0x41) => None,
            0xF4 if matches!(number, 0x00 | 0x40) => obd::pid_data(ecu, number, state).map(|mut bits| {
                bits[0] &= 0x7F;
                bits
            }),
            0xF4 => obd::pid_data(ecu, number, state),
            0xF6 if number.is_multiple_of(0x20) => obd::bitmap(ecu.mids(), number),
            0xF6 => ecu.mids().contains(&number).then(|| {
                ecu.monitor(number, state)
                    .into_iter()
                    .flat_map(|(test, scaling, value, low, high)| {
                        let words = [value, low, high].into_iter().flat_map(u16::to_be_bytes);
                        [test, scaling].into_iter().chain(words).collect::<Vec<u8>>()
                    })
                    .collect()
            }),
            // The protocol's identification is no information type of its own.
            0xF8 if number == 0x10 => Some(vec![0x01]),
            // One item without a number in front.
            0xF8 if matches!(number, 0x02 | 0x04 | 0x0A) => {
                obd::info_data(ecu, number).map(|data| data.get(1..).unwrap_or_default().to_vec())
            }
            0xF8 => obd::info_data(ecu, number),
            _ => uds::data_of(ecu, did, state),
        }
    }

    fn group(&mut self, sub: u8, rest: &[u8]) -> Option<Vec<u8>> {
        const AVAILABLE: u8 = 0xFF;
        /// Format 04: SAE J2012-DA.
        const FORMAT: u8 = 0x04;
        let codes = Emissions::codes(&mut self.0).all();
        match (sub, rest) {
            (0x42, &[EMISSIONS, mask, _]) => {
                let mut data = vec![0x42, EMISSIONS, AVAILABLE, 0xFF, FORMAT];
                for code in codes.iter().filter(|code| code.status & mask != 0) {
                    // Maintenance only, class 1.
                    data.push(0x21);
                    data.extend(code.code.to_be_bytes());
                    data.extend([code.failure_type, code.status]);
                }
                Some(data)
            }
            (0x55, &[EMISSIONS]) => {
                let mut data = vec![0x55, EMISSIONS, AVAILABLE, FORMAT];
                for code in codes.iter().filter(|code| code.permanent) {
                    data.extend(code.code.to_be_bytes());
                    data.extend([code.failure_type, code.status]);
                }
                Some(data)
            }
            (0x56, &[EMISSIONS, number]) => {
                let own: Vec<_> = codes.iter().filter(|code| readiness_group(code.code) == number).collect();
                let mut data = vec![0x56, EMISSIONS, AVAILABLE, FORMAT, number];
                data.extend(own.iter().flat_map(|code| {
                    let [high, low] = code.code.to_be_bytes();
                    [high, low, code.failure_type, code.status]
                }));
                (!own.is_empty()).then_some(data)
            }
            _ => None,
        }
    }
}

/// Which readiness group a code counts for; the numbers are this invented car's own.
fn readiness_group(code: u16) -> u8 {
    match code {
        0x0300..=0x030C => 0x01,
        0x0171 | 0x0172 => 0x02,
        _ => 0x05,
    }
}

impl<M: Module + Emissions + Diagnostics> Module for OnUds<M> {
    fn answer(&mut self, request: &[u8], functional: bool, state: &State) -> Reply {
        match *request {
            [service @ 0x01..=0x0A, ..] if functional => {
                let _ = service;
                Reply::Silent
            }
            [service @ 0x01..=0x0A, ..] => Reply::Message(vec![0x7F, service, SERVICE_NOT_SUPPORTED]),
            [0x22, ref list @ ..] if !list.is_empty() && list.len().is_multiple_of(2) => {
                let mut data = vec![0x62];
                for did in list.as_chunks::<2>().0 {
                    if let Some(value) = self.data(u16::from_be_bytes(*did), state) {
                        data.extend(did);
                        data.extend(value);
                    }
                }
                match (data.len(), functional) {
                    (1, true) => Reply::Silent,
                    (1, false) => Reply::Message(vec![0x7F, 0x22, OUT_OF_RANGE]),
                    _ => Reply::Message(data),
                }
            }
            [0x19, sub @ (0x42 | 0x55 | 0x56), ref rest @ ..] => match self.group(sub, rest) {
                Some(data) => Reply::Message([&[0x59], data.as_slice()].concat()),
                None if functional => Reply::Silent,
                None => Reply::Message(vec![0x7F, 0x19, OUT_OF_RANGE]),
            },
            // To clear with the engine running is refused, as by the services before.
            [0x14, 0xFF, 0xFF, EMISSIONS | EVERY_GROUP] if state.engine_running => {
                Reply::Message(vec![0x7F, 0x14, 0x22])
            }
            [0x14, 0xFF, 0xFF, EMISSIONS | EVERY_GROUP] => {
                Emissions::clear(&mut self.0, state);
                Reply::Message(vec![0x54])
            }
            _ => uds::answer(&mut self.0, request, functional, state),
        }
    }

    fn observe(&mut self, state: &State, step_s: f64) {
        self.0.observe(state, step_s);
    }

    fn commands(&self) -> Commands {
        self.0.commands()
    }

    fn restart(&mut self) {
        self.0.restart();
    }

    fn new_cycle(&mut self, state: &State) {
        self.0.new_cycle(state);
    }
}
