//! Services 81, 82 and 83: begin and end of a conversation on the K-line, and its times.

use std::time::Duration;

use crate::{Problem, ReplyError, reply_body};

/// What the key bytes say that a module can do (ISO 14230-2 as public tables give it, from memory).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct KeyBytes {
    /// First byte as sent, with its parity bit: AL0, AL1, HB0, HB1, TP0, TP1.
    pub first: u8,
    /// Second byte, 8F for ISO 14230.
    pub second: u8,
}

impl KeyBytes {
    /// Length in the format byte.
    #[must_use]
    pub const fn length_in_format(self) -> bool {
        self.first & 0x01 != 0
    }

    /// Length in a byte of its own.
    #[must_use]
    pub const fn length_byte(self) -> bool {
        self.first & 0x02 != 0
    }

    /// Header of one byte.
    #[must_use]
    pub const fn short_header(self) -> bool {
        self.first & 0x04 != 0
    }

    /// Header with target and source.
    #[must_use]
    pub const fn full_header(self) -> bool {
        self.first & 0x08 != 0
    }

    /// The ordinary times, rather than the extended ones.
    #[must_use]
    pub const fn normal_times(self) -> bool {
        self.first & 0x30 == 0x20
    }
}

/// Begins a conversation.
#[must_use]
pub fn start() -> Vec<u8> {
    vec![0x81]
}

/// Reads a reply to [`start`].
///
/// # Errors
/// [`ReplyError`] when it is no answer, a refusal, or lacks the key bytes.
///
/// ```
/// use protocol::kwp::communication;
/// let keys = communication::interpret_start(&communication::start(), &[0xC1, 0xEF, 0x8F]).unwrap();
/// assert!(keys.full_header() && keys.normal_times());
/// ```
pub fn interpret_start(request: &[u8], reply: &[u8]) -> Result<KeyBytes, ReplyError> {
    match *reply_body(request, reply)? {
        [first, second] => Ok(KeyBytes { first, second }),
        ref rest => {
            let problem = Problem::Short { what: "key bytes".into(), need: 3, have: rest.len() + 1 };
            Err(ReplyError::malformed(request, reply, problem))
        }
    }
}

/// Ends a conversation.
#[must_use]
pub fn stop() -> Vec<u8> {
    vec![0x82]
}

/// How long each side takes and waits (ISO 14230-2).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Times {
    /// Least time from a request to its answer.
    pub p2_min: Duration,
    /// Greatest time from a request to its answer.
    pub p2_max: Duration,
    /// Least time from an answer to the next request.
    pub p3_min: Duration,
    /// Greatest time from an answer to the next request.
    pub p3_max: Duration,
    /// Least time between the bytes of a request.
    pub p4_min: Duration,
}

impl Default for Times {
    fn default() -> Self {
        let ms = Duration::from_millis;
        Self { p2_min: ms(25), p2_max: ms(50), p3_min: ms(55), p3_max: ms(5000), p4_min: ms(5) }
    }
}

/// Asks for the times in use.
#[must_use]
pub fn times() -> Vec<u8> {
    vec![0x83, 0x02]
}

/// Reads a reply to [`times`]. Steps: 0.5 ms, 25 ms, 0.5 ms, 250 ms, 0.5 ms.
///
/// # Errors
/// [`ReplyError`] when it is no answer, a refusal, or cut short.
///
/// ```
/// use protocol::kwp::communication::{self, Times};
/// let read = communication::interpret_times(&communication::times(), &[0xC3, 0x02, 50, 2, 110, 20, 10]);
/// assert_eq!(read, Ok(Times::default()));
/// ```
pub fn interpret_times(request: &[u8], reply: &[u8]) -> Result<Times, ReplyError> {
    match *reply_body(request, reply)? {
        [kind, p2_min, p2_max, p3_min, p3_max, p4_min] if Some(&kind) == request.get(1) => {
            let steps = |n: u8, us: u64| Duration::from_micros(u64::from(n) * us);
            Ok(Times {
                p2_min: steps(p2_min, 500),
                p2_max: steps(p2_max, 25_000),
                p3_min: steps(p3_min, 500),
                p3_max: steps(p3_max, 250_000),
                p4_min: steps(p4_min, 500),
            })
        }
        [kind, ..] if Some(&kind) != request.get(1) => Err(ReplyError::foreign(request, reply)),
        _ => {
            let problem = Problem::Short { what: "times".into(), need: 7, have: reply.len() };
            Err(ReplyError::malformed(request, reply, problem))
        }
    }
}
