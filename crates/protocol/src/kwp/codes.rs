//! Services 18, 13, 17 and 14: trouble codes, how they stand, and clearing them.
//!
//! A code has two bytes. Modules of this age need not follow the standard numbering: two bytes may be the maker's own
//! number (common practice, no source).

use crate::{Code, Decoded, Problem, ReplyError, reply_body};

/// Group of all codes.
pub const ALL: u16 = 0xFF00;

/// The status byte that ISO 14230-3 keeps with a code. It has nothing in common with that of ISO 14229-1.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Status(pub u8);

impl Status {
    /// The fault is there now.
    #[must_use]
    pub const fn present(self) -> bool {
        self.0 & 0x60 == 0x60
    }

    /// Stored, whether it is there now or not.
    #[must_use]
    pub const fn stored(self) -> bool {
        self.0 & 0x20 != 0
    }

    /// Seen, but not often enough to be stored.
    #[must_use]
    pub const fn pending(self) -> bool {
        self.0 & 0x60 == 0x40
    }

    /// The warning lamp is asked for.
    #[must_use]
    pub const fn lamp(self) -> bool {
        self.0 & 0x80 != 0
    }

    /// The byte in words.
    ///
    /// Source: ISO 14230-3 and ISO 15031-6 status of a code, from memory.
    ///
    /// ```
    /// use protocol::kwp::codes::Status;
    /// assert_eq!(Status(0xE4).words(), ["present now", "no signal", "warning lamp requested"]);
    /// ```
    #[must_use]
    pub fn words(self) -> Vec<&'static str> {
        let state = match self.0 & 0x60 {
            0x00 => "not detected",
            0x20 => "stored, not present now",
            0x40 => "maturing",
            _ => "present now",
        };
        let symptoms =
            [(0x01, "above the limit"), (0x02, "below the limit"), (0x04, "no signal"), (0x08, "invalid signal")];
        let others = [(0x10, "test not completed"), (0x80, "warning lamp requested")];
        std::iter::once(state)
            .chain(symptoms.into_iter().chain(others).filter(|(bit, _)| self.0 & bit != 0).map(|(_, text)| text))
            .collect()
    }
}

/// A code as such a module keeps it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct KwpCode {
    /// Its two bytes.
    pub code: Code,
    /// How it stands; not told by service 13.
    pub status: Option<Status>,
}

/// Service 18: the stored and the present codes of a group, with their status.
///
/// ```
/// assert_eq!(protocol::kwp::codes::by_status(0xFF00), [0x18, 0x00, 0xFF, 0x00]);
/// ```
#[must_use]
pub fn by_status(group: u16) -> Vec<u8> {
    let [high, low] = group.to_be_bytes();
    vec![0x18, 0x00, high, low]
}

/// Service 13: the codes of a group without their status, for modules that lack service 18.
#[must_use]
pub fn plain(group: u16) -> Vec<u8> {
    let [high, low] = group.to_be_bytes();
    vec![0x13, high, low]
}

/// Service 17: how one code stands, with what the module keeps beside it.
#[must_use]
pub fn status(code: Code) -> Vec<u8> {
    let [high, low] = code.number.to_be_bytes();
    vec![0x17, high, low]
}

/// Service 14: clears the codes of a group.
#[must_use]
pub fn clear(group: u16) -> Vec<u8> {
    let [high, low] = group.to_be_bytes();
    vec![0x14, high, low]
}

/// Reads all messages that one module sent in reply to [`by_status`] or [`plain`], each code once.
///
/// # Errors
/// [`ReplyError`] when no message is an answer. One bad message among several is a [`Problem::Message`].
///
/// ```
/// use protocol::kwp::codes;
/// let read = codes::interpret(&codes::by_status(codes::ALL), &[&[0x58, 0x01, 0x01, 0x15, 0xE4]]).unwrap().value;
/// assert_eq!((read[0].code.to_string(), read[0].status), ("P0115".to_owned(), Some(codes::Status(0xE4))));
/// ```
pub fn interpret(request: &[u8], replies: &[&[u8]]) -> Result<Decoded<Vec<KwpCode>>, ReplyError> {
    let has_status = request.first() == Some(&0x18);
    let size = if has_status { 3 } else { 2 };
    crate::obd::each_message(request, replies, |reply, out: &mut Decoded<Vec<KwpCode>>| {
        let (said, records) = reply_body(request, reply)?.split_first().ok_or_else(|| {
            let problem = Problem::Short { what: "number of codes".into(), need: 2, have: reply.len() };
            ReplyError::malformed(request, reply, problem)
        })?;
        let mut n_there = 0;
        for record in records.chunks(size) {
            let (code, status) = match *record {
                [high, low] if !has_status => (Code::from_bytes([high, low]), None),
                [high, low, status] => (Code::from_bytes([high, low]), Some(Status(status))),
                _ => {
                    out.problems.push(Problem::LeftOver { what: "codes".into(), rest: record.into() });
                    continue;
                }
            };
            n_there += 1;
            if code.number != 0 && out.value.iter().all(|known| known.code != code) {
                out.value.push(KwpCode { code, status });
            }
        }
        if usize::from(*said) != n_there {
            out.problems.push(Problem::Count { what: "codes".into(), said: usize::from(*said), have: n_there });
        }
        Ok(())
    })
}

/// What service 17 tells of one code.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Standing {
    /// The code.
    pub code: Code,
    /// How it stands.
    pub status: Status,
    /// What the module keeps beside it; the maker's own.
    pub more: Vec<u8>,
}

/// Reads a reply to [`status`].
///
/// # Errors
/// [`ReplyError`] when it is no answer, a refusal, of another code, or cut short.
pub fn interpret_status(request: &[u8], reply: &[u8]) -> Result<Standing, ReplyError> {
    match *reply_body(request, reply)? {
        [_, high, low, status, ref more @ ..] if request.get(1..3) == Some(&[high, low]) => {
            Ok(Standing { code: Code::from_bytes([high, low]), status: Status(status), more: more.to_vec() })
        }
        [_, _, _, _, ..] => Err(ReplyError::foreign(request, reply)),
        _ => {
            let problem = Problem::Short { what: "status of a code".into(), need: 5, have: reply.len() };
            Err(ReplyError::malformed(request, reply, problem))
        }
    }
}

/// Reads a reply to [`clear`]: the group, where the module repeats it.
///
/// # Errors
/// [`ReplyError`] unless the module confirms.
pub fn interpret_clear(request: &[u8], reply: &[u8]) -> Result<(), ReplyError> {
    match reply_body(request, reply)? {
        [] => Ok(()),
        group if request.get(1..) == Some(group) => Ok(()),
        _ => Err(ReplyError::foreign(request, reply)),
    }
}

#[cfg(test)]
#[allow(clippy::indexing_slicing, reason = "a test may fail")]
mod tests {
    use super::*;

    // Layouts of ISO 14230-3, from memory.

    #[test]
    fn codes_with_and_without_status() {
        let asked = by_status(ALL);
        let reply: &[u8] = &[0x58, 2, 0x01, 0x15, 0xE4, 0x03, 0x35, 0x24];
        let read = interpret(&asked, &[reply]).unwrap();
        assert_eq!((read.value.len(), read.problems.len()), (2, 0));
        assert!(read.value[0].status.unwrap().present() && !read.value[1].status.unwrap().present());
        assert!(read.value[1].status.unwrap().stored() && Status(0x40).pending());
        assert_eq!(interpret(&asked, &[&[0x58, 0]]).unwrap().value, []);
        let read = interpret(&plain(ALL), &[&[0x53, 1, 0x01, 0x15]]).unwrap();
        assert_eq!(read.value, [KwpCode { code: Code::from_bytes([0x01, 0x15]), status: None }]);
        let short = interpret(&asked, &[&[0x58, 2, 0x01, 0x15, 0xE4, 3]]).unwrap();
        assert_eq!(short.problems.len(), 2, "{:?}", short.problems);
        assert!(matches!(interpret(&asked, &[&[0x58]]), Err(ReplyError::Malformed { .. })));
        assert!(matches!(interpret(&asked, &[&[0x7F, 0x18, 0x11]]), Err(ReplyError::Negative { .. })));
        let standing = interpret_status(&status(Code::from_bytes([1, 0x15])), &[0x57, 1, 1, 0x15, 0x60, 9]).unwrap();
        assert_eq!((standing.status.words(), standing.more), (vec!["present now"], vec![9]));
        assert_eq!(interpret_clear(&clear(ALL), &[0x54, 0xFF, 0x00]), Ok(()));
        assert!(interpret_clear(&clear(ALL), &[0x54, 0x01, 0x00]).is_err());
    }

    proptest::proptest! {
        #[test]
        fn no_bytes_break_a_reader(reply: Vec<u8>) {
            for request in [by_status(ALL), plain(ALL), status(Code::from_bytes([1, 2])), clear(ALL)] {
                let with_head = [&[request[0].wrapping_add(0x40)][..], &reply].concat();
                for reply in [&reply, &with_head] {
                    let _ = interpret(&request, &[reply]);
                    let _ = interpret_status(&request, reply);
                    let _ = interpret_clear(&request, reply);
                }
            }
        }
    }
}
