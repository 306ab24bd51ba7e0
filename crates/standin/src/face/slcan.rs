//! The serial-line CAN adapter: one line of text per command and per frame.
//!
//! The language is that of [`protocol::slcan`]; the other end of it is tested against a general-purpose library.

use super::{Face, Output, Wire};
use crate::bus::{BusKind, CanFrame, CanId};
use protocol::Nanos;

/// What the adapter says of itself.
const VERSION: &[u8] = b"V0101\r";
const SERIAL: &[u8] = b"NINVENTED1\r";
const DONE: &[u8] = b"\r";
const REFUSED: &[u8] = b"\x07";
/// Longest input line, characters.
const INPUT_LIMIT: usize = 64;

/// Acceptance code and mask that let everything through.
const ALL: [u32; 2] = [0, u32::MAX];

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Channel {
    Closed,
    Open,
    Listening,
}

/// The adapter.
#[derive(Debug)]
pub(crate) struct SlcanFace {
    char_ns: Nanos,
    kbit_s: Option<u32>,
    channel: Channel,
    /// Acceptance code and mask.
    filter: [u32; 2],
    line: Vec<u8>,
    /// Lines that are complete and to be acted on.
    lines: std::collections::VecDeque<(Nanos, Vec<u8>)>,
    out: Output,
}

impl SlcanFace {
    /// An adapter that has just been plugged in.
    #[must_use]
    pub(crate) fn new(char_ns: Nanos) -> Self {
        let lines = std::collections::VecDeque::new();
        Self {
            char_ns,
            kbit_s: None,
            channel: Channel::Closed,
            filter: ALL,
            line: Vec::new(),
            lines,
            out: Output::default(),
        }
    }

    fn say(&mut self, at: Nanos, bytes: &[u8]) {
        self.out.put(at, bytes, self.char_ns);
    }

    /// Whether one of the two filters lets a frame through; each sees 16 bits. Of a frame with 11 bits both see identifier and
    /// remote bit, and the first one the first byte of the data, whose lower half stands in the last four bits of the other
    /// filter; of one with 29 bits both see the upper bits of the identifier.
    fn passes(&self, frame: &CanFrame) -> bool {
        let [code, mask] = self.filter;
        let (first, second) = match frame.id {
            CanId::Standard(id) => {
                let id = u32::from(id << 5);
                let data = u32::from(frame.data().first().copied().unwrap_or(0));
                ((((id | data >> 4) << 16) | (data & 0xF), 0xFFFF_000F), (id, 0xFFF0))
            }
            CanId::Extended(id) => {
                let seen = id >> 13;
                ((seen << 16, 0xFFFF_0000), (seen, 0xFFFF))
            }
        };
        [first, second].iter().any(|(seen, looked_at)| (seen ^ code) & !mask & looked_at == 0)
    }

    fn execute(&mut self, at: Nanos, line: &[u8], wire: &mut dyn Wire) {
        let is_closed = self.channel == Channel::Closed;
        let answer = match line {
            [] => DONE,
            b"V" | b"v" => VERSION,
            b"N" => SERIAL,
            b"F" if !is_closed => b"F00\r",
            b"C" => {
                self.channel = Channel::Closed;
                DONE
            }
            [b'S', digit @ b'0'..=b'8'] if is_closed => {
                let rates = [10, 20, 50, 100, 125, 250, 500, 800, 1000];
                self.kbit_s = rates.get(usize::from(digit - b'0')).copied();
                DONE
            }
            [which @ (b'M' | b'm'), digits @ ..] if is_closed && digits.len() == 8 => {
                let number = std::str::from_utf8(digits).ok().and_then(|text| u32::from_str_radix(text, 16).ok());
                match number {
                    Some(number) => {
                        self.filter[usize::from(*which == b'm')] = number;
                        DONE
                    }
                    None => REFUSED,
                }
            }
            b"O" if is_closed && self.kbit_s.is_some() => {
                self.channel = Channel::Open;
                DONE
            }
            b"L" if is_closed && self.kbit_s.is_some() => {
                self.channel = Channel::Listening;
                DONE
            }
            [b't' | b'T', ..] if self.channel == Channel::Open => match frame(line) {
                Some(frame) => {
                    let kbit_s = self.kbit_s.unwrap_or(0);
                    wire.transmit(at, BusKind { wide: matches!(frame.id, CanId::Extended(_)), kbit_s }, frame);
                    if line[0] == b't' { b"z\r" } else { b"Z\r" }
                }
                None => REFUSED,
            },
            _ => REFUSED,
        };
        self.say(at, answer);
    }
}

/// Reads `t7DF80201000000000000`.
fn frame(line: &[u8]) -> Option<CanFrame> {
    let text = std::str::from_utf8(line).ok()?;
    let digits = if text.starts_with('t') { 3 } else { 8 };
    let id = u32::from_str_radix(text.get(1..=digits)?, 16).ok()?;
    let id = match (digits, id) {
        (3, 0..=0x7FF) => CanId::Standard(id as u16),
        (8, 0..=0x1FFF_FFFF) => CanId::Extended(id),
        _ => return None,
    };
    let n = text.get(digits + 1..digits + 2)?.parse::<usize>().ok().filter(|n| *n <= 8)?;
    let data = text.get(digits + 2..).filter(|data| data.len() == 2 * n)?;
    let bytes = (0..n).map(|idx| u8::from_str_radix(data.get(2 * idx..2 * idx + 2)?, 16).ok());
    Some(CanFrame::new(id, &bytes.collect::<Option<Vec<u8>>>()?))
}

impl Face for SlcanFace {
    fn char_ns(&self) -> Nanos {
        self.char_ns
    }

    fn byte(&mut self, at: Nanos, byte: u8) {
        match byte {
            b'\r' => self.lines.push_back((at, std::mem::take(&mut self.line))),
            b'\n' => {}
            _ if self.line.len() < INPUT_LIMIT => self.line.push(byte),
            // Too long for any command: refused as a whole.
            _ => self.line = vec![b'?'],
        }
    }

    fn tick(&mut self, at: Nanos, wire: &mut dyn Wire) {
        while let Some((due, line)) = self.lines.pop_front_if(|(due, _)| *due <= at) {
            self.execute(due, &line, wire);
        }
    }

    fn frame(&mut self, at: Nanos, frame: &CanFrame, wire: &mut dyn Wire) {
        if self.channel == Channel::Closed || self.kbit_s != Some(wire.kbit_s()) {
            return;
        }
        if !self.passes(frame) {
            return;
        }
        let letter = if matches!(frame.id, CanId::Standard(_)) { 't' } else { 'T' };
        let mut text = format!("{letter}{}{}", frame.id, frame.data().len());
        text.extend(frame.data().iter().map(|byte| format!("{byte:02X}")));
        text.push('\r');
        self.say(at, text.as_bytes());
    }

    fn deadline(&self) -> Option<Nanos> {
        self.lines.front().map(|(at, _)| *at)
    }

    fn next_output(&self) -> Option<Nanos> {
        self.out.next()
    }

    fn take_output(&mut self, until: Nanos) -> Option<(Nanos, u8)> {
        self.out.take(until)
    }

    fn drop_output(&mut self) {
        self.out.clear();
    }
}
