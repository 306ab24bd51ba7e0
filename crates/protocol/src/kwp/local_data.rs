//! Service 21: a block of data by local identifier. What is in it the maker defines.

use super::after_echo;
use crate::ReplyError;

/// Asks for a block.
///
/// ```
/// assert_eq!(protocol::kwp::local_data::request(0x01), [0x21, 0x01]);
/// ```
#[must_use]
pub fn request(id: u8) -> Vec<u8> {
    vec![0x21, id]
}

/// Reads a reply to [`request`]: the bytes behind the identifier.
///
/// # Errors
/// [`ReplyError`] when it is no answer, a refusal, or of another block.
///
/// ```
/// use protocol::kwp::local_data;
/// assert_eq!(local_data::interpret(&local_data::request(1), &[0x61, 0x01, 7, 8]).unwrap(), [7, 8]);
/// ```
pub fn interpret<'r>(request: &[u8], reply: &'r [u8]) -> Result<&'r [u8], ReplyError> {
    after_echo(request, reply, 1)
}
