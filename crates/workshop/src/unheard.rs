//! What a drive lacks of one signal while others came.

use protocol::Nanos;

/// Stretches of a drive without samples of a signal beside others that had some: its module fell silent.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Unheard {
    /// When the last one came, and the longest time to the next that is nothing, where that is known.
    latest_ns: Nanos,
    most_ns: Option<Nanos>,
    n: u32,
    total_ns: Nanos,
    longest: (Nanos, Nanos),
}

impl Unheard {
    /// A poll that nobody answered is asked again 2 s later at the latest, and may take a second to be sent (no source).
    const LEAST_NS: Nanos = 3_000_000_000;
    /// What comes seldom is missed only after so many intervals between its samples (no source).
    const INTERVALS: f64 = 20.0;

    /// It is asked for from now on.
    pub(crate) fn begin(&mut self, t_ns: Nanos, per_second: f64) {
        let most_ns = (Self::INTERVALS / per_second * 1e9) as Nanos;
        (self.latest_ns, self.most_ns) = (t_ns, (per_second > 0.0).then_some(most_ns.max(Self::LEAST_NS)));
    }

    /// It was heard then, and nothing is missing until `to_ns`.
    pub(crate) fn heard(&mut self, t_ns: Nanos, to_ns: Nanos) {
        let (from_ns, missed_ns) = (self.latest_ns, t_ns - self.latest_ns);
        if self.most_ns.is_some_and(|most_ns| missed_ns > most_ns) {
            self.n += 1;
            self.total_ns += missed_ns;
            if missed_ns > self.longest.1 - self.longest.0 {
                self.longest = (from_ns, t_ns);
            }
        }
        self.latest_ns = from_ns.max(to_ns);
    }

    /// What is to be said of this signal, if anything.
    pub(crate) fn told(&self, id: &str) -> Option<String> {
        let [total_s, from_s, to_s] = [self.total_ns, self.longest.0, self.longest.1].map(signal::seconds_from_nanos);
        match self.n {
            0 => None,
            1 => Some(format!("{id} has no sample from {from_s:.1} s to {to_s:.1} s")),
            n => Some(format!(
                "{id} has no sample for {total_s:.1} s in {n} stretches, the longest from {from_s:.1} s to {to_s:.1} s"
            )),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const S: Nanos = 1_000_000_000;

    #[test]
    fn what_is_missing_is_told_by_its_length() {
        let mut unheard = Unheard::default();
        unheard.begin(S, 10.0);
        unheard.heard(2 * S, 2 * S);
        unheard.heard(5 * S, 5 * S);
        assert_eq!(unheard.told("x"), None, "three seconds are nothing");
        unheard.heard(9 * S, 9 * S);
        assert_eq!(unheard.told("x").as_deref(), Some("x has no sample from 5.0 s to 9.0 s"));
        // Gaps are told elsewhere, and a late answer does not make anything missing again.
        unheard.heard(10 * S, 60 * S);
        unheard.heard(59 * S, 59 * S);
        unheard.heard(63 * S, 63 * S);
        unheard.heard(70 * S, 70 * S);
        let told = "x has no sample for 11.0 s in 2 stretches, the longest from 63.0 s to 70.0 s";
        assert_eq!(unheard.told("x").as_deref(), Some(told));
    }

    #[test]
    fn what_comes_seldom_or_how_often_nobody_knows_is_not_missed() {
        for (per_second, is_told) in [(0.0, false), (0.5, false), (2.0, true)] {
            let mut unheard = Unheard::default();
            unheard.begin(0, per_second);
            unheard.heard(30 * S, 30 * S);
            assert_eq!(unheard.told("x").is_some(), is_told, "{per_second}");
        }
    }
}
