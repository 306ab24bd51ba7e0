//! Links to networks whose protocol runs here, not in the adapter: many modules at once, and everything that passes by.

mod owed;

use std::collections::VecDeque;

use protocol::dialogue::{Dialogue, Turn};
use protocol::exchange::{Fit, fit, only_reads};
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

/// How long an answer may still come after its request was given up: a machine or a network that is busy for a moment is
/// later than any module (no source).
const LATE_NS: Nanos = 1_000_000_000;

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

    /// What happened; waits until `until` at the latest.
    fn next(&mut self, until: Nanos) -> Result<Option<Told>, LinkError>;

    fn listen_to(&mut self, wanted: &[Wanted]) -> Hearing;

    fn supply_volts(&mut self) -> Result<Option<f64>, LinkError> {
        Ok(None)
    }

    /// From a question to the adapter to its own answer, as measured when it was opened.
    fn round_trip_ns(&self) -> Option<Nanos>;
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
    /// Requests that were given up without an answer.
    missed: Vec<(Request, Exchange)>,
    /// Those of them that were answered after all.
    late: Vec<(Request, Exchange)>,
    owed: Owed,
}

impl<C: Carrier> DirectLink<C> {
    /// Opens the adapter.
    pub(crate) fn start(carrier: C, settings: Settings) -> Result<Self, LinkError> {
        let info = LinkInfo { adapter: String::new(), bus: None, notes: Vec::new() };
        let timings = Timings::default();
        let mut link = Self {
            carrier,
            info,
            settings,
            heard: VecDeque::new(),
            wanted: Vec::new(),
            timings,
            missed: Vec::new(),
            late: Vec::new(),
            owed: Owed::default(),
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

    /// Keeps in mind that a request was given up, if an answer would still be of use.
    fn miss(&mut self, request: &Request, exchange: &Exchange) {
        let now = exchange.over_ns;
        self.missed.retain(|(_, missed)| now - missed.over_ns < LATE_NS);
        let is_one_module = matches!(request.to, Target::Module(_));
        if is_one_module && exchange.replies.is_empty() && only_reads(&request.bytes) {
            self.missed.push((request.clone(), exchange.clone()));
        }
    }

    /// Takes a message for the late answer to a request that was given up; whether it is one.
    fn answers_missed(&mut self, reply: &Reply) -> bool {
        let is_answer = |(request, exchange): &(Request, Exchange)| {
            request.to == Target::Module(reply.from)
                && reply.arrived_ns - exchange.over_ns < LATE_NS
                && fit(&request.bytes, &reply.bytes) == Fit::Answer
        };
        let Some(at) = self.missed.iter().position(is_answer) else { return false };
        let (request, mut exchange) = self.missed.remove(at);
        exchange.over_ns = reply.arrived_ns;
        exchange.replies.push(reply.clone());
        self.owed.settle(reply.from);
        self.late.push((request, exchange));
        true
    }

    /// A message that answers nothing that is under way.
    fn unasked(&mut self, reply: Reply) {
        if self.answers_missed(&reply) {
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
                } else if !self.answers_missed(&reply) && !matches!(dialogue.request().to, Target::Anyone(_)) {
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
        let mut held: Option<Request> = None;
        // Whom something else is asked before the request that is held back.
        let mut settling: Option<Target> = None;
        let mut is_stopped = false;
        loop {
            let now = self.carrier.now();
            // What had arrived by now counts before anything is given up: on a busy machine it may have lain there.
            while !dialogues.is_empty() && self.wait(&mut dialogues, now)? {}
            for (request, exchange) in std::mem::take(&mut self.late) {
                feed.late(request, exchange);
            }
            while let Some(heard) = self.heard.pop_front() {
                feed.heard(heard);
            }
            let mut wake: Option<Nanos> = None;
            while dialogues.len() < self.carrier.n_parallel().max(1) {
                let busy: Vec<Target> = dialogues.iter().map(|dialogue| dialogue.request().to).collect();
                let request = match held.take() {
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
                    held = Some(request);
                    break;
                }
                let request = match self.owed.before(&request) {
                    Some(first) => {
                        settling = Some(first.to);
                        held = Some(request);
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
                                feed.answered(request, Err(error));
                                continue;
                            }
                        }
                    }
                    Turn::Wait(until) => next = Some(next.map_or(until, |next| next.min(until))),
                    Turn::Over => {
                        is_changed = true;
                        let (request, exchange) = dialogues.remove(idx).finish(now);
                        self.timings.learn(&request, &exchange);
                        match settling.take_if(|to| *to == request.to) {
                            None => {
                                self.owed.over(&request, &exchange);
                                self.miss(&request, &exchange);
                                feed.answered(request, Ok(exchange));
                            }
                            Some(Target::Module(module)) if exchange.replies.is_empty() => {
                                // Whoever does not answer that would not answer what was held back.
                                if self.owed.silent(module, now)
                                    && let Some(request) = held.take()
                                {
                                    feed.answered(request, Ok(exchange));
                                }
                            }
                            Some(_) => self.owed.over(&request, &exchange),
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
