//! What the two ends of a conversation have agreed on, and the frames that this makes.

use super::SendError;
use super::frame::frame_size;
use crate::{Address, CanFrame, CanId, Nanos};

const S: Nanos = 1_000_000_000;

/// Whose frames are whose.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Ends {
    /// Identifier of our frames.
    pub tx: CanId,
    /// First data byte of our frames, with extended or mixed addressing.
    pub tx_byte: Option<u8>,
    /// Identifier of the partner's frames.
    pub rx: CanId,
    /// First data byte of the partner's frames.
    pub rx_byte: Option<u8>,
}

impl Ends {
    /// The tester's view of a module; `None` when it is not on CAN.
    #[must_use]
    pub fn to_module(address: Address) -> Option<Self> {
        let (tx, tx_byte, rx, rx_byte) = match address {
            Address::Can11 { request, reply } => (CanId::Standard(request), None, CanId::Standard(reply), None),
            Address::Can29 { request, reply } => (CanId::Extended(request), None, CanId::Extended(reply), None),
            Address::CanByte { request, request_byte, reply, reply_byte } => {
                (request, Some(request_byte), reply, Some(reply_byte))
            }
            Address::Node(_) | Address::Logical(_) => return None,
        };
        Some(Self { tx, tx_byte, rx, rx_byte })
    }

    /// The same conversation as the partner sees it.
    #[must_use]
    pub const fn reversed(self) -> Self {
        Self { tx: self.rx, tx_byte: self.rx_byte, rx: self.tx, rx_byte: self.tx_byte }
    }

    /// What follows the address byte, if this frame is one of the partner's.
    #[must_use]
    pub fn addressed<'f>(&self, frame: &'f CanFrame) -> Option<&'f [u8]> {
        match (self.rx_byte, frame.data.split_first()) {
            _ if frame.id != self.rx => None,
            (None, _) => Some(&frame.data),
            (Some(byte), Some((first, rest))) if *first == byte => Some(rest),
            _ => None,
        }
    }
}

/// The longest times that ISO 15765-2 allows; all 1 s there but those of the two waits that are ours to keep short.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Timers {
    /// N_As: until one of our frames is on the bus.
    pub as_ns: Nanos,
    /// N_Ar: until our flow control is on the bus.
    pub ar_ns: Nanos,
    /// N_Bs: until the partner's flow control comes.
    pub bs_ns: Nanos,
    /// N_Br: after which a receiver that is not ready says "wait" again; (N_Br + N_Ar) is below 0.9 N_Bs.
    pub br_ns: Nanos,
    /// N_Cs: after which a consecutive frame that is due and could not be given to the bus is too late;
    /// (N_Cs + N_As) is below 0.9 N_Cr.
    pub cs_ns: Nanos,
    /// N_Cr: until the partner's next consecutive frame comes.
    pub cr_ns: Nanos,
}

impl Default for Timers {
    fn default() -> Self {
        Self { as_ns: S, ar_ns: S, bs_ns: S, br_ns: 400_000_000, cs_ns: 800_000_000, cr_ns: S }
    }
}

/// How we speak, and what we take.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Settings {
    /// Largest frame that we send: 8, with `is_fd` also one of [`crate::can::FD_LENGTHS`]; other values count as 8.
    pub frame_bytes: usize,
    /// Whether our frames have the CAN FD format.
    pub is_fd: bool,
    /// What frames are filled up to 8 bytes with, as ISO 15765-4 wants them; `None`: they end with their last byte. Above
    /// 8 bytes, frames are filled up to the next possible size in any case, then with `CC`.
    pub padding: Option<u8>,
    /// Consecutive frames after which the partner waits for another flow control of ours; 0: it need not.
    pub block_size: u8,
    /// Separation time that we ask for, as coded in the flow control.
    pub st_min: u8,
    /// Longest message that we take; longer ones are refused with "overflow".
    pub max_length: usize,
    /// "Wait" frames in a row that we take from the partner, and that we send at most (N_WFTmax).
    pub max_waits: u8,
    /// Time-outs.
    pub timers: Timers,
}

/// A tester's, by ISO 15765-4: classical frames filled with zeros, no blocks, no separation.
impl Default for Settings {
    fn default() -> Self {
        Self {
            frame_bytes: 8,
            is_fd: false,
            padding: Some(0),
            block_size: 0,
            st_min: 0,
            max_length: 1 << 20,
            max_waits: 10,
            timers: Timers::default(),
        }
    }
}

/// Data bytes of the largest frame behind the address byte.
pub(super) fn room(byte: Option<u8>, settings: &Settings) -> usize {
    let is_possible = settings.is_fd && crate::can::FD_LENGTHS.contains(&settings.frame_bytes);
    (if is_possible { settings.frame_bytes } else { 8 }) - usize::from(byte.is_some())
}

pub(super) fn frame(id: CanId, byte: Option<u8>, bytes: &[u8], settings: &Settings) -> CanFrame {
    const FILL: u8 = 0xCC;
    let mut data: Vec<u8> = byte.into_iter().chain(bytes.iter().copied()).collect();
    let size = frame_size(data.len());
    let size = if settings.padding.is_some() { size.max(8) } else { size };
    data.resize(size, settings.padding.unwrap_or(FILL));
    CanFrame { id, data, is_fd: settings.is_fd }
}

/// The one frame of a request to everyone with this identifier (and address byte).
///
/// # Errors
/// [`SendError::Functional`], [`SendError::Length`].
pub(super) fn functional(
    id: CanId,
    byte: Option<u8>,
    message: &[u8],
    settings: &Settings,
) -> Result<CanFrame, SendError> {
    let most = room(byte, settings);
    let most = if most > 8 { most - 2 } else { most - 1 };
    match u8::try_from(message.len()) {
        Err(_) | Ok(0) => Err(SendError::Length(message.len())),
        Ok(length) if message.len() <= 7 - usize::from(byte.is_some()) => {
            Ok(frame(id, byte, &[&[length], message].concat(), settings))
        }
        Ok(length) if message.len() <= most => Ok(frame(id, byte, &[&[0, length], message].concat(), settings)),
        Ok(_) => Err(SendError::Functional { length: message.len(), most }),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// ISO 15765-2: a request to everyone is one single frame, whose length stands in the first nibble up to 7 bytes (6
    /// behind an address byte) and in a byte of its own above, which only frames above 8 bytes have.
    #[test]
    fn requests_to_everyone_fit_into_one_frame() {
        let fd = Settings { is_fd: true, frame_bytes: 12, ..Settings::default() };
        let sent = |settings: &Settings, byte, n| functional(CanId::Standard(0x7DF), byte, &vec![0x22; n], settings);
        for (settings, byte, most) in
            [(Settings::default(), None, 7), (Settings::default(), Some(0xEF), 6), (fd, None, 10), (fd, Some(0xEF), 9)]
        {
            let behind = usize::from(byte.is_some());
            for n in 1..=most {
                let frame = sent(&settings, byte, n).expect("it fits");
                let head = if n + behind <= 7 { vec![n as u8] } else { vec![0, n as u8] };
                let start: Vec<u8> = byte.into_iter().chain(head).chain(vec![0x22; n]).collect();
                assert!(frame.data.starts_with(&start), "{n}: {frame}");
                assert_eq!(frame.data.len(), if start.len() <= 8 { 8 } else { 12 }, "{n}: {frame}");
            }
            let refused = SendError::Functional { length: most + 1, most };
            assert_eq!(sent(&settings, byte, most + 1), Err(refused));
            assert_eq!(sent(&settings, byte, 0), Err(SendError::Length(0)));
            assert_eq!(sent(&settings, byte, 256), Err(SendError::Length(256)));
        }
    }
}
