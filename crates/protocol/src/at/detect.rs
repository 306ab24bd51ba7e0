//! Which network leads to the vehicle.

use std::collections::VecDeque;

use super::collect::Collector;
use super::line::Form;
use super::state::{NUMBERS, State, protocol};
use super::turn::Answer;
use super::words::{Word, plain};
use super::{Failure, Outcome, Step};
use crate::Bus;
use crate::exchange::Target;

/// "Which parameters do you support?": every vehicle with this kind of connector answers (SAE J1979).
const QUESTION: (&str, &[u8]) = ("0100", &[0x01, 0x00]);
/// "Which protocol do you speak?": the youngest vehicles answer this one instead (SAE J1979-2, from memory). An adapter
/// that searches by itself does not ask it.
const QUESTION_ON_UDS: (&str, &[u8]) = ("22F810", &[0x22, 0xF8, 0x10]);

#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
enum Phase {
    #[default]
    Select,
    Ask,
    /// Told once more to print headers.
    Insist,
    Number,
    Name,
}

/// Tries the remembered network, then lets the adapter search, then each network by itself if it cannot, and in the end the
/// CAN networks with the question of OBD on UDS.
#[derive(Debug, Default)]
pub(super) struct Detect {
    /// Adapter numbers to try; 0 lets it search.
    left: VecDeque<u8>,
    trying: u8,
    phase: Phase,
    heard: Option<Answer>,
    said: String,
    /// What was said last came from the vehicle, as far as can be told.
    answered: bool,
    n_asked: u8,
    /// The vehicle was asked at all.
    has_asked: bool,
    /// The question is that of OBD on UDS.
    on_uds: bool,
    has_insisted: bool,
}

impl Detect {
    pub(super) fn step(&mut self, answer: Option<&Answer>, state: &mut State) -> Step {
        let Some(answer) = answer else {
            let number = NUMBERS.iter().find(|(_, bus)| Some(*bus) == state.remembered);
            *self =
                Self { left: number.map(|(number, _)| *number).into_iter().chain([0]).collect(), ..Self::default() };
            return self.next(state);
        };
        match self.phase {
            Phase::Select => {
                if !answer.has("OK") {
                    if self.trying == 0 && self.left.is_empty() {
                        state.note("the adapter cannot search for the network: tried one by one");
                        self.left.extend(NUMBERS.iter().map(|(number, _)| *number));
                    }
                    // One that takes no command for it may have the right network set, or search by itself.
                    if !self.left.is_empty() || self.has_asked {
                        return self.next(state);
                    }
                    self.trying = 0;
                }
                self.has_asked = true;
                self.phase = Phase::Ask;
                self.n_asked = 0;
                Step::Say(state.to_unknown(self.question().0))
            }
            Phase::Ask => {
                state.traffic_ns = Some(answer.over_ns);
                self.n_asked += 1;
                if !self.any_answer(answer) {
                    // Damaged text or an interruption: the adapter was willing.
                    let silent = answer.lines.iter().all(|line| is_refusal(&line.text));
                    if !silent && self.n_asked < 3 {
                        return Step::Say(state.to_unknown(self.question().0));
                    }
                    if !self.on_uds {
                        self.said = said(answer);
                        self.answered = self.is_from_vehicle();
                    }
                    return self.next(state);
                }
                self.heard = Some(answer.clone());
                self.phase = Phase::Number;
                Step::Say(state.command("ATDPN"))
            }
            Phase::Insist => {
                self.phase = Phase::Ask;
                Step::Say(state.to_unknown(self.question().0))
            }
            Phase::Number => {
                let number = answer.lines.last().and_then(|line| protocol(&line.text));
                match number.and_then(bus_of) {
                    Some(bus) => self.verify(Some(bus), state),
                    None => {
                        self.phase = Phase::Name;
                        Step::Say(state.command("ATDP"))
                    }
                }
            }
            Phase::Name => {
                let named = answer.lines.last().and_then(|line| bus_named(&line.text));
                self.verify(named.or_else(|| bus_of(self.trying)), state)
            }
        }
    }

    fn question(&self) -> (&'static str, &'static [u8]) {
        if self.on_uds { QUESTION_ON_UDS } else { QUESTION }
    }

    fn next(&mut self, state: &State) -> Step {
        if self.left.is_empty() && !self.on_uds && !self.answered {
            self.on_uds = true;
            self.left.extend(NUMBERS.iter().filter(|(_, bus)| bus.is_can()).map(|(number, _)| *number));
        }
        match self.left.pop_front() {
            Some(number) => {
                self.trying = number;
                self.phase = Phase::Select;
                Step::Say(state.command(&format!("ATSP{number}")))
            }
            None if self.answered => Step::Done(Err(Failure::Unreadable { said: self.said.clone() })),
            None => Step::Done(Err(Failure::NoVehicle { said: self.said.clone() })),
        }
    }

    /// Whether the text contains an answer in any form that the network could have.
    fn any_answer(&self, answer: &Answer) -> bool {
        forms(bus_of(self.trying)).into_iter().any(|form| !self.replies(answer, form).is_empty())
    }

    /// Reads the answer again as the network prints it.
    fn verify(&mut self, bus: Option<Bus>, state: &mut State) -> Step {
        let Some(heard) = self.heard.take() else {
            return self.next(state);
        };
        for form in forms(bus) {
            if self.replies(&heard, form).is_empty() {
                continue;
            }
            // It said that it would print them, and may have started anew since. Without them the answer of one module
            // passes for that of another.
            if !form.headers && state.sets_headers && !std::mem::replace(&mut self.has_insisted, true) {
                self.phase = Phase::Insist;
                return Step::Say(state.command("ATH1"));
            }
            if !form.headers {
                state.note("headers cannot be switched on: modules cannot be told apart, so of all modules only the engine module is asked");
            }
            if bus.is_none() {
                state.note(format!("the adapter does not name the network: taken for {} by its answers", form.bus));
            }
            state.headers = form.headers;
            state.known.bus = Some(form.bus);
            state.remembered = Some(form.bus);
            state.target = Some(Target::Everyone);
            return Step::Done(Ok(Outcome::Started));
        }
        self.said = said(&heard);
        self.answered = true;
        self.next(state)
    }

    fn replies(&self, answer: &Answer, form: Form) -> Vec<crate::exchange::Reply> {
        let asked = self.question().1;
        let mut collector = Collector::new(form, Target::Everyone, asked);
        collector.take(answer);
        if form.headers {
            collector.finish();
        }
        // Without headers the answers of several modules are ambiguous, but they are answers. A refusal of the younger
        // question shows no car that speaks it.
        let positive = asked.first().map(|service| service | 0x40);
        collector.replies.retain(|reply| {
            reply.bytes.first() == positive.as_ref() || (!self.on_uds && reply.bytes.first() == Some(&0x7F))
        });
        collector.replies
    }

    /// Adapters speak in words, vehicles in hex digits: those of a whole answer at least.
    fn is_from_vehicle(&self) -> bool {
        let digits = plain(&self.said);
        digits.len() >= 2 * QUESTION.1.len() && digits.bytes().all(|b| b.is_ascii_hexdigit() || b == b':')
    }
}

/// The forms that an answer may have: on the given network or any, with headers or, where they stayed off, without.
fn forms(bus: Option<Bus>) -> Vec<Form> {
    let buses: Vec<Bus> = bus.map_or_else(|| NUMBERS.iter().map(|(_, bus)| *bus).collect(), |bus| vec![bus]);
    [true, false].into_iter().flat_map(|headers| buses.iter().map(move |bus| Form { bus: *bus, headers })).collect()
}

fn bus_of(number: u8) -> Option<Bus> {
    NUMBERS.iter().find(|(known, _)| *known == number).map(|(_, bus)| *bus)
}

/// The network of a description such as `AUTO, ISO 15765-4 (CAN 11/500)`.
fn bus_named(text: &str) -> Option<Bus> {
    let plain = plain(text);
    let has = |part| plain.contains(part);
    if has("CAN") {
        let kbit_s = if has("/250") { 250 } else { 500 };
        return Some(Bus::Can { wide: has("29/"), kbit_s });
    }
    [
        ("PWM", Bus::J1850Pwm),
        ("VPW", Bus::J1850Vpw),
        ("9141", Bus::Iso9141),
        ("KWPFAST", Bus::KwpFast),
        ("FAST)", Bus::KwpFast),
        ("14230", Bus::Kwp5Baud),
    ]
    .into_iter()
    .find(|(part, _)| has(*part))
    .map(|(_, bus)| bus)
}

fn is_refusal(text: &str) -> bool {
    let plain = plain(text);
    plain.starts_with("SEARCHING")
        || plain.starts_with("BUSINIT")
        || Word::read(&plain).is_some_and(|w| w != Word::Stopped)
}

fn said(answer: &Answer) -> String {
    match answer.lines.last() {
        Some(line) => super::turn::shown(&line.text),
        None => "nothing".to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The names that such adapters give to networks, from memory.
    #[test]
    fn networks_by_name_and_number() {
        let can = |wide, kbit_s| Some(Bus::Can { wide, kbit_s });
        for (text, bus) in [
            ("AUTO, ISO 15765-4 (CAN 11/500)", can(false, 500)),
            ("ISO 15765-4 (CAN 29/500)", can(true, 500)),
            ("ISO 15765-4 (CAN 11/250)", can(false, 250)),
            ("ISO 15765-4 (CAN 29/250)", can(true, 250)),
            ("SAE J1850 PWM", Some(Bus::J1850Pwm)),
            ("SAE J1850 VPW", Some(Bus::J1850Vpw)),
            ("AUTO, ISO 9141-2", Some(Bus::Iso9141)),
            ("ISO 14230-4 (KWP FAST)", Some(Bus::KwpFast)),
            ("ISO 14230-4 (KWP 5BAUD)", Some(Bus::Kwp5Baud)),
            ("AUTO", None),
        ] {
            assert_eq!(bus_named(text), bus, "{text}");
        }
        assert!(NUMBERS.iter().all(|(number, bus)| bus_of(*number) == Some(*bus)) && bus_of(0).is_none());
    }

    /// What is a clear no is not asked again; an interruption and damaged text are.
    #[test]
    fn a_refusal_and_what_is_none() {
        for text in ["SEARCHING...", "BUS INIT: ...ERROR", "UNABLE TO CONNECT", "NO DATA", "?", "CAN ERROR"] {
            assert!(is_refusal(text), "{text}");
        }
        for text in ["STOPPED", "7E80641", "NO DAT", "INIT: OK"] {
            assert!(!is_refusal(text), "{text}");
        }
    }
}
