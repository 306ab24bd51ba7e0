//! An adapter that gives prepared answers, in invented time.

use std::collections::VecDeque;

use protocol::at::{Action, Adapter, Failure, Outcome};
use protocol::exchange::{Request, Target};
use protocol::{Address, Bus, Nanos};

pub(crate) const MS: Nanos = 1_000_000;
const USUAL: Nanos = 10 * MS;
pub(crate) const ENGINE: Target = Target::Module(Address::from_reply11(0x7E8));
/// What start-up asks for once the adapter has been reset.
const SETTINGS: &str = "ATE0 ATL0 ATS0 ATH1 ATM0 ATCAF1 ATAT0 ATST32 ATI ATRV ATDPN";

pub(crate) struct Talk {
    pub(crate) adapter: Adapter,
    pub(crate) now: Nanos,
    /// How long the adapter takes for a command.
    pub(crate) takes: Nanos,
    /// How long it waits before it says that nobody answered.
    pub(crate) waits: Nanos,
    /// Answers to a command, one after the other; the last one stays. A prompt follows unless there
    /// is a `~`; behind a `^` stands what comes 2 ms later.
    answers: Vec<(&'static str, VecDeque<&'static str>)>,
    pub(crate) coming: VecDeque<(Nanos, Vec<u8>)>,
    sent: Vec<(Nanos, String)>,
}

impl Talk {
    pub(crate) fn new(remembered: Option<Bus>, answers: &[(&'static str, &[&'static str])]) -> Self {
        let answers = answers.iter().map(|(to, texts)| (*to, texts.iter().copied().collect())).collect();
        let adapter = Adapter::new(remembered);
        Self { adapter, now: 0, takes: USUAL, waits: USUAL, answers, coming: VecDeque::new(), sent: Vec::new() }
    }

    /// Started, and a vehicle on 11-bit CAN found.
    pub(crate) fn started(answers: &[(&'static str, &[&'static str])]) -> Self {
        let mut talk = Self::new(None, answers);
        assert_eq!(talk.start(true).1, Ok(Outcome::Started));
        talk
    }

    fn answer(&mut self, command: &str) -> &'static str {
        let given = self.answers.iter_mut().find(|(to, _)| *to == command || (*to == "*" && !command.is_empty()));
        if let Some((_, texts)) = given {
            let last = texts.back().copied().unwrap_or("~");
            return texts.pop_front().filter(|_| !texts.is_empty()).unwrap_or_else(|| {
                texts.push_back(last);
                last
            });
        }
        match command {
            "ATI" | "ATZ" => "Adapter 1.0",
            "ATRV" => "12.4V",
            "ATDPN" => "6",
            _ if command.starts_with("AT") => "OK",
            _ if command.starts_with("0100") => "7E8064100BE3EB813",
            _ if command.starts_with("010D") => "7E803410D32",
            _ => "NO DATA",
        }
    }

    /// Runs one operation: what was sent, with the ms before a command or the end where they are not 10, and how it ended.
    pub(crate) fn run(&mut self) -> (String, Result<Outcome, Failure>) {
        self.sent.clear();
        let result = loop {
            self.coming.make_contiguous().sort_by_key(|(due, _)| *due);
            match self.adapter.poll(self.now) {
                Action::Send(bytes) => {
                    let command = String::from_utf8_lossy(&bytes).trim_end().to_owned();
                    let text = self.answer(&command);
                    // It waits its time-out for an answer to what keeps it listening.
                    let takes = if text == "NO DATA" { self.takes.max(self.waits) } else { self.takes };
                    let mut due = self.now + if command.starts_with("3E80") { 1_020 * MS } else { takes };
                    self.sent.push((self.now, command));
                    for part in text.split('^') {
                        let text = match part.strip_suffix('~') {
                            Some(text) => text.to_owned(),
                            None if part.contains('>') => part.to_owned(),
                            None => format!("{part}\r\r>"),
                        };
                        self.coming.push_back((due, text.into_bytes()));
                        due += 2 * MS;
                    }
                    self.coming.retain(|(_, text)| !text.is_empty());
                }
                Action::Wait(deadline) => match self.coming.pop_front_if(|(due, _)| *due <= deadline) {
                    Some((due, text)) => {
                        self.now = due.max(self.now);
                        self.adapter.receive(self.now, &text);
                    }
                    None => {
                        self.now = deadline.max(self.now);
                        self.adapter.elapsed(self.now);
                    }
                },
                Action::Done(result) => break result,
                Action::Idle => break Err(Failure::Unsendable("nothing was asked for".to_owned())),
            }
        };
        let mut text = String::new();
        let mut before = self.sent.first().map_or(self.now, |(at, _)| *at - USUAL);
        for (at, command) in self.sent.iter().map(|(at, command)| (*at, command.as_str())).chain([(self.now, "")]) {
            if at - before != USUAL {
                text += &format!("({}) ", (at - before) / MS);
            }
            text += &format!("{command} ");
            before = at;
        }
        (text.trim_end().replace(SETTINGS, "(set)"), result)
    }

    pub(crate) fn start(&mut self, need_vehicle: bool) -> (String, Result<Outcome, Failure>) {
        self.adapter.start(need_vehicle);
        self.run()
    }

    /// What was sent, what came back as `7E8:410D32`, and what is said of the rest.
    pub(crate) fn ask(&mut self, to: Target, bytes: &[u8]) -> String {
        self.adapter.ask(&Request { to, bytes: bytes.to_vec(), n_replies: None });
        self.exchange()
    }

    pub(crate) fn exchange(&mut self) -> String {
        let (sent, result) = self.run();
        match result {
            Ok(Outcome::Answered(exchange)) => {
                let hex = |bytes: &[u8]| bytes.iter().map(|byte| format!("{byte:02X}")).collect::<String>();
                let replies: Vec<String> =
                    exchange.replies.iter().map(|reply| format!("{}:{}", reply.from, hex(&reply.bytes))).collect();
                let problems: Vec<&str> = exchange.problems.iter().map(|one| one.get(..48).unwrap_or(one)).collect();
                format!("{sent} | {} | {}", replies.join(" "), problems.join("; "))
            }
            other => format!("{sent} | {other:?}"),
        }
    }
}

pub(crate) type Answers = &'static [(&'static str, &'static [&'static str])];

/// Compares all rows before it fails.
pub(crate) fn compare(rows: &[(&str, String)]) {
    let wrong: Vec<_> = rows.iter().filter(|(due, got)| due != got).collect();
    assert!(wrong.is_empty(), "{wrong:#?}");
}
