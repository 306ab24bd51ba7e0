//! What leaving signals out would gain for the others.

use std::collections::BTreeMap;

use protocol::Address;
use signal::SignalId;

use crate::plan::Origin;
use crate::poll::Poll;
use crate::sampler::Rate;
use crate::schedule::Pace;
use crate::{Plan, Vehicle};

/// Least gain in the odds of the worst other signal that is worth a proposal.
const LEAST_GAIN: f64 = 0.02;
/// Most proposals.
const MOST: usize = 4;

/// Signals to leave out, and what the others would then get, estimated from the times that were measured.
#[derive(Debug, Clone, PartialEq)]
pub struct Relief {
    /// To be left out.
    pub without: Vec<SignalId>,
    /// The others that would come more often.
    pub gains: Vec<Gain>,
}

/// What a signal would get.
#[derive(Debug, Clone, PartialEq)]
pub struct Gain {
    /// The signal.
    pub id: SignalId,
    /// Samples per second.
    pub per_second: f64,
    /// Odds of catching the event.
    pub odds: f64,
}

impl Vehicle {
    /// What to leave out of a plan so that an event of `event_s` seconds is caught with better odds, best first: for each
    /// proposal what the other signals would get. Signals that are slow on purpose count as they are. Empty when nothing
    /// helps.
    ///
    /// A signal that shares its request with others gains nothing when it is left out alone, unless the rest then fits
    /// fewer requests; so those of a whole request are proposed together too.
    #[must_use]
    pub fn reliefs(&self, plan: &Plan, rates: &[Rate], event_s: f64) -> Vec<Relief> {
        let now = self.turns(plan, rates);
        let mut candidates: Vec<Vec<usize>> = Vec::new();
        for poll in &plan.polls {
            let signals: Vec<usize> = poll.reads().iter().flat_map(|(_, signals)| signals).copied().collect();
            candidates.extend(signals.iter().map(|signal| vec![*signal]));
            candidates.push(signals);
        }
        candidates.sort();
        candidates.dedup();
        let worst = |odds: &mut dyn Iterator<Item = f64>| odds.fold(1.0, f64::min);
        let is_steady = |idx: &usize| plan.signals.get(*idx).is_some_and(|signal| signal.period_s().is_none());
        let mut found: Vec<(f64, Relief)> = Vec::new();
        for without in candidates.iter().filter(|without| !without.is_empty() && without.len() < plan.signals.len()) {
            let mut rest = plan.clone();
            rest.signals.iter_mut().enumerate().filter(|(idx, _)| without.contains(idx)).for_each(|(_, signal)| {
                // Keeps its place, so that the indices stay, and costs nothing.
                signal.origin = Origin::Supply;
                signal.pace = Pace { period_ns: i64::MAX, ..Pace::default() };
            });
            rest.polls = self.first_polls(&rest);
            let then = self.turns(&rest, rates);
            let others: Vec<usize> =
                (0..plan.signals.len()).filter(is_steady).filter(|idx| !without.contains(idx)).collect();
            let mut gains = Vec::new();
            let (mut before, mut after) = (Vec::new(), Vec::new());
            for idx in others {
                let (Some(rate), Some(old), Some(new)) = (rates.get(idx), now.get(&idx), then.get(&idx)) else {
                    continue;
                };
                let faster = (new / old).max(1.0);
                let intervals_s: Vec<f64> = rate.intervals_s.iter().map(|interval| interval / faster).collect();
                let odds = crate::catch_odds(event_s, &intervals_s);
                before.push(rate.odds(event_s));
                after.push(odds);
                if odds > rate.odds(event_s) {
                    gains.push(Gain { id: rate.id.clone(), per_second: rate.per_second * faster, odds });
                }
            }
            let gain = worst(&mut after.into_iter()) - worst(&mut before.into_iter());
            if gain >= LEAST_GAIN {
                let without: Vec<SignalId> =
                    without.iter().filter_map(|idx| plan.signals.get(*idx)).map(|signal| signal.id.clone()).collect();
                found.push((gain / without.len() as f64, Relief { without, gains }));
            }
        }
        found.sort_by(|a, b| b.0.total_cmp(&a.0));
        found.into_iter().take(MOST).map(|(_, relief)| relief).collect()
    }

    /// How often each steady signal has its turn per second, from the time that its request takes: those of one module
    /// share its time where several are asked at once, all share the link otherwise.
    fn turns(&self, plan: &Plan, rates: &[Rate]) -> BTreeMap<usize, f64> {
        let cost_s = |poll: &Poll| {
            let signal = poll.reads().first().and_then(|(_, signals)| signals.first())?;
            rates.get(*signal)?.exchange_s
        };
        let is_parallel = self.link.n_parallel() > 1;
        let mut lanes: BTreeMap<Option<Address>, Vec<(&Poll, f64)>> = BTreeMap::new();
        for poll in &plan.polls {
            if let Some(cost_s) = cost_s(poll).filter(|_| poll.stream().is_none()) {
                lanes.entry(poll.module().filter(|_| is_parallel)).or_default().push((poll, cost_s));
            }
        }
        let mut turns = BTreeMap::new();
        for polls in lanes.values() {
            let is_slow = |pace: Pace| pace.period_ns > 0;
            let slow: f64 = polls
                .iter()
                .filter(|(poll, _)| is_slow(poll.pace()))
                .map(|(poll, cost_s)| cost_s / signal::seconds_from_nanos(poll.pace().period_ns))
                .sum();
            let steady: f64 = polls
                .iter()
                .filter(|(poll, _)| !is_slow(poll.pace()))
                .map(|(poll, cost_s)| cost_s * poll.pace().weight)
                .sum();
            // Signals that are due by time never get more than half.
            let free = (1.0 - slow).max(0.5);
            for (poll, _) in polls.iter().filter(|(poll, _)| !is_slow(poll.pace())) {
                for signal in poll.reads().iter().flat_map(|(_, signals)| signals) {
                    turns.insert(*signal, free * poll.pace().weight / steady);
                }
            }
        }
        turns
    }
}
