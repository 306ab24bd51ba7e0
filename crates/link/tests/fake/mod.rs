//! An AT-command adapter with an invented car behind it, on a virtual clock.
//!
//! It follows the de-facto command language from memory, and each of its habits can be made a bad one.

#![allow(dead_code, unreachable_pub, reason = "every test file uses its part")]

use std::collections::{HashMap, VecDeque};
use std::sync::{Arc, Mutex};

use link::{Dial, Port, PortError};
use protocol::{Bus, Nanos};

pub const MS: Nanos = 1_000_000;

/// One answer of one module: response time, sender (CAN identifier or node), message.
pub type Said = (Nanos, u32, Vec<u8>);
/// What the car answers: header (identifier or target byte), request, number of the request since the start.
pub type Car = Box<dyn FnMut(u32, &[u8], u32) -> Vec<Said> + Send>;
/// What becomes of the text of one answer on its way; number of the answer since the start.
pub type Damage = Box<dyn FnMut(Vec<u8>, u32) -> Vec<u8> + Send>;

/// How the adapter behaves.
pub struct Habits {
    pub bus: Bus,
    /// 0: no pacing.
    pub baud: i64,
    pub banner: &'static str,
    pub reset_ns: Nanos,
    /// Commands (prefixes) that are answered `?`.
    pub unknown: Vec<&'static str>,
    /// Commands (prefixes) that are answered `OK` and change nothing.
    pub lies: Vec<&'static str>,
    pub takes_count: bool,
    pub counts_messages: bool,
    /// Frames that come after the counted ones stand in front of the next answer.
    pub keeps_leftovers: bool,
    pub nul_bytes: bool,
    pub blank_before_prompt: bool,
    pub progress: &'static str,
    /// Frames and single messages padded to 8 bytes in print.
    pub shows_padding: bool,
    /// Answers to come instead of what the car would say: raw text without prompt; taken when the command matches.
    pub script: VecDeque<(&'static str, &'static str)>,
    /// Prompts swallowed, by number of the answer.
    pub damage: Option<Damage>,
    /// Time between prompt-worthy end and its printing.
    pub overhead_ns: Nanos,
}

impl Default for Habits {
    fn default() -> Self {
        Self {
            bus: Bus::Can { wide: false, kbit_s: 500 },
            baud: 0,
            banner: "Bench adapter 1.0",
            reset_ns: 800 * MS,
            unknown: Vec::new(),
            lies: Vec::new(),
            takes_count: true,
            counts_messages: false,
            keeps_leftovers: false,
            nul_bytes: false,
            blank_before_prompt: true,
            progress: "",
            shows_padding: false,
            script: VecDeque::new(),
            damage: None,
            overhead_ns: 0,
        }
    }
}

/// The state that both ends of the line share.
pub struct Bench {
    pub now: Nanos,
    pub habits: Habits,
    pub car: Car,
    /// Commands received, in order.
    pub heard: Vec<String>,
    /// Times that a command arrived while an earlier one was still being answered.
    pub n_interrupted: usize,
    pub plugged: bool,
    out: VecDeque<(Nanos, u8)>,
    busy_until: Nanos,
    line_free: Nanos,
    pub n_answers: u32,
    n_requests: u32,
    partial: String,
    echo: bool,
    feeds: bool,
    spaces: bool,
    headers: bool,
    wait_ns: Nanos,
    header: Option<u32>,
    priority: u32,
    filter: Option<u32>,
    started: bool,
    sessions: HashMap<&'static str, u32>,
    leftovers: Vec<String>,
}

impl Bench {
    fn reset(&mut self) {
        self.echo = true;
        self.feeds = true;
        self.spaces = true;
        self.headers = false;
        self.wait_ns = 200 * MS;
        self.header = None;
        self.filter = None;
        self.started = false;
    }

    fn char_ns(&self) -> Nanos {
        if self.habits.baud == 0 { 0 } else { 10_000_000_000 / self.habits.baud }
    }

    /// Takes what was written; the last character arrives after its time on the line.
    fn take(&mut self, bytes: &[u8]) {
        for byte in bytes {
            self.line_free = self.line_free.max(self.now) + self.char_ns();
            let at = self.line_free;
            if at < self.busy_until {
                // A character in the middle of an answer stops it and is lost.
                self.n_interrupted += 1;
                self.out.retain(|(t, _)| *t <= at);
                self.busy_until = at;
                self.print(at, "STOPPED", true);
                continue;
            }
            if self.echo {
                self.out.push_back((at + self.char_ns(), *byte));
            }
            match byte {
                b'\r' => {
                    let command: String = self.partial.drain(..).filter(|c| !c.is_whitespace()).collect();
                    self.heard.push(command.clone());
                    self.answer(at, &command.to_uppercase());
                }
                _ => self.partial.push(char::from(*byte)),
            }
        }
    }

    /// Prints one answer and, as usual, the prompt.
    fn print(&mut self, at: Nanos, text: &str, prompt: bool) {
        self.print_lines(&text.split('|').map(|line| (at, line.to_owned())).collect::<Vec<_>>(), at, prompt);
    }

    fn print_lines(&mut self, lines: &[(Nanos, String)], prompt_at: Nanos, prompt: bool) {
        let end = if self.feeds { "\r\n" } else { "\r" };
        let mut timed: Vec<(Nanos, u8)> = Vec::new();
        for (at, line) in lines {
            let nul = if self.habits.nul_bytes { "\0" } else { "" };
            timed.extend(format!("{nul}{line}{end}").bytes().map(|byte| (*at, byte)));
        }
        if prompt {
            let blank = if self.habits.blank_before_prompt { end } else { "" };
            timed.extend(format!("{blank}>").bytes().map(|byte| (prompt_at, byte)));
        }
        self.n_answers += 1;
        if let Some(mut damage) = self.habits.damage.take() {
            let bytes: Vec<u8> = timed.iter().map(|(_, byte)| *byte).collect();
            let times: Vec<Nanos> = timed.iter().map(|(at, _)| *at).collect();
            let last = times.last().copied().unwrap_or(prompt_at);
            let damaged = damage(bytes, self.n_answers);
            timed = damaged
                .iter()
                .enumerate()
                .map(|(idx, byte)| (times.get(idx).copied().unwrap_or(last), *byte))
                .collect();
            self.habits.damage = Some(damage);
        }
        let mut free = self.out.back().map_or(0, |(at, _)| *at);
        for (at, byte) in timed {
            free = free.max(at) + self.char_ns();
            self.out.push_back((free, byte));
        }
        self.busy_until = free;
    }

    fn answer(&mut self, at: Nanos, command: &str) {
        if let Some(idx) = self.habits.script.iter().position(|(on, _)| command == *on) {
            let (_, text) = self.habits.script.remove(idx).expect("scripted");
            if text == "nothing" {
                return;
            }
            let (text, prompt) = text.strip_suffix("|no prompt").map_or((text, true), |text| (text, false));
            return self.print(at, text, prompt);
        }
        if self.habits.unknown.iter().any(|prefix| command.starts_with(prefix)) {
            return self.print(at, "?", true);
        }
        if self.habits.lies.iter().any(|prefix| command.starts_with(prefix)) {
            return self.print(at, "OK", true);
        }
        if let Some(setting) = command.strip_prefix("AT") {
            return self.set(at, setting);
        }
        self.request(at, command);
    }

    fn set(&mut self, at: Nanos, setting: &str) {
        let hex = |text: &str| u32::from_str_radix(text, 16).ok();
        let number = match self.habits.bus {
            Bus::J1850Pwm => 1,
            Bus::J1850Vpw => 2,
            Bus::Iso9141 => 3,
            Bus::Kwp5Baud => 4,
            Bus::KwpFast => 5,
            Bus::Can { wide, kbit_s } => 6 + u32::from(wide) + if kbit_s == 250 { 2 } else { 0 },
            Bus::Doip => unreachable!("no AT-command adapter speaks it"),
        };
        match setting {
            "Z" | "WS" | "D" => {
                self.reset();
                let banner = self.habits.banner;
                let at = at + self.habits.reset_ns;
                return self.print(at, &format!("|{banner}"), true);
            }
            "I" => return self.print(at, self.habits.banner, true),
            "RV" => return self.print(at, "12.4V", true),
            "DPN" => return self.print(at, &format!("A{number}"), true),
            "DP" => return self.print(at, "AUTO, ISO 15765-4 (CAN 11/500)", true),
            "E0" => self.echo = false,
            "L0" => self.feeds = false,
            "S0" => self.spaces = false,
            "H1" => self.headers = true,
            "CRA" | "AR" => self.filter = None,
            _ => {}
        }
        if let Some(wait) = setting.strip_prefix("ST").and_then(hex) {
            self.wait_ns = Nanos::from(wait) * 4 * MS;
        } else if let Some(priority) = setting.strip_prefix("CP").and_then(hex) {
            self.priority = priority;
        } else if let Some(header) = setting.strip_prefix("SH").and_then(hex) {
            let wide = matches!(self.habits.bus, Bus::Can { wide: true, .. });
            self.header = Some(if wide { header | self.priority << 24 } else { header });
        } else if let Some(id) = setting.strip_prefix("CRA").and_then(hex) {
            self.filter = Some(id);
        } else if let Some(wanted) = setting.strip_prefix("SP").and_then(hex) {
            self.started = false;
            // A wrong network stays wrong.
            self.header = None;
            self.sessions.insert("protocol", wanted);
        }
        self.print(at, "OK", true);
    }

    fn request(&mut self, at: Nanos, command: &str) {
        if !command.bytes().all(|b| b.is_ascii_hexdigit()) || command.is_empty() {
            return self.print(at, "?", true);
        }
        let (digits, count) = command.split_at(command.len() / 2 * 2);
        let count = usize::from_str_radix(count, 16).ok();
        if count.is_some() && !self.habits.takes_count {
            return self.print(at, "?", true);
        }
        let bytes: Vec<u8> = (0..digits.len() / 2)
            .map(|idx| u8::from_str_radix(&digits[idx * 2..idx * 2 + 2], 16).expect("hex"))
            .collect();
        let number = match self.habits.bus {
            Bus::Can { wide, kbit_s } => 6 + u32::from(wide) + if kbit_s == 250 { 2 } else { 0 },
            Bus::KwpFast => 5,
            Bus::Kwp5Baud => 4,
            Bus::Iso9141 => 3,
            Bus::J1850Vpw => 2,
            Bus::J1850Pwm => 1,
            Bus::Doip => unreachable!("no AT-command adapter speaks it"),
        };
        let wanted = self.sessions.get("protocol").copied().unwrap_or(0);
        if wanted != 0 && wanted != number {
            return self.print(at + 300 * MS, "UNABLE TO CONNECT", true);
        }
        let mut lines = Vec::new();
        if !self.started {
            self.started = true;
            if !self.habits.progress.is_empty() {
                lines.push((at, self.habits.progress.to_owned()));
            }
        }
        self.n_requests += 1;
        let header = self.header.unwrap_or(match self.habits.bus {
            Bus::Can { wide: false, .. } => 0x7DF,
            Bus::Can { wide: true, .. } => 0x18DB_33F1,
            _ => 0x33,
        });
        let mut said = (self.car)(header, &bytes, self.n_requests);
        said.sort_by_key(|(tau, id, _)| (*tau, *id));
        let frame_ns = if self.habits.bus.is_can() { 222_000 } else { 5 * MS };
        let asked = at + frame_ns;
        // Frames of all modules in the order in which they come; long messages interleave.
        let mut frames: Vec<(Nanos, u32, usize, String)> = Vec::new();
        for (tau, id, message) in &said {
            if self.filter.is_some_and(|filter| filter != *id) {
                continue;
            }
            let printed = self.printed(*id, message);
            let n = printed.len();
            for (idx, line) in printed.into_iter().enumerate() {
                let nth = Nanos::try_from(idx + 1).expect("few");
                frames.push((asked + tau + nth * frame_ns, *id, usize::from(idx + 1 == n), line));
            }
        }
        frames.sort_by_key(|(at, id, ..)| (*at, *id));
        let mut last = asked;
        let mut n_counted = 0;
        for line in std::mem::take(&mut self.leftovers) {
            lines.push((asked, line));
            n_counted += 1;
            last = asked + 1;
        }
        for (arrived, _, ends, line) in frames {
            if count.is_some_and(|count| n_counted >= count) {
                if self.habits.keeps_leftovers {
                    self.leftovers.push(line);
                }
                continue;
            }
            // Modules that come after the adapter has stopped listening are not printed.
            if arrived > last.max(asked) + self.wait_ns {
                break;
            }
            last = arrived;
            lines.push((arrived, line));
            n_counted += if self.habits.counts_messages { ends } else { 1 };
        }
        let mut done = last;
        if count.is_none_or(|count| n_counted < count) {
            done = last + self.wait_ns;
        }
        if last == asked {
            lines.push((done, "NO DATA".to_owned()));
        }
        self.print_lines(&lines, done + self.habits.overhead_ns, true);
    }

    /// The lines of one message as set.
    fn printed(&self, id: u32, message: &[u8]) -> Vec<String> {
        let hex = |bytes: &[u8]| {
            let digits: Vec<String> = bytes.iter().map(|b| format!("{b:02X}")).collect();
            digits.join(if self.spaces { " " } else { "" })
        };
        let space = if self.spaces { " " } else { "" };
        let Bus::Can { wide, .. } = self.habits.bus else {
            return vec![self.printed_message(id, message, &hex)];
        };
        if !self.headers {
            if message.len() <= 7 {
                return vec![hex(message)];
            }
            let mut lines = vec![format!("{:03X}", message.len())];
            let (head, tail) = message.split_at(6);
            lines.push(format!("0:{space}{}", hex(head)));
            for (idx, piece) in tail.chunks(7).enumerate() {
                let mut piece = piece.to_vec();
                piece.resize(7, 0);
                lines.push(format!("{:X}:{space}{}", (idx + 1) % 16, hex(&piece)));
            }
            return lines;
        }
        let id = match (wide, self.spaces) {
            (false, _) => format!("{id:03X}{space}"),
            (true, false) => format!("{id:08X}"),
            (true, true) => format!("{} ", hex(&id.to_be_bytes())),
        };
        if message.len() <= 7 {
            let mut frame = vec![u8::try_from(message.len()).expect("short")];
            frame.extend(message);
            if self.habits.shows_padding {
                frame.resize(8, 0xAA);
            }
            return vec![format!("{id}{}", hex(&frame))];
        }
        let (head, tail) = message.split_at(6);
        let length = u16::try_from(message.len()).expect("short") | 0x1000;
        let mut lines = vec![format!("{id}{}", hex(&[&length.to_be_bytes(), head].concat()))];
        for (idx, piece) in tail.chunks(7).enumerate() {
            let mut frame = vec![0x20 | u8::try_from((idx + 1) % 16).expect("nibble")];
            frame.extend(piece);
            frame.resize(8, 0x55);
            lines.push(format!("{id}{}", hex(&frame)));
        }
        lines
    }

    fn printed_message(&self, id: u32, message: &[u8], hex: &dyn Fn(&[u8]) -> String) -> String {
        if !self.headers {
            return hex(message);
        }
        let from = u8::try_from(id).expect("node");
        let mut line = match self.habits.bus {
            Bus::KwpFast | Bus::Kwp5Baud => vec![0x80 | u8::try_from(message.len()).expect("short"), 0xF1, from],
            Bus::J1850Pwm => vec![0x41, 0x6B, from],
            _ => vec![0x48, 0x6B, from],
        };
        line.extend(message);
        let check = match self.habits.bus {
            Bus::J1850Pwm | Bus::J1850Vpw => crc8(&line),
            _ => line.iter().fold(0_u8, |sum, byte| sum.wrapping_add(*byte)),
        };
        line.push(check);
        hex(&line)
    }
}

/// SAE J1850 (reference value in the crate `protocol`).
fn crc8(bytes: &[u8]) -> u8 {
    let mut crc = 0xFF_u8;
    for byte in bytes {
        crc ^= byte;
        for _ in 0..8 {
            crc = if crc & 0x80 == 0 { crc << 1 } else { (crc << 1) ^ 0x1D };
        }
    }
    !crc
}

/// The bench as a way to open it.
#[derive(Clone)]
pub struct FakeDial(pub Arc<Mutex<Bench>>);

impl FakeDial {
    pub fn new(habits: Habits, car: Car) -> Self {
        let mut bench = Bench {
            now: 0,
            habits,
            car,
            heard: Vec::new(),
            n_interrupted: 0,
            plugged: true,
            out: VecDeque::new(),
            busy_until: 0,
            line_free: 0,
            n_answers: 0,
            n_requests: 0,
            partial: String::new(),
            echo: true,
            feeds: true,
            spaces: true,
            headers: false,
            wait_ns: 200 * MS,
            header: None,
            priority: 0x18,
            filter: None,
            started: false,
            sessions: HashMap::new(),
            leftovers: Vec::new(),
        };
        bench.reset();
        Self(Arc::new(Mutex::new(bench)))
    }

    pub fn bench(&self) -> std::sync::MutexGuard<'_, Bench> {
        self.0.lock().expect("one thread")
    }
}

impl Bench {
    /// Requests that the car has seen.
    pub fn n_requests(&self) -> u32 {
        self.n_requests
    }

    /// The supply dips: all settings are back to those of a reset, without a word.
    pub fn power_dip(&mut self) {
        self.reset();
    }

    fn lost() -> PortError {
        PortError::Lost { address: "fake".to_owned(), source: std::io::ErrorKind::BrokenPipe.into() }
    }
}

impl Dial for FakeDial {
    fn address(&self) -> &str {
        "fake"
    }

    fn dial(&mut self) -> Result<Box<dyn Port>, PortError> {
        let mut bench = self.bench();
        if !bench.plugged {
            let source = std::io::ErrorKind::NotFound.into();
            return Err(PortError::Open { address: "fake".to_owned(), source });
        }
        bench.out.clear();
        bench.partial.clear();
        Ok(Box::new(self.clone()))
    }

    fn now(&self) -> Nanos {
        self.bench().now
    }

    fn pause(&mut self, nanos: Nanos) {
        self.bench().now += nanos;
    }
}

impl Port for FakeDial {
    fn now(&self) -> Nanos {
        self.bench().now
    }

    fn write_all(&mut self, bytes: &[u8]) -> Result<(), PortError> {
        let mut bench = self.bench();
        if !bench.plugged {
            return Err(Bench::lost());
        }
        bench.take(bytes);
        Ok(())
    }

    fn read_until(&mut self, buffer: &mut [u8], deadline: Nanos) -> Result<usize, PortError> {
        let mut bench = self.bench();
        if !bench.plugged {
            return Err(Bench::lost());
        }
        match bench.out.front().copied() {
            Some((at, _)) if at <= deadline.max(bench.now) => bench.now = bench.now.max(at),
            _ => {
                bench.now = bench.now.max(deadline);
                return Ok(0);
            }
        }
        let mut n = 0;
        while let Some((at, byte)) = bench.out.front().copied() {
            if at > bench.now || n == buffer.len() {
                break;
            }
            bench.out.pop_front();
            buffer[n] = byte;
            n += 1;
        }
        Ok(n)
    }
}
