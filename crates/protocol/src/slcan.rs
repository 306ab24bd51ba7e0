//! The text of serial-line CAN adapters: one line per command and per frame.
//!
//! The language that such adapters share (common practice, no published standard; the same letters as the Linux kernel's
//! serial-line CAN discipline and the general-purpose Python CAN library use): commands end with a carriage return, which
//! is also the answer "done"; a bell is the answer "refused". A frame is `t` and three hex digits (11 bit) or `T` and
//! eight (29 bit), one digit for the length, and the data bytes; `d`, `D` are CAN FD frames, `b`, `B` those with the
//! higher bit rate for the data. Four more digits may carry the adapter's time in milliseconds.

use crate::can::FD_LENGTHS;
use crate::{CanFrame, CanId};

const DONE: u8 = b'\r';
const REFUSED: u8 = 7;
/// Longest line: an FD frame with 64 bytes and a time.
const MAX_LINE: usize = 1 + 8 + 1 + 128 + 4;

/// Letters of the bit rates, kbit/s.
const BIT_RATES: [(u16, u8); 9] =
    [(10, b'0'), (20, b'1'), (50, b'2'), (100, b'3'), (125, b'4'), (250, b'5'), (500, b'6'), (800, b'7'), (1000, b'8')];

/// What the adapter can be told.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Command {
    /// Which version it is.
    Version,
    /// Its serial number.
    Serial,
    /// The bit rate, while closed. `None` of [`Command::text`]: no such rate.
    BitRate(u16),
    /// Which frames pass, while closed: code and mask (bits that are 1 do not count), each as the four bytes of the two
    /// filters that most such adapters have (see [`filter`]).
    AcceptanceCode([u8; 4]),
    /// See [`Command::AcceptanceCode`].
    AcceptanceMask([u8; 4]),
    /// Take part in the network.
    Open,
    /// Listen without acknowledging anything.
    Listen,
    /// Leave the network.
    Close,
    /// Error flags, which reading clears.
    Flags,
    /// Send a frame.
    Send(CanFrame),
}

impl Command {
    /// The line; `None` where the language has no word for it.
    ///
    /// ```
    /// use protocol::slcan::Command;
    /// use protocol::{CanFrame, CanId};
    /// let frame = CanFrame::classic(CanId::Standard(0x7DF), &[2, 1, 0]);
    /// assert_eq!(Command::Send(frame).text().as_deref(), Some(b"t7DF3020100\r".as_slice()));
    /// assert_eq!(Command::BitRate(500).text().as_deref(), Some(b"S6\r".as_slice()));
    /// assert_eq!(Command::BitRate(333).text(), None);
    /// ```
    #[must_use]
    pub fn text(&self) -> Option<Vec<u8>> {
        let mut text = match self {
            Self::Version => b"V".to_vec(),
            Self::Serial => b"N".to_vec(),
            Self::BitRate(kbit_s) => {
                let (_, digit) = BIT_RATES.iter().find(|(rate, _)| rate == kbit_s)?;
                vec![b'S', *digit]
            }
            Self::AcceptanceCode(bytes) => eight_digits('M', *bytes),
            Self::AcceptanceMask(bytes) => eight_digits('m', *bytes),
            Self::Open => b"O".to_vec(),
            Self::Listen => b"L".to_vec(),
            Self::Close => b"C".to_vec(),
            Self::Flags => b"F".to_vec(),
            Self::Send(frame) => frame_text(frame)?,
        };
        text.push(DONE);
        Some(text)
    }
}

fn eight_digits(letter: char, bytes: [u8; 4]) -> Vec<u8> {
    format!("{letter}{:08X}", u32::from_be_bytes(bytes)).into_bytes()
}

/// Code and mask that let those identifiers pass whose upper bits are those of `id`, as far as a filter looks: the first
/// `n_bits` of it, at most 11 of an 11-bit identifier and 16 of one with 29 bits.
///
/// The controllers that the language was made for have two filters of 16 bits, which see the first bits of a frame: the
/// identifier and the remote bit of a frame with 11 bits, the upper 16 bits of an identifier with 29. The first filter sees
/// the first byte of the data of a frame with 11 bits too, its lower half by the last four bits of the second filter (from
/// memory): an 11-bit identifier belongs into the second. Both filters are set alike.
///
/// ```
/// use protocol::CanId;
/// use protocol::slcan::filter;
/// // 700 to 7FF.
/// assert_eq!(filter(CanId::Standard(0x700), 3), ([0xE0, 0, 0xE0, 0], [0x1F, 0xFF, 0x1F, 0xFF]));
/// // 18DAxxxx: the upper 13 of 29 bits.
/// assert_eq!(filter(CanId::Extended(0x18DA_0000), 13), ([0xC6, 0xD0, 0xC6, 0xD0], [0, 7, 0, 7]));
/// ```
#[must_use]
pub fn filter(id: CanId, n_bits: u32) -> ([u8; 4], [u8; 4]) {
    let (first, most) = match id {
        CanId::Standard(id) => (id << 5, 11),
        CanId::Extended(id) => ((id >> 13) as u16, 16),
    };
    let mask = u16::MAX.checked_shr(n_bits.min(most)).unwrap_or(0);
    let twice = |word: u16| {
        let [high, low] = word.to_be_bytes();
        [high, low, high, low]
    };
    (twice(first & !mask), twice(mask))
}

fn frame_text(frame: &CanFrame) -> Option<Vec<u8>> {
    let letter = match (frame.id, frame.is_fd) {
        (CanId::Standard(_), false) => 't',
        (CanId::Extended(_), false) => 'T',
        (CanId::Standard(_), true) => 'b',
        (CanId::Extended(_), true) => 'B',
    };
    let n = frame.data.len();
    let code = match n {
        0..=8 => n,
        _ if frame.is_fd => 9 + FD_LENGTHS.iter().position(|length| *length == n)?,
        _ => return None,
    };
    let mut text = format!("{letter}{}{code:X}", frame.id);
    text.extend(frame.data.iter().map(|byte| format!("{byte:02X}")));
    Some(text.into_bytes())
}

/// What the adapter says.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Said {
    /// "Done".
    Done,
    /// "Refused".
    Refused,
    /// "The frame is sent", from adapters that say so in a word of their own (`z`, `Z`).
    Sent,
    /// A frame from the network.
    Frame(CanFrame),
    /// Its version (`V`), serial number (`N`) or error flags (`F`), with the letter.
    Fact(String),
    /// A line that means nothing here; shortened.
    Unknown(String),
}

/// Takes the adapter's bytes apart.
#[derive(Debug, Clone, Default)]
pub struct Reader {
    line: Vec<u8>,
    is_cut: bool,
}

impl Reader {
    /// The next byte; what it completes.
    pub fn push(&mut self, byte: u8) -> Option<Said> {
        match byte {
            DONE => {
                let line = std::mem::take(&mut self.line);
                if std::mem::take(&mut self.is_cut) { Some(unknown(&line)) } else { Some(read(&line)) }
            }
            REFUSED => {
                // What stands before it was broken off by it.
                self.line.clear();
                self.is_cut = false;
                Some(Said::Refused)
            }
            b'\n' => None,
            _ if self.line.len() >= MAX_LINE => {
                self.is_cut = true;
                None
            }
            _ => {
                self.line.push(byte);
                None
            }
        }
    }

    /// All of `bytes`.
    pub fn read(&mut self, bytes: &[u8]) -> Vec<Said> {
        bytes.iter().filter_map(|byte| self.push(*byte)).collect()
    }
}

fn unknown(line: &[u8]) -> Said {
    Said::Unknown(String::from_utf8_lossy(line).chars().take(40).collect::<String>().escape_debug().to_string())
}

fn read(line: &[u8]) -> Said {
    match line {
        [] => Said::Done,
        [b'z' | b'Z'] => Said::Sent,
        [b't' | b'T' | b'd' | b'D' | b'b' | b'B', ..] => read_frame(line).map_or_else(|| unknown(line), Said::Frame),
        [b'V' | b'v' | b'N' | b'F', rest @ ..] if rest.iter().all(u8::is_ascii_graphic) => {
            Said::Fact(String::from_utf8_lossy(line).into_owned())
        }
        _ => unknown(line),
    }
}

fn read_frame(line: &[u8]) -> Option<CanFrame> {
    let digit = |byte: &u8| char::from(*byte).to_digit(16);
    let (letter, rest) = line.split_first()?;
    let is_fd = matches!(letter, b'd' | b'D' | b'b' | b'B');
    let (id, rest) = rest.split_at_checked(if letter.is_ascii_lowercase() { 3 } else { 8 })?;
    let number = id.iter().try_fold(0_u32, |number, byte| Some(number << 4 | digit(byte)?))?;
    let id = match u16::try_from(number) {
        Ok(id) if letter.is_ascii_lowercase() && id <= 0x7FF => CanId::Standard(id),
        _ if letter.is_ascii_uppercase() && number <= 0x1FFF_FFFF => CanId::Extended(number),
        _ => return None,
    };
    let (code, rest) = rest.split_first()?;
    let n = match usize::try_from(digit(code)?).ok()? {
        n @ 0..=8 => n,
        code if is_fd => *FD_LENGTHS.get(code - 9)?,
        _ => return None,
    };
    let (data, time) = rest.split_at_checked(2 * n)?;
    // Without a time, or with one of four digits.
    if !matches!(time.len(), 0 | 4) || !time.iter().all(u8::is_ascii_hexdigit) {
        return None;
    }
    let (pairs, _) = data.as_chunks::<2>();
    let byte = |[high, low]: &[u8; 2]| u8::try_from(digit(high)? << 4 | digit(low)?).ok();
    let data = pairs.iter().map(byte).collect::<Option<Vec<u8>>>()?;
    Some(CanFrame { id, data, is_fd })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// The forms of the Linux kernel's serial-line discipline and of the general-purpose Python CAN library (from memory).
    #[test]
    fn lines_of_all_kinds() {
        let frame = |id, data: &[u8]| Said::Frame(CanFrame::classic(id, data));
        let cases: [(&[u8], Vec<Said>); 9] = [
            (b"t7E8441050C0\r", vec![Said::Unknown("t7E8441050C0".to_owned())]),
            (b"t7E840341050C\r", vec![frame(CanId::Standard(0x7E8), &[3, 0x41, 5, 0x0C])]),
            (b"T18DAF11020102\rz\r", vec![frame(CanId::Extended(0x18DA_F110), &[1, 2]), Said::Sent]),
            (b"t10021133A1B2\r", vec![frame(CanId::Standard(0x100), &[0x11, 0x33])]),
            (b"\r\x07V1013\r", vec![Said::Done, Said::Refused, Said::Fact("V1013".to_owned())]),
            (b"t7E83\x07\r", vec![Said::Refused, Said::Done]),
            (b"t80000\r", vec![Said::Unknown("t80000".to_owned())]),
            (b"?\r", vec![Said::Unknown("?".to_owned())]),
            (b"F00\r", vec![Said::Fact("F00".to_owned())]),
        ];
        for (text, said) in cases {
            assert_eq!(Reader::default().read(text), said, "{}", String::from_utf8_lossy(text));
        }
        let long: Vec<u8> = (0..12).collect();
        let fd = CanFrame { id: CanId::Standard(0x123), data: long, is_fd: true };
        let text = Command::Send(fd.clone()).text().expect("a length that exists");
        assert!(text.starts_with(b"b1239000102"));
        assert_eq!(Reader::default().read(&text), [Said::Frame(fd)]);
    }

    /// What the language has no word for is neither sent nor taken for something near it; what follows is read again.
    #[test]
    fn the_edges_of_the_language() {
        for line in [
            b"t8000".as_slice(),
            b"T200000000",
            b"t1009112233445566778899AABBCC",
            b"t1000ABC",
            b"t1000GGGG",
            b"V\x01",
            &[b"V".as_slice(), &[b'A'; 1000]].concat(),
        ] {
            let said = Reader::default().read(&[line, b"\rt1000\r"].concat());
            assert!(matches!(said.as_slice(), [Said::Unknown(_), Said::Frame(_)]), "{said:?}");
        }
        let low = CanFrame::classic(CanId::Extended(0x100), &[]);
        assert_eq!(Reader::default().read(b"T000001000\n\r"), [Said::Frame(low)]);
        let long = CanFrame { id: CanId::Standard(0x123), data: vec![0; 12], is_fd: false };
        assert_eq!(Command::Send(long).text(), None);
        // Code and mask: M or m and eight digits (from memory).
        let text = |command: Command| command.text().and_then(|text| String::from_utf8(text).ok());
        assert_eq!(text(Command::AcceptanceCode([0xE0, 0, 0x0E, 1])).as_deref(), Some("ME0000E01\r"));
        assert_eq!(text(Command::AcceptanceMask([0x1F, 0xFF, 0, 7])).as_deref(), Some("m1FFF0007\r"));
    }

    proptest! {
        #[test]
        fn any_bytes_do_no_harm(bytes in proptest::collection::vec(any::<u8>(), 0..400)) {
            Reader::default().read(&bytes);
        }

        #[test]
        fn frames_read_back_as_written(
            wide in any::<bool>(), id in any::<u32>(), n in 0_usize..16, is_fd in any::<bool>(), fill in any::<u8>(),
        ) {
            let id = if wide { CanId::Extended(id & 0x1FFF_FFFF) } else { CanId::Standard(id as u16 & 0x7FF) };
            let n = if is_fd && n > 8 { FD_LENGTHS.into_iter().nth(n - 9).unwrap_or(8) } else { n.min(8) };
            let frame = CanFrame { id, data: vec![fill; n], is_fd };
            let text = Command::Send(frame.clone()).text().expect("a length that exists");
            prop_assert_eq!(Reader::default().read(&text), [Said::Frame(frame)]);
        }
    }
}
