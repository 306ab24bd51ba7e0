//! Service 01, current data, and service 02, the freeze frame: values by PID, several per message on CAN.

use super::pid::{Length, Pid, Value, values};
use crate::{Decoded, Problem, ReplyError, reply_body};

/// Most PIDs in one request on CAN (SAE J1979, from memory). Other networks take one.
pub const MAX_PIDS: usize = 6;
/// Most PIDs in one freeze frame request on CAN: each comes with its frame number in the seven bytes of a single frame.
pub const MAX_FREEZE_PIDS: usize = 3;

/// The data that a reply holds for one PID.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PidData {
    /// The PID.
    pub pid: u8,
    /// Its data bytes, without the echo.
    pub data: Vec<u8>,
}

impl PidData {
    /// The values in it.
    #[must_use]
    pub fn values(&self) -> Decoded<Vec<Value>> {
        values(self.pid, &self.data)
    }
}

/// Asks for the current values of these PIDs.
///
/// ```
/// assert_eq!(protocol::obd::current::request(&[0x0C, 0x0D]), [0x01, 0x0C, 0x0D]);
/// ```
#[must_use]
pub fn request(pids: &[u8]) -> Vec<u8> {
    [&[0x01], pids].concat()
}

/// Reads a reply to [`request`]: the data of each PID, in the order of the reply.
///
/// Several PIDs are told apart by their known lengths. A PID whose length is not known takes everything that follows.
/// PIDs that were asked and are not in the reply are reported as [`Problem::Missing`], bytes that belong to no PID asked
/// as [`Problem::LeftOver`].
///
/// # Errors
/// [`ReplyError`] when it is no answer, a refusal, or does not begin with a PID that was asked.
///
/// ```
/// use protocol::obd::current;
/// let asked = current::request(&[0x0C, 0x0D]);
/// let reply = current::interpret(&asked, &[0x41, 0x0C, 0x1A, 0xF8, 0x0D, 0x3C]).unwrap();
/// assert_eq!(reply.value[0].values().value[0].content.number(), Some(1726.0));
/// assert_eq!(reply.value[1].data, [0x3C]);
/// ```
pub fn interpret(request: &[u8], reply: &[u8]) -> Result<Decoded<Vec<PidData>>, ReplyError> {
    let asked: Vec<&[u8]> = request.get(1..).unwrap_or_default().chunks(1).collect();
    split(request, reply, &asked)
}

/// Service 02: the values that were frozen when a code was stored.
pub mod freeze {
    use super::{Decoded, PidData, ReplyError, split};
    use crate::{Code, Problem};

    /// Asks for these PIDs of a freeze frame; frame 0 is the one that regulations ask for.
    ///
    /// Ask PID 02 first, see [`code`]: without a code the rest means nothing.
    ///
    /// ```
    /// assert_eq!(protocol::obd::freeze::request(&[0x02], 0), [0x02, 0x02, 0x00]);
    /// ```
    #[must_use]
    pub fn request(pids: &[u8], frame: u8) -> Vec<u8> {
        std::iter::once(0x02).chain(pids.iter().flat_map(|pid| [*pid, frame])).collect()
    }

    /// Reads a reply to [`request`], like [`current::interpret`](super::interpret).
    ///
    /// # Errors
    /// [`ReplyError`] when it is no answer, a refusal, or of another PID or frame.
    pub fn interpret(request: &[u8], reply: &[u8]) -> Result<Decoded<Vec<PidData>>, ReplyError> {
        let asked: Vec<&[u8]> = request.get(1..).unwrap_or_default().chunks(2).collect();
        split(request, reply, &asked)
    }

    /// The code that stored the frame, from the reply to a request for PID 02: `None` when there is no frame.
    ///
    /// # Errors
    /// As [`interpret`], and [`ReplyError::Malformed`] when the code is cut off.
    ///
    /// ```
    /// use protocol::obd::freeze;
    /// let asked = freeze::request(&[0x02], 0);
    /// assert_eq!(freeze::code(&asked, &[0x42, 0x02, 0x00, 0x03, 0x01]).unwrap().unwrap().to_string(), "P0301");
    /// assert_eq!(freeze::code(&asked, &[0x42, 0x02, 0x00, 0x00, 0x00]).unwrap(), None);
    /// ```
    pub fn code(request: &[u8], reply: &[u8]) -> Result<Option<Code>, ReplyError> {
        let parts = interpret(request, reply)?.value;
        let data = parts.iter().find(|part| part.pid == 0x02).ok_or_else(|| ReplyError::foreign(request, reply))?;
        match data.data[..] {
            [0, 0, ..] => Ok(None),
            [high, low, ..] => Ok(Some(Code::from_bytes([high, low]))),
            _ => {
                let problem = Problem::Short { what: "freeze frame code".into(), need: 2, have: data.data.len() };
                Err(ReplyError::malformed(request, reply, problem))
            }
        }
    }
}

/// Cuts a reply at the echoes that were asked: each is a PID, with its frame number in service 02.
fn split(request: &[u8], reply: &[u8], asked: &[&[u8]]) -> Result<Decoded<Vec<PidData>>, ReplyError> {
    let mut rest = reply_body(request, reply)?;
    let mut open: Vec<&[u8]> = asked.to_vec();
    let mut out: Decoded<Vec<PidData>> = Decoded { value: Vec::new(), problems: Vec::new() };
    // An echo is spent once answered: a second one is a foreign byte, not an answer.
    while let Some(idx) = open.iter().position(|echo| rest.starts_with(echo)) {
        let echo = open.remove(idx);
        let (Some(pid), Some(after)) = (echo.first().copied(), rest.get(echo.len()..)) else { break };
        let length = match Pid::find(pid).map(|pid| pid.length) {
            // Whatever else was asked, one PID alone in the reply owns all of it: a module of another edition may have
            // given more or fewer bytes than our table says, and that is reported with the values.
            Some(Length::Exactly(n)) if asked.len() > 1 && n <= after.len() => n,
            _ => after.len(),
        };
        let (data, next) = after.split_at_checked(length).unwrap_or((after, &[]));
        out.value.push(PidData { pid, data: data.to_vec() });
        rest = next;
    }
    if out.value.is_empty() {
        return Err(ReplyError::foreign(request, reply));
    }
    if !rest.is_empty() {
        out.problems.push(Problem::LeftOver { what: "reply".into(), rest: rest.into() });
    }
    for echo in open {
        if let Some(pid) = echo.first() {
            out.problems.push(Problem::Missing { what: format!("PID {pid:02X}") });
        }
    }
    Ok(out)
}
