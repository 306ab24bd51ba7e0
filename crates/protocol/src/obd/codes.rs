//! Services 03, 07 and 0A: stored, pending and permanent codes.

use crate::{Code, Decoded, Problem, ReplyError, reply_body};

/// Which list of codes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum CodeList {
    /// Service 03: confirmed.
    Stored,
    /// Service 07: found in this or the last drive cycle.
    Pending,
    /// Service 0A: stay until the car itself sees the repair.
    Permanent,
}

impl CodeList {
    /// All three.
    pub const ALL: [Self; 3] = [Self::Stored, Self::Pending, Self::Permanent];

    /// The service that reads it.
    #[must_use]
    pub const fn service(self) -> u8 {
        match self {
            Self::Stored => 0x03,
            Self::Pending => 0x07,
            Self::Permanent => 0x0A,
        }
    }

    /// Its name: `stored`, `pending`, `permanent`.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Stored => "stored",
            Self::Pending => "pending",
            Self::Permanent => "permanent",
        }
    }
}

/// Asks for a list.
#[must_use]
pub fn request(list: CodeList) -> Vec<u8> {
    vec![list.service()]
}

/// Reads all messages that one module sent in reply to [`request`], in order, each code once.
///
/// On CAN there is one message with a count byte; on other networks each message has three codes, padded with 0000,
/// which is never a code (from memory).
///
/// # Errors
/// [`ReplyError`] when no message is an answer. One bad message among several is a [`Problem::Message`].
///
/// ```
/// use protocol::obd::codes::{self, CodeList};
/// let asked = codes::request(CodeList::Stored);
/// let read = codes::interpret(&asked, &[&[0x43, 0x02, 0x03, 0x01, 0x01, 0x71]], true).unwrap();
/// assert_eq!(read.value.iter().map(ToString::to_string).collect::<Vec<_>>(), ["P0301", "P0171"]);
/// ```
pub fn interpret(request: &[u8], replies: &[&[u8]], is_can: bool) -> Result<Decoded<Vec<Code>>, ReplyError> {
    super::each_message(request, replies, |reply, out: &mut Decoded<Vec<Code>>| {
        let body = reply_body(request, reply)?;
        let (said, pairs) = match body {
            [] if is_can => {
                let problem = Problem::Short { what: "code count".into(), need: 1, have: 0 };
                return Err(ReplyError::malformed(request, reply, problem));
            }
            [count, pairs @ ..] if is_can => (Some(usize::from(*count)), pairs),
            pairs => (None, pairs),
        };
        let (pairs, odd) = pairs.as_chunks::<2>();
        if let Some(said) = said.filter(|said| *said != pairs.len()) {
            out.problems.push(Problem::Count { what: "codes".into(), said, have: pairs.len() });
        }
        if !odd.is_empty() {
            out.problems.push(Problem::LeftOver { what: "codes".into(), rest: odd.into() });
        }
        for pair in pairs.iter().filter(|pair| **pair != [0, 0]) {
            let code = Code::from_bytes(*pair);
            if !out.value.contains(&code) {
                out.value.push(code);
            }
        }
        Ok(())
    })
}
