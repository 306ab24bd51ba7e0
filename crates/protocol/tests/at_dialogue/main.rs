//! The conversation with an AT-command adapter, step by step in invented time: what is asked, when, and how often.
//!
//! The adapter here answers each command after 10 ms with the usual text (common practice, from memory), except for those
//! that a test gives other answers to. The rows say what this program does and were read against the reasons in its
//! comments: they show when a conversation changes, and are no reference from outside.

mod requests;
mod talk;

use protocol::Address;
use protocol::at::Outcome;
use protocol::exchange::{Request, Target};
use talk::{Answers, ENGINE, MS, Talk, compare};

#[test]
fn start_up() {
    let table: &[(Answers, &str)] = &[
        (&[], "ATI ATZ (set) | ATRV | Ok(Volts(Some(12.4))) | Adapter 1.0 | "),
        (&[("*", &["~"])], "ATI (400) ATI (400) ATI (400) ATZ (3000) | Silent { asked: \"ATZ\", waited_ms: 3000 }"),
        (
            &[("ATI", &["~", "~", "Adapter 1.0"])],
            "ATI (400) ATI (400) ATI ATZ (510) (set) | ATRV ATRV | Ok(Volts(Some(12.4))) | Adapter 1.0 | ",
        ),
        (
            &[("ATI", &["~", "~", "~", "Adapter 1.0"])],
            "ATI (400) ATI (400) ATI (400) ATZ (510) (set) | ATRV ATRV | Ok(Volts(Some(12.4))) | Adapter 1.0 | ",
        ),
        (&[("*", &["\u{e9}~"])], "ATI (410) ATI (410) ATI (410) | NotAnAdapter { said: \"������\" }"),
        (
            &[("*", &["\u{e9}~", "\u{e9}~", "hello"])],
            "ATI (410) ATI (410) ATI ATZ (510) ATE0 ATL0 ATS0 ATH1 | NotAnAdapter { said: \"����hellohellohellohellohellohello\" }",
        ),
        (
            &[("ATI", &["\u{e9}~", "\u{e9}~", "Adapter 1.0"])],
            "ATI (410) ATI (410) ATI ATZ (510) (set) | ATRV ATRV | Ok(Volts(Some(12.4))) | Adapter 1.0 | ",
        ),
        (
            &[("*", &["hello"])],
            "ATI ATZ ATE0 ATL0 ATS0 ATH1 | NotAnAdapter { said: \"hellohellohellohellohellohello\" }",
        ),
        (
            &[("*", &["hello~"])],
            "ATI (410) ATI (410) ATI (410) ATZ (3510) ATE0 (2010) ATL0 (2010) | NotAnAdapter { said: \"hellohellohellohellohellohello\" }",
        ),
        (
            &[("ATE0", &["~"]), ("ATL0", &["~"])],
            "ATI ATZ ATE0 (2000) ATL0 (2000) | NotAnAdapter { said: \"Adapter 1.0Adapter 1.0\" }",
        ),
        (
            &[("ATE0", &["~"])],
            "ATI ATZ ATE0 (2000) ATL0 ATS0 ATH1 ATM0 ATCAF1 ATAT0 ATST32 ATI ATRV ATDPN | ATRV ATRV | Ok(Volts(Some(12.4))) | Adapter 1.0 | the echo cannot be switched off",
        ),
        (
            &[("ATE0", &["?"]), ("ATL0", &["?"]), ("ATS0", &["?"])],
            "ATI ATZ ATE0 ATE0 ATL0 ATL0 ATS0 ATS0 ATH1 ATM0 ATCAF1 ATAT0 ATST32 ATI ATRV ATDPN | ATRV | Ok(Volts(Some(12.4))) | Adapter 1.0 | the echo cannot be switched off; line feeds cannot be switched off; spaces cannot be switched off: answers take longer",
        ),
        (
            &[("ATE0", &["1OK"]), ("ATL0", &["?"]), ("ATS0", &["?"]), ("ATH1", &["?"])],
            "ATI ATZ ATE0 ATL0 ATL0 ATS0 ATS0 ATH1 ATH1 ATM0 ATCAF1 ATAT0 ATST32 ATI ATRV ATDPN | ATRV | Ok(Volts(Some(12.4))) | Adapter 1.0 | line feeds cannot be switched off; spaces cannot be switched off: answers take longer",
        ),
        (&[("ATZ", &["?"])], "ATI ATZ ATWS (set) | ATRV | Ok(Volts(Some(12.4))) | Adapter 1.0 | "),
        (
            &[("ATZ", &["STOPPED"]), ("ATWS", &["?"])],
            "ATI ATZ ATWS ATD (set) | ATRV | Ok(Volts(Some(12.4))) | Adapter 1.0 | ",
        ),
        (
            &[("ATZ", &["?"]), ("ATWS", &["?"]), ("ATD", &["?"])],
            "ATI ATZ ATWS ATD (set) | ATRV | Ok(Volts(Some(12.4))) | Adapter 1.0 | ",
        ),
        (&[("ATZ", &["~"])], "ATI ATZ (3000) ATWS (510) (set) | ATRV ATRV | Ok(Volts(Some(12.4))) | Adapter 1.0 | "),
        (&[("ATZ", &["Adapter 1.0\r~"])], "ATI ATZ (3510) (set) | ATRV ATRV | Ok(Volts(Some(12.4))) | Adapter 1.0 | "),
        (
            &[("ATI", &["Adapter 1.0", "?"]), ("ATZ", &["Banner 2\rOK"])],
            "ATI ATZ (set) | ATRV | Ok(Volts(Some(12.4))) | Banner 2 | ",
        ),
        (
            &[("ATI", &["Adapter 1.0", "Adapt~"]), ("ATZ", &["Banner 2"])],
            "ATI ATZ ATE0 ATL0 ATS0 ATH1 ATM0 ATCAF1 ATAT0 ATST32 ATI (510) ATRV ATDPN | ATRV ATRV | Ok(Volts(Some(12.4))) | Banner 2 | ",
        ),
        (&[("ATRV", &["?"])], "ATI ATZ (set) | (0) | Ok(Volts(None)) | Adapter 1.0 | "),
        (
            &[("ATRV", &["?"]), ("ATDPN", &["?"]), ("ATST32", &["~"])],
            "ATI ATZ ATE0 ATL0 ATS0 ATH1 ATM0 ATCAF1 ATAT0 ATST32 (500) ATI ATRV ATDPN | (0) | Ok(Volts(None)) | Adapter 1.0 | ",
        ),
        (
            &[("ATZ", &["Adapter 1.0^a^b^c^d"]), ("ATI", &["~", "Adapter 1.0"])],
            "ATI (400) ATI ATZ (518) (set) | ATRV ATRV | Ok(Volts(Some(12.4))) | Adapter 1.0 | ",
        ),
        (
            &[("ATZ", &["Adapter 1.0^a^b^c^d^e^f"]), ("ATI", &["~", "Adapter 1.0"])],
            "ATI (400) ATI ATZ (22) (set) | ATRV ATRV | Ok(Volts(Some(12.4))) | Adapter 1.0 | ",
        ),
    ];
    let rows = table.iter().map(|(answers, due)| {
        let mut talk = Talk::new(None, answers);
        let (sent, result) = talk.start(false);
        let Err(failure) = result else {
            talk.adapter.ask_volts();
            let (volts, result) = talk.run();
            let known = talk.adapter.known();
            return (*due, format!("{sent} | {volts} | {result:?} | {} | {}", known.adapter, known.notes.join("; ")));
        };
        (*due, format!("{sent} | {failure:?}"))
    });
    compare(&rows.collect::<Vec<_>>());
}

#[test]
fn the_search_for_the_network() {
    let table: &[(Answers, &str)] = &[
        (&[], "ATSP0 0100 ATDPN ATSH7E0 010D1 | 7E8:410D32 |  | 0 notes"),
        (&[("ATSP0", &["?"])], "ATSP0 ATSP6 0100 ATDPN ATSH7E0 010D1 | 7E8:410D32 |  | 1 notes"),
        (
            &[
                ("ATSP0", &["?"]),
                ("ATSP6", &["?"]),
                ("ATSP7", &["?"]),
                ("ATSP8", &["?"]),
                ("ATSP9", &["?"]),
                ("ATSP5", &["?"]),
                ("ATSP4", &["?"]),
                ("ATSP3", &["?"]),
                ("ATSP2", &["?"]),
                ("ATSP1", &["?"]),
            ],
            "ATSP0 ATSP6 ATSP7 ATSP8 ATSP9 ATSP5 ATSP4 ATSP3 ATSP2 ATSP1 0100 ATDPN ATSH7E0 010D1 | 7E8:410D32 |  | 1 notes",
        ),
        (
            &[("0100", &["UNABLE TO CONNECT"])],
            "ATSP0 0100 ATSP6 22F810 ATSP7 22F810 ATSP8 22F810 ATSP9 22F810 | Err(NoVehicle { said: \"UNABLE TO CONNECT\" }) | 0 notes",
        ),
        (
            &[("0100", &["SEARCHING...\rNO DATA"])],
            "ATSP0 0100 ATSP6 22F810 ATSP7 22F810 ATSP8 22F810 ATSP9 22F810 | Err(NoVehicle { said: \"NO DATA\" }) | 0 notes",
        ),
        (
            &[("0100", &["NO DATA"]), ("ATSP6", &["?"]), ("22F810", &["7E80462F81001"]), ("ATDPN", &["A7", "6"])],
            "ATSP0 0100 ATSP6 ATSP7 22F810 22F810 22F810 ATSP8 22F810 ATDPN ATSH7E0 010D1 | 7E8:410D32 |  | 0 notes",
        ),
        (
            &[("0100", &["NO DATA"]), ("22F810", &["7E8037F2231"])],
            "ATSP0 0100 ATSP6 22F810 22F810 22F810 ATSP7 22F810 22F810 22F810 ATSP8 22F810 22F810 22F810 ATSP9 22F810 22F810 22F810 | Err(NoVehicle { said: \"NO DATA\" }) | 0 notes",
        ),
        (&[("0100", &["7E8037F0112"])], "ATSP0 0100 ATDPN ATSH7E0 010D1 | 7E8:410D32 |  | 0 notes"),
        (
            &[("0100", &["7E80641", "7E80641", "7E8064100BE3EB813"])],
            "ATSP0 0100 0100 0100 ATDPN ATSH7E0 010D1 | 7E8:410D32 |  | 0 notes",
        ),
        (&[("0100", &["7E8064100"])], "ATSP0 0100 0100 0100 | Err(Unreadable { said: \"7E8064100\" }) | 0 notes"),
        (&[("0100", &["12:45"])], "ATSP0 0100 0100 0100 | Err(Unreadable { said: \"12:45\" }) | 0 notes"),
        (
            &[("0100", &["41"])],
            "ATSP0 0100 0100 0100 ATSP6 22F810 ATSP7 22F810 ATSP8 22F810 ATSP9 22F810 | Err(NoVehicle { said: \"41\" }) | 0 notes",
        ),
        (
            &[("0100", &["HELLO"])],
            "ATSP0 0100 0100 0100 ATSP6 22F810 ATSP7 22F810 ATSP8 22F810 ATSP9 22F810 | Err(NoVehicle { said: \"HELLO\" }) | 0 notes",
        ),
        (
            &[("0100", &["STOPPED", "SEARCHING...\rSTOPPED", "7E8064100BE3EB813"])],
            "ATSP0 0100 0100 0100 ATDPN ATSH7E0 010D1 | 7E8:410D32 |  | 0 notes",
        ),
        (
            &[("ATDPN", &["?"]), ("ATDP", &["AUTO, ISO 15765-4 (CAN 11/500)"])],
            "ATSP0 0100 ATDPN ATDP ATSH7E0 010D1 | 7E8:410D32 |  | 0 notes",
        ),
        (&[("ATDPN", &["?"]), ("ATDP", &["?"])], "ATSP0 0100 ATDPN ATDP ATSH7E0 010D1 | 7E8:410D32 |  | 1 notes"),
        (
            &[("0100", &["4100BE3EB813", "7E8064100BE3EB813"])],
            "ATSP0 0100 ATDPN ATH1 0100 ATDPN ATSH7E0 010D1 | 7E8:410D32 |  | 0 notes",
        ),
        (
            &[("0100", &["4100BE3EB813"]), ("010D1", &["410D32"])],
            "ATSP0 0100 ATDPN ATH1 0100 ATDPN ATSH7E0 010D1 | 7E8:410D32 |  | 1 notes",
        ),
        (
            &[("0100", &["4100BE3EB813"]), ("ATH1", &["?"]), ("010D1", &["410D32"])],
            "ATSP0 0100 ATDPN ATSH7E0 010D1 | 7E8:410D32 |  | 1 notes",
        ),
        (
            &[("0100", &["~"])],
            "ATSP0 0100 (15000) ATRV ATSP6 22F810 ATSP7 22F810 ATSP8 22F810 ATSP9 22F810 | Err(NoVehicle { said: \"nothing\" }) | 0 notes",
        ),
    ];
    let rows = table.iter().map(|(answers, due)| {
        let mut talk = Talk::new(None, answers);
        assert_eq!(talk.start(false).1, Ok(Outcome::Started));
        let got = talk.ask(ENGINE, &[0x01, 0x0D]);
        (*due, format!("{got} | {} notes", talk.adapter.known().notes.len()))
    });
    compare(&rows.collect::<Vec<_>>());
}

/// Text that nobody asked for may be half an answer: what is asked next has to wait for a sign that it is over.
#[test]
fn text_between_two_requests() {
    let rows = ["7E803410D33", "\r\n ", "7E8034\r\r>", ">"].map(|text| {
        let mut talk = Talk::started(&[]);
        talk.ask(ENGINE, &[0x01, 0x0D]);
        talk.adapter.receive(talk.now, text.as_bytes());
        talk.ask(ENGINE, &[0x01, 0x0D])
    });
    compare(
        &[
            "ATRV 010D1 | 7E8:410D32 | dropped text that belongs to no request: `7E8034",
            "010D1 | 7E8:410D32 | ",
            "ATRV 010D1 | 7E8:410D32 | dropped text that belongs to no request: `7E8034",
            "ATRV 010D1 | 7E8:410D32 | dropped text that belongs to no request: `>`",
        ]
        .into_iter()
        .zip(rows)
        .collect::<Vec<_>>(),
    );
}

/// ISO 14230-2: a K-line that was silent for 5 s is closed (P3 max).
#[test]
fn a_k_line_is_kept_open_or_opened_again() {
    let engine = Target::Module(Address::Node(0x10));
    let answers: Answers = &[
        ("ATDPN", &["5"]),
        ("0100", &["83F1104100BE83"]),
        ("010D", &["83F110410D3204"]),
        ("010D1", &["NO DATA", "83F110410D3204"]),
        ("3E01", &["82F1107E0102"]),
    ];
    let mut talk = Talk::started(answers);
    let mut rows = vec![("ATPC ATSP5 ATSH8110F1 010D | 10:410D32 | ", talk.ask(engine, &[0x01, 0x0D]))];
    assert_eq!(talk.adapter.keep_alive_at(), Some(talk.now + 4_000 * MS), "a fifth earlier");
    talk.now += 4_000 * MS;
    talk.adapter.keep_alive();
    rows.push(("3E01 | 10:7E01 | ", talk.exchange()));
    talk.now += 5_010 * MS;
    rows.push(("010D1 ATPC 010D1 | 10:410D32 | ", talk.ask(engine, &[0x01, 0x0D])));
    talk.now += 1_000 * MS;
    rows.push(("ATPC ATSP5 ATSHC133F1 0100 | 10:4100BE | ", talk.ask(Target::Everyone, &[0x01, 0x00])));
    talk.adapter.keep_alive();
    rows.push(("0100 | 10:4100BE | ", talk.exchange()));
    compare(&rows);
    assert_eq!(Talk::started(&[]).adapter.keep_alive_at(), None, "CAN needs none");
}

#[test]
fn an_operation_ends_after_its_longest_time() {
    let mut talk = Talk::started(&[("010D1", &["SEARCHING...~"])]);
    for n in 1..200 {
        talk.coming.push_back((talk.now + n * 500 * MS, b".".to_vec()));
    }
    let began = talk.now;
    assert_eq!(
        talk.ask(ENGINE, &[0x01, 0x0D]),
        "ATSH7E0 010D1 (39990) | Err(Silent { asked: \"010D1\", waited_ms: 40000 })"
    );
    assert_eq!((talk.now - began) / MS, 40_000);
}

/// What was measured counts: an adapter that takes 300 ms is waited for longer, and told to wait longer.
#[test]
fn a_slow_adapter() {
    let mut talk = Talk::new(None, &[("010D1", &["7E803410D32", "7E803410D32", "7E803410D32", "~"])]);
    talk.takes = 300 * MS;
    assert_eq!(talk.start(true).1, Ok(Outcome::Started));
    let rows = [
        "ATSH7E0 (300) 010D1 (300) | 7E8:410D32 | ",
        "010D1 (300) | 7E8:410D32 | ",
        "010D1 (300) | 7E8:410D32 | ",
        "ATST96 (300) 010D1 (1124) |  | the adapter's prompt did not come in time",
    ]
    .map(|due| (due, talk.ask(ENGINE, &[0x01, 0x0D])));
    compare(&rows);
}

/// An adapter that takes no number of lines waits behind every answer: it is told to wait for less than a module may take,
/// and a silence is waited out before the same is asked again.
#[test]
fn a_time_out_that_was_too_short() {
    let speed = "7E803410D32";
    let mut talk = Talk::new(None, &[("010D1", &["?"]), ("010D", &[speed, speed, speed, "NO DATA", speed, "NO DATA"])]);
    assert_eq!(talk.start(true).1, Ok(Outcome::Started));
    talk.waits = 24 * MS;
    let rows = [
        "ATSH7E0 010D1 010D | 7E8:410D32 | ",
        "010D | 7E8:410D32 | ",
        "010D | 7E8:410D32 | ",
        "ATST06 010D (100) ATST32 010D | 7E8:410D32 | ",
        "010D (124) ATST32 010D (124) ATST32 010D (24) |  | ",
    ]
    .map(|due| (due, talk.ask(ENGINE, &[0x01, 0x0D])));
    compare(&rows);
}

/// A filter that cannot be taken back would hide modules.
#[test]
fn a_filter_that_stays() {
    let mut talk = Talk::started(&[("ATCRA", &["?"]), ("ATAR", &["?"])]);
    let probe = Target::Anyone(Address::from_reply11(0x618));
    let rows = [
        (probe, "ATSH610 ATCF600 ATCM700 ATST0F 010D | 7E8:410D32 | "),
        (ENGINE, "ATSH7E0 ATCRA ATAR ATST32 010D1 | 7E8:410D32 | "),
        (ENGINE, "ATI ATZ (set) ATSP6 0100 ATDPN ATSH7E0 010D1 | 7E8:410D32 | "),
    ]
    .map(|(to, due)| (due, talk.ask(to, &[0x01, 0x0D])));
    compare(&rows);
}

/// On a K-line a busy module is listened to, as a request would collide with its answer.
#[test]
fn a_busy_module_on_a_k_line() {
    let engine = Target::Module(Address::Node(0x10));
    let mut talk = Talk::started(&[
        ("ATDPN", &["3"]),
        ("0100", &["486B104100BEC2"]),
        ("010D", &["486B107F0178BB"]),
        ("04", &["486B107F0478BE"]),
        ("ATMA", &["486B10410D3243\r~", "~"]),
    ]);
    let mut rows = vec![
        ("010D ATMA (160) | 10:410D32 | ", talk.ask(engine, &[0x01, 0x0D])),
        ("ATRV 04 ATMA (5250) |  | 10 asked for more time, then nothing for 5.2 s", talk.ask(engine, &[0x04])),
    ];
    talk.adapter.keep_alive();
    rows.push(("ATRV 0100 | 10:4100BE | ", talk.exchange()));
    compare(&rows);
}

/// What another module says ends the adapter's wait. The answer that is read then may be that to the question before: the
/// exchange begins with that one.
#[test]
fn an_answer_counts_from_the_first_question_that_it_may_belong_to() {
    let asked_ms = |texts: &[&'static str]| {
        let mut talk = Talk::started(&[("010D1", texts)]);
        talk.ask(ENGINE, &[0x01, 0x00]);
        let begun = talk.now;
        talk.adapter.ask(&Request { to: ENGINE, bytes: vec![0x01, 0x0D], n_replies: Some(1) });
        match talk.run() {
            (said, Ok(Outcome::Answered(exchange))) if exchange.replies.len() == 1 => {
                (said, (exchange.asked_ns - begun) / MS, (exchange.over_ns - begun) / MS)
            }
            other => panic!("{other:?}"),
        }
    };
    assert_eq!(asked_ms(&["7E803410D32"]), ("010D1".to_owned(), 0, 10));
    assert_eq!(asked_ms(&["7EA037F2278", "7E803410D32"]), ("010D1 010D1".to_owned(), 0, 20));
}
