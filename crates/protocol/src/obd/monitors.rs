//! Service 06: results of the car's own self-tests.

use super::scaling::Scaling;
use crate::{Decoded, Problem, ReplyError, reply_body};

/// One result on CAN.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct MonitorResult {
    /// Which monitor.
    pub mid: u8,
    /// Which of its tests.
    pub tid: u8,
    /// Unit-and-scaling id.
    pub scaling: u8,
    /// Result, raw.
    pub value: u16,
    /// Least passing value, raw.
    pub min: u16,
    /// Greatest passing value, raw.
    pub max: u16,
}

/// What a result says.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum TestVerdict {
    /// Within the limits.
    Passed,
    /// Outside the limits.
    Failed,
    /// Value and both limits are zero: not run since codes were cleared (from memory).
    NotRun,
}

/// TID of the misfire count averaged over the last ten drive cycles; never a rate.
pub const MISFIRE_AVERAGE: u8 = 0x0B;
/// TID of the misfire count of the current drive cycle (before the engine starts: of the last one).
pub const MISFIRE_COUNT: u8 = 0x0C;
/// Number of data bytes of one result after MID and TID.
pub const RESULT_BYTES: usize = 7;

/// Asks for the results of one monitor (CAN), or of one maker-defined test (other networks).
#[must_use]
pub fn request(id: u8) -> Vec<u8> {
    vec![0x06, id]
}

/// Reads a reply to [`request`] on CAN.
///
/// # Errors
/// [`ReplyError`] when it is no answer, a refusal, or of another monitor.
///
/// ```
/// use protocol::obd::monitors;
/// let reply = [0x46, 0xA2, 0x0C, 0x24, 0x00, 0x2B, 0x00, 0x00, 0xFF, 0xFF];
/// let results = monitors::interpret(&monitors::request(0xA2), &reply).unwrap().value;
/// assert_eq!((results[0].cylinder(), results[0].physical()), (Some(1), Some(43.0)));
/// ```
pub fn interpret(request: &[u8], reply: &[u8]) -> Result<Decoded<Vec<MonitorResult>>, ReplyError> {
    let body = reply_body(request, reply)?;
    let asked = request.get(1).copied();
    if body.first().copied() != asked {
        return Err(ReplyError::foreign(request, reply));
    }
    let (records, rest) = body.as_chunks::<9>();
    let mut out = Decoded { value: Vec::new(), problems: Vec::new() };
    for &[mid, tid, scaling, v0, v1, min0, min1, max0, max1] in records {
        let word = |high, low| u16::from_be_bytes([high, low]);
        let (value, min, max) = (word(v0, v1), word(min0, min1), word(max0, max1));
        if Some(mid) == asked {
            out.value.push(MonitorResult { mid, tid, scaling, value, min, max });
        } else {
            let rest = vec![mid, tid, scaling, v0, v1, min0, min1, max0, max1];
            out.problems.push(Problem::LeftOver { what: "result of another monitor".into(), rest: crate::Hex(rest) });
        }
    }
    if !rest.is_empty() {
        out.problems.push(Problem::Short { what: "monitor result".into(), need: 9, have: rest.len() });
    }
    if out.value.is_empty() {
        let problem = Problem::Short { what: "monitor result".into(), need: 9, have: body.len() };
        return Err(ReplyError::malformed(request, reply, problem));
    }
    Ok(out)
}

impl MonitorResult {
    /// The scaling, where the standard names one.
    #[must_use]
    pub fn scale(&self) -> Option<&'static Scaling> {
        Scaling::find(self.scaling)
    }

    /// The result in the scaling's unit.
    #[must_use]
    pub fn physical(&self) -> Option<f64> {
        self.scale().map(|scale| scale.value(self.value))
    }

    /// Least and greatest passing value in the scaling's unit.
    #[must_use]
    pub fn limits(&self) -> Option<(f64, f64)> {
        self.scale().map(|scale| (scale.value(self.min), scale.value(self.max)))
    }

    /// Whether the result lies within its limits, compared with the sign that the scaling id gives all three.
    #[must_use]
    pub fn verdict(&self) -> TestVerdict {
        if (self.value, self.min, self.max) == (0, 0, 0) {
            return TestVerdict::NotRun;
        }
        let raw = |bits| Scaling::raw(self.scaling, bits);
        if (raw(self.min)..=raw(self.max)).contains(&raw(self.value)) {
            TestVerdict::Passed
        } else {
            TestVerdict::Failed
        }
    }

    /// The cylinder whose misfires this monitor counts.
    #[must_use]
    pub fn cylinder(&self) -> Option<u8> {
        cylinder_of(self.mid)
    }
}

/// The cylinder, from 1, whose misfires a monitor counts: A2 is cylinder 1, AD cylinder 12.
#[must_use]
pub const fn cylinder_of(mid: u8) -> Option<u8> {
    match mid {
        0xA2..=0xAD => Some(mid - 0xA1),
        _ => None,
    }
}

/// The monitor that counts a cylinder's misfires.
#[must_use]
pub const fn misfire_monitor(cylinder: u8) -> Option<u8> {
    match cylinder {
        1..=12 => Some(0xA1 + cylinder),
        _ => None,
    }
}

/// What a monitor watches.
///
/// Source: SAE J1979 appendix D as a general-purpose packet library lists it; 31 from memory.
#[must_use]
pub fn monitor_title(mid: u8) -> Option<String> {
    let bank = |n: u8| n + 1;
    let sensor = |n: u8| format!("bank {} sensor {}", n / 4 + 1, n % 4 + 1);
    Some(match mid {
        0x01..=0x10 => format!("oxygen sensor, {}", sensor(mid - 0x01)),
        0x21..=0x24 => format!("catalyst, bank {}", bank(mid - 0x21)),
        0x31..=0x34 => format!("EGR, bank {}", bank(mid - 0x31)),
        0x35..=0x38 => format!("variable valve timing, bank {}", bank(mid - 0x35)),
        0x39 => "evaporative system, cap off or 0.150 inch leak".into(),
        0x3A => "evaporative system, 0.090 inch leak".into(),
        0x3B => "evaporative system, 0.040 inch leak".into(),
        0x3C => "evaporative system, 0.020 inch leak".into(),
        0x3D => "purge flow".into(),
        0x41..=0x50 => format!("oxygen sensor heater, {}", sensor(mid - 0x41)),
        0x61..=0x64 => format!("heated catalyst, bank {}", bank(mid - 0x61)),
        0x71..=0x74 => format!("secondary air, {}", bank(mid - 0x71)),
        0x81..=0x84 => format!("fuel system, bank {}", bank(mid - 0x81)),
        0x85 | 0x86 => format!("boost pressure control, bank {}", bank(mid - 0x85)),
        0x90 | 0x91 => format!("NOx adsorber, bank {}", bank(mid - 0x90)),
        0x98 | 0x99 => format!("NOx catalyst, bank {}", bank(mid - 0x98)),
        0xA1 => "misfire, all cylinders".into(),
        0xA2..=0xAD => format!("misfire, cylinder {}", mid - 0xA1),
        0xB0 | 0xB1 => format!("particulate filter, bank {}", bank(mid - 0xB0)),
        _ => return None,
    })
}

/// What a test measures. 80 to FE belong to the vehicle maker (from memory).
///
/// Source: as [`monitor_title`]; 0B and 0C from two makes' public pages.
#[must_use]
pub fn test_title(tid: u8) -> Option<&'static str> {
    Some(match tid {
        0x01 => "rich to lean threshold voltage",
        0x02 => "lean to rich threshold voltage",
        0x03 => "low voltage for switch time",
        0x04 => "high voltage for switch time",
        0x05 => "rich to lean switch time",
        0x06 => "lean to rich switch time",
        0x07 => "least voltage in the test",
        0x08 => "greatest voltage in the test",
        0x09 => "time between transitions",
        0x0A => "sensor period",
        0x0B => "misfires, average of the last ten drive cycles",
        0x0C => "misfires in this or the last drive cycle",
        0x80..=0xFE => "test defined by the vehicle maker",
        _ => return None,
    })
}

/// One result of a test on a network other than CAN, where tests and scalings are the maker's.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct PlainResult {
    /// The test.
    pub tid: u8,
    /// The component that was tested, 0 to 127.
    pub component: u8,
    /// The result.
    pub value: u16,
    /// Its limit.
    pub limit: u16,
    /// The limit is the least passing value, not the greatest.
    pub limit_is_minimum: bool,
}

impl PlainResult {
    /// Whether the result keeps its limit.
    #[must_use]
    pub const fn passed(&self) -> bool {
        if self.limit_is_minimum { self.value >= self.limit } else { self.value <= self.limit }
    }
}

/// Reads all messages of one module in reply to [`request`] on a network other than CAN: one result each.
///
/// Layout `46 TID component value value limit limit`, bit 7 of the component for a lower limit (SAE J1979, from memory).
///
/// # Errors
/// [`ReplyError`] when no message is an answer.
pub fn interpret_plain(request: &[u8], replies: &[&[u8]]) -> Result<Decoded<Vec<PlainResult>>, ReplyError> {
    super::each_message(request, replies, |reply, out: &mut Decoded<Vec<PlainResult>>| {
        match *reply_body(request, reply)? {
            [tid, ..] if Some(&tid) != request.get(1) => Err(ReplyError::foreign(request, reply)),
            [tid, component, v0, v1, l0, l1] => {
                out.value.push(PlainResult {
                    tid,
                    component: component & 0x7F,
                    value: u16::from_be_bytes([v0, v1]),
                    limit: u16::from_be_bytes([l0, l1]),
                    limit_is_minimum: component & 0x80 != 0,
                });
                Ok(())
            }
            _ => {
                let problem = Problem::Short { what: "test result".into(), need: 7, have: reply.len() };
                Err(ReplyError::malformed(request, reply, problem))
            }
        }
    })
}
