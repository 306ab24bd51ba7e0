//! Diagnostics over IP: runs [`protocol::doip`] over a byte port, and looks for vehicles on the network.

use std::collections::VecDeque;
use std::net::{IpAddr, Ipv4Addr, SocketAddr, ToSocketAddrs, UdpSocket};
use std::time::{Duration, Instant};

use protocol::doip::{
    Announcement, DoipError, EVERYONE, Event, Payload, Reader, TESTER, Tester, VERSION_2012, VERSION_2019, VERSION_ANY,
    activation_text, nack_text,
};
use protocol::{Address, Bus, Nanos};

use crate::direct::{Carrier, DirectLink, Told};
use crate::{Dial, Hearing, Link, LinkError, LinkInfo, Port, PortError, Reply, Settings, Target, Wanted};

const MS: Nanos = 1_000_000;
/// The port on which vehicles answer who they are, and take plain connections (ISO 13400-2).
pub const PORT: u16 = 13400;
/// How long a module behind a gateway may take to begin its answer, after the gateway has taken the request: P2 max of
/// ISO 14229-2 (50 ms) on both sides of the gateway, and its queues (no source).
const P2_NS: Nanos = 500 * MS;
/// The same for requests to everyone, where nobody knows who will answer.
const P2_EVERYONE_NS: Nanos = 300 * MS;
/// Longest wait for the reply to routing activation; the protocol's own time-out comes first.
const ACTIVATION_NS: Nanos = 5_000 * MS;
/// How long somebody in the vehicle has to confirm it where that is wanted (no source).
const CONFIRM_NS: Nanos = 30_000 * MS;
/// Nothing for so long behind a request, which is to be acknowledged within 2 s: whoever was there is gone without a word, as
/// when a cable is pulled or a radio link ends. Only another connection helps; the old one would wait for as long as the
/// operating system does (a time that no stalled radio link takes; no source).
const GONE_NS: Nanos = 5_000 * MS;
/// Pause before the question who is there is asked again.
const ASK_AGAIN: Duration = Duration::from_millis(200);
/// Modules asked at once: gateways queue a handful of requests per network behind them (no source).
const N_PARALLEL: usize = 8;

/// Opens a link over IP. `dial`: the byte stream to the vehicle. `about`: what is known of it from discovery.
///
/// # Errors
/// [`LinkError`]: the vehicle is not there, refuses, or speaks another protocol.
pub fn start(dial: Box<dyn Dial>, found: Option<Found>, settings: Settings) -> Result<Box<dyn Link>, LinkError> {
    Ok(Box::new(DirectLink::start(DoipCarrier::new(dial, found), settings)?))
}

/// A vehicle that answered on the network.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Found {
    /// Where its answer came from.
    pub from: SocketAddr,
    /// The edition of the protocol that it answered with.
    pub version: u8,
    /// What it says of itself.
    pub announcement: Announcement,
    /// From request to answer, ns.
    pub round_trip_ns: Nanos,
}

impl Found {
    /// The vehicle identification number, where it is printable.
    #[must_use]
    pub fn vin(&self) -> Option<String> {
        let vin = &self.announcement.vin;
        vin.iter().all(u8::is_ascii_alphanumeric).then(|| String::from_utf8_lossy(vin).into_owned())
    }
}

/// Asks who is there at `targets` (hosts or broadcast addresses) and collects what answers within `wait`.
///
/// # Errors
/// The operating system's, when no socket can be had. A target that cannot be reached is passed over.
pub fn discover(targets: &[SocketAddr], wait: Duration) -> std::io::Result<Vec<Found>> {
    let mut found: Vec<Found> = Vec::new();
    let sockets: Vec<UdpSocket> = [targets.iter().any(SocketAddr::is_ipv4), targets.iter().any(SocketAddr::is_ipv6)]
        .into_iter()
        .zip([IpAddr::V4(Ipv4Addr::UNSPECIFIED), IpAddr::V6(std::net::Ipv6Addr::UNSPECIFIED)])
        .filter(|(is_wanted, _)| *is_wanted)
        .map(|(_, any)| {
            let socket = UdpSocket::bind((any, 0))?;
            socket.set_nonblocking(true)?;
            if any.is_ipv4() {
                socket.set_broadcast(true)?;
            }
            Ok(socket)
        })
        .collect::<std::io::Result<_>>()?;
    let mut end = Instant::now() + wait;
    let mut asked: Option<Instant> = None;
    let mut buffer = [0; 2048];
    while Instant::now() < end {
        // Datagrams get lost.
        if asked.is_none_or(|asked| asked.elapsed() >= ASK_AGAIN) {
            asked = Some(Instant::now());
            for socket in &sockets {
                let is_v4 = socket.local_addr()?.is_ipv4();
                for target in targets.iter().filter(|target| target.is_ipv4() == is_v4) {
                    // A network that is down is no reason not to ask the others.
                    let _ = socket.send_to(&Payload::WhoIsThere.encode(VERSION_ANY), target);
                }
            }
        }
        let mut is_quiet = true;
        for socket in &sockets {
            let Ok((n, from)) = socket.recv_from(&mut buffer) else { continue };
            is_quiet = false;
            let mut reader = Reader::default();
            reader.push(buffer.get(..n).unwrap_or_default());
            while let Some(read) = reader.next_message() {
                if let Ok((version, Payload::Announcement(announcement))) = read
                    && found.iter().all(|known| known.announcement != announcement)
                {
                    let took = asked.map_or(Duration::ZERO, |asked| asked.elapsed());
                    let round_trip_ns = Nanos::try_from(took.as_nanos()).unwrap_or(Nanos::MAX);
                    found.push(Found { from, version, announcement, round_trip_ns });
                }
            }
        }
        // Behind one address there may be several entities, which answer one after the other.
        if let [one] = targets
            && !is_broadcast(one)
            && !found.is_empty()
        {
            end = end.min(asked.map_or(end, |asked| asked + ASK_AGAIN));
        }
        if is_quiet {
            std::thread::sleep(Duration::from_millis(2));
        }
    }
    Ok(found)
}

/// Whether an address may stand for many: the last number of such an IPv4 address is 255.
fn is_broadcast(address: &SocketAddr) -> bool {
    matches!(address.ip(), IpAddr::V4(ip) if ip.octets()[3] == 255)
}

/// Asks one host who it is, by name or address.
#[must_use]
pub fn identify(host: &str, port: u16, wait: Duration) -> Option<Found> {
    let target = (host, port).to_socket_addrs().ok()?.next()?;
    discover(&[target], wait).ok()?.into_iter().next()
}

struct DoipCarrier {
    dial: Box<dyn Dial>,
    found: Option<Found>,
    version: u8,
    port: Option<Box<dyn Port>>,
    tester: Option<Tester>,
    told: VecDeque<Told>,
    /// Requests that were sent and not acknowledged yet: their target, and its logical address.
    under_way: Vec<(Target, u16)>,
    /// When the first request was sent behind which nothing has come.
    unheard_since: Option<Nanos>,
}

impl DoipCarrier {
    fn new(dial: Box<dyn Dial>, found: Option<Found>) -> Self {
        let version = match found.as_ref().map(|found| found.version) {
            Some(version @ VERSION_2012..=0x0F) => version,
            _ => VERSION_2012,
        };
        let (told, under_way) = (VecDeque::new(), Vec::new());
        Self { dial, found, version, port: None, tester: None, told, under_way, unheard_since: None }
    }

    fn lost(&self, source: std::io::Error) -> LinkError {
        LinkError::Port(PortError::Lost { address: self.dial.address().to_owned(), source })
    }

    fn closed(&self) -> LinkError {
        self.lost(std::io::ErrorKind::NotConnected.into())
    }

    /// Moves bytes in both directions; waits for some until `until`.
    fn pump(&mut self, until: Nanos) -> Result<(), LinkError> {
        let (Some(port), Some(tester)) = (self.port.as_mut(), self.tester.as_mut()) else { return Err(self.closed()) };
        let out = tester.take_output();
        if !out.is_empty() {
            port.write_all(&out)?;
        }
        let mut buffer = [0; 8192];
        let n = port.read_until(&mut buffer, tester.deadline().map_or(until, |at| at.min(until)))?;
        if n > 0 {
            self.unheard_since = None;
        }
        tester.receive(buffer.get(..n).unwrap_or(&buffer));
        let out = tester.take_output();
        if !out.is_empty() {
            port.write_all(&out)?;
        }
        Ok(())
    }

    fn event(&mut self) -> Option<Event> {
        let now = self.now();
        self.tester.as_mut()?.poll(now)
    }

    /// Connects and activates routing in the given edition of the protocol.
    fn activate(&mut self, version: u8) -> Result<Result<u16, Event>, LinkError> {
        // A vehicle may take one connection only: the old one has to be gone first.
        self.port = None;
        self.port = Some(self.dial.dial()?);
        self.told.clear();
        self.under_way.clear();
        self.unheard_since = None;
        let now = self.now();
        self.tester = Some(Tester::new(TESTER, version, now));
        let mut end = now.saturating_add(ACTIVATION_NS);
        let mut code = None;
        while self.now() < end {
            match self.event() {
                Some(Event::Active(entity)) => return Ok(Ok(entity)),
                Some(Event::ToConfirm) => {
                    code = Some(0x11);
                    end = self.now().saturating_add(CONFIRM_NS);
                }
                Some(refusal @ (Event::Refused(_) | Event::HeaderNack(_) | Event::Broken(_))) => {
                    return Ok(Err(refusal));
                }
                Some(_) => {}
                None => self.pump(end)?,
            }
        }
        Ok(Err(Event::Refused(code)))
    }

    /// Whose request an acknowledgement of this module belongs to.
    fn settle(&mut self, logical: u16) -> Option<Target> {
        let idx = self.under_way.iter().position(|(_, sent_to)| *sent_to == logical)?;
        Some(self.under_way.remove(idx).0)
    }

    fn tell(&mut self, event: Event, now: Nanos) -> Option<Told> {
        Some(match event {
            Event::Acked(logical) => Told::Sent(self.settle(logical)?),
            Event::Nacked(logical, code) => {
                let to = self.settle(logical)?;
                let what = match code {
                    Some(code) => format!("the gateway did not take it: {} ({code:02X})", nack_text(code)),
                    None => "the gateway did not acknowledge it within 2 s".to_owned(),
                };
                // An unknown address is how a gateway says that nobody is there.
                if matches!(code, Some(0x03 | 0x06)) && !matches!(to, Target::Module(_)) {
                    Told::Nobody(to)
                } else {
                    Told::Failed { to, what, is_damage: code == Some(0x05) }
                }
            }
            Event::Message(logical, bytes) => {
                Told::Message(Reply { from: Address::Logical(logical), bytes, arrived_ns: now })
            }
            Event::Broken(error) => Told::Trouble(error.to_string()),
            Event::HeaderNack(code) => Told::Trouble(format!("the vehicle refused a message (header code {code:02X})")),
            Event::Active(_) | Event::ToConfirm | Event::Refused(_) => return None,
        })
    }
}

impl Carrier for DoipCarrier {
    fn address(&self) -> &str {
        self.dial.address()
    }

    fn now(&self) -> Nanos {
        self.port.as_ref().map_or_else(|| self.dial.now(), |port| port.now())
    }

    fn pause(&mut self, nanos: Nanos) {
        self.dial.pause(nanos);
    }

    fn open(&mut self, info: &mut LinkInfo, _settings: Settings) -> Result<(), LinkError> {
        let mut answer = self.activate(self.version)?;
        if answer == Err(Event::HeaderNack(0)) && self.version != VERSION_2019 {
            self.version = VERSION_2019;
            answer = self.activate(VERSION_2019)?;
        }
        let address = self.dial.address().to_owned();
        let entity = answer.map_err(|refusal| match refusal {
            Event::Refused(Some(code)) => {
                LinkError::NoVehicle { address, said: format!("{} ({code:02X})", activation_text(code)) }
            }
            Event::Refused(None) => {
                LinkError::AdapterSilent { address, asked: "routing activation".to_owned(), waited_ms: 2000 }
            }
            Event::Broken(error) => LinkError::NotAnAdapter { address, said: error.to_string() },
            other => LinkError::NotAnAdapter { address, said: format!("{other:?}") },
        })?;
        let who = self.found.as_ref().and_then(Found::vin).map_or_else(String::new, |vin| format!(", vehicle {vin}"));
        info.adapter = format!("vehicle over IP, entity {entity:04X}{who}");
        info.bus = Some(Bus::Doip);
        info.notes.clear();
        Ok(())
    }

    fn search(&mut self, info: &mut LinkInfo) -> Result<(), LinkError> {
        info.bus = Some(Bus::Doip);
        Ok(())
    }

    fn close(&mut self) {
        self.port = None;
        self.tester = None;
        self.told.clear();
        self.under_way.clear();
    }

    fn is_open(&self) -> bool {
        self.port.is_some()
    }

    fn p2_ns(&self, to: Target) -> Nanos {
        if matches!(to, Target::Module(_)) { P2_NS } else { P2_EVERYONE_NS }
    }

    fn n_parallel(&self) -> usize {
        N_PARALLEL
    }

    fn send(&mut self, to: Target, message: &[u8]) -> Result<(), LinkError> {
        let logical = match to {
            Target::Everyone => EVERYONE,
            Target::Module(Address::Logical(logical)) | Target::Anyone(Address::Logical(logical)) => logical,
            Target::Module(address) | Target::Anyone(address) => {
                return Err(LinkError::Unsendable(format!("module {address} is not on this network ({})", Bus::Doip)));
            }
        };
        if message.is_empty() {
            return Err(LinkError::Unsendable("it is empty".to_owned()));
        }
        let now = self.now();
        let Some(tester) = self.tester.as_mut() else { return Err(self.closed()) };
        tester.send(logical, message, now);
        self.under_way.push((to, logical));
        self.unheard_since.get_or_insert(now);
        Ok(())
    }

    fn next(&mut self, until: Nanos) -> Result<Option<Told>, LinkError> {
        let mut has_looked = false;
        loop {
            if let Some(told) = self.told.pop_front() {
                return Ok(Some(told));
            }
            let now = self.now();
            match self.event() {
                // Nothing behind it can be read: only another connection helps.
                Some(Event::Broken(error @ DoipError::Pattern(..))) => {
                    return Err(self.lost(std::io::Error::new(std::io::ErrorKind::InvalidData, error)));
                }
                Some(Event::Nacked(_, None))
                    if self.unheard_since.is_some_and(|since| now.saturating_sub(since) >= GONE_NS) =>
                {
                    let said = "the vehicle acknowledges nothing any more";
                    return Err(self.lost(std::io::Error::new(std::io::ErrorKind::TimedOut, said)));
                }
                Some(event) => {
                    if let Some(told) = self.tell(event, now) {
                        return Ok(Some(told));
                    }
                }
                None if has_looked && self.now() >= until => return Ok(None),
                None => {
                    self.pump(until)?;
                    has_looked = true;
                }
            }
        }
    }

    fn round_trip_ns(&self) -> Option<Nanos> {
        self.found.as_ref().map(|found| found.round_trip_ns)
    }

    fn listen_to(&mut self, _wanted: &[Wanted]) -> Hearing {
        // Messages of modules come at any time; there are no frames.
        Hearing::Always
    }
}
