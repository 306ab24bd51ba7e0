//! Asks the plan's requests in turn and hands on what comes back.

use definition::{Read, ValueError};
use link::{Exchange, LinkError, Request};
use protocol::obd::{current, monitors};
use protocol::uds_read::identifiers;
use protocol::{Nanos, NegativeCode, ReplyError};
use signal::{Gap, Sample, SignalId};

use crate::plan::{Plan, Poll};
use crate::schedule::{Next, Schedule, catch_odds};
use crate::{RawExchange, Vehicle};

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
        let start_ns = self.link.now();
        let mut schedule = Schedule::new(plan.polls.iter().map(Poll::period_ns));
        let mut health = vec![Health::default(); plan.polls.len()];
        let mut number = 0u32;
        while sink.go_on(self.link.now() - start_ns).map_err(SampleError::Sink)? {
            let now = self.link.now();
            let idx = match schedule.next(now) {
                Next::Poll(idx) => idx,
                Next::Wait(until) => {
                    self.link.pause((until - now).clamp(1, MAX_WAIT_NS));
                    continue;
                }
            };
            number = number.saturating_add(1);
            let outcome = match self.poll(plan, idx, number, start_ns, sink) {
                Ok(outcome) => outcome.map_err(SampleError::Sink)?,
                Err(error) => {
                    self.wait_for_return(&error, start_ns, sink).map_err(SampleError::Sink)?;
                    continue;
                }
            };
            let Some(state) = health.get_mut(idx) else { continue };
            let t_ns = self.link.now() - start_ns;
            let split = match outcome {
                Outcome::Answered => {
                    if !state.is_well() {
                        sink.note(t_ns, &format!("{} answers again", name(&plan.polls[idx])));
                    }
                    *state = Health::default();
                    false
                }
                Outcome::Busy => {
                    schedule.postpone(idx, self.link.now() + BUSY_NS);
                    false
                }
                Outcome::Damaged if state.damages < DAMAGES_BEFORE_SILENT => {
                    state.damages += 1;
                    false
                }
                Outcome::Silent | Outcome::Damaged => {
                    state.silences += 1;
                    if state.silences == 1 {
                        sink.note(t_ns, &format!("{} does not answer", name(&plan.polls[idx])));
                    }
                    schedule.postpone(idx, self.link.now() + state.back_off_ns());
                    state.silences >= SILENCES_BEFORE_SPLIT
                }
                Outcome::Refused(reason) => {
                    state.refusals += 1;
                    if state.refusals == REFUSALS_BEFORE_SPLIT {
                        sink.note(t_ns, &format!("{}: {reason}", name(&plan.polls[idx])));
                    }
                    if state.refusals >= REFUSALS_BEFORE_SPLIT {
                        schedule.postpone(idx, self.link.now() + state.back_off_ns());
                    }
                    state.refusals >= REFUSALS_BEFORE_SPLIT
                }
            };
            if split && let Some((first, second)) = plan.polls[idx].split() {
                sink.note(t_ns, &format!("{} is asked in two parts from now on", name(&plan.polls[idx])));
                plan.polls[idx] = first;
                plan.polls.push(second);
                schedule = Schedule::new(plan.polls.iter().map(Poll::period_ns));
                health = vec![Health::default(); plan.polls.len()];
            }
        }
        Ok(())
    }

    /// Asks one poll and hands on what came. The outer result is the link's, the inner one the sink's.
    fn poll<S: Sink>(
        &mut self,
        plan: &Plan,
        idx: usize,
        number: u32,
        start_ns: Nanos,
        sink: &mut S,
    ) -> Result<Result<Outcome, S::Error>, LinkError> {
        let (address, reads) = match &plan.polls[idx] {
            Poll::Supply { signal, .. } => {
                let asked_ns = self.link.now() - start_ns;
                let volts = self.link.supply_volts()?;
                let t_ns = self.link.now() - start_ns;
                return Ok(match volts {
                    Some(value) => sink
                        .sample(*signal, Sample { t_ns, asked_ns, exchange: number, value })
                        .map(|()| Outcome::Answered),
                    None => Ok(Outcome::Refused("the adapter does not measure its supply".to_owned())),
                });
            }
            Poll::Module { address, reads, .. } => (*address, reads),
        };
        let bytes = plan.polls[idx].request();
        let (to, n_replies) = self.target(address, &bytes);
        let exchange = self.link.exchange(&Request { to, bytes: bytes.clone(), n_replies })?;
        let raw = from_start(RawExchange { to, request: bytes.clone(), exchange }, start_ns);
        let mut handed_on = Ok(());
        let mut outcome = if raw.exchange.problems.is_empty() { Outcome::Silent } else { Outcome::Damaged };
        for reply in raw.exchange.replies.iter().filter(|reply| reply.from == address) {
            outcome = match parts(plan, reads, &bytes, &reply.bytes) {
                Err(ReplyError::Negative { code: NegativeCode::BUSY, .. }) => Outcome::Busy,
                Err(error) => Outcome::Refused(error.to_string()),
                Ok(parts) => {
                    let is_complete = parts.len() == reads.len();
                    for (signals, data) in parts {
                        for signal in signals {
                            let Some(definition) = plan.definition(*signal) else { continue };
                            let value = match definition.value(&data) {
                                // Beyond what can be true: still what the module said, and the checks must see it.
                                Ok(value) | Err(ValueError::Implausible { value, .. }) => value,
                                Err(_) => continue,
                            };
                            let (t_ns, asked_ns) = (reply.arrived_ns, raw.exchange.asked_ns);
                            handed_on = handed_on.and_then(|()| {
                                sink.sample(*signal, Sample { t_ns, asked_ns, exchange: number, value })
                            });
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
        Ok(handed_on.and_then(|()| sink.exchange(number, raw)).map(|()| outcome))
    }

    /// Waits until the vehicle can be reached again, and marks the gap.
    fn wait_for_return<S: Sink>(&mut self, error: &LinkError, start_ns: Nanos, sink: &mut S) -> Result<(), S::Error> {
        let from_ns = self.link.now() - start_ns;
        sink.note(from_ns, &error.to_string());
        let mut pause_ns = REOPEN_NS.0;
        let mut is_open = !error.is_lost();
        loop {
            let until = self.link.now() + pause_ns;
            while self.link.now() < until {
                self.link.pause((until - self.link.now()).min(MAX_WAIT_NS));
                if !sink.go_on(self.link.now() - start_ns)? {
                    let gap = Gap { from_ns, to_ns: self.link.now() - start_ns, reason: error.to_string() };
                    return sink.gap(gap);
                }
            }
            pause_ns = (pause_ns * 2).min(REOPEN_NS.1);
            if !is_open {
                is_open = self.link.reopen().is_ok();
            }
            if is_open {
                let to_ns = self.link.now() - start_ns;
                sink.note(to_ns, "the adapter is back");
                return sink.gap(Gap { from_ns, to_ns, reason: error.to_string() });
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

/// What became of a poll.
enum Outcome {
    Answered,
    Busy,
    /// Nobody answered.
    Silent,
    /// Something came that was no answer.
    Damaged,
    Refused(String),
}

fn name(poll: &Poll) -> String {
    match poll {
        Poll::Supply { .. } => "supply voltage".to_owned(),
        Poll::Module { address, .. } => format!("{address} `{}`", protocol::Hex(poll.request())),
    }
}

/// The signals (indices into the plan) that are in some data bytes.
type Part<'p> = (&'p [usize], Vec<u8>);

/// The data of each read that is in a reply, with the signals that are in it.
fn parts<'p>(
    plan: &Plan,
    reads: &'p [(Read, Vec<usize>)],
    asked: &[u8],
    reply: &[u8],
) -> Result<Vec<Part<'p>>, ReplyError> {
    let signals_of =
        |wanted: Read| reads.iter().find(|(read, _)| *read == wanted).map(|(_, signals)| signals.as_slice());
    Ok(match reads.first() {
        Some((Read::Pid(_), _)) => current::interpret(asked, reply)?
            .value
            .into_iter()
            .filter_map(|part| Some((signals_of(Read::Pid(part.pid))?, part.data)))
            .collect(),
        Some((Read::Did(_), _)) => {
            let length_of =
                |did| reads.iter().find(|(read, _)| *read == Read::Did(did)).and_then(|(r, s)| plan.n_bytes(*r, s));
            identifiers::interpret(asked, reply, length_of)?
                .value
                .into_iter()
                .filter_map(|part| Some((signals_of(Read::Did(part.did))?, part.data)))
                .collect()
        }
        Some((Read::MonitorResult { .. }, _)) => monitors::interpret(asked, reply)?
            .value
            .into_iter()
            .filter_map(|result| {
                let signals = signals_of(Read::MonitorResult { mid: result.mid, tid: result.tid })?;
                let words = [result.value, result.min, result.max].into_iter().flat_map(u16::to_be_bytes);
                Some((signals, std::iter::once(result.scaling).chain(words).collect()))
            })
            .collect(),
        None => Vec::new(),
    })
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
