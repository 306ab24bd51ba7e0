//! Services 10 and 3E: diagnostic session and sign of life.

use crate::{ReplyError, reply_body};

/// The session that modules start in.
pub const STANDARD: u8 = 0x81;
/// The session for adjusting; not every module has it.
pub const ADJUSTMENT: u8 = 0x87;
/// The session in which a module lets its outputs be driven, as most makers have it (common practice, no source).
pub const EXTENDED: u8 = 0x89;

/// Asks for a session; the maker gives the numbers from 89 up their meaning.
///
/// ```
/// assert_eq!(protocol::kwp::session::request(protocol::kwp::session::STANDARD), [0x10, 0x81]);
/// ```
#[must_use]
pub fn request(session: u8) -> Vec<u8> {
    vec![0x10, session]
}

/// Reads a reply to [`request`]; some modules do not repeat the session.
///
/// # Errors
/// [`ReplyError`] unless the module confirms.
pub fn interpret(request: &[u8], reply: &[u8]) -> Result<(), ReplyError> {
    match reply_body(request, reply)? {
        [] => Ok(()),
        [session, ..] if Some(session) == request.get(1) => Ok(()),
        _ => Err(ReplyError::foreign(request, reply)),
    }
}

/// Says that the tester is still there. With `wants_reply` false the module stays silent.
///
/// ```
/// assert_eq!(protocol::kwp::session::present(true), [0x3E, 0x01]);
/// ```
#[must_use]
pub fn present(wants_reply: bool) -> Vec<u8> {
    vec![0x3E, if wants_reply { 0x01 } else { 0x02 }]
}
