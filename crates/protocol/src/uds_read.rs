//! The services of ISO 14229-1 that a reader needs: identifiers, codes with status.

use crate::{Code, CodeStatus, Decoded, Problem, ReplyError, reply_body};

/// Service 22: data by identifier.
pub mod identifiers {
    use super::{Decoded, Problem, ReplyError, reply_body};

    /// VIN.
    pub const VIN: u16 = 0xF190;
    /// The module's name of its active session.
    pub const ACTIVE_SESSION: u16 = 0xF186;
    /// Part number.
    pub const PART_NUMBER: u16 = 0xF187;
    /// Serial number.
    pub const SERIAL_NUMBER: u16 = 0xF18C;
    /// Hardware number.
    pub const HARDWARE_NUMBER: u16 = 0xF191;
    /// Software version.
    pub const SOFTWARE_VERSION: u16 = 0xF195;

    /// The data that a reply holds for one identifier.
    #[derive(Debug, Clone, PartialEq, Eq)]
    pub struct DidData {
        /// The identifier.
        pub did: u16,
        /// Its data bytes, without the echo.
        pub data: Vec<u8>,
    }

    /// Asks for these identifiers.
    ///
    /// ```
    /// assert_eq!(protocol::uds_read::identifiers::request(&[0xF190]), [0x22, 0xF1, 0x90]);
    /// ```
    #[must_use]
    pub fn request(dids: &[u16]) -> Vec<u8> {
        std::iter::once(0x22).chain(dids.iter().flat_map(|did| did.to_be_bytes())).collect()
    }

    /// Reads a reply to [`request`].
    ///
    /// `length_of` gives the number of data bytes of an identifier where it is known; one that is not known takes
    /// everything that follows, so ask it alone or last. Identifiers that are not answered are reported as
    /// [`Problem::Missing`].
    ///
    /// # Errors
    /// [`ReplyError`] when it is no answer, a refusal, or does not begin with an identifier that was asked.
    pub fn interpret(
        request: &[u8],
        reply: &[u8],
        length_of: impl Fn(u16) -> Option<usize>,
    ) -> Result<Decoded<Vec<DidData>>, ReplyError> {
        let mut rest = reply_body(request, reply)?;
        let mut open: Vec<[u8; 2]> = request.get(1..).unwrap_or_default().as_chunks::<2>().0.to_vec();
        let is_alone = open.len() == 1;
        let mut out = Decoded { value: Vec::new(), problems: Vec::new() };
        while let Some(idx) = open.iter().position(|echo| rest.starts_with(echo)) {
            let did = u16::from_be_bytes(open.remove(idx));
            let after = rest.get(2..).unwrap_or_default();
            let length = if is_alone { after.len() } else { length_of(did).unwrap_or(after.len()) };
            let Some((data, next)) = after.split_at_checked(length) else {
                let what = format!("identifier {did:04X}");
                out.problems.push(Problem::Short { what, need: length, have: after.len() });
                out.value.push(DidData { did, data: after.to_vec() });
                rest = &[];
                break;
            };
            out.value.push(DidData { did, data: data.to_vec() });
            rest = next;
        }
        if out.value.is_empty() {
            return Err(ReplyError::foreign(request, reply));
        }
        if !rest.is_empty() {
            out.problems.push(Problem::LeftOver { what: "reply".into(), rest: rest.into() });
        }
        for did in open {
            out.problems.push(Problem::Missing { what: format!("identifier {:04X}", u16::from_be_bytes(did)) });
        }
        Ok(out)
    }
}

/// Service 19, sub-function 02: codes by status mask.
pub mod codes_by_status {
    use super::{Code, CodeStatus, Decoded, Problem, ReplyError, reply_body};

    /// A code as a module keeps it.
    #[derive(Debug, Clone, Copy, PartialEq, Eq)]
    pub struct StatusCode {
        /// The code, with its failure type.
        pub code: Code,
        /// Its status.
        pub status: CodeStatus,
    }

    /// Asks for the codes that have any of these status bits.
    #[must_use]
    pub fn request(mask: u8) -> Vec<u8> {
        vec![0x19, 0x02, mask]
    }

    /// Reads a reply to [`request`]: which status bits the module keeps at all, and its codes.
    ///
    /// # Errors
    /// [`ReplyError`] when it is no answer, a refusal, of another sub-function, or lacks the status availability byte.
    ///
    /// ```
    /// use protocol::uds_read::codes_by_status as codes;
    /// let reply = [0x59, 0x02, 0xFF, 0x03, 0x01, 0x00, 0x2F, 0xC1, 0x00, 0x87, 0x08];
    /// let (available, read) = codes::interpret(&codes::request(0x0C), &reply).unwrap().value;
    /// assert_eq!((available.0, read[1].code.to_string(), read[1].status.0), (0xFF, "U0100-87".into(), 0x08));
    /// ```
    pub fn interpret(request: &[u8], reply: &[u8]) -> Result<Decoded<(CodeStatus, Vec<StatusCode>)>, ReplyError> {
        match reply_body(request, reply)? {
            [sub, rest @ ..] if Some(sub) == request.get(1) => {
                let [available, records @ ..] = rest else {
                    let problem = Problem::Short { what: "codes by status".into(), need: 3, have: reply.len() };
                    return Err(ReplyError::malformed(request, reply, problem));
                };
                let (records, odd) = records.as_chunks::<4>();
                let codes = records.iter().map(|[high, low, failure_type, status]| StatusCode {
                    code: Code::from_bytes3([*high, *low, *failure_type]),
                    status: CodeStatus(*status),
                });
                let mut out = Decoded { value: (CodeStatus(*available), codes.collect()), problems: Vec::new() };
                if !odd.is_empty() {
                    out.problems.push(Problem::LeftOver { what: "codes by status".into(), rest: odd.into() });
                }
                Ok(out)
            }
            _ => Err(ReplyError::foreign(request, reply)),
        }
    }
}

#[cfg(test)]
#[allow(clippy::indexing_slicing, reason = "a test may fail")]
mod tests {
    use super::*;

    // The byte examples are built from the layouts of ISO 14229-1 as a general-purpose UDS library implements them.

    #[test]
    fn several_identifiers_are_told_apart_by_their_lengths() {
        let asked = identifiers::request(&[0xD001, 0xF190, 0xD002]);
        let lengths = |did| match did {
            0xD001 => Some(2),
            0xF190 => Some(3),
            _ => None,
        };
        let reply = [0x62, 0xD0, 0x01, 1, 2, 0xF1, 0x90, b'a', b'b', b'c', 0xD0, 0x02, 9, 9, 9, 9];
        let read = identifiers::interpret(&asked, &reply, lengths).unwrap();
        let data: Vec<_> = read.value.iter().map(|part| (part.did, part.data.as_slice())).collect();
        assert_eq!(data, [(0xD001, [1, 2].as_slice()), (0xF190, b"abc"), (0xD002, &[9, 9, 9, 9])]);
        assert_eq!(read.problems, []);
    }

    #[test]
    fn what_is_missing_foreign_or_cut_off_is_said() {
        let asked = identifiers::request(&[0xD001, 0xD002]);
        let read = identifiers::interpret(&asked, &[0x62, 0xD0, 0x02, 7], |_| Some(1)).unwrap();
        assert_eq!(read.value.len(), 1);
        assert_eq!(read.problems, [Problem::Missing { what: "identifier D001".into() }]);
        let read = identifiers::interpret(&asked, &[0x62, 0xD0, 0x01, 7], |_| Some(2)).unwrap();
        assert!(matches!(read.problems[..], [Problem::Short { .. }, Problem::Missing { .. }]), "{:?}", read.problems);
        let foreign = identifiers::interpret(&asked, &[0x62, 0xD0, 0x03, 7], |_| Some(1));
        assert!(matches!(foreign, Err(ReplyError::Foreign { .. })));
    }

    #[test]
    fn a_vin_by_identifier() {
        let reply = [&[0x62, 0xF1, 0x90][..], b"1G4AH59H45G118341"].concat();
        let read = identifiers::interpret(&identifiers::request(&[identifiers::VIN]), &reply, |_| None).unwrap();
        assert_eq!(read.value[0].data, b"1G4AH59H45G118341");
    }

    #[test]
    fn codes_with_status() {
        let asked = codes_by_status::request(0x0C);
        assert_eq!(asked, [0x19, 0x02, 0x0C]);
        let reply = [0x59, 0x02, 0xFF, 0x03, 0x01, 0x00, 0x2F, 0xC1, 0x00];
        let read = codes_by_status::interpret(&asked, &reply).unwrap();
        assert_eq!(read.value.1.len(), 1);
        assert_eq!(read.value.1[0].code.to_string(), "P0301-00");
        assert!(read.value.1[0].status.failing_now());
        assert!(matches!(read.problems[..], [Problem::LeftOver { .. }]));
        assert!(matches!(codes_by_status::interpret(&asked, &[0x59, 0x06, 0xFF]), Err(ReplyError::Foreign { .. })));
        assert!(matches!(codes_by_status::interpret(&asked, &[0x59, 0x02]), Err(ReplyError::Malformed { .. })));
    }

    proptest::proptest! {
        #[test]
        fn no_bytes_break_a_reader(request: Vec<u8>, reply: Vec<u8>, lengths: [Option<usize>; 3]) {
            let length_of = |did: u16| lengths.get(usize::from(did) % 3).copied().flatten();
            for request in [&request[..], &identifiers::request(&[0xF190, 0xD001]), &[0x19, 0x02, 0xFF]] {
                let with_head = [&[request.first().copied().unwrap_or(0).wrapping_add(0x40)][..], &reply].concat();
                for reply in [&reply, &with_head] {
                    let _ = identifiers::interpret(request, reply, length_of);
                    let _ = codes_by_status::interpret(request, reply);
                }
            }
        }

        #[test]
        fn splitting_inverts_building(parts in proptest::collection::btree_map(proptest::num::u16::ANY, proptest::collection::vec(proptest::num::u8::ANY, 0..9), 1..6)) {
            let dids: Vec<u16> = parts.keys().copied().collect();
            let body = parts.iter().flat_map(|(did, data)| did.to_be_bytes().into_iter().chain(data.iter().copied()));
            let reply: Vec<u8> = std::iter::once(0x62).chain(body).collect();
            let read = identifiers::interpret(&identifiers::request(&dids), &reply, |did| parts.get(&did).map(Vec::len)).unwrap();
            proptest::prop_assert_eq!(read.problems, []);
            let back: Vec<_> = read.value.into_iter().map(|part| (part.did, part.data)).collect();
            proptest::prop_assert_eq!(back, parts.into_iter().collect::<Vec<_>>());
        }
    }
}
