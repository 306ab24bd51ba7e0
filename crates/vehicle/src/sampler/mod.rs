//! Asks the plan's requests in turn and hands on what comes back.

mod errand;
mod judge;
mod run;
mod trial;

use link::{Heard, Wanted};
use protocol::Nanos;
use signal::{Gap, Mark, Sample};

pub(crate) use errand::{Errand, Told, Want};
pub use trial::Rate;

use crate::hear::Ears;
use crate::plan::Plan;
use crate::poll::Poll;
use crate::schedule::Schedule;
use crate::{RawExchange, Vehicle};
use errand::NoErrand;
use judge::Health;
use run::{Pause, Run};

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

    /// The raw bytes that samples with this exchange number were heard in, without a request; its time is since the start
    /// of the drive. Ignored unless a sink keeps them.
    ///
    /// # Errors
    /// Ends the sampling.
    fn heard(&mut self, number: u32, heard: Heard) -> Result<(), Self::Error> {
        let _ = (number, heard);
        Ok(())
    }

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

/// First and longest pause between tries to open a lost adapter again.
const REOPEN_NS: (Nanos, Nanos) = (250_000_000, 2_000_000_000);
/// Longest a sampler waits in one go, so that it can be stopped soon.
const MAX_WAIT_NS: Nanos = 100_000_000;

impl Vehicle {
    /// Samples until `sink` says that it is enough. A lost adapter leaves a gap and is opened again; a module that falls
    /// silent is asked less and less often and costs the others nothing.
    ///
    /// What the car does not take (several values in one request) is learnt and kept in `plan`.
    ///
    /// # Errors
    /// [`SampleError`]; a link that fails is no error but a gap.
    pub fn sample<S: Sink>(&mut self, plan: &mut Plan, sink: &mut S) -> Result<(), SampleError<S::Error>> {
        if plan.polls.is_empty() && plan.broadcasts().next().is_none() {
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
        let ears = Ears::new(plan, start_ns);
        let streams = plan.polls.iter().filter_map(Poll::stream).map(|stream| stream.wanted());
        let wanted: Vec<Wanted> = ears.wanted().iter().copied().chain(streams).collect();
        self.link.listen_to(&wanted);
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
            missed: Vec::new(),
            latest_ns: start_ns,
            ears,
            too_many: Vec::new(),
            unsent: None,
            trouble: None,
            pause: None,
            is_over: false,
            failure: None,
        };
        loop {
            let lost = self.link.run(&mut run);
            run.now = self.link.now();
            let pause = run.pause.take();
            match (lost, pause) {
                (Err(error), _) => {
                    let since_ns = run.unanswered_since();
                    run.lost(&mut *self.link, &error, since_ns);
                }
                (Ok(()), Some(Pause::Trouble(error, since_ns))) => run.lost(&mut *self.link, &error, since_ns),
                (Ok(()), Some(Pause::Supply(idx))) => {
                    let since_ns = run.now;
                    if let Err(error) = run.supply(&mut *self.link, idx) {
                        run.lost(&mut *self.link, &error, since_ns);
                    }
                }
                (Ok(()), None) => {}
            }
            run.tell_errand();
            if !run.goes_on() {
                let outcome = run.failure.take().map_or(Ok(()), |error| Err(SampleError::Sink(error)));
                let too_many = std::mem::take(&mut run.too_many);
                self.end_streams(plan, &too_many);
                self.learnt.remember_all(&too_many);
                return outcome;
            }
        }
    }

    /// Tells the modules that send by themselves to stop. One that cannot be reached ends its session by itself.
    fn end_streams(&mut self, plan: &mut Plan, given_up: &[Poll]) {
        self.link.listen_to(&[]);
        for poll in plan.polls.iter().chain(given_up) {
            let Some(address) = poll.module() else { continue };
            for bytes in poll.ending() {
                if self.try_once(address, bytes).is_err_and(|error| error.is_lost()) {
                    return;
                }
            }
        }
        plan.polls.iter_mut().filter(|poll| poll.stream().is_some()).for_each(|poll| poll.set(false));
    }
}
