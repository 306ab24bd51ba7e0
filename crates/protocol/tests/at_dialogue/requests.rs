//! What is sent for a request, and what is made of the answer.

use super::talk::{Answers, ENGINE, Talk, compare};

/// Each request twice: what the first has shown counts for the second.
#[test]
fn requests() {
    let table: &[(&[u8], Answers, [&str; 2])] = &[
        (&[0x01, 0x0D], &[], ["ATSH7E0 010D1 | 7E8:410D32 | ", "010D1 | 7E8:410D32 | "]),
        (
            &[0x01, 0x0D],
            &[("010D1", &["7E80341"])],
            [
                "ATSH7E0 010D1 010D1 010D1 |  | dropped a frame of 7E8: a frame states 3 bytes a; dropped a frame of 7E8: a frame states 3 bytes a; dropped a frame of 7E8: a frame states 3 bytes a",
                "010D1 010D1 010D1 |  | dropped a frame of 7E8: a frame states 3 bytes a; dropped a frame of 7E8: a frame states 3 bytes a; dropped a frame of 7E8: a frame states 3 bytes a",
            ],
        ),
        (
            &[0x01, 0x0D],
            &[("010D1", &["7E80341", "7E803410D32"])],
            [
                "ATSH7E0 010D1 010D1 | 7E8:410D32 | dropped a frame of 7E8: a frame states 3 bytes a",
                "010D1 | 7E8:410D32 | ",
            ],
        ),
        (
            &[0x04],
            &[("04", &["7E80144~"])],
            [
                "ATSH7E0 04 (462) |  | the adapter's prompt did not come in time; dropped `7E80144`: the line broke off",
                "ATRV 04 (462) |  | the adapter's prompt did not come in time; dropped `7E80144`: the line broke off",
            ],
        ),
        (
            &[0x04],
            &[("04", &["7E801"])],
            [
                "ATSH7E0 04 |  | dropped a frame of 7E8: a frame states 1 bytes a",
                "04 |  | dropped a frame of 7E8: a frame states 1 bytes a",
            ],
        ),
        (
            &[0x01, 0x0D],
            &[("010D1", &["STOPPED", "7E803410D32"])],
            [
                "ATSH7E0 010D1 ATRV 010D1 | 7E8:410D32 | the adapter said `STOPPED`: the adapter was inte",
                "010D1 | 7E8:410D32 | ",
            ],
        ),
        (
            &[0x01, 0x0D],
            &[("010D1", &["LV RESET", "7E803410D32"])],
            [
                "ATSH7E0 010D1 |  | the adapter said `LV RESET`: the adapter's suppl",
                "ATI ATZ (set) ATSP6 0100 ATDPN ATSH7E0 010D1 | 7E8:410D32 | ",
            ],
        ),
        (
            &[0x01, 0x0D],
            &[("010D1", &["LP ALERT", "7E803410D32"])],
            [
                "ATSH7E0 010D1 |  | the adapter said `LP ALERT`: the adapter is swit",
                "ATI ATZ (set) ATSP6 0100 ATDPN ATSH7E0 010D1 | 7E8:410D32 | ",
            ],
        ),
        (
            &[0x01, 0x0D],
            &[("010D1", &["7E803410D32\rACT ALERT", "7E803410D32"])],
            [
                "ATSH7E0 010D1 | 7E8:410D32 | the adapter said `ACT ALERT`: the adapter is abo",
                "ATI ATZ (set) ATSP6 0100 ATDPN ATSH7E0 010D1 | 7E8:410D32 | ",
            ],
        ),
        (
            &[0x01, 0x0D],
            &[("010D1", &["UNABLE TO CONNECT", "7E803410D32"])],
            ["ATSH7E0 010D1 | Err(NoVehicle { said: \"UNABLE TO CONNECT\" })", "010D1 | 7E8:410D32 | "],
        ),
        (
            &[0x01, 0x0D],
            &[("010D1", &["BUFFER FULL", "7E803410D32"])],
            [
                "ATSH7E0 010D1 010D1 | 7E8:410D32 | the adapter said `BUFFER FULL`: messages came fa",
                "010D1 | 7E8:410D32 | ",
            ],
        ),
        (
            &[0x01, 0x0D],
            &[("010D1", &["7E803410D32\r~", "7E803410D32"])],
            [
                "ATSH7E0 010D1 (465) | 7E8:410D32 | the adapter's prompt did not come in time",
                "ATRV 010D1 | 7E8:410D32 | ",
            ],
        ),
        (
            &[0x01, 0x0D],
            &[("010D1", &["7E803410D32\r>~", "7E803410D32"])],
            ["ATSH7E0 010D1 | 7E8:410D32 | ", "ATRV 010D1 | 7E8:410D32 | "],
        ),
        (
            &[0x01, 0x0D],
            &[("010D1", &["7E8037F0178"]), ("3E801", &["7E803410D32"])],
            [
                "ATSH7E0 010D1 ATSH7DF ATSTFF 3E801 (1020) | 7E8:410D32 | ",
                "ATSH7E0 ATST32 010D1 ATSH7DF ATSTFF 3E801 (1020) | 7E8:410D32 | ",
            ],
        ),
        (
            &[0x01, 0x0D],
            &[("010D1", &["7E8037F0178"])],
            [
                "ATSH7E0 010D1 ATSH7DF ATSTFF 3E801 (1020) 3E801 (1020) 3E801 (1020) 3E801 (1020) 3E801 (1020) 3E801 (1020) ATSH7E0 010D | 7E8:410D32 | ",
                "ATST32 010D1 ATSH7DF ATSTFF 3E801 (1020) 3E801 (1020) 3E801 (1020) 3E801 (1020) 3E801 (1020) 3E801 (1020) ATSH7E0 010D | 7E8:410D32 | ",
            ],
        ),
        // It is there, and must not pass for nobody when its next silence is met.
        (
            &[0x01, 0x0D],
            &[("010D1", &["7E8037F0178"]), ("010D", &["NO DATA"])],
            [
                "ATSH7E0 010D1 ATSH7DF ATSTFF 3E801 (1020) 3E801 (1020) 3E801 (1020) 3E801 (1020) 3E801 (1020) 3E801 (1020) ATSH7E0 010D (110) ATSTFF 010D (110) ATSTFF 010D |  | 7E8 asked for more time, and was silent when it ",
                "010D |  | ",
            ],
        ),
        (
            &[0x01, 0x0D],
            &[("010D1", &["7E8037F0178"]), ("3E801", &["NO DATA", "7E8037F0178", "7E803410D32"])],
            [
                "ATSH7E0 010D1 ATSH7DF ATSTFF 3E801 (1020) 3E801 (1020) 3E801 (1020) | 7E8:410D32 | ",
                "ATSH7E0 ATST32 010D1 ATSH7DF ATSTFF 3E801 (1020) | 7E8:410D32 | ",
            ],
        ),
        (
            &[0x04],
            &[("04", &["7E8037F0478"]), ("3E80", &["NO DATA", "7E80144"])],
            [
                "ATSH7E0 04 ATSH7DF ATSTFF 3E80 (1020) 3E80 (1020) | 7E8:44 | ",
                "ATSH7E0 ATST32 04 ATSH7DF ATSTFF 3E80 (1020) | 7E8:44 | ",
            ],
        ),
        (
            &[0x01, 0x0D],
            &[("010D1", &["010D1\r7E803410D32", "7E803410D32"])],
            [
                "ATSH7E0 010D1 | 7E8:410D32 | the adapter has forgotten its settings (its echo",
                "ATI ATZ (set) ATSP6 0100 ATDPN ATSH7E0 010D1 | 7E8:410D32 | ",
            ],
        ),
        (
            &[0x01, 0x0D],
            &[("010D1", &["410D32", "7E803410D32"])],
            [
                "ATSH7E0 010D1 |  | the adapter has forgotten its settings (it print; dropped `410D32`: 6 digits do not make up a line",
                "ATI ATZ (set) ATSP6 0100 ATDPN ATSH7E0 010D1 | 7E8:410D32 | ",
            ],
        ),
        (&[0x01, 0x0D], &[("010D1", &["?"])], ["ATSH7E0 010D1 010D | 7E8:410D32 | ", "010D | 7E8:410D32 | "]),
        (
            &[0x01, 0x0D],
            &[("ATSH7E0", &["7E8", "OK"])],
            ["ATSH7E0 ATSH0007E0 010D1 | 7E8:410D32 | ", "010D1 | 7E8:410D32 | "],
        ),
        (
            &[0x01, 0x0D],
            &[("ATSH7E0", &["~"])],
            ["ATSH7E0 (500) ATRV ATSH0007E0 010D1 | 7E8:410D32 | ", "010D1 | 7E8:410D32 | "],
        ),
        (
            &[0x01, 0x0D],
            &[("ATSH7E0", &["7E8"]), ("ATSH0007E0", &["7E8"])],
            [
                "ATSH7E0 ATSH0007E0 ATRV ATSH0007E0 ATRV ATSH0007E0 |  | `ATSH0007E0` was not confirmed; nothing was aske",
                "ATRV ATSH7E0 ATSH0007E0 ATRV ATSH0007E0 ATRV ATSH0007E0 |  | `ATSH0007E0` was not confirmed; nothing was aske",
            ],
        ),
        (
            &[0x01, 0x0D],
            &[("ATSH7E0", &["?"]), ("ATSH0007E0", &["?"])],
            ["ATSH7E0 ATSH0007E0 010D | 7E8:410D32 | ", "010D | 7E8:410D32 | "],
        ),
        (
            &[0x09, 0x02],
            &[
                ("09021", &["7E81014490201314734"]),
                ("09023", &["7E81014490201314734\r7E82141503339485835\r7E82236303530383334"]),
            ],
            [
                "ATSH7E0 09021 (14) 09023 | 7E8:4902013147344150333948583536303530383334 | ",
                "09023 | 7E8:4902013147344150333948583536303530383334 | ",
            ],
        ),
        (
            &[0x09, 0x02],
            &[("09021", &["7E81014490201314734\r7E82141503339485835\r7E82236303530383334"])],
            [
                "ATSH7E0 09021 | 7E8:4902013147344150333948583536303530383334 | ",
                "09021 | 7E8:4902013147344150333948583536303530383334 | ",
            ],
        ),
        (
            &[0x09, 0x02],
            &[
                ("09021", &["7E81014490201314734"]),
                ("09023", &["7E82141503339485835", "7E81014490201314734\r7E82141503339485835\r7E82236303530383334"]),
            ],
            [
                "ATSH7E0 09021 (14) 09023 (110) 0902 (110) ATST32 0902 |  | ",
                "09021 (26) 09023 | 7E8:4902013147344150333948583536303530383334 | ",
            ],
        ),
        (
            &[0x09, 0x02],
            &[
                ("09021", &["7E81014490201314734"]),
                ("09023", &["NO DATA", "7E81014490201314734\r7E82141503339485835\r7E82236303530383334"]),
                ("0902", &["7E81014490201314734\r7E82141503339485835\r7E82236303530383334"]),
            ],
            [
                "ATSH7E0 09021 (14) 09023 (1010) 0902 | 7E8:4902013147344150333948583536303530383334 | ",
                "09023 | 7E8:4902013147344150333948583536303530383334 | ",
            ],
        ),
        (
            &[0x09, 0x02],
            &[
                ("09021", &["7E81014490201314734"]),
                ("09023", &["7E81014490201314734"]),
                ("0902", &["7E81014490201314734\r7E82141503339485835\r7E82236303530383334"]),
            ],
            [
                "ATSH7E0 09021 (14) 09023 0902 | 7E8:4902013147344150333948583536303530383334 | ",
                "09023 09023 0902 | 7E8:4902013147344150333948583536303530383334 | dropped an answer of 7E8: a message broke off af; dropped an answer of 7E8: a message broke off af",
            ],
        ),
        (
            &[0x01, 0x0D],
            &[
                ("010D1", &["~", "7E803410D32"]),
                ("ATRV", &["12.4V", "~"]),
                ("ATI", &["Adapter 1.0", "Adapter 1.0", "~"]),
                ("ATDPN", &["6", "6", "~"]),
            ],
            [
                "ATSH7E0 010D1 (455) |  | the adapter's prompt did not come in time",
                "ATRV (500) ATDPN (500) ATI (500) ATI (400) ATI (400) ATI (400) ATZ (510) ATE0 ATL0 ATS0 ATH1 ATM0 ATCAF1 ATAT0 ATST32 ATI (500) ATRV (500) ATDPN (500) ATRV (500) ATI (500) | Err(Silent { asked: \"ATI\", waited_ms: 500 })",
            ],
        ),
        (
            &[0x01, 0x0D],
            &[("010D1", &["~", "7E803410D32"]), ("ATRV", &["12.4V", "7E803410D33"])],
            [
                "ATSH7E0 010D1 (455) |  | the adapter's prompt did not come in time",
                "ATRV (260) ATDPN 010D1 | 7E8:410D32 | dropped text that belongs to no request: `7E8034",
            ],
        ),
        (
            &[0x01, 0x0D],
            &[("010D1", &["~", "7E803410D32"]), ("ATRV", &["12.4V", "STOPPED"])],
            [
                "ATSH7E0 010D1 (455) |  | the adapter's prompt did not come in time",
                "ATRV ATDPN 010D1 | 7E8:410D32 | dropped text that belongs to no request: `STOPPE",
            ],
        ),
        (
            &[0x01, 0x0D],
            &[("010D1", &["7E803410D32", "7E804410D3233", "7E803410D32"])],
            [
                "ATSH7E0 010D1 | 7E8:410D32 | ",
                "010D1 ATRV 010D1 | 7E8:410D32 | dropped an answer: it has not the lines and digi",
            ],
        ),
        (
            &[0x01, 0x0D],
            &[("010D1", &["7E8037F0121", "7E803410D32"])],
            ["ATSH7E0 010D1 | 7E8:7F0121 | ", "010D1 | 7E8:410D32 | "],
        ),
        // Given up before the time that it was told to wait: it is told anew, twice.
        (
            &[0x01, 0x0D],
            &[("010D1", &["7E803410D32", "NO DATA"])],
            ["ATSH7E0 010D1 | 7E8:410D32 | ", "010D1 (110) ATST32 010D1 (110) ATST32 010D1 |  | "],
        ),
        (
            &[0x01, 0x0D],
            &[("010D1", &["7E803410D32", "NO DATA", "7E803410D33"])],
            ["ATSH7E0 010D1 | 7E8:410D32 | ", "010D1 (110) ATST32 010D1 | 7E8:410D33 | "],
        ),
        (
            &[0x01, 0x0D],
            &[("010D1", &["7E803410D32", "7E80341", "7E803410D32"])],
            [
                "ATSH7E0 010D1 | 7E8:410D32 | ",
                "010D1 010D1 | 7E8:410D32 | dropped a frame of 7E8: a frame states 3 bytes a",
            ],
        ),
        (
            &[0x04],
            &[("04", &["7E8037F0478"])],
            [
                "ATSH7E0 04 ATSH7DF ATSTFF 3E80 (1020) 3E80 (1020) 3E80 (1020) 3E80 (1020) 3E80 (1020) 3E80 (1020) |  | 7E8 asked for more time, then nothing for 6.1 s",
                "ATSH7E0 ATST32 04 ATSH7DF ATSTFF 3E80 (1020) 3E80 (1020) 3E80 (1020) 3E80 (1020) 3E80 (1020) 3E80 (1020) |  | 7E8 asked for more time, then nothing for 6.1 s",
            ],
        ),
        (
            &[0x04],
            &[
                ("04", &["7E8037F0478"]),
                ("ATSH7DF", &["~"]),
                ("ATRV", &["12.4V", "~", "12.4V"]),
                ("ATDPN", &["6", "6", "~", "6"]),
                ("ATI", &["Adapter 1.0", "Adapter 1.0", "~", "Adapter 1.0"]),
            ],
            [
                "ATSH7E0 04 ATSH7DF (500) ATRV (500) ATDPN (500) ATI (500) ATI ATZ (set) ATSP6 0100 ATDPN |  | the adapter was reset: it had lost the thread (`; the adapter was lost while it waited for the ans; 7E8 asked for more time, then nothing for 2.2 s",
                "ATSH7E0 04 ATSH7DF (500) ATRV ATSH0007DF ATSTFF 3E80 (1020) 3E80 (1020) 3E80 (1020) 3E80 (1020) 3E80 (1020) |  | 7E8 asked for more time, then nothing for 5.6 s",
            ],
        ),
        (
            &[0x01, 0x0D],
            &[
                ("010D1", &["7E8037F0178", "7E803410D32"]),
                ("ATSH7DF", &["~"]),
                ("ATRV", &["12.4V", "~", "12.4V"]),
                ("ATDPN", &["6", "6", "~", "6"]),
                ("ATI", &["Adapter 1.0", "Adapter 1.0", "~", "Adapter 1.0"]),
            ],
            [
                "ATSH7E0 010D1 ATSH7DF (500) ATRV (500) ATDPN (500) ATI (500) ATI ATZ (set) ATSP6 0100 ATDPN ATSH7E0 010D1 | 7E8:410D32 | the adapter was reset: it had lost the thread (`",
                "010D1 | 7E8:410D32 | ",
            ],
        ),
        (
            &[0x09, 0x02],
            &[
                ("09021", &["7E81014490201314734^7E82141503339485835\r~"]),
                ("09023", &["7E81014490201314734\r7E82141503339485835\r7E82236303530383334"]),
            ],
            [
                "ATSH7E0 09021 (16) ATRV 09023 | 7E8:4902013147344150333948583536303530383334 | ",
                "09023 | 7E8:4902013147344150333948583536303530383334 | ",
            ],
        ),
        (
            &[0x01, 0x0D],
            &[("ATRV", &["?"]), ("010D1", &["~", "7E803410D32"])],
            ["ATSH7E0 010D1 (455) |  | the adapter's prompt did not come in time", "ATDPN 010D1 | 7E8:410D32 | "],
        ),
        (
            &[0x01, 0x0D],
            &[("ATRV", &["?"]), ("ATDPN", &["?", "6", "?"]), ("010D1", &["~", "7E803410D32"])],
            ["ATSH7E0 010D1 (455) |  | the adapter's prompt did not come in time", "ATI 010D1 | 7E8:410D32 | "],
        ),
    ];
    let rows = table.iter().flat_map(|(bytes, answers, due)| {
        let mut talk = Talk::started(answers);
        due.map(|due| (due, talk.ask(ENGINE, bytes)))
    });
    compare(&rows.collect::<Vec<_>>());
}
