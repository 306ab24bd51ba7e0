//! Adapters behind a serial port; a pseudo-terminal counts as one.

use std::path::{Path, PathBuf};
use std::time::Duration;

use protocol::Nanos;
use serial2::SerialPort;

use crate::clock::Clock;
use crate::stream::{Stream, StreamPort};
use crate::{Dial, Port, PortError};

/// Line rates tried when none is given, most likely first (common practice, no source).
const USUAL_BAUD: [u32; 6] = [115_200, 38_400, 9_600, 500_000, 230_400, 57_600];
const WRITE_LIMIT: Duration = Duration::from_secs(2);

/// Opens one serial port, at the given line rate or at the usual ones in turn.
#[derive(Debug)]
pub struct SerialDial {
    path: PathBuf,
    bauds: Vec<u32>,
    baud_idx: usize,
    address: String,
    clock: Clock,
}

impl SerialDial {
    /// `baud`: line rate; `None` to try the usual ones. `address`: what the user wrote, for messages.
    #[must_use]
    pub fn new(path: &Path, baud: Option<u32>, address: &str) -> Self {
        Self {
            path: path.to_owned(),
            bauds: baud.map_or_else(|| USUAL_BAUD.to_vec(), |baud| vec![baud]),
            baud_idx: 0,
            address: address.to_owned(),
            clock: Clock::new(),
        }
    }

    fn open(&self) -> std::io::Result<SerialPort> {
        let baud = self.bauds.get(self.baud_idx).copied().unwrap_or(USUAL_BAUD[0]);
        // A plain number means raw mode, 8 data bits, no parity, 1 stop bit, no flow control.
        let mut port = SerialPort::open(&self.path, baud)?;
        port.set_write_timeout(WRITE_LIMIT)?;
        claim(&port)?;
        port.discard_buffers()?;
        Ok(port)
    }
}

/// Keeps other programs from talking into the conversation.
#[cfg(unix)]
fn claim(port: &SerialPort) -> std::io::Result<()> {
    rustix::fs::flock(port, rustix::fs::FlockOperation::NonBlockingLockExclusive)
        .map_err(|_| std::io::Error::from(std::io::ErrorKind::ResourceBusy))?;
    rustix::termios::ioctl_tiocexcl(port)?;
    Ok(())
}

/// Serial ports are exclusive here anyway.
#[cfg(not(unix))]
fn claim(_port: &SerialPort) -> std::io::Result<()> {
    Ok(())
}

impl Dial for SerialDial {
    fn address(&self) -> &str {
        &self.address
    }

    fn dial(&mut self) -> Result<Box<dyn Port>, PortError> {
        let port = self.open().map_err(|source| PortError::Open { address: self.address.clone(), source })?;
        Ok(Box::new(StreamPort { stream: port, address: self.address.clone(), clock: self.clock }))
    }

    fn try_next(&mut self) -> bool {
        self.baud_idx = (self.baud_idx + 1) % self.bauds.len().max(1);
        self.baud_idx != 0
    }

    fn now(&self) -> Nanos {
        self.clock.now()
    }

    fn pause(&mut self, nanos: Nanos) {
        self.clock.pause(nanos);
    }
}

impl Stream for SerialPort {
    fn read_within(&mut self, buffer: &mut [u8], left: Duration) -> std::io::Result<usize> {
        // The system counts whole milliseconds: rounding up waits too long by less than one, rounding down would spin.
        let left_ms = left.as_nanos().div_ceil(1_000_000);
        self.set_read_timeout(Duration::from_millis(u64::try_from(left_ms).unwrap_or(u64::MAX)))?;
        self.read(buffer)
    }

    fn write_all(&mut self, bytes: &[u8]) -> std::io::Result<()> {
        Self::write_all(self, bytes)
    }
}
