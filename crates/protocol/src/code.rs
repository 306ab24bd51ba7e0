//! Trouble codes: two or three bytes, their printed form, and what their structure alone tells.

mod failure_type;
mod status;

use std::fmt;

pub use failure_type::failure_type_text;
pub use status::CodeStatus;

/// A trouble code: two bytes (ISO 15031-6 / SAE J2012), or three with a failure type byte (ISO 14229-1, SAE J2012-DA).
///
/// ```
/// use protocol::Code;
/// assert_eq!(Code::from_bytes([0x03, 0x01]).to_string(), "P0301");
/// assert_eq!(Code::from_bytes3([0x03, 0x01, 0x1A]).to_string(), "P0301-1A");
/// assert_eq!("U0100-87".parse(), Ok(Code::from_bytes3([0xC1, 0x00, 0x87])));
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Code {
    /// The two bytes that every code has.
    pub number: u16,
    /// The failure type byte, where the module gives one.
    pub failure_type: Option<u8>,
}

/// Why a text is not a code.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("a trouble code looks like P0301 or P0301-1A: `{0}`")]
pub struct CodeError(pub String);

/// Part of the car, the first letter of a code.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum System {
    /// `P`.
    Powertrain,
    /// `C`.
    Chassis,
    /// `B`.
    Body,
    /// `U`.
    Network,
}

/// Who gave a code its meaning.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Definer {
    /// ISO and SAE: the same meaning on every car.
    Standard,
    /// The vehicle maker.
    Maker,
    /// Nobody yet.
    Reserved,
}

impl Code {
    /// A code from the two bytes of an OBD reply.
    #[must_use]
    pub const fn from_bytes(bytes: [u8; 2]) -> Self {
        Self { number: u16::from_be_bytes(bytes), failure_type: None }
    }

    /// A code from the three bytes of a UDS reply.
    #[must_use]
    pub const fn from_bytes3([high, low, failure_type]: [u8; 3]) -> Self {
        Self { number: u16::from_be_bytes([high, low]), failure_type: Some(failure_type) }
    }

    /// The bytes that say this code: two, or three with a failure type.
    #[must_use]
    pub fn to_bytes(self) -> Vec<u8> {
        let mut bytes = self.number.to_be_bytes().to_vec();
        bytes.extend(self.failure_type);
        bytes
    }

    /// The code without its failure type, as code lists are keyed.
    #[must_use]
    pub const fn without_failure_type(self) -> Self {
        Self { number: self.number, failure_type: None }
    }

    /// Part of the car, by the first letter.
    #[must_use]
    pub const fn system(self) -> System {
        match self.number >> 14 {
            0 => System::Powertrain,
            1 => System::Chassis,
            2 => System::Body,
            _ => System::Network,
        }
    }

    /// Who defines the code.
    ///
    /// Source: SAE J2012 (from memory; the groups B0-B3, C0, C1 are seen in its contents list).
    #[must_use]
    pub const fn definer(self) -> Definer {
        match (self.system(), (self.number >> 12) & 3) {
            (_, 0) | (System::Powertrain, 2) | (System::Network, 3) => Definer::Standard,
            (System::Powertrain, 3) if self.number & 0xFFF >= 0x400 => Definer::Standard,
            (System::Body | System::Chassis, 3) => Definer::Reserved,
            _ => Definer::Maker,
        }
    }

    /// The subsystem that the third character of a standard powertrain code names.
    ///
    /// `None` for other systems and for codes whose maker defines them.
    /// Source: SAE J2012 as a public page on decoding gives it; 1 to 9 and A from memory.
    #[must_use]
    pub const fn subsystem(self) -> Option<&'static str> {
        if !matches!(self.system(), System::Powertrain) || !matches!((self.number >> 12) & 3, 0 | 2) {
            return None;
        }
        let is_second = (self.number >> 12) & 3 == 2;
        Some(match (self.number >> 8) & 0xF {
            0..=2 => "fuel and air metering",
            // P2Axx goes on with the oxygen sensors; P0Axx is the hybrid drive.
            0xA if is_second => "fuel and air metering",
            3 => "ignition and misfire",
            4 => "auxiliary emission controls",
            5 => "vehicle speed, idle control and auxiliary inputs",
            6 => "control module and outputs",
            7..=9 => "transmission",
            0xA..=0xC if !is_second => "hybrid drive",
            _ => return None,
        })
    }

    /// What the structure alone says, for a code that no list knows.
    ///
    /// ```
    /// use protocol::Code;
    /// let code: Code = "P1345-12".parse().unwrap();
    /// assert_eq!(code.structure(), "powertrain, defined by the vehicle maker; failure type 12: short to battery");
    /// ```
    #[must_use]
    pub fn structure(self) -> String {
        let mut text = format!("{}, {}", self.system(), self.definer());
        if let Some(subsystem) = self.subsystem() {
            text = format!("{text}, {subsystem}");
        }
        if let Some(failure_type) = self.failure_type {
            text = format!("{text}; failure type {failure_type:02X}: {}", failure_type_text(failure_type));
        }
        text
    }
}

impl fmt::Display for System {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(match self {
            Self::Powertrain => "powertrain",
            Self::Chassis => "chassis",
            Self::Body => "body",
            Self::Network => "network",
        })
    }
}

impl fmt::Display for Definer {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(match self {
            Self::Standard => "defined by ISO and SAE",
            Self::Maker => "defined by the vehicle maker",
            Self::Reserved => "reserved",
        })
    }
}

/// `P0301` or `P0301-1A`.
impl fmt::Display for Code {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let letter = match self.system() {
            System::Powertrain => 'P',
            System::Chassis => 'C',
            System::Body => 'B',
            System::Network => 'U',
        };
        let text = format!("{letter}{:04X}", self.number & 0x3FFF);
        match self.failure_type {
            Some(failure_type) => f.pad(&format!("{text}-{failure_type:02X}")),
            None => f.pad(&text),
        }
    }
}

impl std::str::FromStr for Code {
    type Err = CodeError;

    /// Reads either printed form; lower case is accepted.
    fn from_str(text: &str) -> Result<Self, CodeError> {
        let wrong = || CodeError(text.escape_debug().to_string());
        let (base, failure_type) = match text.split_once('-') {
            Some((base, suffix)) => (base, Some(suffix)),
            None => (text, None),
        };
        let hex = |digits: &str, n: usize| {
            let honest = digits.len() == n && digits.bytes().all(|byte| byte.is_ascii_hexdigit());
            if honest { u16::from_str_radix(digits, 16).ok() } else { None }
        };
        let mut characters = base.chars();
        let system = match characters.next().map(|c| c.to_ascii_uppercase()) {
            Some('P') => 0,
            Some('C') => 1,
            Some('B') => 2,
            Some('U') => 3,
            _ => return Err(wrong()),
        };
        let digits = hex(characters.as_str(), 4).filter(|digits| *digits <= 0x3FFF).ok_or_else(wrong)?;
        let failure_type = match failure_type {
            None => None,
            Some(suffix) => Some(hex(suffix, 2).and_then(|byte| u8::try_from(byte).ok()).ok_or_else(wrong)?),
        };
        Ok(Self { number: system << 14 | digits, failure_type })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn worked_codes_both_ways() {
        // ISO 15031-6 field layout; the bytes are those of the handbook table of two-byte codes.
        for (bytes, text) in [
            ([0x01, 0x43], "P0143"),
            ([0x03, 0x01], "P0301"),
            ([0x21, 0x35], "P2135"),
            ([0x40, 0x35], "C0035"),
            ([0xC1, 0x00], "U0100"),
            ([0x96, 0x00], "B1600"),
            ([0x06, 0x45], "P0645"),
            ([0x01, 0x71], "P0171"),
            ([0x04, 0x20], "P0420"),
        ] {
            let code = Code::from_bytes(bytes);
            assert_eq!(code.to_string(), text);
            assert_eq!(text.parse(), Ok(code));
            assert_eq!(code.to_bytes(), bytes);
        }
        assert_eq!(Code::from_bytes3([0x03, 0x01, 0x00]).to_string(), "P0301-00");
        assert_eq!(Code::from_bytes3([0xC1, 0x00, 0x87]).to_string(), "U0100-87");
        assert_eq!("p0a0f-1a".parse(), Ok(Code::from_bytes3([0x0A, 0x0F, 0x1A])));
    }

    #[test]
    fn what_is_no_code_is_refused() {
        for text in
            ["", "P", "P030", "P03011", "P4000", "X0301", "P0301-", "P0301-1", "P0301-1AA", "P+301", "Pé01", "P030é"]
        {
            assert_eq!(text.parse::<Code>(), Err(CodeError(text.to_owned())), "{text}");
        }
    }

    #[test]
    fn the_structure_is_told_from_both_edges_of_each_group() {
        // SAE J2012 groups (from memory).
        for (text, definer, subsystem) in [
            ("P0001", Definer::Standard, Some("fuel and air metering")),
            ("P0299", Definer::Standard, Some("fuel and air metering")),
            ("P0300", Definer::Standard, Some("ignition and misfire")),
            ("P0420", Definer::Standard, Some("auxiliary emission controls")),
            ("P0500", Definer::Standard, Some("vehicle speed, idle control and auxiliary inputs")),
            ("P0645", Definer::Standard, Some("control module and outputs")),
            ("P0700", Definer::Standard, Some("transmission")),
            ("P0999", Definer::Standard, Some("transmission")),
            ("P0A00", Definer::Standard, Some("hybrid drive")),
            ("P0FFF", Definer::Standard, None),
            ("P1000", Definer::Maker, None),
            ("P0CFF", Definer::Standard, Some("hybrid drive")),
            ("P2135", Definer::Standard, Some("fuel and air metering")),
            ("P2A00", Definer::Standard, Some("fuel and air metering")),
            ("P2B00", Definer::Standard, None),
            ("P33FF", Definer::Maker, None),
            ("P3400", Definer::Standard, None),
            ("C0035", Definer::Standard, None),
            ("C1000", Definer::Maker, None),
            ("B2FFF", Definer::Maker, None),
            ("B3000", Definer::Reserved, None),
            ("U0100", Definer::Standard, None),
            ("U1000", Definer::Maker, None),
            ("U3000", Definer::Standard, None),
        ] {
            let code: Code = text.parse().unwrap();
            assert_eq!((code.definer(), code.subsystem()), (definer, subsystem), "{text}");
        }
    }

    proptest::proptest! {
        #[test]
        fn every_code_reads_back(number: u16, failure_type: Option<u8>) {
            let code = Code { number, failure_type };
            proptest::prop_assert_eq!(code.to_string().parse(), Ok(code));
            let again = match code.to_bytes()[..] {
                [a, b] => Code::from_bytes([a, b]),
                [a, b, c] => Code::from_bytes3([a, b, c]),
                _ => unreachable!("a code has two or three bytes"),
            };
            proptest::prop_assert_eq!(again, code);
            proptest::prop_assert!(!code.structure().is_empty());
        }

        #[test]
        fn any_text_is_read_or_refused(text in ".{0,12}") {
            if let Ok(code) = text.parse::<Code>() {
                proptest::prop_assert_eq!(code.to_string(), text.to_uppercase());
            }
        }
    }
}
