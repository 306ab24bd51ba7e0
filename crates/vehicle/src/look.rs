//! Who else is there: every module of the car, wherever it can be reached.

use std::sync::Arc;
use std::sync::atomic::Ordering;

use definition::Definitions;
use link::{LinkError, Target};
use protocol::exchange::only_reads;
use protocol::obd::Supported;
use protocol::{Address, Bus, CanId, Nanos, Vin};

use crate::conversation::Vehicle;
use crate::find::{MAX_REPEATS, TESTER_PRESENT};
use crate::{Module, Speaks};

/// "Tester present" in ISO 14230.
const TESTER_PRESENT_KWP: [u8; 2] = [0x3E, 0x01];
/// Functional identifiers: of emissions diagnostics with 11 bits (ISO 15765-4), of all modules with 29 bits
/// (ISO 15765-2, target FF; from memory).
const EVERYONE_11: u16 = 0x7DF;
const EVERYONE_29: u32 = 0x18DB_FFF1;
/// 11-bit identifiers that makers use for requests to single modules (common practice, no source). Lower ones carry the
/// car's own traffic on many cars, and nothing is sent there.
const REQUESTS_11: std::ops::RangeInclusive<u16> = 0x700..=0x7F7;
/// From a request's identifier to that of its reply, as makers have it: the legislated distance first (ISO 15765-4), the
/// others are common practice, no source.
const DISTANCES_11: [u16; 5] = [0x08, 0x6A, 0x20, 0x10, 0x80];
/// The tester's address with 29-bit identifiers (ISO 15765-4).
const TESTER: u8 = 0xF1;
/// Logical addresses of modules: the ranges that ISO 13400-2 gives to makers, as far as they are used (from memory).
const LOGICAL: [std::ops::RangeInclusive<u16>; 2] = [0x0001..=0x00FF, 0x1000..=0x10FF];
/// Addresses on a K-line and the ranges that SAE J2178-1 gives to kinds of modules (from memory).
const NODES: [(std::ops::RangeInclusive<u8>, &str); 16] = [
    (0x10..=0x17, "engine"),
    (0x18..=0x1F, "transmission"),
    (0x20..=0x27, "chassis"),
    (0x28..=0x2F, "brakes"),
    (0x30..=0x37, "steering"),
    (0x38..=0x3F, "suspension"),
    (0x40..=0x57, "body"),
    (0x58..=0x5F, "restraints"),
    (0x60..=0x6F, "driver information"),
    (0x70..=0x7F, "lighting"),
    (0x80..=0x8F, "entertainment"),
    (0x90..=0x97, "communication"),
    (0x98..=0x9F, "climate control"),
    (0xA0..=0xBF, "convenience"),
    (0xC0..=0xC7, "security"),
    (0xC8..=0xCF, "other"),
];
/// How many addresses of each of these ranges are tried: opening a K-line takes 0.3 to 3 s each time.
const NODES_OF_A_KIND: usize = 2;

/// How long all addresses of a network are asked: over twice what they take a slow adapter, half a second each (no source).
const LONGEST_LOOK_S: Nanos = 300;
/// What is told then.
const LOOK_ENDED: &str = "looking for modules was ended";

/// What a module is for, by its address alone, where addresses are given by kind (SAE J2178-1, from memory).
#[must_use]
pub fn kind_of(address: Address) -> Option<&'static str> {
    let node = match address {
        Address::Node(node) => node,
        Address::Can29 { reply, .. } if reply >> 8 == 0x18_DAF1 => reply.to_le_bytes()[0],
        _ => return None,
    };
    NODES.iter().find(|(range, _)| range.contains(&node)).map(|(_, kind)| *kind)
}

impl Vehicle {
    /// Asks all usual diagnostic addresses of the network whether a module is there, and adds those that are.
    ///
    /// Functional requests first; then each address that is left, one at a time, with a request that changes nothing.
    /// Addresses at which a module was seen to answer are never sent to. Takes about 65 ms per silent address on CAN, 0.3
    /// to 3 s on a K-line, and 300 s at most: over a line that is too disturbed for more, the rest is not asked, and that is
    /// told. So is where it was [stopped](Vehicle::stop_on).
    ///
    /// # Errors
    /// [`LinkError`] when the link is lost; what was found until then stays.
    pub fn find_everyone(&mut self, progress: &mut dyn FnMut(&str)) -> Result<(), LinkError> {
        let n_before = self.modules.len();
        let n_losses = self.link.info().n_losses;
        let stop = Arc::clone(&self.stop);
        // What is left undone is no progress.
        let progress: &mut dyn FnMut(&str) = &mut |line| {
            if !stop.load(Ordering::Relaxed) {
                progress(line);
            }
        };
        self.look_ends_ns = Some(self.link.now().saturating_add(LONGEST_LOOK_S * 1_000_000_000));
        let outcome = match self.link.info().bus {
            Some(Bus::Can { wide: false, .. }) | None => self.look_11(progress),
            Some(Bus::Can { wide: true, .. }) => self.look_29(progress),
            Some(Bus::Kwp5Baud | Bus::KwpFast) => self.look_k_line(progress),
            Some(Bus::Doip) => self.look_logical(progress),
            // Only functional requests are known here, and who answers them has been found.
            Some(Bus::Iso9141 | Bus::J1850Pwm | Bus::J1850Vpw) => Ok(()),
        };
        self.look_ends_ns = None;
        self.tell_losses(n_losses);
        self.tell_dialects()?;
        self.modules.sort_by_key(|module| module.address);
        progress(&format!("{} modules more", self.modules.len() - n_before));
        outcome
    }

    /// Adds the modules that `definitions` name for this vehicle and that answer where a file says, extended and mixed
    /// addressing included; the definitions are placed at the addresses that answer. Where a diagnostic description has
    /// several variants of a module, the module is asked which it is. Returns the variants that were found.
    ///
    /// # Errors
    /// [`LinkError`] when the link is lost.
    pub fn find_defined(&mut self, definitions: &mut Definitions) -> Result<Vec<String>, LinkError> {
        let n_before = self.modules.len();
        let n_losses = self.link.info().n_losses;
        if definitions.files().iter().any(|file| !file.modules.is_empty()) {
            let vin = self.vin()?;
            let files = definitions.files_for_vin(vin.as_ref().map(Vin::as_str));
            let named = files.flat_map(|file| &file.modules);
            let places: Vec<Vec<Address>> =
                named.map(|module| [&[module.address], module.elsewhere.as_slice()].concat()).collect();
            for places in places {
                let here: Vec<Address> = places.into_iter().filter(|address| self.reaches(*address)).collect();
                if here.iter().any(|address| self.knows(*address)) {
                    continue;
                }
                for address in here {
                    if self.is_there(address)? {
                        break;
                    }
                }
            }
        }
        self.tell_losses(n_losses);
        if self.modules.len() > n_before {
            self.tell_dialects()?;
            self.modules.sort_by_key(|module| module.address);
        }
        let present: Vec<Address> = self.modules.iter().map(|module| module.address).collect();
        definitions.place(&present);
        let mut lost = None;
        let variants = definitions.choose_variants(|module, request| {
            // A description could name any service: nothing is sent that does more than read.
            if lost.is_some() || self.stops_here() || !present.contains(&module) || !only_reads(request) {
                return None;
            }
            self.ask_patiently(module, request).map_err(|error| lost = Some(error)).ok()?.into_iter().next()
        });
        lost.map_or(Ok(variants), Err)
    }

    /// Whether an address is one of the network that was found.
    fn reaches(&self, address: Address) -> bool {
        let is_wide = |id: CanId| matches!(id, CanId::Extended(_));
        match (self.link.info().bus, address) {
            (Some(Bus::Can { wide, .. }), Address::CanByte { request, .. }) => is_wide(request) == wide,
            (Some(Bus::Can { wide, .. }), Address::Can11 { .. }) => !wide,
            (Some(Bus::Can { wide, .. }), Address::Can29 { .. }) => wide,
            (Some(Bus::Kwp5Baud | Bus::KwpFast), Address::Node(_)) | (Some(Bus::Doip), Address::Logical(_)) => true,
            _ => false,
        }
    }

    /// Asks whether a module answers at an address, and adds it if so.
    fn is_there(&mut self, address: Address) -> Result<bool, LinkError> {
        let (asked, speaks) = match address {
            Address::Node(_) => (TESTER_PRESENT_KWP, Speaks::Kwp),
            _ => (TESTER_PRESENT, Speaks::Uds),
        };
        let answers = self.probe(Target::Module(address), &asked)?.contains(&address);
        if answers {
            self.add(address, speaks);
        }
        Ok(answers)
    }

    /// An adapter loses its settings without a word: who was asked in that moment did not answer, and nothing shows it but that
    /// the next command finds them lost.
    fn tell_losses(&mut self, n_before: usize) {
        if self.link.info().n_losses > n_before {
            self.problems.push(
                "the adapter lost its settings while modules were looked for: one that was asked in that moment may be \
                 missing; look to the adapter's supply and its plug, and survey again"
                    .to_owned(),
            );
        }
    }

    /// Which of the modules without OBD speak the older dialect.
    fn tell_dialects(&mut self) -> Result<(), LinkError> {
        for idx in 0..self.modules.len() {
            let Some(Module { address, speaks: Speaks::Uds, .. }) = self.modules.get(idx).cloned() else { continue };
            let is_long = self.link.info().bus.is_some_and(Bus::has_long_messages);
            if is_long
                && !self.stops_here()
                && self.speaks_kwp(address)?
                && let Some(module) = self.modules.get_mut(idx)
            {
                module.speaks = Speaks::Kwp;
            }
        }
        Ok(())
    }

    fn knows(&self, address: Address) -> bool {
        self.modules.iter().any(|module| module.address == address)
    }

    pub(crate) fn add(&mut self, address: Address, speaks: Speaks) {
        if !self.knows(address) {
            self.modules.push(Module { address, speaks, pids: Supported::default() });
        }
    }

    /// Who answers a request to an address whose owner is not known. An address that cannot be asked here has none.
    ///
    /// Where a single address is asked and something came that was no answer, it is asked again: a module may have answered.
    /// Over IP nothing is damaged on its way, and a gateway says so when nobody is there.
    fn probe(&mut self, to: Target, request: &[u8]) -> Result<Vec<Address>, LinkError> {
        let place = match to {
            Target::Module(Address::Logical(_)) | Target::Everyone => None,
            Target::Module(address) | Target::Anyone(address) => Some(address),
        };
        let is_stopped = self.stops_here();
        if is_stopped || self.look_ends_ns.is_some_and(|ends_ns| self.link.now() >= ends_ns) {
            let (Target::Module(place) | Target::Anyone(place)) = to else { return Ok(Vec::new()) };
            if !self.problems.iter().any(|problem| problem.starts_with(LOOK_ENDED)) {
                self.problems.push(if is_stopped {
                    format!("{LOOK_ENDED} before {place}, as it was stopped; survey again for the others")
                } else {
                    let what = "the connection is too slow or disturbed; mend it and survey again";
                    format!("{LOOK_ENDED} after {LONGEST_LOOK_S} s, before {place}: {what}")
                });
            }
            return Ok(Vec::new());
        }
        for n_left in (0..=MAX_REPEATS).rev() {
            let n_problems = self.problems.len();
            let replies = self.ask(to, request, None);
            let odd = self.problems.split_off(n_problems);
            match replies {
                Ok(replies) if replies.is_empty() && !odd.is_empty() && place.is_some() => {
                    if let (0, Some(address)) = (n_left, place) {
                        let what = odd.join("; ");
                        self.problems.push(format!("whether a module is at {address} is not known: {what}"));
                    }
                }
                // What else is odd in such an answer says nothing about a module that was not known.
                Ok(replies) => return Ok(replies.into_iter().map(|reply| reply.from).collect()),
                Err(error) if error.is_lost() => return Err(error),
                Err(LinkError::Unsendable(why)) if matches!(to, Target::Anyone(_)) => {
                    let what = format!("modules were looked for at the legislated addresses alone: {why}");
                    if !self.problems.contains(&what) {
                        self.problems.push(what);
                    }
                    return Ok(Vec::new());
                }
                Err(_) => return Ok(Vec::new()),
            }
        }
        Ok(Vec::new())
    }

    /// Whether a module answers under this pair of identifiers: a late answer to another address is no proof.
    fn answers(&mut self, address: Address) -> Result<bool, LinkError> {
        Ok(self.probe(Target::Module(address), &TESTER_PRESENT)?.contains(&address))
    }

    fn look_11(&mut self, progress: &mut dyn FnMut(&str)) -> Result<(), LinkError> {
        progress("all modules at once");
        let pair = |request: u16, reply: u16| Address::Can11 { request, reply };
        let everyone = Target::Anyone(pair(EVERYONE_11, EVERYONE_11));
        let mut replies: Vec<u16> = Vec::new();
        for from in self.probe(everyone, &TESTER_PRESENT)? {
            let Address::Can11 { reply, .. } = from else { continue };
            replies.push(reply);
            if self.has_reply_11(reply) {
                continue;
            }
            for request in DISTANCES_11.iter().filter_map(|distance| reply.checked_sub(*distance)) {
                if self.answers(pair(request, reply))? {
                    self.add(pair(request, reply), Speaks::Uds);
                    break;
                }
            }
        }
        let mut previous = None;
        for request in REQUESTS_11 {
            let is_taken = |module: &Module| matches!(module.address, Address::Can11 { request: own, reply } if own == request || reply == request);
            let is_legislated = (EVERYONE_11..=0x7EF).contains(&request);
            if is_legislated || replies.contains(&request) || self.modules.iter().any(is_taken) {
                continue;
            }
            if request % 16 == 0 {
                progress(&format!("addresses {request:03X} to {:03X}", request | 0x0F));
            }
            for from in self.probe(Target::Anyone(pair(request, request)), &TESTER_PRESENT)? {
                let Address::Can11 { reply, .. } = from else { continue };
                replies.push(reply);
                // It may be the late answer of the address before.
                for request in [Some(request), previous].into_iter().flatten() {
                    if !self.has_reply_11(reply) && self.answers(pair(request, reply))? {
                        self.add(pair(request, reply), Speaks::Uds);
                    }
                }
            }
            previous = Some(request);
        }
        Ok(())
    }

    fn has_reply_11(&self, reply: u16) -> bool {
        self.modules.iter().any(|module| matches!(module.address, Address::Can11 { reply: own, .. } if own == reply))
    }

    fn look_29(&mut self, progress: &mut dyn FnMut(&str)) -> Result<(), LinkError> {
        progress("all modules at once");
        let everyone = Target::Anyone(Address::Can29 { request: EVERYONE_29, reply: EVERYONE_29 });
        for from in self.probe(everyone, &TESTER_PRESENT)? {
            if !self.knows(from) && self.answers(from)? {
                self.add(from, Speaks::Uds);
            }
        }
        for node in (0x00..=0xFF_u8).filter(|node| *node != TESTER) {
            let address = Address::from_reply29(0x18DA_F100 | u32::from(node));
            if self.knows(address) {
                continue;
            }
            if node % 16 == 0 {
                progress(&format!("addresses {node:02X} to {:02X}", node | 0x0F));
            }
            for from in self.probe(Target::Anyone(address), &TESTER_PRESENT)? {
                if !self.knows(from) && self.answers(from)? {
                    self.add(from, Speaks::Uds);
                }
            }
        }
        Ok(())
    }

    fn look_k_line(&mut self, progress: &mut dyn FnMut(&str)) -> Result<(), LinkError> {
        for (range, kind) in &NODES {
            progress(&format!("K-line addresses of {kind} modules"));
            for node in range.clone().take(NODES_OF_A_KIND) {
                let address = Address::Node(node);
                // A module that answers OBD may speak its own dialect too: that is found out when it is read.
                if !self.knows(address) {
                    self.is_there(address)?;
                }
            }
        }
        Ok(())
    }

    fn look_logical(&mut self, progress: &mut dyn FnMut(&str)) -> Result<(), LinkError> {
        for range in LOGICAL {
            progress(&format!("logical addresses {:04X} to {:04X}", range.start(), range.end()));
            for address in range.map(Address::Logical) {
                if !self.knows(address) && self.answers(address)? {
                    self.add(address, Speaks::Uds);
                }
            }
        }
        Ok(())
    }
}
