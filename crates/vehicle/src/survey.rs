//! Everything that a car says of itself, read before anything is changed.

use std::collections::BTreeMap;

use link::LinkError;
use protocol::obd::codes::{self, CodeList};
use protocol::obd::monitors::{MonitorResult, PlainResult};
use protocol::obd::{PidData, Readiness, Supported, current, freeze, info, monitors};
use protocol::uds_read::{codes_by_status, identifiers};
use protocol::{Address, Code, CodeStatus, Decoded, Hex, NegativeCode, ReplyError, Vin};

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
    /// What went wrong, over the whole car.
    pub problems: Vec<String>,
    /// Every request with its replies, in order.
    pub raw: Vec<RawExchange>,
}

/// What one module says.
#[derive(Debug, Clone)]
pub struct ModuleSurvey {
    /// Its address.
    pub address: Address,
    /// What it calls itself.
    pub name: Option<String>,
    /// What it understands.
    pub speaks: Speaks,
    /// Its codes, each once.
    pub codes: Vec<FoundCode>,
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
}

/// One thing that a module says of itself.
#[derive(Debug, Clone, PartialEq)]
pub struct InfoItem {
    /// What it is.
    pub title: String,
    /// Its content.
    pub content: info::Info,
}

/// Status bits of codes worth reading: failing now, pending, confirmed (ISO 14229-1, bits 0, 2, 3).
const WANTED_STATUS: u8 = 0x0D;
/// Identification data of ISO 14229-1 that a module without OBD is asked for.
const IDENTIFIERS: [(u16, &str); 6] = [
    (0xF197, "module name"),
    (identifiers::VIN, "vehicle identification number"),
    (identifiers::PART_NUMBER, "part number"),
    (identifiers::SERIAL_NUMBER, "serial number"),
    (identifiers::HARDWARE_NUMBER, "hardware number"),
    (identifiers::SOFTWARE_VERSION, "software version"),
];
/// How often a busy module is asked again.
const MAX_BUSY_REPEATS: usize = 3;
/// Pause before a busy module is asked again, ns.
const BUSY_PAUSE_NS: protocol::Nanos = 100_000_000;

impl Vehicle {
    /// Reads everything that OBD offers, and identity and codes of the modules that speak UDS only. Changes nothing.
    ///
    /// A module that fails costs its own data, not the others'; a link that fails for good ends the survey with what
    /// was read so far and a problem that says so.
    pub fn survey(&mut self, mut progress: impl FnMut(&str)) -> Survey {
        let mut survey = Survey {
            bus: self.link.info().bus,
            adapter: self.link.info().adapter.clone(),
            supply_volts: self.link.supply_volts().unwrap_or_default(),
            ..Survey::default()
        };
        let modules = self.modules.clone();
        for (idx, module) in modules.iter().enumerate() {
            progress(&format!("module {} ({} of {})", module.address, idx + 1, modules.len()));
            let mut read = ModuleSurvey::new(module);
            self.problems.retain(|problem| {
                // Problems from before belong to the whole car.
                survey.problems.push(problem.clone());
                false
            });
            let outcome = match module.speaks {
                Speaks::Obd => self.survey_obd(&mut read),
                Speaks::Uds => self.survey_uds(&mut read),
            };
            read.problems.append(&mut self.problems);
            let lost = outcome.err();
            if let Some(error) = &lost {
                read.problems.push(format!("{error}; the rest of this module was not read"));
            }
            survey.modules.push(read);
            if let Some(error) = lost.filter(LinkError::is_lost) {
                survey.problems.push(format!("the survey ended early: {error}"));
                break;
            }
        }
        survey.vin = survey.modules.iter().find_map(ModuleSurvey::vin);
        survey.problems.append(&mut self.problems);
        survey.raw = std::mem::take(&mut self.log);
        survey
    }

    /// One request to one module, asked again while it is busy; refusals and unreadable answers become problems.
    fn read<T>(
        &mut self,
        address: Address,
        request: &[u8],
        interpret: impl Fn(&[&[u8]]) -> Result<Decoded<T>, ReplyError>,
        problems: &mut Vec<String>,
    ) -> Result<Option<T>, LinkError> {
        for attempt in 0..=MAX_BUSY_REPEATS {
            let replies = self.ask_module(address, request)?;
            let replies: Vec<&[u8]> = replies.iter().map(Vec::as_slice).collect();
            match interpret(&replies) {
                Ok(decoded) => {
                    problems
                        .extend(decoded.problems.iter().map(|problem| format!("{}: {problem}", Hex::from(request))));
                    return Ok(Some(decoded.value));
                }
                Err(ReplyError::Negative { code: NegativeCode::BUSY, .. }) if attempt < MAX_BUSY_REPEATS => {
                    self.link.pause(BUSY_PAUSE_NS);
                }
                Err(error) => {
                    problems.push(error.to_string());
                    return Ok(None);
                }
            }
        }
        Ok(None)
    }

    /// The numbers that a module supports of a service; no problem when it has none of it.
    pub(crate) fn numbers(
        &mut self,
        address: Address,
        request: impl Fn(u8) -> Vec<u8>,
    ) -> Result<Supported, LinkError> {
        let asked = request(0x00);
        for attempt in 0..=MAX_BUSY_REPEATS {
            match self.ask_module(address, &asked)?.into_iter().next().as_deref() {
                Some([protocol::NEGATIVE, _, code])
                    if NegativeCode(*code) == NegativeCode::BUSY && attempt < MAX_BUSY_REPEATS =>
                {
                    self.link.pause(BUSY_PAUSE_NS);
                }
                Some([protocol::NEGATIVE, ..]) | None => break,
                Some(reply) => return self.supported(address, request, &asked, reply),
            }
        }
        Ok(Supported::default())
    }

    fn survey_obd(&mut self, module: &mut ModuleSurvey) -> Result<(), LinkError> {
        let (address, is_can) = (module.address, self.is_can());
        let mut problems = Vec::new();
        for (pid, slot) in [(0x01, &mut module.readiness), (0x41, &mut module.readiness_this_cycle)] {
            if module.pids.has(pid) {
                let asked = current::request(&[pid]);
                let data = self.read(address, &asked, |r| current::interpret(&asked, first(r)), &mut problems)?;
                *slot = data.as_deref().and_then(readiness_in);
            }
        }
        for list in CodeList::ALL {
            let asked = codes::request(list);
            let replies = self.ask_module(address, &asked)?;
            if replies.is_empty() && list != CodeList::Stored {
                continue; // service 0A is younger than many cars, and silence is how they say so
            }
            let replies: Vec<&[u8]> = replies.iter().map(Vec::as_slice).collect();
            match codes::interpret(&asked, &replies, is_can) {
                Ok(decoded) => {
                    decoded.value.into_iter().for_each(|code| module.add_code(code, list));
                    problems
                        .extend(decoded.problems.iter().map(|problem| format!("{}: {problem}", Hex::from(&asked[..]))));
                }
                Err(error) => problems.push(error.to_string()),
            }
        }
        self.freeze_frame(module, &mut problems)?;
        if is_can {
            for mid in self.numbers(address, monitors::request)?.iter() {
                let asked = monitors::request(mid);
                let results = self.read(address, &asked, |r| monitors::interpret(&asked, first(r)), &mut problems)?;
                module.results.extend(results.unwrap_or_default());
            }
        } else {
            for tid in self.numbers(address, monitors::request)?.iter() {
                let asked = monitors::request(tid);
                let results = self.read(address, &asked, |r| monitors::interpret_plain(&asked, r), &mut problems)?;
                module.plain_results.extend(results.unwrap_or_default());
            }
        }
        for kind in self.numbers(address, info::request)?.iter() {
            let asked = info::request(kind);
            let read = self.read(address, &asked, |r| info::interpret(&asked, r, is_can), &mut problems)?;
            if let Some(content) = read {
                if let (info::MODULE_NAME, info::Info::Texts(texts)) = (kind, &content) {
                    module.name = texts.first().cloned();
                }
                let title = info::title(kind).map_or_else(|| format!("information type {kind:02X}"), str::to_owned);
                module.info.push(InfoItem { title, content });
            }
        }
        module.problems.append(&mut problems);
        Ok(())
    }

    /// Frame 0, the one that the regulations ask for: first the code that stored it, then what it holds.
    fn freeze_frame(&mut self, module: &mut ModuleSurvey, problems: &mut Vec<String>) -> Result<(), LinkError> {
        const FRAME: u8 = 0;
        let address = module.address;
        let asked = freeze::request(&[0x02], FRAME);
        let Some(reply) = self.ask_module(address, &asked)?.into_iter().next() else { return Ok(()) };
        let code = match freeze::code(&asked, &reply) {
            Ok(Some(code)) => code,
            // No frame, or none of this service: a module without codes has nothing to show.
            Ok(None) | Err(ReplyError::Negative { .. }) => return Ok(()),
            Err(error) => {
                problems.push(error.to_string());
                return Ok(());
            }
        };
        let frame_request = |base| freeze::request(&[base], FRAME);
        let pids: Vec<u8> = self.numbers(address, frame_request)?.iter().filter(|pid| *pid != 0x02).collect();
        let per_request = if self.is_can() { current::MAX_FREEZE_PIDS } else { 1 };
        let mut frame = FreezeFrame { number: FRAME, code, data: Vec::new() };
        for group in pids.chunks(per_request) {
            let asked = freeze::request(group, FRAME);
            let mut unread = Vec::new();
            let data = self.read(address, &asked, |r| freeze::interpret(&asked, first(r)), &mut unread)?;
            match data {
                Some(data) if unread.is_empty() || group.len() == 1 => {
                    problems.append(&mut unread);
                    frame.data.extend(data);
                }
                // Some modules take one PID per request only.
                _ => {
                    for pid in group {
                        let asked = freeze::request(&[*pid], FRAME);
                        let data = self.read(address, &asked, |r| freeze::interpret(&asked, first(r)), problems)?;
                        frame.data.extend(data.unwrap_or_default());
                    }
                }
            }
        }
        module.freeze_frames.push(frame);
        Ok(())
    }

    fn survey_uds(&mut self, module: &mut ModuleSurvey) -> Result<(), LinkError> {
        let address = module.address;
        let mut problems = Vec::new();
        for (did, title) in IDENTIFIERS {
            let asked = identifiers::request(&[did]);
            let replies = self.ask_module(address, &asked)?;
            let Some(Ok(read)) = replies.first().map(|reply| identifiers::interpret(&asked, reply, |_| None)) else {
                continue; // a module need not have all of these, and refuses those that it lacks
            };
            for item in read.value {
                let text: String = item.data.iter().map(|byte| char::from(*byte)).collect();
                let text = text.trim_matches(|c: char| c == '\0' || c.is_ascii_whitespace()).to_owned();
                let content = if text.chars().all(|c| c.is_ascii_graphic() || c == ' ') {
                    info::Info::Texts(vec![text.clone()])
                } else {
                    info::Info::Bytes(Hex(item.data))
                };
                if did == 0xF197 {
                    module.name = Some(text);
                }
                module.info.push(InfoItem { title: title.to_owned(), content });
            }
        }
        let asked = codes_by_status::request(WANTED_STATUS);
        let read = self.read(address, &asked, |r| codes_by_status::interpret(&asked, first(r)), &mut problems)?;
        for found in read.map(|(_, codes)| codes).unwrap_or_default() {
            let kinds = [(found.status.confirmed(), CodeList::Stored), (found.status.pending(), CodeList::Pending)];
            let kinds = kinds.into_iter().filter(|(is_in, _)| *is_in).map(|(_, list)| list).collect();
            module.codes.push(FoundCode { code: found.code, kinds, status: Some(found.status) });
        }
        module.problems.append(&mut problems);
        Ok(())
    }
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

impl ModuleSurvey {
    fn new(module: &Module) -> Self {
        Self {
            address: module.address,
            name: None,
            speaks: module.speaks,
            codes: Vec::new(),
            freeze_frames: Vec::new(),
            readiness: None,
            readiness_this_cycle: None,
            results: Vec::new(),
            plain_results: Vec::new(),
            info: Vec::new(),
            pids: module.pids.clone(),
            problems: Vec::new(),
        }
    }

    fn add_code(&mut self, code: Code, list: CodeList) {
        match self.codes.iter_mut().find(|found| found.code == code) {
            Some(found) => found.kinds.push(list),
            None => self.codes.push(FoundCode { code, kinds: vec![list], status: None }),
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
