//! CAN identifiers and data frames (ISO 11898-1), as adapters hand them on.

use std::fmt;

/// Identifier of a CAN frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum CanId {
    /// 11 bits; higher bits are never set.
    Standard(u16),
    /// 29 bits; higher bits are never set.
    Extended(u32),
}

impl CanId {
    /// The number as it is written, without its width.
    #[must_use]
    pub const fn number(self) -> u32 {
        match self {
            Self::Standard(id) => id as u32,
            Self::Extended(id) => id,
        }
    }
}

/// Hex without prefix: three digits for 11 bits, eight for 29.
impl fmt::Display for CanId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Standard(id) => f.pad(&format!("{id:03X}")),
            Self::Extended(id) => f.pad(&format!("{id:08X}")),
        }
    }
}

/// Why a text is not a CAN identifier.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("a CAN identifier is 3 hex digits (11 bit, up to 7FF) or 8 (29 bit, up to 1FFFFFFF): `{0}`")]
pub struct CanIdError(pub String);

impl std::str::FromStr for CanId {
    type Err = CanIdError;

    fn from_str(text: &str) -> Result<Self, CanIdError> {
        let wrong = || CanIdError(text.escape_debug().to_string());
        if !text.bytes().all(|byte| byte.is_ascii_hexdigit()) {
            return Err(wrong());
        }
        let number = u32::from_str_radix(text, 16).map_err(|_| wrong())?;
        match (text.len(), u16::try_from(number)) {
            (3, Ok(id)) if id <= 0x7FF => Ok(Self::Standard(id)),
            (8, _) if number <= 0x1FFF_FFFF => Ok(Self::Extended(number)),
            _ => Err(wrong()),
        }
    }
}

/// Data lengths that a CAN FD frame can have above eight bytes (ISO 11898-1, table of the data length code).
pub const FD_LENGTHS: [usize; 7] = [12, 16, 20, 24, 32, 48, 64];

/// A data frame: classical with up to 8 bytes, or CAN FD with up to 64.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CanFrame {
    /// Who it is from or for.
    pub id: CanId,
    /// Its data bytes: at most 8, with [`CanFrame::is_fd`] also one of [`FD_LENGTHS`].
    pub data: Vec<u8>,
    /// CAN FD format, data bytes at the higher bit rate.
    pub is_fd: bool,
}

impl CanFrame {
    /// A classical frame; bytes beyond the eighth are left out.
    #[must_use]
    pub fn classic(id: CanId, data: &[u8]) -> Self {
        Self { id, data: data.iter().copied().take(8).collect(), is_fd: false }
    }
}

/// `7E8#0341050C`, as logs of CAN traffic write it; FD frames with two `#`.
impl fmt::Display for CanFrame {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}#{}", self.id, if self.is_fd { "#" } else { "" })?;
        self.data.iter().try_for_each(|byte| write!(f, "{byte:02X}"))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn identifiers_read_back_as_printed() {
        for id in [CanId::Standard(0x7E8), CanId::Standard(0), CanId::Extended(0x18DA_F110), CanId::Extended(5)] {
            assert_eq!(id.to_string().parse(), Ok(id));
        }
        for text in ["", "7E", "800", "20000000", "7G8", "+E8"] {
            assert_eq!(text.parse::<CanId>(), Err(CanIdError(text.to_owned())));
        }
    }
}
