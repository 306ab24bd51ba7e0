//! What is known of the adapter and how it is set now.

use std::collections::{HashSet, VecDeque};

use super::Known;
use super::count::Counts;
use super::trip::RoundTrip;
use super::turn::{Answer, Say, shown};
use super::words::plain;
use crate::exchange::{Request, Target, only_reads};
use crate::timing::Timings;
use crate::{Address, Bus, Nanos};

const MS: Nanos = 1_000_000;
/// The adapter's time-out counts in steps of 4 ms (from memory).
const WAIT_STEP_NS: Nanos = 4 * MS;
/// 200 ms, what such adapters start with (from memory).
const WAIT_USUAL: u8 = 0x32;
/// 100 ms: twice the 50 ms within which a module must begin to answer on CAN (P2 max, ISO 15765-4 from memory).
const WAIT_LEAST: u8 = 0x19;
/// 24 ms: six steps, so that one step of the adapter's clock is not half of it.
const WAIT_SHORT: u8 = 0x06;
/// 60 ms behind a request to whoever listens: P2 max and a few frames. A module that is later than this answers into the
/// next request, which whoever looks for modules has to check anyway.
const WAIT_PROBE: u8 = 0x0F;
/// Address of all emissions modules on a K-line (ISO 14230-4).
pub(super) use crate::header::EVERYONE as EVERYONE_ON_K_LINE;
/// Within this time on CAN a module has either begun to answer or will not any more: twice P2 max (as [`WAIT_LEAST`]).
pub(super) const LATE_NS: Nanos = 100 * MS;
/// A shorter name than this may be part of something else (no source).
const LEAST_NAME: usize = 4;
/// Answers measured before the time-out is shortened to what fits them, which is still twice what a module may take.
const N_MEASURED: u32 = 3;

/// A command whose answer cannot be mistaken for anything else.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Barrier {
    Volts,
    Protocol,
    Identity,
}

impl Barrier {
    pub(super) const ALL: [Self; 3] = [Self::Volts, Self::Protocol, Self::Identity];

    pub(super) fn command(self) -> &'static str {
        match self {
            Self::Volts => "ATRV",
            Self::Protocol => "ATDPN",
            Self::Identity => "ATI",
        }
    }

    /// Whether `answer` ends with what this command brings, and with the prompt.
    pub(super) fn closes(self, answer: &Answer, known: &Known) -> bool {
        let Some(last) = answer.lines.last().filter(|_| answer.prompt_ns.is_some()) else {
            return false;
        };
        match self {
            Self::Volts => volts(&last.text).is_some(),
            Self::Protocol => protocol(&last.text).is_some(),
            Self::Identity => !known.adapter.is_empty() && last.text == known.adapter,
        }
    }
}

/// Supply voltage of `12.4V`, V; a comma as decimal sign and a missing unit are accepted.
pub(super) fn volts(text: &str) -> Option<f64> {
    let plain = plain(text).replace(',', ".");
    let number = plain.strip_suffix('V').unwrap_or(&plain);
    let digits = number.bytes().all(|b| b.is_ascii_digit() || b == b'.');
    number.parse().ok().filter(|volts| digits && number.contains('.') && (0.0..100.0).contains(volts))
}

/// The adapter's number of a network, with or without the `A` of automatic search.
pub(super) fn protocol(text: &str) -> Option<u8> {
    let plain = plain(text);
    let digit = match plain.as_bytes() {
        [digit] | [b'A', digit] => char::from(*digit),
        _ => return None,
    };
    digit.to_digit(16).and_then(|number| u8::try_from(number).ok())
}

/// The adapter's numbers for networks (from memory).
pub(super) const NUMBERS: [(u8, Bus); 9] = [
    (6, Bus::Can { wide: false, kbit_s: 500 }),
    (7, Bus::Can { wide: true, kbit_s: 500 }),
    (8, Bus::Can { wide: false, kbit_s: 250 }),
    (9, Bus::Can { wide: true, kbit_s: 250 }),
    (5, Bus::KwpFast),
    (4, Bus::Kwp5Baud),
    (3, Bus::Iso9141),
    (2, Bus::J1850Vpw),
    (1, Bus::J1850Pwm),
];

/// Which frames the adapter passes on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Filter {
    /// The legislated replies, as after a reset.
    Legislated,
    /// One identifier.
    Only(u32),
    /// 256 identifiers from this one on.
    Group(u32),
}

/// What a setting command changes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Effect {
    /// Whom requests go to: without it nothing can be sent.
    Header,
    /// Which replies are passed on: a help only, senders are checked here too.
    Filter(Filter),
    /// The adapter's time-out.
    Wait(u8),
    /// The highest five bits of 29-bit identifiers, in a byte.
    Priority(u8),
    /// Whom the K-line will be opened to, by its address.
    Open(u8),
    /// Whether flow control goes where we say instead of where the rule of ISO 15765-4 says.
    FlowControl(bool),
    /// Anything that the link can do without.
    Nicety,
}

/// One setting, with other spellings for adapters that do not know the first.
#[derive(Debug, Clone)]
pub(super) struct Setting {
    pub(super) spellings: VecDeque<String>,
    pub(super) effect: Effect,
}

fn setting<const N: usize>(effect: Effect, spellings: [String; N]) -> Setting {
    Setting { spellings: VecDeque::from(spellings), effect }
}

#[derive(Debug)]
pub(super) struct State {
    pub(super) known: Known,
    /// What it prints when it has been reset, and how it calls itself, without blanks.
    names: Vec<String>,
    /// Tried first when the network is unknown.
    pub(super) remembered: Option<Bus>,
    pub(super) headers: bool,
    /// It said that it would print them.
    pub(super) sets_headers: bool,
    /// Whether requests can be addressed; `None`: not tried yet.
    pub(super) addresses: Option<bool>,
    pub(super) priority: Option<u8>,
    pub(super) echo: bool,
    /// The adapter puts an empty line before its prompt: a prompt without one is not trusted.
    pub(super) blank_prompts: bool,
    pub(super) barriers: Vec<Barrier>,
    pub(super) has_volts: bool,
    pub(super) has_filter: bool,
    pub(super) filter: Filter,
    /// Whom the K-line is open to.
    pub(super) open_to: u8,
    /// The time-out can be set and the adapter keeps to it.
    pub(super) sets_wait: bool,
    pub(super) exact_wait: bool,
    pub(super) wait: u8,
    pub(super) own_flow_control: bool,
    /// Whom header and filter are set for.
    pub(super) target: Option<Target>,
    pub(super) counts: Counts,
    pub(super) trip: RoundTrip,
    /// What modules said of the time that they take.
    pub(super) timings: Timings,
    /// Who asked for more time for which service.
    pub(super) slow: HashSet<(Target, Option<u8>)>,
    n_measured: u32,
    slowest_ns: Nanos,
    /// Last traffic on the vehicle's network.
    pub(super) traffic_ns: Option<Nanos>,
    /// Text of an earlier command may still come.
    pub(super) desync: bool,
    /// The adapter has forgotten its settings.
    pub(super) restart: bool,
    /// Last command sent, and the last one whose prompt did not come.
    pub(super) last_sent: String,
    pub(super) unanswered: String,
    /// What happened between exchanges, to be reported with the next one.
    pub(super) problems: Vec<String>,
}

impl State {
    pub(super) fn new(remembered: Option<Bus>) -> Self {
        Self {
            known: Known::default(),
            names: Vec::new(),
            remembered,
            headers: true,
            sets_headers: false,
            addresses: None,
            priority: None,
            echo: false,
            blank_prompts: false,
            barriers: Vec::new(),
            has_volts: false,
            has_filter: true,
            filter: Filter::Legislated,
            open_to: EVERYONE_ON_K_LINE,
            sets_wait: true,
            exact_wait: true,
            wait: WAIT_USUAL,
            own_flow_control: false,
            target: None,
            counts: Counts::default(),
            trip: RoundTrip::default(),
            timings: Timings::default(),
            slow: HashSet::new(),
            n_measured: 0,
            slowest_ns: 0,
            traffic_ns: None,
            desync: false,
            restart: false,
            last_sent: String::new(),
            unanswered: String::new(),
            problems: Vec::new(),
        }
    }

    /// The adapter starts anew: its settings are those of a reset.
    pub(super) fn forget_settings(&mut self) {
        self.names.clear();
        self.headers = true;
        self.echo = false;
        self.addresses = None;
        self.priority = None;
        self.target = None;
        self.filter = Filter::Legislated;
        self.open_to = EVERYONE_ON_K_LINE;
        self.own_flow_control = false;
        self.wait = WAIT_USUAL;
        self.restart = false;
        self.known.notes.clear();
    }

    /// It has done so by itself, and is to be set up again.
    pub(super) fn lost_settings(&mut self) {
        self.known.n_losses += usize::from(!self.restart);
        self.restart = true;
    }

    /// It will be known by this name when it starts anew by itself, unless that could be an answer of the vehicle.
    pub(super) fn know_by(&mut self, name: &str) {
        let name = plain(name);
        if name.len() >= LEAST_NAME && !name.bytes().all(|b| b.is_ascii_hexdigit()) && !self.names.contains(&name) {
            self.names.push(name);
        }
    }

    /// Whether a text holds one of its names.
    pub(super) fn has_name(&self, text: &str) -> bool {
        let text = plain(text);
        self.names.iter().any(|name| text.contains(name.as_str()))
    }

    /// Whether the adapter started anew in the middle of an answer, or before it.
    pub(super) fn has_started_anew(&self, answer: &Answer) -> bool {
        answer.lines.iter().any(|line| self.has_name(&shown(&line.text)))
    }

    pub(super) fn note(&mut self, note: impl Into<String>) {
        let note = note.into();
        if !self.known.notes.contains(&note) && self.known.notes.len() < 100 {
            self.known.notes.push(note);
        }
    }

    /// A command that the adapter answers by itself, in one line.
    pub(super) fn command(&self, text: &str) -> Say {
        let n_lines = 1 + usize::from(self.echo);
        Say { whole: Some((n_lines, self.trip.swift_ns())), ..Say::within(text, self.trip.margin_ns() * 2) }
    }

    /// A request that goes to the vehicle. `n_lines`: its whole answer, where the adapter was told to stop after it.
    pub(super) fn to_vehicle(&self, text: &str, n_lines: Option<usize>) -> Say {
        let characters = Nanos::try_from(text.len()).unwrap_or(0);
        // 1 ms per character: 9600 baud, the slowest usual rate.
        let quiet_ns = self.wait_ns() + characters * MS + self.trip.margin_ns();
        let whole = n_lines
            .filter(|_| self.counts.stops() && self.headers && !self.echo)
            .map(|n_lines| (n_lines, self.trip.swift_ns()));
        Say { progress_ns: 15_000 * MS, total_ns: 40_000 * MS, whole, ..Say::within(text, quiet_ns) }
    }

    /// A request that may make the adapter look for the network or open it first, and some say nothing while they do.
    pub(super) fn to_unknown(&self, text: &str) -> Say {
        let say = self.to_vehicle(text, None);
        Say { quiet_ns: say.progress_ns, after_line_ns: Some(say.quiet_ns), ..say }
    }

    pub(super) fn wait_ns(&self) -> Nanos {
        Nanos::from(self.wait) * WAIT_STEP_NS
    }

    /// How long after the last line a prompt shows that the adapter has waited its time-out, not counted lines.
    pub(super) fn waited_ns(&self) -> Nanos {
        self.wait_ns() * 3 / 4
    }

    /// Whether the adapter gave an answer up before the time that it was told to wait: the digits of that time were damaged
    /// on their way, or it does not keep to it.
    pub(super) fn has_hurried(&self, answer: &Answer, bus: Bus) -> bool {
        let is_early = answer.prompt_ns.is_some_and(|prompt| prompt - answer.sent_ns < self.waited_ns());
        is_early && bus.is_can() && self.exact_wait && self.sets_wait
    }

    /// It is told anew how long to wait.
    pub(super) fn doubt_wait(&mut self) {
        self.wait = 0;
    }

    /// Takes the time from a request to the last line of its answer.
    pub(super) fn answered_after(&mut self, ns: Nanos) {
        self.n_measured = self.n_measured.saturating_add(1);
        self.slowest_ns = self.slowest_ns.max(ns);
    }

    /// Somebody who had answered did not: back to the usual time-out, and measure again.
    pub(super) fn fell_silent(&mut self) {
        self.n_measured = 0;
    }

    /// The time-out that fits what has been measured.
    fn fitting_wait(&self, request: &Request, bus: Bus) -> u8 {
        if matches!(request.to, Target::Anyone(_)) && bus.is_can() {
            return WAIT_PROBE;
        }
        if self.n_measured < N_MEASURED || !bus.is_can() {
            return WAIT_USUAL;
        }
        // An adapter that takes no number of lines waits this long behind every answer. One module's answer has begun
        // or not: what comes later than this is waited out and asked again.
        let is_short =
            self.counts.is_refused() && matches!(request.to, Target::Module(_)) && only_reads(&request.bytes);
        let least = if is_short { WAIT_SHORT } else { WAIT_LEAST };
        // Twice the slowest answer, with its way through the adapter counted in: longer than needed, never shorter.
        u8::try_from(self.slowest_ns * 2 / WAIT_STEP_NS).unwrap_or(u8::MAX).max(least)
    }

    /// How long to wait after a silence that began with a request at `asked_ns`, so that no late answer can be taken for
    /// the answer to another request.
    pub(super) fn still_late_ns(&self, asked_ns: Nanos, now: Nanos) -> Option<Nanos> {
        let left = asked_ns + LATE_NS - now;
        (self.wait < WAIT_LEAST && left > 0).then_some(left)
    }

    /// The settings to change before a request; `Err`: it cannot be sent here.
    ///
    /// `patient`: the module is known to ask for more time, so the adapter shall listen as long as it can.
    pub(super) fn settings_for(&self, request: &Request, bus: Bus, patient: bool) -> Result<VecDeque<Setting>, String> {
        let mut todo = VecDeque::new();
        // Where it prints no headers, nothing would show that it has forgotten whom it was told to ask.
        let would_show = self.headers || bus.is_can() || request.to == Target::Everyone;
        if self.target != Some(request.to) || !would_show {
            self.header(request.to, bus, &mut todo)?;
        }
        // What a module takes longer than is usual, by its own word, comes on top of everything.
        let more = u8::try_from(self.timings.p2_ns(request.to, 0) / WAIT_STEP_NS).unwrap_or(u8::MAX);
        let wait = if patient { u8::MAX } else { self.fitting_wait(request, bus).saturating_add(more) };
        self.set_wait(wait, &mut todo);
        Ok(todo)
    }

    /// The settings for listening to a busy module on CAN: what is sent meanwhile goes to everyone, as a busy module need
    /// not take a request of its own; the filter stays as it is.
    pub(super) fn settings_to_listen(&self, wide: bool) -> VecDeque<Setting> {
        let mut todo = VecDeque::new();
        if self.addresses != Some(false) && self.target != Some(Target::Everyone) {
            self.identifier(if wide { 0x18DB_33F1 } else { 0x7DF }, wide, &mut todo);
        }
        self.set_wait(u8::MAX, &mut todo);
        todo
    }

    fn set_wait(&self, wait: u8, todo: &mut VecDeque<Setting>) {
        if self.sets_wait && wait != self.wait {
            todo.push_back(setting(Effect::Wait(wait), [format!("ATST{wait:02X}")]));
        }
    }

    /// Whom a request goes to on CAN.
    fn identifier(&self, request: u32, wide: bool, todo: &mut VecDeque<Setting>) {
        if !wide {
            todo.push_back(setting(Effect::Header, [format!("ATSH{request:03X}"), format!("ATSH{request:06X}")]));
            return;
        }
        let priority = (request >> 24).to_le_bytes()[0];
        if self.priority != Some(priority) {
            todo.push_back(setting(Effect::Priority(priority), [format!("ATCP{priority:02X}")]));
        }
        todo.push_back(setting(
            Effect::Header,
            [format!("ATSH{:06X}", request & 0xFF_FFFF), format!("ATSH{request:08X}")],
        ));
    }

    /// On a K-line a conversation is with whom it was begun: with another module the line has to be opened anew, which the
    /// adapter does by itself with the next request, to the header that it has then (common practice, no source).
    fn open_anew(&self, bus: Bus, node: u8, todo: &mut VecDeque<Setting>) {
        if self.open_to == node {
            return;
        }
        todo.push_back(setting(Effect::Open(node), ["ATPC".to_owned()]));
        // One that has found the network by itself would search anew, with requests to everyone.
        if let Some((number, _)) = NUMBERS.iter().find(|(_, known)| *known == bus) {
            todo.push_back(setting(Effect::Nicety, [format!("ATSP{number}")]));
        }
        if bus == Bus::Kwp5Baud {
            todo.push_back(setting(Effect::Nicety, [format!("ATIIA{node:02X}")]));
        }
    }

    fn header(&self, to: Target, bus: Bus, todo: &mut VecDeque<Setting>) -> Result<(), String> {
        let wide = matches!(bus, Bus::Can { wide: true, .. });
        let (request, reply) = match (to, bus) {
            (Target::Everyone, Bus::Can { wide: false, .. }) => (0x7DF, None),
            (Target::Everyone, Bus::Can { wide: true, .. }) => (0x18DB_33F1, None),
            (Target::Module(Address::Can11 { request, reply }), Bus::Can { wide: false, .. }) => {
                (u32::from(request), Some(u32::from(reply)))
            }
            (Target::Module(Address::Can29 { request, reply }), Bus::Can { wide: true, .. }) => (request, Some(reply)),
            (Target::Anyone(Address::Can11 { request, .. }), Bus::Can { wide: false, .. }) => {
                (u32::from(request), None)
            }
            (Target::Anyone(Address::Can29 { request, .. }), Bus::Can { wide: true, .. }) => (request, None),
            (
                Target::Module(Address::Node(node)) | Target::Anyone(Address::Node(node)),
                Bus::Kwp5Baud | Bus::KwpFast,
            ) => {
                self.open_anew(bus, node, todo);
                todo.push_back(setting(
                    Effect::Header,
                    [format!("ATSH81{node:02X}F1"), format!("ATSH 81 {node:02X} F1")],
                ));
                return Ok(());
            }
            (Target::Everyone, Bus::Kwp5Baud | Bus::KwpFast) => {
                self.open_anew(bus, EVERYONE_ON_K_LINE, todo);
                todo.push_back(setting(Effect::Header, ["ATSHC133F1".to_owned(), "ATSH C1 33 F1".to_owned()]));
                return Ok(());
            }
            // These networks know functional requests only; the sender of a reply tells whose it is.
            (
                Target::Everyone | Target::Module(Address::Node(_)) | Target::Anyone(Address::Node(_)),
                Bus::Iso9141 | Bus::J1850Pwm | Bus::J1850Vpw,
            ) => return Ok(()),
            (Target::Everyone, Bus::Doip) => return Err(format!("this adapter does not reach {bus}")),
            (Target::Module(address) | Target::Anyone(address), bus) => {
                return Err(format!("module {address} is not on this network ({bus})"));
            }
        };
        let digits = if wide { 8 } else { 3 };
        // Nothing needs to be set for everyone where nothing else can be.
        if self.addresses != Some(false) {
            self.identifier(request, wide, todo);
        }
        // The identifiers of ISO 15765-4 pass without a filter, and who sent a reply is checked here; changing the filter
        // with every module would cost a command each time.
        let passes = |reply: u32| if wide { reply >> 8 == 0x18_DAF1 } else { reply >> 3 == 0x7E8 >> 3 };
        let filter = match (to, reply) {
            (_, Some(reply)) if !passes(reply) => Filter::Only(reply),
            (Target::Anyone(_), _) if !wide => Filter::Group(request & 0x700),
            _ => Filter::Legislated,
        };
        if filter != self.filter && (self.has_filter || filter == Filter::Legislated) {
            match filter {
                Filter::Only(reply) => {
                    todo.push_back(setting(Effect::Filter(filter), [format!("ATCRA{reply:0digits$X}")]));
                }
                Filter::Group(first) => {
                    for text in [format!("ATCF{first:0digits$X}"), "ATCM700".to_owned()] {
                        todo.push_back(setting(Effect::Filter(filter), [text]));
                    }
                }
                Filter::Legislated => {
                    todo.push_back(setting(Effect::Filter(filter), ["ATCRA".to_owned(), "ATAR".to_owned()]));
                }
            }
        }
        if let Some(reply) = reply {
            let by_rule = if wide {
                Address::from_reply29(reply) == Address::Can29 { request, reply }
            } else {
                reply == request + 8
            };
            if by_rule {
                if self.own_flow_control {
                    todo.push_back(setting(Effect::FlowControl(false), ["ATFCSM0".to_owned()]));
                }
            } else {
                // The adapter would send its flow control where the rule says, which is not this module.
                todo.push_back(setting(Effect::Nicety, [format!("ATFCSH{request:0digits$X}")]));
                todo.push_back(setting(Effect::Nicety, ["ATFCSD300000".to_owned()]));
                todo.push_back(setting(Effect::FlowControl(true), ["ATFCSM1".to_owned()]));
            }
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What a voltage looks like: digits with a decimal sign (from memory of such adapters' answers).
    #[test]
    fn a_voltage_and_nothing_else() {
        for (text, value) in [("12.4V", 12.4), ("12,4", 12.4), (" 0.0V ", 0.0), ("99.9V", 99.9)] {
            assert_eq!(volts(text), Some(value), "{text}");
        }
        for text in ["12", "124.0V", "1.2e1V", "-1.2V", "+1.2V", "NO DATA", "", "V", "."] {
            assert_eq!(volts(text), None, "{text}");
        }
        for (text, number) in [("6", Some(6)), ("A6", Some(6)), ("C", Some(12)), ("B6", None), ("66", None)] {
            assert_eq!(protocol(text), number, "{text}");
        }
    }
}
