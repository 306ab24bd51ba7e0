//! Who is there: the modules that answer.

use std::collections::BTreeSet;

use link::{Link, LinkError, Target};
use protocol::obd::{Supported, current, on_uds};
use protocol::uds_read::identifiers;
use protocol::{Address, Bus, NEGATIVE, ReplyError};

use crate::conversation::Vehicle;
use crate::survey::is_busy;
use crate::{Module, Speaks};

/// "Tester present", which changes nothing and which every UDS module answers, if only with a refusal (ISO 14229-1).
pub(crate) const TESTER_PRESENT: [u8; 2] = [0x3E, 0x00];
/// Replies of the legislated 11-bit identifiers (ISO 15765-4).
const REPLY_IDS_11: std::ops::RangeInclusive<u16> = 0x7E8..=0x7EF;

/// How often everyone is asked again while an answer came damaged.
pub(crate) const MAX_REPEATS: usize = 2;

impl Vehicle {
    /// Looks for modules behind an open link: those that answer OBD, and on 11-bit CAN also those of the legislated
    /// addresses that answer UDS only. [`Vehicle::find_everyone`] finds the others.
    ///
    /// # Errors
    /// [`LinkError`] when the link fails, [`LinkError::NoVehicle`] when nobody answers.
    pub fn find(link: Box<dyn Link>) -> Result<Self, LinkError> {
        let mut vehicle = Self {
            link,
            modules: Vec::new(),
            log: Vec::new(),
            problems: Vec::new(),
            notes: Vec::new(),
            vin: None,
            learnt: crate::tune::Learnt::default(),
            may_open_sessions: false,
            session_would_help: BTreeSet::new(),
            reads_from: None,
            look_ends_ns: None,
            stop: std::sync::Arc::default(),
            was_stopped: false,
        };
        let asked = current::request(&[0x00]);
        let is_can = vehicle.is_can();
        // Whoever does not know the service should be silent to a request to all, and some refuse: they are there.
        let refuses = |reply: &[u8]| is_can && matches!(*reply, [NEGATIVE, _, 0x11 | 0x12 | 0x31 | 0x7E | 0x7F]);
        let (without_obd, found): (Vec<_>, Vec<_>) =
            vehicle.ask_everyone(&asked)?.into_iter().partition(|(_, reply)| refuses(reply));
        let wide = matches!(vehicle.link.info().bus, Some(Bus::Can { wide: true, .. }));
        if found.is_empty() && is_can {
            vehicle.find_on_uds()?;
        }
        if wide || vehicle.link.info().bus == Some(Bus::Doip) {
            vehicle.find_uds(&found)?;
        } else if vehicle.link.info().bus.is_none_or(Bus::is_can) {
            for address in REPLY_IDS_11.map(Address::from_reply11) {
                if found.iter().all(|(known, _)| *known != address)
                    && vehicle.modules.iter().all(|module| module.address != address)
                    && !vehicle.ask_module(address, &TESTER_PRESENT)?.is_empty()
                {
                    let module = Module { address, speaks: Speaks::Uds, pids: Supported::default() };
                    vehicle.modules.push(module);
                }
            }
        }
        for (address, _) in without_obd {
            vehicle.add(address, Speaks::Uds);
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

    /// Asks everyone, again while an answer came damaged: each sender once, with its answer. Whoever is busy is asked again
    /// alone.
    fn ask_everyone(&mut self, asked: &[u8]) -> Result<Vec<(Address, Vec<u8>)>, LinkError> {
        let mut found: Vec<(Address, Vec<u8>)> = Vec::new();
        for _ in 0..=MAX_REPEATS {
            let n_before = self.problems.len();
            for reply in self.ask(Target::Everyone, asked, None)? {
                if found.iter().all(|(known, _)| *known != reply.from) {
                    found.push((reply.from, reply.bytes));
                }
            }
            if self.problems.len() == n_before {
                // This time everything came whole: what was damaged before is here.
                self.notes.append(&mut self.problems);
                break;
            }
        }
        for (address, reply) in found.iter_mut().filter(|(_, reply)| is_busy(reply)) {
            if let Some(again) = self.ask_patiently(*address, asked)?.into_iter().next() {
                *reply = again;
            }
        }
        Ok(found)
    }

    /// The modules of a car that answers OBD by identifiers only (SAE J1979-2).
    fn find_on_uds(&mut self) -> Result<(), LinkError> {
        let asked = identifiers::request(&[on_uds::PROTOCOL]);
        for (address, reply) in self.ask_everyone(&asked)? {
            if identifiers::interpret(&asked, &reply, |_| None).is_ok() {
                let pids = self.numbers_on_uds(address, on_uds::parameter)?;
                self.modules.push(Module { address, speaks: Speaks::ObdOnUds, pids });
            }
        }
        Ok(())
    }

    /// The modules that answer a functional request of UDS and do not speak OBD.
    fn find_uds(&mut self, with_obd: &[(Address, Vec<u8>)]) -> Result<(), LinkError> {
        for (address, _) in self.ask_everyone(&TESTER_PRESENT)? {
            if with_obd.iter().all(|(known, _)| *known != address) {
                self.add(address, Speaks::Uds);
            }
        }
        Ok(())
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
            replies = self.ask_patiently(address, &asked)?;
            if replies.is_empty() {
                // It has said itself that there is more.
                self.problems.push(format!("{address}: {}", ReplyError::NoAnswer { asked: asked.as_slice().into() }));
            }
        }
    }
}
