//! ISO 14230 (KWP2000), on a K-line or over CAN: identity and codes of modules of about 1998 to 2008.

use link::LinkError;
use protocol::Decoded;
use protocol::kwp::{codes, identification};
use protocol::obd::codes::CodeList;

use super::{CodeRecord, FoundCode, ModuleSurvey, first};
use crate::Vehicle;

impl Vehicle {
    pub(super) fn survey_kwp(&mut self, module: &mut ModuleSurvey) -> Result<(), LinkError> {
        let address = module.address;
        let mut problems = Vec::new();
        for (item, title) in identification::ITEMS {
            let asked = identification::request(item);
            let interpret = |r: &[&[u8]]| {
                let data = identification::interpret(&asked, first(r))?.to_vec();
                Ok(Decoded { value: data, problems: Vec::new() })
            };
            if let Some(data) = self.offered(address, &asked, interpret, &mut problems)? {
                module.add_info(title, &data, item == identification::SYSTEM_NAME);
            }
        }
        let n_problems = self.problems.len() + problems.len();
        let with_status = codes::by_status(codes::ALL);
        let interpret = |r: &[&[u8]]| codes::interpret(&with_status, r);
        let mut read = self.offered(address, &with_status, interpret, &mut problems)?;
        if read.is_none() {
            let plain = codes::plain(codes::ALL);
            read = self.read(address, &plain, |r| codes::interpret(&plain, r), &mut problems)?;
        }
        module.is_cut_short |= self.problems.len() + problems.len() > n_problems;
        for found in read.unwrap_or_default() {
            let kinds = found.status.map_or_else(
                || vec![CodeList::Stored],
                |status| {
                    let kinds = [(status.stored(), CodeList::Stored), (status.pending(), CodeList::Pending)];
                    kinds.into_iter().filter(|(is_in, _)| *is_in).map(|(_, list)| list).collect()
                },
            );
            let asked = codes::status(found.code);
            let interpret =
                |r: &[&[u8]]| Ok(Decoded { value: codes::interpret_status(&asked, first(r))?, problems: Vec::new() });
            let standing = self.offered(address, &asked, interpret, &mut problems)?;
            let more = standing.as_ref().map(|standing| standing.more.clone()).filter(|more| !more.is_empty());
            if let Some(data) = more {
                module.records.push(CodeRecord { code: found.code, record: None, data });
            }
            let kwp_status = found.status.or(standing.map(|standing| standing.status));
            // Told by the emissions diagnostics already: how it stands is added.
            if let Some(known) = module.codes.iter_mut().find(|known| known.code == found.code) {
                known.kwp_status = kwp_status;
            } else {
                module.codes.push(FoundCode { kinds, kwp_status, ..FoundCode::new(found.code) });
            }
        }
        module.problems.append(&mut problems);
        Ok(())
    }
}
