//! Services 31, 32 and 33: routines by local identifier.

use super::after_echo;
use crate::ReplyError;

/// Starts a routine.
///
/// ```
/// assert_eq!(protocol::kwp::routine::start(0x05, &[0x02]), [0x31, 0x05, 0x02]);
/// ```
#[must_use]
pub fn start(id: u8, option: &[u8]) -> Vec<u8> {
    [&[0x31, id], option].concat()
}

/// Stops a routine.
#[must_use]
pub fn stop(id: u8, option: &[u8]) -> Vec<u8> {
    [&[0x32, id], option].concat()
}

/// Asks for the results of a routine.
#[must_use]
pub fn results(id: u8) -> Vec<u8> {
    vec![0x33, id]
}

/// Reads a reply to one of these requests: the bytes after the identifier, which are the maker's own.
///
/// # Errors
/// [`ReplyError`] when it is no answer, a refusal, or of another routine.
pub fn interpret<'r>(request: &[u8], reply: &'r [u8]) -> Result<&'r [u8], ReplyError> {
    after_echo(request, reply, 1)
}
