//! Service 05: oxygen sensor test results, on networks other than CAN only.

use crate::{Hex, Problem, ReplyError, reply_body};

/// One test of one oxygen sensor.
#[derive(Debug, Clone, PartialEq)]
pub struct OxygenResult {
    /// The test; see [`monitors::test_title`](super::monitors::test_title) for 01 to 0A.
    pub tid: u8,
    /// The sensor's bit as in PID 13 or 1D.
    pub sensor: u8,
    /// The result in `unit`; `None` for a test whose scaling is the maker's.
    pub value: Option<f64>,
    /// Least and greatest passing value in `unit`; thresholds have none.
    pub limits: Option<(f64, f64)>,
    /// Symbol of the unit.
    pub unit: &'static str,
    /// The data bytes.
    pub raw: Hex,
}

/// Asks for one test of the sensor whose bit of PID 13 or 1D is set.
#[must_use]
pub fn request(tid: u8, sensor_bit: u8) -> Vec<u8> {
    vec![0x05, tid, sensor_bit]
}

/// Steps to a volt or a second, and the unit.
///
/// Source: SAE J1979 as a general-purpose packet library scales these tests.
const fn scale(tid: u8) -> Option<(f64, &'static str)> {
    match tid {
        0x01..=0x04 | 0x07 | 0x08 => Some((200.0, "V")),
        0x05 | 0x06 => Some((250.0, "s")),
        0x09 | 0x0A => Some((25.0, "s")),
        _ => None,
    }
}

/// Reads a reply to [`request`]: a threshold alone, or a result with its limits (layout from memory).
///
/// # Errors
/// [`ReplyError`] when it is no answer, a refusal, of another test or sensor, or has neither one nor three data bytes.
pub fn interpret(request: &[u8], reply: &[u8]) -> Result<OxygenResult, ReplyError> {
    let body = reply_body(request, reply)?;
    let (&[tid, sensor], Some(data)) = (body.first_chunk::<2>().unwrap_or(&[0, 0]), body.get(2..)) else {
        let problem = Problem::Short { what: "oxygen sensor test".into(), need: 4, have: reply.len() };
        return Err(ReplyError::malformed(request, reply, problem));
    };
    if request.get(1..3) != Some(&[tid, sensor]) {
        return Err(ReplyError::foreign(request, reply));
    }
    let (divide, unit) = scale(tid).unwrap_or((1.0, "1"));
    let physical = |raw: u8| f64::from(raw) / divide;
    let (value, limits) = match data {
        [value] => (*value, None),
        [value, min, max] => (*value, Some((physical(*min), physical(*max)))),
        _ => {
            let problem = Problem::Short { what: "oxygen sensor test".into(), need: 4, have: reply.len() };
            return Err(ReplyError::malformed(request, reply, problem));
        }
    };
    let is_known = scale(tid).is_some();
    Ok(OxygenResult {
        tid,
        sensor,
        value: is_known.then(|| physical(value)),
        limits: limits.filter(|_| is_known),
        unit,
        raw: data.into(),
    })
}
