//! Replies of the legislated services, to any request.

use protocol::obd::{self, Supported};
use protocol::obd::{Readiness, codes, control, current, freeze, info, monitors, on_uds, oxygen};
use protocol::{Code, Decoded, Problem, reply_body};

use super::messages;
use crate::{Seeds, Target};

pub(super) const TARGET: Target = Target { name: "obd", max_len: 512, words: &[], seeds, run };

/// The input: flags, then messages with their lengths in front, the first of them the request.
fn run(input: &[u8]) {
    let (flags, rest) = input.split_first().unwrap_or((&0, &[]));
    let all = messages::split(rest);
    let Some((request, replies)) = all.split_first() else { return };
    let is_can = flags & 1 == 1;
    for reply in replies {
        one(request, reply);
    }
    let n_bytes: usize = replies.iter().map(|reply| reply.len()).sum();
    if let Ok(read) = codes::interpret(request, replies, is_can) {
        assert!(read.value.len() * 2 <= n_bytes);
        for code in read.value {
            assert_eq!(code.to_string().parse(), Ok(code));
            assert_eq!(<[u8; 2]>::try_from(code.to_bytes()).map(Code::from_bytes), Ok(code));
        }
    }
    let _ = info::interpret(request, replies, is_can);
    let _ = monitors::interpret_plain(request, replies);
}

fn one(request: &[u8], reply: &[u8]) {
    let is_answer = reply_body(request, reply).is_ok();
    // With half a pair at its end a request of service 02 is none.
    let frozen = Some(freeze::interpret(request, reply)).filter(|_| request.len() % 2 == 1);
    let current = Some(current::interpret(request, reply));
    for (read, n_head) in [(current, 1), (frozen, 2)] {
        let Some(Ok(read)) = read else { continue };
        assert!(is_answer);
        accounted(&read, 1, n_head, reply.len(), |part| part.data.len());
        for value in read.value.iter().flat_map(|part| part.values().value) {
            assert!(value.content.number().is_none_or(f64::is_finite), "{value:?}");
        }
    }
    let _ = freeze::code(request, reply);
    if let Ok(read) = monitors::interpret(request, reply) {
        accounted(&read, 1, 9, reply.len(), |_| 0);
        for result in read.value {
            let _ = (result.verdict(), result.limits(), result.cylinder());
            assert!(result.physical().is_none_or(f64::is_finite), "{result:?}");
        }
    }
    let _ = (oxygen::interpret(request, reply), control::interpret(request, reply));
    let _ = control::clear_interpret(request, reply);
    let mut supported = Supported::default();
    if supported.add_reply(request, reply).is_ok() {
        let base = request.get(1).copied().unwrap_or(0);
        assert!(supported.iter().all(|number| number > base || base == 0), "{supported:?}");
    }
    let Some((id, data)) = reply.split_first() else { return };
    for value in obd::values(*id, data).value {
        assert!(value.content.number().is_none_or(f64::is_finite), "{value:?}");
    }
    let results = on_uds::results(*id, data);
    assert!(results.value.len() * 8 <= data.len());
    let _ = on_uds::information_of(*id, data);
    if let Some(bytes) = data.first_chunk::<4>() {
        let readiness = Readiness::from_bytes(*bytes, obd::Period::SinceClear);
        assert!(readiness.incomplete().count() <= readiness.fitted().count());
    }
}

/// Bytes in = bytes explained + bytes reported.
fn accounted<T>(read: &Decoded<Vec<T>>, n_start: usize, n_head: usize, n_bytes: usize, n_data: impl Fn(&T) -> usize) {
    let explained: usize = read.value.iter().map(|part| n_head + n_data(part)).sum();
    let reported: usize = read
        .problems
        .iter()
        .map(|problem| if let Problem::LeftOver { rest, .. } = problem { rest.0.len() } else { 0 })
        .sum();
    assert!(n_start + explained <= n_bytes, "{explained} bytes explained of {n_bytes}");
    if read.problems.iter().all(|problem| matches!(problem, Problem::Missing { .. } | Problem::LeftOver { .. })) {
        assert_eq!(n_start + explained + reported, n_bytes, "bytes in, and what became of them");
    }
}

fn seeds(seeds: &mut Seeds) {
    let conversation: [(&[u8], &[u8]); 12] = [
        (&[0x01, 0x00], &[0x41, 0x00, 0xBE, 0x3E, 0xB8, 0x13]),
        (&[0x01, 0x0C, 0x0D, 0x05], &[0x41, 0x0C, 0x1A, 0xF8, 0x0D, 0x3C, 0x05, 0x7B]),
        (&[0x01, 0x01], &[0x41, 0x01, 0x83, 0x07, 0x65, 0x04]),
        (&[0x01, 0x67], &[0x41, 0x67, 0x03, 0x7B, 0x7C]),
        (&[0x02, 0x02, 0x00], &[0x42, 0x02, 0x00, 0x03, 0x01]),
        (&[0x02, 0x0C, 0x00, 0x0D, 0x00], &[0x42, 0x0C, 0x00, 0x1A, 0xF8, 0x0D, 0x00, 0x3C]),
        (&[0x03], &[0x43, 0x02, 0x03, 0x01, 0x01, 0x71]),
        (&[0x05, 0x01, 0x01], &[0x45, 0x01, 0x01, 0x5A]),
        (&[0x06, 0xA2], &[0x46, 0xA2, 0x0C, 0x24, 0x00, 0x2B, 0x00, 0x00, 0xFF, 0xFF]),
        (&[0x08, 0x01], &[0x48, 0x01, 0, 0, 0, 0, 0]),
        (&[0x09, 0x02], b"\x49\x02\x011G4AH59H45G118341"),
        (&[0x09, 0x08], &[0x49, 0x08, 0x14, 0, 1, 0, 2, 0, 3, 0, 4, 0, 5, 0, 6, 0, 7, 0, 8]),
    ];
    for (request, reply) in conversation {
        for flags in [0, 1] {
            seeds.add([&[flags][..], &messages::join(&[request, reply, &[0x7F, request[0], 0x12]])].concat());
        }
    }
}
