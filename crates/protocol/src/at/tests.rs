//! What the parts of the conversation take for what, and how long they wait: tables, no adapter.
//!
//! The texts are common practice of AT-command adapters, from memory; frames after ISO 15765-2, messages after ISO 14230-2.

use super::collect::Collector;
use super::line::Form;
use super::state::{Barrier, Setting, State};
use super::turn::{Answer, Say, Turn};
use super::*;
use crate::Address;

const MS: Nanos = 1_000_000;
const CAN11: Bus = Bus::Can { wide: false, kbit_s: 500 };
const CAN29: Bus = Bus::Can { wide: true, kbit_s: 500 };
const ENGINE: Address = Address::from_reply11(0x7E8);

/// The answer to `say`; text up to the prompt, one byte per nanosecond.
fn answer_to(say: Say, text: &str) -> Answer {
    let mut turn = Turn::new(say, 0);
    let is_over = text.bytes().zip(1..).any(|(byte, now)| turn.receive(now, byte));
    turn.finish(Nanos::try_from(text.len()).unwrap(), is_over)
}

fn heard(text: &str) -> Answer {
    answer_to(Say::nothing(MS), text)
}

fn collect(bus: Bus, headers: bool, to: Target, asked: &[u8], text: &str) -> Collector {
    let mut collector = Collector::new(Form { bus, headers }, to, asked);
    collector.take(&heard(text));
    collector
}

/// Replies as `7E8:410D32`, and what is said of the rest.
fn finished(mut collector: Collector) -> (String, String) {
    collector.finish();
    let hex = |bytes: &[u8]| bytes.iter().map(|byte| format!("{byte:02X}")).collect::<String>();
    let replies: Vec<String> =
        collector.replies.iter().map(|reply| format!("{:#}:{}", reply.from, hex(&reply.bytes))).collect();
    (replies.join(" "), collector.problems.join("; "))
}

/// A message of a K-line with its check sum.
fn message(bytes: &[u8]) -> String {
    let sum = bytes.iter().fold(0_u8, |sum, byte| sum.wrapping_add(*byte));
    bytes.iter().chain([&sum]).map(|byte| format!("{byte:02X}")).collect::<String>() + "\r"
}

/// The first rule of the link: a value is only ever believed to come from the module that sent it, whole.
#[test]
fn whose_answer_it_is() {
    const SPEED: &[u8] = &[0x01, 0x0D];
    let odd11 = Target::Module(Address::Can11 { request: 0x710, reply: 0x77A });
    let odd29 = Target::Module(Address::Can29 { request: 0x18DA_40F1, reply: 0x18DA_F1EE });
    let any11 = Target::Anyone(Address::Can11 { request: 0x610, reply: 0x618 });
    let any29 = Target::Anyone(Address::from_reply29(0x18DA_F155));
    let all = Target::Everyone;
    let table: &[(Bus, Target, &str, &str, &str)] = &[
        (CAN11, all, "7E803410D32\r7E903410D33", "7E8:410D32 7E9:410D33", ""),
        (CAN11, all, "7EF03410D32", "7EF:410D32", ""),
        (CAN11, all, "7E703410D32\r7F003410D32", "", "dropped a frame of 7E7, which was not asked"),
        (CAN11, all, "7E803410D32\r7E803410D32", "7E8:410D32", "7E8 said the same twice; once was kept"),
        (CAN11, all, "7E803410D32\r7E803410D33\r7E903410D00", "7E9:410D00", "dropped two different answers of 7E8"),
        // Half a line may have been the end of the one before it or the beginning of the one behind.
        (CAN11, all, "7E903410D00\r7E803410D32\r7E8034", "7E9:410D00", "dropped `7E8034`"),
        (CAN11, all, "7E8034\r7E803410D32\r7E903410D00", "7E9:410D00", "dropped `7E8034`"),
        (CAN11, all, "7E803410D32<DATA ERROR", "", "marks as damaged (`<DATA ERROR`)"),
        (CAN11, all, "7E803410C32", "", "dropped an answer of 7E8 to something else: 410C32"),
        (CAN11, all, "7E8027E00", "", "dropped an answer of 7E8 to something else: 7E00"),
        (CAN11, odd11, "77A03410D32", "710-77A:410D32", ""),
        (CAN11, odd11, "77803410D32", "", "dropped a frame of 778"),
        (CAN29, odd29, "18DAF1EE03410D32", "18DA40F1-18DAF1EE:410D32", ""),
        (CAN29, odd29, "18DAF11003410D32", "", "dropped a frame of 18DAF110"),
        (CAN29, all, "18DAF11003410D32", "18DAF110:410D32", ""),
        (CAN29, all, "18DBF11003410D32\r18DAF21003410D32", "", "dropped a frame of 18DBF110"),
        (CAN11, any11, "61803410D32\r7E803410D32", "618:410D32 7E8:410D32", ""),
        // Behind an open filter anything passes.
        (CAN11, any11, "51803410D32\r7E703410D32", "", ""),
        (CAN11, any11, "61803410C32\r6180641", "", ""),
        (CAN29, any29, "18DAF15503410D32", "18DAF155:410D32", ""),
        (CAN29, any29, "18DBF15503410D32", "", ""),
    ];
    for (bus, to, text, replies, problem) in table {
        let got = finished(collect(*bus, true, *to, SPEED, &format!("{text}\r\r>")));
        assert_eq!(got.0, *replies, "{text}");
        assert!(got.1.contains(problem) && (problem.is_empty() == got.1.is_empty()), "{text}: {}", got.1);
    }
    // What is cut off by the prompt is no line.
    assert_eq!(finished(collect(CAN11, true, all, SPEED, "7E803410D32>")).0, "");
}

#[test]
fn whose_answer_it_is_on_a_k_line() {
    let [first, second] = [0x33, 0x34].map(|code| message(&[0x83, 0xF1, 0x10, 0x43, 0x01, code]));
    // ISO 14230-4: a list comes in as many messages as it needs, a value in one.
    let both = format!("{first}{second}\r>");
    let one = Target::Module(Address::Node(0x10));
    assert_eq!(finished(collect(Bus::KwpFast, true, one, &[0x03], &both)).0, "10:430133 10:430134");
    let [slow, fast] = [0x32, 0x33].map(|kmh| message(&[0x83, 0xF1, 0x10, 0x41, 0x0D, kmh]));
    let (replies, problems) = finished(collect(Bus::KwpFast, true, one, &[0x01, 0x0D], &format!("{slow}{fast}\r>")));
    assert_eq!((replies.as_str(), problems.as_str()), ("", "dropped two different answers of 10 to one request"));
    // On CAN a list is one message, however long.
    let two = "7E803430133\r7E803430134\r\r>";
    assert_eq!(finished(collect(CAN11, true, Target::Everyone, &[0x03], two)).0, "");
    // Others may be heard on a network of broadcasts; they are no answer.
    let gearbox = Target::Module(Address::Node(0x18));
    let nothing = (String::new(), String::new());
    assert_eq!(finished(collect(Bus::KwpFast, true, gearbox, &[0x01, 0x0D], &format!("{slow}\r>"))), nothing);
}

#[test]
fn answers_without_headers() {
    const LONG: [&str; 4] = ["014", "0:490201314734", "1:41503339485835", "2:36303530383334"];
    let all = Target::Everyone;
    let vin = |lines: &[&str]| finished(collect(CAN11, false, all, &[0x09, 0x02], &(lines.join("\r") + "\r\r>")));
    let whole = format!("7E8:{}", LONG[1..].iter().map(|piece| &piece[2..]).collect::<String>());
    assert_eq!(vin(&LONG), (whole, String::new()));
    assert_eq!(vin(&LONG[..2]), (String::new(), "a message broke off after 6 of 20 bytes".to_owned()));
    let again = [&LONG[..2], &LONG].concat();
    assert_eq!(vin(&again).0, "", "nothing tells which of two messages the pieces belong to");
    let damaged = [LONG[0], LONG[1], "1:415033"];
    assert_eq!(vin(&damaged).1, "dropped a long message: piece 1 is damaged");
    assert_eq!(vin(&[LONG[0], LONG[1], LONG[3]]).1, "dropped piece 2 of a long message: it is out of order");
    // The last frame is filled up on the network (ISO 15765-2).
    assert_eq!(vin(&["00A", LONG[1], "1:41503339555555"]).0, "7E8:49020131473441503339");
    let speed = |bus, to| finished(collect(bus, false, to, &[0x01, 0x0D], "410D32\r\r>")).0;
    assert_eq!(speed(CAN11, all), "7E8:410D32");
    assert_eq!(speed(CAN29, all), "18DAF110:410D32");
    assert_eq!(speed(Bus::KwpFast, all), "10:410D32");
    assert_eq!(speed(CAN11, Target::Module(Address::from_reply11(0x7E9))), "7E9:410D32");
}

#[test]
fn what_is_counted_and_what_is_announced() {
    const LINES: [&str; 3] = ["7E81014490201314734", "7E82141503339485835", "7E82236303530383334"];
    let vin =
        |lines: &[&str]| collect(CAN11, true, Target::Module(ENGINE), &[0x09, 0x02], &(lines.join("\r") + "\r\r>"));
    let size = |collector: &Collector| collector.sizes.get(&ENGINE).map(|size| (size.n_lines, size.n_digits));
    let whole = vin(&LINES);
    assert_eq!((size(&whole), whole.lines_announced()), (Some((3, 57)), None));
    let begun = vin(&LINES[..1]);
    assert_eq!((size(&begun), begun.lines_announced()), (Some((1, 19)), Some(3)), "20 bytes: 6 + 7 + 7");
    assert!(finished(begun).1.starts_with("dropped an answer of 7E8: "));
    let damaged = vin(&["7E80", LINES[0]]);
    assert_eq!(damaged.lines_announced(), None, "a damaged line may have changed its length");
    assert_eq!(vin(&[LINES[0], "7E906490201314734"]).lines_announced(), None, "somebody else spoke");
    // A frame that continues what this request did not begin, if nothing else happened before.
    for (lines, amid) in [(&LINES[1..2], true), (&["7E80", LINES[1]], false), (&[LINES[0], LINES[2]], false)] {
        assert_eq!(vin(lines).began_amid, amid, "{lines:?}");
    }
    // The adapter has started anew, without headers: the digits are those of the answer itself.
    let headless = |text: &str| collect(CAN11, true, Target::Everyone, &[0x01, 0x0D], text).lacks_headers;
    assert!(headless("410D32\r\r>") && !headless("410C3212\r\r>"));
}

#[test]
fn what_is_silence() {
    let asked = |text: &str| collect(CAN11, true, Target::Everyone, &[0x22, 0xF1, 0x90], text);
    for (text, silent) in [
        ("NO DATA\r\r>", true),
        ("SEARCHING...\rNO DATA\r\r>", true),
        ("", true),
        ("STOPPED\r\r>", false),
        ("NO DATA\rCAN ERROR\r\r>", false),
        ("7E8037F2278\r\r>", false),
        ("7E80462F19033\r\r>", false),
        ("7E80\rNO DATA\r\r>", false),
    ] {
        assert_eq!(asked(text).is_silent(), silent, "{text}");
    }
    // Answers to what keeps the adapter listening are expected only from whoever is waited for.
    let busy = asked("7E8037F2278\r7E8027E00\r7E8037F3E12\r\r>");
    assert_eq!((busy.n_pending, busy.n_present, busy.problems.len()), (1, 2, 0));
    let foreign = asked("7E8037F2278\r7E803410D32\r\r>");
    assert_eq!((foreign.n_pending, foreign.n_present, foreign.problems.len()), (1, 0, 1));
}

#[test]
fn how_long_a_text_is_waited_for() {
    let say = Say {
        progress_ns: 500,
        total_ns: 1000,
        after_line_ns: Some(30),
        whole: Some((2, 10)),
        ..Say::within("0100", 100)
    };
    let deadline = |say: &Say, parts: &[(Nanos, &str)]| {
        let mut turn = Turn::new(say.clone(), 0);
        for (now, text) in parts {
            assert!(text.bytes().all(|byte| !turn.receive(*now, byte)));
        }
        turn.deadline()
    };
    let plain = Say { after_line_ns: None, ..say.clone() };
    let patient = Say { whole: None, ..plain.clone() };
    type Case<'a> = (&'a Say, &'a [(Nanos, &'a str)], Nanos);
    let table: &[Case] = &[
        (&say, &[], 100),
        (&say, &[(40, "7E8")], 140),
        (&say, &[(40, "7E8064100\r")], 70),
        (&say, &[(40, "7E8064100\r"), (50, "7E9064100\r")], 60),
        (&plain, &[(40, "7E8064100\r")], 140),
        (&plain, &[(40, "7E8064100\r7E9064100\r7EA064100\r")], 50),
        (&patient, &[(40, "7E8064100\r7E9064100\r")], 140),
        // A sign of progress, whole or with its dots only, with or without an end, is no line of the answer.
        (&say, &[(40, "SEARCHING..")], 540),
        (&say, &[(40, "SEARCHING...\r")], 540),
        (&say, &[(40, "BUS INIT: ")], 540),
        (&say, &[(40, "BUS INIT: ...OK\r7E8064100\r")], 70),
        (&plain, &[(40, "BUS INIT: OK\r7E8064100\r")], 540),
        (&plain, &[(40, "BUS INIT: OK\r7E8064100\r7E9064100\r")], 50),
        (&plain, &[(40, "SOME.THING.\r")], 140),
        (&say, &[(40, "SEARCHING..."), (700, ".")], 1000),
    ];
    for (say, parts, due) in table {
        assert_eq!(deadline(say, parts), *due, "{parts:?} {:?} {:?}", say.after_line_ns, say.whole);
    }
}

#[test]
fn where_an_answer_begins_and_ends() {
    for (text, blank) in [
        ("OK\r\r>", true),
        ("OK\r>", false),
        ("OK\r\n\r\n>", true),
        ("OK\r\n>", false),
        ("OK\n\n>", true),
        ("OK\n>", false),
        ("OK\r\rX>", false),
        ("OK\r\rX\r>", false),
        ("OK\r\r", false),
    ] {
        assert_eq!(heard(text).blank_before_prompt, blank, "{text:?}");
    }
    // A prompt before any text is left over from before; one within a line ends it.
    let mut turn = Turn::new(Say::nothing(MS), 0);
    let taken: Vec<bool> = ">>\rO>".bytes().map(|byte| turn.receive(0, byte)).collect();
    assert_eq!((taken, turn.n_stray_prompts), (vec![false, false, false, false, true], 2));
    let over = turn.finish(1, true);
    assert_eq!((over.said().as_str(), over.lines.first().map(|line| line.is_ended)), ("O", Some(false)));
    assert!(!heard("\r\r").cut && heard("A\rB\r\r>").said() == "A | B");
    for (text, echoed, said) in [
        ("010D\r7E803410D32\r\r>", true, "7E803410D32"),
        ("01 0d\r7E803410D32\r\r>", true, "7E803410D32"),
        ("010D7E803410D32\r\r>", true, "7E803410D32"),
        ("7E803410D32\r\r>", false, "7E803410D32"),
    ] {
        let answer = answer_to(Say::within("010D", MS), text);
        assert_eq!((answer.echoed, answer.said().as_str()), (echoed, said), "{text}");
    }
    assert!(!heard("010D\r\r>").echoed, "nothing was said that could be repeated");
    // Longer than any answer: cut, and said to be.
    for (text, cut) in [("A".repeat(4096), false), ("A".repeat(4097), true), ("A\r".repeat(2048), false)] {
        assert_eq!(heard(&(text + "\r\r>")).cut, cut);
    }
    let many = heard(&("A\r".repeat(2049) + "\r>"));
    assert_eq!((many.cut, many.lines.len()), (true, 2048));
}

#[test]
fn how_long_a_command_and_a_request_may_take() {
    let mut state = State::new(None);
    let times = |say: Say| (say.quiet_ns / MS, say.progress_ns / MS, say.total_ns / MS);
    let whole = |say: Say| say.whole.map(|(n_lines, ns)| (n_lines, ns / MS));
    assert_eq!(times(state.command("ATI")), (2_000, 2_000, 4_000), "twice 1 s while nothing is known");
    // 100 ms there and back, and half of it for the spread: 100 + 4 * 50, and 200 more where a stall must not matter.
    state.trip.measured(100 * MS);
    assert_eq!((times(state.command("ATI")), whole(state.command("ATI"))), ((1_000, 1_000, 2_000), Some((1, 300))));
    // 200 ms of the adapter's, 1 ms per character, 500 ms for the way.
    assert_eq!(times(state.to_vehicle("010D1", None)), (705, 15_000, 40_000));
    let unknown = state.to_unknown("0100");
    assert_eq!(unknown.after_line_ns, Some(704 * MS));
    assert_eq!(times(unknown), (15_000, 15_000, 40_000), "some say nothing while they look for the network");
    assert_eq!((state.wait_ns(), state.waited_ns()), (200 * MS, 150 * MS));
    // How many lines there will be is relied on only where the adapter stops after them, and no echo is among them.
    assert_eq!(whole(state.to_vehicle("010D1", Some(1))), None);
    let speed = Request { to: Target::Module(ENGINE), bytes: vec![0x01, 0x0D], n_replies: None };
    let sizes = collect(CAN11, true, speed.to, &speed.bytes, "7E803410D32\r\r>").sizes;
    state.counts.learn(&speed, &sizes, true, 0);
    state.counts.judge(&speed, &sizes, true, true);
    assert_eq!(
        (whole(state.to_vehicle("010D1", Some(1))), whole(state.to_vehicle("010D", None))),
        (Some((1, 300)), None)
    );
    state.echo = true;
    assert_eq!((whole(state.to_vehicle("010D1", Some(1))), whole(state.command("ATI"))), (None, Some((2, 300))));
    (state.echo, state.headers) = (false, false);
    assert_eq!(whole(state.to_vehicle("010D1", Some(1))), None);
}

/// A module may take 50 ms to begin (P2 max, ISO 15765-4 from memory); twice that is waited before anything else is asked.
#[test]
fn what_comes_late_is_waited_out() {
    let mut state = State::new(None);
    assert_eq!(state.still_late_ns(0, 40 * MS), None, "the adapter itself waits longer");
    for (wait, now_ms, left_ms) in
        [(6, 40, Some(60)), (6, 99, Some(1)), (6, 100, None), (6, 130, None), (0x18, 97, Some(3)), (0x19, 40, None)]
    {
        state.wait = wait;
        assert_eq!(state.still_late_ns(0, now_ms * MS), left_ms.map(|ms: Nanos| ms * MS), "{wait} {now_ms}");
    }
}

/// The commands of settings, each in its first spelling.
fn spelt(todo: &VecDeque<Setting>) -> String {
    todo.iter().filter_map(|setting| setting.spellings.front().cloned()).collect::<Vec<_>>().join(" ")
}

fn commands(state: &State, to: Target, bus: Bus, patient: bool) -> String {
    let request = Request { to, bytes: vec![0x01, 0x0D], n_replies: None };
    spelt(&state.settings_for(&request, bus, patient).unwrap())
}

#[test]
fn the_time_out_fits_what_was_measured() {
    let mut state = State::new(None);
    let (one, all, any) = (Target::Module(ENGINE), Target::Everyone, Target::Anyone(ENGINE));
    state.target = Some(one);
    let waits = |state: &State, bus| commands(state, one, bus, false);
    assert_eq!((waits(&state, CAN11), commands(&state, one, CAN11, true)), (String::new(), "ATSTFF".to_owned()));
    for (ms, due) in [(80, ""), (30, ""), (10, "ATST28")] {
        state.answered_after(ms * MS);
        assert_eq!(waits(&state, CAN11), due, "twice the slowest of three, in steps of 4 ms");
    }
    assert_eq!(waits(&state, Bus::KwpFast), "", "a K-line has other times");
    state.target = Some(any);
    assert_eq!(commands(&state, any, CAN11, false), "ATST0F");
    state.target = Some(one);
    state.fell_silent();
    assert_eq!(waits(&state, CAN11), "", "whoever fell silent may be slower");
    state.sets_wait = false;
    assert_eq!(commands(&state, one, CAN11, true), "");

    let mut quick = State::new(None);
    (0..3).for_each(|_| quick.answered_after(10 * MS));
    quick.target = Some(one);
    assert_eq!(waits(&quick, CAN11), "ATST19", "never less than 100 ms");
    quick.counts.refuse();
    assert_eq!(waits(&quick, CAN11), "ATST06", "but where the adapter waits behind every answer");
    quick.target = Some(all);
    assert_eq!(commands(&quick, all, CAN11, false), "ATST19", "everyone: who has not begun may still do so");
    let clear = Request { to: all, bytes: vec![0x04], n_replies: None };
    assert_eq!(spelt(&quick.settings_for(&clear, CAN11, false).unwrap()), "ATST19");
}

#[test]
fn what_is_set_for_whom() {
    let odd11 = Target::Module(Address::Can11 { request: 0x710, reply: 0x77A });
    let odd29 = Target::Module(Address::Can29 { request: 0x18DA_40F1, reply: 0x18DA_F1EE });
    let far29 = Target::Module(Address::Can29 { request: 0x17FC_0076, reply: 0x17FE_0076 });
    let node = |node| Target::Module(Address::Node(node));
    let table: &[(Bus, Target, &str)] = &[
        (CAN11, Target::Everyone, "ATSH7DF"),
        (CAN11, Target::Module(ENGINE), "ATSH7E0"),
        (CAN11, odd11, "ATSH710 ATCRA77A ATFCSH710 ATFCSD300000 ATFCSM1"),
        (CAN11, Target::Anyone(Address::from_reply11(0x618)), "ATSH610 ATCF600 ATCM700 ATST0F"),
        (CAN29, Target::Everyone, "ATCP18 ATSHDB33F1"),
        (CAN29, Target::Module(Address::from_reply29(0x18DA_F110)), "ATCP18 ATSHDA10F1"),
        (CAN29, odd29, "ATCP18 ATSHDA40F1 ATFCSH18DA40F1 ATFCSD300000 ATFCSM1"),
        (CAN29, far29, "ATCP17 ATSHFC0076 ATCRA17FE0076 ATFCSH17FC0076 ATFCSD300000 ATFCSM1"),
        (CAN29, Target::Anyone(Address::from_reply29(0x18DA_F155)), "ATCP18 ATSHDA55F1 ATST0F"),
        (Bus::KwpFast, Target::Everyone, "ATSHC133F1"),
        (Bus::KwpFast, node(0x11), "ATPC ATSP5 ATSH8111F1"),
        (Bus::Kwp5Baud, node(0x11), "ATPC ATSP4 ATIIA11 ATSH8111F1"),
        (Bus::Iso9141, node(0x11), ""),
    ];
    for (bus, to, due) in table {
        assert_eq!(commands(&State::new(None), *to, *bus, false), *due, "{to:?}");
    }
    let mut state = State::new(None);
    state.priority = Some(0x18);
    assert_eq!(commands(&state, Target::Everyone, CAN29, false), "ATSHDB33F1");
    let listen = |state: &State| spelt(&state.settings_to_listen(false));
    assert_eq!(listen(&state), "ATSH7DF ATSTFF");
    state.target = Some(Target::Everyone);
    assert_eq!(listen(&state), "ATSTFF");
    (state.target, state.addresses) = (None, Some(false));
    assert_eq!(listen(&state), "ATSTFF");
    // A reset brings the adapter's own settings back: all of them are set anew.
    state.target = Some(Target::Everyone);
    state.wait = 0x19;
    state.echo = true;
    state.note("one");
    state.note("one");
    assert_eq!(state.known.notes.len(), 1);
    (0..200).for_each(|n| state.note(format!("{n}")));
    assert_eq!(state.known.notes.len(), 100);
    state.forget_settings();
    assert_eq!((state.target, state.addresses, state.priority, state.echo), (None, None, None, false));
    assert!(state.known.notes.is_empty() && commands(&state, Target::Everyone, CAN29, false) == "ATCP18 ATSHDB33F1");
}

#[test]
fn what_proves_that_nothing_older_can_come() {
    let known = Known { adapter: "Adapter 1.0".to_owned(), ..Known::default() };
    let table: &[(Barrier, &str, bool)] = &[
        (Barrier::Volts, "12.4V\r\r>", true),
        (Barrier::Volts, "7E803410D32\r12.4V\r\r>", true),
        (Barrier::Volts, "12.4V\r7E803410D32\r\r>", false),
        (Barrier::Volts, "12.4V\r\r", false),
        (Barrier::Protocol, "A6\r\r>", true),
        (Barrier::Protocol, "12.4V\r\r>", false),
        (Barrier::Identity, "Adapter 1.0\r\r>", true),
        (Barrier::Identity, "Adapter 1.1\r\r>", false),
    ];
    for (barrier, text, closes) in table {
        assert_eq!(barrier.closes(&heard(text), &known), *closes, "{text}");
    }
    assert!(!Barrier::Identity.closes(&heard("Adapter 1.0\r\r>"), &Known::default()), "who it is was never said");
}
