//! Service 2A: data that the module sends by itself, again and again.
//!
//! A periodic identifier is one byte and stands for the data identifier F2xx.

use crate::{Problem, ReplyError, reply_body};

/// How often a module sends. What the rates are, the module decides: they have to be measured (ISO 14229-1).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[repr(u8)]
pub enum Rate {
    /// Slow.
    Slow = 0x01,
    /// Medium.
    Medium = 0x02,
    /// Fast.
    Fast = 0x03,
}

/// The data identifier that a periodic one stands for.
///
/// ```
/// assert_eq!(protocol::uds::periodic::did(0x12), 0xF212);
/// ```
#[must_use]
pub const fn did(periodic: u8) -> u16 {
    0xF200 | periodic as u16
}

/// Lets the module send these identifiers at a rate.
///
/// ```
/// use protocol::uds::periodic::{self, Rate};
/// assert_eq!(periodic::request(Rate::Fast, &[0x01, 0x02]), [0x2A, 0x03, 0x01, 0x02]);
/// ```
#[must_use]
pub fn request(rate: Rate, periodic: &[u8]) -> Vec<u8> {
    [&[0x2A, rate as u8], periodic].concat()
}

/// Lets the module stop sending these identifiers; none: all of them.
#[must_use]
pub fn stop(periodic: &[u8]) -> Vec<u8> {
    [&[0x2A, 0x04], periodic].concat()
}

/// Reads the module's confirmation of [`request`] or [`stop`].
///
/// # Errors
/// [`ReplyError`] unless the module confirms.
pub fn interpret(request: &[u8], reply: &[u8]) -> Result<(), ReplyError> {
    match reply_body(request, reply)? {
        [] => Ok(()),
        rest => {
            let problem = Problem::LeftOver { what: "confirmation".into(), rest: rest.into() };
            Err(ReplyError::malformed(request, reply, problem))
        }
    }
}

/// Takes a periodic message apart: the identifier and its data.
///
/// It has no service byte and comes in one frame of its own identifier, without a length ("response type 2" of
/// ISO 14229-1, as general-purpose UDS libraries describe it), so that padding may follow the data. `None` for an empty one.
///
/// ```
/// assert_eq!(protocol::uds::periodic::message(&[0x12, 1, 2]), Some((0x12, &[1, 2][..])));
/// ```
#[must_use]
pub fn message(bytes: &[u8]) -> Option<(u8, &[u8])> {
    bytes.split_first().map(|(periodic, data)| (*periodic, data))
}
