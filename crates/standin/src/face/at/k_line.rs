//! The adapter on a K-line: starts of communication, requests with headers of three bytes, messages with check sums.

use super::settings::Protocol;
use super::{Activity, AtFace, Waiting, ns};
use crate::bus::{KLine, k_line};
use crate::face::Wire;
use protocol::Nanos;
use std::fmt::Write;

impl AtFace {
    /// Whether the selected protocol is this car's K-line.
    pub(super) fn on_k_line(protocol: Protocol, wire: &dyn Wire) -> bool {
        let number = match wire.k_line() {
            Some(KLine::Iso9141) => 3,
            Some(KLine::Kwp5Baud) => 4,
            Some(KLine::KwpFast) => 5,
            None => return false,
        };
        protocol.0 == number
    }

    /// Whom requests go to: the second byte of the header, or everyone.
    fn k_target(&self, wire: &dyn Wire) -> u8 {
        match (wire.k_line(), self.state.header) {
            // The header of this network names no module.
            (Some(KLine::Iso9141), _) | (_, None) => k_line::EVERYONE,
            (_, Some(header)) => (header >> 8) as u8,
        }
    }

    /// Sends a request; opens the line first where it is closed.
    pub(super) fn k_send(
        &mut self,
        at: Nanos,
        protocol: Protocol,
        request: &[u8],
        expected: Option<u32>,
        wire: &mut dyn Wire,
    ) {
        let to = self.k_target(wire);
        if !self.connected {
            self.text(at, protocol.opening());
            // With the slow start the address goes out that was set for it.
            let start = if protocol.0 == 5 { to } else { self.k_address };
            let until = at + ns(protocol.failing_ms());
            self.activity = Activity::Opening { until, to: start, request: request.to_vec(), expected };
            return;
        }
        let is_asleep = at - self.k_traffic > k_line::P3_MAX_NS;
        let at = at.max(self.k_traffic + k_line::P3_MIN_NS);
        let sent = at + KLine::request_ns(request.len());
        self.k_queue =
            if is_asleep || self.k_open_to != to { Vec::new().into() } else { wire.k_ask(at, to, request).into() };
        self.k_traffic = self.k_queue.back().map_or(sent, |(last, _)| *last);
        let until = sent + ns(self.state.wait_ms());
        let open = Vec::new();
        self.activity = Activity::Waiting(Waiting { until, since: sent, expected, counted: 0, any: false, open });
    }

    /// The start of communication is over.
    pub(super) fn k_opened(&mut self, at: Nanos, to: u8, request: &[u8], expected: Option<u32>, wire: &mut dyn Wire) {
        if !wire.k_answers(to) {
            self.line(at, "ERROR");
            return self.prompt(at);
        }
        self.line(at, "OK");
        self.k_connected(at, to);
        self.send(at, request, expected, wire);
    }

    /// The line is open to this address from now on.
    pub(super) fn k_connected(&mut self, at: Nanos, to: u8) {
        self.connected = true;
        self.k_open_to = to;
        self.k_traffic = at;
    }

    /// A message that has passed by `at`; prints it if somebody waits for it.
    pub(super) fn k_message(&mut self, at: Nanos) {
        let Some((arrived, bytes)) = self.k_queue.pop_front_if(|(arrived, _)| *arrived <= at) else { return };
        let Activity::Waiting(waiting) = &mut self.activity else { return };
        waiting.until = arrived + ns(self.state.wait_ms());
        waiting.any = true;
        waiting.counted += 1;
        let is_enough = waiting.expected.is_some_and(|expected| waiting.counted >= expected);
        // A format byte without a length has one more byte behind the addresses (ISO 14230-2).
        let n_header = if bytes.first().is_some_and(|format| format & 0x3F == 0) { 4 } else { 3 };
        let data = || bytes.get(n_header..bytes.len().saturating_sub(1)).unwrap_or(&[]);
        let shown = if self.state.headers { bytes.as_slice() } else { data() };
        let space = if self.state.spaces || self.settings.quirks.spaces_stuck { " " } else { "" };
        let mut text = String::new();
        for byte in shown {
            _ = write!(text, "{byte:02X}{space}");
        }
        self.line(at, &text);
        if is_enough {
            self.k_queue.clear();
            self.prompt(at);
        }
    }
}
