//! The same data over ISO 14229: OBD on UDS (SAE J1979-2).
//!
//! A car that speaks it does not answer services 01 to 0A. Parameters, self-tests and vehicle information are data
//! identifiers of service 22, codes are read with service 19 (see [`crate::uds::codes::group`]), and frozen values are
//! snapshots of a code. Mapping: from memory; the ranges of identifiers as general-purpose UDS libraries name them.

use super::info::{self, Info};
use super::monitors::MonitorResult;
use crate::{Decoded, Problem, ReplyError};

/// The identifier that tells which diagnostic protocol a car speaks: whoever answers it speaks OBD on UDS.
pub const PROTOCOL: u16 = 0xF810;

/// The identifier of a parameter of service 01. Numbers that hold support bitmaps do so here too.
///
/// ```
/// assert_eq!(protocol::obd::on_uds::parameter(0x0C), 0xF40C);
/// ```
#[must_use]
pub const fn parameter(pid: u8) -> u16 {
    0xF400 | pid as u16
}

/// The parameter that an identifier stands for.
#[must_use]
pub const fn parameter_of(did: u16) -> Option<u8> {
    match did.to_be_bytes() {
        [0xF4, pid] => Some(pid),
        _ => None,
    }
}

/// The identifier of a monitor of service 06.
#[must_use]
pub const fn monitor(mid: u8) -> u16 {
    0xF600 | mid as u16
}

/// The identifier of an information type of service 09.
#[must_use]
pub const fn information(kind: u8) -> u16 {
    0xF800 | kind as u16
}

/// Number of data bytes of an identifier, where it never varies: that of the parameter.
#[must_use]
pub fn length(did: u16) -> Option<usize> {
    let pid = parameter_of(did)?;
    if super::is_bitmap(pid) { Some(4) } else { super::Pid::find(pid)?.fixed_length() }
}

/// The results in the data of a [`monitor`] identifier: per test its number, scaling, value and limits; the monitor's own
/// number may stand before each.
///
/// ```
/// use protocol::obd::on_uds;
/// let results = on_uds::results(0xA2, &[0x0C, 0x24, 0x00, 0x2B, 0x00, 0x00, 0xFF, 0xFF]).value;
/// assert_eq!((results[0].cylinder(), results[0].physical()), (Some(1), Some(43.0)));
/// ```
#[must_use]
pub fn results(mid: u8, data: &[u8]) -> Decoded<Vec<MonitorResult>> {
    let mut out = Decoded { value: Vec::new(), problems: Vec::new() };
    let repeats = data.len().is_multiple_of(9)
        && data.chunks(9).all(|record| record.first() == Some(&mid))
        && !(data.len().is_multiple_of(8));
    for record in data.chunks(if repeats { 9 } else { 8 }) {
        let record = if repeats { record.get(1..).unwrap_or_default() } else { record };
        let &[tid, scaling, v0, v1, min0, min1, max0, max1] = record else {
            out.problems.push(Problem::Short { what: "monitor result".into(), need: 8, have: record.len() });
            continue;
        };
        let word = |high, low| u16::from_be_bytes([high, low]);
        let (value, min, max) = (word(v0, v1), word(min0, min1), word(max0, max1));
        out.value.push(MonitorResult { mid, tid, scaling, value, min, max });
    }
    out
}

/// The content of an [`information`] identifier. The number of items that service 09 puts in front may be missing.
///
/// # Errors
/// [`ReplyError::Malformed`] when the data does not fit.
///
/// ```
/// use protocol::obd::{info::{Info, VIN}, on_uds};
/// let read = on_uds::information_of(VIN, b"1G4AH59H45G118341").unwrap().value;
/// assert_eq!(read, Info::Texts(vec!["1G4AH59H45G118341".to_owned()]));
/// ```
pub fn information_of(kind: u8, data: &[u8]) -> Result<Decoded<Info>, ReplyError> {
    let asked = info::request(kind);
    let reply = [&[0x49, kind], data].concat();
    info::interpret(&asked, &[&reply], true)
}

#[cfg(test)]
#[allow(clippy::indexing_slicing, reason = "a test may fail")]
mod tests {
    use super::*;

    #[test]
    fn items_with_and_without_their_number() {
        // Calibrations, name and VIN: one item of the size that service 09 gives them on CAN.
        for (kind, size) in [(info::VIN, 17), (info::CALIBRATIONS, 16), (info::MODULE_NAME, 20)] {
            let item = vec![b'A'; size];
            let read = information_of(kind, &item).unwrap();
            assert_eq!((read.value, read.problems), (Info::Texts(vec!["A".repeat(size)]), vec![]), "{kind:02X}");
            assert_eq!(information_of(kind, &[&[1], item.as_slice()].concat()), information_of(kind, &item));
        }
        let numbered = information_of(info::VERIFICATIONS, &[1, 0x5B, 0x19, 0xC3, 0x7E]).unwrap();
        assert_eq!(numbered, information_of(info::VERIFICATIONS, &[0x5B, 0x19, 0xC3, 0x7E]).unwrap());
        assert_eq!(numbered.problems, []);
        assert_eq!((length(0xF40C), length(0xF400), length(0xF190)), (Some(2), Some(4), None));
    }

    #[test]
    fn results_with_and_without_their_monitor() {
        let bare = [0x0C, 0x24, 0, 5, 0, 0, 0xFF, 0xFF];
        let with = [&[0xA2][..], &bare].concat();
        assert_eq!(results(0xA2, &bare), results(0xA2, &with));
        let short = |data: &[u8]| match results(0xA2, data).problems.as_slice() {
            [Problem::Short { have, .. }] => *have,
            problems => panic!("{problems:?}"),
        };
        assert_eq!(short(&bare[..5]), 5);
        // Nine bytes that do not begin with the monitor: one result and the beginning of another.
        assert_eq!((short(&[&bare[..], &[0x0B]].concat()), results(0xA2, &with[1..]).value.len()), (1, 1));
        // 72 bytes can be both; the monitor's number is not needed where nobody else's can stand.
        assert_eq!(results(0xA2, &with.repeat(8)).value.len(), 9);
        assert_eq!((monitor(0xA2), information(0x04), parameter(0x0C)), (0xF6A2, 0xF804, 0xF40C));
    }

    proptest::proptest! {
        #[test]
        fn no_bytes_break_a_reader(number: u8, data: Vec<u8>) {
            let _ = results(number, &data);
            let _ = information_of(number, &data);
        }
    }
}
