//! Pass-thru libraries (SAE J2534): a shared library of the adapter's maker, loaded while the program runs.

mod api;

use std::path::{Path, PathBuf};

use protocol::{Bus, CanFrame, Nanos, header};

use crate::can::{CanDial, CanPort, Incoming, Mode};
use crate::clock::Clock;
use crate::kline::{KLineDial, KLinePort, Start, Started};
use crate::{LinkError, PortError};
use api::{Channel, Kind, Status};

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

impl PassThruDial {
    fn open(&mut self, kind: Kind) -> Result<PassThruPort, LinkError> {
        let channel = Channel::open(&self.library, kind)
            .map_err(|source| PortError::Open { address: self.address.clone(), source })?;
        self.about = format!("pass-thru {}", channel.about());
        Ok(PassThruPort { channel, address: self.address.clone(), clock: self.clock, trouble: None })
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
        Ok(Box::new(self.open(Kind::Can { kbit_s })?))
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
    /// Waits until `receive` has something or `deadline` has passed.
    fn wait<T>(
        &mut self,
        deadline: Nanos,
        receive: impl Fn(&mut Channel, u32) -> Result<Option<T>, Status>,
    ) -> Result<Option<(Nanos, T)>, PortError> {
        loop {
            // Whole milliseconds: the last one is not waited for, only looked at.
            let left_ms = self.clock.until(deadline).as_millis();
            let got = receive(&mut self.channel, u32::try_from(left_ms).unwrap_or(u32::MAX));
            let now = self.clock.now();
            match got.map_err(|status| self.lost(status))? {
                Some(got) => return Ok(Some((now, got))),
                None if now >= deadline => return Ok(None),
                None if left_ms == 0 => self.clock.pause(200_000),
                None => {}
            }
        }
    }

    fn lost(&self, status: Status) -> PortError {
        PortError::Lost { address: self.address.clone(), source: std::io::Error::other(status) }
    }
}

impl CanPort for PassThruPort {
    fn now(&self) -> Nanos {
        self.clock.now()
    }

    fn send(&mut self, frame: &CanFrame) -> Result<(), PortError> {
        match self.channel.send_frame(frame, SEND_MS) {
            Err(status) if status.is_timeout() => {
                self.trouble = Some("a frame did not get onto the bus: nobody acknowledges, or it is busy".to_owned());
                Ok(())
            }
            result => result.map_err(|status| self.lost(status)),
        }
    }

    fn receive_until(&mut self, deadline: Nanos) -> Result<Option<(Nanos, Incoming)>, PortError> {
        if let Some(trouble) = self.trouble.take() {
            return Ok(Some((self.clock.now(), Incoming::Trouble(trouble))));
        }
        let frame = self.wait(deadline, Channel::receive_frame)?;
        if self.channel.take_overrun() {
            self.trouble = Some("frames came faster than they were read: some were lost".to_owned());
        }
        Ok(frame.map(|(arrived_ns, frame)| (arrived_ns, Incoming::Frame(frame))))
    }

    fn supply_volts(&mut self) -> Option<f64> {
        self.channel.volts()
    }
}

impl KLineDial for PassThruDial {
    fn address(&self) -> &str {
        &self.address
    }

    fn dial(&mut self, bus: Bus) -> Result<Box<dyn KLinePort>, LinkError> {
        Ok(Box::new(self.open(if bus == Bus::Iso9141 { Kind::Iso9141 } else { Kind::Iso14230 })?))
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

impl KLinePort for PassThruPort {
    fn now(&self) -> Nanos {
        self.clock.now()
    }

    fn start(&mut self, how: Start, address: u8) -> Result<Option<Started>, PortError> {
        let started = match how {
            Start::FiveBaud => self.channel.five_baud_init(address).map(|keys| keys.map(Started::Keys)),
            Start::Fast => {
                let request = start_communication(address);
                self.channel.fast_init(&request).map(|answer| answer.map(Started::Answer))
            }
        };
        started.map_err(|status| self.lost(status))
    }

    fn send(&mut self, message: &[u8]) -> Result<bool, PortError> {
        match self.channel.send_message(message, SEND_MS) {
            Err(status) if status.is_timeout() => Ok(false),
            result => result.map(|()| true).map_err(|status| self.lost(status)),
        }
    }

    fn receive_until(&mut self, deadline: Nanos) -> Result<Option<(Nanos, Vec<u8>)>, PortError> {
        self.wait(deadline, Channel::receive_message)
    }

    fn supply_volts(&mut self) -> Option<f64> {
        self.channel.volts()
    }
}

/// "Start communication" of ISO 14230-2 with its header, from memory: to the emissions modules, or to one module.
fn start_communication(address: u8) -> [u8; 4] {
    [if address == header::EVERYONE { 0xC1 } else { 0x81 }, address, 0xF1, 0x81]
}
