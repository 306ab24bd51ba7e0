//! Any bytes at all into every interpreter: an error or a value, never a panic; and splitting undoes building.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a test fails by panicking")]

use proptest::collection::vec;
use proptest::prelude::*;
use protocol::obd::{self, Pid, Supported, codes, control, current, freeze, info, monitors, oxygen};
use protocol::{Code, reply_body};

/// Bytes that are either arbitrary or begin as a reply to `request` would.
fn reply_to(request: Vec<u8>) -> impl Strategy<Value = Vec<u8>> {
    let head: Vec<u8> = match request.split_first() {
        Some((service, rest)) => std::iter::once(service.wrapping_add(0x40)).chain(rest.iter().copied()).collect(),
        None => Vec::new(),
    };
    (0..=head.len(), vec(any::<u8>(), 0..40)).prop_map(move |(n, tail)| [&head[..n], &tail].concat())
}

fn requests() -> impl Strategy<Value = Vec<u8>> {
    let service = (0u8..=0x0B, vec(any::<u8>(), 0..7)).prop_map(|(service, rest)| [&[service][..], &rest].concat());
    prop_oneof![4 => service, 1 => vec(any::<u8>(), 0..8)]
}

fn exchanges() -> impl Strategy<Value = (Vec<u8>, Vec<Vec<u8>>)> {
    requests().prop_flat_map(|request| (Just(request.clone()), vec(reply_to(request), 0..4)))
}

/// Some PIDs of fixed length with data for each.
fn parts() -> impl Strategy<Value = Vec<(u8, Vec<u8>)>> {
    let fixed: Vec<(u8, usize)> = Pid::all().filter_map(|pid| Some((pid.id, pid.fixed_length()?))).collect();
    let n = fixed.len();
    proptest::sample::subsequence(fixed, 1..=current::MAX_PIDS.min(n))
        .prop_shuffle()
        .prop_flat_map(|pids| pids.into_iter().map(|(pid, n)| (Just(pid), vec(any::<u8>(), n))).collect::<Vec<_>>())
}

proptest! {
    #[test]
    fn no_bytes_break_an_interpreter((request, replies) in exchanges(), is_can: bool) {
        let messages: Vec<&[u8]> = replies.iter().map(Vec::as_slice).collect();
        let _ = codes::interpret(&request, &messages, is_can);
        let _ = monitors::interpret_plain(&request, &messages);
        let _ = info::interpret(&request, &messages, is_can);
        for reply in &messages {
            let _ = reply_body(&request, reply);
            for read in [current::interpret(&request, reply), freeze::interpret(&request, reply)].into_iter().flatten() {
                for part in read.value {
                    let _ = part.values();
                }
            }
            let _ = freeze::code(&request, reply);
            if let Ok(read) = monitors::interpret(&request, reply) {
                for result in read.value {
                    let _ = (result.verdict(), result.physical(), result.limits());
                }
            }
            let _ = oxygen::interpret(&request, reply);
            let _ = control::interpret(&request, reply);
            let _ = control::clear_interpret(&request, reply);
            let _ = Supported::default().add_reply(&request, reply);
        }
    }

    #[test]
    fn any_data_of_any_pid_has_values(pid: u8, data in vec(any::<u8>(), 0..48)) {
        for value in obd::values(pid, &data).value {
            prop_assert!(value.content.number().is_none_or(f64::is_finite));
        }
    }

    #[test]
    fn splitting_undoes_building(parts in parts()) {
        let pids: Vec<u8> = parts.iter().map(|(pid, _)| *pid).collect();
        let body = parts.iter().flat_map(|(pid, data)| std::iter::once(*pid).chain(data.iter().copied()));
        let reply: Vec<u8> = std::iter::once(0x41).chain(body).collect();
        // The module may answer in another order than it was asked.
        let asked: Vec<u8> = pids.iter().rev().copied().collect();
        let read = current::interpret(&current::request(&asked), &reply).unwrap();
        prop_assert_eq!(read.problems, vec![]);
        let back: Vec<_> = read.value.into_iter().map(|part| (part.pid, part.data)).collect();
        prop_assert_eq!(back, parts.clone());

        let body = parts.iter().flat_map(|(pid, data)| [*pid, 0].into_iter().chain(data.iter().copied()));
        let reply: Vec<u8> = std::iter::once(0x42).chain(body).collect();
        let read = freeze::interpret(&freeze::request(&pids, 0), &reply).unwrap();
        prop_assert_eq!(read.problems, vec![]);
        let back: Vec<_> = read.value.into_iter().map(|part| (part.pid, part.data)).collect();
        prop_assert_eq!(back, parts);
    }

    #[test]
    fn code_lists_read_back(numbers in proptest::collection::btree_set(1u16..=0xFFFF, 0..20)) {
        let codes_in: Vec<Code> = numbers.iter().map(|number| Code { number: *number, failure_type: None }).collect();
        let body: Vec<u8> = codes_in.iter().flat_map(|code| code.to_bytes()).collect();
        let request = codes::request(codes::CodeList::Stored);
        let on_can = [&[0x43, codes_in.len() as u8][..], &body].concat();
        let read = codes::interpret(&request, &[&on_can], true).unwrap();
        prop_assert_eq!((&read.value, read.problems), (&codes_in, vec![]));

        let mut messages: Vec<Vec<u8>> = body.chunks(6).map(|three| [&[0x43][..], three, &vec![0; 6 - three.len()]].concat()).collect();
        if messages.is_empty() {
            messages.push(vec![0x43, 0, 0, 0, 0, 0, 0]);
        }
        let messages: Vec<&[u8]> = messages.iter().map(Vec::as_slice).collect();
        let read = codes::interpret(&request, &messages, false).unwrap();
        prop_assert_eq!((read.value, read.problems), (codes_in, vec![]));
    }

    /// Positive, negative and foreign replies never change places, whatever their data.
    #[test]
    fn a_reply_to_another_service_is_never_an_answer(request in requests(), reply in vec(any::<u8>(), 1..20)) {
        prop_assume!(request.first().is_some_and(|service| reply[0] != service.wrapping_add(0x40)));
        prop_assert!(current::interpret(&request, &reply).is_err());
        prop_assert!(codes::interpret(&request, &[&reply], true).is_err());
        prop_assert!(info::interpret(&request, &[&reply], true).is_err());
        prop_assert!(monitors::interpret(&request, &reply).is_err());
    }
}
