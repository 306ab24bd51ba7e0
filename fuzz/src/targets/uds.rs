//! Replies of the unified diagnostic services, to any request.

use protocol::uds::{
    clear_codes, codes, dtc_setting, dynamic, io_control, periodic, reset, routine, security, session,
};
use protocol::uds_read::{codes_by_status, identifiers};
use protocol::{Code, NegativeCode, Problem, ReplyError, reply_body};

use super::messages;
use crate::{Seeds, Target};

pub(super) const TARGET: Target = Target { name: "uds", max_len: 512, words: &[], seeds, run };

/// The input: what is known of the lengths of identifiers, then messages with their lengths in front, the first of them
/// the request.
fn run(input: &[u8]) {
    let (known, rest) = input.split_first().unwrap_or((&0, &[]));
    let all = messages::split(rest);
    let Some((request, replies)) = all.split_first() else { return };
    let length_of = |did: u16| (did & 1 == 1).then_some(usize::from(*known) % 9);
    for reply in replies {
        body(request, reply);
        identifiers(request, reply, length_of);
        lists(request, reply);
        records(request, reply, length_of);
        let _ = (session::interpret(request, reply), reset::interpret(request, reply));
        let _ = (clear_codes::interpret(request, reply), dtc_setting::interpret(request, reply));
        let _ = (dynamic::interpret(request, reply), periodic::interpret(request, reply));
        let _ = (security::interpret_seed(request, reply), security::interpret_key(request, reply));
        for state in [io_control::interpret(request, reply), routine::interpret(request, reply)].into_iter().flatten() {
            assert!(reply.ends_with(state) && state.len() + 4 <= reply.len());
        }
    }
}

/// The body is the end of the reply, and an answer to nothing else than the request.
fn body(request: &[u8], reply: &[u8]) {
    match reply_body(request, reply) {
        Ok(body) => {
            assert!(reply.ends_with(body) && body.len() + 1 == reply.len());
            assert_eq!(reply[0], request[0].wrapping_add(0x40));
        }
        Err(ReplyError::Negative { code, .. }) => {
            assert_eq!((reply[0], reply.last()), (0x7F, Some(&code.0)));
            let _ = (NegativeCode::text(code), code.asks_for_another_state());
        }
        Err(error) => assert!(!error.to_string().is_empty()),
    }
}

/// Bytes in = bytes explained + bytes reported.
fn identifiers(request: &[u8], reply: &[u8], length_of: impl Fn(u16) -> Option<usize>) {
    let Ok(read) = identifiers::interpret(request, reply, length_of) else { return };
    let explained: usize = read.value.iter().map(|one| 2 + one.data.len()).sum();
    let reported: usize = read.problems.iter().map(n_left_over).sum();
    assert_eq!(1 + explained + reported, reply.len(), "{read:?}");
    let n_missing = read.problems.iter().filter(|problem| matches!(problem, Problem::Missing { .. })).count();
    assert_eq!(read.value.len() + n_missing, (request.len() - 1) / 2, "{read:?}");
}

fn n_left_over(problem: &Problem) -> usize {
    if let Problem::LeftOver { rest, .. } = problem { rest.0.len() } else { 0 }
}

fn lists(request: &[u8], reply: &[u8]) {
    if let Ok(read) = codes_by_status::interpret(request, reply) {
        let reported: usize = read.problems.iter().map(n_left_over).sum();
        assert_eq!(3 + 4 * read.value.1.len() + reported, reply.len());
        for found in &read.value.1 {
            same_code(found.code);
        }
    }
    let _ = codes::count::interpret(request, reply);
    if let Ok(read) = codes::group::interpret(request, reply) {
        assert!(4 * read.value.codes.len() < reply.len());
    }
    if let Ok(read) = codes::with_record::interpret(request, reply) {
        assert!(4 * read.value.len() < reply.len());
    }
}

fn records(request: &[u8], reply: &[u8], length_of: impl Fn(u16) -> Option<usize>) {
    if let Ok(read) = codes::snapshot::interpret(request, reply, length_of) {
        same_code(read.value.code);
        let kept: usize = read.value.records.iter().flat_map(|record| &record.data).map(|one| 2 + one.data.len()).sum();
        assert!(6 + 2 * read.value.records.len() + kept <= reply.len() + read.problems.len() * 4, "{read:?}");
    }
    if let Ok(read) = codes::extended::interpret(request, reply) {
        same_code(read.code);
        assert!(read.record.is_none_or(|(_, data)| reply.ends_with(&data) && data.len() + 7 == reply.len()));
    }
}

/// A code reads back from its text and from its bytes.
fn same_code(code: Code) {
    assert_eq!(code.to_string().parse(), Ok(code));
    assert_eq!(<[u8; 3]>::try_from(code.to_bytes()).map(Code::from_bytes3), Ok(code));
}

fn seeds(seeds: &mut Seeds) {
    let code = Code::from_bytes3([0x03, 0x01, 0x00]);
    let conversation: [(Vec<u8>, &[u8]); 16] = [
        (identifiers::request(&[0xF190]), b"\x62\xF1\x901G4AH59H45G118341"),
        (
            identifiers::request(&[0xF40D, 0xF40F, 0xF40C]),
            &[0x62, 0xF4, 0x0D, 0x32, 0xF4, 0x0F, 0x40, 0xF4, 0x0C, 0x1A, 0xF8],
        ),
        (codes_by_status::request(0x0C), &[0x59, 0x02, 0xFF, 0x03, 0x01, 0x00, 0x2F, 0xC1, 0x00, 0x87, 0x08]),
        (codes::count::request(0x08), &[0x59, 0x01, 0xFF, 0x01, 0x00, 0x02]),
        (codes::snapshot::request(code, 0xFF), &[0x59, 0x04, 3, 1, 0, 0x2F, 1, 2, 0xF4, 0x0D, 0x1A, 0xF4, 0x0F, 0x32]),
        (codes::extended::request(code, 1), &[0x59, 0x06, 3, 1, 0, 0x2F, 1, 5, 6]),
        (codes::group::by_status(0x33, 8), &[0x59, 0x42, 0x33, 0xFF, 0xE0, 0x04, 0x40, 0x03, 0x01, 0x00, 0x2F]),
        (codes::group::permanent(0x33), &[0x59, 0x55, 0x33, 0xFF, 0x04, 0x03, 0x01, 0x00, 0x2F]),
        (codes::with_record::request(0x92), &[0x59, 0x1A, 0xFF, 0x92, 0x03, 0x01, 0x00, 0x2F]),
        (session::request(3), &[0x50, 3, 0x00, 0x32, 0x01, 0xF4]),
        (security::request_seed(1), &[0x67, 1, 1, 2, 3, 4]),
        (io_control::give_back(0x1234), &[0x6F, 0x12, 0x34, 0, 1]),
        (routine::start(0x0203, &[1]), &[0x71, 1, 2, 3, 9]),
        (reset::request(1), &[0x51, 1]),
        (clear_codes::request(0x00FF_FFFF), &[0x54]),
        (dynamic::clear(Some(0xF300)), &[0x6C, 3, 0xF3, 0]),
    ];
    for (request, reply) in &conversation {
        seeds.add([&[1][..], &messages::join(&[request, reply, &[0x7F, request[0], 0x78]])].concat());
    }
}
