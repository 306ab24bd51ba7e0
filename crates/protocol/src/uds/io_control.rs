//! Service 2F: input and output control by identifier.

use crate::{ReplyError, reply_body};

/// What to do with the output.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[repr(u8)]
pub enum Control {
    /// Give control back to the module.
    ReturnToModule = 0x00,
    /// Set it to the module's default.
    ResetToDefault = 0x01,
    /// Keep it as it is now.
    Freeze = 0x02,
    /// Set it to the state that follows.
    Adjust = 0x03,
}

/// Asks for a control of an identifier; `state` and `mask` only with [`Control::Adjust`], the mask also with others where
/// an identifier holds several outputs.
#[must_use]
pub fn request(did: u16, control: Control, state: &[u8], mask: &[u8]) -> Vec<u8> {
    let [high, low] = did.to_be_bytes();
    [&[0x2F, high, low, control as u8], state, mask].concat()
}

/// Drives an output to a state.
///
/// ```
/// assert_eq!(protocol::uds::io_control::adjust(0xD001, &[0x01], &[]), [0x2F, 0xD0, 0x01, 0x03, 0x01]);
/// ```
#[must_use]
pub fn adjust(did: u16, state: &[u8], mask: &[u8]) -> Vec<u8> {
    request(did, Control::Adjust, state, mask)
}

/// Gives control of an output back to the module.
///
/// ```
/// assert_eq!(protocol::uds::io_control::give_back(0xD001), [0x2F, 0xD0, 0x01, 0x00]);
/// ```
#[must_use]
pub fn give_back(did: u16) -> Vec<u8> {
    request(did, Control::ReturnToModule, &[], &[])
}

/// Reads a reply to [`request`]: the state bytes that the module reports, which may be none.
///
/// # Errors
/// [`ReplyError`] when it is no answer, a refusal, or of another identifier or control.
///
/// ```
/// use protocol::uds::io_control;
/// let asked = io_control::adjust(0xD001, &[0x01], &[]);
/// assert_eq!(io_control::interpret(&asked, &[0x6F, 0xD0, 0x01, 0x03, 0x01]).unwrap(), [0x01]);
/// ```
pub fn interpret<'r>(request: &[u8], reply: &'r [u8]) -> Result<&'r [u8], ReplyError> {
    let echo = request.get(1..4).unwrap_or_default();
    match reply_body(request, reply)?.strip_prefix(echo) {
        Some(state) if echo.len() == 3 => Ok(state),
        _ => Err(ReplyError::foreign(request, reply)),
    }
}
