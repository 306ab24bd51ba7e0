//! Which poll comes next: slow ones when they are due, the others in turn.

use protocol::Nanos;

/// Takes turns between polls.
///
/// A poll with a period is asked when that much time has passed since it was last asked; polls without one share the
/// rest of the link in turn. A periodic poll never comes twice in a row while others wait, so that on a slow link the
/// fast signals keep at least half of it.
#[derive(Debug, Clone)]
pub(crate) struct Schedule {
    slots: Vec<Slot>,
    turn: usize,
    periodic_was_last: bool,
}

#[derive(Debug, Clone)]
struct Slot {
    period_ns: Nanos,
    due_ns: Nanos,
}

/// What to do now.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Next {
    /// Ask this poll.
    Poll(usize),
    /// Nothing is due before this time.
    Wait(Nanos),
}

impl Schedule {
    /// `periods_ns`: one per poll, 0 for as often as possible.
    pub(crate) fn new(periods_ns: impl IntoIterator<Item = Nanos>) -> Self {
        let slots = periods_ns.into_iter().map(|period_ns| Slot { period_ns, due_ns: Nanos::MIN }).collect();
        Self { slots, turn: 0, periodic_was_last: false }
    }

    /// Keeps a poll from being asked before `until_ns`, because it was not answered.
    pub(crate) fn postpone(&mut self, idx: usize, until_ns: Nanos) {
        if let Some(slot) = self.slots.get_mut(idx) {
            slot.due_ns = slot.due_ns.max(until_ns);
        }
    }

    /// Chooses, and counts the chosen poll as asked at `now`.
    pub(crate) fn next(&mut self, now: Nanos) -> Next {
        let periodic = (0..self.slots.len())
            .filter(|&idx| self.slots[idx].period_ns > 0 && self.slots[idx].due_ns <= now)
            .min_by_key(|&idx| self.slots[idx].due_ns);
        let steady = (0..self.slots.len())
            .map(|step| (self.turn + step) % self.slots.len())
            .find(|&idx| self.slots[idx].period_ns == 0 && self.slots[idx].due_ns <= now);
        let chosen = match (periodic, steady) {
            (Some(periodic), Some(_)) if !self.periodic_was_last => Some(periodic),
            (Some(periodic), None) => Some(periodic),
            (_, steady) => steady,
        };
        let Some(idx) = chosen else {
            return Next::Wait(self.slots.iter().map(|slot| slot.due_ns).min().unwrap_or(Nanos::MAX));
        };
        let slot = &mut self.slots[idx];
        self.periodic_was_last = slot.period_ns > 0;
        if slot.period_ns > 0 {
            slot.due_ns = now.saturating_add(slot.period_ns);
        } else {
            self.turn = idx + 1;
        }
        Next::Poll(idx)
    }
}

/// Odds of catching an event of `event_s` seconds, given the intervals between samples of a signal in seconds.
///
/// `p = sum min(d, T_i) / sum T_i`: an event starts at any moment alike, and is caught if a sample falls into it. The
/// mean interval alone would be too optimistic where intervals differ. 0 without intervals. Source: derived here.
///
/// ```
/// assert_eq!(vehicle::catch_odds(0.05, &[0.2]), 0.25);
/// assert_eq!(vehicle::catch_odds(0.3, &[0.2]), 1.0);
/// ```
#[must_use]
pub fn catch_odds(event_s: f64, intervals_s: &[f64]) -> f64 {
    let total: f64 = intervals_s.iter().sum();
    if total <= 0.0 {
        return 0.0;
    }
    intervals_s.iter().map(|interval| interval.min(event_s)).sum::<f64>() / total
}

#[cfg(test)]
mod tests {
    use super::*;

    fn polls(schedule: &mut Schedule, from: Nanos, step: Nanos, count: usize) -> Vec<Next> {
        (0..count).map(|k| schedule.next(from + step * k as Nanos)).collect()
    }

    #[test]
    fn steady_polls_take_turns() {
        let mut schedule = Schedule::new([0, 0, 0]);
        let order = polls(&mut schedule, 0, 1, 5);
        assert_eq!(order, [0, 1, 2, 0, 1].map(Next::Poll));
    }

    #[test]
    fn a_slow_poll_comes_at_its_period_and_never_starves_the_others() {
        let mut schedule = Schedule::new([0, 10]);
        let order = polls(&mut schedule, 0, 1, 23);
        let slow: Vec<usize> = (0..23).filter(|&k| order[k] == Next::Poll(1)).collect();
        assert_eq!(slow, [0, 10, 20]);
        // Five slow polls that are always due, behind a link too slow for them: every second turn stays with the fast one.
        let mut schedule = Schedule::new([0, 1, 1, 1, 1, 1]);
        let order = polls(&mut schedule, 0, 100, 20);
        assert_eq!(order.iter().filter(|next| **next == Next::Poll(0)).count(), 10);
    }

    #[test]
    fn with_nothing_due_it_says_when() {
        let mut schedule = Schedule::new([100]);
        assert_eq!(schedule.next(5), Next::Poll(0));
        assert_eq!(schedule.next(6), Next::Wait(105));
        assert_eq!(schedule.next(105), Next::Poll(0));
        schedule.postpone(0, 500);
        assert_eq!(schedule.next(300), Next::Wait(500));
        assert_eq!(Schedule::new([]).next(0), Next::Wait(Nanos::MAX));
    }

    #[test]
    fn odds_of_catching_a_pulse() {
        // Reference: instantaneous sampling with random phase, P = min(1, d/T), pulses for 95 % = ln 0.05 / ln(1 - P);
        // rows of a published-style table computed independently: 50 ms at 200 ms -> 0.25, 11 pulses, and so on.
        for (d_s, t_s, odds, pulses) in [(0.05, 0.2, 0.25, 11), (0.1, 0.25, 0.4, 6), (0.06, 0.1, 0.6, 4)] {
            let p = catch_odds(d_s, &[t_s; 7]);
            assert!((p - odds).abs() < 1e-12);
            assert_eq!((0.05f64.ln() / (1.0 - p).ln()).ceil() as i32, pulses);
        }
        // Irregular: intervals 10 and 190 ms have a mean of 100 ms, but a 50 ms event is caught in 60 of 200 ms only.
        assert!((catch_odds(0.05, &[0.01, 0.19]) - 0.3).abs() < 1e-12);
        assert_eq!(catch_odds(0.05, &[]), 0.0);
    }
}
