//! Which requests bring the wanted signals, and how many signals share one.

use definition::{Definitions, Read, SignalDefinition};
use link::{LinkError, Target};
use protocol::obd::monitors;
use protocol::obd::{Supported, info, on_uds};
use protocol::uds_read::identifiers;
use protocol::{Address, kwp};
use signal::{Catalogue, SignalId, Unit};

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
    /// How it is read; `None` for what the adapter measures itself.
    pub(crate) definition: Option<(Address, SignalDefinition)>,
    pub(crate) pace: Pace,
}

impl PlannedSignal {
    /// Seconds between two requests for a signal that is asked slowly on purpose; `None`: as often as the link allows.
    #[must_use]
    pub fn period_s(&self) -> Option<f64> {
        (self.pace.period_ns > 0).then(|| signal::seconds_from_nanos(self.pace.period_ns))
    }
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
        self.signals.get(signal)?.definition.as_ref().map(|(_, definition)| definition)
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
    /// The VIN, from the first module that reports one; asked once, `None` when no module has one.
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
        for module in self.modules.clone() {
            let is_can = self.is_can();
            let texts = match module.speaks {
                crate::Speaks::Obd => {
                    let asked = info::request(info::VIN);
                    let replies = self.ask_module(module.address, &asked)?;
                    let replies: Vec<&[u8]> = replies.iter().map(Vec::as_slice).collect();
                    match info::interpret(&asked, &replies, is_can).map(|decoded| decoded.value) {
                        Ok(info::Info::Texts(texts)) => texts,
                        _ => Vec::new(),
                    }
                }
                crate::Speaks::Uds | crate::Speaks::ObdOnUds => {
                    let own = on_uds::information(info::VIN);
                    let did = if module.speaks == crate::Speaks::Uds { identifiers::VIN } else { own };
                    let data = self.identifier(module.address, did)?;
                    // A number of items may stand before the text.
                    let text = |data: Vec<u8>| String::from_utf8_lossy(&data).trim_start_matches('\u{1}').to_owned();
                    data.into_iter().map(text).collect()
                }
                crate::Speaks::Kwp => {
                    let asked = kwp::identification::request(kwp::identification::VIN);
                    let replies = self.ask_module(module.address, &asked)?;
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
        let maker: Vec<(Address, SignalDefinition)> = definitions
            .maker_signals(vin)
            .filter_map(|definition| Some((definition.module?, definition.clone())))
            .filter(|(address, _)| self.modules.iter().any(|module| module.address == *address))
            .collect();
        let needs_results = |id: &SignalId| {
            definitions.of(id).any(|definition| matches!(definition.read, Read::MonitorResult { .. }))
                && maker.iter().all(|(_, definition)| definition.id != *id)
        };
        let is_can = self.is_can();
        let mut standard: Vec<(Address, SignalDefinition)> = Vec::new();
        for module in self.modules.clone() {
            let monitors =
                if is_can && module.speaks == crate::Speaks::Obd && wishes.iter().any(|wish| needs_results(&wish.id)) {
                    self.numbers(module.address, monitors::request)?
                } else {
                    Supported::default()
                };
            let offered = definitions.obd_signals(&module.pids, &monitors);
            standard.extend(offered.into_iter().map(|definition| {
                let mut definition = definition.clone();
                if let (crate::Speaks::ObdOnUds, Read::Pid(pid)) = (module.speaks, definition.read) {
                    definition.read = Read::Did(on_uds::parameter(pid)); // the same bytes under another name
                }
                (module.address, definition)
            }));
        }
        let mut plan = Plan::default();
        for wish in wishes {
            let (id, pace) = (&wish.id, wish.pace());
            let found = maker.iter().chain(&standard).find(|(_, definition)| definition.id == *id);
            let known = Catalogue::standard().get(id);
            if let Some((address, definition)) = found {
                plan.signals.push(PlannedSignal {
                    id: id.clone(),
                    unit: definition.unit.clone(),
                    title: definition.title.clone(),
                    source: format!("{address} {}", protocol::Hex(definition.read.request())),
                    definition: Some((*address, definition.clone())),
                    pace,
                });
            } else if id.as_str() == SUPPLY {
                plan.signals.push(PlannedSignal {
                    id: id.clone(),
                    unit: Unit::named("V"),
                    title: known.map(|known| known.title.clone()).unwrap_or_default(),
                    source: "adapter".to_owned(),
                    definition: None,
                    pace,
                });
            } else {
                let reason = if definitions.of(id).next().is_some() {
                    "no module of this car offers it"
                } else if known.is_some() {
                    "no definition says how to read it from this car; give a file of its maker with --definitions"
                } else {
                    "no such signal is known; `witness signals` lists the names"
                };
                plan.unavailable.push(Unavailable { id: id.clone(), reason: reason.to_owned() });
            }
        }
        plan.polls = self.first_polls(&plan);
        Ok(plan)
    }
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
