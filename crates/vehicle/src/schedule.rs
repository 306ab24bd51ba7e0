//! Which poll comes next: slow ones when they are due, the others by their share of the link.

use protocol::Nanos;

/// How often a poll is worth asking.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Pace {
    /// Time between two requests; 0: as often as the link allows.
    pub(crate) period_ns: Nanos,
    /// Longest time between two requests that is wished for; above all shares, where the link can.
    pub(crate) latest_ns: Option<Nanos>,
    /// Share of what the periodic polls leave, against the other weights.
    pub(crate) weight: f64,
}

impl Default for Pace {
    fn default() -> Self {
        Self { period_ns: 0, latest_ns: None, weight: 1.0 }
    }
}

impl Pace {
    /// A pace that serves both.
    pub(crate) fn and(self, other: Self) -> Self {
        let latest_ns = [self.latest_ns, other.latest_ns].into_iter().flatten().min();
        Self { period_ns: self.period_ns.min(other.period_ns), latest_ns, weight: self.weight.max(other.weight) }
    }
}

/// Takes turns between polls.
///
/// A poll with a period, or with a longest interval, is asked when that much time has passed since it was last asked; the
/// others share the rest of the link by their weights (stride scheduling). Polls that are due by time never come twice in a
/// row while others wait, so that on a slow link the fast signals keep at least half of it.
#[derive(Debug, Clone)]
pub(crate) struct Schedule {
    slots: Vec<Slot>,
    /// How far the shares have got: the pass of the poll that was last chosen.
    pass: f64,
    due_was_last: bool,
}

#[derive(Debug, Clone)]
struct Slot {
    pace: Pace,
    /// Not before this time.
    from_ns: Nanos,
    /// Due by time from here on; `Nanos::MAX` for polls that only have a share.
    due_ns: Nanos,
    pass: f64,
}

/// What to do now.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Next {
    /// Ask this poll.
    Poll(usize),
    /// Nothing may be asked before this time, or before something that is under way is over.
    Wait(Nanos),
}

impl Schedule {
    pub(crate) fn new(paces: impl IntoIterator<Item = Pace>) -> Self {
        let slots = paces.into_iter().map(|pace| {
            let is_timed = pace.period_ns > 0 || pace.latest_ns.is_some();
            Slot { pace, from_ns: Nanos::MIN, due_ns: if is_timed { Nanos::MIN } else { Nanos::MAX }, pass: 0.0 }
        });
        Self { slots: slots.collect(), pass: 0.0, due_was_last: false }
    }

    /// Keeps a poll from being asked before `until_ns`, because it was not answered.
    pub(crate) fn postpone(&mut self, idx: usize, until_ns: Nanos) {
        if let Some(slot) = self.slots.get_mut(idx) {
            slot.from_ns = slot.from_ns.max(until_ns);
        }
    }

    /// Lets a poll come next, before its period is over.
    pub(crate) fn hasten(&mut self, idx: usize) {
        if let Some(slot) = self.slots.get_mut(idx).filter(|slot| slot.pace.period_ns > 0) {
            (slot.from_ns, slot.due_ns) = (Nanos::MIN, Nanos::MIN);
        }
    }

    /// Chooses among the polls for which `is_free`, and counts the chosen one as asked at `now`.
    pub(crate) fn next(&mut self, now: Nanos, is_free: impl Fn(usize) -> bool) -> Next {
        let open = |idx: &usize| self.slots[*idx].from_ns <= now && is_free(*idx);
        let due = (0..self.slots.len())
            .filter(|idx| self.slots[*idx].due_ns <= now)
            .filter(open)
            .min_by_key(|&idx| self.slots[idx].due_ns);
        let steady = (0..self.slots.len())
            .filter(|&idx| self.slots[idx].pace.period_ns == 0 && Some(idx) != due)
            .filter(open)
            .min_by(|&a, &b| self.slots[a].pass.total_cmp(&self.slots[b].pass));
        let chosen = match (due, steady) {
            (Some(due), Some(_)) if !self.due_was_last => Some(due),
            (Some(due), None) => Some(due),
            (_, steady) => steady,
        };
        let Some(idx) = chosen else {
            let times = self.slots.iter().map(|slot| {
                let due_ns = if slot.pace.period_ns > 0 { slot.due_ns } else { Nanos::MIN };
                slot.from_ns.max(due_ns)
            });
            return Next::Wait(times.filter(|time| *time > now).min().unwrap_or(Nanos::MAX));
        };
        self.due_was_last = due == Some(idx);
        let (pass, slot) = (self.pass, &mut self.slots[idx]);
        let interval_ns = if slot.pace.period_ns > 0 { Some(slot.pace.period_ns) } else { slot.pace.latest_ns };
        if let Some(interval_ns) = interval_ns {
            slot.due_ns = now.saturating_add(interval_ns);
        }
        if slot.pace.period_ns > 0 {
            slot.from_ns = now.saturating_add(slot.pace.period_ns);
        } else {
            // Whoever had to stand back does not get all at once afterwards.
            slot.pass = slot.pass.max(pass - 1.0 / slot.pace.weight) + 1.0 / slot.pace.weight;
            self.pass = pass.max(slot.pass - 1.0 / slot.pace.weight);
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

    fn fast() -> Pace {
        Pace::default()
    }

    fn every(period_ns: Nanos) -> Pace {
        Pace { period_ns, ..Pace::default() }
    }

    fn polls(schedule: &mut Schedule, from: Nanos, step: Nanos, count: usize) -> Vec<Next> {
        (0..count).map(|k| schedule.next(from + step * k as Nanos, |_| true)).collect()
    }

    fn count(order: &[Next], poll: usize) -> usize {
        order.iter().filter(|next| **next == Next::Poll(poll)).count()
    }

    #[test]
    fn steady_polls_take_turns() {
        let mut schedule = Schedule::new([fast(); 3]);
        let order = polls(&mut schedule, 0, 1, 5);
        assert_eq!(order, [0, 1, 2, 0, 1].map(Next::Poll));
    }

    #[test]
    fn shares_follow_the_weights() {
        let weighted = |weight| Pace { weight, ..Pace::default() };
        let mut schedule = Schedule::new([weighted(1.0), weighted(3.0), weighted(0.5)]);
        let order = polls(&mut schedule, 0, 1, 450);
        let counts = [0, 1, 2].map(|poll| count(&order, poll) as i64);
        for (got, expected) in counts.iter().zip([100, 300, 50]) {
            assert!((got - expected).abs() <= 2, "{counts:?}");
        }
    }

    #[test]
    fn who_stood_back_does_not_get_all_at_once() {
        let mut schedule = Schedule::new([fast(), fast()]);
        schedule.postpone(1, 1000);
        assert_eq!(count(&polls(&mut schedule, 0, 1, 1000), 0), 1000);
        let order = polls(&mut schedule, 1000, 1, 20);
        assert!((9..=11).contains(&count(&order, 0)), "{order:?}");
    }

    #[test]
    fn a_busy_module_is_passed_over() {
        let mut schedule = Schedule::new([fast(), fast()]);
        let order: Vec<Next> = (0..4).map(|now| schedule.next(now, |idx| idx == 1)).collect();
        assert_eq!(order, [Next::Poll(1); 4]);
        assert_eq!(schedule.next(5, |_| false), Next::Wait(Nanos::MAX));
        assert_eq!(schedule.next(6, |_| true), Next::Poll(0));
    }

    #[test]
    fn a_longest_interval_is_kept_among_many() {
        let urgent = Pace { latest_ns: Some(10), ..Pace::default() };
        let mut schedule = Schedule::new(std::iter::repeat_n(fast(), 50).chain([urgent]));
        let order = polls(&mut schedule, 0, 1, 500);
        let times: Vec<usize> = (0..500).filter(|&k| order[k] == Next::Poll(50)).collect();
        assert!(times.windows(2).all(|pair| pair[1] - pair[0] <= 11), "{times:?}");
        assert!(times.len() <= 60);
    }

    #[test]
    fn a_slow_poll_comes_at_its_period_and_never_starves_the_others() {
        let mut schedule = Schedule::new([fast(), every(10)]);
        let order = polls(&mut schedule, 0, 1, 23);
        let slow: Vec<usize> = (0..23).filter(|&k| order[k] == Next::Poll(1)).collect();
        assert_eq!(slow, [0, 10, 20]);
        // Five slow polls that are always due, behind a link too slow for them: every second turn stays with the fast one.
        let mut schedule = Schedule::new([fast()].into_iter().chain([every(1); 5]));
        let order = polls(&mut schedule, 0, 100, 20);
        assert_eq!(count(&order, 0), 10);
    }

    #[test]
    fn with_nothing_due_it_says_when() {
        let mut schedule = Schedule::new([every(100)]);
        assert_eq!(schedule.next(5, |_| true), Next::Poll(0));
        assert_eq!(schedule.next(6, |_| true), Next::Wait(105));
        assert_eq!(schedule.next(105, |_| true), Next::Poll(0));
        schedule.postpone(0, 500);
        assert_eq!(schedule.next(300, |_| true), Next::Wait(500));
        assert_eq!(Schedule::new([]).next(0, |_| true), Next::Wait(Nanos::MAX));
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
