//! How long modules say that they take.

use std::collections::BTreeMap;
use std::time::Duration;

use crate::exchange::{Exchange, Request, Target};
use crate::uds::session::{self, Timing};
use crate::{Address, Nanos};

/// The times that modules told when a session was begun (ISO 14229-1, service 10).
///
/// They only ever make the wait longer than is usual: adapters and gateways add to what a module says of itself, so that
/// less than usual is never promised.
#[derive(Debug, Clone, Default)]
pub struct Timings(BTreeMap<Address, Timing>);

fn nanos(duration: Duration) -> Nanos {
    Nanos::try_from(duration.as_nanos()).unwrap_or(Nanos::MAX)
}

impl Timings {
    /// Remembers what the answers to a request say, if it began a session.
    pub fn learn(&mut self, request: &Request, exchange: &Exchange) {
        if request.bytes.first() != Some(&0x10) {
            return;
        }
        for reply in &exchange.replies {
            if let Ok(timing) = session::interpret(&request.bytes, &reply.bytes) {
                self.0.insert(reply.from, timing);
            }
        }
    }

    fn told(&self, to: Target) -> Option<Timing> {
        match to {
            Target::Module(module) => self.0.get(&module).copied(),
            Target::Everyone | Target::Anyone(_) => None,
        }
    }

    /// Longest time to a first answer, ns; `usual` with the way to the module and back included.
    #[must_use]
    pub fn p2_ns(&self, to: Target, usual: Nanos) -> Nanos {
        let more = self.told(to).map_or(0, |timing| nanos(timing.p2).saturating_sub(nanos(Timing::default().p2)));
        usual.saturating_add(more.max(0))
    }

    /// Longest time from "response pending" to the next answer, ns.
    #[must_use]
    pub fn p2_star_ns(&self, to: Target) -> Nanos {
        let usual = nanos(Timing::default().p2_star);
        self.told(to).map_or(usual, |timing| nanos(timing.p2_star).clamp(usual, MAX_P2_STAR_NS))
    }
}

/// More than this no module is believed: a link must come to an end.
const MAX_P2_STAR_NS: Nanos = 30_000_000_000;

#[cfg(test)]
mod tests {
    use super::*;
    use crate::exchange::Reply;

    const MS: Nanos = 1_000_000;

    /// Steps of 1 ms and 10 ms: ISO 14229-1, service 10.
    #[test]
    fn a_session_reply_makes_patient_and_never_hasty() {
        let slow = Address::from_reply11(0x7E8);
        let quick = Address::from_reply11(0x7E9);
        let mut timings = Timings::default();
        for (from, reply) in [(slow, [0x50, 3, 0x00, 0xFA, 0x03, 0xE8]), (quick, [0x50, 3, 0x00, 0x05, 0x00, 0x0A])] {
            let request = Request { to: Target::Module(from), bytes: vec![0x10, 3], n_replies: Some(1) };
            let replies = vec![Reply { from, bytes: reply.to_vec(), arrived_ns: 0 }];
            timings.learn(&request, &Exchange { asked_ns: 0, over_ns: 0, replies, problems: Vec::new() });
        }
        let of = |module| (timings.p2_ns(Target::Module(module), 100 * MS), timings.p2_star_ns(Target::Module(module)));
        assert_eq!(of(slow), (300 * MS, 10_000 * MS));
        assert_eq!(of(quick), (100 * MS, 5_000 * MS));
        assert_eq!(of(Address::from_reply11(0x7EA)), (100 * MS, 5_000 * MS));
        assert_eq!(timings.p2_ns(Target::Everyone, 100 * MS), 100 * MS);
    }
}
