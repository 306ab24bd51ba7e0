//! Which reads share a request is tried out: what is fastest depends on the answer time of the module, on the delay around
//! flow controls and on the adapter, and the car is the only one who knows them.

use std::collections::{BTreeMap, BTreeSet, HashMap};

use link::{LinkError, Request};
use protocol::{Address, CanId, Nanos, NegativeCode, ReplyError, reply_body};

use crate::hear::{Broadcast, Heartbeat};

use crate::grouping::{Class, Grouping, classes};
use crate::plan::{Origin, target};
use crate::poll::{Poll, Way};
use crate::{Plan, PlannedSignal, Vehicle};

/// Longest time that the trials of one plan may take.
const MOST_NS: Nanos = 2_000_000_000;
/// Most reads of a class that are tried; the others are grouped alike.
const MOST_READS: usize = 18;
/// How often each request is measured, after a first time that may take longer: nobody knows yet how long its answer is.
const TIMES: usize = 3;
/// How long the link is left alone after a request that nobody answered: an answer that is late must not be taken for one
/// to the next request.
const QUIET_NS: Nanos = 200_000_000;
/// How much faster another grouping must be to be taken, so that chance does not decide.
const GAIN: f64 = 0.97;

/// What was learnt of a car's modules.
#[derive(Debug, Clone, Default)]
pub(crate) struct Learnt {
    /// Most reads in one request, by module and service, where fewer than usual are taken.
    most: BTreeMap<(Address, u8), usize>,
    /// Which grouping was fastest, by module, service and number of reads.
    best: BTreeMap<(Address, u8, usize), Grouping>,
    /// Modules that did not keep sending by themselves.
    mute: BTreeSet<Address>,
    /// How often messages that are broadcast come, by the identifier of their definition.
    pub(crate) heard: HashMap<CanId, Heartbeat>,
}

impl Learnt {
    /// A module refused this poll as too much.
    pub(crate) fn remember(&mut self, poll: &Poll) {
        let (Some(address), n_reads) = (poll.module(), poll.reads().len()) else { return };
        let service = poll.request().first().copied().unwrap_or_default();
        match poll {
            Poll::Module { way: Way::Own, .. } if n_reads > 1 => {
                let most = self.most.entry((address, service)).or_insert(usize::MAX);
                *most = (*most).min(n_reads - 1);
            }
            Poll::Module { way: Way::Periodic { .. }, .. } => {
                self.mute.insert(address);
            }
            _ => {}
        }
        // Whatever was fastest has to be tried anew.
        self.best.retain(|key, _| key.0 != address);
    }

    /// As [`Learnt::remember`].
    pub(crate) fn remember_all(&mut self, polls: &[Poll]) {
        polls.iter().for_each(|poll| self.remember(poll));
    }

    /// Whether this module is known not to keep sending by itself.
    pub(crate) fn is_mute(&self, address: Address) -> bool {
        self.mute.contains(&address)
    }

    fn most(&self, class: &Class) -> usize {
        self.most.get(&(class.address, class.service)).copied().unwrap_or(usize::MAX)
    }

    /// The grouping to begin with.
    fn first(&self, class: &Class, is_can: bool) -> Grouping {
        if !is_can {
            return Grouping::Most(1);
        }
        // What was fastest for nearly as many reads of this kind.
        let n_reads = class.polls.len();
        let kind = (class.address, class.service);
        let tried = self.best.range((kind.0, kind.1, 0)..=(kind.0, kind.1, usize::MAX));
        if let Some((_, best)) = tried.min_by_key(|((.., n), _)| n.abs_diff(n_reads)) {
            return *best;
        }
        let usual = class.polls.first().and_then(|poll| Grouping::first_of(poll.reads())).unwrap_or(1);
        Grouping::Most(usual.min(self.most(class)))
    }
}

/// One exchange: what was asked, what came, and the time until the next could be sent.
pub(crate) struct Tried {
    pub(crate) asked: Vec<u8>,
    pub(crate) reply: Vec<u8>,
    took_ns: f64,
}

impl Vehicle {
    /// The requests of a plan by what is known so far.
    pub(crate) fn first_polls(&self, plan: &Plan) -> Vec<Poll> {
        let is_can = self.is_can();
        let (classes, mut polls) = classes(plan);
        let mut n_defined = 0;
        let length = |read, signals: &[usize]| plan.n_bytes(read, signals);
        let grouped =
            classes.iter().flat_map(|class| class.grouped(self.learnt.first(class, is_can), &length, &mut n_defined));
        polls.extend(grouped);
        polls
    }

    /// Tries which reads share a request best, and keeps the fastest in `plan`; takes up to some seconds of the link's time.
    ///
    /// # Errors
    /// [`LinkError`] when the link fails; the plan is usable all the same.
    pub fn tune(&mut self, plan: &mut Plan) -> Result<(), LinkError> {
        let until_ns = self.link.now() + MOST_NS;
        if self.is_can() {
            self.ask_what_is_faster_asked(plan)?;
            for class in classes(plan).0 {
                let key = (class.address, class.service, class.polls.len());
                let has_choice = class.polls.len() > 1 || class.service == 0x22;
                if has_choice && !self.learnt.best.contains_key(&key) {
                    let best = self.fastest(&class, plan, until_ns)?;
                    self.learnt.best.insert(key, best);
                }
            }
        }
        plan.polls = self.first_polls(plan);
        Ok(())
    }

    /// Asks for what is broadcast less often than its turn among the requests would come.
    fn ask_what_is_faster_asked(&mut self, plan: &mut Plan) -> Result<(), LinkError> {
        for idx in 0..plan.signals.len() {
            let Some(signal) = plan.signals.get(idx) else { continue };
            let Origin::Broadcast(Broadcast { every_ns: Some(every_ns), instead: Some((address, definition)), .. }) =
                &signal.origin
            else {
                continue;
            };
            let (every_ns, address) = (*every_ns as f64, *address);
            if signal.pace.period_ns as f64 >= every_ns {
                continue;
            }
            let poll = Poll::alone(address, definition.read, vec![idx], signal.pace);
            let n_others = plan.polls.iter().filter(|poll| poll.module() == Some(address)).count();
            let mut asked = plan.clone();
            asked.signals.iter_mut().for_each(PlannedSignal::ask_instead);
            let turn_ns = self.cycle_ns(&[poll], &asked)?.map(|ns| ns * (n_others + 1) as f64);
            if turn_ns.is_some_and(|turn_ns| turn_ns < GAIN * every_ns) {
                if let Some(signal) = plan.signals.get_mut(idx) {
                    signal.ask_instead();
                }
                plan.polls = self.first_polls(plan);
            }
        }
        Ok(())
    }

    /// The fastest grouping of a class.
    fn fastest(&mut self, class: &Class, plan: &Plan, until_ns: Nanos) -> Result<Grouping, LinkError> {
        let first = self.learnt.first(class, true);
        let mut candidates = vec![first, Grouping::OneFrame];
        if class.service == 0x22 {
            candidates.extend([8, 16, 32].map(Grouping::Most));
            candidates.push(Grouping::Defined);
        }
        let length = |read, signals: &[usize]| plan.n_bytes(read, signals);
        let mut tried: Vec<Vec<Poll>> = Vec::new();
        let mut best: Option<(f64, Grouping)> = None;
        for how in candidates {
            let how = match how {
                Grouping::Most(most) => Grouping::Most(most.min(self.learnt.most(class))),
                other => other,
            };
            let mut polls = class.grouped(how, &length, &mut 0);
            let mut n_reads = 0;
            polls.retain(|poll| {
                let is_tried = n_reads < MOST_READS;
                n_reads += poll.reads().len();
                is_tried
            });
            if tried.contains(&polls) {
                continue;
            }
            if best.is_some() && self.link.now() >= until_ns {
                break;
            }
            let ns_per_read = self.cycle_ns(&polls, plan)?;
            tried.push(polls);
            if let Some(ns_per_read) = ns_per_read
                && best.is_none_or(|(other, _)| ns_per_read < GAIN * other)
            {
                best = Some((ns_per_read, how));
            }
        }
        let Some((ns_per_read, how)) = best else { return Ok(first) };
        let turn_ns = ns_per_read * class.polls.len() as f64;
        let stream = self.faster_stream(class, plan, GAIN * turn_ns, until_ns)?;
        Ok(stream.map_or(how, Grouping::Periodic))
    }

    /// Time for each read when these polls are asked in turn; `None` when the module or the adapter does not take one of
    /// them.
    fn cycle_ns(&mut self, polls: &[Poll], plan: &Plan) -> Result<Option<f64>, LinkError> {
        let mut total_ns = 0.0;
        let mut n_reads = 0;
        for poll in polls {
            let Some(address) = poll.module() else { continue };
            let length = |read, signals: &[usize]| plan.n_bytes(read, signals);
            let preparation = poll.preparation(&length);
            let n_prepared = preparation.len();
            for (step, bytes) in preparation.into_iter().enumerate() {
                let confirmed = match self.try_once(address, bytes)? {
                    Some(tried) => reply_body(&tried.asked, &tried.reply).is_ok(),
                    None => false,
                };
                // A number that is not defined yet cannot be cleared everywhere; that is no failure.
                if !confirmed && step + 1 == n_prepared {
                    return Ok(None);
                }
            }
            let mut times = Vec::new();
            for round in 0..=TIMES {
                let Some(tried) = self.try_times(2, address, poll.request())? else { return Ok(None) };
                let is_complete = match poll.parts(&tried.reply, &length) {
                    Ok(parts) => parts.len() == poll.reads().len(),
                    Err(ReplyError::Negative { code: NegativeCode::BUSY, .. }) => continue,
                    Err(error) => {
                        if is_too_many(&error) {
                            self.learnt.remember(poll);
                        }
                        false
                    }
                };
                if !is_complete {
                    return Ok(None);
                }
                if round > 0 {
                    times.push(tried.took_ns);
                }
            }
            if times.is_empty() {
                return Ok(None);
            }
            total_ns += times.iter().sum::<f64>() / times.len() as f64;
            n_reads += poll.reads().len();
        }
        Ok((n_reads > 0).then(|| total_ns / n_reads as f64))
    }

    /// One exchange outside the sampling. `None` when there is no answer, or when the adapter cannot send it.
    pub(crate) fn try_once(&mut self, address: Address, bytes: Vec<u8>) -> Result<Option<Tried>, LinkError> {
        self.try_times(1, address, bytes)
    }

    /// As [`Vehicle::try_once`], and again while nobody answers, up to so many times in all: a lost frame or a busy machine
    /// must not decide how a whole drive is asked.
    fn try_times(&mut self, n: usize, address: Address, bytes: Vec<u8>) -> Result<Option<Tried>, LinkError> {
        let (to, n_replies) = target(&self.modules, address, &bytes);
        let request = Request { to, bytes, n_replies };
        for k in 0..n {
            if k > 0 {
                self.link.pause(QUIET_NS);
            }
            let from_ns = self.link.now();
            let exchange = match self.link.exchange(&request) {
                Ok(exchange) => exchange,
                Err(LinkError::Unsendable(_)) => return Ok(None),
                Err(error) => return Err(error),
            };
            let took_ns = (self.link.now() - from_ns) as f64;
            if let Some(reply) = exchange.replies.into_iter().find(|reply| reply.from == address) {
                return Ok(Some(Tried { asked: request.bytes, reply: reply.bytes, took_ns }));
            }
        }
        Ok(None)
    }
}

/// Whether a refusal says that the request or its answer is too long, or that something in the list is not there: wrong
/// length (13), response too long (14), out of range (31); service 01 says "not supported" (12) instead.
pub(crate) fn is_too_many(error: &ReplyError) -> bool {
    matches!(error, ReplyError::Negative { code: NegativeCode(0x12..=0x14 | 0x31), .. })
}
