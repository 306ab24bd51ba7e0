//! One frame of ISO 15765-2: what its data bytes say.

use super::IsoTpError;
use crate::can::FD_LENGTHS;

/// What one CAN frame carries.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Frame<'a> {
    /// A whole message.
    Single(&'a [u8]),
    /// The beginning of a longer message.
    First {
        /// Bytes of the whole message.
        length: usize,
        /// The first of them.
        data: &'a [u8],
    },
    /// A continuation.
    Consecutive {
        /// 0 to 15, counting up from 1 and wrapping.
        index: u8,
        /// The bytes, with padding behind the last one of the message.
        data: &'a [u8],
    },
    /// The receiver's permission to go on.
    FlowControl {
        /// 0 go on, 1 wait, 2 overflow.
        status: u8,
        /// Consecutive frames until the next flow control; 0: no further one.
        block_size: u8,
        /// Separation time as coded in the frame.
        st_min: u8,
    },
}

impl<'a> Frame<'a> {
    /// Reads the data bytes of a classical frame with normal addressing, as an adapter prints it.
    ///
    /// Stricter than [`Frame::read`], as text loses characters: single frames are padded to 8 bytes or end with their
    /// last byte; any other size is a damaged frame. First frames are always full and announce at least 8 bytes.
    ///
    /// # Errors
    /// [`IsoTpError::Unknown`], [`IsoTpError::Length`].
    pub fn parse(frame: &'a [u8]) -> Result<Self, IsoTpError> {
        let carried = frame.len().saturating_sub(1);
        match Self::read(frame)? {
            Self::Single(payload) if payload.len() != carried && carried != 7 => {
                Err(IsoTpError::Length { stated: payload.len(), carried })
            }
            Self::First { length, data } if data.len() != 6 => {
                Err(IsoTpError::Length { stated: length, carried: data.len() })
            }
            _ if frame.len() > 8 => Err(IsoTpError::Unknown { first: frame.first().copied() }),
            read => Ok(read),
        }
    }

    /// Reads the data bytes of a classical or CAN FD frame; with extended or mixed addressing those behind the address
    /// byte.
    ///
    /// What is padded behind a single or a last frame is passed over. A first frame must announce more than a single
    /// frame could hold, and the escape to a 32-bit length is taken only where 12 bits do not do.
    ///
    /// # Errors
    /// [`IsoTpError::Unknown`], [`IsoTpError::Length`].
    ///
    /// ```
    /// use protocol::isotp::Frame;
    /// assert_eq!(Frame::read(&[0x02, 0x41, 0x0D, 0xAA]), Ok(Frame::Single(&[0x41, 0x0D])));
    /// let long = [0x10, 0x00, 0x00, 0x00, 0x10, 0x00, 1, 2];
    /// assert_eq!(Frame::read(&long), Ok(Frame::First { length: 4096, data: &[1, 2] }));
    /// ```
    pub fn read(frame: &'a [u8]) -> Result<Self, IsoTpError> {
        let unknown = IsoTpError::Unknown { first: frame.first().copied() };
        let (&pci, data) = frame.split_first().ok_or(unknown)?;
        let low = pci & 0x0F;
        match (pci >> 4, data) {
            // Frames above 8 bytes have their length in a byte of its own; 7 bytes do when an address byte is in front.
            (0, [length, payload @ ..]) if low == 0 && data.len() > 7 => single(payload, usize::from(*length)),
            (0, _) if data.len() <= 7 => single(data, usize::from(low)),
            (1, [0, a, b, c, d, payload @ ..]) if low == 0 => {
                let length = usize::try_from(u32::from_be_bytes([*a, *b, *c, *d])).unwrap_or(usize::MAX);
                first(payload, length, payload.len().max(MAX_SHORT))
            }
            (1, [low_byte, payload @ ..]) => {
                let length = usize::from(low) << 8 | usize::from(*low_byte);
                // Up to 8 data bytes a single frame holds one byte more than a first frame, above as many.
                first(payload, length, payload.len() + usize::from(payload.len() <= 6))
            }
            (2, [_, ..]) => Ok(Self::Consecutive { index: low, data }),
            (3, [block_size, st_min, ..]) => {
                Ok(Self::FlowControl { status: low, block_size: *block_size, st_min: *st_min })
            }
            _ => Err(unknown),
        }
    }
}

/// Longest message whose length fits into 12 bits.
pub(super) const MAX_SHORT: usize = 0xFFF;

fn single(data: &[u8], stated: usize) -> Result<Frame<'_>, IsoTpError> {
    match data.get(..stated) {
        Some(payload) if stated > 0 => Ok(Frame::Single(payload)),
        _ => Err(IsoTpError::Length { stated, carried: data.len() }),
    }
}

/// A first frame whose message has to be longer than `least`.
fn first(data: &[u8], length: usize, least: usize) -> Result<Frame<'_>, IsoTpError> {
    // 5 bytes: classical frame with an address byte; 1 or 2: the same with a 32-bit length.
    let is_full = data.len() >= if length > MAX_SHORT { 1 } else { 5 };
    if is_full && length > least {
        Ok(Frame::First { length, data })
    } else {
        Err(IsoTpError::Length { stated: length, carried: data.len() })
    }
}

/// The shortest size that a frame with `n` data bytes can have.
pub(super) fn frame_size(n: usize) -> usize {
    if n <= 8 { n } else { FD_LENGTHS.into_iter().find(|size| *size >= n).unwrap_or(64) }
}

/// Separation time asked for by the `STmin` byte of a flow control, ns.
///
/// 0 to 127 ms for `00` to `7F`; 100 to 900 us for `F1` to `F9`. The reserved rest counts as 127 ms.
/// Source: ISO 15765-2, table of STmin values; the same ranges in the general-purpose Python library of this protocol.
///
/// ```
/// use protocol::isotp::separation_ns;
/// assert_eq!(separation_ns(0x14), 20_000_000);
/// assert_eq!(separation_ns(0xF3), 300_000);
/// assert_eq!(separation_ns(0x80), 127_000_000);
/// ```
#[must_use]
pub fn separation_ns(st_min: u8) -> crate::Nanos {
    match st_min {
        0..=0x7F => crate::Nanos::from(st_min) * 1_000_000,
        0xF1..=0xF9 => crate::Nanos::from(st_min - 0xF0) * 100_000,
        _ => 127_000_000,
    }
}
