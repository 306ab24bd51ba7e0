//! Service 31: routines.

use crate::{ReplyError, reply_body};

fn request(sub_function: u8, id: u16, option: &[u8]) -> Vec<u8> {
    let [high, low] = id.to_be_bytes();
    [&[0x31, sub_function, high, low], option].concat()
}

/// Starts a routine.
///
/// ```
/// assert_eq!(protocol::uds::routine::start(0x0203, &[]), [0x31, 0x01, 0x02, 0x03]);
/// ```
#[must_use]
pub fn start(id: u16, option: &[u8]) -> Vec<u8> {
    request(0x01, id, option)
}

/// Stops a routine.
#[must_use]
pub fn stop(id: u16, option: &[u8]) -> Vec<u8> {
    request(0x02, id, option)
}

/// Asks for the results of a routine.
#[must_use]
pub fn results(id: u16) -> Vec<u8> {
    request(0x03, id, &[])
}

/// Reads a reply to one of these requests: the bytes after the routine's identifier, which are the maker's own.
///
/// # Errors
/// [`ReplyError`] when it is no answer, a refusal, or of another routine or sub-function.
///
/// ```
/// use protocol::uds::routine;
/// assert!(routine::interpret(&routine::start(0x0203, &[]), &[0x71, 0x01, 0x02, 0x03]).unwrap().is_empty());
/// ```
pub fn interpret<'r>(request: &[u8], reply: &'r [u8]) -> Result<&'r [u8], ReplyError> {
    let echo = request.get(1..4).unwrap_or_default();
    match reply_body(request, reply)?.strip_prefix(echo) {
        Some(data) if echo.len() == 3 => Ok(data),
        _ => Err(ReplyError::foreign(request, reply)),
    }
}
