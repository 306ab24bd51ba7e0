//! The AT-command serial adapter: text to and from the tester, frames to and from the car.
//!
//! Bytes and times go in, bytes and times come out; it never reads a clock. The command language is the one that serial
//! adapters have shared for decades (from memory; common practice, no published standard). The line formats are those
//! that the handbook of sampling limits counts characters for.

mod command;
mod k_line;
mod settings;
mod text;

pub(crate) use settings::{AtSettings, CountMode};
use settings::{Protocol, State};

use super::{Face, Wire};
use crate::bus::{BusKind, CanFrame, CanId};
use crate::rng::Rng;
use protocol::Nanos;
use std::collections::VecDeque;

/// What the adapter says of itself.
const NAME: &str = "Standin AT interface v1.0";
const MAKER: &str = "Invented serial adapter";
/// Input line buffer, characters.
const INPUT_LIMIT: usize = 256;
/// Output buffer, characters.
const OUTPUT_LIMIT: Nanos = 512;
/// Protocols tried by the automatic search, in this order.
const SEARCH: [u8; 9] = [6, 7, 8, 9, 1, 2, 5, 4, 3];

/// What the adapter is busy with.
#[derive(Debug, Clone, PartialEq)]
enum Activity {
    /// The prompt is out.
    Idle,
    /// A line was taken; it starts to act at the given time.
    Starting(Nanos, String),
    /// Restarting; then says its name.
    Resetting(Nanos),
    /// A request is out.
    Waiting(Waiting),
    /// Looking for the car's protocol; then sends the request.
    Searching { left: Vec<u8>, until: Nanos, found: bool, request: Vec<u8>, expected: Option<u32> },
    /// The start of communication on a K-line; then sends the request.
    Opening { until: Nanos, to: u8, request: Vec<u8>, expected: Option<u32> },
    /// The start of a network that is not there.
    Failing { until: Nanos, text: &'static str },
    /// Printing everything that passes.
    Monitoring,
}

#[derive(Debug, Clone, PartialEq)]
struct Waiting {
    until: Nanos,
    since: Nanos,
    expected: Option<u32>,
    counted: u32,
    any: bool,
    /// Per sender: bytes of its segmented message that are still to come.
    open: Vec<(CanId, usize)>,
}

/// The adapter.
#[derive(Debug)]
pub(crate) struct AtFace {
    settings: AtSettings,
    state: State,
    /// Selected protocol and whether it was (or may be) found automatically.
    protocol: Option<Protocol>,
    automatic: bool,
    connected: bool,
    activity: Activity,
    input: String,
    input_full: bool,
    last_line: String,
    stored: Option<u8>,
    out: VecDeque<(Nanos, u8)>,
    out_free: Nanos,
    /// When the last prompt is out.
    prompt_at: Nanos,
    rng: Rng,
    next_reset: Option<Nanos>,
    /// When it forgets its settings next.
    next_forget: Option<Nanos>,
    /// Messages on the K-line that are still to pass.
    k_queue: VecDeque<(Nanos, Vec<u8>)>,
    /// Whom the K-line is open to, last traffic on it, and the address for a slow start.
    k_open_to: u8,
    k_traffic: Nanos,
    k_address: u8,
}

impl AtFace {
    /// An adapter that has just been plugged in; it is silent until spoken to.
    #[must_use]
    pub(crate) fn new(settings: AtSettings, seed: u64) -> Self {
        let mut rng = Rng::new(seed, "at face");
        let mut next = |every_s: f64| (every_s > 0.0).then(|| ns(rng.exponential(every_s) * 1e3));
        let (next_reset, next_forget) = (next(settings.quirks.reset_every_s), next(settings.quirks.forget_every_s));
        Self {
            settings,
            state: State::default(),
            protocol: None,
            automatic: true,
            connected: false,
            activity: Activity::Idle,
            input: String::new(),
            input_full: false,
            last_line: String::new(),
            stored: None,
            out: VecDeque::new(),
            out_free: 0,
            prompt_at: 0,
            rng,
            next_reset,
            next_forget,
            k_queue: VecDeque::new(),
            k_open_to: crate::bus::k_line::EVERYONE,
            k_traffic: 0,
            k_address: crate::bus::k_line::EVERYONE,
        }
    }

    fn answer_frame(&mut self, at: Nanos, frame: &CanFrame, wire: &mut dyn Wire) {
        let first = frame.data().first().copied().unwrap_or(0);
        if first >> 4 == 1 && self.state.flow_control {
            self.flow_control(at, frame, wire);
        }
        self.print_frame(at, frame);
        if self.overflowing(at) {
            self.line(at, "BUFFER FULL");
            self.prompt(at);
            return;
        }
        let Activity::Waiting(waiting) = &mut self.activity else { return };
        self.state.learn((at - waiting.since) as f64 / 1e6);
        waiting.since = at;
        waiting.until = at + ns(self.state.wait_ms());
        waiting.any = true;
        waiting.counted += match self.settings.count {
            CountMode::Lines | CountMode::Refused => 1,
            CountMode::Messages => u32::from(waiting.completes(frame)),
        };
        if waiting.expected.is_some_and(|expected| waiting.counted >= expected) {
            self.prompt(at);
        }
    }

    fn flow_control(&mut self, at: Nanos, first: &CanFrame, wire: &mut dyn Wire) {
        let Some(bus) = self.protocol.and_then(Protocol::bus) else { return };
        let own = match first.id {
            CanId::Standard(id) => CanId::Standard(id.wrapping_sub(8) & 0x7FF),
            CanId::Extended(id) => CanId::Extended(id & 0x1FFF_0000 | (id & 0xFF) << 8 | id >> 8 & 0xFF),
        };
        let id = match (self.state.flow_mode, self.state.flow_header) {
            (1, Some(header)) => self.id(bus, header),
            _ => own,
        };
        let data = match (self.state.flow_mode, &self.state.flow_data) {
            (1 | 2, Some(data)) => data.clone(),
            _ => vec![0x30, 0, 0],
        };
        wire.transmit(at, bus, CanFrame::padded(id, &data, 0));
    }

    /// Sends a request and waits for what comes back.
    fn send(&mut self, at: Nanos, request: &[u8], expected: Option<u32>, wire: &mut dyn Wire) {
        let Some(protocol) = self.protocol else { return self.prompt(at) };
        let Some(bus) = protocol.bus() else {
            if Self::on_k_line(protocol, wire) {
                return self.k_send(at, protocol, request, expected, wire);
            }
            self.text(at, protocol.opening());
            let text = if protocol.0 >= 3 { "ERROR" } else { "NO DATA" };
            self.activity = Activity::Failing { until: at + ns(protocol.failing_ms()), text };
            return;
        };
        if let Some((text, p)) = self.settings.quirks.say.clone()
            && self.rng.chance(p)
        {
            self.line(at, &text);
            return self.prompt(at);
        }
        let id = match self.state.header {
            Some(header) => self.id(bus, header),
            None => bus.functional(),
        };
        if !self.transmit(at, bus, id, request, wire) {
            self.line(at, "CAN ERROR");
            return self.prompt(at);
        }
        self.connected = true;
        if !self.state.responses || expected == Some(0) {
            return self.prompt(at);
        }
        let until = at + ns(self.state.wait_ms());
        let open = Vec::new();
        self.activity = Activity::Waiting(Waiting { until, since: at, expected, counted: 0, any: false, open });
    }

    fn transmit(&mut self, at: Nanos, bus: BusKind, id: CanId, request: &[u8], wire: &mut dyn Wire) -> bool {
        if self.state.format {
            let mut bytes = vec![request.len() as u8];
            bytes.extend(request);
            wire.transmit(at, bus, CanFrame::padded(id, &bytes, 0))
        } else {
            wire.transmit(at, bus, CanFrame::new(id, request))
        }
    }

    /// The order of the automatic search: the protocol that worked last, then the others. Taken from the end.
    fn search_order(&self) -> Vec<u8> {
        let preferred = self.protocol.map(|p| p.0);
        let others = SEARCH.into_iter().filter(|&number| Some(number) != preferred);
        let mut order: Vec<u8> = preferred.into_iter().chain(others).collect();
        order.reverse();
        order
    }

    /// Tries the next protocol of the search.
    fn search(&mut self, at: Nanos, mut left: Vec<u8>, request: Vec<u8>, expected: Option<u32>, wire: &mut dyn Wire) {
        let Some(number) = left.pop() else {
            self.protocol = None;
            self.newline(at);
            self.line(at, "UNABLE TO CONNECT");
            return self.prompt(at);
        };
        let protocol = Protocol(number);
        self.protocol = Some(protocol);
        let mut wait_ms = protocol.failing_ms();
        if let Some(bus) = protocol.bus() {
            let probe = CanFrame::padded(bus.functional(), &[2, 1, 0], 0);
            if wire.transmit(at, bus, probe) {
                wait_ms = f64::from(self.state.timeout) * 4.0;
            }
        }
        let found = Self::on_k_line(protocol, wire);
        self.activity = Activity::Searching { left, until: at + ns(wait_ms), found, request, expected };
    }

    /// All settings are as after switching on.
    fn forget(&mut self) {
        self.state = State::default();
        self.protocol = self.stored.map(Protocol);
        self.automatic = self.stored.is_none();
        self.connected = false;
    }

    fn reset(&mut self, at: Nanos, after_ms: f64) {
        self.forget();
        self.input.clear();
        self.k_queue.clear();
        self.k_address = crate::bus::k_line::EVERYONE;
        self.activity = Activity::Resetting(at + ns(after_ms));
    }
}

impl Face for AtFace {
    fn char_ns(&self) -> Nanos {
        self.settings.char_ns()
    }

    fn deadline(&self) -> Option<Nanos> {
        let own = match &self.activity {
            Activity::Idle | Activity::Monitoring => None,
            Activity::Starting(until, _)
            | Activity::Resetting(until)
            | Activity::Searching { until, .. }
            | Activity::Opening { until, .. }
            | Activity::Failing { until, .. } => Some(*until),
            Activity::Waiting(waiting) => Some(waiting.until),
        };
        let message = self.k_queue.front().map(|(at, _)| *at);
        [own, self.next_reset, self.next_forget, message].into_iter().flatten().min()
    }

    fn take_output(&mut self, until: Nanos) -> Option<(Nanos, u8)> {
        if self.out.front()?.0 <= until { self.out.pop_front() } else { None }
    }

    fn next_output(&self) -> Option<Nanos> {
        self.out.front().map(|(at, _)| *at)
    }

    fn drop_output(&mut self) {
        self.out.clear();
    }

    fn byte(&mut self, at: Nanos, byte: u8) {
        match self.activity {
            // Still printing: a character stops that too.
            Activity::Idle if at < self.prompt_at => {
                self.out.retain(|(printed, _)| *printed <= at);
                self.out_free = at;
                self.newline(at);
                self.line(at, "STOPPED");
                self.prompt(at);
                return;
            }
            Activity::Idle => {}
            Activity::Waiting(_)
            | Activity::Searching { .. }
            | Activity::Opening { .. }
            | Activity::Monitoring
            | Activity::Failing { .. } => {
                self.line(at, "STOPPED");
                self.prompt(at);
                return;
            }
            // Too busy to listen.
            Activity::Starting(..) | Activity::Resetting(_) => return,
        }
        if byte == 0 {
            return;
        }
        if self.state.echo && byte != b'\n' {
            self.put(at, byte);
            if byte == b'\r' && self.state.linefeeds {
                self.put(at, b'\n');
            }
        }
        match byte {
            b'\r' => {
                let line = std::mem::take(&mut self.input);
                let full = std::mem::take(&mut self.input_full);
                let line = if full {
                    "?".to_owned()
                } else if line.is_empty() {
                    self.last_line.clone()
                } else {
                    line
                };
                self.activity = Activity::Starting(at + ns(self.settings.overhead_ms), line);
            }
            // Spaces and control characters do not count.
            0..=b' ' => {}
            _ if self.input.len() >= INPUT_LIMIT => self.input_full = true,
            // A byte outside ASCII becomes a character that no command contains.
            128.. => self.input.push('?'),
            _ => self.input.push(char::from(byte.to_ascii_uppercase())),
        }
    }

    fn tick(&mut self, at: Nanos, wire: &mut dyn Wire) {
        if self.next_reset.is_some_and(|due| due <= at) {
            self.next_reset =
                Some(at + (self.rng.exponential(self.settings.quirks.reset_every_s) * 1e9).max(1e9) as Nanos);
            self.reset(at, 300.0);
            return;
        }
        if self.next_forget.is_some_and(|due| due <= at) {
            let every_s = self.settings.quirks.forget_every_s;
            self.next_forget = Some(at + ns(self.rng.exponential(every_s) * 1e3).max(1_000_000_000));
            return self.forget();
        }
        if self.k_queue.front().is_some_and(|(arrived, _)| *arrived <= at) {
            return self.k_message(at);
        }
        if self.deadline().is_none_or(|deadline| deadline > at) {
            return;
        }
        match std::mem::replace(&mut self.activity, Activity::Idle) {
            Activity::Idle | Activity::Monitoring => {}
            Activity::Starting(_, line) => self.execute(at, line, wire),
            Activity::Resetting(_) => {
                self.newline(at);
                self.newline(at);
                self.line(at, NAME);
                self.prompt(at);
            }
            Activity::Waiting(waiting) => {
                if !waiting.any {
                    self.state.learn_silence();
                    self.line(at, "NO DATA");
                }
                self.prompt(at);
            }
            Activity::Opening { to, request, expected, .. } => self.k_opened(at, to, &request, expected, wire),
            Activity::Failing { text, .. } => {
                self.line(at, text);
                self.prompt(at);
            }
            Activity::Searching { left, found, request, expected, .. } => {
                if found {
                    self.newline(at);
                    self.k_connected(at, crate::bus::k_line::EVERYONE);
                    self.send(at, &request, expected, wire);
                } else {
                    self.search(at, left, request, expected, wire);
                }
            }
        }
    }

    fn frame(&mut self, at: Nanos, frame: &CanFrame, wire: &mut dyn Wire) {
        let bus = self.protocol.and_then(Protocol::bus);
        let wide = matches!(frame.id, CanId::Extended(_));
        let monitoring = matches!(self.activity, Activity::Monitoring);
        if bus.is_none_or(|bus| bus.wide != wide) || !(monitoring || self.wanted(frame.id)) {
            return;
        }
        match &mut self.activity {
            Activity::Searching { found, .. } => *found = true,
            Activity::Monitoring => {
                self.print_frame(at, frame);
                if self.overflowing(at) {
                    self.line(at, "BUFFER FULL");
                    self.prompt(at);
                }
            }
            Activity::Waiting(_) => self.answer_frame(at, frame, wire),
            _ => {}
        }
    }
}

impl Waiting {
    /// Whether this frame is the last of its message.
    fn completes(&mut self, frame: &CanFrame) -> bool {
        let data = frame.data();
        match data.first().map_or(0, |first| first >> 4) {
            1 => {
                let length = usize::from(data[0] & 0x0F) << 8 | usize::from(data.get(1).copied().unwrap_or(0));
                self.open.retain(|(id, _)| *id != frame.id);
                self.open.push((frame.id, length.saturating_sub(6)));
                false
            }
            2 => {
                let Some(idx) = self.open.iter().position(|(id, _)| *id == frame.id) else { return true };
                let left = &mut self.open[idx].1;
                *left = left.saturating_sub(7);
                if *left == 0 {
                    self.open.swap_remove(idx);
                    return true;
                }
                false
            }
            _ => true,
        }
    }
}

/// Whole nanoseconds of a duration in milliseconds.
fn ns(ms: f64) -> Nanos {
    (ms * 1e6).round() as Nanos
}
