//! Service 85: whether a module sets trouble codes, so that a test of it leaves none behind.

use crate::{Problem, ReplyError, reply_body};

/// Lets the module set codes, or keeps it from it until its session ends.
///
/// ```
/// assert_eq!(protocol::uds::dtc_setting::request(false), [0x85, 0x02]);
/// ```
#[must_use]
pub fn request(is_on: bool) -> Vec<u8> {
    vec![0x85, if is_on { 0x01 } else { 0x02 }]
}

/// Reads a reply to [`request`].
///
/// # Errors
/// [`ReplyError`] unless the module confirms.
pub fn interpret(request: &[u8], reply: &[u8]) -> Result<(), ReplyError> {
    match reply_body(request, reply)? {
        [] => {
            let problem = Problem::Short { what: "confirmation".into(), need: 2, have: reply.len() };
            Err(ReplyError::malformed(request, reply, problem))
        }
        [sub] if Some(sub) == request.get(1) => Ok(()),
        _ => Err(ReplyError::foreign(request, reply)),
    }
}
