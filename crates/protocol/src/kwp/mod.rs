//! The services of ISO 14230-3 (KWP2000) that differ from their successors in ISO 14229-1.
//!
//! Layouts from memory: the text of the standard is not at hand. These build and read messages; whether one may be sent is
//! decided elsewhere.

pub mod codes;
pub mod communication;
pub mod identification;
pub mod io_control;
pub mod local_data;
pub mod routine;
pub mod session;

use crate::{ReplyError, reply_body};

/// The bytes after an echo of the first `n` bytes behind the service.
fn after_echo<'r>(request: &[u8], reply: &'r [u8], n: usize) -> Result<&'r [u8], ReplyError> {
    let echo = request.get(1..1 + n);
    let body = reply_body(request, reply)?;
    echo.and_then(|echo| body.strip_prefix(echo)).ok_or_else(|| ReplyError::foreign(request, reply))
}
