//! How this particular adapter behaves: its speed, and the habits of clones.

use crate::bus::BusKind;
use protocol::Nanos;

/// What the digit after a request counts.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(crate) enum CountMode {
    /// Lines as printed, one per frame.
    #[default]
    Lines,
    /// Complete messages.
    Messages,
    /// The digit is not understood: `?`.
    Refused,
}

/// Habits of clones that a client has to live with. All off by default.
#[derive(Debug, Clone, PartialEq, Default)]
pub(crate) struct Quirks {
    /// Echo cannot be switched off, though the answer is `OK`.
    pub echo_stuck: bool,
    /// Spaces cannot be switched off, though the answer is `OK`.
    pub spaces_stuck: bool,
    /// `ATH1` is not understood.
    pub headers_refused: bool,
    /// Padding of single frames is printed when headers are on.
    pub padding_shown: bool,
    /// Commands that are answered `?`: each entry is the start of a command without `AT`, upper case.
    pub unknown: Vec<String>,
    /// Probability that a character towards the tester is lost.
    pub lose: f64,
    /// Probability that a character towards the tester is replaced by any other byte.
    pub garbage: f64,
    /// Mean seconds between resets by themselves; 0 for never.
    pub reset_every_s: f64,
    /// Mean seconds between losses of all settings without a word, as a dip of the supply may cause; 0 for never.
    pub forget_every_s: f64,
    /// A text that is printed instead of an answer, and how probably.
    pub(crate) say: Option<(String, f64)>,
    /// Probability that a frame is printed damaged, with the adapter's error mark.
    pub rx_error: f64,
}

/// Everything about an adapter that the user of the stand-in can set.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct AtSettings {
    /// Characters take ten bits each at this rate.
    pub baud: u32,
    /// From the end of a command to the start of what it does, ms.
    pub overhead_ms: f64,
    /// Meaning of the digit after a request.
    pub count: CountMode,
    /// Habits.
    pub quirks: Quirks,
}

impl Default for AtSettings {
    fn default() -> Self {
        Self { baud: 115_200, overhead_ms: 0.0, count: CountMode::Lines, quirks: Quirks::default() }
    }
}

impl AtSettings {
    /// Time of one character: start bit, eight data bits, stop bit.
    pub(crate) fn char_ns(&self) -> Nanos {
        10_000_000_000 / Nanos::from(self.baud.max(1))
    }
}

/// What the tester has set with commands; lost on reset.
#[derive(Debug, Clone)]
pub(super) struct State {
    pub(super) echo: bool,
    pub(super) linefeeds: bool,
    pub(super) spaces: bool,
    pub(super) headers: bool,
    pub(super) show_dlc: bool,
    pub(super) responses: bool,
    pub(super) format: bool,
    pub(super) flow_control: bool,
    pub(super) adaptive: u8,
    /// Units of 4 ms.
    pub(super) timeout: u8,
    pub(super) header: Option<u32>,
    pub(super) priority: u8,
    pub(super) filter: Filter,
    pub(super) flow_mode: u8,
    pub(super) flow_header: Option<u32>,
    pub(super) flow_data: Option<Vec<u8>>,
    /// Longest answer time seen lately, ms; steers the adaptive time-out.
    pub(super) slowest_ms: Option<f64>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Filter {
    /// The legislated answers.
    Auto,
    /// `id & mask == value & mask`.
    Mask { value: u32, mask: u32 },
}

impl Default for State {
    fn default() -> Self {
        Self {
            echo: true,
            linefeeds: false,
            spaces: true,
            headers: false,
            show_dlc: false,
            responses: true,
            format: true,
            flow_control: true,
            adaptive: 1,
            timeout: 0x32,
            header: None,
            priority: 0x18,
            filter: Filter::Auto,
            flow_mode: 0,
            flow_header: None,
            flow_data: None,
            slowest_ms: None,
        }
    }
}

impl State {
    /// How long to wait for the next line, ms. The steps of adaptive timing are this adapter's own: never longer than
    /// the set time-out, and down to a small multiple of the slowest answer seen lately.
    pub(super) fn wait_ms(&self) -> f64 {
        let set = f64::from(self.timeout) * 4.0;
        match (self.adaptive, self.slowest_ms) {
            (1, Some(slowest)) => set.min((2.0 * slowest + 12.0).max(24.0)),
            (2, Some(slowest)) => set.min((1.3 * slowest + 6.0).max(12.0)),
            _ => set,
        }
    }

    pub(super) fn learn(&mut self, answer_ms: f64) {
        let faded = self.slowest_ms.map_or(0.0, |slowest| slowest * 0.95);
        self.slowest_ms = Some(faded.max(answer_ms));
    }

    pub(super) fn learn_silence(&mut self) {
        self.slowest_ms = self.slowest_ms.map(|slowest| 2.0 * slowest + 4.0);
    }
}

/// A protocol number of the AT-command language.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Protocol(pub(super) u8);

impl Protocol {
    pub(super) fn bus(self) -> Option<BusKind> {
        match self.0 {
            6 => Some(BusKind { wide: false, kbit_s: 500 }),
            7 => Some(BusKind { wide: true, kbit_s: 500 }),
            8 => Some(BusKind { wide: false, kbit_s: 250 }),
            9 => Some(BusKind { wide: true, kbit_s: 250 }),
            _ => None,
        }
    }

    pub(super) fn name(self) -> &'static str {
        match self.0 {
            1 => "SAE J1850 PWM",
            2 => "SAE J1850 VPW",
            3 => "ISO 9141-2",
            4 => "ISO 14230-4 (KWP 5BAUD)",
            5 => "ISO 14230-4 (KWP FAST)",
            6 => "ISO 15765-4 (CAN 11/500)",
            7 => "ISO 15765-4 (CAN 29/500)",
            8 => "ISO 15765-4 (CAN 11/250)",
            9 => "ISO 15765-4 (CAN 29/250)",
            _ => "",
        }
    }

    /// What is printed while a K-line is opened: the slow start shows three bytes that go to and fro.
    pub(super) fn opening(self) -> &'static str {
        match self.0 {
            3 | 4 => "BUS INIT: ...",
            5 => "BUS INIT: ",
            _ => "",
        }
    }

    /// How long an attempt takes when no such network is there: two short messages on J1850; the 5-baud address of
    /// 2 s with its pauses, or the fast start with its answer window, on the K-line (reference page 3.6).
    pub(super) fn failing_ms(self) -> f64 {
        match self.0 {
            1 | 2 => 120.0,
            3 | 4 => 2700.0,
            5 => 400.0,
            _ => 60.0,
        }
    }
}
