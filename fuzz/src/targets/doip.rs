//! Diagnostics over IP: the stream of messages, datagrams of discovery, and the tester's side of a connection.

use protocol::doip::{Event, Payload, Reader, Tester, VERSION_2012};

use crate::script;
use crate::{Seeds, Target};

pub(super) const TARGET: Target = Target { name: "doip", max_len: 2048, words: &[], seeds, run };

/// The arrivals of the script are what a vehicle sends, piece by piece.
fn run(input: &[u8]) {
    let arrivals = script::arrivals(input);
    let whole: Vec<u8> = arrivals.iter().flat_map(|arrival| arrival.bytes.iter().copied()).collect();
    let at_once = read(&mut Reader::default(), &whole);
    let mut reader = Reader::default();
    let in_pieces: Vec<_> = arrivals.iter().flat_map(|arrival| read(&mut reader, &arrival.bytes)).collect();
    assert_eq!(at_once, in_pieces, "where a stream is cut makes no difference");
    for (version, payload) in at_once.into_iter().flatten() {
        let bytes = payload.encode(version);
        assert_eq!(read(&mut Reader::default(), &bytes), [Ok((version, payload))], "what was read can be written");
    }
    converse(&arrivals);
}

fn read(reader: &mut Reader, bytes: &[u8]) -> Vec<Result<(u8, Payload), protocol::doip::DoipError>> {
    reader.push(bytes);
    std::iter::from_fn(|| reader.next_message()).collect()
}

/// Every message of the vehicle is one that came, for us; every message of ours is settled once; all comes to rest.
fn converse(arrivals: &[script::Arrival]) {
    let mut tester = Tester::new(0x0E00, VERSION_2012, 0);
    let (mut now, mut n_came, mut n_received, mut n_settled) = (0, 0, 0, 0);
    let (mut n_acks, mut n_out) = (0, tester.take_output().len());
    let mut take = |tester: &mut Tester, now| {
        let mut is_timeout = 0;
        while let Some(event) = tester.poll(now) {
            match event {
                Event::Message(_, data) => n_received += data.len(),
                Event::Acked(_) | Event::Nacked(_, Some(_)) => n_acks += 1,
                Event::Nacked(_, None) => is_timeout += 1,
                _ => {}
            }
        }
        n_settled += is_timeout;
        assert!(tester.deadline().is_none_or(|deadline| deadline > now));
        (n_received, n_settled)
    };
    let mut n_sent = 0;
    for arrival in arrivals {
        now += arrival.after_ns.unwrap_or(3_000_000_000);
        tester.send(0x1010, &[0x22, 0xF1, 0x90], now);
        n_sent += 1;
        n_came += arrival.bytes.len();
        tester.receive(&arrival.bytes);
        let (n_received, n_settled) = take(&mut tester, now);
        assert!(n_received <= n_came && n_settled <= n_sent);
        n_out += tester.take_output().len();
    }
    // An answer for each message that came, and what we sent ourselves.
    assert!(n_out <= 15 + n_sent * 15 + n_came * 2, "{n_out} bytes out for {n_came} in");
    while let Some(deadline) = tester.deadline() {
        now = deadline;
        take(&mut tester, now);
    }
}

fn seeds(seeds: &mut Seeds) {
    let script = std::sync::Arc::new(std::sync::Mutex::new(Vec::new()));
    let mut port = crate::script::RecordingPort {
        port: standin::dial("fell?face=doip").unwrap().dial().unwrap(),
        script: script.clone(),
    };
    let mut tester = Tester::new(0x0E00, VERSION_2012, 0);
    for request in [&[0x22, 0xF1, 0x90][..], &[0x19, 0x02, 0xFF], &[0x3E, 0x00]] {
        link::Port::write_all(&mut port, &tester.take_output()).unwrap();
        let deadline = link::Port::now(&port) + 500_000_000;
        let mut buffer = [0; 512];
        while let Ok(n @ 1..) = link::Port::read_until(&mut port, &mut buffer, deadline) {
            tester.receive(&buffer[..n]);
        }
        tester.send(0x0010, request, link::Port::now(&port));
    }
    seeds.add(script.lock().unwrap().as_slice());
    let who = protocol::doip::Announcement {
        vin: *b"1G4AH59H45G118341",
        logical_address: 0x1010,
        eid: [1; 6],
        gid: [2; 6],
        further_action: 0,
        sync: Some(0),
    };
    let all = [
        Payload::Announcement(who),
        Payload::HeaderNack(2),
        Payload::ActivationReply { tester: 0x0E00, entity: 0x1010, code: 0x10 },
        Payload::AliveRequest,
        Payload::EntityStatus { node: 0, most: 1, open: 1, max_bytes: Some(4095) },
        Payload::Power(1),
        Payload::Ack { source: 0x1010, target: 0x0E00, code: 0 },
        Payload::Diagnostic { source: 0x1010, target: 0x0E00, data: vec![0x62, 0xF1, 0x90] },
    ];
    seeds.add(all.iter().flat_map(|payload| payload.encode(VERSION_2012)).collect::<Vec<u8>>());
}
