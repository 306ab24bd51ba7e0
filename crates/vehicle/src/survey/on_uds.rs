//! OBD on UDS (SAE J1979-2): what services 01 to 0A tell, asked for by identifiers.

use link::LinkError;
use protocol::obd::codes::CodeList;
use protocol::obd::readiness::{self, Period};
use protocol::obd::{PidData, Readiness, Supported, info, on_uds};
use protocol::uds::codes::group;
use protocol::uds_read::identifiers;
use protocol::{Address, Decoded};

use super::{Depth, InfoItem, ModuleSurvey, first, readiness_in};
use crate::Vehicle;

/// Status bits of confirmed and of pending codes (ISO 14229-1, bits 3 and 2).
const CONFIRMED_OR_PENDING: u8 = 0x0C;

impl Vehicle {
    /// The data of one identifier; `None` when the module does not have it, which is a problem when it has said that it does.
    pub(crate) fn identifier(
        &mut self,
        address: Address,
        did: u16,
        is_promised: bool,
    ) -> Result<Option<Vec<u8>>, LinkError> {
        let asked = identifiers::request(&[did]);
        let interpret = |r: &[&[u8]]| {
            let read = identifiers::interpret(&asked, first(r), |_| None)?;
            let data = read.value.into_iter().next().map(|item| item.data).unwrap_or_default();
            Ok(Decoded { value: data, problems: read.problems })
        };
        let mut problems = Vec::new();
        let data = if is_promised {
            self.read(address, &asked, interpret, &mut problems)?
        } else {
            self.offered(address, &asked, interpret, &mut problems)?
        };
        self.problems.append(&mut problems);
        Ok(data)
    }

    /// The numbers that a module supports, from the bitmaps in its identifiers.
    pub(crate) fn numbers_on_uds(&mut self, address: Address, did: impl Fn(u8) -> u16) -> Result<Supported, LinkError> {
        let mut supported = Supported::default();
        let mut base = 0x00;
        loop {
            let data = self.identifier(address, did(base), base > 0)?.unwrap_or_default();
            let Some(bitmap) = data.first_chunk::<4>() else { return Ok(supported) };
            supported.add(base, *bitmap);
            match supported.next_bitmap(Some(base)) {
                Some(next) => base = next,
                None => return Ok(supported),
            }
        }
    }

    /// The monitor status of a module that has none in one piece, from its readiness groups.
    fn readiness_groups(&mut self, module: &mut ModuleSurvey, problems: &mut Vec<String>) -> Result<(), LinkError> {
        let mut groups = Vec::new();
        for number in (1..).take(readiness::GROUPS.len()) {
            let asked = group::by_readiness(group::EMISSIONS, number);
            let read = self.offered(module.address, &asked, |r| group::interpret(&asked, first(r)), problems)?;
            let Some(read) = read else { continue };
            groups.push((number, read.codes.iter().map(|code| code.found.status).collect()));
        }
        module.readiness = Readiness::from_groups(&groups, Period::SinceClear);
        module.readiness_this_cycle =
            module.readiness_this_cycle.take().or_else(|| Readiness::from_groups(&groups, Period::ThisDriveCycle));
        Ok(())
    }

    pub(super) fn survey_on_uds(&mut self, module: &mut ModuleSurvey, depth: Depth) -> Result<(), LinkError> {
        let address = module.address;
        let mut problems = Vec::new();
        for (pid, slot) in [(0x01, &mut module.readiness), (0x41, &mut module.readiness_this_cycle)] {
            if module.pids.has(pid) {
                let data = self.identifier(address, on_uds::parameter(pid), true)?.unwrap_or_default();
                *slot = readiness_in(&[PidData { pid, data }]);
            }
        }
        if module.readiness.is_none() {
            self.readiness_groups(module, &mut problems)?;
        }
        let n_problems = self.problems.len() + problems.len();
        for (asked, is_permanent) in [
            (group::by_status(group::EMISSIONS, CONFIRMED_OR_PENDING), false),
            (group::permanent(group::EMISSIONS), true),
        ] {
            let interpret = |r: &[&[u8]]| group::interpret(&asked, first(r));
            let read = if is_permanent {
                self.offered(address, &asked, interpret, &mut problems)?
            } else {
                self.read(address, &asked, interpret, &mut problems)?
            };
            for code in read.map(|read| read.codes).unwrap_or_default() {
                let found = code.found;
                if is_permanent {
                    module.add_code(found.code, CodeList::Permanent);
                } else {
                    module.add_status(found.code, found.status);
                }
            }
        }
        module.is_cut_short |= self.problems.len() + problems.len() > n_problems;
        // Codes that do not concern emissions, and what the module keeps with all of them.
        self.uds_codes(module, depth, false)?;
        for mid in self.numbers_on_uds(address, on_uds::monitor)?.iter() {
            let Some(data) = self.identifier(address, on_uds::monitor(mid), true)? else { continue };
            let read = on_uds::results(mid, &data);
            problems.extend(read.problems.iter().map(|problem| format!("monitor {mid:02X}: {problem}")));
            module.results.extend(read.value);
        }
        for kind in self.numbers_on_uds(address, on_uds::information)?.iter() {
            let Some(data) = self.identifier(address, on_uds::information(kind), true)? else { continue };
            match on_uds::information_of(kind, &data) {
                Ok(read) => {
                    if let (info::MODULE_NAME, info::Info::Texts(texts)) = (kind, &read.value) {
                        module.name = texts.first().cloned();
                    }
                    let title = info::title(kind).map_or_else(|| format!("information type {kind:02X}"), str::to_owned);
                    module.info.push(InfoItem { title, content: read.value });
                }
                Err(error) => problems.push(error.to_string()),
            }
        }
        module.problems.append(&mut problems);
        Ok(())
    }
}
