//! Service 3E: keeps a session open.

use std::time::Duration;

use crate::{Problem, ReplyError, reply_body};

/// How often to send it: between P2 and the module's 5 s session time-out (ISO 14229-2 as public tables give it).
pub const PERIOD: Duration = Duration::from_millis(2000);

/// Says that the tester is still there; with `wants_reply` false the module stays silent.
#[must_use]
pub fn request(wants_reply: bool) -> Vec<u8> {
    vec![0x3E, if wants_reply { 0x00 } else { 0x80 }]
}

/// Reads a reply to [`request`].
///
/// # Errors
/// [`ReplyError`] unless the module confirms.
pub fn interpret(request: &[u8], reply: &[u8]) -> Result<(), ReplyError> {
    match reply_body(request, reply)? {
        [0x00] => Ok(()),
        [] => {
            let problem = Problem::Short { what: "confirmation".into(), need: 2, have: reply.len() };
            Err(ReplyError::malformed(request, reply, problem))
        }
        _ => Err(ReplyError::foreign(request, reply)),
    }
}
