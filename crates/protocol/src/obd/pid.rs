//! How a PID's data bytes become values: the vocabulary in which the tables of [`super::pids`] are written.

use super::pids;
use super::readiness::{Period, Readiness};
use super::support::numbers_in;
use crate::{Code, Decoded, Hex, Problem};

/// One parameter identifier: its length and the values in it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pid {
    /// The identifier.
    pub id: u8,
    /// Number of data bytes.
    pub length: Length,
    /// What it is, in a few words.
    pub title: &'static str,
    /// Its values; empty where the layout is not known to us.
    pub fields: &'static [Field],
}

/// Number of data bytes of a PID.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Length {
    /// Always this many.
    Exactly(usize),
    /// Grew with the editions of the standard: at least this many. Such a PID is asked alone.
    AtLeast(usize),
}

/// One value in the data of a PID.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Field {
    /// Name, unique in the whole table: lower-case words joined by `_`.
    pub name: &'static str,
    /// First byte, 0 = A.
    pub byte: usize,
    /// How many bytes, big-endian.
    pub n_bytes: usize,
    /// What they mean.
    pub kind: Kind,
    /// Symbol of the unit; `1` for plain numbers.
    pub unit: &'static str,
    /// Bit of byte A that must be set for the value to be there.
    pub if_bit: Option<u8>,
    /// Raw value that means "not used".
    pub unused: Option<u32>,
}

/// What the bytes of a field mean.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Kind {
    /// `raw * multiply / divide + offset`.
    Number {
        /// Two's complement.
        signed: bool,
        /// Factor.
        multiply: f64,
        /// Divisor.
        divide: f64,
        /// Added last.
        offset: f64,
    },
    /// One bit: off or on.
    Switch {
        /// The bit, 0 = least significant.
        bit: u8,
    },
    /// One of several texts.
    Choice(&'static [(u8, &'static str)]),
    /// Any of several texts, one per bit.
    Flags(&'static [(u8, &'static str)]),
    /// A two-byte trouble code, 0000 for none.
    Code,
    /// Monitor status (PID 01 and 41).
    Readiness(Period),
    /// A bitmap of what exists in the 32 numbers above this PID.
    Support,
}

/// A value that was read.
#[derive(Debug, Clone, PartialEq)]
pub struct Value {
    /// The field's name.
    pub name: &'static str,
    /// The value.
    pub content: Content,
    /// Symbol of the unit.
    pub unit: &'static str,
}

/// What a value can be.
#[derive(Debug, Clone, PartialEq)]
pub enum Content {
    /// A number in the value's unit.
    Number(f64),
    /// Off or on.
    Switch(bool),
    /// One of several.
    Choice {
        /// The byte.
        raw: u8,
        /// Its meaning, where the standard gives one.
        text: Option<&'static str>,
    },
    /// All that are set.
    Flags(Vec<&'static str>),
    /// A trouble code or none.
    Code(Option<Code>),
    /// Monitor status.
    Readiness(Readiness),
    /// Numbers that exist.
    Numbers(Vec<u8>),
    /// Bytes whose layout is not known to us.
    Bytes(Hex),
}

impl Content {
    /// The value as a number that can be recorded: switches are 0 or 1, choices their raw byte.
    #[must_use]
    pub fn number(&self) -> Option<f64> {
        match self {
            Self::Number(number) => Some(*number),
            Self::Switch(on) => Some(f64::from(u8::from(*on))),
            Self::Choice { raw, .. } => Some(f64::from(*raw)),
            _ => None,
        }
    }
}

impl Pid {
    /// The table's row for a PID.
    #[must_use]
    pub fn find(id: u8) -> Option<&'static Self> {
        pids::all().find(|pid| pid.id == id)
    }

    /// Every row of the table, by rising PID.
    pub fn all() -> impl Iterator<Item = &'static Self> {
        pids::all()
    }

    /// Number of data bytes if it never varies: only such a PID may share a request with others.
    #[must_use]
    pub fn fixed_length(&self) -> Option<usize> {
        match self.length {
            Length::Exactly(n) => Some(n),
            Length::AtLeast(_) => None,
        }
    }

    /// Number of data bytes that every edition of the standard has.
    #[must_use]
    pub const fn least_length(&self) -> usize {
        match self.length {
            Length::Exactly(n) | Length::AtLeast(n) => n,
        }
    }

    /// The field of that name.
    #[must_use]
    pub fn field(&self, name: &str) -> Option<&'static Field> {
        self.fields.iter().find(|field| field.name == name)
    }

    /// What a value of this PID is, in a few words: the PID's title where it has no other, else the value's name spelled out.
    ///
    /// ```
    /// let pid = protocol::obd::Pid::find(0x6B).unwrap();
    /// assert_eq!(pid.title_of("egr_temperature_bank_1_sensor_2"), "EGR temperature, bank 1 sensor 2");
    /// ```
    #[must_use]
    pub fn title_of(&self, name: &str) -> String {
        match self.fields {
            [] | [_] => self.title.to_owned(),
            _ => spelled_out(name),
        }
    }

    /// All values in the data bytes (after the PID echo).
    ///
    /// Values that the support bits of byte A rule out are left out. Bytes that no field explains come as
    /// [`Content::Bytes`]; too few or too many bytes are reported beside the values that can be read.
    #[must_use]
    pub fn values(&self, data: &[u8]) -> Decoded<Vec<Value>> {
        let mut out = Decoded { value: Vec::new(), problems: Vec::new() };
        let need = self.least_length();
        if data.len() < need {
            let what = format!("PID {:02X}", self.id);
            out.problems.push(Problem::Short { what, need, have: data.len() });
        }
        for field in self.fields {
            if let Some(content) = field.content(data, self.id) {
                out.value.push(Value { name: field.name, content, unit: field.unit });
            }
        }
        let explained = if self.fields.is_empty() { 0 } else { need };
        let rest = data.get(explained..).unwrap_or_default();
        if explained == 0 || (self.fixed_length().is_none() && !rest.is_empty()) {
            out.value.push(Value { name: "bytes", content: Content::Bytes(rest.into()), unit: "1" });
        } else if !rest.is_empty() {
            let what = format!("PID {:02X}", self.id);
            out.problems.push(Problem::LeftOver { what, rest: rest.into() });
        }
        out
    }
}

/// All values of a PID, also of one that the table does not know.
#[must_use]
pub fn values(pid: u8, data: &[u8]) -> Decoded<Vec<Value>> {
    match Pid::find(pid) {
        Some(pid) => pid.values(data),
        None => Decoded {
            value: vec![Value { name: "bytes", content: Content::Bytes(data.into()), unit: "1" }],
            problems: Vec::new(),
        },
    }
}

/// A value's name as words.
fn spelled_out(name: &str) -> String {
    let mut title = String::new();
    for word in name.split('_') {
        title += match word {
            _ if title.is_empty() => "",
            "bank" => ", ",
            _ => " ",
        };
        match word {
            "egr" => title += "EGR",
            "nox" => title += "NOx",
            _ if word.len() == 1 => title += &word.to_uppercase(),
            _ => title += word,
        }
    }
    title
}

impl Field {
    /// Whether the value is a number, a switch or a choice and can be recorded over time.
    #[must_use]
    pub const fn is_recordable(&self) -> bool {
        matches!(self.kind, Kind::Number { .. } | Kind::Switch { .. } | Kind::Choice(_))
    }

    /// Whether byte A says that the value is there.
    #[must_use]
    pub fn is_offered(&self, data: &[u8]) -> bool {
        match (self.if_bit, data.first()) {
            (None, _) => true,
            (Some(bit), Some(a)) => a >> bit & 1 == 1,
            (Some(_), None) => false,
        }
    }

    /// The value in the data bytes of PID `pid`; `None` when it is not offered, not used, or cut off.
    #[must_use]
    pub fn content(&self, data: &[u8], pid: u8) -> Option<Content> {
        if !self.is_offered(data) {
            return None;
        }
        let bytes = data.get(self.byte..self.byte.checked_add(self.n_bytes)?)?;
        let raw = bytes.iter().fold(0u32, |raw, byte| raw << 8 | u32::from(*byte));
        if self.unused == Some(raw) {
            return None;
        }
        let low = (raw & 0xFF) as u8;
        Some(match self.kind {
            Kind::Number { signed, multiply, divide, offset } => {
                let unused_bits = 32 - 8 * self.n_bytes.clamp(1, 4) as u32;
                let number =
                    if signed { f64::from((raw << unused_bits).cast_signed() >> unused_bits) } else { f64::from(raw) };
                Content::Number(number * multiply / divide + offset)
            }
            Kind::Switch { bit } => Content::Switch(raw.checked_shr(u32::from(bit)).unwrap_or(0) & 1 == 1),
            Kind::Choice(texts) => {
                Content::Choice { raw: low, text: texts.iter().find(|(value, _)| *value == low).map(|(_, text)| *text) }
            }
            Kind::Flags(texts) => Content::Flags(
                texts
                    .iter()
                    .filter(|(bit, _)| low.checked_shr(u32::from(*bit)).unwrap_or(0) & 1 == 1)
                    .map(|(_, t)| *t)
                    .collect(),
            ),
            Kind::Code => match u16::try_from(raw) {
                Ok(0) | Err(_) => Content::Code(None),
                Ok(number) => Content::Code(Some(Code { number, failure_type: None })),
            },
            Kind::Readiness(period) => Content::Readiness(Readiness::from_bytes(raw.to_be_bytes(), period)),
            Kind::Support => Content::Numbers(numbers_in(pid, raw.to_be_bytes()).collect()),
        })
    }
}
