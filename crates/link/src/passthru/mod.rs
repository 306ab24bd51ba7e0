//! Pass-thru libraries (SAE J2534): a shared library of the adapter's maker, loaded while the program runs.

mod api;

use std::path::{Path, PathBuf};

use protocol::{CanFrame, Nanos};

use crate::can::{CanDial, CanPort, Incoming, Mode};
use crate::clock::Clock;
use crate::{LinkError, PortError};
use api::Channel;

/// How long a frame may take to get onto the bus; N_As of ISO 15765-2 is 1 s, and nobody waits that long for nothing.
const SEND_MS: u32 = 200;

/// Opens the first device of a pass-thru library.
pub struct PassThruDial {
    library: PathBuf,
    address: String,
    clock: Clock,
    about: String,
}

impl PassThruDial {
    /// `library`: the shared library; it must have the word size of this program. `address`: what the user wrote.
    #[must_use]
    pub fn new(library: &Path, address: &str) -> Self {
        let (library, address) = (library.to_owned(), address.to_owned());
        Self { library, address, clock: Clock::new(), about: String::new() }
    }
}

impl CanDial for PassThruDial {
    fn address(&self) -> &str {
        &self.address
    }

    fn dial(&mut self, kbit_s: u16, mode: Mode) -> Result<Box<dyn CanPort>, LinkError> {
        if mode == Mode::ListenOnly {
            return Err(LinkError::Unsendable("pass-thru libraries cannot listen alone".to_owned()));
        }
        let channel = Channel::open(&self.library, kbit_s)
            .map_err(|source| PortError::Open { address: self.address.clone(), source })?;
        self.about = format!("pass-thru {}", channel.about());
        Ok(Box::new(PassThruPort { channel, address: self.address.clone(), clock: self.clock, trouble: None }))
    }

    fn about(&self) -> String {
        self.about.clone()
    }

    fn now(&self) -> Nanos {
        self.clock.now()
    }

    fn pause(&mut self, nanos: Nanos) {
        self.clock.pause(nanos);
    }
}

struct PassThruPort {
    channel: Channel,
    address: String,
    clock: Clock,
    trouble: Option<String>,
}

impl PassThruPort {
    fn lost(&self, status: api::Status) -> PortError {
        PortError::Lost { address: self.address.clone(), source: std::io::Error::other(status) }
    }
}

impl CanPort for PassThruPort {
    fn now(&self) -> Nanos {
        self.clock.now()
    }

    fn send(&mut self, frame: &CanFrame) -> Result<(), PortError> {
        match self.channel.send(frame, SEND_MS) {
            Err(status) if status.is_timeout() => {
                self.trouble = Some("a frame did not get onto the bus: nobody acknowledges, or it is busy".to_owned());
                Ok(())
            }
            result => result.map_err(|status| self.lost(status)),
        }
    }

    fn receive_until(&mut self, deadline: Nanos) -> Result<Option<(Nanos, Incoming)>, PortError> {
        loop {
            if let Some(trouble) = self.trouble.take() {
                return Ok(Some((self.clock.now(), Incoming::Trouble(trouble))));
            }
            // Whole milliseconds: the last one is not waited for, only looked at.
            let left_ms = self.clock.until(deadline).as_millis();
            let frame = self.channel.receive(u32::try_from(left_ms).unwrap_or(u32::MAX));
            let now = self.clock.now();
            match frame.map_err(|status| self.lost(status))? {
                Some(frame) => return Ok(Some((now, Incoming::Frame(frame)))),
                None if now >= deadline => return Ok(None),
                None if left_ms == 0 => self.clock.pause(200_000),
                None => {}
            }
        }
    }

    fn supply_volts(&mut self) -> Option<f64> {
        self.channel.volts()
    }
}
