//! One line of an answer in hex: who sent it, and its data.

use crate::header::{self, HeaderError};
use crate::{Address, Bus};

/// How replies are printed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Form {
    pub(super) bus: Bus,
    /// Identifiers, lengths and check sums are printed; otherwise only the payload.
    pub(super) headers: bool,
}

/// What one line carries.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Printed {
    /// A CAN frame.
    Frame { from: Address, data: Vec<u8> },
    /// A whole message with header, whose check sum is right.
    Message { from: Address, data: Vec<u8> },
    /// A payload without header.
    Bare(Vec<u8>),
    /// Without headers: length of the segmented message that follows.
    Length(usize),
    /// Without headers: one piece of a segmented message.
    Piece { index: u8, data: Vec<u8> },
}

/// Why a line is none of these.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub(super) enum LineError {
    #[error("not hex")]
    NotHex,
    #[error("{digits} digits do not make up a line of this network")]
    Digits { digits: usize },
    #[error("check sum {got:02X} where {due:02X} is due")]
    CheckSum { got: u8, due: u8 },
    #[error("the header states {stated} bytes and {carried} follow")]
    Length { stated: usize, carried: usize },
    #[error("not addressed to a tester")]
    NotForUs,
}

/// Reads a line of hex digits (capitals, no spaces).
pub(super) fn read(plain: &str, form: Form) -> Result<Printed, LineError> {
    if !form.headers {
        return read_bare(plain, form.bus);
    }
    match form.bus {
        Bus::Can { wide, .. } => read_frame(plain, wide),
        bus => read_message(&bytes(plain)?, bus),
    }
}

/// The payload of a line, or its beginning, as it is printed without headers; `None`: it is not of that form.
pub(super) fn payload_without_header(plain: &str, bus: Bus) -> Option<Vec<u8>> {
    match read_bare(plain, bus) {
        Ok(Printed::Bare(data) | Printed::Piece { index: 0, data }) => Some(data),
        _ => None,
    }
}

fn bytes(plain: &str) -> Result<Vec<u8>, LineError> {
    if !plain.bytes().all(|b| b.is_ascii_hexdigit()) {
        return Err(LineError::NotHex);
    }
    if !plain.len().is_multiple_of(2) || plain.is_empty() {
        return Err(LineError::Digits { digits: plain.len() });
    }
    let digit = |b: &u8| char::from(*b).to_digit(16).and_then(|d| u8::try_from(d).ok()).unwrap_or(0);
    Ok(plain.as_bytes().chunks(2).map(|pair| pair.iter().fold(0, |byte, b| byte << 4 | digit(b))).collect())
}

fn read_frame(plain: &str, wide: bool) -> Result<Printed, LineError> {
    let id_digits = if wide { 8 } else { 3 };
    let wrong = LineError::Digits { digits: plain.len() };
    if !plain.bytes().all(|b| b.is_ascii_hexdigit()) {
        return Err(LineError::NotHex);
    }
    let (id, data) = plain.split_at_checked(id_digits).ok_or(wrong)?;
    let data = bytes(data).map_err(|_| wrong)?;
    let id = u32::from_str_radix(id, 16).map_err(|_| LineError::NotHex)?;
    let from = match u16::try_from(id) {
        Ok(id) if !wide && id <= 0x7FF => Address::from_reply11(id),
        _ if wide && id <= 0x1FFF_FFFF => Address::from_reply29(id),
        _ => return Err(wrong),
    };
    if data.len() > 8 {
        return Err(wrong);
    }
    Ok(Printed::Frame { from, data })
}

/// Header, data, check byte.
fn read_message(line: &[u8], bus: Bus) -> Result<Printed, LineError> {
    let short = LineError::Digits { digits: line.len() * 2 };
    let (&check, message) = line.split_last().ok_or(short)?;
    if message.len() < 3 {
        return Err(short);
    }
    let due = match bus {
        Bus::J1850Pwm | Bus::J1850Vpw => crc8(message),
        _ => message.iter().fold(0_u8, |sum, byte| sum.wrapping_add(*byte)),
    };
    if check != due {
        return Err(LineError::CheckSum { got: check, due });
    }
    match header::read(message, bus) {
        Ok((from, data)) => Ok(Printed::Message { from, data: data.to_vec() }),
        Err(HeaderError::Short { .. }) => Err(short),
        Err(HeaderError::Length { stated, carried }) => Err(LineError::Length { stated, carried }),
        Err(HeaderError::NotForUs) => Err(LineError::NotForUs),
    }
}

fn read_bare(plain: &str, bus: Bus) -> Result<Printed, LineError> {
    if !bus.is_can() {
        return bytes(plain).map(Printed::Bare);
    }
    if let Some((index, data)) = plain.split_once(':') {
        let index = u8::from_str_radix(index, 16).ok().filter(|_| index.len() == 1).ok_or(LineError::NotHex)?;
        let data = bytes(data)?;
        let full = if index == 0 { 6 } else { 7 };
        if data.len() > full {
            return Err(LineError::Digits { digits: data.len() * 2 });
        }
        return Ok(Printed::Piece { index, data });
    }
    if plain.len() == 3 {
        let length = usize::from_str_radix(plain, 16).map_err(|_| LineError::NotHex)?;
        return Ok(Printed::Length(length));
    }
    let data = bytes(plain)?;
    if data.len() > 7 {
        return Err(LineError::Digits { digits: plain.len() });
    }
    Ok(Printed::Bare(data))
}

/// SAE J1850: polynomial 1D, start FF, inverted.
fn crc8(message: &[u8]) -> u8 {
    !message.iter().fold(0xFF_u8, |crc, byte| {
        (0..8).fold(crc ^ byte, |crc, _| if crc & 0x80 == 0 { crc << 1 } else { crc << 1 ^ 0x1D })
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    const CAN11: Form = Form { bus: Bus::Can { wide: false, kbit_s: 500 }, headers: true };
    const CAN29: Form = Form { bus: Bus::Can { wide: true, kbit_s: 500 }, headers: true };
    const BARE: Form = Form { bus: Bus::Can { wide: false, kbit_s: 500 }, headers: false };
    const fn line(bus: Bus) -> Form {
        Form { bus, headers: true }
    }

    /// SAE J1850, catalogue value from memory: check value of "123456789", and the worked five bytes under CRC.
    #[test]
    fn j1850_check_byte() {
        assert_eq!(crc8(b"123456789"), 0x4B);
        assert_eq!(crc8(&[0x68, 0x6A, 0xF1, 0x01, 0x00]), 0x17);
    }

    #[test]
    fn can_frames() {
        let data = vec![0x06, 0x41, 0x00, 0xBE, 0x3E, 0xB8, 0x13];
        let from = Address::from_reply11(0x7E8);
        assert_eq!(read("7E8064100BE3EB813", CAN11), Ok(Printed::Frame { from, data: data.clone() }));
        let from = Address::from_reply29(0x18DA_F110);
        assert_eq!(read("18DAF110064100BE3EB813", CAN29), Ok(Printed::Frame { from, data }));
        assert_eq!(read("7E8064100BE3EB81", CAN11), Err(LineError::Digits { digits: 16 }));
        assert_eq!(read("9E8064100BE3EB813", CAN11), Err(LineError::Digits { digits: 17 }));
        assert_eq!(read("7E8064100BE3EB8130000AA", CAN11), Err(LineError::Digits { digits: 23 }));
        for not_hex in ["7E80641G0", "+E8064100", "7E8 64100", "7é8064100", "NODATA."] {
            assert_eq!(read(not_hex, CAN11), Err(LineError::NotHex), "{not_hex}");
        }
        assert_eq!(read("7E", CAN11), Err(LineError::Digits { digits: 2 }));
    }

    /// ISO 14230-2, from memory: worked messages (start of communication, answer) and sums computed by hand.
    #[test]
    fn messages_with_check_sums() {
        let data = vec![0xC1, 0x8F, 0xEF];
        let from = Address::Node(0x11);
        assert_eq!(read("83F111C18FEFC4", line(Bus::KwpFast)), Ok(Printed::Message { from, data: data.clone() }));
        // Length in a byte of its own: 80 F1 11 03 C1 8F EF, sum 0x3C4.
        assert_eq!(read("80F11103C18FEFC4", line(Bus::KwpFast)), Ok(Printed::Message { from, data }));
        let wrong = Err(LineError::CheckSum { got: 0xC5, due: 0xC4 });
        assert_eq!(read("83F111C18FEFC5", line(Bus::KwpFast)), wrong);
        assert_eq!(read("84F111C18FEFC5", line(Bus::Kwp5Baud)), Err(LineError::Length { stated: 4, carried: 3 }));
        // 48 6B 10 41 0D 32: sum 0x143.
        let (from, data) = (Address::Node(0x10), vec![0x41, 0x0D, 0x32]);
        assert_eq!(read("486B10410D3243", line(Bus::Iso9141)), Ok(Printed::Message { from, data }));
        // The request's own echo is not a reply.
        assert_eq!(read("686AF10100C4", line(Bus::Iso9141)), Err(LineError::NotForUs));
        assert_eq!(read("686AF1010017", line(Bus::J1850Vpw)), Err(LineError::NotForUs));
    }

    #[test]
    fn without_headers() {
        assert_eq!(read("410D32", BARE), Ok(Printed::Bare(vec![0x41, 0x0D, 0x32])));
        assert_eq!(read("014", BARE), Ok(Printed::Length(20)));
        let data = vec![0x49, 0x02, 0x01, 0x31, 0x47, 0x34];
        assert_eq!(read("0:490201314734", BARE), Ok(Printed::Piece { index: 0, data }));
        assert_eq!(read("10:490201314734", BARE), Err(LineError::NotHex));
        assert_eq!(read("410D324", BARE), Err(LineError::Digits { digits: 7 }));
    }
}
