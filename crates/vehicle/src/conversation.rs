//! Asking modules, one request at a time, with everything written down.

use std::collections::BTreeSet;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use link::{Exchange, Link, LinkError, LinkInfo, Reply, Request, Target};
use protocol::{Address, Bus, Nanos};

use crate::Module;

/// A request with all that came back, as it will be kept.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RawExchange {
    /// Whom it was for.
    pub to: Target,
    /// Service and parameters.
    pub request: Vec<u8>,
    /// What came back.
    pub exchange: Exchange,
}

/// A connected car: the link and the modules that were found behind it.
pub struct Vehicle {
    pub(crate) link: Box<dyn Link>,
    pub(crate) modules: Vec<Module>,
    pub(crate) log: Vec<RawExchange>,
    pub(crate) problems: Vec<String>,
    /// What went wrong and was made good.
    pub(crate) notes: Vec<String>,
    /// `None` until it was asked.
    pub(crate) vin: Option<Option<protocol::Vin>>,
    pub(crate) learnt: crate::tune::Learnt,
    /// Whether an extended session may be opened for reading.
    pub(crate) may_open_sessions: bool,
    /// Modules that would send by themselves in an extended session.
    pub(crate) session_would_help: BTreeSet<Address>,
    /// While a survey reads a module: where that begins in the log.
    pub(crate) reads_from: Option<usize>,
    /// While modules are looked for: when that ends.
    pub(crate) look_ends_ns: Option<Nanos>,
    /// Set from outside: nothing more is begun.
    pub(crate) stop: Arc<AtomicBool>,
    /// Whether something was left undone for it.
    pub(crate) was_stopped: bool,
}

/// How often a survey opens a lost adapter again before it gives up.
const MAX_REOPENINGS: usize = 3;
/// Pause before an adapter that was lost is opened again.
const REOPEN_PAUSE_NS: Nanos = 500_000_000;

impl Vehicle {
    /// The modules that were found, by rising address.
    #[must_use]
    pub fn modules(&self) -> &[Module] {
        &self.modules
    }

    /// What is known of adapter and network.
    #[must_use]
    pub fn link_info(&self) -> &LinkInfo {
        self.link.info()
    }

    /// What went wrong while the modules were looked for.
    #[must_use]
    pub fn problems(&self) -> &[String] {
        &self.problems
    }

    /// Lets the sampler open an extended diagnostic session in modules that send values by themselves (service 2A) only
    /// there, and leave it at the end. Off at first: a module may behave otherwise in such a session.
    pub fn allow_sessions(&mut self, allowed: bool) {
        self.may_open_sessions = allowed;
    }

    /// The modules that [`Vehicle::allow_sessions`] would make faster, as far as they were tried.
    #[must_use]
    pub fn faster_in_session(&self) -> Vec<Address> {
        self.session_would_help.iter().copied().collect()
    }

    /// Has surveys and clearing end between two of their steps once `flag` is set: what was done by then stands, and a
    /// survey says where it was stopped.
    pub fn stop_on(&mut self, flag: &Arc<AtomicBool>) {
        self.stop = Arc::clone(flag);
    }

    /// Whether a survey or clearing left something undone because it was stopped.
    #[must_use]
    pub fn was_stopped(&self) -> bool {
        self.was_stopped
    }

    /// Goes on with what comes next; to stop that too, the flag is set again.
    pub fn go_on(&self) {
        self.stop.store(false, Ordering::Relaxed);
    }

    /// Whether the next step of a survey or clearing is left undone.
    pub(crate) fn stops_here(&mut self) -> bool {
        let stops = self.stop.load(Ordering::Relaxed);
        self.was_stopped |= stops;
        stops
    }

    /// Whether OBD services have the layout that they have on CAN.
    pub(crate) fn is_can(&self) -> bool {
        self.link.info().bus.is_none_or(Bus::has_long_messages)
    }

    /// One request, written down. A link that is lost on the way is opened again and the request repeated.
    pub(crate) fn ask(&mut self, to: Target, bytes: &[u8], n_replies: Option<usize>) -> Result<Vec<Reply>, LinkError> {
        let request = Request { to, bytes: bytes.to_vec(), n_replies };
        let mut attempt = 0;
        loop {
            let error = match self.link.exchange(&request) {
                Ok(exchange) => {
                    // The one answer that was asked for has come, perhaps because the link has asked again: what was
                    // damaged before cost nothing.
                    let is_whole = matches!(to, Target::Module(address)
                        if n_replies == Some(1) && exchange.replies.iter().any(|reply| reply.from == address));
                    let list = if is_whole { &mut self.notes } else { &mut self.problems };
                    list.extend(
                        exchange.problems.iter().map(|problem| format!("{}: {problem}", protocol::Hex::from(bytes))),
                    );
                    self.log.push(RawExchange { to, request: bytes.to_vec(), exchange: exchange.clone() });
                    return Ok(exchange.replies);
                }
                Err(error) => error,
            };
            attempt += 1;
            if !error.is_lost() || attempt > MAX_REOPENINGS {
                return Err(error);
            }
            self.problems.push(format!("{error}; opened again"));
            self.link.pause(REOPEN_PAUSE_NS);
            match self.link.reopen() {
                Ok(()) => {}
                Err(again) if attempt == MAX_REOPENINGS => return Err(again),
                Err(_) => {}
            }
        }
    }

    /// One request to one module: all messages that this module sent back, in order.
    ///
    /// The module is addressed alone. On the older networks OBD is asked functionally, as ISO 9141-2 knows no other way,
    /// and the replies of others are left out.
    pub(crate) fn ask_module(&mut self, address: Address, bytes: &[u8]) -> Result<Vec<Vec<u8>>, LinkError> {
        let is_obd = bytes.first().is_some_and(|service| *service < FIRST_OF_OTHERS);
        let replies = match address {
            Address::Node(_) if is_obd => self.ask(Target::Everyone, bytes, None)?,
            Address::Node(_) => self.ask(Target::Module(address), bytes, None)?,
            _ => self.ask(Target::Module(address), bytes, Some(1))?,
        };
        Ok(replies.into_iter().filter(|reply| reply.from == address).map(|reply| reply.bytes).collect())
    }
}

/// Services below this one are those of OBD (SAE J1979).
const FIRST_OF_OTHERS: u8 = 0x10;
