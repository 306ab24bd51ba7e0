//! Adapters behind a TCP socket.

use std::io::{ErrorKind, Read, Write};
use std::net::{TcpStream, ToSocketAddrs};
use std::time::Duration;

use protocol::Nanos;

use crate::clock::Clock;
use crate::stream::{Stream, StreamPort};
use crate::{Dial, Port, PortError};

/// How long a connection may take to come about.
pub(crate) const CONNECT_LIMIT: Duration = Duration::from_secs(5);
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

    pub(crate) fn clock(&self) -> Clock {
        self.clock
    }

    pub(crate) fn connect(&self) -> std::io::Result<TcpStream> {
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
        Ok(Box::new(StreamPort { stream, address: self.address.clone(), clock: self.clock }))
    }

    fn now(&self) -> Nanos {
        self.clock.now()
    }

    fn pause(&mut self, nanos: Nanos) {
        self.clock.pause(nanos);
    }
}

impl Stream for TcpStream {
    fn read_within(&mut self, buffer: &mut [u8], left: Duration) -> std::io::Result<usize> {
        // A time-out of zero would mean to wait for ever.
        if left.is_zero() {
            self.set_nonblocking(true)?;
            let read = self.read(buffer);
            self.set_nonblocking(false)?;
            return read;
        }
        self.set_read_timeout(Some(left))?;
        self.read(buffer)
    }

    fn write_all(&mut self, bytes: &[u8]) -> std::io::Result<()> {
        Write::write_all(self, bytes)
    }
}
