//! One link for all CAN adapters that pass frames on: segmentation, time-outs and the search for the network run here.

use std::collections::{HashSet, VecDeque};

use protocol::isotp::{Conversations, Event, SendError, Settings as IsoTp, Step};
use protocol::{Bus, CanFrame, CanId, Nanos};

use crate::direct::{Carrier, DirectLink, FLOOD_NS, Told};
use crate::{Heard, Hearing, Link, LinkError, LinkInfo, PortError, Reply, Settings, Source, Target, Wanted};

const MS: Nanos = 1_000_000;
/// How long the first frame of an answer may take: twice P2 max of ISO 15765-4 (50 ms, from memory). Within this time a
/// module has either begun to answer or will not any more, so that no answer is taken for one to the next request.
const P2_NS: Nanos = 100 * MS;
/// The same behind a request to whoever listens: P2 max and a few frames. A module that is later than this answers into
/// the next request, which whoever looks for modules has to check anyway.
const PROBE_NS: Nanos = 60 * MS;
/// How long a silent network is listened to before anything is sent to it at a bit rate that may be wrong.
const LISTEN_NS: Nanos = 60 * MS;
/// What fills frames up: the value that ISO 15765-2 recommends (from memory), for it needs no stuff bits. With zeros a
/// request takes 6 % more of the bus.
const PADDING: u8 = 0xCC;
/// Modules asked at once: more do not fit on a bus at 500 kbit/s, where an exchange of two frames takes half a
/// millisecond and the quickest modules answer within one to two.
const N_PARALLEL: usize = 16;

/// What came from an adapter.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Incoming {
    /// A frame.
    Frame(CanFrame),
    /// The adapter could not send, or says that the bus has trouble.
    Trouble(String),
}

/// An open CAN adapter with its clock. A stand-in brings a virtual clock, so that waiting takes no time there.
pub trait CanPort: Send {
    /// Monotonic time; the zero is the port's own.
    fn now(&self) -> Nanos;

    /// Gives a frame to the adapter; comes back when the adapter has it.
    ///
    /// # Errors
    /// [`PortError::Lost`] when the adapter is gone.
    fn send(&mut self, frame: &CanFrame) -> Result<(), PortError>;

    /// Waits until something has arrived or `deadline` has passed; with the time of its arrival.
    ///
    /// # Errors
    /// [`PortError::Lost`] when the adapter is gone.
    fn receive_until(&mut self, deadline: Nanos) -> Result<Option<(Nanos, Incoming)>, PortError>;

    /// Supply voltage at the connector in volts; `None` if the adapter cannot measure it.
    fn supply_volts(&mut self) -> Option<f64> {
        None
    }
}

/// How a CAN adapter takes part in the network.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Mode {
    /// Sends, and acknowledges what it receives.
    Normal,
    /// Changes nothing on the bus.
    ListenOnly,
}

/// How to reach a CAN adapter: opens it, as often as needed. Clocks as for [`crate::Dial`].
pub trait CanDial: Send {
    /// The address as the user gave it.
    fn address(&self) -> &str;

    /// Opens the adapter at this bit rate, or the one that it is set to where it cannot be chosen.
    ///
    /// # Errors
    /// [`LinkError`]: the adapter is not there, silent, another device, or refuses.
    fn dial(&mut self, kbit_s: u16, mode: Mode) -> Result<Box<dyn CanPort>, LinkError>;

    /// Bit rates that can be chosen, kbit/s, most likely first.
    fn bit_rates(&self) -> Vec<u16> {
        vec![500, 250]
    }

    /// What is known of the adapter after it was opened.
    fn about(&self) -> String;

    /// What opening it found missing or odd, one line each.
    fn notes(&self) -> Vec<String> {
        Vec::new()
    }

    /// Whether all frames pass, so that others can be heard; otherwise those of diagnostics only.
    fn passes_all(&self) -> bool {
        true
    }

    /// What the adapter and the way to it add to a round trip, as measured.
    fn latency_ns(&self) -> Nanos {
        0
    }

    /// Whether frames reach it that have the CAN FD format.
    fn is_fd(&self) -> bool {
        false
    }

    /// Monotonic time while nothing is open: the same clock as the ports'.
    fn now(&self) -> Nanos;

    /// Lets time pass while nothing is open.
    fn pause(&mut self, nanos: Nanos);
}

/// Opens a link through a CAN adapter.
///
/// # Errors
/// [`LinkError`] of the adapter; with [`Settings::need_vehicle`] also [`LinkError::NoVehicle`].
pub fn start(dial: Box<dyn CanDial>, settings: Settings) -> Result<Box<dyn Link>, LinkError> {
    Ok(Box::new(DirectLink::start(CanCarrier::new(dial), settings)?))
}

struct CanCarrier {
    dial: Box<dyn CanDial>,
    port: Option<Box<dyn CanPort>>,
    /// What the port was opened with.
    opened: Option<(u16, Mode)>,
    conversations: Conversations,
    told: VecDeque<Told>,
    /// When the frame that was taken last had arrived.
    arrived_ns: Nanos,
    all_frames: bool,
    frames: HashSet<CanId>,
}

/// Questions that find a vehicle, gentlest first: the list of parameters, which emissions modules must answer to everyone
/// (SAE J1979); the protocol identification of OBD on UDS (SAE J1979-2, from memory); "tester present" (ISO 14229-1).
const PROBES: [&[u8]; 3] = [&[0x01, 0x00], &[0x22, 0xF8, 0x10], &[0x3E, 0x00]];

impl CanCarrier {
    fn new(dial: Box<dyn CanDial>) -> Self {
        Self {
            dial,
            port: None,
            opened: None,
            conversations: Conversations::new(IsoTp::default(), false),
            told: VecDeque::new(),
            arrived_ns: 0,
            all_frames: false,
            frames: HashSet::new(),
        }
    }

    fn port(&mut self) -> Result<&mut Box<dyn CanPort>, LinkError> {
        let address = self.dial.address().to_owned();
        self.port.as_mut().ok_or_else(|| {
            LinkError::Port(PortError::Lost { address, source: std::io::ErrorKind::NotConnected.into() })
        })
    }

    /// Opens at this bit rate unless it is open so already.
    fn open_at(&mut self, kbit_s: u16, mode: Mode, info: &mut LinkInfo) -> Result<(), LinkError> {
        if self.port.is_none() || self.opened != Some((kbit_s, mode)) {
            self.port = None;
            self.port = Some(self.dial.dial(kbit_s, mode)?);
            self.opened = Some((kbit_s, mode));
            info.adapter = self.dial.about();
            info.notes = self.dial.notes();
        }
        Ok(())
    }

    /// Whether any frame passes at this bit rate.
    fn has_traffic(&mut self, kbit_s: u16, info: &mut LinkInfo) -> Result<bool, LinkError> {
        match self.open_at(kbit_s, Mode::ListenOnly, info) {
            // An adapter that cannot listen alone is no worse off than without.
            Err(LinkError::Unsendable(_)) => return Ok(false),
            result => result?,
        }
        let port = self.port()?;
        let end = port.now().saturating_add(LISTEN_NS);
        while let Some((_, incoming)) = port.receive_until(end)? {
            if matches!(incoming, Incoming::Frame(_)) {
                return Ok(true);
            }
            if port.now() > end {
                break;
            }
        }
        Ok(false)
    }

    /// Looks for a module that answers here: `None` when one does, otherwise what the adapter said of it. Classical frames
    /// are understood everywhere; CAN FD comes last.
    fn answers(&mut self, kbit_s: u16, wide: bool, info: &mut LinkInfo) -> Result<Option<String>, LinkError> {
        match self.answers_in(kbit_s, wide, false, info)? {
            Some(_) if self.dial.is_fd() => self.answers_in(kbit_s, wide, true, info),
            answer => Ok(answer),
        }
    }

    fn answers_in(
        &mut self,
        kbit_s: u16,
        wide: bool,
        is_fd: bool,
        info: &mut LinkInfo,
    ) -> Result<Option<String>, LinkError> {
        self.open_at(kbit_s, Mode::Normal, info)?;
        self.speak(wide, is_fd);
        let mut trouble = String::new();
        for probe in PROBES {
            self.send(Target::Everyone, probe)?;
            let mut end = self.now().saturating_add(self.p2_ns(Target::Everyone));
            loop {
                match self.next(end)? {
                    Some(Told::Message(_) | Told::Begun(_)) => {
                        // What else is on its way must not be taken for the answer to the first request.
                        end = self.now().saturating_add(P2_NS);
                        while self.next(end)?.is_some() && self.now() < end {}
                        self.told.clear();
                        return Ok(None);
                    }
                    Some(Told::Trouble(what)) => trouble = what,
                    Some(_) => {}
                    None => break,
                }
                if self.now() > end.saturating_add(FLOOD_NS) {
                    break;
                }
            }
        }
        Ok(Some(trouble))
    }

    fn speak(&mut self, wide: bool, is_fd: bool) {
        let frame_bytes = if is_fd { 64 } else { 8 };
        let settings = IsoTp { is_fd, frame_bytes, padding: Some(PADDING), ..IsoTp::default() };
        self.conversations = Conversations::new(settings, wide);
        self.told.clear();
    }

    fn take(&mut self, arrived: Nanos, incoming: Incoming) {
        let frame = match incoming {
            Incoming::Frame(frame) => frame,
            Incoming::Trouble(what) => return self.told.push_back(Told::Trouble(what)),
        };
        self.arrived_ns = arrived;
        self.conversations.receive(&frame, arrived);
        if self.all_frames || self.frames.contains(&frame.id) {
            let heard = Heard { from: Source::Frame(frame.id), bytes: frame.data, arrived_ns: arrived };
            self.told.push_back(Told::Heard(heard));
        }
    }
}

impl Carrier for CanCarrier {
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
        let remembered = settings.bus;
        info.bus = None;
        let first = match remembered {
            Some(Bus::Can { kbit_s, .. }) if self.dial.bit_rates().contains(&kbit_s) => kbit_s,
            _ => self.dial.bit_rates().first().copied().unwrap_or(500),
        };
        self.open_at(first, Mode::Normal, info)?;
        if let Some(Bus::Can { wide, kbit_s }) = remembered
            && kbit_s == first
            && self.answers(kbit_s, wide, info)?.is_none()
        {
            info.bus = remembered;
            return Ok(());
        }
        match self.search(info) {
            Err(LinkError::NoVehicle { .. }) if !settings.need_vehicle => Ok(()),
            result => result,
        }
    }

    fn search(&mut self, info: &mut LinkInfo) -> Result<(), LinkError> {
        let mut rates = self.dial.bit_rates();
        // A frame at a wrong bit rate disturbs a network that is alive: listen first where there is a choice.
        if rates.len() > 1 {
            for kbit_s in rates.clone() {
                if self.has_traffic(kbit_s, info)? {
                    rates = vec![kbit_s];
                    break;
                }
            }
        }
        let mut said = String::new();
        for kbit_s in rates {
            for wide in [false, true] {
                match self.answers(kbit_s, wide, info)? {
                    None => {
                        info.bus = Some(Bus::Can { wide, kbit_s });
                        return Ok(());
                    }
                    Some(trouble) if !trouble.is_empty() => said = trouble,
                    Some(_) => {}
                }
            }
        }
        if said.is_empty() {
            said = "no module answered on CAN".to_owned();
        }
        Err(LinkError::NoVehicle { address: self.dial.address().to_owned(), said })
    }

    fn close(&mut self) {
        self.port = None;
        self.opened = None;
        self.told.clear();
    }

    fn is_open(&self) -> bool {
        self.port.is_some()
    }

    fn p2_ns(&self, to: Target) -> Nanos {
        let p2_ns = if matches!(to, Target::Anyone(_)) { PROBE_NS } else { P2_NS };
        p2_ns + 2 * self.dial.latency_ns()
    }

    fn n_parallel(&self) -> usize {
        N_PARALLEL
    }

    fn send(&mut self, to: Target, message: &[u8]) -> Result<(), LinkError> {
        if let Target::Module(module) = to {
            // What is left of a request that was given up.
            self.conversations.cancel(module);
        }
        let now = self.now();
        self.conversations.send(to, message, now).map_err(|error| LinkError::Unsendable(error.to_string()))
    }

    fn next(&mut self, until: Nanos) -> Result<Option<Told>, LinkError> {
        loop {
            if let Some(told) = self.told.pop_front() {
                return Ok(Some(told));
            }
            let now = self.now();
            let deadline = match self.conversations.poll(now) {
                Step::Send(frame) => {
                    self.port()?.send(&frame)?;
                    self.conversations.confirm(self.now());
                    continue;
                }
                Step::Event(said) => {
                    let told = match (said.with, said.event) {
                        (to, Event::Sent) => Told::Sent(to),
                        (to, Event::SendFailed(error)) => {
                            let is_damage = !matches!(error, SendError::Overflow(_) | SendError::FlowStatus(_));
                            Told::Failed { to, what: error.to_string(), is_damage }
                        }
                        (Target::Module(from), Event::Begun { .. }) => Told::Begun(from),
                        (Target::Module(from), Event::Received(bytes)) => {
                            Told::Message(Reply { from, bytes, arrived_ns: self.arrived_ns })
                        }
                        (Target::Module(from), Event::ReceiveFailed(error)) => {
                            Told::Broken { from, what: error.to_string() }
                        }
                        (Target::Everyone | Target::Anyone(_), _) => continue,
                    };
                    return Ok(Some(told));
                }
                Step::Wait(at) => at.min(until),
                Step::Idle => until,
            };
            match self.port()?.receive_until(deadline)? {
                Some((arrived, incoming)) => {
                    self.take(arrived, incoming);
                    if self.told.is_empty() && self.now() > until.saturating_add(FLOOD_NS) {
                        return Ok(None);
                    }
                }
                None if self.now() >= until => return Ok(None),
                None => {}
            }
        }
    }

    fn listen_to(&mut self, wanted: &[Wanted]) -> Hearing {
        self.all_frames = wanted.contains(&Wanted::AnyFrame);
        self.frames =
            wanted.iter().filter_map(|wanted| if let Wanted::Frames(id) = wanted { Some(*id) } else { None }).collect();
        if self.dial.passes_all() { Hearing::Always } else { Hearing::Never }
    }

    fn supply_volts(&mut self) -> Result<Option<f64>, LinkError> {
        Ok(self.port()?.supply_volts())
    }

    fn round_trip_ns(&self) -> Option<Nanos> {
        Some(self.dial.latency_ns()).filter(|ns| *ns > 0)
    }
}
