//! Service 10: diagnostic session.

use std::time::Duration;

use crate::{Problem, ReplyError, reply_body};

/// The session that every module starts in.
pub const DEFAULT: u8 = 0x01;
/// The session in which more is allowed.
pub const EXTENDED: u8 = 0x03;

/// How long a module may take, from its session reply.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Timing {
    /// Greatest time to a first answer (P2).
    pub p2: Duration,
    /// Greatest time to an answer after "response pending" (P2*).
    pub p2_star: Duration,
}

impl Default for Timing {
    /// 50 ms and 5 s (ISO 14229-2, from memory).
    fn default() -> Self {
        Self { p2: Duration::from_millis(50), p2_star: Duration::from_millis(5000) }
    }
}

/// How long a module keeps a session other than the first without any request (S3 server, ISO 14229-2 as public tables
/// give it). What was set in the session ends with it.
pub const TIME_OUT: Duration = Duration::from_millis(5000);

/// Asks for a session.
#[must_use]
pub fn request(session: u8) -> Vec<u8> {
    vec![0x10, session]
}

/// Reads a reply to [`request`]. P2 is in milliseconds, P2* in tens of them. A reply without them (as before the
/// 2006 edition) means the default times.
///
/// # Errors
/// [`ReplyError`] when it is no answer, a refusal, of another session, or cut short.
///
/// ```
/// use protocol::uds::session;
/// let timing = session::interpret(&session::request(3), &[0x50, 0x03, 0x00, 0x32, 0x01, 0xF4]).unwrap();
/// assert_eq!((timing.p2.as_millis(), timing.p2_star.as_millis()), (50, 5000));
/// ```
pub fn interpret(request: &[u8], reply: &[u8]) -> Result<Timing, ReplyError> {
    match *reply_body(request, reply)? {
        [session, ..] if Some(&session) != request.get(1) => Err(ReplyError::foreign(request, reply)),
        [_] => Ok(Timing::default()),
        [_, p2_high, p2_low, star_high, star_low] => Ok(Timing {
            p2: Duration::from_millis(u64::from(u16::from_be_bytes([p2_high, p2_low]))),
            p2_star: Duration::from_millis(10 * u64::from(u16::from_be_bytes([star_high, star_low]))),
        }),
        _ => {
            let problem = Problem::Short { what: "session reply".into(), need: 6, have: reply.len() };
            Err(ReplyError::malformed(request, reply, problem))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_of_a_session() {
        let asked = request(EXTENDED);
        assert_eq!(interpret(&asked, &[0x50, 0x03]), Ok(Timing::default()));
        let slow = interpret(&asked, &[0x50, 0x03, 0x00, 0x96, 0x07, 0xD0]).unwrap();
        assert_eq!((slow.p2.as_millis(), slow.p2_star.as_millis()), (150, 20_000));
        assert!(matches!(interpret(&asked, &[0x50, 0x01]), Err(ReplyError::Foreign { .. })));
        assert!(matches!(interpret(&asked, &[0x50, 0x03, 0x00]), Err(ReplyError::Malformed { .. })));
    }
}
