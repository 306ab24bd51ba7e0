//! The ISO 14229 services that the modules share: sessions, tester present, data by identifier, trouble codes.

use std::collections::{BTreeMap, BTreeSet};

use super::Reply;
use super::codes::Codes;
use super::pack::{byte, word};
use crate::physics::State;

/// What a module says of itself.
pub(super) struct Identity {
    /// System name, F197.
    pub(super) name: &'static str,
    /// Software version, F195.
    pub(super) software: &'static str,
}

/// What a module offers over ISO 14229.
pub(super) trait Diagnostics {
    /// What it says of itself.
    fn identity(&self) -> Identity;
    /// The car that it was fitted to.
    fn vin(&self) -> &'static str;
    /// Services offered.
    fn services(&self) -> &'static [u8];
    /// Session state.
    fn session(&mut self) -> &mut Session;

    /// Takes back what was driven in a session that was left; the answer says that it has.
    fn take_back(&mut self, _: &State) {}
    /// Data of an identifier that is this module's own.
    fn data(&self, did: u16, state: &State) -> Option<Vec<u8>>;
    /// Its trouble codes.
    fn codes(&mut self) -> &mut Codes;
    /// Clears codes.
    fn clear(&mut self, state: &State);
    /// Drives the output of an identifier to a state, or takes it back into the module's own hands; answers with its state.
    fn drive(&mut self, _did: u16, _wanted: Option<&[u8]>, _state: &State) -> Result<Vec<u8>, u8> {
        Err(OUT_OF_RANGE)
    }
    /// Starts (1), stops (2) or asks (3) a routine; answers with its status record.
    fn routine(&mut self, _sub: u8, _id: u16, _option: &[u8], _state: &State) -> Result<Vec<u8>, u8> {
        Err(OUT_OF_RANGE)
    }
}

/// The diagnostic session; falls back to the default session after S3 without a request.
#[derive(Debug, Clone, Default)]
pub(super) struct Session {
    extended_until_s: f64,
    /// What a tester has defined: pieces of identifiers, each with its first byte and its length. Kept until the power goes.
    defined: BTreeMap<u16, Vec<(u16, usize, usize)>>,
    /// Periodic numbers that the module sends by itself, and how fast: 1 slow to 3 fast.
    periodic: (u8, BTreeSet<u8>),
}

/// Most bytes under one number that a tester defines.
const MOST_DEFINED: usize = 64;

impl Session {
    /// Whether the extended session is on.
    pub(super) fn is_extended(&self, state: &State) -> bool {
        self.extended_until_s > state.time_s
    }
}

/// S3 server, s (reference page 3.3).
const S3_S: f64 = 5.0;
pub(super) const SERVICE_NOT_SUPPORTED: u8 = 0x11;
pub(super) const SUB_FUNCTION_NOT_SUPPORTED: u8 = 0x12;
const WRONG_LENGTH: u8 = 0x13;
pub(super) const SEQUENCE: u8 = 0x24;
pub(super) const OUT_OF_RANGE: u8 = 0x31;
const NOT_IN_THIS_SESSION: u8 = 0x7F;
pub(super) const SPEED_TOO_HIGH: u8 = 0x88;
/// Above this the modules of this car let nobody drive their outputs, km/h.
pub(super) const MOST_SPEED_KMH: f64 = 5.0;

/// Answers a request.
pub(super) fn answer(ecu: &mut dyn Diagnostics, request: &[u8], functional: bool, state: &State) -> Reply {
    let Some((&service, rest)) = request.split_first() else { return Reply::Silent };
    let session = ecu.session();
    if session.extended_until_s > state.time_s {
        session.extended_until_s = state.time_s + S3_S;
    }
    let result =
        if ecu.services().contains(&service) { serve(ecu, service, rest, state) } else { Err(SERVICE_NOT_SUPPORTED) };
    match result {
        Ok(None) => Reply::Silent,
        Ok(Some(data)) => {
            let mut bytes = vec![service | 0x40];
            bytes.extend(data);
            Reply::Message(bytes)
        }
        // On functional requests these refusals are not sent (reference page 3.2).
        Err(SERVICE_NOT_SUPPORTED | SUB_FUNCTION_NOT_SUPPORTED | OUT_OF_RANGE) if functional => Reply::Silent,
        Err(code) => Reply::Message(vec![0x7F, service, code]),
    }
}

fn serve(ecu: &mut dyn Diagnostics, service: u8, rest: &[u8], state: &State) -> Result<Option<Vec<u8>>, u8> {
    match (service, rest) {
        (0x10 | 0x3E, [sub]) => {
            let wanted = sub & 0x7F;
            let mut data = vec![wanted];
            match (service, wanted) {
                (0x10, 1) => {
                    ecu.session().extended_until_s = 0.0;
                    ecu.take_back(state);
                }
                (0x10, 3) => ecu.session().extended_until_s = state.time_s + S3_S,
                (0x3E, 0) => {}
                _ => return Err(SUB_FUNCTION_NOT_SUPPORTED),
            }
            if service == 0x10 {
                // P2 50 ms, P2* 500 x 10 ms.
                data.extend([0x00, 0x32, 0x01, 0xF4]);
            }
            Ok((sub & 0x80 == 0).then_some(data))
        }
        (0x14, &[high, mid, low]) => match u32::from_be_bytes([0, high, mid, low]) {
            0xFF_FFFF => {
                ecu.clear(state);
                Ok(Some(Vec::new()))
            }
            _ => Err(OUT_OF_RANGE),
        },
        // Giving back is always allowed, so that nobody is left with an output in hand.
        (0x2F, &[high, low, 0]) => {
            let did = u16::from_be_bytes([high, low]);
            Ok(Some([&[high, low, 0][..], &ecu.drive(did, None, state)?].concat()))
        }
        (0x2A | 0x2F | 0x31 | 0x85, _) if !ecu.session().is_extended(state) => Err(NOT_IN_THIS_SESSION),
        (0x2F, &[high, low, 3, ref wanted @ ..]) if !wanted.is_empty() => {
            if state.speed_kmh > MOST_SPEED_KMH {
                return Err(SPEED_TOO_HIGH);
            }
            let did = u16::from_be_bytes([high, low]);
            Ok(Some([&[high, low, 3][..], &ecu.drive(did, Some(wanted), state)?].concat()))
        }
        (0x2F, &[_, _, 1 | 2]) => Err(OUT_OF_RANGE),
        (0x31, &[sub @ 1..=3, high, low, ref option @ ..]) => {
            if sub == 1 && state.speed_kmh > MOST_SPEED_KMH {
                return Err(SPEED_TOO_HIGH);
            }
            let record = ecu.routine(sub, u16::from_be_bytes([high, low]), option, state)?;
            Ok(Some([&[sub, high, low][..], &record].concat()))
        }
        (0x31, &[_, _, _, ..]) => Err(SUB_FUNCTION_NOT_SUPPORTED),
        // These modules keep their monitors running: a tester may ask, nothing that they watch changes with an output.
        (0x85, &[sub @ (1 | 2)]) => Ok(Some(vec![sub])),
        (0x85, &[0x81 | 0x82]) => Ok(None),
        (0x85, &[_]) => Err(SUB_FUNCTION_NOT_SUPPORTED),
        (0x19, &[sub, ref rest @ ..]) => trouble_codes(ecu, sub, rest),
        (0x2C, &[sub @ (1 | 3), ref rest @ ..]) => {
            define(ecu, sub, rest, state)?;
            Ok(Some([&[sub], &rest[..rest.len().min(2)]].concat()))
        }
        (0x2C, &[_, ..]) => Err(SUB_FUNCTION_NOT_SUPPORTED),
        (0x2A, &[rate @ 1..=4, ref numbers @ ..]) => {
            send_by_itself(ecu, rate, numbers, state)?;
            Ok(Some(Vec::new()))
        }
        (0x2A, &[_, ..]) => Err(OUT_OF_RANGE),
        (0x22, list) if !list.is_empty() && list.len().is_multiple_of(2) => {
            let mut data = Vec::new();
            for did in list.as_chunks::<2>().0 {
                let did_number = u16::from_be_bytes(*did);
                if let Some(value) = value_of(ecu, did_number, state) {
                    data.extend(did);
                    data.extend(value);
                }
            }
            if data.is_empty() { Err(OUT_OF_RANGE) } else { Ok(Some(data)) }
        }
        _ => Err(WRONG_LENGTH),
    }
}

/// Data under a number: what a tester has defined, or the module's own.
fn value_of(ecu: &mut dyn Diagnostics, did: u16, state: &State) -> Option<Vec<u8>> {
    match ecu.session().defined.get(&did).cloned() {
        Some(pieces) => Some(pieces.iter().flat_map(|piece| cut(ecu, *piece, state)).collect()),
        None if did == 0xF186 => Some(vec![if ecu.session().is_extended(state) { 3 } else { 1 }]),
        None => data_of(ecu, did, state),
    }
}

/// Data bytes of a message that the module sends by itself: what is left of a frame behind the number.
const MOST_SENT: usize = 7;

/// Begins to send numbers at a rate, or stops (4; all where none is named).
fn send_by_itself(ecu: &mut dyn Diagnostics, rate: u8, numbers: &[u8], state: &State) -> Result<(), u8> {
    if rate == 4 {
        let sent = &mut ecu.session().periodic.1;
        if numbers.is_empty() {
            sent.clear();
        }
        sent.retain(|number| !numbers.contains(number));
        return Ok(());
    }
    let mut fits =
        |number: &u8| value_of(ecu, 0xF200 | u16::from(*number), state).is_some_and(|data| data.len() <= MOST_SENT);
    if numbers.is_empty() || !numbers.iter().all(&mut fits) {
        return Err(OUT_OF_RANGE);
    }
    let periodic = &mut ecu.session().periodic;
    periodic.0 = rate;
    periodic.1.extend(numbers);
    Ok(())
}

/// What a module sends by itself now; with the session it ends.
pub(super) fn sends(ecu: &mut dyn Diagnostics, state: &State) -> Option<(u8, Vec<Vec<u8>>)> {
    if !ecu.session().is_extended(state) {
        ecu.session().periodic.1.clear();
    }
    let (rate, numbers) = ecu.session().periodic.clone();
    let message = |number: &u8| {
        let data = value_of(ecu, 0xF200 | u16::from(*number), state)?;
        Some([&[*number], data.as_slice()].concat())
    };
    let messages: Vec<Vec<u8>> = numbers.iter().filter_map(message).collect();
    (!messages.is_empty()).then_some((rate, messages))
}

/// Defines a number as pieces of others (service 2C, sub-function 01), or forgets one or all (03).
fn define(ecu: &mut dyn Diagnostics, sub: u8, rest: &[u8], state: &State) -> Result<(), u8> {
    match (sub, rest) {
        (3, []) => ecu.session().defined.clear(),
        (3, &[high, low]) => {
            ecu.session().defined.remove(&u16::from_be_bytes([high, low]));
        }
        (1, &[high @ (0xF2 | 0xF3), low, ref pieces @ ..]) if !pieces.is_empty() && pieces.len().is_multiple_of(4) => {
            let number = u16::from_be_bytes([high, low]);
            let new =
                pieces.chunks(4).map(|p| (u16::from_be_bytes([p[0], p[1]]), usize::from(p[2]), usize::from(p[3])));
            let mut all = ecu.session().defined.get(&number).cloned().unwrap_or_default();
            all.extend(new);
            let is_there = |(did, first, length): &(u16, usize, usize)| {
                let data = data_of(ecu, *did, state).unwrap_or_default();
                *first >= 1 && *length >= 1 && first - 1 + length <= data.len()
            };
            if !all.iter().all(is_there) || all.iter().map(|piece| piece.2).sum::<usize>() > MOST_DEFINED {
                return Err(OUT_OF_RANGE);
            }
            ecu.session().defined.insert(number, all);
        }
        (1, &[_, _, ref pieces @ ..]) if !pieces.is_empty() && pieces.len().is_multiple_of(4) => {
            return Err(OUT_OF_RANGE);
        }
        _ => return Err(WRONG_LENGTH),
    }
    Ok(())
}

/// The bytes of a piece.
fn cut(ecu: &dyn Diagnostics, (did, first, length): (u16, usize, usize), state: &State) -> Vec<u8> {
    let data = data_of(ecu, did, state).unwrap_or_default();
    data.iter().skip(first.saturating_sub(1)).take(length).copied().collect()
}

/// Data of an identifier: what every module tells of itself, or its own.
pub(super) fn data_of(ecu: &dyn Diagnostics, did: u16, state: &State) -> Option<Vec<u8>> {
    match did {
        0xF190 => Some(ecu.vin().as_bytes().to_vec()),
        0xF195 => Some(ecu.identity().software.as_bytes().to_vec()),
        0xF197 => Some(ecu.identity().name.as_bytes().to_vec()),
        _ => ecu.data(did, state),
    }
}

fn trouble_codes(ecu: &mut dyn Diagnostics, sub: u8, rest: &[u8]) -> Result<Option<Vec<u8>>, u8> {
    const AVAILABLE: u8 = 0xFF;
    if let (0x04 | 0x06, &[high, low, failure_type, record]) = (sub, rest) {
        let number = u16::from_be_bytes([high, low]);
        let codes = ecu.codes();
        let code = codes.all().iter().find(|c| c.code == number && c.failure_type == failure_type);
        let code = code.ok_or(OUT_OF_RANGE)?;
        let mut data = vec![sub, high, low, failure_type, code.status];
        data.extend(if sub == 0x04 { snapshot(codes, number, record)? } else { extended(code, record)? });
        return Ok(Some(data));
    }
    let mask = match (sub, rest) {
        (0x01 | 0x02, &[mask]) => mask,
        (0x0A, []) => 0,
        (0x01 | 0x02 | 0x04 | 0x06 | 0x0A, _) => return Err(WRONG_LENGTH),
        _ => return Err(SUB_FUNCTION_NOT_SUPPORTED),
    };
    let matching: Vec<_> = ecu.codes().all().iter().filter(|c| sub == 0x0A || c.status & mask != 0).collect();
    let mut data = vec![sub, AVAILABLE];
    if sub == 0x01 {
        // Format 01: ISO 14229-1 codes.
        data.push(0x01);
        data.extend((matching.len() as u16).to_be_bytes());
    } else {
        for code in matching {
            data.extend(code.code.to_be_bytes());
            data.extend([code.failure_type, code.status]);
        }
    }
    Ok(Some(data))
}

/// Record 1: the frozen moment, as four parameters and an identifier of the maker's.
fn snapshot(codes: &Codes, number: u16, record: u8) -> Result<Vec<u8>, u8> {
    if !matches!(record, 0x01 | 0xFF) {
        return Err(OUT_OF_RANGE);
    }
    let Some(frame) = codes.freeze_frame().filter(|frame| frame.code == number) else { return Ok(Vec::new()) };
    let s = &frame.state;
    let parts: [(u16, Vec<u8>); 5] = [
        (0xF405, vec![byte(s.coolant_c + 40.0)]),
        (0xF40C, word(s.engine_rpm * 4.0).to_vec()),
        (0xF40D, vec![byte(s.speed_kmh)]),
        (0xF442, word(s.battery_v * 1000.0).to_vec()),
        (0xD0F0, ((s.odometer_km * 10.0) as u32).to_be_bytes().to_vec()),
    ];
    let mut data = vec![0x01, parts.len() as u8];
    for (did, value) in parts {
        data.extend(did.to_be_bytes());
        data.extend(value);
    }
    Ok(data)
}

/// Record 1: how often the fault came; record 2: good operation cycles since.
fn extended(code: &super::codes::Code, record: u8) -> Result<Vec<u8>, u8> {
    let records = [(0x01, code.occurrences), (0x02, code.good_cycles)];
    let wanted = records.into_iter().filter(|(number, _)| record == *number || record == 0xFF);
    let data: Vec<u8> = wanted.flat_map(|(number, value)| [number, value]).collect();
    if data.is_empty() { Err(OUT_OF_RANGE) } else { Ok(data) }
}
