//! AT-command adapters over Bluetooth low energy: a byte stream over two characteristics of one service.
//!
//! The adapter's words come as notifications of any size, ours go out in writes as long as the connection allows. Which
//! two characteristics carry the stream is told by what they can do, not by a list of known devices; where several could,
//! [`Dial::try_next`] moves on. All of this is plain code over a [`Radio`]; the computer's own is `SystemRadio`, with
//! feature `ble`.

use std::collections::VecDeque;
use std::io::{Error, ErrorKind};
use std::time::Duration;

use protocol::Nanos;

use crate::clock::Clock;
use crate::stream::{Stream, StreamPort};
use crate::{Dial, Port, PortError};

#[cfg(feature = "ble")]
mod system;
#[cfg(feature = "ble")]
pub use system::SystemRadio;

/// Longest piece of a write on any connection, bytes: the smallest ATT MTU, 23, less operation code and handle
/// (Bluetooth Core Specification, volume 3, part F, 3.2.8 and 3.4.5, from memory).
const SMALLEST_PIECE: usize = 20;

/// What one characteristic of a connected device can do.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Characteristic {
    /// UUID of its service.
    pub service: u128,
    /// It sends its value without being asked.
    pub notifies: bool,
    /// As `notifies`, and waits for a confirmation each time.
    pub indicates: bool,
    /// It takes writes that it confirms.
    pub takes_requests: bool,
    /// It takes writes that it does not confirm.
    pub takes_commands: bool,
}

/// Two characteristics that carry a byte stream; numbers of [`Connection::offered`].
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Pair {
    /// Where the adapter speaks.
    pub hear: usize,
    /// Where it listens; may be the same one.
    pub say: usize,
    /// Whether writes are confirmed.
    pub is_confirmed: bool,
}

/// A way to one device.
pub trait Radio: Send {
    /// Connects; one attempt, bounded time.
    ///
    /// # Errors
    /// `NotFound` when the device is not in reach, others as the system says.
    fn connect(&mut self) -> std::io::Result<Box<dyn Connection>>;
}

/// A connected device. Dropping it ends the connection.
pub trait Connection: Send {
    /// All its characteristics.
    fn offered(&self) -> &[Characteristic];

    /// Has the characteristic send its notifications or indications.
    ///
    /// # Errors
    /// When the device refuses or is gone.
    fn listen(&mut self, characteristic: usize) -> std::io::Result<()>;

    /// Longest piece that one write carries, bytes; known once connected.
    fn longest_piece(&self) -> usize;

    /// Writes one piece, in bounded time.
    ///
    /// # Errors
    /// When the device refuses or is gone.
    fn write(&mut self, characteristic: usize, piece: &[u8], is_confirmed: bool) -> std::io::Result<()>;

    /// The next notification, waiting up to `left` for it; `None` when there is none. What came before a loss comes first.
    ///
    /// # Errors
    /// When the device is gone.
    fn notified(&mut self, left: Duration) -> std::io::Result<Option<Vec<u8>>>;
}

/// A device that was seen near by.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Nearby {
    /// What stands behind `at+ble://`.
    pub device: String,
    /// Its name as it gives it; text from outside.
    pub name: Option<String>,
    /// Strength of its signal here, dBm.
    pub signal_dbm: Option<i16>,
}

/// Devices that say they are there within `listening`, strongest first. Connects to none.
///
/// # Errors
/// `Unsupported` in a build without feature `ble`; the system's otherwise, such as no radio or one that is off.
pub fn nearby(listening: Duration) -> std::io::Result<Vec<Nearby>> {
    #[cfg(feature = "ble")]
    {
        let mut found = system::nearby(listening)?;
        found.sort_by_key(|device| (std::cmp::Reverse(device.signal_dbm), device.device.clone()));
        Ok(found)
    }
    #[cfg(not(feature = "ble"))]
    {
        let _ = listening;
        Err(Error::new(ErrorKind::Unsupported, "it is not part of this build (feature `ble`)"))
    }
}

/// Every pair of one service that can carry a byte stream, most likely first.
///
/// Services that the Bluetooth SIG has numbered in its range 0x1800 to 0x18FF (battery, device information, ...) have other
/// jobs and come last. Then a service with nothing else in it, notifications before indications, and two characteristics
/// before one that does both (common practice, no source). Writes go unconfirmed where the device takes them so: a
/// confirmation costs a connection interval and more for each.
#[must_use]
pub fn pairs(offered: &[Characteristic]) -> Vec<Pair> {
    // The base of short UUIDs, with the 16-bit number in bits 96 to 111 (Core Specification, volume 3, part B, 2.5.1).
    const BASE: u128 = 0x0000_0000_0000_1000_8000_0080_5F9B_34FB;
    let is_numbered = |service: u128| service & !(0xFF << 96) == BASE | 0x1800 << 96;
    let mut ranked = Vec::new();
    for (hear, speaker) in offered.iter().enumerate().filter(|(_, each)| each.notifies || each.indicates) {
        for (say, listener) in offered.iter().enumerate() {
            let takes = listener.takes_commands || listener.takes_requests;
            if !takes || listener.service != speaker.service {
                continue;
            }
            let n_others =
                offered.iter().filter(|each| each.service == speaker.service).count() - if hear == say { 1 } else { 2 };
            let rank =
                (is_numbered(speaker.service), n_others, !speaker.notifies, hear == say, !listener.takes_commands);
            ranked.push((rank, Pair { hear, say, is_confirmed: !listener.takes_commands }));
        }
    }
    ranked.sort_by_key(|(rank, _)| *rank);
    ranked.into_iter().map(|(_, pair)| pair).collect()
}

/// Opens the byte stream of one device.
pub struct BleDial {
    radio: Box<dyn Radio>,
    pair_idx: usize,
    n_pairs: usize,
    address: String,
    clock: Clock,
}

impl BleDial {
    /// `address`: what the user wrote, for messages.
    #[must_use]
    pub fn new(radio: Box<dyn Radio>, address: &str) -> Self {
        Self { radio, pair_idx: 0, n_pairs: 0, address: address.to_owned(), clock: Clock::new() }
    }

    fn open(&mut self) -> std::io::Result<PairStream> {
        let mut connection = self.radio.connect()?;
        let pairs = pairs(connection.offered());
        self.n_pairs = pairs.len();
        let none = || {
            let problem = "no service of this device has a characteristic to write to and one that notifies";
            Error::new(ErrorKind::InvalidData, problem)
        };
        let pair = *pairs.get(self.pair_idx).or(pairs.first()).ok_or_else(none)?;
        connection.listen(pair.hear)?;
        Ok(PairStream { connection, pair, rest: VecDeque::new() })
    }
}

impl Dial for BleDial {
    fn address(&self) -> &str {
        &self.address
    }

    fn dial(&mut self) -> Result<Box<dyn Port>, PortError> {
        let stream = self.open().map_err(|source| PortError::Open { address: self.address.clone(), source })?;
        Ok(Box::new(StreamPort { stream, address: self.address.clone(), clock: self.clock }))
    }

    fn try_next(&mut self) -> bool {
        self.pair_idx = (self.pair_idx + 1) % self.n_pairs.max(1);
        self.pair_idx != 0
    }

    fn now(&self) -> Nanos {
        self.clock.now()
    }

    fn pause(&mut self, nanos: Nanos) {
        self.clock.pause(nanos);
    }
}

/// A pair of characteristics as a byte stream.
struct PairStream {
    connection: Box<dyn Connection>,
    pair: Pair,
    /// What the last notification brought and nobody has read yet.
    rest: VecDeque<u8>,
}

impl Stream for PairStream {
    fn read_within(&mut self, buffer: &mut [u8], left: Duration) -> std::io::Result<usize> {
        if self.rest.is_empty() {
            match self.connection.notified(left)? {
                // An empty one is no end of the stream.
                Some(bytes) if !bytes.is_empty() => self.rest.extend(bytes),
                _ => return Err(ErrorKind::WouldBlock.into()),
            }
        }
        std::io::Read::read(&mut self.rest, buffer)
    }

    fn write_all(&mut self, bytes: &[u8]) -> std::io::Result<()> {
        let longest = self.connection.longest_piece().max(SMALLEST_PIECE);
        let Pair { say, is_confirmed, .. } = self.pair;
        bytes.chunks(longest).try_for_each(|piece| self.connection.write(say, piece, is_confirmed))
    }
}
