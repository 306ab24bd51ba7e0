//! The lines of a log.

use std::io::Read;

use crate::frames::{Frame, MAX_DATA};
use crate::source::Source;
use crate::table::{TableProblem, parse_time, quote};

/// Longest line that is looked at, bytes; a frame of CAN FD takes 200.
const MAX_LINE: usize = 4096;

/// What a line of a log is.
pub(super) enum Line<'a> {
    Frame {
        t_ns: i64,
        bus: &'a [u8],
        number: u32,
        is_extended: bool,
        hex: &'a [u8],
    },
    /// A remote frame, which has no data, or an error frame.
    Empty,
    No,
}

impl<'a> Line<'a> {
    pub(super) fn of(line: &'a [u8]) -> Self {
        Self::parse(line).unwrap_or(Self::No)
    }

    fn parse(line: &'a [u8]) -> Option<Self> {
        let rest = line.strip_prefix(b"(")?;
        let (time, rest) = split(rest, b')')?;
        let t_ns = quick_time(time).or_else(|| parse_time(time, 0))?;
        let rest = rest.trim_ascii_start();
        let (bus, rest) = split(rest, b' ')?;
        let rest = rest.trim_ascii_start();
        let (id, rest) = split(rest, b'#')?;
        if bus.is_empty() || !matches!(id.len(), 3 | 8) {
            return None;
        }
        let mut number = 0;
        for digit in id {
            number = number << 4 | u32::from(nibble(*digit)?);
        }
        let is_extended = id.len() == 8;
        if number > if is_extended { 0x1FFF_FFFF } else { 0x7FF } {
            // Flags above the identifier mark error frames.
            return (is_extended && number & 1 << 29 != 0).then_some(Self::Empty);
        }
        // Behind the data there may be a direction.
        let hex = rest.split(|byte| *byte == b' ').next().unwrap_or_default();
        let hex = match hex {
            [b'R', ..] => return Some(Self::Empty),
            [b'#', _flags, hex @ ..] => hex,
            hex => hex,
        };
        (hex.len().is_multiple_of(2) && hex.len() <= 2 * MAX_DATA).then_some(Self::Frame {
            t_ns,
            bus,
            number,
            is_extended,
            hex,
        })
    }
}

fn split(text: &[u8], at: u8) -> Option<(&[u8], &[u8])> {
    let idx = text.iter().position(|byte| *byte == at)?;
    Some((&text[..idx], &text[idx + 1..]))
}

/// Nanoseconds of the last of so many decimals of a second.
const DECIMALS_NS: [i64; 10] = [1_000_000_000, 100_000_000, 10_000_000, 1_000_000, 100_000, 10_000, 1000, 100, 10, 1];

/// A time in plain notation with at most nine decimals; everything else is left to the general reading.
fn quick_time(text: &[u8]) -> Option<i64> {
    let (mut whole, mut decimals, mut n_decimals, mut in_decimals) = (0i64, 0i64, 0, false);
    if text.is_empty() || text.len() > 19 {
        return None;
    }
    for byte in text {
        match byte {
            b'0'..=b'9' if in_decimals => {
                decimals = decimals * 10 + i64::from(byte - b'0');
                n_decimals += 1;
            }
            b'0'..=b'9' => whole = whole.checked_mul(10)?.checked_add(i64::from(byte - b'0'))?,
            b'.' if !in_decimals => in_decimals = true,
            _ => return None,
        }
    }
    let t_ns = whole.checked_mul(1_000_000_000)?.checked_add(decimals * DECIMALS_NS.get(n_decimals)?)?;
    crate::format::is_time(t_ns).then_some(t_ns)
}

/// The frame on the first line in the usual form `(SECONDS.DECIMALS) INTERFACE ID#DATA`, and what follows that line, in one
/// pass over its bytes: nearly all lines of nearly all logs. Every other form is left to [`Line::of`].
#[inline]
fn usual_line<'t: 'd, 'd>(text: &'t [u8], data: &'d mut [u8; MAX_DATA]) -> Option<(Frame<'d>, &'t [u8])> {
    let (whole, n_whole, rest) = digits(text.strip_prefix(b"(")?);
    let (decimals, n_decimals, rest) = digits(rest.strip_prefix(b".")?);
    if n_whole == 0 || n_whole + n_decimals > 18 {
        return None;
    }
    let t_ns = whole.checked_mul(1_000_000_000)?.checked_add(decimals * DECIMALS_NS.get(n_decimals)?)?;
    let rest = rest.strip_prefix(b") ")?;
    let n_bus = rest.iter().take(MAX_BUS_NAME).position(|byte| *byte == b' ')?;
    let bus = rest.get(..n_bus).filter(|bus| !bus.is_empty())?;
    let rest = rest.get(n_bus + 1..)?;
    let is_extended = rest.get(3) != Some(&b'#');
    let (id, rest) = rest.split_at_checked(if is_extended { 8 } else { 3 })?;
    let (mut number, mut seen) = (0, 0);
    for digit in id {
        let value = NIBBLES[usize::from(*digit)];
        seen |= value;
        number = number << 4 | u32::from(value);
    }
    let rest = rest.strip_prefix(b"#")?;
    let n_data = hex_bytes(rest, data);
    let after = rest.get(2 * n_data..)?.strip_prefix(b"\n")?;
    let is_right = seen < 16 && number <= if is_extended { 0x1FFF_FFFF } else { 0x7FF };
    if !is_right || !crate::format::is_time(t_ns) {
        return None;
    }
    let bus = std::str::from_utf8(bus).ok()?;
    Some((Frame { t_ns, bus, number, is_extended, data: &data[..n_data] }, after))
}

/// The bytes of the hex digits that a text begins with, as many as there is room for; how many they are.
#[inline]
fn hex_bytes(text: &[u8], bytes: &mut [u8; MAX_DATA]) -> usize {
    let mut n_bytes = 0;
    for (four, digits) in bytes.as_chunks_mut::<4>().0.iter_mut().zip(text.as_chunks::<8>().0) {
        let Some(read) = four_bytes(*digits) else { break };
        *four = read;
        n_bytes += 4;
    }
    let rest = text.get(2 * n_bytes..).unwrap_or_default();
    for (byte, pair) in bytes.iter_mut().skip(n_bytes).zip(rest.as_chunks::<2>().0) {
        let (high, low) = (NIBBLES[usize::from(pair[0])], NIBBLES[usize::from(pair[1])]);
        if high | low == NO_DIGIT {
            break;
        }
        *byte = high << 4 | low;
        n_bytes += 1;
    }
    n_bytes
}

/// What eight hex digits stand for; `None` if one of them is none. All eight at once, each in its own byte of a number.
#[inline]
fn four_bytes(digits: [u8; 8]) -> Option<[u8; 4]> {
    const EACH: u64 = 0x0101_0101_0101_0101;
    let text = u64::from_be_bytes(digits);
    // Letters have bit 6, digits have not; their values lie nine apart from the lower four bits.
    let is_letter = text >> 6 & EACH;
    let values = (text & (0x0F * EACH)) + 9 * is_letter;
    // Digits begin with 3 (hex); letters with 4, or with 6 when they are small.
    let begins_well = ((text | is_letter << 5) >> 4) & (0x0F * EACH) == 3 * EACH + 3 * is_letter;
    let is_small = values & (0xF0 * EACH) == 0;
    let fits = (values + 0x76 * EACH) >> 7 & EACH == is_letter;
    if !(begins_well && is_small && fits) {
        return None;
    }
    let pairs = (values >> 4 | values) & 0x00FF_00FF_00FF_00FF;
    let pairs = (pairs >> 8 | pairs) & 0x0000_FFFF_0000_FFFF;
    Some(((pairs >> 16 | pairs) as u32).to_be_bytes())
}

/// Longest name of an interface in the usual form; Linux allows 15 bytes.
const MAX_BUS_NAME: usize = 32;

/// The digits at the start of a text as a number (meaningful up to 18 of them), how many they are, and what follows.
#[inline]
fn digits(text: &[u8]) -> (i64, usize, &[u8]) {
    let mut number = 0i64;
    let mut n_digits = 0;
    for byte in text {
        let digit = byte.wrapping_sub(b'0');
        if digit > 9 {
            break;
        }
        number = number.wrapping_mul(10).wrapping_add(i64::from(digit));
        n_digits += 1;
    }
    (number, n_digits, text.get(n_digits..).unwrap_or_default())
}

/// What a hex digit stands for; `NO_DIGIT` for any other byte. A table, because half of a log is hex digits.
const NIBBLES: [u8; 256] = {
    let mut table = [NO_DIGIT; 256];
    let mut value = 0;
    while value < 16 {
        table[b"0123456789ABCDEF"[value] as usize] = value as u8;
        table[b"0123456789abcdef"[value] as usize] = value as u8;
        value += 1;
    }
    table
};
const NO_DIGIT: u8 = 0xFF;

#[inline]
fn nibble(digit: u8) -> Option<u8> {
    let value = NIBBLES[usize::from(digit)];
    (value != NO_DIGIT).then_some(value)
}

/// The lines of a log.
pub(super) struct Lines<'a> {
    source: Source<'a>,
    buffer: Vec<u8>,
    pub(super) n_lines: u64,
    n_empty: u64,
    n_bad: u64,
    first_bad: Option<(u64, String)>,
}

impl<'a> Lines<'a> {
    pub(super) fn start(source: impl Read + 'a) -> Result<Self, TableProblem> {
        let (source, head) = Source::start(source)?;
        if head.is_empty() {
            return Err(TableProblem::NoLog);
        }
        Ok(Self { source, buffer: Vec::new(), n_lines: 0, n_empty: 0, n_bad: 0, first_bad: None })
    }

    /// The time of the first frame, if one is near the start; nothing is consumed.
    pub(super) fn find_start(&mut self) -> Result<Option<i64>, TableProblem> {
        self.source.append_block(&mut self.buffer)?;
        let mut lines = self.buffer.split(|byte| *byte == b'\n').map(<[u8]>::trim_ascii);
        Ok(lines.find_map(|line| match Line::of(line) {
            Line::Frame { t_ns, .. } => Some(t_ns),
            _ => None,
        }))
    }

    /// Hands every frame over.
    pub(super) fn each(&mut self, mut take: impl FnMut(&Frame<'_>)) -> Result<(), TableProblem> {
        let mut at_end = false;
        while !at_end {
            // What was read to find the start comes first.
            at_end = self.source.append_block(&mut self.buffer)? == 0;
            let buffer = std::mem::take(&mut self.buffer);
            let n_whole = if at_end {
                buffer.len()
            } else {
                buffer.iter().rposition(|byte| *byte == b'\n').map_or(0, |idx| idx + 1)
            };
            if n_whole == 0 && buffer.len() > MAX_LINE {
                return Err(TableProblem::LongRow(MAX_LINE));
            }
            let mut rest = &buffer[..n_whole];
            let mut data = [0; MAX_DATA];
            while !rest.is_empty() {
                if let Some((frame, after)) = usual_line(rest, &mut data) {
                    self.n_lines += 1;
                    take(&frame);
                    rest = after;
                    continue;
                }
                let end = memchr::memchr(b'\n', rest).unwrap_or(rest.len());
                self.line(rest[..end].trim_ascii(), &mut take);
                rest = rest.get(end + 1..).unwrap_or_default();
            }
            self.buffer = buffer;
            self.buffer.drain(..n_whole);
        }
        Ok(())
    }

    #[inline]
    fn line(&mut self, line: &[u8], take: &mut impl FnMut(&Frame<'_>)) {
        self.n_lines += 1;
        if line.is_empty() {
            return;
        }
        if let Line::Frame { t_ns, bus, number, is_extended, hex } = Line::of(line)
            && let Ok(bus) = std::str::from_utf8(bus)
        {
            let mut data = [0; MAX_DATA];
            let n_data = hex_bytes(hex, &mut data);
            if 2 * n_data == hex.len() {
                return take(&Frame { t_ns, bus, number, is_extended, data: &data[..n_data] });
            }
        } else if matches!(Line::of(line), Line::Empty) {
            self.n_empty += 1;
            return;
        }
        self.n_bad += 1;
        self.first_bad.get_or_insert_with(|| (self.n_lines, quote(line)));
    }

    pub(super) fn problems(&self) -> impl Iterator<Item = String> {
        let bad = self.first_bad.as_ref().map(|(line, text)| {
            format!(
                "{} lines are no frame `(SECONDS) INTERFACE ID#DATA`, the first is line {line}: `{text}`",
                self.n_bad
            )
        });
        bad.into_iter()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn frame(line: &str) -> Option<(i64, u32, bool, usize)> {
        match Line::of(line.as_bytes()) {
            Line::Frame { t_ns, number, is_extended, hex, .. } => Some((t_ns, number, is_extended, hex.len() / 2)),
            _ => None,
        }
    }

    #[test]
    fn lines_of_every_kind() {
        assert_eq!(frame("(0.000013) can0 2C1#0014DF14BBCA3A91"), Some((13_000, 0x2C1, false, 8)));
        assert_eq!(
            frame("(1436509052.249713) vcan0 18DAF110#"),
            Some((1_436_509_052_249_713_000, 0x18DA_F110, true, 0))
        );
        assert_eq!(frame("(1.5) can1 123##1aabbcc T"), Some((1_500_000_000, 0x123, false, 3)));
        assert_eq!(frame("(1.5) can1 123#AABB R"), Some((1_500_000_000, 0x123, false, 2)));
        assert_eq!(frame("(1.5e0) can1 123#AA"), Some((1_500_000_000, 0x123, false, 1)));
        for line in
            ["", "(1.5) can1", "(1.5) can1 923#", "(1.5) can1 12#", "(x) can1 123#", "1.5 can1 123#", "(1) a 123#A"]
        {
            assert_eq!(frame(line), None, "{line}");
        }
        assert!(matches!(Line::of(b"(1.5) can1 123#R8"), Line::Empty));
        assert!(matches!(Line::of(b"(1.5) can1 20000004#0000000000000000"), Line::Empty));
    }

    /// Found by fuzzing: nineteen digits of whole seconds are more than 64 bits hold.
    #[test]
    fn a_time_beyond_all_times_is_no_frame() {
        for line in ["(9700520304050607080) can0 123#AA", "(9999999999999999999) can0 123#AA"] {
            assert_eq!(quick_time(&line.as_bytes()[1..20]), None);
            assert_eq!(frame(line), None, "{line}");
        }
    }

    proptest::proptest! {
        #[test]
        fn any_line_is_read_without_a_panic(line: Vec<u8>) {
            let _ = Line::of(&line);
            let _ = Line::of(&[b"(1.0) can0 123#", line.as_slice()].concat());
        }

        #[test]
        fn usual_lines_are_those_of_the_general_reading(
            text in "\\([0-9]{0,11}(\\.[0-9]{0,10})?\\) ?[a-z]{0,3}[0-9]? [0-9A-Fa-f]{2,9}##?[0-9A-Fa-fR]{0,18} ?\n(x\n)?"
        ) {
            let mut data = [0; MAX_DATA];
            if let Some((frame, after)) = usual_line(text.as_bytes(), &mut data) {
                let line = text.as_bytes()[..text.len() - after.len()].trim_ascii();
                let Line::Frame { t_ns, bus, number, is_extended, hex } = Line::of(line) else { panic!("{text}") };
                let bytes: Vec<u8> = hex.chunks(2).map(|two| nibble(two[0]).unwrap() << 4 | nibble(two[1]).unwrap()).collect();
                let bus = std::str::from_utf8(bus).unwrap();
                proptest::prop_assert_eq!(frame, Frame { t_ns, bus, number, is_extended, data: &bytes });
            }
        }

        #[test]
        fn quick_times_are_those_of_the_general_reading(text in "[0-9]{0,12}(\\.[0-9]{0,11})?") {
            if let Some(t_ns) = quick_time(text.as_bytes()) {
                proptest::prop_assert!(parse_time(text.as_bytes(), 0) == Some(t_ns) || text == ".");
            }
        }
    }
}
