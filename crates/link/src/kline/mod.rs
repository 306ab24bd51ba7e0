//! One link for all adapters that carry messages on a K-line and let the program begin the conversation.
//!
//! A conversation ends when nothing is said for P3 max (5 s, ISO 9141-2 and ISO 14230-2, from memory): it is kept alive,
//! and begun anew where it has ended all the same.

use std::collections::VecDeque;

use protocol::header::{self, EVERYONE};
use protocol::{Address, Bus, NEGATIVE, Nanos, NegativeCode};

use crate::direct::{Carrier, DirectLink, FLOOD_NS, Told};
use crate::{Hearing, Link, LinkError, LinkInfo, PortError, Reply, Settings, Target, Wanted};

const MS: Nanos = 1_000_000;
/// How long an answer may take: P2 max, 50 ms, and the time of a long message whose bytes come P1 max, 20 ms, apart
/// (ISO 14230-2, from memory); a message counts when it is complete.
const P2_NS: Nanos = (50 + 15 * 21) * MS;
/// Quiet time after which the modules are told that somebody is still there.
const KEEP_ALIVE_NS: Nanos = 3_000 * MS;
/// Quiet time after which a conversation has ended: P3 max.
const P3_MAX_NS: Nanos = 5_000 * MS;
/// Key bytes of ISO 9141-2; those of ISO 14230-4 end in 8F (from memory).
const KEYS_9141: [[u8; 2]; 2] = [[0x08, 0x08], [0x94, 0x94]];

/// How a conversation is begun.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Start {
    /// The address at five baud.
    FiveBaud,
    /// A wake-up pattern and a request.
    Fast,
}

/// What answered.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Started {
    /// Key bytes.
    Keys([u8; 2]),
    /// The answer to the request, header included.
    Answer(Vec<u8>),
}

/// An open adapter on a K-line with its clock. It keeps the times between bytes and messages, and adds and checks the
/// check byte.
pub trait KLinePort: Send {
    /// Monotonic time; the zero is the port's own.
    fn now(&self) -> Nanos;

    /// Begins a conversation with the module (or the group) of this address; `None` when nobody answers. Takes seconds.
    ///
    /// # Errors
    /// [`PortError::Lost`] when the adapter is gone.
    fn start(&mut self, how: Start, address: u8) -> Result<Option<Started>, PortError>;

    /// Sends a message with its header; `false` when the line was never free.
    ///
    /// # Errors
    /// [`PortError::Lost`] when the adapter is gone.
    fn send(&mut self, message: &[u8]) -> Result<bool, PortError>;

    /// Waits until a message has arrived or `deadline` has passed; with the time of its arrival.
    ///
    /// # Errors
    /// [`PortError::Lost`] when the adapter is gone.
    fn receive_until(&mut self, deadline: Nanos) -> Result<Option<(Nanos, Vec<u8>)>, PortError>;

    /// Supply voltage at the connector in volts; `None` if the adapter cannot measure it.
    fn supply_volts(&mut self) -> Option<f64> {
        None
    }
}

/// How to reach an adapter on a K-line. Clocks as for [`crate::Dial`].
pub trait KLineDial: Send {
    /// The address as the user gave it.
    fn address(&self) -> &str;

    /// Opens the adapter for messages of this network.
    ///
    /// # Errors
    /// [`LinkError`]: the adapter is not there, or does not know the network.
    fn dial(&mut self, bus: Bus) -> Result<Box<dyn KLinePort>, LinkError>;

    /// What is known of the adapter after it was opened.
    fn about(&self) -> String;

    /// Monotonic time while nothing is open: the same clock as the ports'.
    fn now(&self) -> Nanos;

    /// Lets time pass while nothing is open.
    fn pause(&mut self, nanos: Nanos);
}

/// Opens a link over a K-line.
///
/// # Errors
/// [`LinkError`] of the adapter; with [`Settings::need_vehicle`] also [`LinkError::NoVehicle`].
pub fn start(dial: Box<dyn KLineDial>, settings: Settings) -> Result<Box<dyn Link>, LinkError> {
    Ok(Box::new(DirectLink::start(KLineCarrier::new(dial), settings)?))
}

/// Whether messages of this network go over a K-line.
pub(crate) fn is_k_line(bus: Bus) -> bool {
    matches!(bus, Bus::Iso9141 | Bus::Kwp5Baud | Bus::KwpFast)
}

struct KLineCarrier {
    dial: Box<dyn KLineDial>,
    port: Option<Box<dyn KLinePort>>,
    bus: Option<Bus>,
    /// With whom the conversation is; `None`: with nobody.
    partner: Option<u8>,
    /// When something was last said.
    said_ns: Nanos,
    /// Until when answers to what keeps the conversation alive may come.
    deaf_until_ns: Nanos,
    /// A module has asked for more time for its answer: nobody speaks before (ISO 14230-2, from memory), and where it does not
    /// come the conversation has ended.
    is_pending: bool,
    told: VecDeque<Told>,
}

impl KLineCarrier {
    fn new(dial: Box<dyn KLineDial>) -> Self {
        Self {
            dial,
            port: None,
            bus: None,
            partner: None,
            said_ns: 0,
            deaf_until_ns: 0,
            is_pending: false,
            told: VecDeque::new(),
        }
    }

    fn lost(&self) -> LinkError {
        let source = std::io::ErrorKind::NotConnected.into();
        LinkError::Port(PortError::Lost { address: self.dial.address().to_owned(), source })
    }

    fn port(&mut self) -> Result<&mut Box<dyn KLinePort>, LinkError> {
        let lost = self.lost();
        self.port.as_mut().ok_or(lost)
    }

    /// Opens the adapter for a network and begins a conversation with all emissions modules; which network it turned out
    /// to be.
    fn begin_on(&mut self, bus: Bus, info: &mut LinkInfo) -> Result<Option<Bus>, LinkError> {
        // One channel at a time on the one line.
        self.close();
        self.port = Some(self.dial.dial(bus)?);
        info.adapter = self.dial.about();
        let how = if bus == Bus::KwpFast { Start::Fast } else { Start::FiveBaud };
        let found = match self.port()?.start(how, EVERYONE)? {
            None => return Ok(None),
            Some(Started::Keys(keys)) if KEYS_9141.contains(&keys) => Bus::Iso9141,
            Some(Started::Keys([_, 0x8F])) => Bus::Kwp5Baud,
            Some(Started::Answer(answer))
                if header::read(&answer, bus).is_ok_and(|(_, data)| data.first() == Some(&0xC1)) =>
            {
                bus
            }
            Some(_) => return Ok(None),
        };
        self.bus = Some(found);
        self.partner = Some(EVERYONE);
        self.said_ns = self.now();
        Ok(Some(found))
    }

    /// The conversation that a message to `to` belongs to, begun if it is not open; `false` when nobody answers.
    fn converse_with(&mut self, to: Target, bus: Bus) -> Result<bool, LinkError> {
        let wanted = match (to, bus) {
            (
                Target::Module(Address::Node(node)) | Target::Anyone(Address::Node(node)),
                Bus::Kwp5Baud | Bus::KwpFast,
            ) => node,
            _ => EVERYONE,
        };
        let has_ended = self.now() - self.said_ns > P3_MAX_NS;
        if self.partner == Some(wanted) && !has_ended {
            return Ok(true);
        }
        let how = if bus == Bus::KwpFast { Start::Fast } else { Start::FiveBaud };
        self.partner = None;
        let started = self.port()?.start(how, wanted)?;
        self.said_ns = self.now();
        self.partner = started.is_some().then_some(wanted);
        Ok(started.is_some())
    }

    /// When somebody has to be told that this end is still there; `None` where there is no conversation.
    fn keep_alive_at(&self) -> Option<Nanos> {
        let is_alive = self.partner.is_some() && self.now() - self.said_ns <= P3_MAX_NS;
        (is_alive && !self.is_pending).then(|| self.said_ns.saturating_add(KEEP_ALIVE_NS))
    }

    /// Says that somebody is still there.
    fn keep_alive(&mut self, bus: Bus) -> Result<(), LinkError> {
        let (to, request): (Target, &[u8]) = match (bus, self.partner) {
            (Bus::Iso9141, _) => (Target::Everyone, &[0x01, 0x00]),
            (_, Some(node)) if node != EVERYONE => (Target::Module(Address::Node(node)), &[0x3E, 0x01]),
            _ => (Target::Everyone, &[0x3E]),
        };
        if let Some(message) = header::write(bus, to, request) {
            self.port()?.send(&message)?;
            self.said_ns = self.now();
            self.deaf_until_ns = self.said_ns + P2_NS;
        }
        Ok(())
    }

    fn take(&mut self, arrived_ns: Nanos, message: &[u8], bus: Bus) {
        self.said_ns = arrived_ns;
        if arrived_ns < self.deaf_until_ns {
            return;
        }
        match header::read(message, bus) {
            Ok((from, data)) => {
                self.is_pending = matches!(data, [NEGATIVE, .., code] if NegativeCode(*code) == NegativeCode::PENDING);
                self.told.push_back(Told::Message(Reply { from, bytes: data.to_vec(), arrived_ns }));
            }
            Err(header::HeaderError::NotForUs) => {}
            Err(error) => self.told.push_back(Told::Trouble(format!("a message was damaged: {error}"))),
        }
    }
}

impl Carrier for KLineCarrier {
    fn address(&self) -> &str {
        self.dial.address()
    }

    fn now(&self) -> Nanos {
        self.port.as_ref().map_or_else(|| self.dial.now(), |port| port.now())
    }

    fn pause(&mut self, nanos: Nanos) {
        self.dial.pause(nanos);
    }

    fn open(&mut self, info: &mut LinkInfo, settings: Settings) -> Result<(), LinkError> {
        info.bus = None;
        if let Some(bus) = settings.bus.filter(|bus| is_k_line(*bus)) {
            info.bus = self.begin_on(bus, info)?;
            if info.bus == Some(bus) {
                return Ok(());
            }
        }
        match self.search(info) {
            Err(LinkError::NoVehicle { .. }) if !settings.need_vehicle => Ok(()),
            result => result,
        }
    }

    fn search(&mut self, info: &mut LinkInfo) -> Result<(), LinkError> {
        info.bus = None;
        // The quick way first; which of the two others it is, only the key bytes tell.
        for bus in [Bus::KwpFast, Bus::Iso9141, Bus::Kwp5Baud] {
            match self.begin_on(bus, info)? {
                Some(found) if found == bus => {
                    info.bus = Some(found);
                    return Ok(());
                }
                _ => {}
            }
        }
        let said = "no module answered on the K-line".to_owned();
        Err(LinkError::NoVehicle { address: self.dial.address().to_owned(), said })
    }

    fn close(&mut self) {
        self.port = None;
        self.bus = None;
        self.partner = None;
        self.told.clear();
    }

    fn is_open(&self) -> bool {
        self.port.is_some()
    }

    fn p2_ns(&self, _to: Target) -> Nanos {
        P2_NS
    }

    fn n_parallel(&self) -> usize {
        1
    }

    fn send(&mut self, to: Target, message: &[u8]) -> Result<(), LinkError> {
        let Some(bus) = self.bus else { return Err(self.lost()) };
        let sent = header::write(bus, to, message);
        let sent = sent.ok_or_else(|| LinkError::Unsendable(format!("it does not fit {bus}")))?;
        // The answer to what keeps the conversation alive must not be taken for one to this.
        while self.now() < self.deaf_until_ns {
            let until = self.deaf_until_ns;
            match self.port()?.receive_until(until)? {
                Some((arrived_ns, _)) => self.said_ns = arrived_ns,
                None => break,
            }
        }
        self.deaf_until_ns = 0;
        self.is_pending = false;
        if !self.converse_with(to, bus)? {
            self.told.push_back(Told::Nobody(to));
            return Ok(());
        }
        let told = if self.port()?.send(&sent)? {
            Told::Sent(to)
        } else {
            let what = "the line was not free: another tester may be connected, or it is shorted".to_owned();
            Told::Failed { to, what, is_damage: false }
        };
        self.said_ns = self.now();
        self.told.push_back(told);
        Ok(())
    }

    fn next(&mut self, until: Nanos) -> Result<Option<Told>, LinkError> {
        loop {
            if let Some(told) = self.told.pop_front() {
                return Ok(Some(told));
            }
            let Some(bus) = self.bus else {
                let left = until.saturating_sub(self.now());
                self.dial.pause(left);
                return Ok(None);
            };
            let keep_alive_at = self.keep_alive_at().unwrap_or(Nanos::MAX);
            if self.now() >= keep_alive_at {
                self.keep_alive(bus)?;
                continue;
            }
            let wake = until.min(keep_alive_at);
            match self.port()?.receive_until(wake)? {
                Some((arrived_ns, message)) => {
                    self.take(arrived_ns, &message, bus);
                    if self.told.is_empty() && self.now() > until.saturating_add(FLOOD_NS) {
                        return Ok(None);
                    }
                }
                None if self.now() >= until => return Ok(None),
                None => {}
            }
        }
    }

    fn listen_to(&mut self, _wanted: &[Wanted]) -> Hearing {
        Hearing::Never
    }

    fn supply_volts(&mut self) -> Result<Option<f64>, LinkError> {
        Ok(self.port()?.supply_volts())
    }

    fn round_trip_ns(&self) -> Option<Nanos> {
        None
    }
}
