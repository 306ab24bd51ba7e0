//! What a module remembers of a code.

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

    /// Its test has not been completed since codes were cleared.
    #[must_use]
    pub const fn not_tested_since_clear(self) -> bool {
        self.bit(4)
    }

    /// Its test has not been completed in this operation cycle.
    #[must_use]
    pub const fn not_tested_this_cycle(self) -> bool {
        self.bit(6)
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
        assert!(CodeStatus(0x04).pending() && !CodeStatus(0xFB).pending());
        assert!(CodeStatus(0x2F).failing_now() && !CodeStatus(0x2F).lamp() && CodeStatus(0x80).lamp());
        for (byte, passed) in
            [(0x50, false), (0x10, false), (0x40, false), (0x01, false), (0x02, false), (0x28, true), (0x00, true)]
        {
            assert_eq!(CodeStatus(byte).proves_a_pass(), passed, "{byte:02X}");
        }
    }
}
