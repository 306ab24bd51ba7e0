//! Raw CAN frames: one, and a batch of them as a drive keeps it.

use crate::format::{Frames, is_time};

/// Marks an identifier of 29 bits.
const EXTENDED: u32 = 1 << 31;
/// Longest data of a frame (CAN FD), bytes.
pub(crate) const MAX_DATA: usize = 64;

/// One CAN frame as it came over a bus.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Frame<'a> {
    /// When it had arrived, nanoseconds since the start of the drive.
    pub t_ns: i64,
    /// Name of the bus or interface.
    pub bus: &'a str,
    /// The identifier, 11 or 29 bits.
    pub number: u32,
    /// Whether it is one of 29 bits.
    pub is_extended: bool,
    /// Its data, at most 64 bytes.
    pub data: &'a [u8],
}

/// Consecutive frames of one bus, in the order in which they came.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct FrameBatch {
    pub(crate) frames: Frames,
    pub(crate) last_ns: i64,
}

impl FrameBatch {
    /// An empty batch.
    #[must_use]
    pub fn new(bus: &str) -> Self {
        Self { frames: Frames { bus: bus.to_owned(), ..Frames::default() }, last_ns: 0 }
    }

    /// The bus.
    #[must_use]
    pub fn bus(&self) -> &str {
        &self.frames.bus
    }

    /// Appends a frame; data beyond 64 bytes is no frame and is cut off.
    pub fn push(&mut self, t_ns: i64, number: u32, is_extended: bool, data: &[u8]) {
        let data = data.get(..MAX_DATA).unwrap_or(data);
        self.frames.t_step_ns.push(t_ns.wrapping_sub(self.last_ns));
        self.frames.id.push(if is_extended { number | EXTENDED } else { number });
        self.frames.length.push(data.len() as u32);
        self.frames.data.extend_from_slice(data);
        self.last_ns = t_ns;
    }

    /// Number of frames.
    #[must_use]
    pub fn len(&self) -> usize {
        self.frames.id.len()
    }

    /// Whether there is none.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.frames.id.is_empty()
    }

    /// Hands its frames over in order.
    pub fn each(&self, take: impl FnMut(Frame<'_>)) {
        // A batch that was made by pushing always makes sense.
        let _ = each(&self.frames, take);
    }

    /// Memory that it takes, bytes, about.
    pub(crate) fn n_bytes(&self) -> usize {
        64 + self.len() * 16 + self.frames.data.len()
    }

    /// Forgets the frames, keeps bus and memory.
    pub(crate) fn clear(&mut self) {
        let Frames { t_step_ns, id, length, data, .. } = &mut self.frames;
        t_step_ns.clear();
        id.clear();
        length.clear();
        data.clear();
        self.last_ns = 0;
    }
}

/// Hands the frames of a batch over; the first and last time. Nothing is handed over if any part makes no sense.
pub(crate) fn each(frames: &Frames, mut take: impl FnMut(Frame<'_>)) -> Result<Option<(i64, i64)>, String> {
    let n_frames = frames.id.len();
    if frames.t_step_ns.len() != n_frames || frames.length.len() != n_frames {
        return Err("columns of different length".into());
    }
    let n_data = frames.length.iter().try_fold(0usize, |sum, n| sum.checked_add(*n as usize));
    if n_data != Some(frames.data.len()) || frames.length.iter().any(|n| *n as usize > MAX_DATA) {
        return Err("data that does not fit the lengths of its frames".into());
    }
    let (mut t_ns, mut span) = (0i64, None);
    for step in &frames.t_step_ns {
        t_ns = t_ns.checked_add(*step).filter(|t_ns| is_time(*t_ns)).ok_or("a time beyond all limits")?;
        let (first, last) = span.get_or_insert((t_ns, t_ns));
        (*first, *last) = (t_ns.min(*first), t_ns.max(*last));
    }
    let (mut t_ns, mut data) = (0, frames.data.as_slice());
    for ((step, id), length) in frames.t_step_ns.iter().zip(&frames.id).zip(&frames.length) {
        t_ns += step;
        let Some((own, rest)) = data.split_at_checked(*length as usize) else { break };
        data = rest;
        let (number, is_extended) = (id & !EXTENDED, id & EXTENDED != 0);
        take(Frame { t_ns, bus: &frames.bus, number, is_extended, data: own });
    }
    Ok(span)
}
