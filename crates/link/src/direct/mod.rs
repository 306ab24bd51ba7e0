//! Links to networks whose protocol runs here, not in the adapter: many modules at once, and everything that passes by.

mod owed;

use std::collections::VecDeque;

use protocol::dialogue::{Dialogue, Turn};
use protocol::timing::Timings;
use protocol::{Address, Bus, Nanos};

use crate::feed::Batch;
use crate::{
    Exchange, Feed, Heard, Hearing, Link, LinkError, LinkInfo, Next, PortError, Reply, Request, Settings, Source,
    Target, Wanted,
};
use owed::Owed;

/// Most things heard that are kept until somebody asks; then the oldest are dropped.
const MAX_HEARD: usize = 65_536;

/// How long a line that never falls silent is listened to beyond the time that was wanted: what had arrived by then is read
/// by then, and an adapter that floods the line must not keep anything from ending.
pub(crate) const FLOOD_NS: Nanos = 100_000_000;

/// What a carrier tells.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Told {
    /// The message to this target has left.
    Sent(Target),
    /// It could not be sent.
    Failed {
        to: Target,
        what: String,
        /// Damage on the way, so that it may work the next time.
        is_damage: bool,
    },
    /// There is nobody to take it.
    Nobody(Target),
    /// A long message has begun.
    Begun(Address),
    /// A message has come.
    Message(Reply),
    /// A message of this module was damaged.
    Broken { from: Address, what: String },
    /// The network has trouble that concerns whatever is under way.
    Trouble(String),
    /// A frame that somebody wanted to hear.
    Heard(Heard),
}

/// Carries whole messages to modules and back.
pub(crate) trait Carrier: Send {
    /// The address as the user gave it.
    fn address(&self) -> &str;

    fn now(&self) -> Nanos;

    /// Lets time pass while nothing is open.
    fn pause(&mut self, nanos: Nanos);

    /// Opens the adapter and looks for the network; what is known goes into `info`.
    fn open(&mut self, info: &mut LinkInfo, settings: Settings) -> Result<(), LinkError>;

    /// Looks for the network again behind an open adapter.
    fn search(&mut self, info: &mut LinkInfo) -> Result<(), LinkError>;

    fn close(&mut self);

    fn is_open(&self) -> bool;

    /// How long the first answer may take to begin, the way included.
    fn p2_ns(&self, to: Target) -> Nanos;

    fn n_parallel(&self) -> usize;

    /// Begins to send; [`Told::Sent`] or [`Told::Failed`] follows.
    fn send(&mut self, to: Target, message: &[u8]) -> Result<(), LinkError>;

    /// What happened; waits until `until` at the latest, and reads for [`FLOOD_NS`] more while the line brings only what is
    /// of no use.
    fn next(&mut self, until: Nanos) -> Result<Option<Told>, LinkError>;

    fn listen_to(&mut self, wanted: &[Wanted]) -> Hearing;

    fn supply_volts(&mut self) -> Result<Option<f64>, LinkError> {
        Ok(None)
    }

    /// From a question to the adapter to its own answer, as measured when it was opened.
    fn round_trip_ns(&self) -> Option<Nanos>;
}

/// The request that waits for this one of its module, if one does.
fn waiting_for(request: &Request, settling: &mut Vec<Request>) -> Option<Request> {
    let at = settling.iter().position(|waiting| waiting.to == request.to)?;
    Some(settling.remove(at))
}

/// A link whose protocol runs here.
pub(crate) struct DirectLink<C> {
    carrier: C,
    info: LinkInfo,
    settings: Settings,
    heard: VecDeque<Heard>,
    /// Modules whose unasked messages are wanted.
    wanted: Vec<Address>,
    /// What modules said of the time that they take.
    timings: Timings,
    owed: Owed,
    /// Requests that were answered after they had been given up.
    late: Vec<(Request, Exchange)>,
}

impl<C: Carrier> DirectLink<C> {
    /// Opens the adapter.
    pub(crate) fn start(carrier: C, settings: Settings) -> Result<Self, LinkError> {
        let info = LinkInfo { adapter: String::new(), bus: None, notes: Vec::new(), n_losses: 0 };
        let timings = Timings::default();
        let mut link = Self {
            carrier,
            info,
            settings,
            heard: VecDeque::new(),
            wanted: Vec::new(),
            timings,
            owed: Owed::default(),
            late: Vec::new(),
        };
        link.reopen()?;
        Ok(link)
    }

    fn keep(&mut self, heard: Heard) {
        if self.heard.len() >= MAX_HEARD {
            self.heard.pop_front();
        }
        self.heard.push_back(heard);
    }

    /// Takes a message for the late answer to a request that was given up; whether it is one.
    fn is_late(&mut self, reply: &Reply) -> bool {
        self.owed.answered(reply, &mut self.late)
    }

    /// A message that answers nothing that is under way.
    fn unasked(&mut self, reply: Reply) {
        if self.is_late(&reply) {
            return;
        }
        if self.wanted.contains(&reply.from) {
            let Reply { from, bytes, arrived_ns } = reply;
            self.keep(Heard { from: Source::Message(from), bytes, arrived_ns });
        }
    }

    fn lost(&self) -> LinkError {
        let source = std::io::ErrorKind::NotConnected.into();
        LinkError::Port(PortError::Lost { address: self.carrier.address().to_owned(), source })
    }

    /// Lets the carrier work until `until`, or until something happens.
    fn wait(&mut self, dialogues: &mut [Dialogue], until: Nanos) -> Result<bool, LinkError> {
        let Some(told) = self.carrier.next(until)? else { return Ok(false) };
        let now = self.carrier.now();
        match told {
            Told::Sent(to) => {
                dialogues.iter_mut().filter(|dialogue| dialogue.request().to == to).for_each(|d| d.sent(now));
            }
            Told::Failed { to, what, is_damage } => {
                let mut concerned = dialogues.iter_mut().filter(|dialogue| dialogue.request().to == to);
                if let Some(dialogue) = concerned.next() {
                    dialogue.failed(what, is_damage);
                }
            }
            Told::Nobody(to) => {
                dialogues.iter_mut().filter(|dialogue| dialogue.request().to == to).for_each(Dialogue::nobody);
            }
            Told::Begun(from) => {
                dialogues.iter_mut().filter(|dialogue| dialogue.expects(from)).for_each(|d| d.begun(from));
            }
            Told::Broken { from, what } => {
                dialogues.iter_mut().filter(|dialogue| dialogue.expects(from)).for_each(|d| d.broken(from, &what));
            }
            Told::Message(Reply { from, bytes, arrived_ns }) => {
                let mut concerned = dialogues.iter_mut().filter(|dialogue| dialogue.expects(from));
                let Some(dialogue) = concerned.next() else {
                    self.unasked(Reply { from, bytes, arrived_ns });
                    return Ok(true);
                };
                if dialogue.message(from, bytes.clone(), arrived_ns) {
                    return Ok(true);
                }
                // A periodic message between request and answer is no mistake, and behind an open door anything passes.
                let reply = Reply { from, bytes, arrived_ns };
                if self.wanted.contains(&from) {
                    self.unasked(reply);
                } else if !self.is_late(&reply) && !matches!(dialogue.request().to, Target::Anyone(_)) {
                    dialogue.stranger(from, &reply.bytes);
                }
            }
            Told::Trouble(what) => dialogues.iter_mut().for_each(|dialogue| dialogue.trouble(what.clone())),
            Told::Heard(heard) => self.keep(heard),
        }
        Ok(true)
    }

    fn converse(&mut self, feed: &mut dyn Feed) -> Result<(), LinkError> {
        let mut dialogues: Vec<Dialogue> = Vec::new();
        // What waits until somebody is free for it.
        let mut held: VecDeque<Request> = VecDeque::new();
        // What waits until its module has been asked something else.
        let mut settling: Vec<Request> = Vec::new();
        let mut is_stopped = false;
        loop {
            let now = self.carrier.now();
            // What had arrived by now counts before anything is given up: on a busy machine it may have lain there.
            while !dialogues.is_empty()
                && self.carrier.now() <= now.saturating_add(FLOOD_NS)
                && self.wait(&mut dialogues, now)?
            {}
            for (request, exchange) in std::mem::take(&mut self.late) {
                feed.late(request, exchange);
            }
            while let Some(heard) = self.heard.pop_front() {
                feed.heard(heard);
            }
            let mut wake: Option<Nanos> = None;
            while dialogues.len() < self.carrier.n_parallel().max(1) {
                let busy: Vec<Target> = dialogues.iter().map(|dialogue| dialogue.request().to).collect();
                let request = match held.pop_front() {
                    Some(request) => request,
                    None if is_stopped => break,
                    None => match feed.next(now, &busy) {
                        Next::Ask(request) => request,
                        Next::Wait(until) => {
                            wake = Some(until);
                            break;
                        }
                        Next::Stop => {
                            is_stopped = true;
                            break;
                        }
                    },
                };
                let is_free = match request.to {
                    Target::Everyone | Target::Anyone(_) => busy.is_empty(),
                    to @ Target::Module(_) => {
                        !busy.contains(&to) && busy.iter().all(|busy| matches!(busy, Target::Module(_)))
                    }
                };
                if !is_free {
                    held.push_front(request);
                    break;
                }
                let request = match self.owed.before(&request) {
                    Some(first) => {
                        settling.push(request);
                        first
                    }
                    None => request,
                };
                let p2_ns = self.timings.p2_ns(request.to, self.carrier.p2_ns(request.to));
                let p2_star_ns = self.timings.p2_star_ns(request.to);
                dialogues.push(Dialogue::new(request, p2_ns).with_p2_star(p2_star_ns));
            }
            if dialogues.is_empty() && is_stopped {
                return Ok(());
            }
            let mut is_changed = false;
            let mut next = wake;
            let mut idx = 0;
            while let Some(dialogue) = dialogues.get_mut(idx) {
                match dialogue.poll(now) {
                    Turn::Send => {
                        is_changed = true;
                        let (to, bytes) = (dialogue.request().to, dialogue.request().bytes.clone());
                        match self.carrier.send(to, &bytes) {
                            Ok(()) => {}
                            Err(error) if error.is_lost() => return Err(error),
                            Err(error) => {
                                let (request, _) = dialogues.remove(idx).finish(now);
                                let waiting = waiting_for(&request, &mut settling);
                                feed.answered(waiting.unwrap_or(request), Err(error));
                                continue;
                            }
                        }
                    }
                    Turn::Wait(until) => next = Some(next.map_or(until, |next| next.min(until))),
                    Turn::Over => {
                        is_changed = true;
                        let dialogue = dialogues.remove(idx);
                        let is_repeated = dialogue.is_repeated();
                        let (request, exchange) = dialogue.finish(now);
                        self.timings.learn(&request, &exchange);
                        let waiting = waiting_for(&request, &mut settling);
                        self.owed.over(&request, &exchange, is_repeated);
                        match waiting {
                            None => feed.answered(request, Ok(exchange)),
                            // Whoever does not answer that would not answer what waits for it.
                            Some(waiting) if exchange.replies.is_empty() && self.owed.silent(waiting.to, now) => {
                                feed.answered(waiting, Ok(exchange));
                            }
                            Some(waiting) => {
                                feed.asked_beside(request, exchange);
                                held.push_back(waiting);
                            }
                        }
                        continue;
                    }
                }
                idx += 1;
            }
            if is_changed {
                continue;
            }
            // Something always happens by then: a wait of the feed, or a time-out of a dialogue.
            self.wait(&mut dialogues, next.unwrap_or(now))?;
        }
    }
}

impl<C: Carrier> Link for DirectLink<C> {
    fn info(&self) -> &LinkInfo {
        &self.info
    }

    fn now(&self) -> Nanos {
        self.carrier.now()
    }

    fn pause(&mut self, nanos: Nanos) {
        let end = self.now().saturating_add(nanos);
        while self.now() < end {
            if !self.carrier.is_open() {
                self.carrier.pause(end.saturating_sub(self.carrier.now()));
                return;
            }
            // A loss shows again in the next exchange, where somebody can be told.
            if self.wait(&mut [], end).is_err() {
                self.carrier.close();
            }
        }
    }

    fn exchange(&mut self, request: &Request) -> Result<Exchange, LinkError> {
        let mut exchanges = self.exchange_many(std::slice::from_ref(request))?;
        exchanges.pop().ok_or_else(|| LinkError::Unsendable("the link ended without an answer".to_owned()))
    }

    fn n_parallel(&self) -> usize {
        self.carrier.n_parallel()
    }

    fn run(&mut self, feed: &mut dyn Feed) -> Result<(), LinkError> {
        if !self.carrier.is_open() {
            return Err(self.lost());
        }
        if self.info.bus.is_none() {
            self.carrier.search(&mut self.info)?;
        }
        let result = self.converse(feed);
        if result.as_ref().is_err_and(LinkError::is_lost) {
            self.carrier.close();
        }
        result
    }

    fn exchange_many(&mut self, requests: &[Request]) -> Result<Vec<Exchange>, LinkError> {
        let mut batch = Batch::new(requests);
        self.run(&mut batch)?;
        batch.into_exchanges()
    }

    fn listen_to(&mut self, wanted: &[Wanted]) -> Hearing {
        self.wanted.clear();
        self.heard.clear();
        for wanted in wanted {
            if let Wanted::Messages(module) = wanted {
                self.wanted.push(*module);
            }
        }
        self.carrier.listen_to(wanted)
    }

    fn hear(&mut self, until: Nanos) -> Result<Vec<Heard>, LinkError> {
        if !self.carrier.is_open() {
            return Err(self.lost());
        }
        while self.heard.is_empty() {
            match self.wait(&mut [], until) {
                Ok(_) if self.carrier.now() >= until => break,
                Ok(_) => {}
                Err(error) => {
                    if error.is_lost() {
                        self.carrier.close();
                    }
                    return Err(error);
                }
            }
        }
        Ok(self.heard.drain(..).collect())
    }

    fn supply_volts(&mut self) -> Result<Option<f64>, LinkError> {
        if self.carrier.is_open() { self.carrier.supply_volts() } else { Err(self.lost()) }
    }

    fn round_trip_ns(&mut self) -> Result<Option<Nanos>, LinkError> {
        Ok(self.carrier.round_trip_ns())
    }

    fn reopen(&mut self) -> Result<(), LinkError> {
        // Closed before it is opened again: most adapters are exclusive.
        self.carrier.close();
        let bus: Option<Bus> = self.info.bus.or(self.settings.bus);
        let result = self.carrier.open(&mut self.info, Settings { bus, ..self.settings });
        if result.is_err() {
            self.carrier.close();
        }
        result
    }
}
