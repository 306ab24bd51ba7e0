//! Which requests bring the wanted signals, and how many signals share one.

use std::sync::Arc;

use definition::{Definitions, Message, Read, SignalDefinition, ValueError};
use link::{LinkError, Target};
use protocol::obd::monitors;
use protocol::obd::{Supported, info, on_uds};
use protocol::uds_read::identifiers;
use protocol::{Address, kwp};
use signal::{Catalogue, SignalId, Unit};

use crate::hear::Broadcast;
use crate::poll::Poll;
use crate::schedule::Pace;
use crate::{Module, Vehicle};

/// The signal that the adapter measures itself.
const SUPPLY: &str = "adapter.voltage";

/// What will be asked for the wanted signals.
#[derive(Debug, Clone, Default)]
pub struct Plan {
    /// The wanted signals that can be had, in the order of the wish.
    pub signals: Vec<PlannedSignal>,
    /// The wanted signals that cannot be had.
    pub unavailable: Vec<Unavailable>,
    /// The requests.
    pub(crate) polls: Vec<Poll>,
}

/// A signal that will be recorded.
#[derive(Debug, Clone)]
pub struct PlannedSignal {
    /// Its name.
    pub id: SignalId,
    /// The unit of its values.
    pub unit: Unit,
    /// What it is, in a few words.
    pub title: String,
    /// Where it comes from, such as `7E8 01 0C`.
    pub source: String,
    pub(crate) origin: Origin,
    pub(crate) pace: Pace,
}

/// How a signal is obtained.
#[derive(Debug, Clone)]
pub(crate) enum Origin {
    /// A module is asked.
    Read(Address, SignalDefinition),
    /// A module broadcasts it.
    Broadcast(Broadcast),
    /// The adapter measures it itself.
    Supply,
}

impl PlannedSignal {
    fn read(id: &SignalId, (address, definition): &(Address, SignalDefinition), pace: Pace) -> Self {
        Self {
            id: id.clone(),
            unit: definition.unit.clone(),
            title: definition.title.clone(),
            source: read_source(*address, definition),
            origin: Origin::Read(*address, definition.clone()),
            pace,
        }
    }

    fn heard(id: &SignalId, broadcast: Broadcast, pace: Pace) -> Self {
        let signal = broadcast.message.signals.get(broadcast.signal);
        Self {
            id: id.clone(),
            unit: signal.map_or_else(|| Unit::named(""), |signal| signal.unit.clone()),
            title: signal.map(|signal| signal.title.clone()).unwrap_or_default(),
            source: format!("broadcast {} {}", broadcast.message.id, broadcast.message.name),
            origin: Origin::Broadcast(broadcast),
            pace,
        }
    }

    fn supply(id: &SignalId, pace: Pace) -> Self {
        Self {
            id: id.clone(),
            unit: Unit::named("V"),
            title: Catalogue::standard().get(id).map(|known| known.title.clone()).unwrap_or_default(),
            source: "adapter".to_owned(),
            origin: Origin::Supply,
            pace,
        }
    }

    /// From now on it is asked for, where that is possible.
    pub(crate) fn ask_instead(&mut self) {
        let Origin::Broadcast(broadcast) = &self.origin else { return };
        if let Some((address, definition)) = broadcast.instead.clone() {
            self.source = read_source(address, &definition);
            self.origin = Origin::Read(address, definition);
        }
    }

    /// Seconds between two requests for a signal that is asked slowly on purpose; `None`: as often as the link allows.
    #[must_use]
    pub fn period_s(&self) -> Option<f64> {
        (self.pace.period_ns > 0).then(|| signal::seconds_from_nanos(self.pace.period_ns))
    }
}

fn read_source(address: Address, definition: &SignalDefinition) -> String {
    format!("{address} {}", protocol::Hex(definition.read.request()))
}

/// A signal that is wanted, and how often.
#[derive(Debug, Clone, PartialEq)]
pub struct Wish {
    /// The signal.
    pub id: SignalId,
    /// Seconds between two samples, where more often is not worth it; 0: as often as the link allows; `None`: as the
    /// catalogue says.
    pub period_s: Option<f64>,
    /// Longest time between two samples that is wished for, seconds; goes before all shares.
    pub latest_s: Option<f64>,
    /// Share of the link against the other signals; 1 is usual.
    pub weight: f64,
}

impl From<SignalId> for Wish {
    fn from(id: SignalId) -> Self {
        Self { id, period_s: None, latest_s: None, weight: 1.0 }
    }
}

impl Wish {
    fn pace(&self) -> Pace {
        let known = Catalogue::standard().get(&self.id);
        let period_s = self.period_s.unwrap_or_else(|| known.map_or(0.0, |known| known.refresh_s));
        let latest_ns = self.latest_s.map(|latest_s| signal::nanos_from_seconds(latest_s.max(0.001)));
        let period_ns = signal::nanos_from_seconds(period_s.max(0.0));
        // A wish that contradicts itself gets the more frequent of the two.
        let period_ns =
            latest_ns.map_or(period_ns, |latest_ns| if latest_ns < period_ns { latest_ns } else { period_ns });
        let weight = if self.weight.is_finite() { self.weight.clamp(0.01, 100.0) } else { 1.0 };
        Pace { period_ns, latest_ns, weight }
    }
}

/// A wanted signal that cannot be had, and why.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Unavailable {
    /// The signal.
    pub id: SignalId,
    /// Why not, and what to do about it.
    pub reason: String,
}

impl Plan {
    /// How a signal's bytes become its value, for signals that come from a module.
    pub(crate) fn definition(&self, signal: usize) -> Option<&SignalDefinition> {
        match &self.signals.get(signal)?.origin {
            Origin::Read(_, definition) => Some(definition),
            Origin::Broadcast(_) | Origin::Supply => None,
        }
    }

    /// The values of these signals in the data of their read. A value beyond what can be true is still what the module
    /// said, and the checks must see it.
    pub(crate) fn values<'p>(
        &'p self,
        signals: &'p [usize],
        data: &'p [u8],
    ) -> impl Iterator<Item = (usize, f64)> + 'p {
        let value = |signal: &usize| match self.definition(*signal)?.value(data) {
            Ok(value) | Err(ValueError::Implausible { value, .. }) => Some((*signal, value)),
            Err(_) => None,
        };
        signals.iter().filter_map(value)
    }

    /// Number of data bytes of a read, where it never varies.
    pub(crate) fn n_bytes(&self, read: Read, signals: &[usize]) -> Option<usize> {
        signals
            .first()
            .and_then(|signal| self.definition(*signal))
            .filter(|it| it.read == read)
            .and_then(|it| it.n_bytes)
    }
}

impl Vehicle {
    /// The VIN, from the first module that reports one, those of the emissions diagnostics before all others; asked once,
    /// `None` when no module has one.
    ///
    /// # Errors
    /// [`LinkError`] when the link fails.
    pub fn vin(&mut self) -> Result<Option<protocol::Vin>, LinkError> {
        if self.vin.is_none() {
            self.vin = Some(self.read_vin()?);
        }
        Ok(self.vin.clone().flatten())
    }

    fn read_vin(&mut self) -> Result<Option<protocol::Vin>, LinkError> {
        let mut modules = self.modules.clone();
        // A module that came out of another car may still tell that car's.
        modules.sort_by_key(|module| !module.speaks.has_obd());
        for module in modules {
            let is_can = self.is_can();
            let texts = match module.speaks {
                crate::Speaks::Obd => {
                    let asked = info::request(info::VIN);
                    let replies = self.ask_patiently(module.address, &asked)?;
                    let replies: Vec<&[u8]> = replies.iter().map(Vec::as_slice).collect();
                    match info::interpret(&asked, &replies, is_can).map(|decoded| decoded.value) {
                        Ok(info::Info::Texts(texts)) => texts,
                        _ => Vec::new(),
                    }
                }
                crate::Speaks::Uds | crate::Speaks::ObdOnUds => {
                    let own = on_uds::information(info::VIN);
                    let did = if module.speaks == crate::Speaks::Uds { identifiers::VIN } else { own };
                    let data = self.identifier(module.address, did, false)?;
                    // A number of items may stand before the text.
                    let text = |data: Vec<u8>| String::from_utf8_lossy(&data).trim_start_matches('\u{1}').to_owned();
                    data.into_iter().map(text).collect()
                }
                crate::Speaks::Kwp => {
                    let asked = kwp::identification::request(kwp::identification::VIN);
                    let replies = self.ask_patiently(module.address, &asked)?;
                    let reply = replies.first().map(Vec::as_slice).unwrap_or_default();
                    let data = kwp::identification::interpret(&asked, reply).ok();
                    data.into_iter().map(|data| String::from_utf8_lossy(data).into_owned()).collect()
                }
            };
            if let Some(vin) = texts.iter().find_map(|text| protocol::Vin::new(text).ok()) {
                return Ok(Some(vin));
            }
        }
        Ok(None)
    }

    /// Plans the requests for the wanted signals: who has each, and which share a request.
    ///
    /// A maker's definition that fits the vehicle's VIN is preferred to the standard one, for it is finer.
    ///
    /// # Errors
    /// [`LinkError`] when the link fails. A signal that cannot be had is no error, see [`Plan::unavailable`].
    pub fn plan(&mut self, wanted: &[SignalId], definitions: &Definitions) -> Result<Plan, LinkError> {
        let wishes: Vec<Wish> = wanted.iter().cloned().map(Wish::from).collect();
        self.plan_wishes(&wishes, definitions)
    }

    /// As [`Vehicle::plan`], with a say in how often each signal is asked.
    ///
    /// # Errors
    /// As [`Vehicle::plan`].
    pub fn plan_wishes(&mut self, wishes: &[Wish], definitions: &Definitions) -> Result<Plan, LinkError> {
        let vin = if definitions.files().is_empty() { None } else { self.vin()? };
        let vin = vin.as_ref().map(protocol::Vin::as_str);
        let reads = self.reads(wishes, definitions, vin)?;
        let messages: Vec<Arc<Message>> = definitions
            .messages(vin)
            .filter(|message| wishes.iter().any(|wish| signal_in(message, &wish.id).is_some()))
            .cloned()
            .map(Arc::new)
            .collect();
        self.overhear(&messages)?;
        let can_hear = !messages.is_empty() && self.hears_frames();
        let mut plan = Plan::default();
        for wish in wishes {
            let (id, pace) = (&wish.id, wish.pace());
            let read = reads.iter().find(|(_, definition)| definition.id == *id);
            let message = messages.iter().find_map(|message| Some((message, signal_in(message, id)?)));
            let broadcast = message.filter(|_| can_hear).map(|(message, signal)| Broadcast {
                message: Arc::clone(message),
                signal,
                every_ns: self.learnt.heard.get(&message.id).copied().flatten(),
                instead: read.cloned(),
            });
            match (read, broadcast) {
                // What is not heard and can be had otherwise is asked for.
                (Some(read), None | Some(Broadcast { every_ns: None, .. })) => {
                    plan.signals.push(PlannedSignal::read(id, read, pace));
                }
                (_, Some(broadcast)) => plan.signals.push(PlannedSignal::heard(id, broadcast, pace)),
                (None, None) if id.as_str() == SUPPLY => plan.signals.push(PlannedSignal::supply(id, pace)),
                (None, None) => {
                    let reason = reason(id, definitions, message.is_some());
                    plan.unavailable.push(Unavailable { id: id.clone(), reason });
                }
            }
        }
        plan.polls = self.first_polls(&plan);
        Ok(plan)
    }

    /// What the modules can be asked for: the maker's definitions first, for they are finer.
    fn reads(
        &mut self,
        wishes: &[Wish],
        definitions: &Definitions,
        vin: Option<&str>,
    ) -> Result<Vec<(Address, SignalDefinition)>, LinkError> {
        let mut reads: Vec<(Address, SignalDefinition)> = definitions
            .maker_signals(vin)
            .filter_map(|definition| Some((definition.module?, definition.clone())))
            .filter(|(address, _)| self.modules.iter().any(|module| module.address == *address))
            .collect();
        let needs_results = wishes.iter().any(|Wish { id, .. }| {
            definitions.of(id).any(|definition| matches!(definition.read, Read::MonitorResult { .. }))
                && reads.iter().all(|(_, definition)| definition.id != *id)
        });
        let is_can = self.is_can();
        for module in self.modules.clone() {
            let monitors = if is_can && module.speaks == crate::Speaks::Obd && needs_results {
                self.numbers(module.address, monitors::request)?
            } else {
                Supported::default()
            };
            let offered = definitions.obd_signals(&module.pids, &monitors);
            reads.extend(offered.into_iter().map(|definition| {
                let mut definition = definition.clone();
                if let (crate::Speaks::ObdOnUds, Read::Pid(pid)) = (module.speaks, definition.read) {
                    definition.read = Read::Did(on_uds::parameter(pid)); // the same bytes under another name
                }
                (module.address, definition)
            }));
        }
        Ok(reads)
    }
}

/// Why a signal cannot be had, and what to do about it.
fn reason(id: &SignalId, definitions: &Definitions, is_broadcast: bool) -> String {
    if is_broadcast {
        "the car broadcasts it, and this adapter cannot listen beside its requests; a CAN adapter can".to_owned()
    } else if definitions.of(id).next().is_some() {
        "no module of this car offers it".to_owned()
    } else if Catalogue::standard().get(id).is_some() {
        "no definition says how to read it from this car; give a file of its maker with --definitions".to_owned()
    } else {
        match Catalogue::standard().like(id) {
            Some(like) => format!("no such signal is known; is it {}? `witness signals` lists the names", like.id),
            None => "no such signal is known; `witness signals` lists the names".to_owned(),
        }
    }
}

/// Where in a message a signal is.
fn signal_in(message: &Message, id: &SignalId) -> Option<usize> {
    message.signals.iter().position(|signal| signal.id == *id)
}

/// Whom to address for a module, and how many replies will come to this request if that is known.
///
/// Networks without physical addressing in the legislated part are asked functionally for it: every module that has the
/// PID answers then. What a maker added is asked of the module alone.
pub(crate) fn target(modules: &[Module], address: Address, request: &[u8]) -> (Target, Option<usize>) {
    match (address, request) {
        (Address::Node(_), [0x01, pid, ..]) => {
            (Target::Everyone, Some(modules.iter().filter(|module| module.pids.has(*pid)).count()))
        }
        (Address::Node(_), [0x00..=0x0F, ..] | []) => (Target::Everyone, None),
        _ => (Target::Module(address), Some(1)),
    }
}
