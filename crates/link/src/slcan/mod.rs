//! Serial-line CAN adapters: runs the text of [`protocol::slcan`] over a byte port.

use std::collections::VecDeque;

use protocol::slcan::{Command, Reader, Said, filter};
use protocol::{CanFrame, CanId, Nanos};

use crate::can::{CanDial, CanPort, Incoming, Mode};
use crate::{Dial, LinkError, Port, PortError};

const MS: Nanos = 1_000_000;
/// How long an adapter may take to answer a command; wireless ones stall for some tenths of a second now and then
/// (common practice, no source).
const ANSWER_NS: Nanos = 600 * MS;
/// Quiet time after which what was said before is over.
const QUIET_NS: Nanos = 30 * MS;

/// Opens a serial-line CAN adapter behind a byte port, at each line rate that the port knows.
pub struct SlcanDial {
    dial: Box<dyn Dial>,
    /// Whether only frames of diagnostics are to pass.
    is_filtered: bool,
    about: String,
    latency_ns: Nanos,
    notes: Vec<String>,
}

impl SlcanDial {
    /// `dial`: how to open the byte port.
    #[must_use]
    pub fn new(dial: Box<dyn Dial>) -> Self {
        Self { dial, is_filtered: false, about: String::new(), latency_ns: 0, notes: Vec::new() }
    }

    /// Lets the adapter pass only identifiers from 700 and those of diagnostics with 29 bits (18DAxxxx): on a busy network
    /// a slow line has no room for all frames. Nothing else can be heard then, and modules with other identifiers are not
    /// found.
    #[must_use]
    pub fn filtered(mut self) -> Self {
        self.is_filtered = true;
        self
    }

    fn attempt(&mut self, kbit_s: u16, mode: Mode) -> Result<Box<dyn CanPort>, LinkError> {
        let address = self.dial.address().to_owned();
        let port = self.dial.dial()?;
        let mut session = SlcanPort { port, reader: Reader::default(), incoming: VecDeque::new() };
        // Ends whatever line and session there were before.
        session.port.write_all(b"\r\r\rC\r")?;
        session.drain()?;
        let asked = session.port.now();
        let version = session.ask(&Command::Version, &address)?;
        self.latency_ns = session.port.now() - asked;
        let serial = session.ask(&Command::Serial, &address)?;
        let facts: Vec<String> = [version, serial].into_iter().flatten().collect();
        self.about = if facts.is_empty() {
            "serial-line CAN adapter".to_owned()
        } else {
            format!("serial-line CAN adapter {}", facts.join(" "))
        };
        self.notes.clear();
        let refused = |what: &str| LinkError::Unsendable(format!("the adapter at {address} refuses {what}"));
        let open = if mode == Mode::Normal { Command::Open } else { Command::Listen };
        let rate = Command::BitRate(kbit_s);
        session.order(&rate, &address)?.then_some(()).ok_or_else(|| refused(&format!("{kbit_s} kbit/s")))?;
        if self.is_filtered && mode == Mode::Normal {
            // Two filters, one for each width of identifiers. The second is for 11 bits: only the first one looks at data, at
            // all of a frame's first byte, whose lower half stands in the second word.
            let [(code, mask), (wide_code, wide_mask)] =
                [filter(CanId::Standard(0x700), 3), filter(CanId::Extended(0x18DA_0000), 13)];
            let both = |a: [u8; 4], b: [u8; 4]| [a[0], a[1], b[2], b[3]];
            let code = Command::AcceptanceCode(both(wide_code, code));
            let mask = Command::AcceptanceMask(both(wide_mask, mask));
            if !session.order(&code, &address)? || !session.order(&mask, &address)? {
                self.notes.push("it has no acceptance filter: all frames pass".to_owned());
            }
        }
        session.order(&open, &address)?.then_some(()).ok_or_else(|| refused("to open the CAN channel"))?;
        Ok(Box::new(session))
    }
}

impl CanDial for SlcanDial {
    fn address(&self) -> &str {
        self.dial.address()
    }

    fn dial(&mut self, kbit_s: u16, mode: Mode) -> Result<Box<dyn CanPort>, LinkError> {
        let mut first = None;
        loop {
            match self.attempt(kbit_s, mode) {
                // Silence and garbage are what a wrong line rate looks like.
                Err(error @ (LinkError::AdapterSilent { .. } | LinkError::NotAnAdapter { .. })) => {
                    let error = first.take().unwrap_or(error);
                    if !self.dial.try_next() {
                        return Err(error);
                    }
                    first = Some(error);
                }
                result => return result,
            }
        }
    }

    fn about(&self) -> String {
        self.about.clone()
    }

    fn notes(&self) -> Vec<String> {
        self.notes.clone()
    }

    fn passes_all(&self) -> bool {
        !self.is_filtered
    }

    fn latency_ns(&self) -> Nanos {
        self.latency_ns
    }

    fn now(&self) -> Nanos {
        self.dial.now()
    }

    fn pause(&mut self, nanos: Nanos) {
        self.dial.pause(nanos);
    }
}

struct SlcanPort {
    port: Box<dyn Port>,
    reader: Reader,
    incoming: VecDeque<(Nanos, Incoming)>,
}

impl SlcanPort {
    /// What has arrived by `deadline`, or nothing.
    fn said(&mut self, deadline: Nanos) -> Result<Vec<Said>, PortError> {
        let mut buffer = [0; 4096];
        let n = self.port.read_until(&mut buffer, deadline)?;
        Ok(self.reader.read(buffer.get(..n).unwrap_or(&buffer)))
    }

    /// Passes over everything until the adapter is quiet.
    fn drain(&mut self) -> Result<(), PortError> {
        let mut buffer = [0; 4096];
        let end = self.port.now() + ANSWER_NS;
        loop {
            let now = self.port.now();
            if self.port.read_until(&mut buffer, end.min(now + QUIET_NS))? == 0 || self.port.now() >= end {
                self.reader = Reader::default();
                return Ok(());
            }
        }
    }

    /// Asks for a fact; `None` when the adapter has none.
    fn ask(&mut self, command: &Command, address: &str) -> Result<Option<String>, LinkError> {
        match self.answer(command, address)? {
            Said::Fact(fact) => Ok(Some(fact)),
            _ => Ok(None),
        }
    }

    /// Whether the adapter does as it is told.
    fn order(&mut self, command: &Command, address: &str) -> Result<bool, LinkError> {
        Ok(self.answer(command, address)? == Said::Done)
    }

    fn answer(&mut self, command: &Command, address: &str) -> Result<Said, LinkError> {
        let Some(text) = command.text() else { return Ok(Said::Refused) };
        self.port.write_all(&text)?;
        let end = self.port.now() + ANSWER_NS;
        let mut odd = None;
        while self.port.now() < end {
            for said in self.said(end)? {
                match said {
                    Said::Frame(_) | Said::Sent => {}
                    Said::Unknown(text) => odd = Some(text),
                    said => return Ok(said),
                }
            }
        }
        let address = address.to_owned();
        let asked = String::from_utf8_lossy(&text).trim_end().to_owned();
        Err(match odd {
            Some(said) => LinkError::NotAnAdapter { address, said },
            None => LinkError::AdapterSilent { address, asked, waited_ms: (ANSWER_NS / MS).unsigned_abs() },
        })
    }
}

impl CanPort for SlcanPort {
    fn now(&self) -> Nanos {
        self.port.now()
    }

    fn send(&mut self, frame: &CanFrame) -> Result<(), PortError> {
        match Command::Send(frame.clone()).text() {
            Some(text) => self.port.write_all(&text),
            None => Ok(()),
        }
    }

    fn receive_until(&mut self, deadline: Nanos) -> Result<Option<(Nanos, Incoming)>, PortError> {
        loop {
            if let Some(incoming) = self.incoming.pop_front() {
                return Ok(Some(incoming));
            }
            let said = self.said(deadline)?;
            let now = self.port.now();
            for said in said {
                let incoming = match said {
                    Said::Frame(frame) => Incoming::Frame(frame),
                    Said::Refused => Incoming::Trouble(
                        "the adapter could not send: no module acknowledges frames, or its buffer is full".to_owned(),
                    ),
                    Said::Unknown(text) => {
                        Incoming::Trouble(format!("the adapter said something unreadable: `{text}`"))
                    }
                    Said::Done | Said::Sent | Said::Fact(_) => continue,
                };
                self.incoming.push_back((now, incoming));
            }
            if self.incoming.is_empty() && now >= deadline {
                return Ok(None);
            }
        }
    }
}

impl Drop for SlcanPort {
    /// Leaves the network: an adapter that stays in it goes on acknowledging and filling its buffers.
    fn drop(&mut self) {
        if let Some(text) = Command::Close.text() {
            // Whether it is still there does not matter any more.
            let _ = self.port.write_all(&text);
        }
    }
}
