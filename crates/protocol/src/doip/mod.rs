//! Diagnostics over IP (ISO 13400-2): messages between tester and vehicle, and the tester's side of a connection.
//!
//! Source of layouts and codes: ISO 13400-2:2012 and 2019 as a general-purpose library of the protocol cites their tables;
//! times from memory.

mod message;
mod tester;

pub use message::{Announcement, DoipError, Payload, Reader, activation_text, nack_text};
pub use tester::{Event, Tester};

/// TCP and UDP port of vehicles.
pub const PORT: u16 = 13_400;
/// TCP port for connections with transport layer security (ISO 13400-2:2019).
pub const TLS_PORT: u16 = 3_496;
/// The edition of 2012: the one that vehicles of both editions understand most.
pub const VERSION_2012: u8 = 0x02;
/// The edition of 2019.
pub const VERSION_2019: u8 = 0x03;
/// For asking a vehicle whose edition is not known who it is.
pub const VERSION_ANY: u8 = 0xFF;
/// This tester's address: the first one for testers of independent make (ISO 13400-2, table of logical addresses, from
/// memory).
pub const TESTER: u16 = 0x0E80;
/// Functional requests to the emissions modules (ISO 27145 group, from memory).
pub const EVERYONE: u16 = 0xE000;
/// Longest message that is taken, bytes: as long as the longest message of one module, with room to spare.
pub const MAX_PAYLOAD: usize = 1 << 20;

const HEADER: usize = 8;

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use tester::ANSWER_NS;

    fn read(bytes: &[u8]) -> Vec<Result<(u8, Payload), DoipError>> {
        let mut reader = Reader::default();
        reader.push(bytes);
        std::iter::from_fn(|| reader.next_message()).collect()
    }

    /// Worked bytes of a general-purpose library (doipclient 1.2.2): activation, its reply, a diagnostic message, discovery.
    #[test]
    fn worked_messages() {
        let cases: [(&[u8], Payload); 4] = [
            (
                &[2, 0xFD, 0, 5, 0, 0, 0, 7, 0x0E, 0, 0, 0, 0, 0, 0],
                Payload::ActivationRequest { source: 0x0E00, kind: 0 },
            ),
            (
                &[2, 0xFD, 0, 6, 0, 0, 0, 9, 0x0E, 0, 0x10, 0x10, 0x10, 0, 0, 0, 0],
                Payload::ActivationReply { tester: 0x0E00, entity: 0x1010, code: 0x10 },
            ),
            (
                &[2, 0xFD, 0x80, 1, 0, 0, 0, 7, 0x0E, 0, 0x10, 0x10, 0x22, 0xF1, 0x90],
                Payload::Diagnostic { source: 0x0E00, target: 0x1010, data: vec![0x22, 0xF1, 0x90] },
            ),
            (&[2, 0xFD, 0, 1, 0, 0, 0, 0], Payload::WhoIsThere),
        ];
        for (bytes, payload) in cases {
            assert_eq!(payload.encode(VERSION_2012), bytes);
            assert_eq!(read(bytes), [Ok((2, payload))]);
        }
    }

    #[test]
    fn damage_is_told_apart() {
        assert_eq!(read(&[2, 0xFC, 0, 1, 0, 0, 0, 0]), [Err(DoipError::Pattern(2, 0xFC))]);
        assert_eq!(read(&[2, 0xFD, 0x12, 0x34, 0, 0, 0, 1, 9]), [Err(DoipError::Unknown(0x1234))]);
        assert_eq!(read(&[2, 0xFD, 0, 1, 0, 0, 0, 1, 9]), [Err(DoipError::Length { kind: 1, length: 1 })]);
        // What is too large is passed over, and what follows is read again.
        let mut reader = Reader::default();
        reader.push(&[2, 0xFD, 0x80, 1, 0x10, 0, 0, 0]);
        assert_eq!(reader.next_message(), Some(Err(DoipError::TooLarge(0x1000_0000))));
        for _ in 0..0x1000 {
            reader.push(&[0; 0x1_0000]);
        }
        reader.push(&Payload::AliveRequest.encode(2));
        assert_eq!(reader.next_message(), Some(Ok((2, Payload::AliveRequest))));
    }

    /// Payload types and their lengths (ISO 13400-2, as general-purpose libraries build them): a body of another length is
    /// refused as such, another type as unknown; what is read is what was there.
    #[test]
    fn each_type_has_its_lengths() {
        let fits = |kind: u16, n: usize| match kind {
            0x0000 | 0x4004 => Some(n == 1),
            0x0001 | 0x0007 | 0x4001 | 0x4003 => Some(n == 0),
            0x0002 => Some(n == 6),
            0x0003 => Some(n == 17),
            0x0004 => Some(matches!(n, 32 | 33)),
            0x0005 => Some(matches!(n, 7 | 11)),
            0x0006 => Some(matches!(n, 9 | 13)),
            0x0008 => Some(n == 2),
            0x4002 => Some(matches!(n, 3 | 7)),
            0x8001..=0x8003 => Some(n >= 5),
            _ => None,
        };
        // Behind these many bytes: reserved ones, or the message that is acknowledged.
        let told = |kind: u16, n: usize| match kind {
            0x0005 => 3,
            0x0006 | 0x8002 | 0x8003 => 5,
            _ => n,
        };
        let all: Vec<u8> = (1..=40).collect();
        for kind in (0..0x10).chain(0x4000..0x4008).chain(0x8000..0x8008) {
            for n in 0..=all.len() {
                let body = all.get(..n).unwrap_or_default();
                match (fits(kind, n), Payload::decode(kind, body)) {
                    (Some(true), Ok(payload)) => {
                        let again = payload.encode(2);
                        assert_eq!(again.get(2..4), Some(kind.to_be_bytes().as_slice()), "{kind:04X}");
                        let n = told(kind, n);
                        assert_eq!(again.get(8..8 + n), body.get(..n), "{kind:04X}");
                    }
                    (Some(false), Err(error)) => assert_eq!(error, DoipError::Length { kind, length: n }),
                    (None, Err(error)) => assert_eq!(error, DoipError::Unknown(kind)),
                    (_, read) => panic!("{kind:04X} with {n} bytes: {read:?}"),
                }
            }
        }
    }

    /// The codes of the header's negative acknowledgement (ISO 13400-2), and that it ends nothing where it need not.
    #[test]
    fn what_cannot_be_read_is_answered_with_its_code() {
        let large = u32::try_from(MAX_PAYLOAD + 1).expect("below 4 GiB").to_be_bytes();
        let cases: [(&[u8], u8); 4] = [
            (&[2, 0xFD, 0x12, 0x34, 0, 0, 0, 0], 1),
            (&[&[2, 0xFD, 0x80, 1], large.as_slice()].concat(), 2),
            (&[2, 0xFD, 0, 7, 0, 0, 0, 1, 0], 4),
            (&[2, 2, 0, 7, 0, 0, 0, 0], 0),
        ];
        for (bytes, code) in cases {
            let mut tester = Tester::new(TESTER, VERSION_2012, 0);
            tester.take_output();
            tester.receive(bytes);
            assert_eq!(read(&tester.take_output()), [Ok((2, Payload::HeaderNack(code)))]);
        }
        let mut tester = Tester::new(TESTER, VERSION_2012, 0);
        tester.receive(&Payload::HeaderNack(2).encode(2));
        // For another tester: not ours to hear.
        tester.receive(&Payload::Diagnostic { source: 0x1010, target: TESTER + 1, data: vec![0x7E, 0] }.encode(2));
        assert_eq!((tester.poll(1), tester.poll(1)), (Some(Event::HeaderNack(2)), None));
        // The greatest message is taken, and of one that is too large what came with its header is not passed over twice.
        let mut reader = Reader::default();
        reader.push(&Payload::Diagnostic { source: 1, target: 2, data: vec![0; MAX_PAYLOAD - 4] }.encode(2));
        assert!(matches!(reader.next_message(), Some(Ok((2, Payload::Diagnostic { .. })))));
        reader.push(&[&[2, 0xFD, 0x80, 1], large.as_slice(), &[0; 5]].concat());
        assert!(matches!(reader.next_message(), Some(Err(DoipError::TooLarge(_)))));
        reader.push(&vec![0; MAX_PAYLOAD + 1 - 5]);
        reader.push(&Payload::AliveRequest.encode(2));
        assert_eq!(reader.next_message(), Some(Ok((2, Payload::AliveRequest))));
    }

    #[test]
    fn a_connection_from_activation_to_silence() {
        let mut tester = Tester::new(TESTER, VERSION_2012, 0);
        assert_eq!(read(&tester.take_output()), [Ok((2, Payload::ActivationRequest { source: TESTER, kind: 0 }))]);
        tester.receive(&Payload::ActivationReply { tester: TESTER, entity: 0x1000, code: 0x10 }.encode(2));
        assert_eq!(tester.poll(1), Some(Event::Active(0x1000)));
        tester.send(0x1010, &[0x3E, 0x00], 10);
        tester.take_output();
        // The vehicle asks whether anybody is still there, in the middle of everything; bytes come in pieces.
        for byte in Payload::AliveRequest.encode(2) {
            tester.receive(&[byte]);
        }
        assert_eq!(read(&tester.take_output()), [Ok((2, Payload::AliveReply(TESTER)))]);
        tester.receive(&Payload::Ack { source: 0x1010, target: TESTER, code: 0 }.encode(2));
        tester.receive(&Payload::Diagnostic { source: 0x1010, target: TESTER, data: vec![0x7E, 0] }.encode(2));
        assert_eq!(tester.poll(20), Some(Event::Acked(0x1010)));
        assert_eq!(tester.poll(20), Some(Event::Message(0x1010, vec![0x7E, 0])));
        tester.send(0x1011, &[0x3E, 0x00], 30);
        tester.receive(&Payload::Nack { source: 0x1011, target: TESTER, code: 3 }.encode(2));
        assert_eq!(tester.poll(40), Some(Event::Nacked(0x1011, Some(3))));
        tester.send(0x1012, &[0x3E, 0x00], 50);
        assert_eq!(tester.poll(60), None);
        assert_eq!(tester.deadline(), Some(50 + ANSWER_NS));
        assert_eq!(tester.poll(50 + ANSWER_NS), Some(Event::Nacked(0x1012, None)));
        // 11: "routing will be activated; confirmation required"; then 10, or 05 where it is denied (ISO 13400-2, as a
        // general-purpose packet library lists the codes).
        let mut confirmed = Tester::new(TESTER, VERSION_2012, 0);
        for code in [0x11, 0x10] {
            confirmed.receive(&Payload::ActivationReply { tester: TESTER, entity: 0x1000, code }.encode(2));
        }
        assert_eq!((confirmed.poll(1), confirmed.poll(1)), (Some(Event::ToConfirm), Some(Event::Active(0x1000))));
        assert_eq!(confirmed.poll(ANSWER_NS), None);
        let mut refused = Tester::new(TESTER, VERSION_2012, 0);
        assert_eq!(refused.poll(ANSWER_NS), Some(Event::Refused(None)));
    }

    proptest! {
        #[test]
        fn any_bytes_do_no_harm(pieces in proptest::collection::vec(proptest::collection::vec(any::<u8>(), 0..60), 0..20)) {
            let mut tester = Tester::new(TESTER, VERSION_2012, 0);
            for piece in pieces {
                tester.receive(&piece);
                while tester.poll(0).is_some() {}
            }
        }

        /// What is read and written again is the same, but for what the standard leaves to the maker.
        #[test]
        fn bodies_of_any_type(kind in prop_oneof![0_u16..9, 0x4001_u16..0x4005, 0x8001_u16..0x8004], body in proptest::collection::vec(any::<u8>(), 0..40)) {
            if let Ok(payload) = Payload::decode(kind, &body) {
                let bytes = payload.encode(2);
                let again = Payload::decode(kind, bytes.get(8..).unwrap_or_default());
                prop_assert_eq!(again, Ok(payload));
            }
        }
    }
}
