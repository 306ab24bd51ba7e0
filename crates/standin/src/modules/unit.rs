//! A module that is described by data alone: it has a name and codes, and nothing of the physics.

use super::codes::{Codes, Kind};
use super::uds::{self, Diagnostics, Identity, OUT_OF_RANGE, SERVICE_NOT_SUPPORTED, Session};
use super::{Module, Reply};
use crate::physics::State;

/// Which services a module offers.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Dialect {
    /// ISO 14229.
    Uds,
    /// ISO 14230-3.
    Kwp,
}

/// What a module is.
#[derive(Debug, Clone, Copy)]
pub(crate) struct UnitKind {
    /// What it calls itself.
    pub(crate) title: &'static str,
    /// What it speaks.
    pub(crate) dialect: Dialect,
    /// Codes whose fault is there: number and failure type.
    pub(crate) now: &'static [(u16, u8)],
    /// Codes whose fault was there.
    pub(crate) before: &'static [(u16, u8)],
}

/// An answer of ISO 14230-3, or the refusal.
pub(super) fn kwp_reply(service: u8, functional: bool, result: Result<Vec<u8>, u8>) -> Reply {
    match result {
        Ok(data) => Reply::Message([&[service | 0x40], data.as_slice()].concat()),
        Err(_) if functional => Reply::Silent,
        Err(code) => Reply::Message(vec![0x7F, service, code]),
    }
}

#[derive(Debug)]
pub(super) struct Unit {
    kind: UnitKind,
    vin: &'static str,
    codes: Codes,
    session: Session,
}

impl Unit {
    pub(super) fn new(kind: UnitKind, vin: &'static str) -> Self {
        let all = kind.now.iter().chain(kind.before);
        let kinds: Vec<Kind> =
            all.map(|&(code, failure_type)| Kind { code, failure_type, two_trips: false, lamp: false }).collect();
        let mut codes = Codes::new(&kinds);
        let state = State::default();
        for &(code, _) in kind.before {
            codes.report(code, true, &state);
        }
        codes.new_cycle();
        for &(code, _) in kind.before {
            codes.report(code, false, &state);
        }
        for &(code, _) in kind.now {
            codes.report(code, true, &state);
        }
        Self { kind, vin, codes, session: Session::default() }
    }

    /// ISO 14230-3, from memory: session 10, codes 18, 17 and 14, identification 1A, tester present 3E.
    fn kwp(&mut self, request: &[u8], functional: bool) -> Reply {
        let Some((&service, rest)) = request.split_first() else { return Reply::Silent };
        let result: Result<Vec<u8>, u8> = match (service, rest) {
            (0x10, &[session @ (0x81 | 0x89)]) => Ok(vec![session]),
            (0x3E, [] | [1] | [0]) => Ok(Vec::new()),
            (0x3E, [2]) => return Reply::Silent,
            (0x1A, &[item]) => match item {
                0x90 if self.vin.is_empty() => Err(OUT_OF_RANGE),
                0x90 => Ok([&[item], self.vin.as_bytes()].concat()),
                0x91 => Ok([&[item], &b"TWK-0417"[..]].concat()),
                0x97 => Ok([&[item], self.kind.title.as_bytes()].concat()),
                _ => Err(OUT_OF_RANGE),
            },
            (0x18, &[0, 0xFF, 0]) => {
                let set: Vec<(u16, u8)> = self.set().collect();
                let mut data = vec![set.len() as u8];
                data.extend(set.iter().flat_map(|(code, status)| [(code >> 8) as u8, *code as u8, *status]));
                Ok(data)
            }
            (0x17, &[high, low]) => {
                let code = u16::from_be_bytes([high, low]);
                let found = self.set().find(|(number, _)| *number == code);
                // Behind the status: how often, and the state of the odometer in hundreds of kilometres.
                found.map(|(_, status)| vec![1, high, low, status, 3, 0x02, 0x3A]).ok_or(OUT_OF_RANGE)
            }
            (0x14, &[0xFF, 0]) => {
                self.codes.clear();
                Ok(vec![0xFF, 0])
            }
            _ => Err(SERVICE_NOT_SUPPORTED),
        };
        kwp_reply(service, functional, result)
    }

    /// Its codes with the status byte of ISO 14230-3: stored and there, or stored and not there, with the lamp.
    fn set(&self) -> impl Iterator<Item = (u16, u8)> {
        let stored = self.codes.all().iter().filter(|code| code.status & 0x08 != 0);
        stored.map(|code| (code.code, if code.status & 0x01 != 0 { 0xE1 } else { 0x21 }))
    }
}

impl Diagnostics for Unit {
    fn services(&self) -> &'static [u8] {
        &[0x10, 0x14, 0x19, 0x22, 0x3E]
    }

    fn identity(&self) -> Identity {
        Identity { name: self.kind.title, software: "0100" }
    }

    fn vin(&self) -> &'static str {
        self.vin
    }

    fn session(&mut self) -> &mut Session {
        &mut self.session
    }

    fn data(&self, did: u16, _: &State) -> Option<Vec<u8>> {
        match did {
            0xF187 => Some(b"TWK-0417-B".to_vec()),
            0xF18A => Some(b"Ghyll Electric".to_vec()),
            0xF18C => Some(self.kind.title.bytes().map(|byte| b'0' + byte % 10).collect()),
            _ => None,
        }
    }

    fn codes(&mut self) -> &mut Codes {
        &mut self.codes
    }

    fn clear(&mut self, _: &State) {
        self.codes.clear();
    }
}

impl Module for Unit {
    fn answer(&mut self, request: &[u8], functional: bool, state: &State) -> Reply {
        match self.kind.dialect {
            Dialect::Uds => uds::answer(self, request, functional, state),
            Dialect::Kwp => self.kwp(request, functional),
        }
    }

    fn observe(&mut self, state: &State, _: f64) {
        for &(code, _) in self.kind.now {
            self.codes.report(code, true, state);
        }
    }

    fn restart(&mut self) {
        self.session = Session::default();
    }

    fn new_cycle(&mut self, _: &State) {
        self.codes.new_cycle();
    }
}
