//! Classical CAN frames and how long they occupy the wire.

use std::fmt;

/// Identifier of a frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub(crate) enum CanId {
    /// 11 bits.
    Standard(u16),
    /// 29 bits.
    Extended(u32),
}

impl CanId {
    /// Bits of the arbitration field in the order of the wire, left-aligned to 32: the lower value wins.
    ///
    /// A standard frame beats an extended one with the same first eleven bits, because its RTR bit is dominant where
    /// the extended frame sends the recessive SRR (ISO 11898-1, from memory).
    #[must_use]
    pub(crate) fn arbitration(self) -> u32 {
        match self {
            Self::Standard(id) => u32::from(id & 0x7FF) << 21,
            Self::Extended(id) => {
                let id = id & 0x1FFF_FFFF;
                ((id >> 18) << 21) | (0b11 << 19) | ((id & 0x3_FFFF) << 1)
            }
        }
    }
}

impl fmt::Display for CanId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Standard(id) => write!(f, "{id:03X}"),
            Self::Extended(id) => write!(f, "{id:08X}"),
        }
    }
}

/// A data frame of up to eight bytes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct CanFrame {
    /// Who it is from or for.
    pub id: CanId,
    data: [u8; 8],
    len: u8,
}

impl CanFrame {
    /// A frame with these bytes; what does not fit into eight is left out.
    #[must_use]
    pub(crate) fn new(id: CanId, bytes: &[u8]) -> Self {
        let len = bytes.len().min(8);
        let mut data = [0; 8];
        data[..len].copy_from_slice(&bytes[..len]);
        Self { id, data, len: len as u8 }
    }

    /// As [`CanFrame::new`], filled up to eight bytes with `fill`, as diagnostic frames are.
    #[must_use]
    pub(crate) fn padded(id: CanId, bytes: &[u8], fill: u8) -> Self {
        let mut frame = Self::new(id, bytes);
        frame.data[usize::from(frame.len)..].fill(fill);
        frame.len = 8;
        frame
    }

    /// Its data bytes.
    #[must_use]
    pub(crate) fn data(&self) -> &[u8] {
        &self.data[..usize::from(self.len)]
    }

    /// Length in bits from start of frame to the end of the end-of-frame field, with its real stuff bits.
    /// Three bits of intermission follow before the next frame may start.
    ///
    /// Source: ISO 11898-1, frame format and stuffing rule (a complement bit after five equal bits from SOF to the CRC
    /// sequence); field lengths as in the handbook table of the handbook of sampling limits.
    #[must_use]
    pub(crate) fn bits(&self) -> u32 {
        let mut wire = Wire::default();
        wire.put(0, 1);
        match self.id {
            CanId::Standard(id) => {
                wire.put(u32::from(id), 11);
                wire.put(0, 3); // RTR, IDE, r0
            }
            CanId::Extended(id) => {
                wire.put(id >> 18, 11);
                wire.put(0b11, 2); // SRR, IDE
                wire.put(id, 18);
                wire.put(0, 3); // RTR, r1, r0
            }
        }
        wire.put(u32::from(self.len), 4);
        for &byte in self.data() {
            wire.put(u32::from(byte), 8);
        }
        let crc = wire.crc;
        wire.put(u32::from(crc), 15);
        // CRC delimiter 1, acknowledge slot and delimiter 2, end of frame 7: not stuffed.
        wire.n_bits + 10
    }
}

/// Counts bits and stuff bits and runs the CRC over what is put.
#[derive(Default)]
struct Wire {
    n_bits: u32,
    run: u32,
    last: Option<bool>,
    crc: u16,
}

impl Wire {
    fn put(&mut self, value: u32, n: u32) {
        for shift in (0..n).rev() {
            let bit = value >> shift & 1 == 1;
            // CRC-15 of ISO 11898-1: x15+x14+x10+x8+x7+x4+x3+1.
            let feedback = bit ^ (self.crc & 0x4000 != 0);
            self.crc = (self.crc << 1) & 0x7FFF;
            if feedback {
                self.crc ^= 0x4599;
            }
            self.n_bits += 1;
            self.run = if self.last == Some(bit) { self.run + 1 } else { 1 };
            self.last = Some(bit);
            if self.run == 5 {
                // The stuff bit is the complement and starts the next run.
                self.n_bits += 1;
                self.last = Some(!bit);
                self.run = 1;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Bounds of the handbook of sampling limits, section 1: 111 or 131 bits with intermission, at most 24 or 29 stuff bits.
    #[test]
    fn frame_lengths_lie_in_the_published_bounds() {
        let mut rng = crate::rng::Rng::new(3, "frames");
        for (wide, plain, worst) in [(false, 111, 24), (true, 131, 29)] {
            for _ in 0..4000 {
                let id = (rng.uniform() * f64::from(1 << 29)) as u32;
                let id = if wide { CanId::Extended(id) } else { CanId::Standard((id & 0x7FF) as u16) };
                let fill = rng.uniform();
                let data: Vec<u8> =
                    (0..8).map(|_| if rng.chance(fill) { 0 } else { (rng.uniform() * 256.0) as u8 }).collect();
                let bits = CanFrame::new(id, &data).bits() + 3;
                assert!((plain..=plain + worst).contains(&bits), "{id} {data:02X?}: {bits}");
            }
        }
    }

    /// Mean stuff bits of real frames on the handbook of sampling limits, section 1, computed there with an independent frame builder:
    /// requests `01 xx` and replies `41 0C hi lo`, padded with 00 or with 55, 11-bit and 29-bit.
    #[test]
    fn stuffing_of_real_frames_agrees_with_the_limits_page() {
        let ids = [
            (CanId::Standard(0x7E0), CanId::Standard(0x7E8), [(0x00, 12.6, 9.7), (0x55, 4.7, 5.0)]),
            (CanId::Extended(0x18DA_10F1), CanId::Extended(0x18DA_F110), [(0x00, 10.7, 8.7), (0x55, 2.7, 4.0)]),
        ];
        let mean = |frames: Vec<CanFrame>, plain: u32| {
            frames.iter().map(|frame| f64::from(frame.bits() + 3 - plain)).sum::<f64>() / frames.len() as f64
        };
        for (request, reply, published) in ids {
            let plain = if matches!(request, CanId::Standard(_)) { 111 } else { 131 };
            for (fill, of_requests, of_replies) in published {
                let requests = (0..=255).map(|pid| CanFrame::padded(request, &[2, 1, pid], fill)).collect();
                let replies = (0..0xFFFF_u16)
                    .step_by(7)
                    .map(|v| CanFrame::padded(reply, &[4, 0x41, 0x0C, (v >> 8) as u8, v as u8], fill))
                    .collect();
                let (requests, replies) = (mean(requests, plain), mean(replies, plain));
                assert!((requests - of_requests).abs() < 0.1, "{request} {fill:02X}: {requests}, page {of_requests}");
                assert!((replies - of_replies).abs() < 0.1, "{reply} {fill:02X}: {replies}, page {of_replies}");
            }
        }
    }

    /// ISO 11898-1 arbitration: dominant (0) wins, a standard frame beats an extended one with the same base.
    #[test]
    fn lower_identifiers_win() {
        assert!(CanId::Standard(0x7E8).arbitration() < CanId::Standard(0x7E9).arbitration());
        assert!(CanId::Standard(0x123).arbitration() < CanId::Extended(0x123 << 18).arbitration());
        assert!(CanId::Extended(0x18DA_F110).arbitration() < CanId::Standard(0x7E8).arbitration());
    }
}
