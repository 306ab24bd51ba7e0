//! The requests and replies of ISO 14229-1 against udsoncan 1.26.1, a general-purpose UDS library, in
//! both roles: it builds the same requests, reads ours as a module does, and reads the same out of replies.
//!
//! Needs a Python interpreter with udsoncan, named by the environment variable `WITNESS_PYTHON`; skipped without.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a test fails by panicking")]

use std::io::Write;
use std::process::{Command, Stdio};

use protocol::Code;
use protocol::uds::{
    clear_codes, codes, dtc_setting, dynamic, io_control, periodic, reset, routine, security, session, tester_present,
};
use protocol::uds_read::{codes_by_status, identifiers};

fn hex(bytes: &[u8]) -> String {
    if bytes.is_empty() { "-".to_owned() } else { bytes.iter().map(|byte| format!("{byte:02x}")).collect() }
}

fn bytes(hex: &str) -> Vec<u8> {
    hex.split_whitespace().map(|byte| u8::from_str_radix(byte, 16).unwrap()).collect()
}

/// The library's line for each of ours, or `None` without the library.
fn ask(lines: &[String]) -> Option<Vec<String>> {
    let Some(python) = std::env::var_os("WITNESS_PYTHON") else {
        eprintln!("skipped: set WITNESS_PYTHON to a Python interpreter that has udsoncan 1.26.1");
        return None;
    };
    let has = Command::new(&python).args(["-c", "import udsoncan"]).stderr(Stdio::null()).status();
    if !has.is_ok_and(|status| status.success()) {
        eprintln!("skipped: {} has no udsoncan", python.to_string_lossy());
        return None;
    }
    let script = format!("{}/tests/oracle/udsoncan_pairs.py", env!("CARGO_MANIFEST_DIR"));
    let mut child = Command::new(&python).arg(script).stdin(Stdio::piped()).stdout(Stdio::piped()).spawn().unwrap();
    child.stdin.take().unwrap().write_all((lines.join("\n") + "\n").as_bytes()).unwrap();
    let output = child.wait_with_output().unwrap();
    assert!(output.status.success(), "the script failed");
    let text = String::from_utf8(output.stdout).unwrap();
    let mut answers = text.lines().map(str::to_owned);
    assert_eq!(answers.next().as_deref(), Some("1.26.1"), "what the library says is that of this version");
    let answers: Vec<String> = answers.collect();
    assert_eq!(answers.len(), lines.len());
    Some(answers)
}

#[test]
fn the_library_builds_the_same_requests_and_reads_ours_as_a_module() {
    let piece = |did, position, n_bytes| dynamic::Piece { did, position, n_bytes };
    let pieces = [piece(0xD010, 1, 8), piece(0xD011, 1, 2), piece(0xF190, 12, 6)];
    // Ours; how the library is asked to build it; as which service and sub-function it reads it.
    let cases: Vec<(Vec<u8>, String, &str, &str)> = vec![
        (session::request(session::EXTENDED), "session 03".into(), "DiagnosticSessionControl", "03"),
        (session::request(session::DEFAULT), "session 01".into(), "DiagnosticSessionControl", "01"),
        (tester_present::request(true), "present".into(), "TesterPresent", "00"),
        (dtc_setting::request(false), "dtc 02".into(), "ControlDTCSetting", "02"),
        (dtc_setting::request(true), "dtc 01".into(), "ControlDTCSetting", "01"),
        (routine::start(0x0203, &[]), "routine 01 0203 -".into(), "RoutineControl", "01"),
        (routine::start(0xFF00, &[1, 2, 3]), "routine 01 ff00 010203".into(), "RoutineControl", "01"),
        (routine::stop(0x0203, &[]), "routine 02 0203 -".into(), "RoutineControl", "02"),
        (routine::results(0x0203), "routine 03 0203 -".into(), "RoutineControl", "03"),
        (io_control::adjust(0xD001, &[1], &[]), "io d001 03 01 -".into(), "InputOutputControlByIdentifier", "-"),
        (
            io_control::adjust(0x0155, &[0x12, 0x34], &[0x80]),
            "io 0155 03 1234 80".into(),
            "InputOutputControlByIdentifier",
            "-",
        ),
        (io_control::give_back(0xD001), "io d001 00 - -".into(), "InputOutputControlByIdentifier", "-"),
        (
            dynamic::define(0xF301, &pieces),
            "define f301 d010:1:8 d011:1:2 f190:c:6".into(),
            "DynamicallyDefineDataIdentifier",
            "01",
        ),
        (dynamic::clear(Some(0xF301)), "undefine f301".into(), "DynamicallyDefineDataIdentifier", "03"),
        (dynamic::clear(None), "undefine".into(), "DynamicallyDefineDataIdentifier", "03"),
    ];
    let makes = cases.iter().map(|(_, how, ..)| format!("make {how}"));
    let serves = cases.iter().map(|(ours, ..)| format!("serve {}", hex(ours)));
    let quiet = [tester_present::request(false)];
    let lines: Vec<String> = makes.chain(serves).chain([format!("serve {}", hex(&quiet[0]))]).collect();
    let Some(answers) = ask(&lines) else { return };
    for (idx, (ours, how, service, sub)) in cases.iter().enumerate() {
        assert_eq!(answers[idx], hex(ours), "{how}");
        let data = hex(&ours[if *sub == "-" { 1 } else { 2 }..]);
        assert_eq!(answers[cases.len() + idx], format!("{service} {sub} {data} loud"), "{how}");
    }
    assert_eq!(answers.last().unwrap(), "TesterPresent 00 - quiet");
}

#[test]
fn the_library_reads_the_same_out_of_replies() {
    let mut lines = Vec::new();
    let mut ours = Vec::new();
    for reply in ["50 03 00 32 01 F4", "50 03 00 96 07 D0", "50 03 FF FF FF FF"] {
        let timing = session::interpret(&session::request(3), &bytes(reply)).unwrap();
        lines.push(format!("read DiagnosticSessionControl {}", hex(&bytes(reply))));
        ours.push(format!("03 {} {}", timing.p2.as_secs_f64(), timing.p2_star.as_secs_f64()));
    }
    for (asked, reply) in [
        (routine::start(0x0203, &[]), "71 01 02 03"),
        (routine::results(0x0203), "71 03 02 03 00 12 34"),
        (routine::stop(0xFF00, &[]), "71 02 FF 00 01"),
    ] {
        let reply = bytes(reply);
        let record = routine::interpret(&asked, &reply).unwrap();
        lines.push(format!("read RoutineControl {}", hex(&reply)));
        ours.push(format!("{:02x} {} {}", asked[1], hex(&asked[2..4]), hex(record)));
    }
    for (asked, reply) in [
        (io_control::adjust(0xD001, &[1], &[]), "6F D0 01 03 01"),
        (io_control::adjust(0xD001, &[1, 2], &[0xC0]), "6F D0 01 03 01 02"),
        (io_control::give_back(0xD001), "6F D0 01 00 07"),
    ] {
        let reply = bytes(reply);
        let state = io_control::interpret(&asked, &reply).unwrap();
        lines.push(format!("read InputOutputControlByIdentifier {}", hex(&reply)));
        ours.push(format!("{} {:02x} {}", hex(&asked[1..3]), asked[3], hex(state)));
    }
    tester_present::interpret(&tester_present::request(true), &[0x7E, 0x00]).unwrap();
    lines.push("read TesterPresent 7e00".into());
    ours.push("00".into());
    dtc_setting::interpret(&dtc_setting::request(false), &[0xC5, 0x02]).unwrap();
    lines.push("read ControlDTCSetting c502".into());
    ours.push("02".into());
    dynamic::interpret(&dynamic::define(0xF301, &[]), &[0x6C, 0x01, 0xF3, 0x01]).unwrap();
    lines.push("read DynamicallyDefineDataIdentifier 6c01f301".into());
    ours.push("01 f301".into());
    let Some(answers) = ask(&lines) else { return };
    assert_eq!(answers, ours);
}

const P0301: Code = Code::from_bytes3([0x03, 0x01, 0x1A]);

#[test]
fn the_library_builds_the_same_requests_for_codes_and_locks() {
    let key = security::Key(vec![0xAB, 0xCD]);
    let cases: Vec<(Vec<u8>, String)> = vec![
        (reset::request(reset::HARD), "reset 01".into()),
        (reset::request(reset::SOFT), "reset 03".into()),
        (clear_codes::request(clear_codes::ALL), "clear ffffff".into()),
        (clear_codes::request(clear_codes::EMISSIONS), "clear ffff33".into()),
        (identifiers::request(&[0xF190]), "dids f190".into()),
        (identifiers::request(&[0xF190, 0xD010, 0xF40C]), "dids f190 d010 f40c".into()),
        (security::request_seed(1), "security seed 01 -".into()),
        (security::send_key(1, &key), "security key 01 abcd".into()),
        (security::send_key(0x11, &key), "security key 11 abcd".into()),
        (codes::count::request(0x0C), "codes 01 status_mask=0c".into()),
        (codes_by_status::request(0x0D), "codes 02 status_mask=0d".into()),
        (codes::snapshot::request(P0301, 0xFF), "codes 04 dtc=03011a snapshot_record_number=ff".into()),
        (codes::extended::request(P0301, 1), "codes 06 dtc=03011a extended_data_record_number=01".into()),
        (codes::supported(), "codes 0a".into()),
        (codes::permanent(), "codes 15".into()),
        (codes::group::by_status(0x33, 8), "codes 42 functional_group_id=33 status_mask=08 severity_mask=ff".into()),
        (codes::group::permanent(0x33), "codes 55 functional_group_id=33".into()),
    ];
    let lines: Vec<String> = cases.iter().map(|(_, how)| format!("make {how}")).collect();
    let Some(answers) = ask(&lines) else { return };
    for (answer, (ours, how)) in answers.iter().zip(&cases) {
        assert_eq!(*answer, hex(ours), "{how}");
    }
}

#[test]
fn the_library_reads_the_same_codes_out_of_replies() {
    let mut lines = Vec::new();
    let mut ours = Vec::new();
    let code = |code: Code, status: u8| format!("{}:{status:02x}", hex(&code.to_bytes()));
    let reply = bytes("59 01 FF 01 00 02");
    let read = codes::count::interpret(&codes::count::request(8), &reply).unwrap();
    lines.push(format!("read ReadDTCInformation {}", hex(&reply)));
    ours.push(format!("{:02x} {:02x} {}", read.available.0, read.format, read.n_codes));
    for (asked, reply) in [
        (codes_by_status::request(8), "59 02 FF 03 01 00 2F C1 00 87 08"),
        (codes_by_status::request(8), "59 02 7F"),
        (codes::supported(), "59 0A FF 03 01 00 50 03 02 00 50 9A 21 13 2F"),
        (codes::permanent(), "59 15 FF 03 01 00 2F"),
    ] {
        let reply = bytes(reply);
        let (available, found) = codes_by_status::interpret(&asked, &reply).unwrap().value;
        lines.push(format!("read ReadDTCInformation {}", hex(&reply)));
        let list = found.iter().map(|found| format!(" {}", code(found.code, found.status.0))).collect::<String>();
        ours.push(format!("{:02x} - {}{list}", available.0, found.len()));
    }
    // Two frozen moments: engine speed and a maker's word, then engine speed alone.
    let reply = bytes("59 04 03 01 1A 2F 01 02 F4 0C 1A F8 D0 01 12 34 02 01 F4 0C 0B B8");
    let asked = codes::snapshot::request(P0301, 0xFF);
    let read = codes::snapshot::interpret(&asked, &reply, |_| Some(2)).unwrap();
    assert_eq!(read.problems, []);
    let frozen = read.value.records.iter().flat_map(|record| {
        record.data.iter().map(|part| format!(":{:02x}/{:04x}/{}", record.record, part.did, hex(&part.data)))
    });
    lines.push(format!("read ReadDTCInformation {} f40c=2 d001=2", hex(&reply)));
    ours.push(format!("- - 1 {}{}", code(read.value.code, read.value.status.0), frozen.collect::<String>()));
    let reply = bytes("59 06 03 01 1A 2F 01 0A 0B");
    let read = codes::extended::interpret(&codes::extended::request(P0301, 1), &reply).unwrap();
    let (number, data) = read.record.unwrap();
    lines.push(format!("read ReadDTCInformation {} 2", hex(&reply)));
    ours.push(format!("- - 1 {}:{number:02x}/{}", code(read.code, read.status.0), hex(&data)));
    for (asked, reply) in [
        (codes::group::by_status(0x33, 8), "59 42 33 FF E0 04 40 03 01 00 2F 20 04 20 00 08"),
        (codes::group::permanent(0x33), "59 55 33 FF 04 20 03 01 00 2F"),
    ] {
        let reply = bytes(reply);
        let read = codes::group::interpret(&asked, &reply).unwrap();
        assert_eq!(read.problems, []);
        let list = read.value.codes.iter().map(|one| {
            let has_severity = reply.get(1) == Some(&0x42);
            let severity = one.severity.filter(|_| has_severity).map(|it| format!(":{it:02x}")).unwrap_or_default();
            format!(" {}{severity}", code(one.found.code, one.found.status.0))
        });
        let n = read.value.codes.len();
        lines.push(format!("read ReadDTCInformation {}", hex(&reply)));
        ours.push(format!("{:02x} {:02x} {n}{}", read.value.available.0, read.value.format, list.collect::<String>()));
    }
    let reply = bytes("62 F4 0C 1A F8 D0 10 01 02 03 04");
    let read = identifiers::interpret(&identifiers::request(&[0xF40C, 0xD010]), &reply, |did| {
        Some(if did == 0xF40C { 2 } else { 4 })
    });
    lines.push(format!("read ReadDataByIdentifier {} f40c=2 d010=4", hex(&reply)));
    let parts = read.unwrap().value;
    ours.push(parts.iter().map(|part| format!("{:04x}={}", part.did, hex(&part.data))).collect::<Vec<_>>().join(" "));
    let seed = security::interpret_seed(&security::request_seed(1), &bytes("67 01 12 34")).unwrap();
    let security::Seed::Locked(seed) = seed else { panic!("{seed:?}") };
    lines.push("read SecurityAccess 67011234 seed".into());
    ours.push(format!("01 {}", hex(&seed)));
    security::interpret_key(&security::send_key(1, &security::Key(vec![1])), &bytes("67 02")).unwrap();
    lines.push("read SecurityAccess 6702 key".into());
    ours.push("02 -".into());
    reset::interpret(&reset::request(reset::HARD), &bytes("51 01")).unwrap();
    lines.push("read ECUReset 5101".into());
    ours.push("01 -".into());
    clear_codes::interpret(&clear_codes::request(clear_codes::ALL), &bytes("54")).unwrap();
    lines.push("read ClearDiagnosticInformation 54".into());
    ours.push("-".into());
    let Some(answers) = ask(&lines) else { return };
    assert_eq!(answers, ours);
}

/// Worked bytes of ISO 14229-1 as public tables and the library give them, and the layouts of ISO 14230-3 from memory.
#[test]
fn answers_to_something_else_are_told_apart() {
    use protocol::{ReplyError, kwp, obd};
    fn foreign<T: std::fmt::Debug>(result: Result<T, ReplyError>) {
        assert!(matches!(result, Err(ReplyError::Foreign { .. })), "{result:?}");
    }
    let asked = io_control::adjust(0xD001, &[1], &[]);
    for reply in ["6F D0 02 03 01", "6F D0 01 00", "6F D0", "6E D0 01 03"] {
        foreign(io_control::interpret(&asked, &bytes(reply)));
    }
    foreign(routine::interpret(&routine::start(0x0203, &[]), &bytes("71 02 02 03")));
    foreign(routine::interpret(&routine::start(0x0203, &[]), &bytes("71 01 02")));
    foreign(dynamic::interpret(&dynamic::define(0xF301, &[]), &bytes("6C 01 F3 02")));
    foreign(dtc_setting::interpret(&dtc_setting::request(true), &bytes("C5 02")));
    let refused = routine::interpret(&routine::start(0x0203, &[]), &bytes("7F 31 22")).unwrap_err();
    assert!(matches!(refused, ReplyError::Negative { code, .. } if code.asks_for_another_state()));
    assert!(periodic::interpret(&periodic::request(periodic::Rate::Fast, &[1]), &[0x6A]).is_ok());
    assert!(periodic::interpret(&periodic::stop(&[]), &[0x6A, 1]).is_err());

    assert_eq!(kwp::io_control::interpret(&[0x30, 0x12, 0x07, 1], &[0x70, 0x12, 0x07, 1]), Ok(&[1u8][..]));
    assert_eq!(kwp::io_control::interpret(&[0x30, 0x12, 0x07, 1], &[0x70, 0x12]), Ok(&[][..]));
    foreign(kwp::io_control::interpret(&[0x30, 0x12, 0x07, 1], &[0x70, 0x13, 0x07]));
    assert_eq!(kwp::routine::interpret(&kwp::routine::results(5), &[0x73, 5, 1]), Ok(&[1u8][..]));
    assert_eq!(kwp::routine::interpret(&kwp::routine::stop(5, &[]), &[0x72, 5]), Ok(&[][..]));
    foreign(kwp::routine::interpret(&kwp::routine::start(5, &[]), &[0x71, 6]));
    assert_eq!(obd::control::interpret(&obd::control::request(1, &[]), &[0x48, 1, 0]), Ok(&[0u8][..]));
    foreign(obd::control::interpret(&obd::control::request(1, &[]), &[0x48, 2]));
}

proptest::proptest! {
    #[test]
    fn no_bytes_break_a_reader(request: Vec<u8>, reply: Vec<u8>) {
        let asked = [
            request,
            session::request(3),
            tester_present::request(true),
            dtc_setting::request(true),
            io_control::adjust(0xD001, &[1], &[]),
            routine::start(0x0203, &[]),
            periodic::stop(&[]),
            dynamic::clear(None),
            protocol::kwp::io_control::give_back(1),
            protocol::kwp::routine::results(1),
        ];
        for request in &asked {
            let head = request.first().copied().unwrap_or(0).wrapping_add(0x40);
            for reply in [&reply, &[&[head][..], &reply].concat()] {
                let _ = session::interpret(request, reply);
                let _ = tester_present::interpret(request, reply);
                let _ = dtc_setting::interpret(request, reply);
                let _ = io_control::interpret(request, reply);
                let _ = routine::interpret(request, reply);
                let _ = periodic::interpret(request, reply);
                let _ = periodic::message(reply);
                let _ = dynamic::interpret(request, reply);
                let _ = protocol::kwp::io_control::interpret(request, reply);
                let _ = protocol::kwp::routine::interpret(request, reply);
            }
        }
    }
}
