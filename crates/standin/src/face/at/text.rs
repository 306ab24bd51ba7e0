//! How frames and texts look on the serial line.

use super::settings::{Filter, Protocol};
use super::{Activity, AtFace, OUTPUT_LIMIT};
use crate::bus::{BusKind, CanFrame, CanId};
use protocol::Nanos;
use std::fmt::Write;

impl AtFace {
    /// Queues one character; it has arrived at the tester one character time after the line was free.
    pub(super) fn put(&mut self, at: Nanos, byte: u8) {
        let start = self.out_free.max(at);
        self.out_free = start + self.settings.char_ns();
        let quirks = &self.settings.quirks;
        let (lose, garbage) = (quirks.lose, quirks.garbage);
        if self.rng.chance(lose) {
            return;
        }
        let byte = if self.rng.chance(garbage) { (self.rng.uniform() * 256.0) as u8 } else { byte };
        self.out.push_back((self.out_free, byte));
    }

    /// Whether more characters wait than the output buffer holds.
    pub(super) fn overflowing(&self, at: Nanos) -> bool {
        self.out_free - at > OUTPUT_LIMIT * self.settings.char_ns()
    }

    pub(super) fn text(&mut self, at: Nanos, text: &str) {
        for byte in text.bytes() {
            self.put(at, byte);
        }
    }

    pub(super) fn newline(&mut self, at: Nanos) {
        self.put(at, b'\r');
        if self.state.linefeeds {
            self.put(at, b'\n');
        }
    }

    pub(super) fn line(&mut self, at: Nanos, text: &str) {
        self.text(at, text);
        self.newline(at);
    }

    /// Ends whatever was going on.
    pub(super) fn prompt(&mut self, at: Nanos) {
        self.activity = Activity::Idle;
        self.newline(at);
        self.put(at, b'>');
        self.prompt_at = self.out_free;
    }

    /// The identifier that header digits stand for on this bus.
    pub(super) fn id(&self, bus: BusKind, header: u32) -> CanId {
        if !bus.wide {
            CanId::Standard((header & 0x7FF) as u16)
        } else if header > 0xFF_FFFF {
            CanId::Extended(header & 0x1FFF_FFFF)
        } else {
            CanId::Extended((u32::from(self.state.priority) << 24 | header) & 0x1FFF_FFFF)
        }
    }

    /// Whether the receive filter lets this identifier through.
    pub(super) fn wanted(&self, id: CanId) -> bool {
        match (self.state.filter, id) {
            (Filter::Auto, CanId::Standard(id)) => id & 0x7F8 == 0x7E8,
            (Filter::Auto, CanId::Extended(id)) => id & 0x1FFF_FF00 == 0x18DA_F100,
            (Filter::Mask { value, mask }, CanId::Standard(id)) => u32::from(id) & mask == value & mask & 0x7FF,
            (Filter::Mask { value, mask }, CanId::Extended(id)) => id & mask == value & mask,
        }
    }

    /// Prints a received frame as the settings want it.
    pub(super) fn print_frame(&mut self, at: Nanos, frame: &CanFrame) {
        let mut text = String::new();
        let data = frame.data();
        let first = data.first().copied().unwrap_or(0);
        let kind = if self.state.format { first >> 4 } else { 0xF };
        let shown = match kind {
            0 if !self.state.headers => data.get(1..=usize::from(first & 0x0F)).unwrap_or(&data[1.min(data.len())..]),
            0 if !self.settings.quirks.padding_shown => data.get(..=usize::from(first & 0x0F)).unwrap_or(data),
            1 if !self.state.headers => {
                let length = usize::from(first & 0x0F) << 8 | usize::from(data.get(1).copied().unwrap_or(0));
                self.line(at, &format!("{length:03X}"));
                data.get(2..).unwrap_or(&[])
            }
            2 if !self.state.headers => &data[1..],
            _ => data,
        };
        let space = if self.state.spaces || self.settings.quirks.spaces_stuck { " " } else { "" };
        if self.state.headers {
            match frame.id {
                CanId::Standard(id) => _ = write!(text, "{id:03X}{space}"),
                CanId::Extended(id) => {
                    for byte in id.to_be_bytes() {
                        _ = write!(text, "{byte:02X}{space}");
                    }
                }
            }
            if self.state.show_dlc {
                _ = write!(text, "{:X}{space}", data.len());
            }
        } else if kind == 1 {
            _ = write!(text, "0:{space}");
        } else if kind == 2 {
            _ = write!(text, "{:X}:{space}", first & 0x0F);
        }
        for byte in shown {
            _ = write!(text, "{byte:02X}{space}");
        }
        let rx_error = self.settings.quirks.rx_error;
        if self.rng.chance(rx_error) {
            text.push_str("<RX ERROR");
        }
        self.line(at, &text);
    }

    /// The protocol in words or as a number, as `ATDP` and `ATDPN` tell it.
    pub(super) fn describe_protocol(&self, number: bool) -> String {
        let protocol = self.protocol.unwrap_or(Protocol(0));
        match (number, self.automatic, protocol.0) {
            (true, true, n) => format!("A{n:X}"),
            (true, false, n) => format!("{n:X}"),
            (false, _, 0) => "AUTO".to_owned(),
            (false, true, _) => format!("AUTO, {}", protocol.name()),
            (false, false, _) => protocol.name().to_owned(),
        }
    }
}
