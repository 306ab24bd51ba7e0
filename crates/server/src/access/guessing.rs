//! Wrong pairing codes: how few of them anybody has.
//!
//! A code has 31^8 (8.5 * 10^11) values and lasts five minutes, at most eight are open. One address has eight wrong
//! codes in that time; that ends its own tries and nobody else's. Whoever has many addresses meets the pause before each
//! look once many were wrong: with all places for connections that is 256 codes a second, 77 000 while a code is open,
//! and odds of one in a million for any of eight open codes.

use std::collections::VecDeque;
use std::net::IpAddr;
use std::time::Duration;

use super::{CODE_LASTS, Now};

/// Wrong codes of one address, within the time that a code lasts, after which it is not listened to.
pub(super) const OF_ONE: usize = 8;
/// Wrong codes of all addresses in that time from which on each try waits.
const MANY: usize = 32;
/// How long it waits.
const PAUSE: Duration = Duration::from_secs(1);
/// Most wrong codes that are remembered.
const MOST: usize = 4096;

/// The wrong codes of the last minutes: where each came from, and when.
#[derive(Default)]
pub(super) struct Guesses(VecDeque<(IpAddr, Now)>);

impl Guesses {
    pub(super) fn add(&mut self, from: IpAddr, now: Now) {
        if self.0.len() >= MOST {
            self.0.pop_front();
        }
        self.0.push_back((from, now));
    }

    /// Whether this address had all its tries.
    pub(super) fn are_spent(&mut self, from: IpAddr, now: Now) -> bool {
        self.forget(now);
        self.0.iter().filter(|guess| guess.0 == from).count() >= OF_ONE
    }

    /// How long a try has to wait before its code is looked at.
    pub(super) fn pause(&mut self, now: Now) -> Duration {
        self.forget(now);
        if self.0.len() >= MANY { PAUSE } else { Duration::ZERO }
    }

    fn forget(&mut self, now: Now) {
        while self.0.front().is_some_and(|guess| now >= guess.1 + CODE_LASTS) {
            self.0.pop_front();
        }
    }
}
