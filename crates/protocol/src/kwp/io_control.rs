//! Service 30: input and output control by local identifier.

use super::after_echo;
use crate::ReplyError;

/// What to do with the output (ISO 14230-3, from memory).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[repr(u8)]
pub enum Control {
    /// Give control back to the module.
    ReturnToModule = 0x00,
    /// Tell the state and change nothing.
    Report = 0x01,
    /// Set it to the module's default.
    ResetToDefault = 0x04,
    /// Keep it as it is now.
    Freeze = 0x05,
    /// Set it to the state that follows, until the session ends.
    Adjust = 0x07,
}

/// Asks for a control of a local identifier.
#[must_use]
pub fn request(id: u8, control: Control, state: &[u8]) -> Vec<u8> {
    [&[0x30, id, control as u8], state].concat()
}

/// Drives an output to a state.
///
/// ```
/// assert_eq!(protocol::kwp::io_control::adjust(0x12, &[0x01]), [0x30, 0x12, 0x07, 0x01]);
/// ```
#[must_use]
pub fn adjust(id: u8, state: &[u8]) -> Vec<u8> {
    request(id, Control::Adjust, state)
}

/// Gives control of an output back to the module.
#[must_use]
pub fn give_back(id: u8) -> Vec<u8> {
    request(id, Control::ReturnToModule, &[])
}

/// Reads a reply to [`request`]: the state bytes that the module reports, which may be none.
///
/// Some modules leave the control parameter out of their answer: then the state begins behind the identifier.
///
/// # Errors
/// [`ReplyError`] when it is no answer, a refusal, or of another identifier.
pub fn interpret<'r>(request: &[u8], reply: &'r [u8]) -> Result<&'r [u8], ReplyError> {
    after_echo(request, reply, 2).or_else(|_| after_echo(request, reply, 1))
}
