//! Bytes to and from an adapter.

use protocol::Nanos;

/// Why a port could not be opened or broke.
#[derive(Debug, thiserror::Error)]
pub enum PortError {
    /// It could not be opened.
    #[error("cannot open {address}: {source}")]
    Open {
        /// Address of the adapter.
        address: String,
        /// The operating system's reason.
        source: std::io::Error,
    },
    /// It broke while in use.
    #[error("lost {address}: {source}")]
    Lost {
        /// Address of the adapter.
        address: String,
        /// The operating system's reason.
        source: std::io::Error,
    },
}

/// An open byte stream with its clock. A stand-in brings a virtual clock, so that waiting takes no time there.
pub trait Port: Send {
    /// Monotonic time; the zero is the port's own.
    fn now(&self) -> Nanos;

    /// Sends all bytes.
    ///
    /// # Errors
    /// [`PortError::Lost`] when the other side is gone.
    fn write_all(&mut self, bytes: &[u8]) -> Result<(), PortError>;

    /// Waits until some bytes have arrived or `deadline` has passed; returns how many were put into `buffer`, 0 when
    /// the deadline passed.
    ///
    /// # Errors
    /// [`PortError::Lost`] when the other side is gone (end of stream included).
    fn read_until(&mut self, buffer: &mut [u8], deadline: Nanos) -> Result<usize, PortError>;
}

/// How to reach an adapter: opens its port, as often as needed.
///
/// The clocks of all ports that one `Dial` opens share one zero and keep running between them, so that times before and
/// after a loss can be compared.
pub trait Dial: Send {
    /// The address as the user gave it.
    fn address(&self) -> &str;

    /// Opens the port; one attempt, bounded time.
    ///
    /// # Errors
    /// [`PortError::Open`] with the operating system's reason.
    fn dial(&mut self) -> Result<Box<dyn Port>, PortError>;

    /// Moves on to another way of opening the same port (the next baud rate); false when all have been tried, which
    /// also returns to the first.
    fn try_next(&mut self) -> bool {
        false
    }

    /// Monotonic time while no port is open: the same clock as the ports'.
    fn now(&self) -> Nanos;

    /// Lets time pass while no port is open.
    fn pause(&mut self, nanos: Nanos);
}
