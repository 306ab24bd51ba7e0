//! Service 2C: identifiers that the tester defines, so that one short request brings many values.

use crate::{Problem, ReplyError, reply_body};

/// A piece of an identifier that becomes part of a defined one.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Piece {
    /// The identifier that has the data.
    pub did: u16,
    /// First byte of it, from 1.
    pub position: u8,
    /// Number of bytes.
    pub n_bytes: u8,
}

/// Defines `defined` (F300 to F3FF, or F200 to F2FF for periodic use) as these pieces one after the other. A second
/// definition adds to the first.
///
/// ```
/// use protocol::uds::dynamic::{self, Piece};
/// let piece = Piece { did: 0xD010, position: 1, n_bytes: 8 };
/// assert_eq!(dynamic::define(0xF301, &[piece]), [0x2C, 0x01, 0xF3, 0x01, 0xD0, 0x10, 0x01, 0x08]);
/// ```
#[must_use]
pub fn define(defined: u16, pieces: &[Piece]) -> Vec<u8> {
    let [high, low] = defined.to_be_bytes();
    let pieces = pieces.iter().flat_map(|piece| {
        let [high, low] = piece.did.to_be_bytes();
        [high, low, piece.position, piece.n_bytes]
    });
    [0x2C, 0x01, high, low].into_iter().chain(pieces).collect()
}

/// Forgets a defined identifier; `None`: all of them.
#[must_use]
pub fn clear(defined: Option<u16>) -> Vec<u8> {
    [0x2C, 0x03].into_iter().chain(defined.into_iter().flat_map(u16::to_be_bytes)).collect()
}

/// Reads a reply to [`define`] or [`clear`].
///
/// # Errors
/// [`ReplyError`] unless the module confirms. A confirmation may leave the identifier out.
pub fn interpret(request: &[u8], reply: &[u8]) -> Result<(), ReplyError> {
    let (sub, defined) = request.get(1..).unwrap_or_default().split_at_checked(1).unwrap_or_default();
    let defined = defined.get(..2).unwrap_or_default();
    match reply_body(request, reply)?.split_at_checked(1) {
        None => {
            let problem = Problem::Short { what: "confirmation".into(), need: 2, have: reply.len() };
            Err(ReplyError::malformed(request, reply, problem))
        }
        Some((own, rest)) if own == sub && (rest.is_empty() || rest == defined) => Ok(()),
        Some(_) => Err(ReplyError::foreign(request, reply)),
    }
}
