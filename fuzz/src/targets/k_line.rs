//! Messages of K-lines and SAE J1850, and the services of ISO 14230-3 in them.

use protocol::exchange::Target as To;
use protocol::{Address, Bus, Problem, header, kwp};

use super::messages;
use crate::{Seeds, Target};

pub(super) const TARGET: Target = Target { name: "k_line", max_len: 600, words: &[], seeds, run };

const BUSES: [Bus; 5] = [Bus::Iso9141, Bus::Kwp5Baud, Bus::KwpFast, Bus::J1850Vpw, Bus::J1850Pwm];

/// The input: messages with their lengths in front, the first of them the request, the others with and without headers.
fn run(input: &[u8]) {
    let all = messages::split(input);
    let Some((request, replies)) = all.split_first() else { return };
    for (bus, reply) in BUSES.iter().flat_map(|bus| replies.iter().map(move |reply| (*bus, *reply))) {
        if let Ok((from, data)) = header::read(reply, bus) {
            assert!(reply.ends_with(data) && !data.is_empty() && (3..=4).contains(&(reply.len() - data.len())));
            assert!(matches!(from, Address::Node(_)));
            services(request, &[data]);
        }
    }
    services(request, replies);
    for (bus, to) in BUSES.iter().flat_map(|bus| [(*bus, To::Everyone), (*bus, To::Module(Address::Node(0x11)))]) {
        let Some(mut written) = header::write(bus, to, request) else { continue };
        assert!(written.ends_with(request));
        if matches!(bus, Bus::Kwp5Baud | Bus::KwpFast) && to != To::Everyone {
            // The same message back from the module: its addresses change places.
            written.swap(1, 2);
            assert_eq!(header::read(&written, bus), Ok((Address::Node(0x11), *request)));
        }
    }
}

fn services(request: &[u8], replies: &[&[u8]]) {
    let n_bytes: usize = replies.iter().map(|reply| reply.len()).sum();
    if let Ok(read) = kwp::codes::interpret(request, replies) {
        assert!(read.value.len() * 2 <= n_bytes);
        let _: &[Problem] = &read.problems;
        read.value.iter().for_each(|found| assert_eq!(found.code.to_string().parse(), Ok(found.code)));
    }
    for reply in replies {
        let _ = kwp::codes::interpret_status(request, reply);
        let _ = kwp::codes::interpret_clear(request, reply);
        let _ = kwp::communication::interpret_start(request, reply);
        let _ = kwp::communication::interpret_times(request, reply);
        let _ = kwp::session::interpret(request, reply);
        for data in [
            kwp::identification::interpret(request, reply),
            kwp::io_control::interpret(request, reply),
            kwp::local_data::interpret(request, reply),
            kwp::routine::interpret(request, reply),
        ]
        .into_iter()
        .flatten()
        {
            assert!(reply.ends_with(data) && data.len() < reply.len());
        }
    }
}

fn seeds(seeds: &mut Seeds) {
    let conversation: [(Vec<u8>, &[u8]); 8] = [
        (kwp::communication::start(), &[0x83, 0xF1, 0x11, 0xC1, 0x8F, 0xEF]),
        (kwp::communication::times(), &[0xC3, 2, 0, 50, 1, 1]),
        (kwp::codes::by_status(0), &[0x85, 0xF1, 0x11, 0x58, 0x01, 0x03, 0x01, 0xE0]),
        (kwp::codes::clear(0xFF00), &[0x83, 0xF1, 0x11, 0x54, 0xFF, 0x00]),
        (kwp::identification::request(0x90), b"\x80\xF1\x11\x13\x5A\x901G4AH59H45G118341"),
        (kwp::local_data::request(1), &[0x84, 0xF1, 0x11, 0x61, 1, 2, 3]),
        (vec![0x01, 0x00], &[0x48, 0x6B, 0x10, 0x41, 0x00, 0xBE, 0x3E, 0xB8, 0x11]),
        (kwp::routine::start(2, &[]), &[0x71, 2]),
    ];
    for (request, reply) in &conversation {
        seeds.add(messages::join(&[request, reply, reply.get(3..).unwrap_or_default()]));
    }
}
