//! Messages longer than a CAN frame: ISO 15765-2.
//!
//! The receiving side: [`Frame::parse`] reads one frame's data, [`Reassembly`] puts the frames of one sender together.
//! Both take classical frames of at most 8 data bytes with normal addressing.

use crate::Nanos;

/// Longest wait for the next consecutive frame (N_Cr of ISO 15765-2).
pub const N_CR_NS: Nanos = 1_000_000_000;

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

/// Why a frame or a sequence of frames is not a message.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum IsoTpError {
    /// No data at all, or a protocol byte that the standard does not define.
    #[error("a frame without a meaning (first byte {first:02X?})")]
    Unknown {
        /// Its first byte, where there is one.
        first: Option<u8>,
    },
    /// The length that the frame states does not fit the bytes that it has.
    #[error("a frame states {stated} bytes and carries {carried}")]
    Length {
        /// Stated length of the message.
        stated: usize,
        /// Bytes that follow in the frame.
        carried: usize,
    },
    /// A continuation that nothing was begun for.
    #[error("a continuation without a beginning (index {index})")]
    Stray {
        /// Its index.
        index: u8,
    },
    /// A continuation is missing or came twice.
    #[error("continuation {got} came where {expected} was due")]
    Sequence {
        /// Index that was due.
        expected: u8,
        /// Index that came.
        got: u8,
    },
    /// A new message began before the one before it was complete.
    #[error("a message broke off after {have} of {length} bytes")]
    BrokenOff {
        /// Bytes received.
        have: usize,
        /// Bytes announced.
        length: usize,
    },
    /// The next continuation did not come within N_Cr.
    #[error("the continuation of a message did not come within 1 s ({have} of {length} bytes)")]
    Timeout {
        /// Bytes received.
        have: usize,
        /// Bytes announced.
        length: usize,
    },
}

impl<'a> Frame<'a> {
    /// Reads the data bytes of one frame.
    ///
    /// Single frames may be padded to 8 bytes or end with their last byte; any other size is a damaged frame. First
    /// frames are always full and announce at least 8 bytes.
    ///
    /// # Errors
    /// [`IsoTpError::Unknown`], [`IsoTpError::Length`].
    pub fn parse(frame: &'a [u8]) -> Result<Self, IsoTpError> {
        let unknown = IsoTpError::Unknown { first: frame.first().copied() };
        let (&pci, data) = frame.split_first().ok_or(unknown)?;
        let low = pci & 0x0F;
        let wrong = |stated| IsoTpError::Length { stated, carried: data.len() };
        match (pci >> 4, data) {
            (0, _) => {
                let stated = usize::from(low);
                match data.get(..stated) {
                    Some(payload) if stated > 0 && (data.len() == stated || data.len() == 7) => {
                        Ok(Self::Single(payload))
                    }
                    _ => Err(wrong(stated)),
                }
            }
            (1, [low_byte, payload @ ..]) => {
                let length = usize::from(low) << 8 | usize::from(*low_byte);
                if payload.len() == 6 && length >= 8 {
                    Ok(Self::First { length, data: payload })
                } else {
                    Err(IsoTpError::Length { stated: length, carried: payload.len() })
                }
            }
            (2, [_, ..]) if data.len() <= 7 => Ok(Self::Consecutive { index: low, data }),
            (3, [block_size, st_min, ..]) if data.len() <= 7 => {
                Ok(Self::FlowControl { status: low, block_size: *block_size, st_min: *st_min })
            }
            _ => Err(unknown),
        }
    }
}

#[derive(Debug, Clone)]
struct Partial {
    bytes: Vec<u8>,
    length: usize,
    next_index: u8,
    deadline: Nanos,
}

/// Puts together the messages of one sender.
#[derive(Debug, Clone, Default)]
pub struct Reassembly {
    partial: Option<Partial>,
}

impl Reassembly {
    /// Takes one frame that arrived at `now`; gives the message that it completes.
    ///
    /// Flow control frames belong to the sending side and are passed over.
    ///
    /// # Errors
    /// [`IsoTpError`]; the message in progress is given up, except where the frame itself began a new one: that one goes
    /// on and the error reports the loss of the old one.
    pub fn push(&mut self, frame: Frame<'_>, now: Nanos) -> Result<Option<Vec<u8>>, IsoTpError> {
        let late = self.expire(now);
        let before = self.partial.as_ref().map(|p| IsoTpError::BrokenOff { have: p.bytes.len(), length: p.length });
        match frame {
            Frame::Single(payload) => {
                // A single frame amid a longer message of the same sender: one of the two is not what it seems.
                self.partial = None;
                before.or(late).map_or_else(|| Ok(Some(payload.to_vec())), Err)
            }
            Frame::First { length, data } => {
                self.partial = Some(Partial {
                    bytes: data.to_vec(),
                    length,
                    next_index: 1,
                    deadline: now.saturating_add(N_CR_NS),
                });
                before.or(late).map_or(Ok(None), Err)
            }
            Frame::Consecutive { index, data } => {
                let Some(mut partial) = self.partial.take() else {
                    return Err(late.unwrap_or(IsoTpError::Stray { index }));
                };
                if index != partial.next_index {
                    return Err(IsoTpError::Sequence { expected: partial.next_index, got: index });
                }
                let missing = partial.length - partial.bytes.len();
                match data.get(..missing.min(7)) {
                    Some(payload) if data.len() == 7 || payload.len() == data.len() => {
                        partial.bytes.extend_from_slice(payload);
                    }
                    _ => return Err(IsoTpError::Length { stated: missing.min(7), carried: data.len() }),
                }
                if partial.bytes.len() == partial.length {
                    return Ok(Some(partial.bytes));
                }
                partial.next_index = (index + 1) & 0x0F;
                partial.deadline = now.saturating_add(N_CR_NS);
                self.partial = Some(partial);
                Ok(None)
            }
            Frame::FlowControl { .. } => late.map_or(Ok(None), Err),
        }
    }

    /// Bytes of the whole message in progress.
    #[must_use]
    pub fn announced(&self) -> Option<usize> {
        self.partial.as_ref().map(|partial| partial.length)
    }

    /// When the message in progress is given up.
    #[must_use]
    pub fn deadline(&self) -> Option<Nanos> {
        self.partial.as_ref().map(|partial| partial.deadline)
    }

    /// Gives up a message whose time is over at `now`, and says so.
    pub fn expire(&mut self, now: Nanos) -> Option<IsoTpError> {
        let partial = self.partial.take_if(|partial| partial.deadline <= now)?;
        Some(IsoTpError::Timeout { have: partial.bytes.len(), length: partial.length })
    }

    /// Ends the conversation: what is incomplete now stays so.
    pub fn finish(&mut self) -> Option<IsoTpError> {
        let partial = self.partial.take()?;
        Some(IsoTpError::BrokenOff { have: partial.bytes.len(), length: partial.length })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn run(frames: &[&[u8]]) -> Vec<Result<Option<Vec<u8>>, IsoTpError>> {
        let mut reassembly = Reassembly::default();
        frames.iter().map(|frame| Frame::parse(frame).and_then(|frame| reassembly.push(frame, 0))).collect()
    }

    const FIRST: &[u8] = &[0x10, 0x14, 0x49, 0x02, 0x01, 0x31, 0x47, 0x34];
    const SECOND: &[u8] = &[0x21, 0x41, 0x48, 0x35, 0x39, 0x48, 0x34, 0x35];
    const THIRD: &[u8] = &[0x22, 0x47, 0x31, 0x31, 0x38, 0x33, 0x34, 0x31];

    /// ISO 15765-2, worked reply with a VIN: 20 = 3 + 17 bytes in 6 + 7 + 7.
    #[test]
    fn a_worked_reply_in_three_frames() {
        let results = run(&[FIRST, SECOND, THIRD]);
        let message = results.last().cloned().and_then(Result::ok).flatten().expect("complete");
        assert_eq!(message.len(), 20);
        assert_eq!(message.get(3..), Some(b"1G4AH59H45G118341".as_slice()));
    }

    #[test]
    fn lost_doubled_and_stray_frames_are_errors() {
        assert_eq!(run(&[FIRST, THIRD]).last(), Some(&Err(IsoTpError::Sequence { expected: 1, got: 2 })));
        assert_eq!(run(&[FIRST, SECOND, SECOND]).last(), Some(&Err(IsoTpError::Sequence { expected: 2, got: 1 })));
        assert_eq!(run(&[SECOND]).last(), Some(&Err(IsoTpError::Stray { index: 1 })));
        assert_eq!(run(&[FIRST, FIRST]).last(), Some(&Err(IsoTpError::BrokenOff { have: 6, length: 20 })));
    }

    #[test]
    fn frame_sizes_must_fit() {
        assert_eq!(Frame::parse(&[0x02, 0x41, 0x0D]), Ok(Frame::Single(&[0x41, 0x0D])));
        assert_eq!(Frame::parse(&[0x02, 0x41, 0x0D, 0, 0, 0, 0, 0]), Ok(Frame::Single(&[0x41, 0x0D])));
        assert_eq!(Frame::parse(&[0x03, 0x41, 0x0D]), Err(IsoTpError::Length { stated: 3, carried: 2 }));
        assert_eq!(Frame::parse(&[0x02, 0x41, 0x0D, 0]), Err(IsoTpError::Length { stated: 2, carried: 3 }));
        assert_eq!(Frame::parse(&[0x00, 0, 0, 0, 0, 0, 0, 0]), Err(IsoTpError::Length { stated: 0, carried: 7 }));
        assert_eq!(Frame::parse(&[0x10, 0x07, 1, 2, 3, 4, 5, 6]), Err(IsoTpError::Length { stated: 7, carried: 6 }));
        assert_eq!(Frame::parse(&[0x40, 1]), Err(IsoTpError::Unknown { first: Some(0x40) }));
        assert_eq!(Frame::parse(&[]), Err(IsoTpError::Unknown { first: None }));
        assert_eq!(Frame::parse(&[0x30, 0, 0]), Ok(Frame::FlowControl { status: 0, block_size: 0, st_min: 0 }));
    }

    #[test]
    fn a_continuation_that_is_late_ends_the_message() {
        let mut reassembly = Reassembly::default();
        let first = Frame::parse(FIRST).expect("first");
        assert_eq!(reassembly.push(first, 0), Ok(None));
        assert_eq!(reassembly.deadline(), Some(N_CR_NS));
        let second = Frame::parse(SECOND).expect("second");
        assert_eq!(reassembly.push(second, N_CR_NS), Err(IsoTpError::Timeout { have: 6, length: 20 }));
    }

    /// 4095 bytes: the longest message of classical frames; the index wraps from 15 to 0.
    #[test]
    fn the_longest_message() {
        let message: Vec<u8> = (0..4095_u16).map(|n| n.to_le_bytes()[0]).collect();
        let mut reassembly = Reassembly::default();
        let (head, tail) = message.split_at(6);
        let mut done = reassembly.push(Frame::First { length: 4095, data: head }, 0).expect("first");
        for (idx, data) in tail.chunks(7).enumerate() {
            let index = u8::try_from((idx + 1) & 0x0F).expect("nibble");
            assert_eq!(done, None);
            done = reassembly.push(Frame::Consecutive { index, data }, 0).expect("in order");
        }
        assert_eq!(done, Some(message));
    }
}
