//! The gearbox module: 7E1 / 7E9.

use super::codes::{Codes, Kind};
use super::obd::{self, Emissions};
use super::pack::{byte, word};
use super::uds::{self, Diagnostics, Identity, Session};
use super::{Module, Reply, Start};
use crate::physics::{State, gear_ratio};

const KINDS: [Kind; 2] = [
    Kind { code: 0x0711, failure_type: 0x64, two_trips: true, lamp: true },
    Kind { code: 0x0730, failure_type: 0x00, two_trips: true, lamp: true },
];

#[derive(Debug)]
pub(super) struct Gearbox {
    vin: &'static str,
    codes: Codes,
    session: Session,
    tested: bool,
    shifts: u32,
    previous_gear: u8,
}

impl Gearbox {
    pub(super) fn new(start: &Start, vin: &'static str) -> Self {
        let mut codes = Codes::new(&KINDS);
        if start.cleared {
            codes.clear();
        }
        Self { vin, codes, session: Session::default(), tested: !start.cleared, shifts: 0, previous_gear: 0 }
    }
}

impl Emissions for Gearbox {
    fn pids(&self) -> &'static [u8] {
        &[0x01, 0x0C, 0x0D, 0x1C, 0x42, 0xA4]
    }

    fn pid(&self, pid: u8, s: &State) -> Vec<u8> {
        match pid {
            // Only comprehensive components are monitored here.
            0x01 => {
                let lamp = u8::from(self.codes.lamp()) << 7 | self.codes.stored().len() as u8 & 0x7F;
                vec![lamp, 0x04 | u8::from(!self.tested) << 6, 0, 0]
            }
            0x0C => word(s.engine_rpm * 4.0).to_vec(),
            0x0D => vec![byte(s.speed_kmh)],
            0x1C => vec![6],
            0x42 => word((s.battery_v - 0.08) * 1000.0).to_vec(),
            0xA4 => [[0x03, s.gear << 4], word(gear_ratio(s.gear) * 1000.0)].concat(),
            _ => Vec::new(),
        }
    }

    fn codes(&mut self) -> &mut Codes {
        &mut self.codes
    }

    fn mids(&self) -> &'static [u8] {
        &[]
    }

    fn monitor(&self, _: u8, _: &State) -> Vec<(u8, u8, u16, u16, u16)> {
        Vec::new()
    }

    fn infos(&self) -> &'static [u8] {
        &[0x04, 0x06, 0x0A]
    }

    fn info(&self, info: u8) -> Vec<u8> {
        match info {
            0x04 => [&[1], &b"TWKGB5-2018-02B0"[..]].concat(),
            0x06 => vec![1, 0x0E, 0xA2, 0x44, 0x91],
            _ => [&[1], &b"TCM\0-TransmisCtrl\0\0\0"[..]].concat(),
        }
    }

    fn clear(&mut self, _: &State) {
        self.codes.clear();
        self.tested = false;
    }
}

impl Diagnostics for Gearbox {
    fn services(&self) -> &'static [u8] {
        &[0x19, 0x22, 0x2C, 0x3E]
    }

    fn identity(&self) -> Identity {
        Identity { name: "Gearbox control", software: "02B0" }
    }

    fn vin(&self) -> &'static str {
        self.vin
    }

    fn session(&mut self) -> &mut Session {
        &mut self.session
    }

    fn data(&self, _: u16, _: &State) -> Option<Vec<u8>> {
        None
    }

    fn codes(&mut self) -> &mut Codes {
        &mut self.codes
    }

    fn clear(&mut self, state: &State) {
        Emissions::clear(self, state);
    }
}

impl Module for Gearbox {
    fn answer(&mut self, request: &[u8], functional: bool, state: &State) -> Reply {
        obd::answer(self, request, functional, state).unwrap_or_else(|| uds::answer(self, request, functional, state))
    }

    fn observe(&mut self, state: &State, _: f64) {
        self.shifts += u32::from(state.gear != self.previous_gear);
        self.previous_gear = state.gear;
        // Ratios are proven once a few gears have been used.
        if self.shifts > 6 && !self.tested {
            self.tested = true;
            self.codes.report(0x0730, false, state);
        }
    }

    fn restart(&mut self) {
        self.session = Session::default();
    }

    fn new_cycle(&mut self, _: &State) {
        self.codes.new_cycle();
        self.shifts = 0;
    }
}
