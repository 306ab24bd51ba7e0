//! How long the way to the adapter and back takes.

use crate::Nanos;

const MS: Nanos = 1_000_000;

/// Smoothed round trip of a command that the adapter answers by itself (the estimator of RFC 6298).
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct RoundTrip(Option<(Nanos, Nanos)>);

impl RoundTrip {
    pub(super) fn measured(&mut self, ns: Nanos) {
        self.0 = Some(match self.0 {
            None => (ns, ns / 2),
            Some((mean, spread)) => (mean + (ns - mean) / 8, spread + ((ns - mean).abs() - spread) / 4),
        });
    }

    /// How long an answer may take to come through beyond what the adapter itself needs.
    pub(super) fn margin_ns(self) -> Nanos {
        // Wireless hops stall for some tenths of a second now and then (common practice, no source): a resynchronisation
        // costs more than waiting for them.
        self.0.map_or(1_000 * MS, |(mean, spread)| (mean + 4 * spread + 200 * MS).clamp(250 * MS, 2_000 * MS))
    }

    /// The same where giving up early costs one more command only, as nothing but a prompt can be missing.
    pub(super) fn swift_ns(self) -> Nanos {
        self.0.map_or(1_000 * MS, |(mean, spread)| (mean + 4 * spread).clamp(20 * MS, 2_000 * MS))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 6298, 2.2 and 2.3: the first measurement R gives R and R/2; each later one moves the mean by an eighth of the
    /// difference and the spread by a quarter. Here with 4 spreads, as there, and the limits of this program.
    #[test]
    fn the_estimator_of_the_rfc_by_hand() {
        let mut trip = RoundTrip::default();
        assert_eq!((trip.margin_ns(), trip.swift_ns()), (1_000 * MS, 1_000 * MS), "nothing is known yet");
        trip.measured(100 * MS);
        // 100 and 50: 100 + 200.
        assert_eq!((trip.margin_ns(), trip.swift_ns()), (500 * MS, 300 * MS));
        trip.measured(200 * MS);
        // 100 + 100/8 = 112.5 and 50 + (100 - 50)/4 = 62.5: 112.5 + 250.
        assert_eq!((trip.margin_ns(), trip.swift_ns()), (562_500_000, 362_500_000));
        trip.measured(12_500_000);
        // 112.5 - 100/8 = 100 and 62.5 + (100 - 62.5)/4 = 71.875: 100 + 287.5.
        assert_eq!((trip.margin_ns(), trip.swift_ns()), (587_500_000, 387_500_000));
        let only = |ns: Nanos| {
            let mut trip = RoundTrip::default();
            trip.measured(ns);
            (trip.margin_ns(), trip.swift_ns())
        };
        assert_eq!(only(MS), (250 * MS, 20 * MS), "never less than a hop may stall");
        assert_eq!(only(5_000 * MS), (2_000 * MS, 2_000 * MS), "nor longer than anybody waits");
    }
}
