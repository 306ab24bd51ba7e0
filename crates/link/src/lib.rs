//! Adapters: one folder per family. A link sends a request and brings back who answered what, and when.
//!
//! This crate must not know what a value means. Its main types are [`Port`] (bytes to and from an adapter), [`Dial`]
//! (how to open that port, again and again), [`Link`] (requests and replies, whatever the adapter) and [`Feed`] (many
//! requests in a row, several at once where the adapter can).

mod address;
pub mod at;
pub mod ble;
pub mod can;
mod clock;
mod direct;
pub mod doip;
mod feed;
mod hint;
pub mod kline;
pub mod passthru;
mod port;
pub mod present;
mod serial;
pub mod slcan;
#[cfg(target_os = "linux")]
pub mod socketcan;
mod stream;
mod tcp;
mod tls;

pub use address::{AdapterAddress, AddressError, FORMS, Line};
pub use at::AtLink;
pub use ble::BleDial;
pub use feed::{Feed, Heard, Hearing, Next, Source, Wanted};
pub use passthru::PassThruDial;
pub use port::{Dial, Port, PortError};
pub use serial::SerialDial;
pub use slcan::SlcanDial;
#[cfg(target_os = "linux")]
pub use socketcan::SocketCanDial;
pub use tcp::TcpDial;
pub use tls::Trust;

pub use protocol::exchange::{Exchange, Reply, Request, Target};

use protocol::{Bus, Nanos};

/// Longest time that [`Link::exchange`] blocks, 40 s of the link's clock, and that only while a module asks for more time
/// or the network has to be looked for again. An answer that simply does not come takes under a second, a module that
/// promised one and falls silent 6 s, and twice that where the request is repeated because it only reads.
pub const LONGEST_EXCHANGE_NS: Nanos = protocol::at::LONGEST_NS;

/// What is known of the open adapter and the network behind it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LinkInfo {
    /// What the adapter says of itself, as text from outside.
    pub adapter: String,
    /// The network, once a vehicle has answered.
    pub bus: Option<Bus>,
    /// What start-up found missing or odd, one line each.
    pub notes: Vec<String>,
    /// How often the adapter was seen to have lost its settings by itself since it was opened: that nobody answered before
    /// proves nothing.
    pub n_losses: usize,
}

/// Why a link could not do what it was asked.
#[derive(Debug, thiserror::Error)]
pub enum LinkError {
    /// The address is not one of an adapter.
    #[error(transparent)]
    Address(#[from] AddressError),
    /// The port could not be opened or broke.
    #[error(transparent)]
    Port(#[from] PortError),
    /// The adapter is there but did not answer within its time.
    #[error("the adapter at {address} did not answer `{asked}` within {waited_ms} ms")]
    AdapterSilent {
        /// Address of the adapter.
        address: String,
        /// What was sent.
        asked: String,
        /// How long was waited, ms.
        waited_ms: u64,
    },
    /// Something answers, but not as an adapter of this kind does.
    #[error("what answers at {address} is not an adapter of this kind: it said `{said}`")]
    NotAnAdapter {
        /// Address of the adapter.
        address: String,
        /// What it said, escaped and shortened.
        said: String,
    },
    /// The adapter found no vehicle on any protocol.
    #[error("no vehicle answered through the adapter at {address}: `{said}`")]
    NoVehicle {
        /// Address of the adapter.
        address: String,
        /// The adapter's own words.
        said: String,
    },
    /// The vehicle answered, but in no form that can be read.
    #[error("a vehicle answered through the adapter at {address}, but not in a form that can be read: `{said}`")]
    Unreadable {
        /// Address of the adapter.
        address: String,
        /// The last line of the answer.
        said: String,
    },
    /// This build has no part for adapters of this kind.
    #[error("{what} is not part of this build: {address}")]
    NotInThisBuild {
        /// Address of the adapter.
        address: String,
        /// What is missing.
        what: &'static str,
    },
    /// The request cannot be sent over this network.
    #[error("this request cannot be sent: {0}")]
    Unsendable(String),
}

impl LinkError {
    /// Whether the adapter is gone, so that only [`Link::reopen`] can help.
    #[must_use]
    pub fn is_lost(&self) -> bool {
        matches!(self, Self::Port(_) | Self::AdapterSilent { .. } | Self::NotAnAdapter { .. })
    }
}

/// What is known before a link is opened, and how it is to be opened.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Settings {
    /// The network that answered last time: tried first, and verified. `None`: search.
    pub bus: Option<Bus>,
    /// Whether opening fails with [`LinkError::NoVehicle`] when no vehicle answers. Otherwise the link opens with
    /// [`LinkInfo::bus`] unknown, and the next exchange looks for the vehicle again.
    pub need_vehicle: bool,
}

impl Default for Settings {
    fn default() -> Self {
        Self { bus: None, need_vehicle: true }
    }
}

/// How long a vehicle may take to say who it is before it is connected to without knowing.
const IDENTIFY_WAIT: std::time::Duration = std::time::Duration::from_secs(1);

/// Opens the adapter at `address`, as the user wrote it.
///
/// # Errors
/// [`LinkError`]; [`LinkError::hint`] says what to try.
pub fn open(address: &str, settings: Settings) -> Result<Box<dyn Link>, LinkError> {
    #[cfg(not(all(target_os = "linux", feature = "ble")))]
    let missing = |what| Err(LinkError::NotInThisBuild { address: address.to_owned(), what });
    match address.parse()? {
        AdapterAddress::At(line) => Ok(Box::new(AtLink::start(line.dial(address), settings)?)),
        AdapterAddress::Slcan { line, is_filtered } => {
            let dial = SlcanDial::new(line.dial(address));
            can::start(Box::new(if is_filtered { dial.filtered() } else { dial }), settings)
        }
        #[cfg(target_os = "linux")]
        AdapterAddress::SocketCan { interface } => {
            can::start(Box::new(SocketCanDial::new(&interface, address)), settings)
        }
        #[cfg(not(target_os = "linux"))]
        AdapterAddress::SocketCan { .. } => missing("SocketCAN, which Linux has,"),
        #[cfg(feature = "ble")]
        AdapterAddress::AtBle { device } => {
            let radio = Box::new(ble::SystemRadio::new(&device));
            Ok(Box::new(AtLink::start(Box::new(BleDial::new(radio, address)), settings)?))
        }
        #[cfg(not(feature = "ble"))]
        AdapterAddress::AtBle { .. } => missing("Bluetooth low energy (feature `ble`)"),
        AdapterAddress::Doip { host, port, trust: None } => {
            let found = doip::identify(&host, port, IDENTIFY_WAIT);
            doip::start(Box::new(TcpDial::new(&host, port, address)), found, settings)
        }
        AdapterAddress::Doip { host, port, trust: Some(trust) } => {
            let found = doip::identify(&host, doip::PORT, IDENTIFY_WAIT);
            doip::start(Box::new(tls::TlsDial::new(&host, port, trust, address)), found, settings)
        }
        AdapterAddress::PassThru { library } => pass_thru(&library, address, settings),
    }
}

/// A pass-thru library: CAN first, as all newer cars have it, then the K-line.
fn pass_thru(library: &std::path::Path, address: &str, settings: Settings) -> Result<Box<dyn Link>, LinkError> {
    let dial = || PassThruDial::new(library, address);
    if settings.bus.is_some_and(kline::is_k_line) {
        return kline::start(Box::new(dial()), settings);
    }
    match can::start(Box::new(dial()), Settings { need_vehicle: true, ..settings }) {
        Err(nobody @ LinkError::NoVehicle { .. }) => {
            match kline::start(Box::new(dial()), Settings { bus: None, need_vehicle: true }) {
                Ok(link) => Ok(link),
                // With nobody anywhere it stays with the network that most cars have.
                Err(_) if settings.need_vehicle => Err(nobody),
                Err(_) => can::start(Box::new(dial()), settings),
            }
        }
        result => result,
    }
}

/// An open adapter.
///
/// Every call ends within a bounded time, also when nothing answers. A reply is never attributed to a request other
/// than the one it was sent for; where that cannot be told, it is dropped and reported in [`Exchange::problems`].
pub trait Link: Send {
    /// What is known of adapter and network.
    fn info(&self) -> &LinkInfo;

    /// The link's clock, which times every exchange.
    fn now(&self) -> Nanos;

    /// Lets time pass without traffic, on the link's clock.
    fn pause(&mut self, nanos: Nanos);

    /// Sends one request and collects what comes back. Blocks for at most [`LONGEST_EXCHANGE_NS`].
    ///
    /// A request that only reads is asked again, up to twice, when its answer was damaged on the way.
    ///
    /// # Errors
    /// [`LinkError`] when adapter or vehicle network fail; "nobody answered" is not an error.
    fn exchange(&mut self, request: &Request) -> Result<Exchange, LinkError>;

    /// How many requests can be under way at once, each to another module.
    fn n_parallel(&self) -> usize {
        1
    }

    /// Sends what `feed` asks for and hands it the answers, up to [`Link::n_parallel`] at once, until it says stop.
    ///
    /// # Errors
    /// The loss of the adapter ([`LinkError::is_lost`]); what was under way then has no answer.
    fn run(&mut self, feed: &mut dyn Feed) -> Result<(), LinkError> {
        loop {
            match feed.next(self.now(), &[]) {
                Next::Ask(request) => match self.exchange(&request) {
                    Err(error) if error.is_lost() => return Err(error),
                    outcome => feed.answered(request, outcome),
                },
                Next::Wait(until) => self.hear(until)?.into_iter().for_each(|heard| feed.heard(heard)),
                Next::Stop => return Ok(()),
            }
        }
    }

    /// Sends all of `requests`, as many at once as the adapter can; their exchanges in the same order.
    ///
    /// # Errors
    /// As [`Link::exchange`]; the first failure ends it.
    fn exchange_many(&mut self, requests: &[Request]) -> Result<Vec<Exchange>, LinkError> {
        let mut batch = feed::Batch::new(requests);
        self.run(&mut batch)?;
        batch.into_exchanges()
    }

    /// Keeps from now on what passes by of this kind, in place of what was wanted before; nothing for an empty list.
    ///
    /// What is kept comes out of [`Link::hear`] and goes to [`Feed::heard`], whichever is called first. Says when this
    /// link can hear at all.
    fn listen_to(&mut self, wanted: &[Wanted]) -> Hearing {
        let _ = wanted;
        Hearing::Never
    }

    /// What passed by since it was last asked, oldest first; waits until `until` (the link's clock), or less when
    /// something comes. A time in the past does not wait.
    ///
    /// # Errors
    /// The loss of the adapter.
    fn hear(&mut self, until: Nanos) -> Result<Vec<Heard>, LinkError> {
        self.pause(until.saturating_sub(self.now()).max(0));
        Ok(Vec::new())
    }

    /// Supply voltage at the connector in volts as the adapter measures it; `None` if it cannot.
    ///
    /// # Errors
    /// As [`Link::exchange`].
    fn supply_volts(&mut self) -> Result<Option<f64>, LinkError>;

    /// From a question to the adapter to its own answer, measured now or at start-up; `None` where nothing can be measured.
    ///
    /// # Errors
    /// As [`Link::exchange`].
    fn round_trip_ns(&mut self) -> Result<Option<Nanos>, LinkError> {
        Ok(None)
    }

    /// Opens the port again after a loss and starts the adapter anew; one attempt, bounded time.
    ///
    /// # Errors
    /// The attempt's own failure; it may be repeated.
    fn reopen(&mut self) -> Result<(), LinkError>;
}
