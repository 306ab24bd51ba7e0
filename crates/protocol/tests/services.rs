//! Requests and confirmations of ISO 14229-1 and ISO 14230-3 byte for byte: what is sent, what counts as its answer, and
//! that the answer to something else, a refusal and a piece of an answer do not.
//!
//! The bytes of ISO 14229-1 follow its message tables as general-purpose UDS libraries implement them; those of ISO 14230-3
//! are from memory.

use protocol::kwp::{self, communication::KeyBytes};
use protocol::obd::{control, support_request};
use protocol::uds;
use protocol::uds::codes::{count, extended, group, snapshot, with_record};
use protocol::{Code, Problem, ReplyError, reply_body};

#[test]
fn requests_have_the_bytes_of_the_standards() {
    let code = Code::from_bytes3([0x03, 0x01, 0x11]);
    let cases: &[(&str, Vec<u8>, &[u8])] = &[
        ("tester present", uds::tester_present::request(true), &[0x3E, 0x00]),
        ("tester present, no answer wanted", uds::tester_present::request(false), &[0x3E, 0x80]),
        ("codes are set", uds::dtc_setting::request(true), &[0x85, 0x01]),
        ("codes are not set", uds::dtc_setting::request(false), &[0x85, 0x02]),
        ("routine, stop", uds::routine::stop(0x0203, &[7]), &[0x31, 0x02, 0x02, 0x03, 7]),
        ("routine, results", uds::routine::results(0x0203), &[0x31, 0x03, 0x02, 0x03]),
        ("periodic, stop", uds::periodic::stop(&[0x12]), &[0x2A, 0x04, 0x12]),
        ("periodic, stop all", uds::periodic::stop(&[]), &[0x2A, 0x04]),
        ("defined, clear one", uds::dynamic::clear(Some(0xF301)), &[0x2C, 0x03, 0xF3, 0x01]),
        ("defined, clear all", uds::dynamic::clear(None), &[0x2C, 0x03]),
        ("codes that can be set", uds::codes::supported(), &[0x19, 0x0A]),
        ("permanent codes", uds::codes::permanent(), &[0x19, 0x15]),
        ("frozen values", snapshot::request(code, 0xFF), &[0x19, 0x04, 0x03, 0x01, 0x11, 0xFF]),
        ("extended data", extended::request(code, 0x01), &[0x19, 0x06, 0x03, 0x01, 0x11, 0x01]),
        ("K-line, stop", kwp::communication::stop(), &[0x82]),
        ("K-line, give back", kwp::io_control::give_back(0x12), &[0x30, 0x12, 0x00]),
        ("K-line, routine, stop", kwp::routine::stop(0x05, &[2]), &[0x32, 0x05, 2]),
        ("K-line, routine, results", kwp::routine::results(0x05), &[0x33, 0x05]),
        ("K-line, present", kwp::session::present(false), &[0x3E, 0x02]),
        // SAE J1979, from memory: frame 0, the first sensor, five bytes of no data.
        ("support, frozen", support_request(0x02, 0x20), &[0x02, 0x20, 0x00]),
        ("support, oxygen sensors", support_request(0x05, 0x00), &[0x05, 0x00, 0x01]),
        ("support, control", support_request(0x08, 0x00), &[0x08, 0x00, 0, 0, 0, 0, 0]),
        ("support, live", support_request(0x01, 0x40), &[0x01, 0x40]),
    ];
    for (what, built, bytes) in cases {
        assert_eq!(built, bytes, "{what}");
    }
}

/// Reads a reply to a request and forgets what it brings.
type Interpret = fn(&[u8], &[u8]) -> Result<(), ReplyError>;

/// A reader, a request, and replies with what each is taken for.
type Case<'a> = (Interpret, &'a [u8], &'a [(char, &'a [u8])]);

#[test]
fn a_confirmation_is_that_of_the_request_and_nothing_else() {
    use ReplyError::{Foreign, Malformed, Negative, NoAnswer};
    // What a reply is taken for: +, malformed, foreign, negative, or none (0).
    let is = |error: Result<(), ReplyError>, kind: char| match error {
        Ok(()) => kind == '+',
        Err(Malformed { .. }) => kind == 'm',
        Err(Foreign { .. }) => kind == 'f',
        Err(Negative { .. }) => kind == 'n',
        Err(NoAnswer { .. }) => kind == '0',
    };
    let reset = |request: &[u8], reply: &[u8]| uds::reset::interpret(request, reply).map(drop);
    let key = |request: &[u8], reply: &[u8]| uds::security::interpret_key(request, reply);
    let start = |request: &[u8], reply: &[u8]| kwp::communication::interpret_start(request, reply).map(drop);
    let times = |request: &[u8], reply: &[u8]| kwp::communication::interpret_times(request, reply).map(drop);
    let code = |request: &[u8], reply: &[u8]| kwp::codes::interpret_status(request, reply).map(drop);
    let with = |request: &[u8], reply: &[u8]| with_record::interpret(request, reply).map(drop);
    let counted = |request: &[u8], reply: &[u8]| count::interpret(request, reply).map(drop);
    let more = |request: &[u8], reply: &[u8]| extended::interpret(request, reply).map(drop);
    let readiness = |request: &[u8], reply: &[u8]| group::interpret(request, reply).map(drop);
    let cases: &[Case] = &[
        (uds::tester_present::interpret, &[0x3E, 0], &[('+', &[0x7E, 0]), ('m', &[0x7E]), ('f', &[0x7E, 1])]),
        (uds::dtc_setting::interpret, &[0x85, 2], &[('+', &[0xC5, 2]), ('m', &[0xC5]), ('f', &[0xC5, 1])]),
        (uds::clear_codes::interpret, &[0x14, 0xFF, 0xFF, 0xFF], &[('+', &[0x54]), ('m', &[0x54, 0xFF])]),
        (control::clear_interpret, &[0x04], &[('+', &[0x44]), ('m', &[0x44, 0x01]), ('n', &[0x7F, 0x04, 0x22])]),
        (
            uds::dynamic::interpret,
            &[0x2C, 0x01, 0xF3, 0x01, 0xD0, 0x10, 1, 8],
            &[
                ('+', &[0x6C, 0x01, 0xF3, 0x01]),
                ('+', &[0x6C, 0x01]),
                ('m', &[0x6C]),
                ('f', &[0x6C, 0x03, 0xF3, 0x01]),
                ('f', &[0x6C, 0x01, 0xF3, 0x02]),
                ('f', &[0x6C, 0x03]),
            ],
        ),
        (uds::periodic::interpret, &[0x2A, 0x03, 1], &[('+', &[0x6A]), ('m', &[0x6A, 1]), ('n', &[0x7F, 0x2A, 0x31])]),
        (
            reset,
            &[0x11, 0x01],
            &[
                ('+', &[0x51, 0x01]),
                ('+', &[0x51, 0x01, 5]),
                ('m', &[0x51]),
                ('f', &[0x51, 0x03]),
                ('f', &[0x51, 0x01, 5, 5]),
                ('f', &[0x51, 0x03, 5, 5]),
            ],
        ),
        (key, &[0x27, 0x04, 9], &[('+', &[0x67, 0x04]), ('f', &[0x67, 0x02]), ('f', &[0x67, 0x04, 0])]),
        (start, &[0x81], &[('+', &[0xC1, 0xEF, 0x8F]), ('m', &[0xC1, 0xEF]), ('f', &[0x81])]),
        (
            times,
            &[0x83, 0x02],
            &[
                ('+', &[0xC3, 0x02, 50, 2, 110, 20, 10]),
                ('f', &[0xC3, 0x03, 50, 2, 110, 20, 10]),
                ('m', &[0xC3, 0x02, 50, 2]),
                ('m', &[0xC3]),
            ],
        ),
        (
            kwp::session::interpret,
            &[0x10, 0x89],
            &[('+', &[0x50]), ('+', &[0x50, 0x89, 1]), ('f', &[0x50, 0x81]), ('n', &[0x7F, 0x10, 0x12]), ('0', &[])],
        ),
        (
            code,
            &[0x17, 0x01, 0x15],
            &[('+', &[0x57, 1, 1, 0x15, 0x60]), ('f', &[0x57, 1, 1, 0x16, 0x60]), ('m', &[0x57, 1, 1, 0x15])],
        ),
        (kwp::codes::interpret_clear, &[0x14, 0xFF, 0], &[('+', &[0x54]), ('+', &[0x54, 0xFF, 0]), ('f', &[0x54, 0])]),
        (
            with,
            &[0x19, 0x1A, 0x92],
            &[
                ('+', &[0x59, 0x1A, 0xFF, 0x92]),
                ('+', &[0x59, 0x1A, 0xFF]),
                ('m', &[0x59, 0x1A]),
                ('f', &[0x59, 0x1A, 0xFF, 0x90, 3, 1, 0, 0x2F]),
                ('f', &[0x59, 0x0A, 0xFF, 0x92]),
            ],
        ),
        (
            counted,
            &[0x19, 0x01, 0x08],
            &[('+', &[0x59, 1, 0xFF, 1, 0, 2]), ('m', &[0x59, 1, 0xFF, 1, 0]), ('f', &[0x59, 2, 0xFF, 1, 0, 2])],
        ),
        (
            // Records up to EF are asked for one by one; F0 to FF are groups of them, whose records have other numbers.
            more,
            &[0x19, 0x06, 3, 1, 0, 0xEF],
            &[('+', &[0x59, 6, 3, 1, 0, 0x2F, 0xEF, 1]), ('f', &[0x59, 6, 3, 1, 0, 0x2F, 0x01, 1])],
        ),
        (more, &[0x19, 0x06, 3, 1, 0, 0xF0], &[('+', &[0x59, 6, 3, 1, 0, 0x2F, 0x01, 1])]),
        (
            readiness,
            &[0x19, 0x56, 0x33, 0x01],
            &[('+', &[0x59, 0x56, 0x33, 0xFF, 4, 1]), ('m', &[0x59, 0x56, 0x33, 0xFF, 4, 2])],
        ),
    ];
    for (interpret, request, replies) in cases {
        for (kind, reply) in *replies {
            let said = interpret(request, reply);
            assert!(is(said.clone(), *kind), "{request:02X?} {reply:02X?}: {said:?}, not {kind}");
        }
        let service = request.first().copied().unwrap_or(0);
        for (kind, reply) in [('n', vec![0x7F, service, 0x22]), ('f', vec![0x7F, 0x22, 0x22]), ('0', vec![])] {
            let said = interpret(request, &reply);
            assert!(is(said.clone(), kind), "{request:02X?} {reply:02X?}: {said:?}, not {kind}");
        }
    }
}

/// ISO 14229-1: the second byte tells seconds, FF that the module does not know.
#[test]
fn a_module_says_how_long_its_restart_takes() {
    let wait = |reply: &[u8]| uds::reset::interpret(&uds::reset::request(uds::reset::HARD), reply);
    assert_eq!(wait(&[0x51, 0x01, 10]), Ok(Some(10)));
    assert_eq!(wait(&[0x51, 0x01, 0xFE]), Ok(Some(0xFE)));
    assert_eq!((wait(&[0x51, 0x01, 0xFF]), wait(&[0x51, 0x01])), (Ok(None), Ok(None)));
}

/// The data behind an echo, and that a request too short to have one is answered by nothing.
#[test]
fn data_stands_behind_the_echo() {
    type Read = for<'r> fn(&[u8], &'r [u8]) -> Result<&'r [u8], ReplyError>;
    type Case<'a> = (Read, &'a [u8], &'a [u8], &'a [u8]);
    let cases: &[Case] = &[
        (uds::routine::interpret, &[0x31, 3, 2, 3], &[0x71, 3, 2, 3, 8, 9], &[0x71, 1, 2, 3, 8, 9]),
        (uds::io_control::interpret, &[0x2F, 0xD0, 1, 3, 1], &[0x6F, 0xD0, 1, 3, 8, 9], &[0x6F, 0xD0, 2, 3, 8, 9]),
        (kwp::routine::interpret, &[0x33, 5], &[0x73, 5, 8, 9], &[0x73, 6, 8, 9]),
        (kwp::identification::interpret, &[0x1A, 0x90], &[0x5A, 0x90, 8, 9], &[0x5A, 0x91, 8, 9]),
        (kwp::io_control::interpret, &[0x30, 0x12, 7, 1], &[0x70, 0x12, 7, 8, 9], &[0x70, 0x13, 7, 8, 9]),
        // The control may be missing in the answer.
        (kwp::io_control::interpret, &[0x30, 0x12, 7, 1], &[0x70, 0x12, 8, 9], &[0x70]),
        (control::interpret, &[0x08, 1], &[0x48, 1, 8, 9], &[0x48, 2, 8, 9]),
    ];
    for (read, request, own, other) in cases {
        assert_eq!(read(request, own), Ok(&[8, 9][..]), "{own:02X?}");
        assert!(matches!(read(request, other), Err(ReplyError::Foreign { .. })), "{other:02X?}");
        let refusal = [0x7F, request.first().copied().unwrap_or(0), 0x31];
        assert!(matches!(read(request, &refusal), Err(ReplyError::Negative { .. })));
    }
    for read in [uds::routine::interpret as Read, uds::io_control::interpret] {
        assert!(matches!(read(&[0x31, 3], &[0x71, 3]), Err(ReplyError::Foreign { .. })));
        assert!(matches!(read(&[0x2F, 3], &[0x6F, 3]), Err(ReplyError::Foreign { .. })));
    }
    assert!(matches!(reply_body(&[0x01, 0x0C], &[0x7F, 0x01, 0x0C, 0x00, 0x10]), Err(ReplyError::Negative { .. })));
}

/// ISO 14230-2 as public tables give it (from memory): bit by bit AL0, AL1, HB0, HB1, TP0, TP1, and TP1 alone of the
/// last two for the ordinary times. EF 8F is key word 2031, E9 8F 2025, D0 8F 2000.
#[test]
fn key_bytes_say_what_headers_a_module_takes() {
    let keys = |first| {
        let keys = KeyBytes { first, second: 0x8F };
        let bits = [keys.length_in_format(), keys.length_byte(), keys.short_header(), keys.full_header()];
        (bits, keys.normal_times())
    };
    assert_eq!(keys(0xEF), ([true; 4], true));
    assert_eq!(keys(0xE9), ([true, false, false, true], true));
    assert_eq!(keys(0xD0), ([false; 4], false));
    for (bit, idx) in [(0x01, 0), (0x02, 1), (0x04, 2), (0x08, 3)] {
        let (bits, _) = keys(bit);
        let set: Vec<usize> = (0..4).filter(|k| bits.get(*k) == Some(&true)).collect();
        assert_eq!(set, [idx], "{bit:02X}");
    }
    let times = kwp::communication::interpret_times(&[0x83, 2], &[0xC3, 2, 20, 4, 40, 10, 3]).unwrap();
    let ms =
        [times.p2_min, times.p2_max, times.p3_min, times.p3_max, times.p4_min].map(|time| time.as_secs_f64() * 1e3);
    assert_eq!(ms, [10.0, 100.0, 20.0, 2500.0, 1.5]);
    let short = kwp::communication::interpret_start(&[0x81], &[0xC1, 0xEF, 0x8F, 0x01]).unwrap_err();
    assert!(short.to_string().contains('4'), "{short}");
}

/// Status of ISO 14230-3 (from memory): bits 5 and 6 are one number, 7 the lamp, 0 to 3 the symptoms, 4 the test.
#[test]
fn the_status_of_older_modules_bit_by_bit() {
    use kwp::codes::Status;
    let all = |byte| {
        let status = Status(byte);
        [status.present(), status.stored(), status.pending(), status.lamp()]
    };
    assert_eq!(all(0x00), [false; 4]);
    assert_eq!(all(0x1F), [false; 4]);
    assert_eq!(all(0x20), [false, true, false, false]);
    assert_eq!(all(0x40), [false, false, true, false]);
    assert_eq!(all(0x60), [true, true, false, false]);
    assert_eq!(all(0x80), [false, false, false, true]);
    for (byte, words) in [
        (0x00, vec!["not detected"]),
        (0x20, vec!["stored, not present now"]),
        (0x41, vec!["maturing", "above the limit"]),
        (0x62, vec!["present now", "below the limit"]),
        (0x08, vec!["not detected", "invalid signal"]),
        (0x90, vec!["not detected", "test not completed", "warning lamp requested"]),
    ] {
        assert_eq!(Status(byte).words(), words, "{byte:02X}");
    }
}

/// A list of service 13 has two bytes a code and a list of service 18 three; each code is kept once, 0000 never.
#[test]
fn lists_of_older_modules_keep_each_code_once() {
    let plain = kwp::codes::plain(kwp::codes::ALL);
    let read = kwp::codes::interpret(&plain, &[&[0x53, 4, 1, 0x15, 0, 0, 1, 0x15, 3, 0x35]]).unwrap();
    let codes: Vec<String> = read.value.iter().map(|code| code.code.to_string()).collect();
    assert_eq!((codes, read.problems.len()), (vec!["P0115".to_owned(), "P0335".to_owned()], 0));
    let asked = kwp::codes::by_status(kwp::codes::ALL);
    let cut = kwp::codes::interpret(&asked, &[&[0x58, 2, 1, 0x15, 0xE4, 3, 0x35]]).unwrap();
    assert_eq!((cut.value.len(), cut.problems.len()), (1, 2), "{cut:?}");
}

/// A record that ends before the identifiers that it announces says so.
#[test]
fn frozen_values_that_are_missing_are_counted() {
    let asked = snapshot::request(Code::from_bytes3([0x03, 0x01, 0x00]), 0x01);
    let read = |reply: &[u8]| snapshot::interpret(&asked, reply, |_| Some(2)).unwrap();
    let whole = read(&[0x59, 0x04, 3, 1, 0, 0x2F, 1, 2, 0xF4, 0x0C, 0x1A, 0xF8, 0xF4, 0x1F, 0, 9]);
    assert_eq!((whole.value.records.len(), whole.problems.len()), (1, 0));
    let cut = read(&[0x59, 0x04, 3, 1, 0, 0x2F, 1, 2, 0xF4, 0x0C, 0x1A, 0xF8]);
    assert!(matches!(cut.problems.as_slice(), [Problem::Count { said: 2, have: 1, .. }]), "{:?}", cut.problems);
}

/// Records of a group have a severity in front with sub-function 42; elsewhere only where the length says so.
#[test]
fn the_length_tells_severities_only_where_it_can() {
    let n_codes = |sub, records: &[u8]| {
        let head: &[u8] = if sub == 0x42 { &[0x59, 0x42, 0x33, 0xFF, 0xFF, 4] } else { &[0x59, 0x55, 0x33, 0xFF, 4] };
        let read = group::interpret(&[0x19, sub, 0x33], &[head, records].concat()).unwrap();
        (read.value.codes.len(), read.value.codes.iter().filter(|code| code.severity.is_some()).count())
    };
    assert_eq!((n_codes(0x42, &[1; 20]), n_codes(0x42, &[1; 5])), ((4, 4), (1, 1)));
    assert_eq!((n_codes(0x55, &[1; 20]), n_codes(0x55, &[1; 5]), n_codes(0x55, &[1; 4])), ((5, 0), (1, 1), (1, 0)));
    let listed = |records: &[u8]| {
        let reply = [&[0x59, 0x1A, 0xFF, 0x92], records].concat();
        let read = with_record::interpret(&with_record::request(0x92), &reply).unwrap();
        (read.value.len(), read.problems.len())
    };
    assert_eq!((listed(&[3, 1, 0, 0x2F]), listed(&[3, 1, 0, 0x2F, 3])), ((1, 0), (1, 1)));
}
