//! Discovery over UDP (ISO 13400-2): several entities behind one address, each with a logical address of its own.

use std::net::UdpSocket;
use std::time::{Duration, Instant};

use protocol::doip::{Announcement, Payload, Reader, VERSION_2012};

#[test]
fn all_entities_behind_one_address_are_found() {
    let socket = UdpSocket::bind("127.0.0.1:0").expect("loopback");
    socket.set_read_timeout(Some(Duration::from_secs(5))).expect("a socket");
    let target = socket.local_addr().expect("bound");
    let server = std::thread::spawn(move || {
        let mut buffer = [0; 64];
        let (n, from) = socket.recv_from(&mut buffer).expect("somebody asks");
        let mut reader = Reader::default();
        reader.push(&buffer[..n]);
        assert!(matches!(reader.next_message(), Some(Ok((_, Payload::WhoIsThere)))));
        // A gateway and two modules with a connection of their own; the second says it twice, the third takes its time.
        for (logical_address, pause_ms) in [(0x1000, 0), (0x1001, 5), (0x1001, 5), (0x1002, 60)] {
            std::thread::sleep(Duration::from_millis(pause_ms));
            let vin = *b"GTWFL6A19JK104217";
            let eid = [2, 0, 0x5E, 0, 0x53, logical_address as u8];
            let announcement = Announcement {
                vin,
                logical_address,
                eid,
                gid: [2, 0, 0x5E, 0, 0x53, 0],
                further_action: 0,
                sync: None,
            };
            socket.send_to(&Payload::Announcement(announcement).encode(VERSION_2012), from).expect("loopback");
        }
    });
    let began = Instant::now();
    let found = link::doip::discover(&[target], Duration::from_secs(3)).expect("a socket");
    let logical: Vec<u16> = found.iter().map(|found| found.announcement.logical_address).collect();
    assert_eq!(logical, [0x1000, 0x1001, 0x1002]);
    assert!(began.elapsed() < Duration::from_secs(1), "nobody is waited for long: {:?}", began.elapsed());
    server.join().expect("no panic");
}
