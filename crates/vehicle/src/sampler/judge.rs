//! What becomes of a poll that is answered, refused or not answered.

use std::collections::BTreeMap;

use protocol::Nanos;

use super::Sink;
use super::run::{Job, Run};
use crate::poll::Poll;
use crate::schedule::Schedule;

/// First and longest pause before a poll that was not answered is asked again.
const BACK_OFF_NS: (Nanos, Nanos) = (100_000_000, 2_000_000_000);
/// Pause of a poll that a module was too busy for.
const BUSY_NS: Nanos = 50_000_000;
/// Damaged answers in a row after which a poll is treated as if nobody answered: the line is then as good as silent.
const DAMAGES_BEFORE_SILENT: u32 = 5;
/// Incomplete or refused answers in a row after which a request for several values is taken apart; a single one may be
/// a damaged digit.
const REFUSALS_BEFORE_SPLIT: u32 = 2;
/// Silent tries after which a request for several values is taken apart that was never answered, for some modules ignore
/// what they do not take. One that was answered before stays whole: the module is silent, and comes back.
const SILENCES_BEFORE_SPLIT: u32 = 2;
/// A module that has not sent by itself for this long has stopped.
const SILENT_STREAM_NS: Nanos = 1_000_000_000;

/// How a poll is doing.
#[derive(Debug, Clone, Default)]
pub(super) struct Health {
    silences: u32,
    pub(super) refusals: u32,
    damages: u32,
    has_answered: bool,
    /// Steps of its preparation that are done.
    pub(super) n_prepared: usize,
    /// When each periodic number was last heard.
    pub(super) heard: BTreeMap<u8, Nanos>,
}

impl Health {
    fn is_well(&self) -> bool {
        self.silences == 0 && self.refusals <= 1
    }

    /// Whether all that the module is to send by itself has come of late.
    pub(super) fn is_sending(&self, poll: &Poll, now: Nanos) -> bool {
        let is_late = |number: &u8| self.heard.get(number).is_none_or(|at| now - at > SILENT_STREAM_NS);
        !poll.sent_numbers().iter().any(is_late)
    }

    fn back_off_ns(&self) -> Nanos {
        let doublings = (self.silences + self.refusals).saturating_sub(1).min(10);
        (BACK_OFF_NS.0 << doublings).min(BACK_OFF_NS.1)
    }
}

/// What became of a poll.
pub(super) enum Outcome {
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

impl<S: Sink> Run<'_, S> {
    /// Draws the consequences of an answer, or of none.
    pub(super) fn judge(&mut self, idx: usize, outcome: Outcome) {
        let t_ns = self.now - self.start_ns;
        let (Some(state), Some(poll)) = (self.health.get_mut(idx), self.plan.polls.get(idx)) else { return };
        let split = match outcome {
            Outcome::Answered => {
                if !state.is_well() {
                    self.sink.note(t_ns, &format!("{} answers again", poll.title()));
                }
                let heard = std::mem::take(&mut state.heard);
                *state = Health { has_answered: true, heard, ..Health::default() };
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
                    self.sink.note(t_ns, &format!("{} does not answer", poll.title()));
                }
                self.schedule.postpone(idx, self.now + state.back_off_ns());
                !state.has_answered && state.silences >= SILENCES_BEFORE_SPLIT
            }
            Outcome::TooMany(reason) => {
                state.refusals += 1;
                // What was defined may be forgotten when a module starts anew: it is defined once more before it is given up.
                let is_first = state.refusals == 1;
                if is_first && let Some(poll) = self.plan.polls.get_mut(idx).filter(|poll| poll.is_prepared()) {
                    poll.set(false);
                    self.schedule.hasten(idx);
                    return;
                }
                self.too_many.extend(self.plan.polls.get(idx).cloned());
                if state.refusals <= REFUSALS_BEFORE_SPLIT {
                    self.sink.note(t_ns, &reason);
                }
                // Where it cannot be taken apart: what cannot be sent takes no time, and would be tried without end.
                self.schedule.postpone(idx, self.now + state.back_off_ns());
                true
            }
            Outcome::Refused(reason) => {
                state.refusals += 1;
                if state.refusals == REFUSALS_BEFORE_SPLIT {
                    self.sink.note(t_ns, &format!("{}: {reason}", poll.title()));
                }
                if state.refusals >= REFUSALS_BEFORE_SPLIT {
                    self.schedule.postpone(idx, self.now + state.back_off_ns());
                }
                state.refusals >= REFUSALS_BEFORE_SPLIT
            }
        };
        let Some(poll) = self.plan.polls.get(idx) else { return };
        if split && let Some(parts) = poll.split(&|signal| self.plan.signals.get(signal).map(|signal| signal.pace)) {
            self.sink.note(t_ns, &format!("{} is asked in {} parts from now on", poll.title(), parts.len()));
            self.plan.polls.splice(idx..=idx, parts);
            self.under_way.iter_mut().for_each(|(_, _, job, _)| *job = std::mem::replace(job, Job::Errand).stale());
            self.schedule = Schedule::new(self.plan.polls.iter().map(Poll::pace));
            self.health = vec![Health::default(); self.plan.polls.len()];
        }
    }
}
