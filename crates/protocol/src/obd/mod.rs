//! The emissions diagnostics that every car since about 2000 has: SAE J1979 / ISO 15031-5, services 01 to 0A.
//!
//! One file per service, each with `request` and `interpret`, both pure. What a PID means is in one table, see [`Pid`].
//!
//! ```
//! use protocol::obd::current;
//!
//! let asked = current::request(&[0x05]);
//! let reply = current::interpret(&asked, &[0x41, 0x05, 0x7B]).unwrap();
//! let coolant = &reply.value[0].values().value[0];
//! assert_eq!((coolant.content.number(), coolant.unit), (Some(83.0), "degC"));
//! ```

pub mod codes;
pub mod control;
pub mod current;
pub mod info;
pub mod monitors;
pub mod on_uds;
pub mod oxygen;
mod pid;
mod pids;
pub mod readiness;
mod scaling;
mod support;

pub use current::{PidData, freeze};
pub use pid::{Content, Field, Kind, Length, Pid, Value, values};
pub use readiness::{Ignition, MonitorState, MonitorStatus, Period, Readiness};
pub use scaling::Scaling;
pub use support::{OxygenLayout, Supported, bitmap_of, is_bitmap, numbers_in, support_request};

use crate::{Decoded, Problem, ReplyError};

/// Reads several messages of one module into one value; fails only when none of them could be read.
pub(crate) fn each_message<T: Default>(
    request: &[u8],
    replies: &[&[u8]],
    mut read: impl FnMut(&[u8], &mut Decoded<T>) -> Result<(), ReplyError>,
) -> Result<Decoded<T>, ReplyError> {
    let mut out = Decoded { value: T::default(), problems: Vec::new() };
    let mut failures = Vec::new();
    for reply in replies {
        if let Err(error) = read(reply, &mut out) {
            failures.push(error);
        }
    }
    if failures.len() == replies.len() {
        return Err(failures.into_iter().next().unwrap_or_else(|| ReplyError::NoAnswer { asked: request.into() }));
    }
    out.problems.extend(failures.into_iter().map(|error| Problem::Message(Box::new(error))));
    Ok(out)
}
