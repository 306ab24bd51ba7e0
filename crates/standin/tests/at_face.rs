//! The stand-in through its AT-command face, as a tester meets it.

mod common;

use common::{S, Tester};
use proptest::prelude::*;

#[test]
fn start_up_and_first_request() {
    let mut t = Tester::new("fell?script=idle");
    let hello = t.ask("ATZ");
    assert!(hello.starts_with("ATZ\r") && hello.ends_with("v1.0\r\r>"), "{hello:?}");
    assert_eq!(t.ask("ATE0"), "ATE0\rOK\r\r>");
    let first = t.ask("0100");
    // Engine and gearbox answer; brake and body know no service 01.
    assert!(first.starts_with("SEARCHING...\r41 00 "), "{first:?}");
    assert_eq!(first.matches("41 00").count(), 2, "{first:?}");
    assert_eq!(t.ask("ATDPN"), "A6\r\r>");
    assert_eq!(t.ask("ATDP"), "AUTO, ISO 15765-4 (CAN 11/500)\r\r>");
    assert_eq!(t.lines("01FF"), "NO DATA");
    for wrong in ["hello", "ATQQ", "ATH2", "1", "ATSH12", "0102030405060708", "ATSPX"] {
        assert_eq!(t.lines(wrong), "?", "{wrong}");
    }
}

/// Characters of the handbook of sampling limits, section 3: replies to one 2-byte parameter and to six mixed ones.
#[test]
fn reply_lengths_are_those_of_the_limits_page() {
    // Parameters of 1, 1, 2, 1, 1, 2 bytes: load, coolant, engine speed, vehicle speed, intake temperature, air flow.
    let (one, mixed) = ("010C1", "01 04 05 0C 0D 0F 10 3");
    for (headers, spaces, for_one, for_mixed) in
        [(1, 0, 14, 3 * 20), (1, 1, 20, 3 * 29), (0, 0, 9, 4 + 15 + 17 + 17), (0, 1, 13, 4 + 22 + 25 + 25)]
    {
        let mut t = Tester::new("fell?script=idle");
        for line in ["ATE0", "ATSP6", "ATSH7E0"] {
            t.ask(line);
        }
        t.ask(&format!("ATH{headers}"));
        t.ask(&format!("ATS{spaces}"));
        // The prompt is two characters.
        assert_eq!(t.ask(one).len() - 2, for_one, "headers {headers}, spaces {spaces}");
        assert_eq!(t.ask(mixed).len() - 2, for_mixed, "headers {headers}, spaces {spaces}");
    }
    let mut padded = Tester::plain("fell?script=idle&quirk=padding");
    padded.ask("ATSH7E0");
    assert_eq!(padded.ask("010C1").len() - 2, 20);
}

/// An exchange takes the time that the handbook of sampling limits computes (section 3): at 115 200 baud with a delay of 5 ms,
/// 136 one-parameter and 491 parameters in groups of six per second, headers on, spaces off, with the count.
#[test]
fn exchanges_take_the_time_of_the_limits_page() {
    for (baud, tau, more, one_per_s, six_per_s) in [
        (38_400, 5, "", 89.0, 233.0),
        (115_200, 5, "", 136.0, 491.0),
        (115_200, 25, "", 37.0, 186.0),
        (500_000, 1, "", 531.0, 1969.0),
        (115_200, 5, "&rtt_ms=20", 37.0, 186.0),
        (115_200, 5, "&overhead_ms=2", 107.0, 422.0),
    ] {
        let mut t = Tester::plain(&format!("fell?script=idle&baud={baud}&engine_ms={tau}&jitter=0&flow_ms=0{more}"));
        t.ask("ATSH7E0");
        let mut rate = |request: &str, parameters: f64| {
            let before = t.port.now();
            for _ in 0..50 {
                t.ask(request);
            }
            50.0 * parameters / ((t.port.now() - before) as f64 / S as f64)
        };
        let (one, six) = (rate("010C1", 1.0), rate("0104050C0D0F103", 6.0));
        // The page leaves out stuff bits and the flow control's own frame behind printing: 3 % for those.
        assert!((one / one_per_s - 1.0).abs() < 0.03, "{baud} {tau}{more}: {one}, page {one_per_s}");
        assert!((six / six_per_s - 1.0).abs() < 0.03, "{baud} {tau}{more}: {six}, page {six_per_s}");
    }
}

#[test]
fn waits_without_a_count_and_learns() {
    let mut t = Tester::plain("fell?script=idle&engine_ms=5&jitter=0");
    t.ask("ATSH7E0");
    let mut took = |line: &str| {
        let before = t.port.now();
        t.ask(line);
        (t.port.now() - before) as f64 / 1e6
    };
    took("ATAT0");
    assert!((200.0..225.0).contains(&took("010C")), "the usual 200 ms");
    took("ATST10");
    assert!((64.0..80.0).contains(&took("010C")), "16 * 4 ms");
    took("ATST32");
    took("ATAT1");
    took("010C");
    assert!(took("010C") < 40.0, "learnt from the first answer");
    took("ATAT2");
    took("010C");
    assert!(took("010C") < 30.0);
    // Fewer lines than promised: the whole wait.
    let whole = took("010C4");
    assert!(whole > 15.0, "{whole} ms");
}

#[test]
fn addressing_filters_and_flow_control() {
    let mut t = Tester::plain("fell?script=idle");
    assert_eq!(t.lines("0902"), "7E81014490201475457|7E821464C364131394A|7E8224B313034323137");
    t.ask("ATCRA7E9");
    assert_eq!(t.lines("010D").split('|').count(), 1);
    assert!(t.lines("010D").starts_with("7E903410D"));
    t.ask("ATCRA7EX");
    assert_eq!(t.lines("010D").split('|').count(), 2);
    t.ask("ATCF7E8");
    t.ask("ATCM7FF");
    assert_eq!(t.lines("010D").split('|').count(), 1);
    t.ask("ATAR");
    // Nothing after the first frame without flow control.
    t.ask("ATCFC0");
    assert_eq!(t.lines("0902"), "7E81014490201475457");
    t.ask("ATCFC1");
    // A flow control of our own: one frame at a time never gets the second.
    assert_eq!(t.lines("ATFCSM1"), "?");
    t.ask("ATFCSH7E0");
    t.ask("ATFCSD300100");
    assert_eq!(t.lines("ATFCSM1"), "OK");
    assert_eq!(t.lines("0902").split('|').count(), 2);
    t.ask("ATFCSM0");
    // Headers off: length line and numbered lines; the last one with its padding.
    t.ask("ATH0");
    t.ask("ATS1");
    assert_eq!(t.lines("0902"), "014|0: 49 02 01 47 54 57 |1: 46 4C 36 41 31 39 4A |2: 4B 31 30 34 32 31 37 ");
    // Frames as they are, made by hand: formatting off.
    t.ask("ATCAF0");
    t.ask("ATH1");
    t.ask("ATSH7E0");
    assert!(t.lines("02010D55555555551").starts_with("7E8 03 41 0D "));
}

#[test]
fn a_segmented_request_can_be_made_by_hand() {
    let mut t = Tester::plain("fell?script=idle");
    t.ask("ATCAF0");
    t.ask("ATSH7E2");
    // First frame of `22 D011 D012 F195 F1..`: the module asks for the rest, then answers in several frames.
    assert_eq!(t.lines("100922D011D012F11"), "7EA300000AAAAAAAAAA");
    let answer = t.lines("2195F197");
    assert!(answer.starts_with("7EA10") && answer.contains("62D011"), "{answer}");
}

#[test]
fn monitoring_and_interrupting() {
    let mut t = Tester::plain("fell?script=idle");
    t.port.write_all(b"ATMA\r").expect("sent");
    let deadline = t.port.now() + S;
    assert_eq!(t.port.read_until(&mut [0; 8], deadline).ok(), Some(0), "nobody talks on this bus unasked");
    t.port.write_all(b"x").expect("sent");
    assert_eq!(t.read().as_deref(), Ok("STOPPED\r\r>"));
    // A character during a request stops it; its late answer is not printed later.
    t.port.write_all(b"09 0A\r").expect("sent");
    let soon = t.port.now() + 2_000_000;
    while t.port.now() < soon {
        t.port.read_until(&mut [0; 8], soon).expect("open");
    }
    t.port.write_all(b"\r").expect("sent");
    assert_eq!(t.read().as_deref(), Ok("STOPPED\r\r>"));
    let deadline = t.port.now() + S;
    assert_eq!(t.port.read_until(&mut [0; 8], deadline).ok(), Some(0));
    // So does one while the answer is still being printed: what was left of it is not.
    let mut slow = Tester::plain("fell?script=idle&baud=1200&count=lines");
    slow.port.write_all(b"09023\r").expect("sent");
    let soon = slow.port.now() + S / 4;
    let mut buffer = [0; 256];
    while slow.port.now() < soon {
        slow.port.read_until(&mut buffer, soon).expect("open");
    }
    slow.port.write_all(b"x").expect("sent");
    assert!(slow.read().is_ok_and(|said| said.ends_with("\rSTOPPED\r\r>") && said.len() < 50));
    assert!(slow.lines("010C1").starts_with("7E8"));
    // A bare return repeats the last line.
    t.ask("ATI");
    assert_eq!(t.lines(""), t.lines("ATI"));
}

#[test]
fn echo_linefeeds_and_reset() {
    let mut t = Tester::new("fell?script=idle");
    t.ask("ATL1");
    assert_eq!(t.ask("ATI"), "ATI\r\nStandin AT interface v1.0\r\n\r\n>");
    t.ask("ATE0");
    assert_eq!(t.ask("ATL0"), "OK\r\r>");
    t.ask("ATWS");
    assert!(t.ask("ATI").starts_with("ATI\r"), "echo is back");
    assert!(t.lines("ATRV").ends_with('V'));
}

#[test]
fn other_buses_are_found_and_wrong_ones_fail_as_they_do() {
    for (bus, number) in [("can29-500", 7), ("can11-250", 8), ("can29-250", 9)] {
        let mut t = Tester::new(&format!("fell?script=idle&bus={bus}"));
        t.ask("ATE0");
        assert!(t.lines("0100").starts_with("SEARCHING...|41 00 "), "{bus}");
        assert_eq!(t.lines("ATDPN"), format!("A{number}"));
    }
    let mut t = Tester::new("fell?script=idle&bus=can29-500");
    for line in ["ATE0", "ATH1", "ATSP7"] {
        t.ask(line);
    }
    assert!(t.lines("010C").starts_with("18 DA F1 10 04 41 0C "), "29-bit identifier in four bytes");
    t.ask("ATSHDA10F1");
    assert!(t.lines("010C1").starts_with("18 DA F1 10 "));
    for (protocol, said) in [("6", "NO DATA"), ("8", "CAN ERROR"), ("3", "BUS INIT: ...ERROR"), ("1", "NO DATA")] {
        t.ask(&format!("ATSP{protocol}"));
        t.ask("ATD");
        t.ask("ATE0");
        assert_eq!(t.lines("010C"), said, "protocol {protocol}");
    }
}

#[test]
fn habits_of_clones() {
    let mut t =
        Tester::new("fell?script=idle&quirk=echo&quirk=spaces&quirk=noheaders&quirk=unknown:ATAT&quirk=unknown:CRA");
    assert_eq!(t.lines("ATE0"), "ATE0|OK");
    assert_eq!(t.lines("ATI"), "ATI|Standin AT interface v1.0");
    assert_eq!(t.lines("ATH1"), "ATH1|?");
    assert_eq!(t.lines("ATAT1"), "ATAT1|?");
    assert_eq!(t.lines("ATCRA7E8"), "ATCRA7E8|?");
    assert_eq!(t.lines("ATS0"), "ATS0|OK");
    t.ask("ATSP6");
    assert!(t.lines("010C1").contains("|41 0C "));
    let mut refused = Tester::plain("fell?script=idle&count=refused");
    assert_eq!(refused.lines("010C1"), "?");
    // Counting messages: one message of three frames.
    let mut messages = Tester::plain("fell?script=idle&count=messages");
    assert_eq!(messages.lines("09021").split('|').count(), 3);
    let mut busy = Tester::plain("fell?script=idle&quirk=say:BUS_BUSY:1");
    assert_eq!(busy.lines("010C1"), "BUS BUSY");
    // An adapter that restarts by itself says its name and forgets its settings.
    let mut restless = Tester::new("fell?script=idle&quirk=reset:20");
    restless.ask("ATE0");
    let said = restless.read().expect("its name, unasked, within a minute or two");
    assert!(said.ends_with("v1.0\r\r>"), "{said:?}");
    assert!(restless.ask("ATI").starts_with("ATI\r"), "echo is back");
    // Noise on the line: something else arrives, but the prompt still comes in the end.
    let mut noisy = Tester::new("fell?script=idle&quirk=lose:0.02&quirk=garbage:0.02&quirk=rxerror:0.2");
    let mut heard = Vec::new();
    for _ in 0..40 {
        noisy.port.write_all(b"ATI\r").expect("sent");
        let deadline = noisy.port.now() + S;
        let mut buffer = [0; 64];
        while let Ok(n @ 1..) = noisy.port.read_until(&mut buffer, deadline) {
            heard.extend_from_slice(&buffer[..n]);
        }
    }
    let whole = String::from_utf8_lossy(&heard).matches("Standin AT interface v1.0").count();
    // 25 characters survive with 0.96^25 = 36 % each time.
    assert!((5..30).contains(&whole), "{whole}");
}

#[test]
fn too_much_to_print_is_said() {
    // Six monitors come in 16 frames of 40 characters within 5 ms; 1200 baud print 120 characters per second, and the
    // buffer holds 512.
    let mut t = Tester::new("fell?script=idle&baud=1200&jitter=0&bus=can29-500");
    for line in ["ATE0", "ATSP7", "ATH1", "ATSHDA10F1"] {
        t.ask(line);
    }
    assert!(!t.lines("0902").contains("BUFFER FULL"));
    let answer = t.lines("06A1A2A3A4A502");
    assert!(answer.ends_with("BUFFER FULL"), "{answer}");
    assert!(t.lines("010C1").starts_with("18 DA F1 10 04 41 0C"));
}

#[test]
fn an_unplugged_adapter_is_lost_and_comes_back() {
    let mut t = Tester::plain("fell?script=idle&gone=2:3");
    let mut buffer = [0; 16];
    let lost = loop {
        let deadline = t.port.now() + S;
        if let Err(error) = t.port.read_until(&mut buffer, deadline) {
            break error;
        }
    };
    assert!(lost.to_string().contains("unplugged") && t.dial.now() == 2 * S);
    assert!(t.dial.dial().is_err());
    t.dial.pause(3 * S);
    t.port = t.dial.dial().expect("plugged in again");
    assert_eq!(t.dial.now(), 5 * S);
    assert!(t.lines("010C1").starts_with("7E8"));
}

#[test]
fn names_are_checked_with_useful_errors() {
    for (spec, word) in [
        ("fiesta", "fell"),
        ("fell?speed=3", "script"),
        ("fell?script=nowhere", "mixed"),
        ("fell?script=no/such.road", "no/such.road"),
        ("fell?fault=wheel-dropout:left:0.5", "rear_left"),
        ("fell?fault=misfire-coil:5:0.5", "1 to 4"),
        ("fell?fault=thermostat:2", "0 to 1"),
        ("fell?fault=gremlin:1", "air-leak:SEVERITY"),
        ("fell?coils=1,1,2,3", "any order"),
        ("fell?baud=fast", "number"),
        ("fell?silent=radio:1:2", "gearbox"),
        ("fell?quirk=lazy", "habit"),
        ("fell?pids=7", "1 to 6"),
        ("fell?warm=maybe", "0 or 1"),
    ] {
        let error = standin::dial(spec).err().unwrap_or_else(|| panic!("{spec} must be refused")).to_string();
        assert!(error.contains(word), "{spec}: {error}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]

    /// Whatever is typed, the adapter does not break, and answers to its name in the end.
    #[test]
    fn any_bytes_leave_an_adapter_that_comes_back(
        pieces in proptest::collection::vec(
            prop_oneof![
                proptest::collection::vec(any::<u8>(), 0..40),
                "(AT)?[A-Z0-9 ]{0,14}\r".prop_map(String::into_bytes),
                "[0-9A-F]{1,18}\r".prop_map(String::into_bytes),
            ],
            0..12,
        ),
        pauses in proptest::collection::vec(0_i64..400, 12),
    ) {
        let mut t = Tester::new("fell?script=idle");
        let mut buffer = [0; 256];
        for (piece, pause) in pieces.iter().zip(pauses) {
            t.port.write_all(piece).expect("open");
            let until = t.port.now() + pause * 1_000_000;
            while t.port.now() < until {
                t.port.read_until(&mut buffer, until).expect("open");
            }
        }
        // Interrupt what is going on, finish a half line, then ask for its name.
        for last in [&b"\r"[..], b"\r", b"ATWS\r"] {
            t.port.write_all(last).expect("open");
            let until = t.port.now() + 25 * S;
            while t.port.now() < until {
                t.port.read_until(&mut buffer, until).expect("open");
            }
        }
        prop_assert_eq!(t.ask("ATI").replace("ATI\r", ""), "Standin AT interface v1.0\r\r>");
    }

    /// No name of a stand-in, however odd, breaks anything.
    #[test]
    fn any_name_is_taken_or_refused(name in "(fell)?\\??[a-z_=:&0-9.,\\-]{0,40}") {
        let _ = standin::dial(&name);
    }
}

/// ISO 14230-2: a conversation begins with a start of communication and ends after five seconds of silence (P3 max); sums of
/// a message are those of all its bytes. The words of the adapter are common practice, no source.
#[test]
fn a_k_line_is_opened_and_falls_asleep() {
    let mut t = Tester::new("fen?script=idle&engine_ms=5&jitter=0");
    for line in ["ATE0", "ATS0", "ATH1", "ATSP5", "ATSH8110F1"] {
        t.ask(line);
    }
    assert_eq!(t.lines("1A97"), "BUS INIT: OK|88F1105A97456E67696E65D0");
    let before = t.port.now();
    assert_eq!(t.lines("1A90"), "83F1107F1A314E", "no VIN");
    // Limits of the wire: 7 bytes at 10 400 baud with 5 ms between, 25 ms, and 7 bytes.
    assert!(t.port.now() - before > 60_000_000);
    t.port.write_all(b"").expect("open");
    let awake = t.port.now() + 6 * S;
    assert_eq!(t.port.read_until(&mut [0; 8], awake).expect("open"), 0);
    assert_eq!(t.lines("1A97"), "NO DATA");
    t.ask("ATPC");
    assert!(t.lines("1A97").starts_with("BUS INIT: OK|"));
    // Nobody is at this address, and this car has no other network.
    for line in ["ATPC", "ATSH8177F1"] {
        t.ask(line);
    }
    assert_eq!(t.lines("1A97"), "BUS INIT: ERROR");
    t.ask("ATSP6");
    assert_eq!(t.lines("0100"), "CAN ERROR");
    // The slow start shows that three bytes go to and fro.
    let mut t = Tester::new("fen?script=idle&bus=kwp-5baud");
    for line in ["ATE0", "ATS0", "ATH1", "ATSP4", "ATSH8110F1", "ATIIA10"] {
        t.ask(line);
    }
    assert!(t.lines("1A97").starts_with("BUS INIT: ...OK|"));
}
