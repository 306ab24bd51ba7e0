//! Service 04, clearing, and service 08, control of an on-board system.
//!
//! These build and read messages; whether one may be sent is decided elsewhere.

use crate::{Problem, ReplyError, reply_body};

/// Clears codes and stored diagnostic data of every emissions module that hears it.
#[must_use]
pub fn clear_request() -> Vec<u8> {
    vec![0x04]
}

/// Reads a reply to [`clear_request`].
///
/// # Errors
/// [`ReplyError`] unless the module confirms.
pub fn clear_interpret(request: &[u8], reply: &[u8]) -> Result<(), ReplyError> {
    match reply_body(request, reply)? {
        [] => Ok(()),
        rest => {
            let problem = Problem::LeftOver { what: "confirmation".into(), rest: rest.into() };
            Err(ReplyError::malformed(request, reply, problem))
        }
    }
}

/// Asks for control of a system: a test id and up to five data bytes.
#[must_use]
pub fn request(tid: u8, data: &[u8]) -> Vec<u8> {
    [&[0x08, tid], data].concat()
}

/// Reads a reply to [`request`]: the data bytes after the test id.
///
/// # Errors
/// [`ReplyError`] when it is no answer, a refusal, or of another test.
pub fn interpret<'r>(request: &[u8], reply: &'r [u8]) -> Result<&'r [u8], ReplyError> {
    match reply_body(request, reply)? {
        [tid, data @ ..] if Some(tid) == request.get(1) => Ok(data),
        _ => Err(ReplyError::foreign(request, reply)),
    }
}
