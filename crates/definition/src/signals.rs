//! One definition: a request, and how to read a signal from its answer.

use protocol::Address;
use protocol::obd::{self, Field, OxygenLayout, Pid, Scaling};
use signal::{SignalId, Unit};

use crate::coded::Coded;

/// What has to be read for a signal. Signals with the same read and module come in one answer.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Read {
    /// Service 01, one PID.
    Pid(u8),
    /// Service 06 on CAN, one result of a monitor.
    MonitorResult {
        /// The monitor.
        mid: u8,
        /// Its test.
        tid: u8,
    },
    /// Service 22, one data identifier.
    Did(u16),
    /// Service 21 of ISO 14230-3, one local identifier.
    Local(u8),
}

impl Read {
    /// The request for this read alone.
    ///
    /// Several PIDs may share a request, see [`obd::current::request`]; so may several identifiers.
    #[must_use]
    pub fn request(self) -> Vec<u8> {
        match self {
            Self::Pid(pid) => obd::current::request(&[pid]),
            Self::MonitorResult { mid, .. } => obd::monitors::request(mid),
            Self::Did(did) => protocol::uds_read::identifiers::request(&[did]),
            Self::Local(id) => protocol::kwp::local_data::request(id),
        }
    }
}

/// A signal, where it comes from and how to read it.
#[derive(Debug, Clone)]
pub struct SignalDefinition {
    /// The signal.
    pub id: SignalId,
    /// Unit of its values.
    pub unit: Unit,
    /// What it is, in a few words.
    pub title: String,
    /// The module that has it; `None`: whichever module supports the read.
    pub module: Option<Address>,
    /// What to read.
    pub read: Read,
    /// Number of data bytes of the read's answer where it never varies; only then may the read share a request.
    pub n_bytes: Option<usize>,
    /// The placement of oxygen sensors under which the id is right; `None`: any.
    pub oxygen_layout: Option<OxygenLayout>,
    /// Least and greatest value that can be true, in `unit`, where that is known.
    pub limits: Option<(f64, f64)>,
    pub(crate) decode: Decode,
}

/// How a value is read from the data.
#[derive(Debug, Clone)]
pub(crate) enum Decode {
    /// A value of the PID table.
    Field { pid: u8, field: &'static Field },
    /// The result of a self-test: scaling id, then the raw value.
    MonitorResult,
    /// A maker's own value.
    Coded(Coded),
}

fn is_rounding(value: f64, min: f64, max: f64) -> bool {
    let near = |limit: f64| (value - limit).abs() <= 1e-9 * limit.abs().max(1.0);
    near(min) || near(max)
}

/// Why data holds no value of a signal.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum ValueError {
    /// The module says that it does not have or does not use the value at present.
    #[error("the module marks `{0}` as not there")]
    NotThere(SignalId),
    /// The data ends before the value does.
    #[error("`{id}` is not within the {have} data bytes that came")]
    Short {
        /// The signal.
        id: SignalId,
        /// Bytes that came.
        have: usize,
    },
    /// A monitor result in a unit that is not the signal's.
    #[error("`{id}` came with unit-and-scaling id {scaling:02X}, which does not give `{unit}`")]
    Scaling {
        /// The signal.
        id: SignalId,
        /// The id that came.
        scaling: u8,
        /// The signal's unit.
        unit: Unit,
    },
    /// A value that cannot be true.
    #[error("`{id}` cannot be {value} {unit}: the limits are {min} and {max}")]
    Implausible {
        /// The signal.
        id: SignalId,
        /// The value.
        value: f64,
        /// The signal's unit.
        unit: Unit,
        /// Least value that can be true.
        min: f64,
        /// Greatest value that can be true.
        max: f64,
    },
}

impl SignalDefinition {
    /// The value in the data bytes of one answer, without service, PID, identifier or MID and TID.
    ///
    /// # Errors
    /// [`ValueError`] when the value is not there, cut off, or cannot be true.
    ///
    /// ```
    /// use definition::Definitions;
    /// let standard = Definitions::standard();
    /// let speed = standard.iter().find(|signal| signal.id.as_str() == "engine.speed").unwrap();
    /// assert_eq!(speed.value(&[0x1A, 0xF8]), Ok(1726.0));
    /// ```
    pub fn value(&self, data: &[u8]) -> Result<f64, ValueError> {
        let id = || self.id.clone();
        let short = || ValueError::Short { id: id(), have: data.len() };
        let value = match &self.decode {
            Decode::Field { pid, field } => match field.content(data, *pid).and_then(|content| content.number()) {
                Some(value) => value,
                None if data.len() < field.byte + field.n_bytes => return Err(short()),
                None => return Err(ValueError::NotThere(id())),
            },
            Decode::MonitorResult => {
                let Some(&[scaling, high, low]) = data.first_chunk() else { return Err(short()) };
                let scale = Scaling::find(scaling).filter(|scale| Unit::named(scale.unit) == self.unit);
                let Some(scale) = scale else {
                    return Err(ValueError::Scaling { id: id(), scaling, unit: self.unit.clone() });
                };
                scale.value(u16::from_be_bytes([high, low]))
            }
            Decode::Coded(coded) => {
                if data.len() < coded.bits.end() {
                    return Err(short());
                }
                let raw = coded.bits.raw(data).ok_or_else(|| ValueError::NotThere(id()))?;
                coded.physical_from_raw(raw).ok_or_else(|| ValueError::NotThere(id()))?
            }
        };
        match self.limits {
            // Room for the rounding of the quotient, no more.
            Some((min, max)) if !(min..=max).contains(&value) && !is_rounding(value, min, max) => {
                Err(ValueError::Implausible { id: id(), value, unit: self.unit.clone(), min, max })
            }
            _ => Ok(value),
        }
    }

    /// The text of a value that stands for a state, where the definition has one.
    #[must_use]
    pub fn text(&self, data: &[u8]) -> Option<&str> {
        match &self.decode {
            Decode::Field { pid, field } => match field.content(data, *pid)? {
                obd::Content::Choice { text, .. } => text,
                obd::Content::Switch(on) => Some(if on { "on" } else { "off" }),
                _ => None,
            },
            Decode::MonitorResult => None,
            Decode::Coded(coded) => coded.text(data),
        }
    }

    pub(crate) fn of_field(pid: &Pid, field: &'static Field, id: SignalId, title: String) -> Self {
        let known = signal::Catalogue::standard().get(&id);
        Self {
            unit: Unit::named(field.unit),
            title: known.map_or(title, |known| known.title.clone()),
            limits: known.map(|known| (known.min, known.max)),
            id,
            module: None,
            read: Read::Pid(pid.id),
            n_bytes: pid.fixed_length(),
            oxygen_layout: None,
            decode: Decode::Field { pid: pid.id, field },
        }
    }
}
