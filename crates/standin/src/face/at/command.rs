//! Lines from the tester: AT commands and requests.

use super::settings::{Filter, Protocol, State};
use super::{Activity, AtFace, CountMode, MAKER, NAME};
use crate::face::Wire;
use protocol::Nanos;

/// What a command comes to.
enum Outcome {
    Ok,
    Say(String),
    Unknown,
    /// The command has seen to the answer itself.
    Done,
}

impl AtFace {
    pub(super) fn execute(&mut self, at: Nanos, line: String, wire: &mut dyn Wire) {
        let outcome = if let Some(command) = line.strip_prefix("AT") {
            let refused = self.settings.quirks.unknown.iter().any(|start| command.starts_with(start.as_str()));
            if refused { Outcome::Unknown } else { self.command(at, command, wire) }
        } else {
            self.request(at, &line, wire)
        };
        self.last_line = line;
        match outcome {
            Outcome::Ok => self.line(at, "OK"),
            Outcome::Say(text) => self.line(at, &text),
            Outcome::Unknown => self.line(at, "?"),
            Outcome::Done => return,
        }
        self.prompt(at);
    }

    /// Hex digits: bytes to send, and perhaps one more digit with the number of answers to wait for.
    fn request(&mut self, at: Nanos, line: &str, wire: &mut dyn Wire) -> Outcome {
        let Some(digits) = line.chars().map(|c| c.to_digit(16)).collect::<Option<Vec<u32>>>() else {
            return Outcome::Unknown;
        };
        let (pairs, rest) = digits.as_chunks::<2>();
        let request: Vec<u8> = pairs.iter().map(|[high, low]| (high << 4 | low) as u8).collect();
        let expected = rest.first().copied();
        let limit = if self.state.format { 7 } else { 8 };
        if request.is_empty()
            || request.len() > limit
            || expected.is_some() && self.settings.count == CountMode::Refused
        {
            return Outcome::Unknown;
        }
        if self.automatic && !self.connected {
            self.text(at, "SEARCHING...");
            self.search(at, self.search_order(), request, expected, wire);
        } else {
            self.send(at, &request, expected, wire);
        }
        Outcome::Done
    }

    fn command(&mut self, at: Nanos, command: &str, wire: &mut dyn Wire) -> Outcome {
        let name_len = command.bytes().take_while(|b| b.is_ascii_alphabetic() || *b == b'@').count();
        // Hex arguments may start with a letter: the longest known name wins.
        for len in (1..=name_len).rev() {
            let (name, argument) = command.split_at(len);
            if let Some(outcome) = self.named(at, name, argument, wire) {
                return outcome;
            }
        }
        Outcome::Unknown
    }

    /// Carries out a command; `None` if there is none of that name with that argument.
    fn named(&mut self, at: Nanos, name: &str, argument: &str, wire: &mut dyn Wire) -> Option<Outcome> {
        let say = |text: &str| Some(Outcome::Say(text.to_owned()));
        match (name, argument) {
            ("Z", "") => {
                self.reset(at, 800.0);
                Some(Outcome::Done)
            }
            ("WS", "") => {
                self.reset(at, 100.0);
                Some(Outcome::Done)
            }
            ("D", "") => {
                self.state = State::default();
                Some(Outcome::Ok)
            }
            ("I", "") => say(NAME),
            ("@", "1") => say(MAKER),
            ("@", "2") => Some(Outcome::Unknown),
            ("RV", "") => Some(Outcome::Say(format!("{:.1}V", wire.volts(at)))),
            ("IGN", "") => say("ON"),
            ("DP", "") => Some(Outcome::Say(self.describe_protocol(false))),
            ("DPN", "") => Some(Outcome::Say(self.describe_protocol(true))),
            ("H", "1") if self.settings.quirks.headers_refused => Some(Outcome::Unknown),
            ("E", _) => switch(argument, |on| self.state.echo = on || self.settings.quirks.echo_stuck),
            ("L", _) => switch(argument, |on| self.state.linefeeds = on),
            ("S", _) => switch(argument, |on| self.state.spaces = on),
            ("H", _) => switch(argument, |on| self.state.headers = on),
            ("D", _) => switch(argument, |on| self.state.show_dlc = on),
            ("R", _) => switch(argument, |on| self.state.responses = on),
            ("CAF", _) => switch(argument, |on| self.state.format = on),
            ("CFC", _) => switch(argument, |on| self.state.flow_control = on),
            // Remembering the protocol, variable DLC, key word checks: nothing to do with a car on CAN.
            ("M" | "V" | "KW" | "JHF" | "CSM", _) => switch(argument, |_| ()),
            // Long messages are a matter of the K-line; nothing to do for the others on CAN.
            ("AL" | "NL" | "BI" | "FE" | "LP" | "SS", "") => Some(Outcome::Ok),
            ("IIA", _) => {
                self.k_address = hex(argument, 2..=2)? as u8;
                Some(Outcome::Ok)
            }
            ("PC", "") => {
                self.connected = false;
                Some(Outcome::Ok)
            }
            ("AT", "0" | "1" | "2") => {
                self.state.adaptive = argument.parse().ok()?;
                self.state.slowest_ms = None;
                Some(Outcome::Ok)
            }
            ("ST", _) => {
                let units = hex(argument, 1..=2)? as u8;
                self.state.timeout = if units == 0 { State::default().timeout } else { units };
                Some(Outcome::Ok)
            }
            ("SP" | "TP", _) => self.select_protocol(argument, name == "SP"),
            ("MA", "") => {
                if self.protocol.and_then(Protocol::bus).is_none() {
                    return Some(Outcome::Unknown);
                }
                self.activity = Activity::Monitoring;
                Some(Outcome::Done)
            }
            ("CS", "") => say("T:00 R:00"),
            _ => self.addressing(name, argument),
        }
    }

    /// Commands about headers, filters and flow control.
    fn addressing(&mut self, name: &str, argument: &str) -> Option<Outcome> {
        match (name, argument) {
            ("SH", _) if matches!(argument.len(), 3 | 6 | 8) => self.state.header = Some(hex(argument, 3..=8)?),
            ("CP", _) => self.state.priority = hex(argument, 2..=2)? as u8 & 0x1F,
            ("AR", "") | ("CRA", "") => self.state.filter = Filter::Auto,
            ("CRA", _) if matches!(argument.len(), 3 | 8) => {
                let value = hex(&argument.replace('X', "0"), 3..=8)?;
                let mask = hex(&argument.chars().map(|c| if c == 'X' { '0' } else { 'F' }).collect::<String>(), 3..=8)?;
                self.state.filter = Filter::Mask { value, mask };
            }
            ("CF", _) if matches!(argument.len(), 3 | 8) => {
                let mask = match self.state.filter {
                    Filter::Mask { mask, .. } => mask,
                    Filter::Auto => 0x1FFF_FFFF,
                };
                self.state.filter = Filter::Mask { value: hex(argument, 3..=8)?, mask };
            }
            ("CM", _) if matches!(argument.len(), 3 | 8) => {
                let value = match self.state.filter {
                    Filter::Mask { value, .. } => value,
                    Filter::Auto => 0x7E8,
                };
                self.state.filter = Filter::Mask { value, mask: hex(argument, 3..=8)? };
            }
            ("FCSH", _) if matches!(argument.len(), 3 | 6 | 8) => self.state.flow_header = Some(hex(argument, 3..=8)?),
            ("FCSD", _) if argument.len() <= 10 => {
                let bytes = argument.as_bytes().chunks(2).map(|pair| hex(std::str::from_utf8(pair).ok()?, 2..=2));
                let bytes: Vec<u8> = bytes.map(|byte| byte.map(|b| b as u8)).collect::<Option<_>>()?;
                self.state.flow_data = Some(bytes).filter(|bytes| !bytes.is_empty());
                self.state.flow_data.as_ref()?;
            }
            ("FCSM", "0") => self.state.flow_mode = 0,
            ("FCSM", "1") if self.state.flow_header.is_some() && self.state.flow_data.is_some() => {
                self.state.flow_mode = 1;
            }
            ("FCSM", "2") if self.state.flow_data.is_some() => self.state.flow_mode = 2,
            _ => return None,
        }
        Some(Outcome::Ok)
    }

    /// `0`, `6`, `A6`, `06`: a number selects a protocol, an `A` (or 0) lets the adapter look for another if it fails.
    fn select_protocol(&mut self, argument: &str, keep: bool) -> Option<Outcome> {
        let (automatic, digit) = match argument.as_bytes() {
            [b'A' | b'0', digit] => (true, *digit),
            [digit] => (*digit == b'0', *digit),
            _ => return None,
        };
        let number = char::from(digit).to_digit(16)? as u8;
        if number > 9 {
            return Some(Outcome::Unknown);
        }
        self.protocol = (number > 0).then_some(Protocol(number));
        self.automatic = automatic || number == 0;
        self.connected = false;
        if keep {
            self.stored = self.protocol.filter(|_| !self.automatic).map(|p| p.0);
        }
        Some(Outcome::Ok)
    }
}

fn switch(argument: &str, set: impl FnOnce(bool)) -> Option<Outcome> {
    match argument {
        "0" => set(false),
        "1" => set(true),
        _ => return None,
    }
    Some(Outcome::Ok)
}

fn hex(text: &str, lengths: std::ops::RangeInclusive<usize>) -> Option<u32> {
    let fits = lengths.contains(&text.len()) && text.bytes().all(|b| b.is_ascii_hexdigit());
    if fits { u32::from_str_radix(text, 16).ok() } else { None }
}
