//! One sampling under way.

use link::{Exchange, Feed, Heard, Link, LinkError, Next as FeedNext, Request, Source, Target};
use protocol::{Nanos, NegativeCode, ReplyError, reply_body};
use signal::{Gap, Mark, Sample};

use super::errand::{Errand, Told, Want};
use super::judge::{Health, Outcome};
use super::{MAX_WAIT_NS, REOPEN_NS, Sink};
use crate::hear::{Ears, Values};
use crate::periodic::is_clearing;
use crate::plan::{Plan, target};
use crate::poll::Poll;
use crate::schedule::{Next, Schedule};
use crate::tune::is_too_many;
use crate::{Module, RawExchange};

/// A link that takes longer than this before a request leaves leaves a gap, and this is its reason.
const LONGEST_BEFORE_NS: Nanos = 1_000_000_000;
const BEFORE: &str = "the adapter or the network had to be set up again before it could be asked";

/// Why the flow of requests was interrupted.
pub(super) enum Pause {
    /// The adapter is to measure its supply for this poll.
    Supply(usize),
    /// A request, begun at this time, could not be carried.
    Trouble(LinkError, Nanos),
}

/// Who asked what.
pub(super) enum Job {
    /// A poll of the plan, as it was when it was asked, and its place in the plan.
    Poll(usize, Poll),
    /// A step of the preparation of a poll, and whether it is the last.
    Prepare(usize, bool),
    /// A poll of a plan that has changed since: its values count, its fate does not.
    Stale(Poll),
    Errand,
}

impl Job {
    pub(super) fn stale(self) -> Self {
        match self {
            Self::Poll(_, poll) => Self::Stale(poll),
            // Its poll is prepared again.
            Self::Prepare(_, _) => Self::Prepare(usize::MAX, false),
            other => other,
        }
    }
}

/// One sampling under way: gives the link its requests and takes the answers.
pub(super) struct Run<'r, S: Sink> {
    pub(super) modules: &'r [Module],
    pub(super) plan: &'r mut Plan,
    pub(super) sink: &'r mut S,
    pub(super) errand: &'r mut dyn Errand,
    pub(super) schedule: Schedule,
    pub(super) health: Vec<Health>,
    pub(super) start_ns: Nanos,
    /// The latest time that was seen on the link's clock.
    pub(super) now: Nanos,
    /// Of the last exchange.
    pub(super) number: u32,
    /// Each with its number, and when it was handed over.
    pub(super) under_way: Vec<(Request, u32, Job, Nanos)>,
    /// Polls whose last request nobody answered in time.
    pub(super) missed: Vec<(Request, Poll)>,
    /// When an answer, or something that was heard, last came.
    pub(super) latest_ns: Nanos,
    pub(super) ears: Ears,
    /// Polls that were more than a module takes.
    pub(super) too_many: Vec<Poll>,
    /// Since when a request was tried that could not be sent, and why.
    pub(super) unsent: Option<(Nanos, String)>,
    /// What keeps the vehicle from answering behind an adapter that is there, as it was told.
    pub(super) trouble: Option<String>,
    pub(super) pause: Option<Pause>,
    /// The sink has enough.
    pub(super) is_over: bool,
    /// The sink could take no more.
    pub(super) failure: Option<S::Error>,
}

impl<S: Sink> Feed for Run<'_, S> {
    fn next(&mut self, now: Nanos, busy: &[Target]) -> FeedNext {
        self.now = now;
        // An adapter may have been set up in vain for seconds.
        if let Some((from_ns, reason)) = self.unsent.take().filter(|(from_ns, _)| now - from_ns > LONGEST_BEFORE_NS) {
            self.gap(from_ns, now, &reason);
        }
        if self.pause.is_some() {
            return FeedNext::Stop;
        }
        match self.sink.go_on(now - self.start_ns) {
            Ok(true) => {}
            Ok(false) => self.is_over = true,
            Err(error) => self.fail(error),
        }
        if self.is_over || self.failure.is_some() {
            self.errand.release(now);
        }
        let want = self.errand.next(now);
        self.tell_errand();
        if !self.goes_on() {
            return FeedNext::Stop;
        }
        let mut kept_free = None;
        let until = match want {
            // Its module is kept free for it. The others go on: what they tell may be what the errand depends on.
            Want::Ask(request) if busy.contains(&request.to) => {
                self.errand.not_sent();
                kept_free = Some(request.to);
                now + MAX_WAIT_NS
            }
            Want::Ask(request) => return self.send(request, Job::Errand),
            Want::Wait(until) => until,
        };
        if self.is_over || self.failure.is_some() {
            return FeedNext::Wait(until.min(now + MAX_WAIT_NS));
        }
        self.look_for_missing();
        let plan = &*self.plan;
        let modules = self.modules;
        let is_free = |idx: usize| match plan.polls.get(idx) {
            Some(poll) => poll.module().is_none_or(|address| {
                let (to, _) = target(modules, address, &[]);
                !busy.contains(&to) && kept_free != Some(to)
            }),
            None => false,
        };
        match self.schedule.next(now, is_free) {
            Next::Wait(due) => FeedNext::Wait(due.min(until).min(now + MAX_WAIT_NS).max(now + 1)),
            Next::Poll(idx) => match plan.polls.get(idx) {
                Some(poll @ Poll::Module { address, .. }) => {
                    let preparation = poll.preparation(&|read, signals| plan.n_bytes(read, signals));
                    let n_prepared = self.health.get(idx).map_or(0, |health| health.n_prepared);
                    let (bytes, job) = match preparation.get(n_prepared) {
                        Some(bytes) => (bytes.clone(), Job::Prepare(idx, n_prepared + 1 == preparation.len())),
                        None => (poll.request(), Job::Poll(idx, poll.clone())),
                    };
                    let (to, n_replies) = target(modules, *address, &bytes);
                    self.send(Request { to, bytes, n_replies }, job)
                }
                _ => {
                    self.pause = Some(Pause::Supply(idx));
                    FeedNext::Stop
                }
            },
        }
    }

    fn answered(&mut self, request: Request, outcome: Result<Exchange, LinkError>) {
        let Some(at) = self.under_way.iter().position(|(asked, ..)| *asked == request) else { return };
        let (_, number, job, begun_ns) = self.under_way.remove(at);
        if let Ok(exchange) = &outcome {
            let (from_ns, to_ns) = (begun_ns.max(self.latest_ns), exchange.asked_ns);
            if to_ns - from_ns > LONGEST_BEFORE_NS {
                self.gap(from_ns, to_ns, BEFORE);
            }
            self.now = self.now.max(exchange.over_ns);
            self.latest_ns = self.now;
            if !exchange.replies.is_empty() && self.trouble.take().is_some() {
                self.sink.note(self.now - self.start_ns, "the vehicle answers again");
            }
        }
        if matches!(job, Job::Errand) {
            self.errand.answered(&request, outcome.as_ref(), self.now);
        }
        let exchange = match outcome {
            Ok(exchange) => exchange,
            Err(LinkError::Unsendable(reason)) => {
                self.unsent = Some((begun_ns.max(self.latest_ns), reason.clone()));
                if let Job::Poll(idx, _) | Job::Prepare(idx, _) = job {
                    self.judge(idx, Outcome::TooMany(reason));
                }
                return;
            }
            Err(error) => {
                self.pause.get_or_insert(Pause::Trouble(error, begun_ns));
                return;
            }
        };
        self.missed.retain(|(missed, _)| *missed != request);
        if let (Job::Poll(_, poll) | Job::Stale(poll), true) = (&job, exchange.replies.is_empty()) {
            self.missed.push((request.clone(), poll.clone()));
        }
        let raw = RawExchange { to: request.to, request: request.bytes, exchange };
        let raw = from_start(raw, self.start_ns);
        let judged = match job {
            Job::Errand => None,
            Job::Poll(idx, poll) => {
                let outcome = self.read(&poll, number, &raw);
                let is_sending = self.health.get(idx).is_none_or(|health| health.is_sending(&poll, self.now));
                let stopped = || Outcome::TooMany(format!("{} does not send by itself any more", poll.title()));
                Some((idx, if matches!(outcome, Outcome::Answered) && !is_sending { stopped() } else { outcome }))
            }
            Job::Prepare(idx, is_last) => self.prepared(idx, is_last, &raw).map(|outcome| (idx, outcome)),
            Job::Stale(poll) => {
                self.read(&poll, number, &raw);
                None
            }
        };
        if let Err(error) = self.sink.exchange(number, raw) {
            self.fail(error);
        }
        if let Some((idx, outcome)) = judged {
            self.judge(idx, outcome);
        }
        self.tell_errand();
    }

    fn late(&mut self, request: Request, exchange: Exchange) {
        let Some(at) = self.missed.iter().position(|(missed, _)| *missed == request) else { return };
        let (_, poll) = self.missed.remove(at);
        self.now = self.now.max(exchange.over_ns);
        self.latest_ns = self.now;
        let (number, raw) = self.another(request, exchange);
        let outcome = self.read(&poll, number, &raw);
        if let Err(error) = self.sink.exchange(number, raw) {
            self.fail(error);
        }
        if let Some(idx) = self.plan.polls.iter().position(|own| *own == poll) {
            self.judge(idx, outcome);
        }
        self.tell_errand();
    }

    fn asked_beside(&mut self, request: Request, exchange: Exchange) {
        self.now = self.now.max(exchange.over_ns);
        let (number, raw) = self.another(request, exchange);
        if let Err(error) = self.sink.exchange(number, raw) {
            self.fail(error);
        }
    }

    fn heard(&mut self, heard: Heard) {
        let at = heard.arrived_ns;
        self.now = self.now.max(at);
        self.latest_ns = self.latest_ns.max(at);
        let Some((before_ns, values)) = self.values(&heard) else { return };
        self.number = self.number.saturating_add(1);
        let t_ns = at - self.start_ns;
        // Of the first one nobody knows how old its values are: it is kept, and gives no samples.
        if let Some(before_ns) = before_ns {
            let asked_ns = before_ns - self.start_ns;
            for (signal, value) in values {
                self.take(signal, Sample { t_ns, asked_ns, exchange: self.number, value });
            }
        }
        if let Err(error) = self.sink.heard(self.number, Heard { arrived_ns: t_ns, ..heard }) {
            self.fail(error);
        }
    }
}

impl<S: Sink> Run<'_, S> {
    /// What is in something that was heard; `None` if it is of no use.
    fn values(&mut self, heard: &Heard) -> Option<Values> {
        let plan = &*self.plan;
        let length = |read, signals: &[usize]| plan.n_bytes(read, signals);
        for (poll, health) in plan.polls.iter().zip(&mut self.health) {
            let Some((number, parts)) = poll.sent_parts(heard.from, &heard.bytes, &length) else { continue };
            let before_ns = health.heard.insert(number, heard.arrived_ns);
            let values = parts.iter().flat_map(|(signals, data)| plan.values(signals, data)).collect();
            return Some((before_ns, values));
        }
        match heard.from {
            Source::Frame(id) => self.ears.values(id, &heard.bytes, heard.arrived_ns),
            Source::Message(_) => None,
        }
    }

    /// Asks for what is no longer broadcast.
    fn look_for_missing(&mut self) {
        while let Some(idx) = self.ears.missing(self.plan, self.now) {
            let Some(signal) = self.plan.signals.get_mut(idx) else { return };
            let was = signal.source.clone();
            signal.ask_instead();
            let text = format!("{} no longer comes ({was}): it is asked for from now on, {}", signal.id, signal.source);
            self.sink.note(self.now - self.start_ns, &text);
            let Some(poll) = Poll::of_signal(self.plan, idx) else { return };
            self.plan.polls.push(poll);
            self.health.push(Health::default());
            self.schedule = Schedule::new(self.plan.polls.iter().map(Poll::pace));
        }
    }

    pub(super) fn fail(&mut self, error: S::Error) {
        self.failure.get_or_insert(error);
    }

    /// Whether there is anything left to do.
    pub(super) fn goes_on(&mut self) -> bool {
        let is_open = self.errand.is_open(self.now);
        let is_done = self.is_over || self.failure.is_some() || self.errand.ends_all();
        is_open || !is_done
    }

    pub(super) fn tell_errand(&mut self) {
        for (t_ns, told) in self.errand.tell() {
            let t_ns = t_ns - self.start_ns;
            match told {
                Told::Note(text) => self.sink.note(t_ns, &text),
                Told::Mark(text) => {
                    if let Err(error) = self.sink.mark(Mark { t_ns, text }) {
                        self.fail(error);
                    }
                }
            }
        }
    }

    /// An exchange that was not counted when it was asked, with its number and on the time base of the drive.
    fn another(&mut self, request: Request, exchange: Exchange) -> (u32, RawExchange) {
        self.number = self.number.saturating_add(1);
        (self.number, from_start(RawExchange { to: request.to, request: request.bytes, exchange }, self.start_ns))
    }

    fn send(&mut self, request: Request, job: Job) -> FeedNext {
        self.number = self.number.saturating_add(1);
        self.under_way.push((request.clone(), self.number, job, self.now));
        FeedNext::Ask(request)
    }

    /// A value for sink and errand.
    fn take(&mut self, signal: usize, sample: Sample) {
        self.errand.saw(signal, &sample, self.now);
        if self.failure.is_none()
            && let Err(error) = self.sink.sample(signal, sample)
        {
            self.fail(error);
        }
    }

    /// Lets the adapter measure its supply.
    pub(super) fn supply(&mut self, link: &mut dyn Link, idx: usize) -> Result<(), LinkError> {
        let Some(Poll::Supply { signal, .. }) = self.plan.polls.get(idx) else { return Ok(()) };
        let signal = *signal;
        self.number = self.number.saturating_add(1);
        let asked_ns = link.now() - self.start_ns;
        let volts = link.supply_volts();
        self.now = link.now();
        let outcome = match volts? {
            Some(value) => {
                let t_ns = self.now - self.start_ns;
                self.take(signal, Sample { t_ns, asked_ns, exchange: self.number, value });
                Outcome::Answered
            }
            None => Outcome::Refused("the adapter does not measure its supply".to_owned()),
        };
        self.judge(idx, outcome);
        Ok(())
    }

    /// Hands on the values in the answers to a poll.
    fn read(&mut self, poll: &Poll, number: u32, raw: &RawExchange) -> Outcome {
        let Poll::Module { address, .. } = poll else { return Outcome::Silent };
        let mut outcome = if raw.exchange.problems.is_empty() { Outcome::Silent } else { Outcome::Damaged };
        for reply in raw.exchange.replies.iter().filter(|reply| reply.from == *address) {
            let plan = &*self.plan;
            let parts = poll.parts(&reply.bytes, &|read, signals| plan.n_bytes(read, signals));
            outcome = match parts {
                Err(ReplyError::Negative { code: NegativeCode::BUSY, .. }) => Outcome::Busy,
                Err(error) if is_too_many(&error) && poll.reads().len() > 1 => Outcome::TooMany(error.to_string()),
                Err(error) => Outcome::Refused(error.to_string()),
                Ok(parts) => {
                    let is_complete = parts.len() == poll.n_answered();
                    for (signals, data) in parts {
                        let (t_ns, asked_ns) = (reply.arrived_ns, raw.exchange.asked_ns);
                        let values: Vec<(usize, f64)> = self.plan.values(signals, &data).collect();
                        for (signal, value) in values {
                            self.take(signal, Sample { t_ns, asked_ns, exchange: number, value });
                        }
                    }
                    if is_complete {
                        Outcome::Answered
                    } else {
                        Outcome::Refused("only some of what was asked was answered".to_owned())
                    }
                }
            };
        }
        outcome
    }

    /// A step of a poll's preparation is over; an outcome when it failed.
    fn prepared(&mut self, idx: usize, is_last: bool, raw: &RawExchange) -> Option<Outcome> {
        let (health, poll) = (self.health.get_mut(idx)?, self.plan.polls.get_mut(idx)?);
        let reply = raw.exchange.replies.iter().find(|reply| Some(reply.from) == poll.module());
        let reply = reply.map(|reply| reply.bytes.as_slice()).unwrap_or_default();
        match reply_body(&raw.request, reply) {
            Err(ReplyError::Negative { code: NegativeCode::BUSY, .. }) => Some(Outcome::Busy),
            // Silent, as it may be while it starts: all of it is told to it again once it answers.
            Err(_) if reply.is_empty() => {
                health.n_prepared = 0;
                Some(Outcome::Silent)
            }
            Err(error) if !is_clearing(&raw.request) => {
                // It has been tried before, when the plan was tuned: there is no second try.
                health.refusals = 1;
                health.n_prepared = 0;
                Some(Outcome::TooMany(error.to_string()))
            }
            _ => {
                health.n_prepared += 1;
                if is_last {
                    health.n_prepared = 0;
                    health.heard.clear();
                    poll.set(true);
                }
                // What the module sends by itself is heard before it is looked at again.
                if !(is_last && poll.stream().is_some()) {
                    self.schedule.hasten(idx);
                }
                None
            }
        }
    }

    /// The link failed: whatever was under way has no answer. Nothing has come since the oldest of it left, or since a module
    /// that is asked at the same time last answered.
    pub(super) fn lost(&mut self, link: &mut dyn Link, error: &LinkError, since_ns: Nanos) {
        self.under_way.clear();
        self.errand.lost(self.now);
        self.wait_for_return(link, error, since_ns.max(self.latest_ns));
    }

    /// Since when nothing has been answered: when the oldest request left that is still under way.
    pub(super) fn unanswered_since(&self) -> Nanos {
        self.under_way.iter().map(|(.., begun_ns)| *begun_ns).min().unwrap_or(self.now)
    }

    /// Waits until the vehicle can be reached again, and marks the gap: it began with the request that failed, not when the
    /// link noticed, which may be seconds later.
    fn wait_for_return(&mut self, link: &mut dyn Link, error: &LinkError, since_ns: Nanos) {
        let reason = error.to_string();
        let is_lost = error.is_lost();
        // With the ignition off that is so for each request, for as long as it is off.
        if self.trouble.as_ref() != Some(&reason) {
            self.sink.note(link.now() - self.start_ns, &reason);
        }
        self.trouble = (!is_lost).then(|| reason.clone());
        let mut pause_ns = REOPEN_NS.0;
        let mut is_open = !is_lost;
        loop {
            let until = link.now() + pause_ns;
            while link.now() < until {
                link.pause((until - link.now()).min(MAX_WAIT_NS));
                self.now = link.now();
                match self.sink.go_on(self.now - self.start_ns) {
                    Ok(true) => {}
                    Ok(false) => self.is_over = true,
                    Err(error) => self.fail(error),
                }
                if !self.goes_on() {
                    return self.gap_until_now(since_ns, &reason);
                }
            }
            pause_ns = (pause_ns * 2).min(REOPEN_NS.1);
            if !is_open {
                is_open = link.reopen().is_ok();
                self.now = link.now();
            }
            if is_open {
                if is_lost {
                    self.sink.note(self.now - self.start_ns, "the adapter is back");
                }
                return self.gap_until_now(since_ns, &reason);
            }
        }
    }

    fn gap_until_now(&mut self, from_ns: Nanos, reason: &str) {
        self.ears.wait_from(self.now);
        self.gap(from_ns, self.now, reason);
    }

    /// A gap between two times of the link's clock.
    fn gap(&mut self, from_ns: Nanos, to_ns: Nanos, reason: &str) {
        let (from_ns, to_ns) = (from_ns - self.start_ns, to_ns - self.start_ns);
        let gap = Gap { from_ns, to_ns, reason: reason.to_owned() };
        if let Err(error) = self.sink.gap(gap) {
            self.fail(error);
        }
    }
}

/// The same exchange on the time base of the drive.
fn from_start(mut raw: RawExchange, start_ns: Nanos) -> RawExchange {
    let exchange: &mut Exchange = &mut raw.exchange;
    exchange.asked_ns -= start_ns;
    exchange.over_ns -= start_ns;
    for reply in &mut exchange.replies {
        reply.arrived_ns -= start_ns;
    }
    raw
}
