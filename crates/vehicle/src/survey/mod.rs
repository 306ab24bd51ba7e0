//! Everything that a car says of itself, read before anything is changed.

mod kwp;
mod missing;
mod obd;
mod on_uds;
mod uds;

use std::collections::BTreeMap;

use definition::Definitions;
use link::LinkError;
use protocol::obd::codes::CodeList;
use protocol::obd::monitors::{MonitorResult, PlainResult};
use protocol::obd::{PidData, Readiness, Supported, info};
use protocol::uds_read::identifiers::DidData;
use protocol::{Address, Code, CodeStatus, Decoded, Hex, NegativeCode, ReplyError, Vin, kwp as kwp_services};

pub use missing::Missing;

use crate::{Module, RawExchange, Speaks, Vehicle};

/// Everything that was read of a car.
#[derive(Debug, Clone, Default)]
pub struct Survey {
    /// The vehicle's identity, where a module reports one; older cars report none.
    pub vin: Option<Vin>,
    /// Name of the network, where one was found.
    pub bus: Option<protocol::Bus>,
    /// What the adapter says of itself.
    pub adapter: String,
    /// Supply voltage at the connector, V.
    pub supply_volts: Option<f64>,
    /// One per module that answers.
    pub modules: Vec<ModuleSurvey>,
    /// Modules that others miss.
    pub missing: Vec<Missing>,
    /// What went wrong, over the whole car.
    pub problems: Vec<String>,
    /// What went wrong on the way and was made good by asking again: nothing is lost.
    pub notes: Vec<String>,
    /// Every request with its replies, in order.
    pub raw: Vec<RawExchange>,
}

/// What one module says.
#[derive(Debug, Clone)]
pub struct ModuleSurvey {
    /// Its address.
    pub address: Address,
    /// What it calls itself, or what a definition calls it.
    pub name: Option<String>,
    /// The network that it sits on, where a definition tells; otherwise it is reached over that of the connector.
    pub network: Option<String>,
    /// What it understands.
    pub speaks: Speaks,
    /// Its codes, each once.
    pub codes: Vec<FoundCode>,
    /// What it keeps with its codes beside the frozen values.
    pub records: Vec<CodeRecord>,
    /// Its freeze frames.
    pub freeze_frames: Vec<FreezeFrame>,
    /// Its monitor status since codes were cleared.
    pub readiness: Option<Readiness>,
    /// The same for this drive cycle.
    pub readiness_this_cycle: Option<Readiness>,
    /// Results of its self-tests, CAN.
    pub results: Vec<MonitorResult>,
    /// Results of its self-tests, other networks.
    pub plain_results: Vec<PlainResult>,
    /// What service 09 or its identifiers tell.
    pub info: Vec<InfoItem>,
    /// The PIDs that it has.
    pub pids: Supported,
    /// What went wrong with this module.
    pub problems: Vec<String>,
    /// Whether reading it broke off, or its codes could not be read without trouble: it may have codes that are not here.
    pub is_cut_short: bool,
}

/// A code with everything known of its state.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FoundCode {
    /// The code.
    pub code: Code,
    /// The lists that it is in, in the order stored, pending, permanent.
    pub kinds: Vec<CodeList>,
    /// Its ISO 14229 status byte, where the module gives one.
    pub status: Option<CodeStatus>,
    /// Its ISO 14230 status byte, where the module gives that one.
    pub kwp_status: Option<kwp_services::codes::Status>,
    /// The code with its failure type, where it is in a list of OBD without one and the module tells it elsewhere.
    pub detail: Option<Code>,
}

/// What a module keeps with a code, such as counters; the maker defines what it means.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CodeRecord {
    /// The code.
    pub code: Code,
    /// Number of the record; `None` where the module has one only.
    pub record: Option<u8>,
    /// Its bytes.
    pub data: Vec<u8>,
}

/// The values that were frozen when a code was stored.
#[derive(Debug, Clone, PartialEq)]
pub struct FreezeFrame {
    /// Number of the frame.
    pub number: u8,
    /// The code that stored it.
    pub code: Code,
    /// Data by PID.
    pub data: Vec<PidData>,
    /// Data by identifier that no standard parameter stands for.
    pub others: Vec<DidData>,
}

/// One thing that a module says of itself.
#[derive(Debug, Clone, PartialEq)]
pub struct InfoItem {
    /// What it is.
    pub title: String,
    /// Its content.
    pub content: info::Info,
}

/// How much of a car is read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Depth {
    /// What the emissions diagnostics offer, identity and codes of the others.
    Emissions,
    /// All that a module tells.
    Everything,
}

/// How often a busy module is asked again.
const MAX_BUSY_REPEATS: usize = 5;
/// Pause before a busy module is asked again, ns.
const BUSY_PAUSE_NS: protocol::Nanos = 100_000_000;

impl Vehicle {
    /// Reads everything that OBD offers, and identity and codes of the modules that speak UDS only. Changes nothing.
    ///
    /// A module that fails costs its own data, not the others'; a link that fails for good ends the survey with what
    /// was read so far and a problem that says so, and so does [stopping](Vehicle::stop_on) it between two modules.
    pub fn survey(&mut self, progress: impl FnMut(&str)) -> Survey {
        self.read_all(Depth::Emissions, progress)
    }

    /// Looks for every module of the car (see [`Vehicle::find_everyone`]) and reads all that each tells in whatever
    /// dialect it speaks: identity, codes with their status, frozen values and other records. Changes nothing.
    ///
    /// Modules that do not tell their name are named by `definitions`. As with [`Vehicle::survey`], what fails costs
    /// itself alone.
    pub fn survey_everything(&mut self, definitions: &Definitions, mut progress: impl FnMut(&str)) -> Survey {
        let mut definitions = definitions.clone();
        let looked = self.find_everyone(&mut progress).and_then(|()| self.find_defined(&mut definitions).map(drop));
        let mut survey = self.read_all(Depth::Everything, progress);
        if let Err(error) = looked {
            survey.problems.push(format!("not every address was asked: {error}"));
        }
        let vin = survey.vin.as_ref().map(Vin::as_str);
        for file in definitions.files_for_vin(vin) {
            for known in &file.modules {
                let module = survey.modules.iter_mut().find(|module| module.address == known.address);
                let Some(module) = module else { continue };
                module.name.get_or_insert_with(|| known.name.clone());
                module.network = module.network.take().or_else(|| known.network.clone());
            }
        }
        survey.missing = missing::missing(&survey.modules);
        survey
    }

    fn read_all(&mut self, depth: Depth, mut progress: impl FnMut(&str)) -> Survey {
        let mut survey = Survey {
            bus: self.link.info().bus,
            adapter: self.link.info().adapter.clone(),
            supply_volts: self.link.supply_volts().unwrap_or_default(),
            ..Survey::default()
        };
        let modules = self.modules.clone();
        for (idx, module) in modules.iter().enumerate() {
            let place = format!("module {} ({} of {})", module.address, idx + 1, modules.len());
            if self.stops_here() {
                survey.problems.push(format!("the survey was stopped before {place}; survey again for the rest"));
                break;
            }
            progress(&place);
            let mut read = ModuleSurvey::new(module);
            self.reads_from = Some(self.log.len());
            // Problems from before belong to the whole car.
            survey.problems.append(&mut self.problems);
            let outcome = match module.speaks {
                Speaks::Obd => self.survey_obd(&mut read).and_then(|()| match depth {
                    Depth::Emissions => Ok(()),
                    Depth::Everything => self.survey_beside_obd(&mut read),
                }),
                Speaks::ObdOnUds => self.survey_on_uds(&mut read, depth),
                Speaks::Uds => self.survey_uds(&mut read, depth),
                Speaks::Kwp => self.survey_kwp(&mut read),
            };
            read.problems.append(&mut self.problems);
            let lost = outcome.err();
            // It is forgotten where the reading began when the module falls silent.
            read.is_cut_short |= lost.is_some() || self.reads_from.is_none();
            if let Some(error) = &lost {
                read.problems.push(format!("{error}; the rest of this module was not read"));
            }
            survey.modules.push(read);
            if let Some(error) = lost.filter(LinkError::is_lost) {
                survey.problems.push(format!("the survey ended early: {error}"));
                break;
            }
        }
        let of = |has_obd| survey.modules.iter().filter(move |module| module.speaks.has_obd() == has_obd);
        // A module that came out of another car may still tell that car's.
        survey.vin = of(true).chain(of(false)).find_map(ModuleSurvey::vin);
        if survey.vin.is_some() {
            // Where it was asked for at an unlucky moment, it is known from now on.
            self.vin = Some(survey.vin.clone());
        } else if self.was_stopped {
            // What was read is this car's, however little that is.
            survey.vin = self.vin().unwrap_or_default();
        }
        survey.problems.append(&mut self.problems);
        survey.notes.append(&mut self.notes);
        survey.raw = std::mem::take(&mut self.log);
        self.reads_from = None;
        survey
    }

    /// What a module says to a request, asked again while it is busy. One that is silent while a survey reads it has nothing
    /// to say to this request, or is gone: that is looked into.
    pub(crate) fn ask_patiently(&mut self, address: Address, request: &[u8]) -> Result<Vec<Vec<u8>>, LinkError> {
        for _ in 0..MAX_BUSY_REPEATS {
            let replies = self.ask_module(address, request)?;
            if replies.is_empty() {
                self.look_into_silence(address)?;
            }
            if !replies.iter().any(|reply| is_busy(reply)) {
                return Ok(replies);
            }
            self.link.pause(BUSY_PAUSE_NS);
        }
        self.ask_module(address, request)
    }

    /// Asks the module that is being read once more what it answered last, and tells when that brings nothing either: many
    /// requests need no answer, so that without it a survey with the ignition off looks whole. Told once for each module.
    fn look_into_silence(&mut self, address: Address) -> Result<(), LinkError> {
        let Some(from) = self.reads_from else { return Ok(()) };
        let answers = |raw: &&RawExchange| raw.exchange.replies.iter().any(|reply| reply.from == address);
        let Some(last) = self.log.iter().skip(from).rev().find(answers) else { return Ok(()) };
        let known = last.request.clone();
        if self.ask_module(address, &known)?.is_empty() {
            self.reads_from = None;
            self.problems.push(format!(
                "fell silent while it was read, also to `{}`, which it had answered: what is missing here may be there; \
                 switch the ignition on and survey again",
                Hex(known)
            ));
        }
        Ok(())
    }

    /// One request to one module, asked again while it is busy, with its answer read; what was odd in it becomes problems.
    fn interpreted<T>(
        &mut self,
        address: Address,
        request: &[u8],
        interpret: impl Fn(&[&[u8]]) -> Result<Decoded<T>, ReplyError>,
        problems: &mut Vec<String>,
    ) -> Result<Result<T, ReplyError>, LinkError> {
        let replies = self.ask_patiently(address, request)?;
        let replies: Vec<&[u8]> = replies.iter().map(Vec::as_slice).collect();
        Ok(interpret(&replies).map(|decoded| {
            problems.extend(decoded.problems.iter().map(|problem| format!("{}: {problem}", Hex::from(request))));
            decoded.value
        }))
    }

    /// What a module says to a request that it may well refuse or not know: `None` then, and no problem, unless it only
    /// refuses for now.
    fn offered<T>(
        &mut self,
        address: Address,
        request: &[u8],
        interpret: impl Fn(&[&[u8]]) -> Result<Decoded<T>, ReplyError>,
        problems: &mut Vec<String>,
    ) -> Result<Option<T>, LinkError> {
        match self.interpreted(address, request, interpret, problems)? {
            Ok(value) => Ok(Some(value)),
            Err(ReplyError::NoAnswer { .. }) => Ok(None),
            Err(ReplyError::Negative { code, .. }) if !is_for_now(code) => Ok(None),
            Err(error) => {
                problems.push(error.to_string());
                Ok(None)
            }
        }
    }

    /// One request to one module, asked again while it is busy; refusals and unreadable answers become problems.
    fn read<T>(
        &mut self,
        address: Address,
        request: &[u8],
        interpret: impl Fn(&[&[u8]]) -> Result<Decoded<T>, ReplyError>,
        problems: &mut Vec<String>,
    ) -> Result<Option<T>, LinkError> {
        match self.interpreted(address, request, interpret, problems)? {
            Ok(value) => Ok(Some(value)),
            Err(error) => {
                problems.push(error.to_string());
                Ok(None)
            }
        }
    }

    /// The numbers that a module supports of a service; no problem when it has none of it.
    pub(crate) fn numbers(
        &mut self,
        address: Address,
        request: impl Fn(u8) -> Vec<u8>,
    ) -> Result<Supported, LinkError> {
        let asked = request(0x00);
        match self.ask_patiently(address, &asked)?.into_iter().next().as_deref() {
            None => Ok(Supported::default()),
            Some([protocol::NEGATIVE, _, .., code]) if !is_for_now(NegativeCode(*code)) => Ok(Supported::default()),
            Some(reply) => self.supported(address, request, &asked, reply),
        }
    }
}

/// "Busy, ask again".
pub(crate) fn is_busy(reply: &[u8]) -> bool {
    matches!(*reply, [protocol::NEGATIVE, _, code] if NegativeCode(code) == NegativeCode::BUSY)
}

/// A refusal that says nothing about what a module has: it is busy, or the car is not in the right state.
fn is_for_now(code: NegativeCode) -> bool {
    code == NegativeCode::BUSY || code.asks_for_another_state()
}

/// The first message, which on CAN is the only one.
fn first<'r>(replies: &[&'r [u8]]) -> &'r [u8] {
    replies.first().copied().unwrap_or_default()
}

fn readiness_in(data: &[PidData]) -> Option<Readiness> {
    data.iter().flat_map(|part| part.values().value).find_map(|value| match value.content {
        protocol::obd::Content::Readiness(readiness) => Some(readiness),
        _ => None,
    })
}

impl FoundCode {
    fn new(code: Code) -> Self {
        Self { code, kinds: Vec::new(), status: None, kwp_status: None, detail: None }
    }
}

impl ModuleSurvey {
    fn new(module: &Module) -> Self {
        Self {
            address: module.address,
            name: None,
            network: None,
            speaks: module.speaks,
            codes: Vec::new(),
            records: Vec::new(),
            freeze_frames: Vec::new(),
            readiness: None,
            readiness_this_cycle: None,
            results: Vec::new(),
            plain_results: Vec::new(),
            info: Vec::new(),
            pids: module.pids.clone(),
            problems: Vec::new(),
            is_cut_short: false,
        }
    }

    fn add_code(&mut self, code: Code, list: CodeList) {
        match self.codes.iter_mut().find(|found| found.code == code) {
            Some(found) => found.kinds.push(list),
            None => self.codes.push(FoundCode { code, kinds: vec![list], ..FoundCode::new(code) }),
        }
    }

    /// The VIN that this module reports, if it is one.
    #[must_use]
    pub fn vin(&self) -> Option<Vin> {
        self.info.iter().filter(|item| item.title.contains("vehicle identification")).find_map(|item| {
            match &item.content {
                info::Info::Texts(texts) => texts.iter().find_map(|text| Vin::new(text).ok()),
                _ => None,
            }
        })
    }

    /// Self-test results by monitor.
    #[must_use]
    pub fn results_by_monitor(&self) -> BTreeMap<u8, Vec<&MonitorResult>> {
        let mut by_monitor: BTreeMap<u8, Vec<&MonitorResult>> = BTreeMap::new();
        for result in &self.results {
            by_monitor.entry(result.mid).or_default().push(result);
        }
        by_monitor
    }
}
