//! Trouble codes: two or three bytes, their printed form, and what their structure alone tells.

use std::fmt;

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
        Some(match (self.number >> 8) & 0xF {
            0..=2 => "fuel and air metering",
            3 => "ignition and misfire",
            4 => "auxiliary emission controls",
            5 => "vehicle speed, idle control and auxiliary inputs",
            6 => "control module and outputs",
            7..=9 => "transmission",
            0xA..=0xC => "hybrid drive",
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

/// What a failure type byte says.
///
/// Source: a public list that repeats the table of SAE J2012-DA; from memory for 62 and up.
#[must_use]
pub const fn failure_type_text(failure_type: u8) -> &'static str {
    match failure_type {
        0x00 => "no further information",
        0x01 => "general electrical failure",
        0x02 => "general signal failure",
        0x03 => "pulse width or frequency failure",
        0x04 => "internal failure of the module",
        0x05 => "programming failure",
        0x06 => "algorithm failure",
        0x07 => "mechanical failure",
        0x08 => "bus signal or message failure",
        0x09 => "component failure",
        0x11 => "short to ground",
        0x12 => "short to battery",
        0x13 => "open circuit",
        0x14 => "short to ground or open circuit",
        0x15 => "short to battery or open circuit",
        0x16 => "voltage below threshold",
        0x17 => "voltage above threshold",
        0x18 => "current below threshold",
        0x19 => "current above threshold",
        0x1A => "resistance below threshold",
        0x1B => "resistance above threshold",
        0x1C => "voltage out of range",
        0x1D => "current out of range",
        0x1E => "resistance out of range",
        0x1F => "intermittent circuit",
        0x21 => "signal amplitude below minimum",
        0x22 => "signal amplitude above maximum",
        0x23 => "signal stuck low",
        0x24 => "signal stuck high",
        0x25 => "signal shape or waveform failure",
        0x26 => "signal rate of change below threshold",
        0x27 => "signal rate of change above threshold",
        0x28 => "signal bias or zero out of range",
        0x29 => "signal invalid",
        0x2F => "signal erratic",
        0x31 => "no signal",
        0x32 => "signal low time below minimum",
        0x33 => "signal low time above maximum",
        0x34 => "signal high time below minimum",
        0x35 => "signal high time above maximum",
        0x36 => "signal frequency too low",
        0x37 => "signal frequency too high",
        0x62 => "signals do not agree",
        0x64 => "signal not plausible",
        0x87 => "message missing",
        0x88 => "bus off",
        0x92 => "performance or wrong operation",
        0x96 => "internal failure of a component",
        _ => "not in our list",
    }
}

/// The status byte that ISO 14229-1 keeps with each code.
///
/// ```
/// use protocol::CodeStatus;
/// let after_a_clear = CodeStatus(0x50);
/// assert!(!after_a_clear.failing_now() && !after_a_clear.proves_a_pass());
/// assert!(CodeStatus(0x2F).confirmed());
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct CodeStatus(pub u8);

impl CodeStatus {
    /// The bits in words, from bit 0.
    pub const BITS: [&'static str; 8] = [
        "failing now",
        "failed in this operation cycle",
        "pending",
        "confirmed",
        "test not completed since the last clear",
        "failed since the last clear",
        "test not completed in this operation cycle",
        "warning lamp requested",
    ];

    const fn bit(self, bit: u8) -> bool {
        self.0 >> bit & 1 == 1
    }

    /// The test's latest result is a failure.
    #[must_use]
    pub const fn failing_now(self) -> bool {
        self.bit(0)
    }

    /// Failed in this or the previous operation cycle.
    #[must_use]
    pub const fn pending(self) -> bool {
        self.bit(2)
    }

    /// Stored.
    #[must_use]
    pub const fn confirmed(self) -> bool {
        self.bit(3)
    }

    /// The module asks for the warning lamp.
    #[must_use]
    pub const fn lamp(self) -> bool {
        self.bit(7)
    }

    /// Whether the test has run since the clear and in this operation cycle and did not fail: bits 0, 1, 4 and 6 clear.
    ///
    /// A cleared code alone proves nothing. Source: derived from the bit definitions of ISO 14229-1.
    #[must_use]
    pub const fn proves_a_pass(self) -> bool {
        self.0 & 0b0101_0011 == 0
    }

    /// The set bits in words.
    pub fn words(self) -> impl Iterator<Item = &'static str> {
        Self::BITS.into_iter().zip(0u8..).filter(move |(_, bit)| self.bit(*bit)).map(|(word, _)| word)
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
            ("P2135", Definer::Standard, Some("fuel and air metering")),
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

    #[test]
    fn worked_status_bytes() {
        // ISO 14229-1 status bits, worked examples from the bit definitions.
        let words = |byte| CodeStatus(byte).words().collect::<Vec<_>>();
        assert_eq!(
            words(0x2F),
            ["failing now", "failed in this operation cycle", "pending", "confirmed", "failed since the last clear"]
        );
        assert_eq!(
            words(0x50),
            ["test not completed since the last clear", "test not completed in this operation cycle"]
        );
        assert_eq!(words(0x08), ["confirmed"]);
        assert_eq!(words(0x24), ["pending", "failed since the last clear"]);
        assert!(CodeStatus(0x2F).failing_now() && !CodeStatus(0x2F).lamp() && CodeStatus(0x80).lamp());
        for (byte, passed) in
            [(0x50, false), (0x10, false), (0x40, false), (0x01, false), (0x02, false), (0x28, true), (0x00, true)]
        {
            assert_eq!(CodeStatus(byte).proves_a_pass(), passed, "{byte:02X}");
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
