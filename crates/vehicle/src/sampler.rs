//! Asks the plan's requests in turn and hands on what comes back.

use definition::ValueError;
use link::{Exchange, Feed, Link, LinkError, Next as FeedNext, Request, Target};
use protocol::{Nanos, NegativeCode, ReplyError};
use signal::{Gap, Mark, Sample, SignalId};

use crate::plan::{Plan, target};
use crate::poll::{Defined, Poll};
use crate::schedule::{Next, Schedule, catch_odds};
use crate::tune::is_too_many;
use crate::{Module, RawExchange, Vehicle};

/// Where samples go.
pub trait Sink {
    /// Why it cannot take more.
    type Error;

    /// A value of the plan's signal with this index.
    ///
    /// # Errors
    /// Ends the sampling.
    fn sample(&mut self, signal: usize, sample: Sample) -> Result<(), Self::Error>;

    /// The raw bytes that samples with this exchange number came in; times since the start of the drive.
    ///
    /// # Errors
    /// Ends the sampling.
    fn exchange(&mut self, number: u32, raw: RawExchange) -> Result<(), Self::Error>;

    /// A stretch in which nothing could be recorded.
    ///
    /// # Errors
    /// Ends the sampling.
    fn gap(&mut self, gap: Gap) -> Result<(), Self::Error>;

    /// Something worth telling the user, such as a module that stopped answering.
    fn note(&mut self, t_ns: Nanos, text: &str);

    /// A mark of what was done to the car at this moment, such as "ac.clutch on". Ignored unless a sink keeps marks.
    ///
    /// # Errors
    /// Ends the sampling.
    fn mark(&mut self, mark: Mark) -> Result<(), Self::Error> {
        let _ = mark;
        Ok(())
    }

    /// Called between exchanges with the time since the start of the drive. `false` ends the sampling.
    ///
    /// # Errors
    /// Ends the sampling.
    fn go_on(&mut self, t_ns: Nanos) -> Result<bool, Self::Error>;
}

/// Why sampling ended before it was told to.
#[derive(Debug, thiserror::Error)]
pub enum SampleError<E> {
    /// Nothing in the plan.
    #[error("there is nothing to sample")]
    NothingPlanned,
    /// The sink could take no more.
    #[error("the recording cannot go on")]
    Sink(E),
}

/// The rate that a signal was seen to get.
#[derive(Debug, Clone, PartialEq)]
pub struct Rate {
    /// The signal.
    pub id: SignalId,
    /// Samples per second; 0 when none came.
    pub per_second: f64,
    /// Intervals between its samples, seconds.
    pub intervals_s: Vec<f64>,
}

impl Rate {
    /// Odds of catching an event of this length, seconds.
    #[must_use]
    pub fn odds(&self, event_s: f64) -> f64 {
        catch_odds(event_s, &self.intervals_s)
    }
}

/// First and longest pause before a poll that was not answered is asked again.
const BACK_OFF_NS: (Nanos, Nanos) = (100_000_000, 2_000_000_000);
/// Pause of a poll that a module was too busy for.
const BUSY_NS: Nanos = 50_000_000;
/// Damaged answers in a row after which a poll is treated as if nobody answered: the line is then as good as silent.
const DAMAGES_BEFORE_SILENT: u32 = 5;
/// Incomplete or refused answers in a row after which a request for several values is taken apart; a single one may be
/// a damaged digit.
const REFUSALS_BEFORE_SPLIT: u32 = 2;
/// Silent tries after which a request for several values is taken apart, for some modules ignore what they do not take.
const SILENCES_BEFORE_SPLIT: u32 = 2;
/// First and longest pause between tries to open a lost adapter again.
const REOPEN_NS: (Nanos, Nanos) = (250_000_000, 2_000_000_000);
/// Part of a trial that is not counted, seconds.
const WARM_UP_S: f64 = 1.0;
/// Longest a sampler waits in one go, so that it can be stopped soon.
const MAX_WAIT_NS: Nanos = 100_000_000;

/// How a poll is doing.
#[derive(Debug, Clone, Default)]
struct Health {
    silences: u32,
    refusals: u32,
    damages: u32,
    /// Steps of its preparation that are done.
    n_prepared: usize,
}

impl Health {
    fn is_well(&self) -> bool {
        self.silences == 0 && self.refusals <= 1
    }

    fn back_off_ns(&self) -> Nanos {
        let doublings = (self.silences + self.refusals).saturating_sub(1).min(10);
        (BACK_OFF_NS.0 << doublings).min(BACK_OFF_NS.1)
    }
}

impl Vehicle {
    /// Samples until `sink` says that it is enough. A lost adapter leaves a gap and is opened again; a module that falls
    /// silent is asked less and less often and costs the others nothing.
    ///
    /// What the car does not take (several values in one request) is learnt and kept in `plan`.
    ///
    /// # Errors
    /// [`SampleError`]; a link that fails is no error but a gap.
    pub fn sample<S: Sink>(&mut self, plan: &mut Plan, sink: &mut S) -> Result<(), SampleError<S::Error>> {
        if plan.polls.is_empty() {
            return Err(SampleError::NothingPlanned);
        }
        self.sample_beside(plan, sink, &mut NoErrand)
    }

    /// As [`Vehicle::sample`], with an errand beside it. What the errand has begun is ended before this returns.
    pub(crate) fn sample_beside<S: Sink>(
        &mut self,
        plan: &mut Plan,
        sink: &mut S,
        errand: &mut dyn Errand,
    ) -> Result<(), SampleError<S::Error>> {
        let start_ns = self.link.now();
        let mut run = Run {
            modules: &self.modules,
            schedule: Schedule::new(plan.polls.iter().map(Poll::pace)),
            health: vec![Health::default(); plan.polls.len()],
            plan,
            sink,
            errand,
            start_ns,
            now: start_ns,
            number: 0,
            under_way: Vec::new(),
            too_many: Vec::new(),
            pause: None,
            is_over: false,
            failure: None,
        };
        loop {
            let lost = self.link.run(&mut run);
            run.now = self.link.now();
            let pause = run.pause.take();
            match (lost, pause) {
                (Err(error), _) | (Ok(()), Some(Pause::Trouble(error))) => {
                    run.under_way.clear();
                    run.errand.lost(run.now);
                    run.wait_for_return(&mut *self.link, &error);
                }
                (Ok(()), Some(Pause::Supply(idx))) => {
                    if let Err(error) = run.supply(&mut *self.link, idx) {
                        run.errand.lost(run.now);
                        run.wait_for_return(&mut *self.link, &error);
                    }
                }
                (Ok(()), None) => {}
            }
            run.tell_errand();
            if !run.goes_on() {
                let outcome = run.failure.take().map_or(Ok(()), |error| Err(SampleError::Sink(error)));
                for poll in std::mem::take(&mut run.too_many) {
                    self.learnt.remember(&poll);
                }
                return outcome;
            }
        }
    }

    /// Tries a plan for some seconds and tells the rate that each signal got, once the link has got into its stride: the
    /// first answers of every kind take longer, because nobody knows yet how long they are.
    ///
    /// # Errors
    /// [`SampleError::NothingPlanned`].
    pub fn measure(&mut self, plan: &mut Plan, seconds: f64) -> Result<Vec<Rate>, SampleError<()>> {
        let mut trial = Trial {
            from_ns: signal::nanos_from_seconds(WARM_UP_S),
            until_ns: signal::nanos_from_seconds(WARM_UP_S + seconds),
            times: vec![Vec::new(); plan.signals.len()],
        };
        // A link that fails now will be noticed by the trial itself.
        let _ = self.tune(plan);
        self.sample(plan, &mut trial)?;
        let rate = |(signal, times): (&crate::PlannedSignal, &Vec<Nanos>)| {
            let intervals_s: Vec<f64> =
                times.windows(2).map(|pair| signal::seconds_from_nanos(pair[1] - pair[0])).collect();
            let total: f64 = intervals_s.iter().sum();
            let per_second = if total > 0.0 { intervals_s.len() as f64 / total } else { times.len() as f64 / seconds };
            Rate { id: signal.id.clone(), per_second, intervals_s }
        };
        Ok(plan.signals.iter().zip(&trial.times).map(rate).collect())
    }
}

/// Something that is done beside the samples, with requests of its own.
pub(crate) trait Errand {
    /// What it wants next. All times are of the link's clock.
    fn next(&mut self, now: Nanos) -> Want;

    /// Its request was not sent, for its module is busy: it is asked again what it wants, for much may have changed by then.
    fn not_sent(&mut self);

    /// Its request is over; an error means that it could not be sent.
    fn answered(&mut self, asked: &Request, outcome: Result<&Exchange, &LinkError>, now: Nanos);

    /// A sample has come in.
    fn saw(&mut self, signal: usize, sample: &Sample, now: Nanos);

    /// The adapter was lost; what was under way has no answer.
    fn lost(&mut self, now: Nanos);

    /// Bring it to an end: nobody wants it any more.
    fn release(&mut self, now: Nanos);

    /// What it has to say since it was last asked, with the time of it.
    fn tell(&mut self) -> Vec<(Nanos, Told)>;

    /// Whether it still has to do something before all may end. A lost adapter is waited for as long.
    fn is_open(&mut self, now: Nanos) -> bool;

    /// Whether the sampling ends when it does.
    fn ends_all(&self) -> bool;
}

/// What an errand says.
pub(crate) enum Told {
    /// A mark for the recording.
    Mark(String),
    /// Something worth telling the user.
    Note(String),
}

/// What an errand wants.
pub(crate) enum Want {
    /// Send this as soon as its module is free.
    Ask(Request),
    /// Nothing before this time, or before something has come.
    Wait(Nanos),
}

/// Sampling alone.
struct NoErrand;

impl Errand for NoErrand {
    fn next(&mut self, _: Nanos) -> Want {
        Want::Wait(Nanos::MAX)
    }

    fn not_sent(&mut self) {}

    fn answered(&mut self, _: &Request, _: Result<&Exchange, &LinkError>, _: Nanos) {}

    fn saw(&mut self, _: usize, _: &Sample, _: Nanos) {}

    fn lost(&mut self, _: Nanos) {}

    fn release(&mut self, _: Nanos) {}

    fn tell(&mut self) -> Vec<(Nanos, Told)> {
        Vec::new()
    }

    fn is_open(&mut self, _: Nanos) -> bool {
        false
    }

    fn ends_all(&self) -> bool {
        false
    }
}

/// Why the flow of requests was interrupted.
enum Pause {
    /// The adapter is to measure its supply for this poll.
    Supply(usize),
    /// A request could not be sent.
    Trouble(LinkError),
}

/// Who asked what.
enum Job {
    /// A poll of the plan, as it was when it was asked, and its place in the plan.
    Poll(usize, Poll),
    /// A step of the preparation of a poll, and whether it is the last.
    Prepare(usize, bool),
    /// A poll of a plan that has changed since: its values count, its fate does not.
    Stale(Poll),
    Errand,
}

impl Job {
    fn stale(self) -> Self {
        match self {
            Self::Poll(_, poll) => Self::Stale(poll),
            // Its poll is prepared again.
            Self::Prepare(_, _) => Self::Prepare(usize::MAX, false),
            other => other,
        }
    }
}

/// One sampling under way: gives the link its requests and takes the answers.
struct Run<'r, S: Sink> {
    modules: &'r [Module],
    plan: &'r mut Plan,
    sink: &'r mut S,
    errand: &'r mut dyn Errand,
    schedule: Schedule,
    health: Vec<Health>,
    start_ns: Nanos,
    /// The latest time that was seen on the link's clock.
    now: Nanos,
    /// Of the last exchange.
    number: u32,
    under_way: Vec<(Request, u32, Job)>,
    /// Polls that were more than a module takes.
    too_many: Vec<Poll>,
    pause: Option<Pause>,
    /// The sink has enough.
    is_over: bool,
    /// The sink could take no more.
    failure: Option<S::Error>,
}

impl<S: Sink> Feed for Run<'_, S> {
    fn next(&mut self, now: Nanos, busy: &[Target]) -> FeedNext {
        self.now = now;
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
        let until = match want {
            // Its module is kept free for it: nothing else is sent meanwhile.
            Want::Ask(request) if busy.contains(&request.to) => {
                self.errand.not_sent();
                return FeedNext::Wait(now + MAX_WAIT_NS);
            }
            Want::Ask(request) => return self.send(request, Job::Errand),
            Want::Wait(until) => until,
        };
        if self.is_over || self.failure.is_some() {
            return FeedNext::Wait(until.min(now + MAX_WAIT_NS));
        }
        let plan = &*self.plan;
        let modules = self.modules;
        let is_free = |idx: usize| match plan.polls.get(idx) {
            Some(poll) => poll.module().is_none_or(|address| {
                let (to, _) = target(modules, address, &[]);
                !busy.contains(&to)
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
        let (_, number, job) = self.under_way.remove(at);
        if let Ok(exchange) = &outcome {
            self.now = self.now.max(exchange.over_ns);
        }
        if matches!(job, Job::Errand) {
            self.errand.answered(&request, outcome.as_ref(), self.now);
        }
        let exchange = match outcome {
            Ok(exchange) => exchange,
            Err(LinkError::Unsendable(reason)) => {
                if let Job::Poll(idx, _) | Job::Prepare(idx, _) = job {
                    self.judge(idx, Outcome::TooMany(reason));
                }
                return;
            }
            Err(error) => {
                self.pause.get_or_insert(Pause::Trouble(error));
                return;
            }
        };
        let raw = RawExchange { to: request.to, request: request.bytes, exchange };
        let raw = from_start(raw, self.start_ns);
        let judged = match job {
            Job::Errand => None,
            Job::Poll(idx, poll) => Some((idx, self.read(&poll, number, &raw))),
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
}

impl<S: Sink> Run<'_, S> {
    fn fail(&mut self, error: S::Error) {
        self.failure.get_or_insert(error);
    }

    /// Whether there is anything left to do.
    fn goes_on(&mut self) -> bool {
        let is_open = self.errand.is_open(self.now);
        let is_done = self.is_over || self.failure.is_some() || self.errand.ends_all();
        is_open || !is_done
    }

    fn tell_errand(&mut self) {
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

    fn send(&mut self, request: Request, job: Job) -> FeedNext {
        self.number = self.number.saturating_add(1);
        self.under_way.push((request.clone(), self.number, job));
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
    fn supply(&mut self, link: &mut dyn Link, idx: usize) -> Result<(), LinkError> {
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
                    let is_complete = parts.len() == poll.reads().len();
                    for (signals, data) in parts {
                        for signal in signals {
                            let Some(definition) = self.plan.definition(*signal) else { continue };
                            let value = match definition.value(&data) {
                                // Beyond what can be true: still what the module said, and the checks must see it.
                                Ok(value) | Err(ValueError::Implausible { value, .. }) => value,
                                Err(_) => continue,
                            };
                            let (t_ns, asked_ns) = (reply.arrived_ns, raw.exchange.asked_ns);
                            self.take(*signal, Sample { t_ns, asked_ns, exchange: number, value });
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
        let Poll::Module { address, defined, .. } = poll else { return None };
        let reply = raw.exchange.replies.iter().find(|reply| reply.from == *address);
        let reply = reply.map(|reply| reply.bytes.as_slice()).unwrap_or_default();
        match protocol::uds::dynamic::interpret(&raw.request, reply) {
            Err(ReplyError::Negative { code: NegativeCode::BUSY, .. }) => Some(Outcome::Busy),
            Err(error) if is_last => {
                health.refusals = 1;
                health.n_prepared = 0;
                Some(Outcome::TooMany(error.to_string()))
            }
            _ if is_last => {
                health.n_prepared = 0;
                *defined = defined.map(|defined| Defined { is_set: true, ..defined });
                None
            }
            // A number that is not defined yet cannot be cleared everywhere; that is no failure.
            _ => {
                health.n_prepared += 1;
                None
            }
        }
    }

    /// Draws the consequences of an answer, or of none.
    fn judge(&mut self, idx: usize, outcome: Outcome) {
        let t_ns = self.now - self.start_ns;
        let (Some(state), Some(poll)) = (self.health.get_mut(idx), self.plan.polls.get(idx)) else { return };
        let split = match outcome {
            Outcome::Answered => {
                if !state.is_well() {
                    self.sink.note(t_ns, &format!("{} answers again", name(poll)));
                }
                *state = Health::default();
                false
            }
            Outcome::Busy => {
                self.schedule.postpone(idx, self.now + BUSY_NS);
                false
            }
            Outcome::Damaged if state.damages < DAMAGES_BEFORE_SILENT => {
                state.damages += 1;
                false
            }
            Outcome::Silent | Outcome::Damaged => {
                state.silences += 1;
                if state.silences == 1 {
                    self.sink.note(t_ns, &format!("{} does not answer", name(poll)));
                }
                self.schedule.postpone(idx, self.now + state.back_off_ns());
                state.silences >= SILENCES_BEFORE_SPLIT
            }
            Outcome::TooMany(reason) => {
                state.refusals += 1;
                // What was defined may be forgotten when a module starts anew: it is defined once more before it is given up.
                let is_first = state.refusals == 1;
                match self.plan.polls.get_mut(idx) {
                    Some(Poll::Module { defined: Some(defined), .. }) if is_first => {
                        defined.is_set = false;
                        return;
                    }
                    _ => {}
                }
                self.too_many.extend(self.plan.polls.get(idx).cloned());
                self.sink.note(t_ns, &reason);
                true
            }
            Outcome::Refused(reason) => {
                state.refusals += 1;
                if state.refusals == REFUSALS_BEFORE_SPLIT {
                    self.sink.note(t_ns, &format!("{}: {reason}", name(poll)));
                }
                if state.refusals >= REFUSALS_BEFORE_SPLIT {
                    self.schedule.postpone(idx, self.now + state.back_off_ns());
                }
                state.refusals >= REFUSALS_BEFORE_SPLIT
            }
        };
        let Some(poll) = self.plan.polls.get(idx) else { return };
        if split && let Some(parts) = poll.split() {
            self.sink.note(t_ns, &format!("{} is asked in {} parts from now on", name(poll), parts.len()));
            self.plan.polls.splice(idx..=idx, parts);
            self.under_way.iter_mut().for_each(|(.., job)| *job = std::mem::replace(job, Job::Errand).stale());
            self.schedule = Schedule::new(self.plan.polls.iter().map(Poll::pace));
            self.health = vec![Health::default(); self.plan.polls.len()];
        }
    }

    /// Waits until the vehicle can be reached again, and marks the gap.
    fn wait_for_return(&mut self, link: &mut dyn Link, error: &LinkError) {
        let from_ns = link.now() - self.start_ns;
        self.sink.note(from_ns, &error.to_string());
        let mut pause_ns = REOPEN_NS.0;
        let mut is_open = !error.is_lost();
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
                    return self.gap(from_ns, error);
                }
            }
            pause_ns = (pause_ns * 2).min(REOPEN_NS.1);
            if !is_open {
                is_open = link.reopen().is_ok();
                self.now = link.now();
            }
            if is_open {
                self.sink.note(self.now - self.start_ns, "the adapter is back");
                return self.gap(from_ns, error);
            }
        }
    }

    fn gap(&mut self, from_ns: Nanos, error: &LinkError) {
        let gap = Gap { from_ns, to_ns: self.now - self.start_ns, reason: error.to_string() };
        if let Err(error) = self.sink.gap(gap) {
            self.fail(error);
        }
    }
}

/// What became of a poll.
enum Outcome {
    Answered,
    Busy,
    /// Nobody answered.
    Silent,
    /// Something came that was no answer.
    Damaged,
    Refused(String),
    /// More in one request than the module takes.
    TooMany(String),
}

fn name(poll: &Poll) -> String {
    match poll {
        Poll::Supply { .. } => "supply voltage".to_owned(),
        Poll::Module { address, .. } => format!("{address} `{}`", protocol::Hex(poll.request())),
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

/// Keeps times only.
struct Trial {
    from_ns: Nanos,
    until_ns: Nanos,
    times: Vec<Vec<Nanos>>,
}

impl Sink for Trial {
    type Error = ();

    fn sample(&mut self, signal: usize, sample: Sample) -> Result<(), ()> {
        if sample.t_ns >= self.from_ns
            && let Some(times) = self.times.get_mut(signal)
        {
            times.push(sample.t_ns);
        }
        Ok(())
    }

    fn exchange(&mut self, _: u32, _: RawExchange) -> Result<(), ()> {
        Ok(())
    }

    fn gap(&mut self, _: Gap) -> Result<(), ()> {
        Ok(())
    }

    fn note(&mut self, _: Nanos, _: &str) {}

    fn go_on(&mut self, t_ns: Nanos) -> Result<bool, ()> {
        Ok(t_ns < self.until_ns)
    }
}
