//! Single and first frames of ISO 15765-2 at the edges of their lengths, byte for byte.

use protocol::isotp::{Frame, IsoTpError};

fn bytes(hex: &str) -> Vec<u8> {
    hex.split_whitespace().map(|byte| u8::from_str_radix(byte, 16).unwrap_or_default()).collect()
}

/// ISO 15765-2, network protocol control information: the escape 00 to a length of its own exists only above 8 bytes, the
/// escape 10 00 only for lengths above FFF, and a first frame announces more than a single frame of its size could hold.
#[test]
fn lengths_at_their_edges() {
    enum Is {
        Single(&'static str),
        First(usize, &'static str),
        Length(usize, usize),
        Unknown,
    }
    use Is::{First, Length, Single, Unknown};
    let cases = [
        ("07 01 02 03 04 05 06 07", Single("01 02 03 04 05 06 07")),
        ("00 03 01 02 03", Length(0, 4)),
        ("08 01 02 03 04 05 06 07", Length(8, 7)),
        ("00 09 01 02 03 04 05 06 07 08 09 CC", Single("01 02 03 04 05 06 07 08 09")),
        ("00 0B 01 02 03 04 05 06 07 08 09 CC", Length(11, 10)),
        ("05 01 02 03 04 05 06 07 08 09 0A 0B", Unknown),
        ("10 08 01 02 03 04 05 06", First(8, "01 02 03 04 05 06")),
        ("10 07 01 02 03 04 05 06", Length(7, 6)),
        ("12 00 00 10 00 01 02 03", First(0x200, "00 10 00 01 02 03")),
        ("10 00 00 00 10 00 01 02", First(0x1000, "01 02")),
        ("10 00 00 00 0F FF 01 02", Length(0xFFF, 2)),
        ("1F FF 01 02 03 04 05 06", First(0xFFF, "01 02 03 04 05 06")),
        ("1F FF 01 02 03", Length(0xFFF, 3)),
        ("40 01", Unknown),
    ];
    for (frame, expected) in cases {
        let frame = bytes(frame);
        let read = Frame::read(&frame);
        match expected {
            Single(data) => assert_eq!(read, Ok(Frame::Single(&bytes(data))), "{frame:02X?}"),
            First(length, data) => assert_eq!(read, Ok(Frame::First { length, data: &bytes(data) }), "{frame:02X?}"),
            Length(stated, carried) => assert_eq!(read, Err(IsoTpError::Length { stated, carried }), "{frame:02X?}"),
            Unknown => assert_eq!(read, Err(IsoTpError::Unknown { first: frame.first().copied() }), "{frame:02X?}"),
        }
    }
}

/// In an adapter's text a classical frame with normal addressing has at most 8 bytes and a first frame all of them: what
/// has more or fewer has gained or lost characters.
#[test]
fn text_that_lost_characters_is_no_frame() {
    assert_eq!(Frame::parse(&bytes("02 41 0D")), Ok(Frame::Single(&[0x41, 0x0D])));
    assert_eq!(Frame::parse(&bytes("02 41 0D 00 00 00 00 00")), Ok(Frame::Single(&[0x41, 0x0D])));
    let short = bytes("10 14 49 02 01 31 47");
    assert_eq!(Frame::parse(&short), Err(IsoTpError::Length { stated: 20, carried: 5 }));
    assert_eq!(Frame::parse(&bytes("02 41 0D 00")), Err(IsoTpError::Length { stated: 2, carried: 3 }));
    assert!(Frame::parse(&bytes("10 14 49 02 01 31 47 34")).is_ok());
    assert!(Frame::parse(&bytes("21 41 48 35 39 48 34 35")).is_ok());
    for long in ["21 41 48 35 39 48 34 35 35", "30 00 00 00 00 00 00 00 00"] {
        assert!(matches!(Frame::parse(&bytes(long)), Err(IsoTpError::Unknown { .. })), "{long}");
    }
}
