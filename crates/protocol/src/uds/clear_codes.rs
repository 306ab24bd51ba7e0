//! Service 14: clears trouble codes with everything that was stored with them.

use crate::{Problem, ReplyError, reply_body};

/// Group of all codes.
pub const ALL: u32 = 0xFF_FFFF;
/// Group of the emissions codes (OBD on UDS, SAE J1979-2; from memory).
pub const EMISSIONS: u32 = 0xFF_FF33;

/// Asks to clear a group (three bytes; higher ones are left out), or the one code with these three bytes.
///
/// ```
/// use protocol::uds::clear_codes;
/// assert_eq!(clear_codes::request(clear_codes::ALL), [0x14, 0xFF, 0xFF, 0xFF]);
/// ```
#[must_use]
pub fn request(group: u32) -> Vec<u8> {
    let [_, high, mid, low] = group.to_be_bytes();
    vec![0x14, high, mid, low]
}

/// Reads a reply to [`request`].
///
/// # Errors
/// [`ReplyError`] unless the module confirms.
///
/// ```
/// use protocol::uds::clear_codes;
/// assert_eq!(clear_codes::interpret(&clear_codes::request(clear_codes::ALL), &[0x54]), Ok(()));
/// ```
pub fn interpret(request: &[u8], reply: &[u8]) -> Result<(), ReplyError> {
    match reply_body(request, reply)? {
        [] => Ok(()),
        rest => {
            let problem = Problem::LeftOver { what: "confirmation".into(), rest: rest.into() };
            Err(ReplyError::malformed(request, reply, problem))
        }
    }
}
