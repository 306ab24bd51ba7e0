//! The UDS reads against the automotive layers of scapy 2.8.0, a general-purpose packet library.
//!
//! Needs a Python interpreter with scapy, named by the environment variable `WITNESS_PYTHON`; skipped without.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a test fails by panicking")]

mod oracle;

use oracle::{Item, hex, of_kind, payloads};
use protocol::uds::session;
use protocol::uds_read::{codes_by_status, identifiers};
use protocol::{CodeStatus, NegativeCode, ReplyError};

fn decode(messages: &[Vec<u8>]) -> Option<Vec<Vec<Item>>> {
    oracle::decode("decode_uds.py", messages)
}

/// Our words for the status bits beside the library's.
const STATUS: [(&str, &str); 8] = [
    ("failing now", "TestFailed"),
    ("failed in this operation cycle", "TestFailedThisOperationCycle"),
    ("pending", "PendingDTC"),
    ("confirmed", "ConfirmedDTC"),
    ("test not completed since the last clear", "TestNotCompletedSinceLastClear"),
    ("failed since the last clear", "TestFailedSinceLastClear"),
    ("test not completed in this operation cycle", "TestNotCompletedThisOperationCycle"),
    ("warning lamp requested", "WarningIndicatorRequested"),
];

fn as_the_library_says(status: CodeStatus) -> String {
    let theirs = |word: &str| STATUS.iter().find(|(ours, _)| *ours == word).unwrap().1;
    status.words().map(theirs).collect::<Vec<_>>().join("+")
}

#[test]
fn codes_with_every_status() {
    let statuses = (0..=0xFFu8).map(|status| vec![0x59, 0x02, status, 0x03, 0x01, 0x1A, status]);
    let lists = (0..6).flat_map(|n| payloads(1 + 4 * n, 7)).map(|body| [&[0x59, 0x02][..], &body].concat());
    let messages: Vec<Vec<u8>> = statuses.chain(lists).collect();
    let Some(read) = decode(&messages) else { return };
    for (message, items) in messages.iter().zip(&read) {
        let ours = codes_by_status::interpret(&codes_by_status::request(0xFF), message).unwrap();
        assert_eq!(ours.problems, []);
        let (available, codes) = ours.value;
        let own_codes: Vec<String> = codes.iter().map(|found| found.code.to_string()).collect();
        let own_statuses: Vec<String> =
            std::iter::once(available).chain(codes.iter().map(|found| found.status)).map(as_the_library_says).collect();
        assert_eq!(
            own_codes,
            of_kind(items, 'c').map(|item| item.value.as_str()).collect::<Vec<_>>(),
            "{}",
            hex(message)
        );
        assert_eq!(own_statuses, of_kind(items, 'f').map(|item| item.value.as_str()).collect::<Vec<_>>());
    }
}

#[test]
fn identifiers_and_session_times() {
    let dids: Vec<Vec<u8>> = payloads(9, 5).into_iter().map(|body| [&[0x62][..], &body].concat()).collect();
    let sessions: Vec<Vec<u8>> = payloads(4, 6).into_iter().map(|body| [&[0x50, 0x03][..], &body].concat()).collect();
    let Some(read) = decode(&[dids.clone(), sessions.clone()].concat()) else { return };
    let value = |items: &[Item], kind: char| of_kind(items, kind).next().unwrap().value.clone();
    let (of_dids, of_sessions) = read.split_at(dids.len());
    for (message, items) in dids.iter().zip(of_dids) {
        let did: u16 = value(items, 'i').parse().unwrap();
        let ours = identifiers::interpret(&identifiers::request(&[did]), message, |_| None).unwrap();
        assert_eq!(ours.value[0].did, did);
        assert_eq!(hex(&ours.value[0].data), value(items, 's'));
    }
    for (message, items) in sessions.iter().zip(of_sessions) {
        let timing = session::interpret(&session::request(session::EXTENDED), message).unwrap();
        let (p2, star) = (timing.p2.as_millis(), timing.p2_star.as_millis() / 10);
        assert_eq!(format!("{p2:04x}{star:04x}"), value(items, 's'));
    }
}

/// Reasons that only one side names, and why.
const REASON_DIFFERENCES: &[(u8, &str)] = &[
    (0x00, "the library's `positiveResponse` is no reason of a refusal"),
    (0x20, "reserved: the library says so in words, we have none"),
    (0x23, "reserved, as 20"),
    (0x38, "ours only: the table of another general-purpose UDS library has it"),
    (0x39, "ours only, as 38"),
    (0x80, "reserved, as 20"),
    (0x8E, "reserved, as 20"),
    (0x94, "ours only, as 38"),
];

#[test]
fn every_reason_of_a_refusal() {
    let messages: Vec<Vec<u8>> = (0..=0xFF).map(|reason| vec![0x7F, 0x22, reason]).collect();
    let Some(read) = decode(&messages) else { return };
    let mut differ = Vec::new();
    for (message, items) in messages.iter().zip(&read) {
        let theirs = of_kind(items, 'e').next().unwrap();
        let (number, text) = theirs.value.split_once('/').unwrap();
        assert_eq!(number.parse(), Ok(message[2]));
        let refused = identifiers::interpret(&identifiers::request(&[0xF190]), message, |_| None).unwrap_err();
        let ReplyError::Negative { code, .. } = refused else { panic!("{refused} is no refusal") };
        assert_eq!(code, NegativeCode(message[2]));
        if code.text().is_some() == text.is_empty() {
            differ.push((message[2], format!("{:?} here, {text:?} there", code.text())));
        }
    }
    let expected: Vec<u8> = REASON_DIFFERENCES.iter().map(|(reason, _)| *reason).collect();
    assert_eq!(differ.iter().map(|(reason, _)| *reason).collect::<Vec<_>>(), expected, "{differ:#?}");
}
