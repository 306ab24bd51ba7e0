//! Binary frames of samples.
//!
//! Little-endian, everything on 8-byte boundaries so that the page can lay number arrays over it:
//!
//! | bytes | what |
//! | --- | --- |
//! | 4 | number of the frame, from 1; 0 where nothing is to be confirmed |
//! | 2 | number of blocks |
//! | 2 | number of the feed that the samples belong to |
//! | then per block: 2 | which signal of the feed |
//! | 2 | 1 when the samples were thinned, 0 when they are all |
//! | 4 | number of samples, n |
//! | 8 n | times, seconds since the start of the feed |
//! | 8 n | values |

use crate::thin::Points;

/// Puts a frame together.
pub(crate) struct Frame {
    bytes: Vec<u8>,
    n_blocks: u16,
}

impl Frame {
    pub(crate) fn new(number: u32, feed: u16) -> Self {
        let mut bytes = Vec::with_capacity(1024);
        bytes.extend(number.to_le_bytes());
        bytes.extend(0u16.to_le_bytes());
        bytes.extend(feed.to_le_bytes());
        Self { bytes, n_blocks: 0 }
    }

    pub(crate) fn block(&mut self, signal: u16, is_thinned: bool, points: &Points) {
        self.n_blocks += 1;
        self.bytes.extend(signal.to_le_bytes());
        self.bytes.extend(u16::from(is_thinned).to_le_bytes());
        self.bytes.extend((points.t_s.len() as u32).to_le_bytes());
        self.bytes.extend(points.t_s.iter().flat_map(|t| t.to_le_bytes()));
        self.bytes.extend(points.value.iter().flat_map(|value| value.to_le_bytes()));
    }

    pub(crate) fn is_empty(&self) -> bool {
        self.n_blocks == 0
    }

    pub(crate) fn into_bytes(mut self) -> Vec<u8> {
        self.bytes[4..6].copy_from_slice(&self.n_blocks.to_le_bytes());
        self.bytes
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_layout_is_as_the_page_reads_it() {
        let mut frame = Frame::new(7, 3);
        assert!(frame.is_empty());
        frame.block(2, true, &Points { t_s: vec![0.5], value: vec![-1.0] });
        let bytes = frame.into_bytes();
        assert_eq!(bytes[..8], [7, 0, 0, 0, 1, 0, 3, 0]);
        assert_eq!(bytes[8..16], [2, 0, 1, 0, 1, 0, 0, 0]);
        assert_eq!(bytes[16..24], 0.5f64.to_le_bytes());
        assert_eq!(bytes[24..], (-1.0f64).to_le_bytes());
    }
}
