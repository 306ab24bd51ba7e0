//! The words that the PID tables are written in.

use crate::obd::pid::{Field, Kind, Length, Pid};
use crate::obd::readiness::Period;

/// Byte positions as the standard writes them.
pub(super) mod letters {
    pub(in crate::obd::pids) const A: usize = 0;
    pub(in crate::obd::pids) const B: usize = 1;
    pub(in crate::obd::pids) const C: usize = 2;
    pub(in crate::obd::pids) const D: usize = 3;
    pub(in crate::obd::pids) const E: usize = 4;
    pub(in crate::obd::pids) const F: usize = 5;
    pub(in crate::obd::pids) const G: usize = 6;
    pub(in crate::obd::pids) const H: usize = 7;
    pub(in crate::obd::pids) const I: usize = 8;
}

/// A row: number, data bytes, what it is, its values (none where the layout is not known to us).
pub(super) const fn pid(id: u8, n_bytes: usize, title: &'static str, fields: &'static [Field]) -> Pid {
    Pid { id, length: Length::Exactly(n_bytes), title, fields }
}

/// A row whose data grew with the editions of the standard: at least so many bytes.
pub(super) const fn growing(id: u8, n_bytes: usize, title: &'static str, fields: &'static [Field]) -> Pid {
    Pid { id, length: Length::AtLeast(n_bytes), title, fields }
}

const fn field(name: &'static str, byte: usize, n_bytes: usize, unit: &'static str, kind: Kind) -> Field {
    Field { name, byte, n_bytes, kind, unit, if_bit: None, unused: None }
}

const fn number(name: &'static str, byte: usize, n_bytes: usize, unit: &'static str) -> Field {
    let kind = Kind::Number { signed: false, multiply: 1.0, divide: 1.0, offset: 0.0 };
    field(name, byte, n_bytes, unit, kind)
}

/// One byte, as it is.
pub(super) const fn byte(name: &'static str, at: usize, unit: &'static str) -> Field {
    number(name, at, 1, unit)
}

/// Two bytes, high byte first, as they are.
pub(super) const fn word(name: &'static str, at: usize, unit: &'static str) -> Field {
    number(name, at, 2, unit)
}

/// Four bytes, high byte first, as they are.
pub(super) const fn long(name: &'static str, at: usize, unit: &'static str) -> Field {
    number(name, at, 4, unit)
}

/// One byte, 0 to 255 for 0 to 100 %.
pub(super) const fn percent(name: &'static str, at: usize) -> Field {
    byte(name, at, "%").times(100.0).over(255.0)
}

/// One byte, -100 % to +99.2 % around 128.
pub(super) const fn trim(name: &'static str, at: usize) -> Field {
    byte(name, at, "%").times(100.0).over(128.0).plus(-100.0)
}

/// One byte, -40 to 215 degC.
pub(super) const fn celsius(name: &'static str, at: usize) -> Field {
    byte(name, at, "degC").plus(-40.0)
}

/// Two bytes, tenths of a degree from -40 degC.
pub(super) const fn celsius_wide(name: &'static str, at: usize) -> Field {
    word(name, at, "degC").over(10.0).plus(-40.0)
}

/// Two bytes, 0 to just below 2.
pub(super) const fn lambda(name: &'static str, at: usize) -> Field {
    word(name, at, "1").times(2.0).over(65536.0)
}

/// One byte, percent torque from -125 %.
pub(super) const fn torque(name: &'static str, at: usize) -> Field {
    byte(name, at, "%").plus(-125.0)
}

/// One bit.
pub(super) const fn switch(name: &'static str, at: usize, bit: u8) -> Field {
    field(name, at, 1, "1", Kind::Switch { bit })
}

/// One byte that picks a text.
pub(super) const fn choice(name: &'static str, at: usize, texts: &'static [(u8, &'static str)]) -> Field {
    field(name, at, 1, "1", Kind::Choice(texts))
}

/// One byte with a text per bit.
pub(super) const fn flags(name: &'static str, at: usize, texts: &'static [(u8, &'static str)]) -> Field {
    field(name, at, 1, "1", Kind::Flags(texts))
}

/// Two bytes: a trouble code.
pub(super) const fn code(name: &'static str) -> Field {
    field(name, 0, 2, "1", Kind::Code)
}

/// Four bytes: monitor status.
pub(super) const fn readiness(name: &'static str, period: Period) -> Field {
    field(name, 0, 4, "1", Kind::Readiness(period))
}

/// The row of a support bitmap.
pub(super) const fn bitmap(id: u8) -> Pid {
    const FIELDS: &[Field] = &[field("supported", 0, 4, "1", Kind::Support)];
    pid(id, 4, "what exists in the next 32 PIDs", FIELDS)
}

/// Values behind the support bits of byte A: the first is there when bit 0 is set, the second when bit 1 is, and so on.
pub(super) const fn behind_bits<const N: usize>(mut fields: [Field; N]) -> [Field; N] {
    let mut idx = 0;
    while idx < N {
        #[allow(clippy::indexing_slicing, reason = "evaluated by the compiler, and within the array")]
        {
            fields[idx] = fields[idx].if_bit(idx as u8);
        }
        idx += 1;
    }
    fields
}

impl Field {
    const fn scaled(self, times: f64, over: f64, plus: f64, is_signed: bool) -> Self {
        match self.kind {
            Kind::Number { signed, multiply, divide, offset } => Self {
                kind: Kind::Number {
                    signed: signed || is_signed,
                    multiply: multiply * times,
                    divide: divide * over,
                    offset: offset + plus,
                },
                ..self
            },
            _ => self,
        }
    }

    /// Multiplies the raw value.
    pub(super) const fn times(self, factor: f64) -> Self {
        self.scaled(factor, 1.0, 0.0, false)
    }

    /// Divides the raw value.
    pub(super) const fn over(self, divisor: f64) -> Self {
        self.scaled(1.0, divisor, 0.0, false)
    }

    /// Adds an offset after the scaling.
    pub(super) const fn plus(self, offset: f64) -> Self {
        self.scaled(1.0, 1.0, offset, false)
    }

    /// Two's complement.
    pub(super) const fn signed(self) -> Self {
        self.scaled(1.0, 1.0, 0.0, true)
    }

    /// Only there when this bit of byte A is set.
    pub(super) const fn if_bit(self, bit: u8) -> Self {
        Self { if_bit: Some(bit), ..self }
    }

    /// Not there when the raw value is this one.
    pub(super) const fn unless(self, raw: u32) -> Self {
        Self { unused: Some(raw), ..self }
    }
}
