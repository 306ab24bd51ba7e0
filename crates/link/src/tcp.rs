//! Adapters behind a TCP socket.

use std::io::{ErrorKind, Read, Write};
use std::net::{TcpStream, ToSocketAddrs};
use std::time::Duration;

use protocol::Nanos;

use crate::clock::Clock;
use crate::{Dial, Port, PortError};

const CONNECT_LIMIT: Duration = Duration::from_secs(5);
const WRITE_LIMIT: Duration = Duration::from_secs(2);

/// Opens TCP connections to one adapter.
#[derive(Debug)]
pub struct TcpDial {
    host: String,
    port: u16,
    address: String,
    clock: Clock,
}

impl TcpDial {
    /// `address`: what the user wrote, for messages.
    #[must_use]
    pub fn new(host: &str, port: u16, address: &str) -> Self {
        Self { host: host.to_owned(), port, address: address.to_owned(), clock: Clock::new() }
    }

    fn connect(&self) -> std::io::Result<TcpStream> {
        let mut last = std::io::Error::new(ErrorKind::NotFound, "the name has no address");
        for address in (self.host.as_str(), self.port).to_socket_addrs()? {
            match TcpStream::connect_timeout(&address, CONNECT_LIMIT) {
                Ok(stream) => {
                    // A request is a few bytes and must leave at once.
                    stream.set_nodelay(true)?;
                    stream.set_write_timeout(Some(WRITE_LIMIT))?;
                    return Ok(stream);
                }
                Err(error) => last = error,
            }
        }
        Err(last)
    }
}

impl Dial for TcpDial {
    fn address(&self) -> &str {
        &self.address
    }

    fn dial(&mut self) -> Result<Box<dyn Port>, PortError> {
        let stream = self.connect().map_err(|source| PortError::Open { address: self.address.clone(), source })?;
        Ok(Box::new(TcpPort { stream, address: self.address.clone(), clock: self.clock }))
    }

    fn now(&self) -> Nanos {
        self.clock.now()
    }

    fn pause(&mut self, nanos: Nanos) {
        self.clock.pause(nanos);
    }
}

struct TcpPort {
    stream: TcpStream,
    address: String,
    clock: Clock,
}

impl TcpPort {
    fn lost(&self, source: std::io::Error) -> PortError {
        PortError::Lost { address: self.address.clone(), source }
    }

    fn read_once(&mut self, buffer: &mut [u8], deadline: Nanos) -> std::io::Result<usize> {
        let left = self.clock.until(deadline);
        if left.is_zero() {
            self.stream.set_nonblocking(true)?;
            let read = self.stream.read(buffer);
            self.stream.set_nonblocking(false)?;
            return read;
        }
        self.stream.set_read_timeout(Some(left))?;
        self.stream.read(buffer)
    }
}

impl Port for TcpPort {
    fn now(&self) -> Nanos {
        self.clock.now()
    }

    fn write_all(&mut self, bytes: &[u8]) -> Result<(), PortError> {
        self.stream.write_all(bytes).map_err(|source| self.lost(source))
    }

    fn read_until(&mut self, buffer: &mut [u8], deadline: Nanos) -> Result<usize, PortError> {
        loop {
            match self.read_once(buffer, deadline) {
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
