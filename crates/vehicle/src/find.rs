//! Who is there: the modules that answer.

use link::{Link, LinkError, Target};
use protocol::obd::{Supported, current};
use protocol::{Address, Bus};

use crate::conversation::Vehicle;
use crate::{Module, Speaks};

/// "Tester present", which changes nothing and which every UDS module answers (ISO 14229-1).
const TESTER_PRESENT: [u8; 2] = [0x3E, 0x00];
/// Replies of the legislated 11-bit identifiers (ISO 15765-4).
const REPLY_IDS_11: std::ops::RangeInclusive<u16> = 0x7E8..=0x7EF;

impl Vehicle {
    /// Looks for modules behind an open link: those that answer OBD, and on 11-bit CAN also those of the legislated
    /// addresses that answer UDS only.
    ///
    /// # Errors
    /// [`LinkError`] when the link fails, [`LinkError::NoVehicle`] when nobody answers.
    pub fn find(link: Box<dyn Link>) -> Result<Self, LinkError> {
        let mut vehicle = Self { link, modules: Vec::new(), log: Vec::new(), problems: Vec::new(), vin: None };
        let asked = current::request(&[0x00]);
        let mut found: Vec<(Address, Vec<u8>)> = Vec::new();
        for reply in vehicle.ask(Target::Everyone, &asked, None)? {
            found.push((reply.from, reply.bytes));
        }
        let wide = matches!(vehicle.link.info().bus, Some(Bus::Can { wide: true, .. }));
        if vehicle.is_can() && !wide {
            for address in REPLY_IDS_11.map(Address::from_reply11) {
                if found.iter().all(|(known, _)| *known != address)
                    && !vehicle.ask_module(address, &TESTER_PRESENT)?.is_empty()
                {
                    let module = Module { address, speaks: Speaks::Uds, pids: Supported::default() };
                    vehicle.modules.push(module);
                }
            }
        }
        for (address, reply) in found {
            let pids = vehicle.supported(address, |base| current::request(&[base]), &asked, &reply)?;
            if pids.is_empty() {
                vehicle.problems.push(format!("{address}: says that it has no PIDs"));
            }
            vehicle.modules.push(Module { address, speaks: Speaks::Obd, pids });
        }
        if vehicle.modules.is_empty() {
            return Err(LinkError::NoVehicle {
                address: vehicle.link.info().adapter.clone(),
                said: "no module answered `01 00`".into(),
            });
        }
        vehicle.modules.sort_by_key(|module| module.address);
        Ok(vehicle)
    }

    /// What a module supports of one service, from its first bitmap on. `request` makes the request for the bitmap that
    /// starts at a number.
    pub(crate) fn supported(
        &mut self,
        address: Address,
        request: impl Fn(u8) -> Vec<u8>,
        first_asked: &[u8],
        first_reply: &[u8],
    ) -> Result<Supported, LinkError> {
        let mut supported = Supported::default();
        let (mut asked, mut replies, mut base) = (first_asked.to_vec(), vec![first_reply.to_vec()], 0x00);
        loop {
            for reply in &replies {
                if let Err(error) = supported.add_reply(&asked, reply) {
                    self.problems.push(format!("{address}: {error}"));
                }
            }
            let Some(next) = supported.next_bitmap(Some(base)) else { return Ok(supported) };
            base = next;
            asked = request(base);
            replies = self.ask_module(address, &asked)?;
        }
    }
}
