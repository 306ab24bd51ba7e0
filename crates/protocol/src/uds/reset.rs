//! Service 11: restart of a module. It forgets its session and everything that was set in it.

use crate::{Problem, ReplyError, reply_body};

/// As if the supply had been taken away.
pub const HARD: u8 = 0x01;
/// As if the ignition had been switched off and on.
pub const KEY_OFF_ON: u8 = 0x02;
/// The program alone.
pub const SOFT: u8 = 0x03;

/// Asks for a restart.
///
/// ```
/// assert_eq!(protocol::uds::reset::request(protocol::uds::reset::SOFT), [0x11, 0x03]);
/// ```
#[must_use]
pub fn request(kind: u8) -> Vec<u8> {
    vec![0x11, kind]
}

/// Reads a reply to [`request`]: after how many seconds a module that powers down will be there again, where it says so.
///
/// # Errors
/// [`ReplyError`] unless the module confirms.
pub fn interpret(request: &[u8], reply: &[u8]) -> Result<Option<u8>, ReplyError> {
    match *reply_body(request, reply)? {
        [] => {
            let problem = Problem::Short { what: "confirmation".into(), need: 2, have: reply.len() };
            Err(ReplyError::malformed(request, reply, problem))
        }
        [kind, ref rest @ ..] if Some(&kind) == request.get(1) && rest.len() <= 1 => {
            // FF: not known (ISO 14229-1, from memory).
            Ok(rest.first().copied().filter(|seconds| *seconds != 0xFF))
        }
        _ => Err(ReplyError::foreign(request, reply)),
    }
}
