//! Service 19: what a module remembers of its trouble codes, apart from the list by status.
//!
//! Layouts: ISO 14229-1 as general-purpose UDS libraries implement it; sub-functions 1A and 56 from memory.

use crate::uds_read::codes_by_status::StatusCode;
use crate::{Code, CodeStatus, Decoded, Problem, ReplyError, reply_body};

/// All records of a code instead of one.
pub const ALL_RECORDS: u8 = 0xFF;

/// How a module writes its codes.
///
/// Source: the format identifiers that general-purpose UDS libraries list.
#[must_use]
pub const fn format_text(format: u8) -> Option<&'static str> {
    Some(match format {
        0x00 => "SAE J2012-DA, format 00",
        0x01 => "ISO 14229-1",
        0x02 => "SAE J1939-73",
        0x03 => "ISO 11992-4",
        0x04 => "SAE J2012-DA, format 04",
        _ => return None,
    })
}

fn short(request: &[u8], reply: &[u8], what: &str, need: usize) -> ReplyError {
    ReplyError::malformed(request, reply, Problem::Short { what: what.to_owned(), need, have: reply.len() })
}

/// The bytes behind the sub-function, which has to be the one that was asked.
fn body<'r>(request: &[u8], reply: &'r [u8]) -> Result<&'r [u8], ReplyError> {
    match reply_body(request, reply)? {
        [sub, rest @ ..] if Some(sub) == request.get(1) => Ok(rest),
        _ => Err(ReplyError::foreign(request, reply)),
    }
}

fn record(code: Code, sub_function: u8, number: u8) -> Vec<u8> {
    let [high, low] = code.number.to_be_bytes();
    vec![0x19, sub_function, high, low, code.failure_type.unwrap_or(0), number]
}

/// Sub-function 01: how many codes there are.
pub mod count {
    use super::{CodeStatus, ReplyError, body, short};

    /// What a module says of the number of its codes.
    #[derive(Debug, Clone, Copy, PartialEq, Eq)]
    pub struct Count {
        /// The status bits that it keeps at all.
        pub available: CodeStatus,
        /// How it writes codes, see [`super::format_text`].
        pub format: u8,
        /// Number of codes with any of the status bits asked for.
        pub n_codes: u16,
    }

    /// Asks for the number of codes with any of these status bits.
    #[must_use]
    pub fn request(mask: u8) -> Vec<u8> {
        vec![0x19, 0x01, mask]
    }

    /// Reads a reply to [`request`].
    ///
    /// # Errors
    /// [`ReplyError`] when it is no answer, a refusal, or cut short.
    ///
    /// ```
    /// use protocol::uds::codes::count;
    /// let read = count::interpret(&count::request(0x08), &[0x59, 0x01, 0xFF, 0x01, 0x00, 0x02]).unwrap();
    /// assert_eq!((read.format, read.n_codes), (1, 2));
    /// ```
    pub fn interpret(request: &[u8], reply: &[u8]) -> Result<Count, ReplyError> {
        match *body(request, reply)? {
            [available, format, high, low] => {
                Ok(Count { available: CodeStatus(available), format, n_codes: u16::from_be_bytes([high, low]) })
            }
            _ => Err(short(request, reply, "number of codes", 6)),
        }
    }
}

/// Sub-function 0A: every code that the module can set. The answer has the layout of the list by status.
#[must_use]
pub fn supported() -> Vec<u8> {
    vec![0x19, 0x0A]
}

/// Sub-function 15: codes that stay until the module itself sees the repair. The answer has the layout of the list by
/// status.
#[must_use]
pub fn permanent() -> Vec<u8> {
    vec![0x19, 0x15]
}

/// Sub-function 04: the values that were frozen with a code.
pub mod snapshot {
    use super::{Code, CodeStatus, Decoded, Problem, ReplyError, body, record, short};
    use crate::Hex;
    use crate::uds_read::identifiers::DidData;

    /// One frozen moment.
    #[derive(Debug, Clone, PartialEq, Eq)]
    pub struct Snapshot {
        /// Its number.
        pub record: u8,
        /// What was frozen.
        pub data: Vec<DidData>,
    }

    /// The frozen moments of a code.
    #[derive(Debug, Clone, PartialEq, Eq)]
    pub struct Snapshots {
        /// The code, with its failure type.
        pub code: Code,
        /// Its status now.
        pub status: CodeStatus,
        /// By rising number as a rule; empty when nothing was frozen.
        pub records: Vec<Snapshot>,
    }

    /// Asks for one record of a code, or [`super::ALL_RECORDS`]. A code without failure type counts as type 00.
    ///
    /// ```
    /// use protocol::{Code, uds::codes::snapshot};
    /// let code = Code::from_bytes3([0x03, 0x01, 0x00]);
    /// assert_eq!(snapshot::request(code, 0xFF), [0x19, 0x04, 0x03, 0x01, 0x00, 0xFF]);
    /// ```
    #[must_use]
    pub fn request(code: Code, number: u8) -> Vec<u8> {
        record(code, 0x04, number)
    }

    /// Reads a reply to [`request`].
    ///
    /// The message does not say how long the data of an identifier is: `length_of` does where that is known. The bytes
    /// from the first one on that is not known are kept as its data and reported as a problem, unless it is the last.
    ///
    /// # Errors
    /// [`ReplyError`] when it is no answer, a refusal, of another code, or cut short.
    ///
    /// ```
    /// use protocol::{Code, uds::codes::snapshot};
    /// let asked = snapshot::request(Code::from_bytes3([0x03, 0x01, 0x00]), 0xFF);
    /// // Record 1 with two identifiers: engine speed of one word, road speed of one byte.
    /// let reply = [0x59, 0x04, 3, 1, 0, 0x2F, 1, 2, 0xF4, 0x0C, 0x1A, 0xF8, 0xF4, 0x0D, 0x32];
    /// let length = |did| match did { 0xF40C => Some(2), 0xF40D => Some(1), _ => None };
    /// let read = snapshot::interpret(&asked, &reply, length).unwrap();
    /// assert_eq!(read.value.records[0].data[1].data, [0x32]);
    /// assert_eq!(read.problems, []);
    /// ```
    pub fn interpret(
        request: &[u8],
        reply: &[u8],
        length_of: impl Fn(u16) -> Option<usize>,
    ) -> Result<Decoded<Snapshots>, ReplyError> {
        let (code, status, mut rest) = match *body(request, reply)? {
            [high, low, kind, status, ref rest @ ..] => {
                (Code::from_bytes3([high, low, kind]), CodeStatus(status), rest)
            }
            _ => return Err(short(request, reply, "frozen values", 6)),
        };
        if request.get(2..5) != Some(code.to_bytes().as_slice()) {
            return Err(ReplyError::foreign(request, reply));
        }
        let mut out = Decoded { value: Snapshots { code, status, records: Vec::new() }, problems: Vec::new() };
        while let [number, n_dids, behind @ ..] = rest {
            rest = behind;
            let mut data = Vec::new();
            for idx in 0..*n_dids {
                let [high, low, behind @ ..] = rest else { break };
                let did = u16::from_be_bytes([*high, *low]);
                let is_last = idx + 1 == *n_dids;
                let length = length_of(did).unwrap_or_else(|| {
                    if !is_last || request.get(5) == Some(&super::ALL_RECORDS) {
                        let what = format!("identifier {did:04X}, whose length no definition tells, and all behind it");
                        out.problems.push(Problem::LeftOver { what, rest: Hex::from(behind) });
                    }
                    behind.len()
                });
                let Some((own, next)) = behind.split_at_checked(length) else {
                    let what = format!("frozen identifier {did:04X}");
                    out.problems.push(Problem::Short { what, need: length, have: behind.len() });
                    data.push(DidData { did, data: behind.to_vec() });
                    rest = &[];
                    break;
                };
                data.push(DidData { did, data: own.to_vec() });
                rest = next;
            }
            if data.len() < usize::from(*n_dids) {
                let what = format!("frozen values of record {number:02X}");
                out.problems.push(Problem::Count { what, said: usize::from(*n_dids), have: data.len() });
            }
            out.value.records.push(Snapshot { record: *number, data });
        }
        if !rest.is_empty() {
            out.problems.push(Problem::LeftOver { what: "frozen values".into(), rest: rest.into() });
        }
        Ok(out)
    }
}

/// Sub-function 06: what else a module keeps with a code, such as counters.
pub mod extended {
    use super::{Code, CodeStatus, ReplyError, body, record, short};

    /// A record of a code.
    #[derive(Debug, Clone, PartialEq, Eq)]
    pub struct Extended {
        /// The code, with its failure type.
        pub code: Code,
        /// Its status now.
        pub status: CodeStatus,
        /// The record's number, and its data, which the maker defines; `None`: there is none. With several records in one
        /// answer the numbers of the others are among the data, as the message does not tell where they begin.
        pub record: Option<(u8, Vec<u8>)>,
    }

    /// Asks for one record of a code, or [`super::ALL_RECORDS`].
    ///
    /// ```
    /// use protocol::{Code, uds::codes::extended};
    /// let code = Code::from_bytes3([0x03, 0x01, 0x00]);
    /// assert_eq!(extended::request(code, 0x01), [0x19, 0x06, 0x03, 0x01, 0x00, 0x01]);
    /// ```
    #[must_use]
    pub fn request(code: Code, number: u8) -> Vec<u8> {
        record(code, 0x06, number)
    }

    /// Reads a reply to [`request`].
    ///
    /// # Errors
    /// [`ReplyError`] when it is no answer, a refusal, of another code or record, or cut short.
    pub fn interpret(request: &[u8], reply: &[u8]) -> Result<Extended, ReplyError> {
        let (code, status, rest) = match *body(request, reply)? {
            [high, low, kind, status, ref rest @ ..] => {
                (Code::from_bytes3([high, low, kind]), CodeStatus(status), rest)
            }
            _ => return Err(short(request, reply, "extended data", 6)),
        };
        let asked = request.get(5).copied().unwrap_or(super::ALL_RECORDS);
        let record = rest.split_first().map(|(number, data)| (*number, data.to_vec()));
        let is_other = record.as_ref().is_some_and(|(number, _)| *number != asked) && asked < 0xF0;
        if request.get(2..5) != Some(code.to_bytes().as_slice()) || is_other {
            return Err(ReplyError::foreign(request, reply));
        }
        Ok(Extended { code, status, record })
    }
}

/// Sub-functions 42, 55 and 56: codes of a functional group, as OBD on UDS reads them.
pub mod group {
    use super::{Code, CodeStatus, Decoded, Problem, ReplyError, StatusCode, body, short};

    /// The group of emissions codes.
    pub const EMISSIONS: u8 = 0x33;
    /// The group of safety codes.
    pub const SAFETY: u8 = 0xD0;
    /// The group of codes for the vehicle's own on-board diagnostics.
    pub const VOBD: u8 = 0xFE;
    /// Any severity, and any class.
    pub const ANY_SEVERITY: u8 = 0xFF;

    /// A code of a group.
    #[derive(Debug, Clone, Copy, PartialEq, Eq)]
    pub struct GroupCode {
        /// The code with its status.
        pub found: StatusCode,
        /// Its severity and class, see [`severity_words`]; not told of permanent codes by every module.
        pub severity: Option<u8>,
    }

    /// Codes of a group.
    #[derive(Debug, Clone, PartialEq, Eq)]
    pub struct GroupCodes {
        /// The status bits that the module keeps at all.
        pub available: CodeStatus,
        /// How it writes codes, see [`super::format_text`].
        pub format: u8,
        /// The codes.
        pub codes: Vec<GroupCode>,
    }

    /// Severity bits in words, the highest first.
    ///
    /// Source: the severity bits of ISO 14229-1 as general-purpose UDS libraries list them.
    pub fn severity_words(severity: u8) -> impl Iterator<Item = &'static str> {
        [(0x80, "check immediately"), (0x40, "check at the next halt"), (0x20, "maintenance only")]
            .into_iter()
            .filter(move |(bit, _)| severity & bit != 0)
            .map(|(_, text)| text)
    }

    /// Asks for the codes of a group that have any of these status bits, of any severity.
    ///
    /// ```
    /// use protocol::uds::codes::group;
    /// assert_eq!(group::by_status(group::EMISSIONS, 0x08), [0x19, 0x42, 0x33, 0x08, 0xFF]);
    /// ```
    #[must_use]
    pub fn by_status(group: u8, status: u8) -> Vec<u8> {
        vec![0x19, 0x42, group, status, ANY_SEVERITY]
    }

    /// Asks for the permanent codes of a group.
    #[must_use]
    pub fn permanent(group: u8) -> Vec<u8> {
        vec![0x19, 0x55, group]
    }

    /// Asks for the codes of a readiness group: a monitor is complete when the tests of all of them have been.
    #[must_use]
    pub fn by_readiness(group: u8, readiness: u8) -> Vec<u8> {
        vec![0x19, 0x56, group, readiness]
    }

    /// Reads a reply to one of these requests.
    ///
    /// # Errors
    /// [`ReplyError`] when it is no answer, a refusal, of another group, or cut short.
    ///
    /// ```
    /// use protocol::uds::codes::group;
    /// let asked = group::by_status(group::EMISSIONS, 0x08);
    /// let reply = [0x59, 0x42, 0x33, 0xFF, 0xE0, 0x04, 0x40, 0x03, 0x01, 0x00, 0x2F];
    /// let read = group::interpret(&asked, &reply).unwrap().value;
    /// assert_eq!((read.format, read.codes[0].found.code.to_string()), (4, "P0301-00".to_owned()));
    /// assert_eq!(read.codes[0].severity, Some(0x40));
    /// ```
    pub fn interpret(request: &[u8], reply: &[u8]) -> Result<Decoded<GroupCodes>, ReplyError> {
        let rest = body(request, reply)?;
        let (group, rest) = rest.split_first().ok_or_else(|| short(request, reply, "codes of a group", 5))?;
        if Some(group) != request.get(2) {
            return Err(ReplyError::foreign(request, reply));
        }
        let has_severity = request.get(1) == Some(&0x42);
        let (available, format, records) = match (request.get(1), rest) {
            (Some(0x42), [available, _severities, format, records @ ..]) => (available, format, records),
            (Some(0x55), [available, format, records @ ..]) => (available, format, records),
            (Some(0x56), [available, format, readiness, records @ ..]) if Some(readiness) == request.get(3) => {
                (available, format, records)
            }
            _ => return Err(short(request, reply, "codes of a group", 6)),
        };
        // The standard, as we remember it, tells no severity of permanent codes; a general-purpose UDS library expects one.
        // Where the length decides, either is read.
        let has_severity = has_severity || (records.len().is_multiple_of(5) && !records.len().is_multiple_of(4));
        let size = if has_severity { 5 } else { 4 };
        let mut out = GroupCodes { available: CodeStatus(*available), format: *format, codes: Vec::new() };
        let mut problems = Vec::new();
        for record in records.chunks(size) {
            let (severity, code) = if has_severity {
                record.split_first().map_or((None, record), |(severity, code)| (Some(*severity), code))
            } else {
                (None, record)
            };
            let [high, low, failure_type, status] = *code else {
                problems.push(Problem::LeftOver { what: "codes of a group".into(), rest: record.into() });
                continue;
            };
            let found = StatusCode { code: Code::from_bytes3([high, low, failure_type]), status: CodeStatus(status) };
            out.codes.push(GroupCode { found, severity });
        }
        Ok(Decoded { value: out, problems })
    }
}

/// Sub-function 1A: the codes that have a record of extended data.
pub mod with_record {
    use super::{Decoded, ReplyError, StatusCode, body, short};
    use crate::{Code, CodeStatus, Problem};

    /// Asks which codes have this record.
    #[must_use]
    pub fn request(number: u8) -> Vec<u8> {
        vec![0x19, 0x1A, number]
    }

    /// Reads a reply to [`request`].
    ///
    /// # Errors
    /// [`ReplyError`] when it is no answer, a refusal, or cut short.
    ///
    /// ```
    /// use protocol::uds::codes::with_record;
    /// let reply = [0x59, 0x1A, 0xFF, 0x92, 0x03, 0x01, 0x00, 0x2F];
    /// let read = with_record::interpret(&with_record::request(0x92), &reply).unwrap().value;
    /// assert_eq!(read[0].code.to_string(), "P0301-00");
    /// ```
    pub fn interpret(request: &[u8], reply: &[u8]) -> Result<Decoded<Vec<StatusCode>>, ReplyError> {
        // Without any code the record's number may be left out.
        let records = match body(request, reply)? {
            [] => return Err(short(request, reply, "codes with a record", 3)),
            [_] => &[],
            [_, number, records @ ..] if Some(number) == request.get(2) => records,
            _ => return Err(ReplyError::foreign(request, reply)),
        };
        let (records, odd) = records.as_chunks::<4>();
        let codes = records.iter().map(|[high, low, failure_type, status]| StatusCode {
            code: Code::from_bytes3([*high, *low, *failure_type]),
            status: CodeStatus(*status),
        });
        let mut out = Decoded { value: codes.collect(), problems: Vec::new() };
        if !odd.is_empty() {
            out.problems.push(Problem::LeftOver { what: "codes with a record".into(), rest: odd.into() });
        }
        Ok(out)
    }
}

#[cfg(test)]
#[allow(clippy::indexing_slicing, reason = "a test may fail")]
mod tests {
    use super::*;

    const CODE: Code = Code::from_bytes3([0x03, 0x01, 0x00]);

    #[test]
    fn frozen_values_without_lengths_are_kept_and_said_so() {
        let asked = snapshot::request(CODE, ALL_RECORDS);
        let reply = [0x59, 4, 3, 1, 0, 8, 1, 1, 0xD0, 0x01, 5, 6, 2, 1, 0xD0, 0x01, 7];
        let read = snapshot::interpret(&asked, &reply, |_| None).unwrap();
        assert_eq!(read.value.records[0].data[0].data, [5, 6, 2, 1, 0xD0, 0x01, 7]);
        assert!(matches!(read.problems[..], [Problem::LeftOver { .. }]));
        // One record with one identifier says it all.
        let one = snapshot::interpret(&snapshot::request(CODE, 1), &reply[..12], |_| None).unwrap();
        assert_eq!((one.value.records[0].data[0].data.as_slice(), one.problems.len()), (&[5, 6][..], 0));
        let none = snapshot::interpret(&asked, &reply[..6], |_| None).unwrap();
        assert_eq!((none.value.records.len(), none.problems.len()), (0, 0));
        let cut = snapshot::interpret(&asked, &reply[..11], |_| Some(2)).unwrap();
        assert!(matches!(cut.problems[..], [Problem::Short { .. }]), "{cut:?}");
        let other = [0x59, 4, 3, 2, 0, 8];
        assert!(matches!(snapshot::interpret(&asked, &other, |_| None), Err(ReplyError::Foreign { .. })));
    }

    #[test]
    fn extended_data_belong_to_the_record_asked_for() {
        let asked = extended::request(CODE, 0x01);
        let read = extended::interpret(&asked, &[0x59, 6, 3, 1, 0, 0x2F, 1, 0x0A]).unwrap();
        assert_eq!(read.record, Some((1, vec![0x0A])));
        assert!(matches!(
            extended::interpret(&asked, &[0x59, 6, 3, 1, 0, 0x2F, 2, 0x0A]),
            Err(ReplyError::Foreign { .. })
        ));
        assert_eq!(extended::interpret(&asked, &[0x59, 6, 3, 1, 0, 0x2F]).unwrap().record, None);
        assert!(matches!(extended::interpret(&asked, &[0x59, 6, 3]), Err(ReplyError::Malformed { .. })));
    }

    #[test]
    fn groups_of_codes() {
        let asked = group::permanent(group::EMISSIONS);
        let read = group::interpret(&asked, &[0x59, 0x55, 0x33, 0xFF, 4, 3, 1, 0, 0x2F, 9, 9]).unwrap();
        assert_eq!((read.value.codes.len(), read.problems.len()), (1, 1));
        assert_eq!(read.value.codes[0].severity, None);
        let asked = group::by_readiness(group::EMISSIONS, 2);
        let read = group::interpret(&asked, &[0x59, 0x56, 0x33, 0xFF, 4, 2, 4, 0x20, 0, 0x50]).unwrap();
        assert_eq!(read.value.codes[0].found.status, CodeStatus(0x50));
        assert!(group::interpret(&asked, &[0x59, 0x56, 0x33, 0xFF, 4, 3]).is_err());
        assert!(matches!(group::interpret(&asked, &[0x59, 0x56, 0xD0, 0xFF, 4, 2]), Err(ReplyError::Foreign { .. })));
        assert_eq!(group::severity_words(0xA1).collect::<Vec<_>>(), ["check immediately", "maintenance only"]);
    }

    proptest::proptest! {
        #[test]
        fn no_bytes_break_a_reader(request: Vec<u8>, reply: Vec<u8>, length: Option<usize>) {
            let own = [
                request.clone(), count::request(8), supported(), snapshot::request(CODE, 1), extended::request(CODE, 1),
                group::by_status(0x33, 8), group::permanent(0x33), group::by_readiness(0x33, 1), with_record::request(1),
            ];
            for request in own {
                let echo: Vec<u8> = request.iter().enumerate().map(|(n, b)| if n == 0 { b.wrapping_add(0x40) } else { *b }).collect();
                for n in 0..=echo.len() {
                    let reply = [&echo[..n], &reply[..]].concat();
                    let _ = count::interpret(&request, &reply);
                    let _ = snapshot::interpret(&request, &reply, |_| length);
                    let _ = extended::interpret(&request, &reply);
                    let _ = group::interpret(&request, &reply);
                    let _ = with_record::interpret(&request, &reply);
                }
            }
        }
    }
}
