//! ISO 14229: identity, codes by status, and what a module keeps with each code.

use link::LinkError;
use protocol::obd::codes::CodeList;
use protocol::obd::{PidData, info, on_uds};
use protocol::uds::codes::{ALL_RECORDS, extended, snapshot};
use protocol::uds_read::{codes_by_status, identifiers};
use protocol::{Address, Bus, Code, CodeStatus, Decoded, Hex, NEGATIVE, NegativeCode, Problem, kwp};

use super::{CodeRecord, Depth, FoundCode, FreezeFrame, InfoItem, ModuleSurvey, first};
use crate::Vehicle;

/// Status bits of codes worth reading: failing now, pending, confirmed (ISO 14229-1, bits 0, 2, 3).
const WANTED_STATUS: u8 = 0x0D;
/// The module's name for the system that it is.
const NAME: u16 = 0xF197;
/// Identification data of ISO 14229-1 that a module without OBD is asked for.
const IDENTIFIERS: [(u16, &str); 6] = [
    (NAME, "module name"),
    (identifiers::VIN, "vehicle identification number"),
    (identifiers::PART_NUMBER, "part number"),
    (identifiers::SERIAL_NUMBER, "serial number"),
    (identifiers::HARDWARE_NUMBER, "hardware number"),
    (identifiers::SOFTWARE_VERSION, "software version"),
];
/// The same when a module is to tell everything.
const MORE_IDENTIFIERS: [(u16, &str); 4] = [
    (0xF188, "software number"),
    (0xF18A, "supplier"),
    (0xF18B, "date of manufacture"),
    (0xF189, "software version of the maker"),
];
/// Codes whose records are read; a module with more has lost its supply, and its codes say that (common practice, no
/// source).
const MAX_CODES_WITH_RECORDS: usize = 20;

impl Vehicle {
    pub(super) fn survey_uds(&mut self, module: &mut ModuleSurvey, depth: Depth) -> Result<(), LinkError> {
        let address = module.address;
        let more = if depth == Depth::Everything { MORE_IDENTIFIERS.as_slice() } else { &[] };
        for &(did, title) in IDENTIFIERS.iter().chain(more) {
            let asked = identifiers::request(&[did]);
            let replies = self.ask_patiently(address, &asked)?;
            let reply = first(&replies.iter().map(Vec::as_slice).collect::<Vec<_>>()).to_vec();
            if is_unknown_service(&reply) && is_unknown_service(&self.status_reply(address)?) {
                module.speaks = crate::Speaks::Kwp;
                return self.survey_kwp(module);
            }
            let Ok(read) = identifiers::interpret(&asked, &reply, |_| None) else {
                continue; // a module need not have all of these, and refuses those that it lacks
            };
            for item in read.value {
                module.add_info(title, &item.data, did == NAME);
            }
        }
        self.uds_codes(module, depth, true)
    }

    /// The codes by status, and with [`Depth::Everything`] what the module keeps with each. `is_needed`: a module that
    /// refuses is a problem.
    pub(super) fn uds_codes(
        &mut self,
        module: &mut ModuleSurvey,
        depth: Depth,
        is_needed: bool,
    ) -> Result<(), LinkError> {
        let address = module.address;
        let mut problems = Vec::new();
        let n_problems = self.problems.len();
        let asked = codes_by_status::request(WANTED_STATUS);
        let interpret = |r: &[&[u8]]| codes_by_status::interpret(&asked, first(r));
        let read = if is_needed {
            self.read(address, &asked, interpret, &mut problems)?
        } else {
            self.offered(address, &asked, interpret, &mut problems)?
        };
        module.is_cut_short |= self.problems.len() + problems.len() > n_problems;
        let codes = read.map(|(_, codes)| codes).unwrap_or_default();
        for found in &codes {
            module.add_status(found.code, found.status);
        }
        if depth == Depth::Everything {
            for found in codes.iter().take(MAX_CODES_WITH_RECORDS) {
                self.snapshots(module, found.code, &mut problems)?;
                self.records(module, found.code, &mut problems)?;
            }
            if codes.len() > MAX_CODES_WITH_RECORDS {
                problems.push(format!(
                    "of {} codes only the first {MAX_CODES_WITH_RECORDS} were asked for what the module keeps with them",
                    codes.len()
                ));
            }
        }
        module.problems.append(&mut problems);
        Ok(())
    }

    fn snapshots(
        &mut self,
        module: &mut ModuleSurvey,
        code: Code,
        problems: &mut Vec<String>,
    ) -> Result<(), LinkError> {
        let asked = snapshot::request(code, ALL_RECORDS);
        let interpret = |r: &[&[u8]]| {
            let mut read = snapshot::interpret(&asked, first(r), on_uds::length)?;
            // That an identifier's length is not known is no fault of the car's; its bytes are kept.
            read.problems.retain(|problem| !matches!(problem, Problem::LeftOver { .. }));
            Ok(read)
        };
        if let Some(read) = self.offered(module.address, &asked, interpret, problems)? {
            for record in read.records {
                let mut frame = FreezeFrame { number: record.record, code, data: Vec::new(), others: Vec::new() };
                for part in record.data {
                    match on_uds::parameter_of(part.did) {
                        Some(pid) => frame.data.push(PidData { pid, data: part.data }),
                        None => frame.others.push(part),
                    }
                }
                module.freeze_frames.push(frame);
            }
        }
        Ok(())
    }

    fn records(&mut self, module: &mut ModuleSurvey, code: Code, problems: &mut Vec<String>) -> Result<(), LinkError> {
        // Record by record where the module has few: the answer to "all" does not tell where one ends.
        for number in 0x01..=MOST_RECORDS {
            let asked = extended::request(code, number);
            let interpret = |r: &[&[u8]]| {
                let read = extended::interpret(&asked, first(r))?;
                Ok(Decoded { value: read.record, problems: Vec::new() })
            };
            match self.offered(module.address, &asked, interpret, problems)?.flatten() {
                Some((record, data)) => module.records.push(CodeRecord { code, record: Some(record), data }),
                None => break,
            }
        }
        Ok(())
    }

    /// What a module that speaks OBD tells beside it: the status of its codes and what it keeps with them.
    pub(super) fn survey_beside_obd(&mut self, module: &mut ModuleSurvey) -> Result<(), LinkError> {
        let bus = self.link.info().bus;
        match bus {
            Some(bus) if bus.has_long_messages() => self.uds_codes(module, Depth::Everything, false),
            // On a K-line the maker's dialect is spoken with the module alone.
            Some(Bus::Kwp5Baud | Bus::KwpFast)
                if !self.ask_module(module.address, &kwp::session::present(true))?.is_empty() =>
            {
                self.survey_kwp(module)
            }
            _ => Ok(()),
        }
    }

    fn status_reply(&mut self, address: Address) -> Result<Vec<u8>, LinkError> {
        let replies = self.ask_patiently(address, &codes_by_status::request(WANTED_STATUS))?;
        Ok(replies.into_iter().next().unwrap_or_default())
    }

    /// Whether a module that speaks no OBD speaks the older dialect: it knows neither of the services that every UDS
    /// module with codes has, but its own for them.
    pub(crate) fn speaks_kwp(&mut self, address: Address) -> Result<bool, LinkError> {
        use protocol::kwp::codes;
        if !is_unknown_service(&self.status_reply(address)?) {
            return Ok(false);
        }
        let asked = codes::by_status(codes::ALL);
        let replies = self.ask_patiently(address, &asked)?;
        Ok(replies.first().is_some_and(|reply| reply.first() == Some(&0x58)))
    }
}

/// Most records of extended data that are asked for one by one.
const MOST_RECORDS: u8 = 4;

/// Service not supported, at all or in this session.
fn is_unknown_service(reply: &[u8]) -> bool {
    matches!(*reply, [NEGATIVE, _, code] if matches!(NegativeCode(code).0, 0x11 | 0x7F))
}

impl ModuleSurvey {
    /// Adds an item that the module tells of itself, as text where it is one.
    pub(super) fn add_info(&mut self, title: &str, data: &[u8], is_name: bool) {
        let text: String = data.iter().map(|byte| char::from(*byte)).collect();
        let text = text.trim_matches(|c: char| c == '\0' || c == '\u{ff}' || c.is_ascii_whitespace()).to_owned();
        let is_text = !text.is_empty() && text.chars().all(|c| c.is_ascii_graphic() || c == ' ');
        let content =
            if is_text { info::Info::Texts(vec![text.clone()]) } else { info::Info::Bytes(Hex(data.to_vec())) };
        if is_name && is_text {
            self.name = Some(text);
        }
        self.info.push(InfoItem { title: title.to_owned(), content });
    }

    /// Adds a code that a module gives with its status. One that OBD has told already gets the status and its failure
    /// type instead of coming twice.
    pub(super) fn add_status(&mut self, code: Code, status: CodeStatus) {
        let same = |found: &&mut FoundCode| {
            found.code == code
                || (found.code.failure_type.is_none() && found.status.is_none() && found.code.number == code.number)
        };
        if let Some(found) = self.codes.iter_mut().find(same) {
            found.status = Some(status);
            found.detail = (found.code != code).then_some(code);
            return;
        }
        let kinds = [(status.confirmed(), CodeList::Stored), (status.pending(), CodeList::Pending)];
        let kinds = kinds.into_iter().filter(|(is_in, _)| *is_in).map(|(_, list)| list).collect();
        self.codes.push(FoundCode { kinds, status: Some(status), ..FoundCode::new(code) });
    }
}
