//! Service 27: opens what a module keeps locked, with a key that the user brings.
//!
//! How a key follows from a seed is the maker's secret. Nothing here knows or finds it: a [`Key`] is what a person who may
//! do this has supplied.

use crate::{Problem, ReplyError, reply_body};

/// The bytes that answer a seed, as the user supplied them.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Key(pub Vec<u8>);

/// What a module says when it is asked for a seed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Seed {
    /// It is open already (a seed of zeros, ISO 14229-1 from memory).
    Open,
    /// It wants the key to this.
    Locked(Vec<u8>),
}

/// Asks for the seed of a level, which is an odd number; an even one is taken for the one below it.
///
/// ```
/// assert_eq!(protocol::uds::security::request_seed(0x01), [0x27, 0x01]);
/// ```
#[must_use]
pub fn request_seed(level: u8) -> Vec<u8> {
    vec![0x27, odd(level)]
}

/// Sends the key of a level.
///
/// ```
/// use protocol::uds::security::{self, Key};
/// assert_eq!(security::send_key(0x01, &Key(vec![0xAB, 0xCD])), [0x27, 0x02, 0xAB, 0xCD]);
/// ```
#[must_use]
pub fn send_key(level: u8, key: &Key) -> Vec<u8> {
    [&[0x27, odd(level).wrapping_add(1)], key.0.as_slice()].concat()
}

fn odd(level: u8) -> u8 {
    if level.is_multiple_of(2) { level.saturating_sub(1) } else { level }
}

/// Reads a reply to [`request_seed`].
///
/// # Errors
/// [`ReplyError`] when it is no answer, a refusal, of another level, or without a seed.
pub fn interpret_seed(request: &[u8], reply: &[u8]) -> Result<Seed, ReplyError> {
    match reply_body(request, reply)? {
        [level, seed @ ..] if Some(level) == request.get(1) => match seed {
            [] => {
                let problem = Problem::Short { what: "seed".into(), need: 3, have: reply.len() };
                Err(ReplyError::malformed(request, reply, problem))
            }
            _ if seed.iter().all(|byte| *byte == 0) => Ok(Seed::Open),
            _ => Ok(Seed::Locked(seed.to_vec())),
        },
        _ => Err(ReplyError::foreign(request, reply)),
    }
}

/// Reads a reply to [`send_key`].
///
/// # Errors
/// [`ReplyError`] unless the module confirms; a wrong key is a refusal with reason 35, and 36 or 37 after too many.
pub fn interpret_key(request: &[u8], reply: &[u8]) -> Result<(), ReplyError> {
    match reply_body(request, reply)? {
        [level] if Some(level) == request.get(1) => Ok(()),
        _ => Err(ReplyError::foreign(request, reply)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Sub-functions: odd for seeds, the even one above for keys (ISO 14229-1).
    #[test]
    fn a_lock_opens_with_the_users_key_only() {
        let asked = request_seed(0x03);
        assert_eq!(interpret_seed(&asked, &[0x67, 0x03, 1, 2]), Ok(Seed::Locked(vec![1, 2])));
        assert_eq!(interpret_seed(&asked, &[0x67, 0x03, 0, 0]), Ok(Seed::Open));
        assert!(matches!(interpret_seed(&asked, &[0x67, 0x01, 1, 2]), Err(ReplyError::Foreign { .. })));
        assert!(matches!(interpret_seed(&asked, &[0x67, 0x03]), Err(ReplyError::Malformed { .. })));
        let sent = send_key(0x03, &Key(vec![9, 9]));
        assert_eq!(sent, [0x27, 0x04, 9, 9]);
        assert_eq!(interpret_key(&sent, &[0x67, 0x04]), Ok(()));
        assert!(matches!(interpret_key(&sent, &[0x7F, 0x27, 0x35]), Err(ReplyError::Negative { .. })));
        assert_eq!(request_seed(0), [0x27, 0]);
        assert_eq!(send_key(0xFF, &Key(Vec::new())), [0x27, 0x00]);
    }
}
