//! Ports over the operating system's byte streams.

use std::io::ErrorKind;
use std::time::Duration;

use protocol::Nanos;

use crate::clock::Clock;
use crate::{Port, PortError};

/// A byte stream that can wait for a limited time.
pub(crate) trait Stream: Send {
    /// Reads what is there, or waits up to `left` for something; zero: does not wait. A wait that ends early with
    /// `WouldBlock` or `TimedOut` is repeated.
    fn read_within(&mut self, buffer: &mut [u8], left: Duration) -> std::io::Result<usize>;

    /// Writes all bytes, in bounded time.
    fn write_all(&mut self, bytes: &[u8]) -> std::io::Result<()>;
}

/// A stream as a port.
pub(crate) struct StreamPort<S> {
    pub(crate) stream: S,
    pub(crate) address: String,
    pub(crate) clock: Clock,
}

impl<S> StreamPort<S> {
    fn lost(&self, source: std::io::Error) -> PortError {
        PortError::Lost { address: self.address.clone(), source }
    }
}

impl<S: Stream> Port for StreamPort<S> {
    fn now(&self) -> Nanos {
        self.clock.now()
    }

    fn write_all(&mut self, bytes: &[u8]) -> Result<(), PortError> {
        self.stream.write_all(bytes).map_err(|source| self.lost(source))
    }

    fn read_until(&mut self, buffer: &mut [u8], deadline: Nanos) -> Result<usize, PortError> {
        loop {
            match self.stream.read_within(buffer, self.clock.until(deadline)) {
                Ok(0) => return Err(self.lost(ErrorKind::UnexpectedEof.into())),
                Ok(n) => return Ok(n),
                Err(error) => match error.kind() {
                    ErrorKind::Interrupted => {}
                    ErrorKind::WouldBlock | ErrorKind::TimedOut => {
                        if self.clock.now() >= deadline {
                            return Ok(0);
                        }
                    }
                    _ => return Err(self.lost(error)),
                },
            }
        }
    }
}
