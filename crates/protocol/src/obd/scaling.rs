//! Unit-and-scaling ids of service 06: what the 16 bits of a monitor result mean.

/// How a result's 16 bits become a value: `raw * multiply / divide + offset`, two's complement from id 80 on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Scaling {
    /// The id.
    pub id: u8,
    /// Factor.
    pub multiply: f64,
    /// Divisor.
    pub divide: f64,
    /// Added last.
    pub offset: f64,
    /// Symbol of the unit; `1` for plain numbers, `true/false` for a truth value.
    pub unit: &'static str,
}

const fn per(id: u8, multiply: f64, divide: f64, unit: &'static str) -> Scaling {
    Scaling { id, multiply, divide, offset: 0.0, unit }
}

const fn from(id: u8, multiply: f64, divide: f64, offset: f64, unit: &'static str) -> Scaling {
    Scaling { id, multiply, divide, offset, unit }
}

/// Source: SAE J1979 appendix E as the tables of a general-purpose packet library give it.
const TABLE: &[Scaling] = &[
    per(0x01, 1.0, 1.0, "1"),
    per(0x02, 1.0, 10.0, "1"),
    per(0x03, 1.0, 100.0, "1"),
    per(0x04, 1.0, 1000.0, "1"),
    per(0x05, 305.0, 1e7, "1"),
    per(0x06, 305.0, 1e6, "1"),
    per(0x07, 1.0, 4.0, "rpm"),
    per(0x08, 1.0, 100.0, "km/h"),
    per(0x09, 1.0, 1.0, "km/h"),
    per(0x0A, 122.0, 1000.0, "mV"),
    per(0x0B, 1.0, 1000.0, "V"),
    per(0x0C, 1.0, 100.0, "V"),
    per(0x0D, 1.0, 256.0, "mA"),
    per(0x0E, 1.0, 1000.0, "A"),
    per(0x0F, 1.0, 100.0, "A"),
    per(0x10, 1.0, 1.0, "ms"),
    per(0x11, 100.0, 1.0, "ms"),
    per(0x12, 1.0, 1.0, "s"),
    per(0x13, 1.0, 1.0, "mOhm"),
    per(0x14, 1.0, 1.0, "Ohm"),
    per(0x15, 1.0, 1.0, "kOhm"),
    from(0x16, 1.0, 10.0, -40.0, "degC"),
    per(0x17, 1.0, 100.0, "kPa"),
    per(0x18, 117.0, 1e4, "kPa"),
    per(0x19, 79.0, 1000.0, "kPa"),
    per(0x1A, 1.0, 1.0, "kPa"),
    per(0x1B, 10.0, 1.0, "kPa"),
    per(0x1C, 1.0, 100.0, "deg"),
    per(0x1D, 1.0, 2.0, "deg"),
    per(0x1E, 305.0, 1e7, "lambda"),
    per(0x1F, 1.0, 20.0, "A/F"),
    per(0x20, 1.0, 256.0, "ratio"),
    per(0x21, 1.0, 1.0, "mHz"),
    per(0x22, 1.0, 1.0, "Hz"),
    per(0x23, 1.0, 1.0, "kHz"),
    per(0x24, 1.0, 1.0, "count"),
    per(0x25, 1.0, 1.0, "km"),
    per(0x26, 1.0, 10.0, "mV/ms"),
    per(0x27, 1.0, 100.0, "g/s"),
    per(0x28, 1.0, 1.0, "g/s"),
    per(0x29, 1.0, 4.0, "Pa/s"),
    per(0x2A, 1.0, 1000.0, "kg/h"),
    per(0x2B, 1.0, 1.0, "switches"),
    per(0x2C, 1.0, 100.0, "g/cyl"),
    per(0x2D, 1.0, 100.0, "mg/stroke"),
    per(0x2E, 1.0, 1.0, "true/false"),
    per(0x2F, 1.0, 100.0, "%"),
    per(0x30, 1526.0, 1e6, "%"),
    per(0x31, 1.0, 1000.0, "L"),
    per(0x32, 305.0, 1e7, "inch"),
    per(0x33, 24414.0, 1e8, "lambda"),
    per(0x34, 1.0, 1.0, "min"),
    per(0x35, 10.0, 1.0, "ms"),
    per(0x36, 1.0, 100.0, "g"),
    per(0x37, 1.0, 10.0, "g"),
    per(0x38, 1.0, 1.0, "g"),
    from(0x39, 1.0, 100.0, -327.68, "%"),
    per(0x81, 1.0, 1.0, "1"),
    per(0x82, 1.0, 10.0, "1"),
    per(0x83, 1.0, 100.0, "1"),
    per(0x84, 1.0, 1000.0, "1"),
    per(0x85, 305.0, 1e7, "1"),
    per(0x86, 305.0, 1e6, "1"),
    per(0x8A, 122.0, 1000.0, "mV"),
    per(0x8B, 1.0, 1000.0, "V"),
    per(0x8C, 1.0, 100.0, "V"),
    per(0x8D, 1.0, 256.0, "mA"),
    per(0x8E, 1.0, 1000.0, "A"),
    per(0x90, 1.0, 1.0, "ms"),
    per(0x96, 1.0, 10.0, "degC"),
    per(0x9C, 1.0, 100.0, "deg"),
    per(0x9D, 1.0, 2.0, "deg"),
    per(0xA8, 1.0, 1.0, "g/s"),
    per(0xA9, 1.0, 4.0, "Pa/s"),
    per(0xAF, 1.0, 100.0, "%"),
    per(0xB0, 3052.0, 1e6, "%"),
    per(0xB1, 2.0, 1.0, "mV/s"),
    per(0xFD, 1.0, 1000.0, "kPa"),
    per(0xFE, 1.0, 4.0, "Pa"),
];

impl Scaling {
    /// The scaling with this id.
    #[must_use]
    pub fn find(id: u8) -> Option<&'static Self> {
        TABLE.iter().find(|scaling| scaling.id == id)
    }

    /// Every scaling by rising id.
    pub fn all() -> impl Iterator<Item = &'static Self> {
        TABLE.iter()
    }

    /// The raw 16 bits as a whole number: signed from id 80 on, also for ids that are in no table.
    #[must_use]
    pub fn raw(id: u8, bits: u16) -> i32 {
        if id >= 0x80 { i32::from(bits.cast_signed()) } else { i32::from(bits) }
    }

    /// The value of the raw 16 bits, in the scaling's unit.
    ///
    /// ```
    /// use protocol::obd::Scaling;
    /// assert_eq!(Scaling::find(0x8C).unwrap().value(0xFFFF), -0.01);
    /// assert_eq!(Scaling::find(0x16).unwrap().value(0), -40.0);
    /// ```
    #[must_use]
    pub fn value(&self, bits: u16) -> f64 {
        f64::from(Self::raw(self.id, bits)) * self.multiply / self.divide + self.offset
    }
}
