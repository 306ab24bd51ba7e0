//! CAN interfaces of the Linux kernel.

use std::io::ErrorKind;
use std::time::Duration;

use protocol::{CanFrame, CanId, Nanos};
use socketcan::{
    CanAnyFrame, CanDataFrame, CanError, CanFdFrame, CanFdSocket, CanInterface, EmbeddedFrame as _, ExtendedId, Id,
    Socket as _, SocketOptions as _, StandardId,
};

use crate::can::{CanDial, CanPort, Incoming, Mode};
use crate::clock::Clock;
use crate::{LinkError, PortError};

/// Opens one CAN interface. Its bit rate belongs to the system's configuration and is not changed.
pub struct SocketCanDial {
    interface: String,
    address: String,
    clock: Clock,
    kbit_s: Option<u16>,
    is_fd: bool,
}

impl SocketCanDial {
    /// `interface`: such as `can0`; `address`: what the user wrote, for messages.
    #[must_use]
    pub fn new(interface: &str, address: &str) -> Self {
        let details = CanInterface::open(interface).ok();
        let bit_s = details.as_ref().and_then(|details| details.bit_rate().ok().flatten());
        let kbit_s = bit_s.and_then(|bit_s| u16::try_from(bit_s / 1000).ok()).filter(|kbit_s| *kbit_s > 0);
        let mtu = std::fs::read_to_string(format!("/sys/class/net/{interface}/mtu")).ok();
        // The largest transfer unit is the size of a frame in memory: 16 bytes classical, 72 bytes CAN FD.
        let is_fd = mtu.and_then(|mtu| mtu.trim().parse::<u32>().ok()).is_some_and(|mtu| mtu >= 72);
        Self { interface: interface.to_owned(), address: address.to_owned(), clock: Clock::new(), kbit_s, is_fd }
    }
}

impl CanDial for SocketCanDial {
    fn address(&self) -> &str {
        &self.address
    }

    fn dial(&mut self, _kbit_s: u16, mode: Mode) -> Result<Box<dyn CanPort>, LinkError> {
        let open = || {
            if !std::path::Path::new("/sys/class/net").join(&self.interface).exists() {
                return Err(std::io::Error::new(ErrorKind::NotFound, "there is no such interface"));
            }
            if !is_up(&self.interface) {
                return Err(std::io::Error::new(ErrorKind::NotConnected, "the interface is down"));
            }
            let socket = CanFdSocket::open(&self.interface)?;
            socket.set_error_filter_accept_all()?;
            bounded(socket)
        };
        if mode == Mode::ListenOnly {
            return Err(LinkError::Unsendable("listening alone is a setting of the interface".to_owned()));
        }
        let socket = open().map_err(|source| PortError::Open { address: self.address.clone(), source })?;
        Ok(Box::new(SocketCanPort { socket, address: self.address.clone(), clock: self.clock }))
    }

    fn bit_rates(&self) -> Vec<u16> {
        // A virtual interface has none; the usual one then stands for it.
        vec![self.kbit_s.unwrap_or(500)]
    }

    fn about(&self) -> String {
        let rate = self.kbit_s.map_or_else(|| "no bit rate".to_owned(), |kbit_s| format!("{kbit_s} kbit/s"));
        format!("CAN interface {} ({rate}{})", self.interface, if self.is_fd { ", CAN FD" } else { "" })
    }

    fn is_fd(&self) -> bool {
        self.is_fd
    }

    fn now(&self) -> Nanos {
        self.clock.now()
    }

    fn pause(&mut self, nanos: Nanos) {
        self.clock.pause(nanos);
    }
}

/// Whether an interface is configured to be up.
pub(crate) fn is_up(interface: &str) -> bool {
    const IFF_UP: u32 = 1;
    let flags = std::fs::read_to_string(format!("/sys/class/net/{interface}/flags")).unwrap_or_default();
    let number = flags.trim().strip_prefix("0x").and_then(|hex| u32::from_str_radix(hex, 16).ok());
    number.is_some_and(|flags| flags & IFF_UP != 0)
}

/// Writes to it come back: behind a long transmit queue on a bus that takes nothing, the socket's own buffer fills up first,
/// and the system would wait for room in it without end.
fn bounded(socket: CanFdSocket) -> std::io::Result<CanFdSocket> {
    socket.set_write_timeout(Duration::from_nanos(SEND_LIMIT_NS.unsigned_abs()))?;
    Ok(socket)
}

struct SocketCanPort {
    socket: CanFdSocket,
    address: String,
    clock: Clock,
}

/// How long a full send queue is waited for; then the bus does not take frames (N_As of ISO 15765-2).
const SEND_LIMIT_NS: Nanos = 1_000_000_000;

impl CanPort for SocketCanPort {
    fn now(&self) -> Nanos {
        self.clock.now()
    }

    fn send(&mut self, frame: &CanFrame) -> Result<(), PortError> {
        let id = match frame.id {
            CanId::Standard(id) => StandardId::new(id).map(Id::Standard),
            CanId::Extended(id) => ExtendedId::new(id).map(Id::Extended),
        };
        let frame = id.and_then(|id| {
            if frame.is_fd {
                CanFdFrame::new(id, &frame.data).map(CanAnyFrame::Fd)
            } else {
                CanDataFrame::new(id, &frame.data).map(CanAnyFrame::Normal)
            }
        });
        let Some(frame) = frame else { return Ok(()) };
        let end = self.clock.now().saturating_add(SEND_LIMIT_NS);
        loop {
            match self.socket.write_frame(&frame) {
                Ok(()) => return Ok(()),
                Err(error) if error.kind() == ErrorKind::Interrupted => {}
                // The queue is full (ENOBUFS): nobody acknowledges, or the bus is busy.
                Err(error) if error.raw_os_error() == Some(105) || error.kind() == ErrorKind::WouldBlock => {
                    if self.clock.now() >= end {
                        // The request stays unanswered, and an error frame says why.
                        return Ok(());
                    }
                    self.clock.pause(1_000_000);
                }
                Err(source) => return Err(PortError::Lost { address: self.address.clone(), source }),
            }
        }
    }

    fn receive_until(&mut self, deadline: Nanos) -> Result<Option<(Nanos, Incoming)>, PortError> {
        loop {
            let left = self.clock.until(deadline);
            let read = if left.is_zero() {
                self.socket.set_nonblocking(true).and_then(|()| {
                    let frame = self.socket.read_frame();
                    self.socket.set_nonblocking(false)?;
                    frame
                })
            } else {
                // A time-out of zero would mean to wait for ever, and the system rounds to microseconds.
                let left = left.max(Duration::from_micros(1));
                self.socket.set_read_timeout(left).and_then(|()| self.socket.read_frame())
            };
            let now = self.clock.now();
            match read {
                Ok(CanAnyFrame::Normal(frame)) => {
                    return Ok(Some((now, Incoming::Frame(taken(frame.id(), frame.data(), false)))));
                }
                Ok(CanAnyFrame::Fd(frame)) => {
                    return Ok(Some((now, Incoming::Frame(taken(frame.id(), frame.data(), true)))));
                }
                Ok(CanAnyFrame::Error(frame)) => {
                    let trouble = format!("the CAN controller reports: {}", CanError::from(frame));
                    return Ok(Some((now, Incoming::Trouble(trouble))));
                }
                Ok(CanAnyFrame::Remote(_)) => {}
                Err(error) => match error.kind() {
                    ErrorKind::Interrupted => {}
                    ErrorKind::WouldBlock | ErrorKind::TimedOut => {
                        if now >= deadline {
                            return Ok(None);
                        }
                    }
                    _ => return Err(PortError::Lost { address: self.address.clone(), source: error }),
                },
            }
        }
    }
}

fn taken(id: Id, data: &[u8], is_fd: bool) -> CanFrame {
    let id = match id {
        Id::Standard(id) => CanId::Standard(id.as_raw()),
        Id::Extended(id) => CanId::Extended(id.as_raw()),
    };
    CanFrame { id, data: data.to_vec(), is_fd }
}

#[cfg(test)]
mod tests {
    use std::os::fd::OwnedFd;
    use std::os::unix::net::UnixDatagram;

    use super::*;

    /// Linux, raw(7) of protocol CAN and socket(7): a send waits for room in the send buffer for as long as SO_SNDTIMEO says,
    /// without it for ever. Any socket behaves so; here one that nobody reads.
    #[test]
    fn a_bus_that_takes_nothing_holds_nobody_up() {
        let (socket, unread) = UnixDatagram::pair().expect("two sockets");
        let socket = bounded(CanFdSocket::from(OwnedFd::from(socket))).expect("an option");
        let (address, clock) = ("socketcan:can0".to_owned(), Clock::new());
        let mut port = SocketCanPort { socket, address, clock };
        // All that the other end takes.
        port.socket.set_nonblocking(true).expect("an option");
        let frame = CanFrame::classic(CanId::Standard(0x7DF), &[2, 1, 0, 0, 0, 0, 0, 0]);
        let full = CanDataFrame::new(StandardId::new(0x7DF).expect("11 bits"), &frame.data).map(CanAnyFrame::Normal);
        let full = full.expect("8 bytes");
        while port.socket.write_frame(&full).is_ok() {}
        port.socket.set_nonblocking(false).expect("an option");
        let (done, told) = std::sync::mpsc::channel();
        std::thread::spawn(move || done.send(port.send(&frame).is_ok()));
        assert_eq!(told.recv_timeout(Duration::from_secs(10)), Ok(true));
        drop(unread);
    }
}
