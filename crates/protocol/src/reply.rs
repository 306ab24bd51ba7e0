//! What every reply has in common: it answers this request, refuses it, answers another one, or is damaged.

use std::fmt;

/// Bytes as they are printed everywhere: `22 F1 90`.
#[derive(Debug, Clone, PartialEq, Eq, Hash, Default)]
pub struct Hex(pub Vec<u8>);

impl From<&[u8]> for Hex {
    fn from(bytes: &[u8]) -> Self {
        Self(bytes.to_vec())
    }
}

impl fmt::Display for Hex {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (idx, byte) in self.0.iter().enumerate() {
            write!(f, "{}{byte:02X}", if idx == 0 { "" } else { " " })?;
        }
        Ok(())
    }
}

/// Why a message is not the answer to a request.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum ReplyError {
    /// Nothing came back.
    #[error("no answer to `{asked}`")]
    NoAnswer {
        /// The request.
        asked: Hex,
    },
    /// The module refused.
    #[error("`{asked}` was refused: {code}")]
    Negative {
        /// The request.
        asked: Hex,
        /// Its reason.
        code: NegativeCode,
    },
    /// The message answers another request.
    #[error("`{got}` is no answer to `{asked}`")]
    Foreign {
        /// The request.
        asked: Hex,
        /// The message.
        got: Hex,
    },
    /// The message answers this request but cannot be read.
    #[error("the answer `{got}` to `{asked}` cannot be read: {problem}")]
    Malformed {
        /// The request.
        asked: Hex,
        /// The message.
        got: Hex,
        /// What does not fit.
        problem: Problem,
    },
}

impl ReplyError {
    pub(crate) fn foreign(asked: &[u8], got: &[u8]) -> Self {
        Self::Foreign { asked: asked.into(), got: got.into() }
    }

    pub(crate) fn malformed(asked: &[u8], got: &[u8], problem: Problem) -> Self {
        Self::Malformed { asked: asked.into(), got: got.into(), problem }
    }
}

/// What does not fit in an answer.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Problem {
    /// Fewer bytes than the layout needs.
    #[error("{what}: {have} bytes of {need}")]
    Short {
        /// Which part.
        what: String,
        /// Bytes that the layout needs.
        need: usize,
        /// Bytes that are there.
        have: usize,
    },
    /// Bytes left over after everything that was understood.
    #[error("{what}: `{rest}` left over")]
    LeftOver {
        /// Which part.
        what: String,
        /// The bytes.
        rest: Hex,
    },
    /// The reply says how many items it holds, and holds another number.
    #[error("{what}: {said} announced, {have} there")]
    Count {
        /// Which items.
        what: String,
        /// The announced number.
        said: usize,
        /// The number found.
        have: usize,
    },
    /// The reply answers only some of what was asked.
    #[error("{what} was asked and not answered")]
    Missing {
        /// What is missing.
        what: String,
    },
    /// Pieces of a reply arrived out of order, twice or not at all.
    #[error("{what}: piece {expected} expected, {got} there")]
    Sequence {
        /// Which message.
        what: String,
        /// Number of the piece expected.
        expected: usize,
        /// Number of the piece that is there.
        got: usize,
    },
    /// A message among several that is not the answer.
    #[error("one message of several: {0}")]
    Message(Box<ReplyError>),
}

/// A value together with what went wrong beside it: one bad part does not cost the rest.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Decoded<T> {
    /// Everything that could be read.
    pub value: T,
    /// What could not.
    pub problems: Vec<Problem>,
}

/// First byte of a refusal (ISO 14229-1, SAE J1979).
pub const NEGATIVE: u8 = 0x7F;

/// The bytes after the service byte of a positive reply to `request`.
///
/// # Errors
/// All of [`ReplyError`]: nothing there, refused, another service, or a refusal that is cut short.
///
/// ```
/// use protocol::{ReplyError, reply_body};
/// assert_eq!(reply_body(&[0x01, 0x0C], &[0x41, 0x0C, 0x1A, 0xF8]).unwrap(), [0x0C, 0x1A, 0xF8]);
/// assert!(matches!(reply_body(&[0x01, 0x0C], &[0x7F, 0x01, 0x12]), Err(ReplyError::Negative { .. })));
/// ```
pub fn reply_body<'r>(request: &[u8], reply: &'r [u8]) -> Result<&'r [u8], ReplyError> {
    let service = request.first().copied();
    match reply {
        [] => Err(ReplyError::NoAnswer { asked: request.into() }),
        [NEGATIVE, refused, rest @ ..] if Some(*refused) == service => match reason(request, rest) {
            Some(code) => Err(ReplyError::Negative { asked: request.into(), code }),
            None => {
                let problem = Problem::Short { what: "refusal".into(), need: 3, have: reply.len() };
                Err(ReplyError::malformed(request, reply, problem))
            }
        },
        [first, rest @ ..] if service.is_some_and(|service| *first == service.wrapping_add(0x40)) => Ok(rest),
        _ => Err(ReplyError::foreign(request, reply)),
    }
}

/// The reason of a refusal, from what stands behind the refused service; `None`: it is of another request, or cut short.
///
/// Most say the reason alone; SAE J1979 on J1850 and ISO 9141 repeats the request's data before the reason (from memory).
pub(crate) fn reason(request: &[u8], rest: &[u8]) -> Option<NegativeCode> {
    let (code, echo) = rest.split_last()?;
    request.get(1..).is_some_and(|data| data.starts_with(trim_zeros(echo))).then_some(NegativeCode(*code))
}

fn trim_zeros(bytes: &[u8]) -> &[u8] {
    let n = bytes.iter().rposition(|byte| *byte != 0).map_or(0, |idx| idx + 1);
    bytes.get(..n).unwrap_or(bytes)
}

/// The reason byte of a refusal.
///
/// ```
/// use protocol::NegativeCode;
/// assert_eq!(NegativeCode(0x22).to_string(), "conditions not correct (22)");
/// assert!(NegativeCode(0x88).asks_for_another_state());
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct NegativeCode(pub u8);

impl NegativeCode {
    /// "Request received, the answer follows": not a final answer.
    pub const PENDING: Self = Self(0x78);
    /// "Busy, ask again".
    pub const BUSY: Self = Self(0x21);
    /// "Not in the session that is open".
    pub const NOT_IN_THIS_SESSION: Self = Self(0x7F);

    /// What the reason means; `None` where no standard says.
    ///
    /// Source: ISO 14229-1, table of negative response codes, as general-purpose UDS libraries list it.
    #[must_use]
    pub fn text(self) -> Option<&'static str> {
        Some(match self.0 {
            0x10 => "general reject",
            0x11 => "service not supported",
            0x12 => "sub-function not supported",
            0x13 => "wrong message length or format",
            0x14 => "response too long",
            0x21 => "busy, repeat the request",
            0x22 => "conditions not correct",
            0x24 => "request sequence error",
            0x25 => "no response from a sub-network component",
            0x26 => "a failure prevents the execution",
            0x31 => "request out of range",
            0x33 => "security access denied",
            0x34 => "authentication required",
            0x35 => "invalid key",
            0x36 => "number of attempts exceeded",
            0x37 => "required time delay not expired",
            0x38 => "secured data transmission required",
            0x39 => "secured data transmission not allowed",
            0x3A => "secured data verification failed",
            0x50..=0x5D => "certificate or authentication failure",
            0x70 => "upload or download not accepted",
            0x71 => "transfer suspended",
            0x72 => "programming failure",
            0x73 => "wrong block sequence counter",
            0x78 => "request received, response pending",
            0x7E => "sub-function not supported in this session",
            0x7F => "service not supported in this session",
            0x81 => "engine speed too high",
            0x82 => "engine speed too low",
            0x83 => "engine is running",
            0x84 => "engine is not running",
            0x85 => "engine run time too short",
            0x86 => "temperature too high",
            0x87 => "temperature too low",
            0x88 => "vehicle speed too high",
            0x89 => "vehicle speed too low",
            0x8A => "throttle or pedal too high",
            0x8B => "throttle or pedal too low",
            0x8C => "transmission not in neutral",
            0x8D => "transmission not in gear",
            0x8F => "brake not applied",
            0x90 => "selector not in park",
            0x91 => "torque converter clutch locked",
            0x92 => "voltage too high",
            0x93 => "voltage too low",
            0x94 => "resource temporarily not available",
            _ => return None,
        })
    }

    /// Whether the car has to be brought into another state before asking again: the module is not broken.
    ///
    /// Source: common practice, no source.
    #[must_use]
    pub fn asks_for_another_state(self) -> bool {
        matches!(self.0, 0x22 | 0x81..=0x93)
    }
}

impl fmt::Display for NegativeCode {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.text() {
            Some(text) => write!(f, "{text} ({:02X})", self.0),
            None => write!(f, "reason {:02X}, which no standard names", self.0),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_answer_a_refusal_a_stranger_and_damage_are_told_apart() {
        let request = [0x01, 0x0C];
        assert_eq!(reply_body(&request, &[0x41, 0x0C, 1, 2]), Ok([0x0C, 1, 2].as_slice()));
        assert_eq!(reply_body(&request, &[]), Err(ReplyError::NoAnswer { asked: Hex(vec![1, 0x0C]) }));
        let refused = ReplyError::Negative { asked: Hex(vec![1, 0x0C]), code: NegativeCode(0x12) };
        assert_eq!(reply_body(&request, &[0x7F, 0x01, 0x12]), Err(refused.clone()));
        assert_eq!(reply_body(&request, &[0x7F, 0x01, 0x0C, 0x00, 0x00, 0x12]), Err(refused));
        for stranger in [&[0x7F, 0x09, 0x12][..], &[0x42, 0x0C], &[0x7F], &[0x01, 0x0C]] {
            assert!(matches!(reply_body(&request, stranger), Err(ReplyError::Foreign { .. })), "{stranger:?}");
        }
        for damaged in [&[0x7F, 0x01][..], &[0x7F, 0x01, 0x0D, 0x12]] {
            assert!(matches!(reply_body(&request, damaged), Err(ReplyError::Malformed { .. })), "{damaged:?}");
        }
    }
}
