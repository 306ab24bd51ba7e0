//! Puts the frames of one sender together.

use super::frame::MAX_SHORT;
use super::{Frame, IsoTpError};
use crate::Nanos;

/// Longest wait for the next consecutive frame (N_Cr of ISO 15765-2).
pub const N_CR_NS: Nanos = 1_000_000_000;

#[derive(Debug, Clone)]
struct Partial {
    bytes: Vec<u8>,
    length: usize,
    next_index: u8,
    /// Data bytes of every consecutive frame but the last.
    room: usize,
    deadline: Nanos,
}

/// Puts together the messages of one sender.
#[derive(Debug, Clone)]
pub struct Reassembly {
    partial: Option<Partial>,
    n_cr_ns: Nanos,
    /// Whether a last frame is either full or ends with its last byte, as with an adapter's text, which loses characters.
    is_exact: bool,
}

/// For classical frames as an adapter prints them.
impl Default for Reassembly {
    fn default() -> Self {
        Self { partial: None, n_cr_ns: N_CR_NS, is_exact: true }
    }
}

impl Reassembly {
    /// For frames from the bus: a last frame may have any size that holds the rest. `n_cr_ns`: longest wait between
    /// frames.
    #[must_use]
    pub fn on_bus(n_cr_ns: Nanos) -> Self {
        Self { partial: None, n_cr_ns, is_exact: false }
    }

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
                    // The consecutive frame has one byte of control information, the first frame two or six.
                    room: data.len() + if length > MAX_SHORT { 5 } else { 1 },
                    deadline: now.saturating_add(self.n_cr_ns),
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
                let due = missing.min(partial.room);
                match data.get(..due) {
                    Some(payload)
                        if data.len() == partial.room
                            || data.len() == due
                            || (!self.is_exact && data.len() < partial.room) =>
                    {
                        partial.bytes.extend_from_slice(payload);
                    }
                    _ => return Err(IsoTpError::Length { stated: due, carried: data.len() }),
                }
                if partial.bytes.len() == partial.length {
                    return Ok(Some(partial.bytes));
                }
                partial.next_index = (index + 1) & 0x0F;
                partial.deadline = now.saturating_add(self.n_cr_ns);
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

    /// Counts the wait for the next frame from `now` on: permission to send it has only now gone out.
    pub fn restart(&mut self, now: Nanos) {
        if let Some(partial) = self.partial.as_mut() {
            partial.deadline = now.saturating_add(self.n_cr_ns);
        }
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
    use super::super::Frame;
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

    /// ISO 15765-2: a last frame ends with its last byte or is padded, on the bus to any size that a frame can have; the
    /// frames before it are full.
    #[test]
    fn a_last_frame_may_be_padded_and_the_others_are_full() {
        let cases: &[(usize, usize, [bool; 2])] = &[
            // Bytes of the message, of the frame behind the first six; taken from an adapter's text, from the bus.
            (10, 3, [false, false]),
            (10, 4, [true, true]),
            (10, 5, [false, true]),
            (10, 7, [true, true]),
            (10, 8, [false, false]),
            (13, 6, [false, false]),
            (13, 7, [true, true]),
            (13, 8, [false, false]),
            (20, 6, [false, false]),
            (20, 7, [true, true]),
            (20, 8, [false, false]),
        ];
        for (length, n, expected) in cases {
            let of = |mut reassembly: Reassembly| {
                let first = Frame::First { length: *length, data: &[1; 6] };
                assert_eq!(reassembly.push(first, 0), Ok(None));
                assert_eq!(reassembly.announced(), Some(*length));
                let taken = reassembly.push(Frame::Consecutive { index: 1, data: &vec![2; *n] }, 0);
                assert_eq!(reassembly.announced(), Some(*length).filter(|_| taken == Ok(None)));
                if let Err(error) = taken {
                    assert_eq!(error, IsoTpError::Length { stated: (length - 6).min(7), carried: *n });
                }
                taken.is_ok()
            };
            let taken = [of(Reassembly::default()), of(Reassembly::on_bus(N_CR_NS))];
            assert_eq!(taken, *expected, "{length} bytes, {n} in the frame");
        }
        let mut patient = Reassembly::on_bus(5);
        assert_eq!(patient.push(Frame::First { length: 10, data: &[1; 6] }, 7), Ok(None));
        assert_eq!(patient.deadline(), Some(12));
        patient.restart(8);
        assert_eq!(patient.deadline(), Some(13));
        assert_eq!(patient.finish(), Some(IsoTpError::BrokenOff { have: 6, length: 10 }));
        assert_eq!((patient.finish(), patient.deadline()), (None, None));
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
