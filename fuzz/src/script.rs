//! Bytes with times between them, as one input.
//!
//! `FF` is an escape: the byte behind it says how long nothing comes (`FF FF` is a plain `FF`). So text that a fuzzer
//! makes up is mostly text, and every mutation of a script is a script.

use std::sync::{Arc, Mutex};

use link::{Port, PortError};
use protocol::Nanos;

/// Longest single wait of a port.
const LONGEST_WAIT_NS: Nanos = 3_600_000_000_000;

const MS: Nanos = 1_000_000;
const ESCAPE: u8 = 0xFF;

/// Something that arrives.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Arrival {
    /// How long nothing came before it; `None`: until whoever waits gives up.
    pub(crate) after_ns: Option<Nanos>,
    /// What came.
    pub(crate) bytes: Vec<u8>,
}

/// Up to 127 ms in steps of 1 ms, then up to 5.5 s in steps of 50 ms, then without end.
fn wait_ns(code: u8) -> Option<Nanos> {
    match code {
        0..=0x7F => Some(Nanos::from(code) * MS),
        0x80..=0xEF => Some(Nanos::from(code - 0x7F) * 50 * MS),
        _ => None,
    }
}

/// What arrives, by an input.
pub(crate) fn arrivals(input: &[u8]) -> Vec<Arrival> {
    let mut all = vec![Arrival { after_ns: Some(0), bytes: Vec::new() }];
    let mut bytes = input.iter();
    while let Some(byte) = bytes.next() {
        let plain = match (byte, bytes.as_slice().first()) {
            (&ESCAPE, Some(&ESCAPE)) => bytes.next().map(|_| ESCAPE),
            (&ESCAPE, code) => {
                all.push(Arrival { after_ns: code.map_or(Some(0), |code| wait_ns(*code)), bytes: Vec::new() });
                bytes.next();
                None
            }
            _ => Some(*byte),
        };
        if let (Some(byte), Some(last)) = (plain, all.last_mut()) {
            last.bytes.push(byte);
        }
    }
    all
}

/// Adds an arrival to an input; waits are rounded to what the escape can say.
pub(crate) fn add(input: &mut Vec<u8>, arrival: &Arrival) {
    let code = match arrival.after_ns {
        None => 0xF0,
        Some(ns) if ns < 0x80 * MS => u8::try_from(ns.max(0) / MS).unwrap_or(0),
        Some(ns) => u8::try_from(0x7F + (ns / (50 * MS)).min(0x70)).unwrap_or(0xEF),
    };
    input.extend([ESCAPE, code]);
    for byte in &arrival.bytes {
        input.extend(std::iter::repeat_n(*byte, if *byte == ESCAPE { 2 } else { 1 }));
    }
}

/// A port that nobody listens at and that brings what a script says, on a clock of its own.
pub(crate) struct ScriptedPort {
    arrivals: std::vec::IntoIter<Arrival>,
    /// What comes next, and when.
    next: Option<(Nanos, Vec<u8>)>,
    heard: Arc<Mutex<Vec<u8>>>,
    now: Nanos,
}

impl ScriptedPort {
    /// `heard`: takes what was handed over.
    pub(crate) fn new(script: &[u8], heard: &Arc<Mutex<Vec<u8>>>) -> Self {
        Self { arrivals: arrivals(script).into_iter(), next: None, heard: heard.clone(), now: 0 }
    }
}

impl Port for ScriptedPort {
    fn now(&self) -> Nanos {
        self.now
    }

    fn write_all(&mut self, _: &[u8]) -> Result<(), PortError> {
        Ok(())
    }

    fn read_until(&mut self, buffer: &mut [u8], deadline: Nanos) -> Result<usize, PortError> {
        let deadline = deadline.clamp(self.now, self.now + LONGEST_WAIT_NS);
        while self.next.is_none() {
            match self.arrivals.next() {
                Some(Arrival { after_ns: Some(after_ns), bytes }) => self.next = Some((self.now + after_ns, bytes)),
                Some(Arrival { after_ns: None, bytes }) => {
                    self.next = Some((deadline, bytes));
                    self.now = deadline;
                    return Ok(0);
                }
                None => break,
            }
        }
        let Some((at, mut bytes)) = self.next.take_if(|(at, _)| *at <= deadline) else {
            self.now = deadline;
            return Ok(0);
        };
        self.now = self.now.max(at);
        let rest = bytes.split_off(bytes.len().min(buffer.len()));
        buffer[..bytes.len()].copy_from_slice(&bytes);
        self.heard.lock().unwrap().extend(&bytes);
        self.next = (!rest.is_empty()).then_some((at, rest));
        Ok(bytes.len())
    }
}

/// A port of something real that writes down, as a script, what it brings.
pub(crate) struct RecordingPort {
    pub(crate) port: Box<dyn Port>,
    pub(crate) script: Arc<Mutex<Vec<u8>>>,
}

impl Port for RecordingPort {
    fn now(&self) -> Nanos {
        self.port.now()
    }

    fn write_all(&mut self, bytes: &[u8]) -> Result<(), PortError> {
        self.port.write_all(bytes)
    }

    fn read_until(&mut self, buffer: &mut [u8], deadline: Nanos) -> Result<usize, PortError> {
        let began = self.port.now();
        let n = self.port.read_until(buffer, deadline)?;
        let after_ns = (n > 0).then(|| self.port.now() - began);
        add(&mut self.script.lock().unwrap(), &Arrival { after_ns, bytes: buffer[..n].to_vec() });
        Ok(n)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_script_reads_back() {
        let arrival = |ns: Option<Nanos>, bytes: &[u8]| Arrival { after_ns: ns, bytes: bytes.to_vec() };
        let all = [
            arrival(Some(0), b"OK\r"),
            arrival(Some(5 * MS), &[0xFF, 1]),
            arrival(None, b"x"),
            arrival(Some(150 * MS), b""),
        ];
        let mut input = Vec::new();
        all.iter().for_each(|arrival| add(&mut input, arrival));
        assert_eq!(arrivals(&input)[1..], all);
    }

    #[test]
    fn every_input_is_a_script() {
        assert_eq!(arrivals(&[]).len(), 1);
        assert_eq!(arrivals(&[0xFF])[1].after_ns, Some(0));
        assert_eq!(arrivals(&[0xFF, 0x81])[1].after_ns, Some(100 * MS));
        assert_eq!(arrivals(&[0xFF, 0xF0])[1].after_ns, None);
    }
}
