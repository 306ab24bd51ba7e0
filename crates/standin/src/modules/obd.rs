//! Services 01 to 0A on CAN, as an emissions module answers them (SAE J1979 / ISO 15031-5, tables of the reference page).

use super::Reply;
use super::codes::Codes;
use crate::physics::State;

/// What an emissions module has to tell.
pub(super) trait Emissions {
    /// Supported PIDs without the support bitmaps, ascending.
    fn pids(&self) -> &'static [u8];
    /// Data bytes of a supported PID.
    fn pid(&self, pid: u8, state: &State) -> Vec<u8>;
    /// Its trouble codes.
    fn codes(&mut self) -> &mut Codes;
    /// Supported monitors of service 06, ascending.
    fn mids(&self) -> &'static [u8];
    /// Test results of a monitor: test, scaling, value, lower and upper limit.
    fn monitor(&self, mid: u8, state: &State) -> Vec<(u8, u8, u16, u16, u16)>;
    /// Supported information types of service 09, ascending.
    fn infos(&self) -> &'static [u8];
    /// Data of an information type, with the leading count.
    fn info(&self, info: u8) -> Vec<u8>;
    /// Clears codes and everything that goes with them.
    fn clear(&mut self, state: &State);
    /// Supported tests of service 08, ascending.
    fn tids(&self) -> &'static [u8] {
        &[]
    }
    /// Controls a system: a test with its data; answers with data of its own.
    fn control(&mut self, _tid: u8, _data: &[u8], _state: &State) -> Result<Vec<u8>, u8> {
        Err(OUT_OF_RANGE)
    }
}

const SERVICE_NOT_SUPPORTED: u8 = 0x11;
const NOT_SUPPORTED: u8 = 0x12;
pub(super) const CONDITIONS_NOT_CORRECT: u8 = 0x22;
pub(super) const OUT_OF_RANGE: u8 = 0x31;

/// Answers a request of services 01 to 0A; `None` if it is not one of them.
pub(super) fn answer(ecu: &mut dyn Emissions, request: &[u8], functional: bool, state: &State) -> Option<Reply> {
    let (&service, rest) = request.split_first()?;
    if !(1..=0x0A).contains(&service) {
        return None;
    }
    Some(match serve(ecu, service, rest, state) {
        Ok(data) => {
            let mut bytes = vec![service + 0x40];
            bytes.extend(data);
            Reply::Message(bytes)
        }
        // To everyone: whoever cannot answer stays silent (reference page 1.1). "Not now" is an answer.
        Err(code) if functional && code != CONDITIONS_NOT_CORRECT => Reply::Silent,
        Err(code) => Reply::Message(vec![0x7F, service, code]),
    })
}

fn serve(ecu: &mut dyn Emissions, service: u8, rest: &[u8], state: &State) -> Result<Vec<u8>, u8> {
    match service {
        1 => several(rest, 1, |pid| pid_data(ecu, pid[0], state).map(|data| [pid.to_vec(), data].concat())),
        2 => several(rest, 2, |ask| {
            if ask[1] != 0 { None } else { freeze_data(ecu, ask[0]).map(|data| [ask.to_vec(), data].concat()) }
        }),
        3 | 7 | 0x0A if rest.is_empty() => {
            let codes = ecu.codes();
            let list = match service {
                3 => codes.stored(),
                7 => codes.pending(),
                _ => codes.permanent(),
            };
            let mut data = vec![list.len() as u8];
            data.extend(list.iter().flat_map(|code| code.to_be_bytes()));
            Ok(data)
        }
        3 | 7 | 0x0A => Err(NOT_SUPPORTED),
        4 if !rest.is_empty() => Err(NOT_SUPPORTED),
        4 if state.engine_running => Err(CONDITIONS_NOT_CORRECT),
        4 => {
            ecu.clear(state);
            Ok(Vec::new())
        }
        6 => several(rest, 1, |mid| monitor_data(ecu, mid[0], state)),
        8 if ecu.tids().is_empty() => Err(SERVICE_NOT_SUPPORTED),
        8 => match *rest {
            [tid, ..] if tid.is_multiple_of(0x20) => {
                bitmap(ecu.tids(), tid).map(|bits| [vec![tid], bits].concat()).ok_or(OUT_OF_RANGE)
            }
            [tid, ref data @ ..] => ecu.control(tid, data, state).map(|data| [vec![tid], data].concat()),
            [] => Err(NOT_SUPPORTED),
        },
        9 => {
            several(&rest[..rest.len().min(1)], 1, |info| info_data(ecu, info[0]).map(|d| [info.to_vec(), d].concat()))
        }
        _ => Err(SERVICE_NOT_SUPPORTED),
    }
}

/// Several parameters per request (how many a module takes is its manner on the bus); those that are not supported are left out, none at all is a refusal.
fn several(rest: &[u8], width: usize, mut one: impl FnMut(&[u8]) -> Option<Vec<u8>>) -> Result<Vec<u8>, u8> {
    if rest.is_empty() || !rest.len().is_multiple_of(width) {
        return Err(NOT_SUPPORTED);
    }
    let data: Vec<u8> = rest.chunks(width).filter_map(&mut one).flatten().collect();
    if data.is_empty() { Err(OUT_OF_RANGE) } else { Ok(data) }
}

/// Four bytes of support for the 32 numbers after `base`; the last bit says that the next bitmap has something to say.
pub(super) fn bitmap(supported: &[u8], base: u8) -> Option<Vec<u8>> {
    let top = *supported.last()?;
    if !base.is_multiple_of(0x20) || (base > 0 && top <= base) {
        return None;
    }
    let mut bits = 0_u32;
    for &number in supported.iter().filter(|&&n| n > base && n <= base.saturating_add(0x1F)) {
        bits |= 1 << (0x20 - (number - base));
    }
    if u16::from(top) > u16::from(base) + 0x20 {
        bits |= 1;
    }
    Some(bits.to_be_bytes().to_vec())
}

pub(super) fn pid_data(ecu: &dyn Emissions, pid: u8, state: &State) -> Option<Vec<u8>> {
    if pid.is_multiple_of(0x20) {
        bitmap(ecu.pids(), pid)
    } else {
        ecu.pids().contains(&pid).then(|| ecu.pid(pid, state))
    }
}

/// PIDs that make no sense in a freeze frame: readiness, standards, sensor lists, counters since clearing.
const NOT_FROZEN: [u8; 10] = [0x01, 0x13, 0x1C, 0x21, 0x30, 0x31, 0x41, 0x4D, 0x4E, 0xA6];

fn freeze_data(ecu: &mut dyn Emissions, pid: u8) -> Option<Vec<u8>> {
    let mut pids: Vec<u8> = ecu.pids().iter().copied().filter(|pid| !NOT_FROZEN.contains(pid)).collect();
    pids.push(2);
    pids.sort_unstable();
    let frame = ecu.codes().freeze_frame().cloned();
    match (pid, frame) {
        (2, frame) => Some(frame.map_or(0, |f| f.code).to_be_bytes().to_vec()),
        (_, None) => None,
        (pid, Some(_)) if pid.is_multiple_of(0x20) => bitmap(&pids, pid),
        (pid, Some(frame)) => pids.contains(&pid).then(|| ecu.pid(pid, &frame.state)),
    }
}

fn monitor_data(ecu: &dyn Emissions, mid: u8, state: &State) -> Option<Vec<u8>> {
    if mid.is_multiple_of(0x20) {
        return bitmap(ecu.mids(), mid).map(|bits| [vec![mid], bits].concat());
    }
    ecu.mids().contains(&mid).then(|| {
        let mut data = Vec::new();
        for (test, scaling, value, low, high) in ecu.monitor(mid, state) {
            data.extend([mid, test, scaling]);
            data.extend([value, low, high].iter().flat_map(|v| v.to_be_bytes()));
        }
        data
    })
}

pub(super) fn info_data(ecu: &dyn Emissions, info: u8) -> Option<Vec<u8>> {
    if info == 0 { bitmap(ecu.infos(), 0) } else { ecu.infos().contains(&info).then(|| ecu.info(info)) }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Reference page 1.2: `41 00 BE 3F A8 13` stands for these PIDs (20 and beyond: "next bitmap").
    #[test]
    fn bitmap_of_the_worked_example() {
        let pids = [1, 3, 4, 5, 6, 7, 0x0B, 0x0C, 0x0D, 0x0E, 0x0F, 0x10, 0x11, 0x13, 0x15, 0x1C, 0x1F, 0x21];
        assert_eq!(bitmap(&pids, 0), Some(vec![0xBE, 0x3F, 0xA8, 0x13]));
        assert_eq!(bitmap(&pids, 0x20), Some(vec![0x80, 0, 0, 0]));
        assert_eq!(bitmap(&pids, 0x40), None);
        assert_eq!(bitmap(&pids, 0x41), None);
    }
}
