//! Proof: how much driving in the failing condition, without the fault, shows that a repair holds.
//!
//! It serves every fault that comes as events with exposure: misfires per firing, dropouts per second. The rate before the
//! repair is itself known only from so many events; its uncertainty is part of every number here.

mod arisen;
mod monitors;
mod repaired;

use crate::stats::poisson::{self, Count, predictive_at_most, probability_greater};
pub use arisen::Arisen;
pub use monitors::usual_conditions;
pub use repaired::{Bounds, Part, Proven, Repaired, prove, prove_part};

/// What was seen before the repair, in the condition in which it failed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Before {
    /// Events and exposure in the failing condition.
    pub count: Count,
    /// Index of dispersion of the events, 1 for independent ones: events that come in clusters of about this size
    /// are worth one.
    pub dispersion: f64,
}

/// What a sound car does in the same condition.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Sound {
    /// Exposure below which no count shows anything, however often the fault came before: what counts the events may not
    /// have added them up yet.
    pub least_exposure: f64,
    /// Rate that is still called occasional; 0 where a sound car shows none at all.
    pub occasional_rate: f64,
}

/// What the drive after the repair shows.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Outcome {
    /// The old rate is gone, and no more was seen than a sound car shows.
    Gone,
    /// Clearly fewer than before, but not none.
    Fewer,
    /// As before, as far as that can be told: more likely than not above half of the old rate, with events to show.
    Still,
    /// Too little exposure in the failing condition yet.
    NotYet,
    /// There was nothing to be gone: no event before the repair.
    NothingBefore,
}

/// State of a proof, also while the drive goes on.
#[derive(Debug, Clone, PartialEq)]
pub struct Proof {
    /// What can be said now.
    pub outcome: Outcome,
    /// Share of the necessary exposure that is driven, 0 to 1.
    pub progress: f64,
    /// Exposure that the failing condition takes in all, with the events seen so far; infinite when no exposure does it.
    pub needed: f64,
    /// Exposure still lacking.
    pub lacking: f64,
    /// Chance of so few events, had nothing changed.
    pub p_unchanged: f64,
    /// Chance of a difference of rates as great as this one, had nothing changed (E-test, two-sided, for independent
    /// events); `None` without exposure.
    pub p_equal: Option<f64>,
    /// 95 % upper bound of the rate after the repair, events per unit of exposure; infinite without exposure.
    pub rate_bound: f64,
}

impl std::fmt::Display for Outcome {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.pad(match self {
            Self::Gone => "gone",
            Self::Fewer => "fewer",
            Self::Still => "still there",
            Self::NotYet => "not yet",
            Self::NothingBefore => "nothing before",
        })
    }
}

impl Before {
    fn scale(&self) -> f64 {
        self.dispersion.max(1.0)
    }

    fn says_something(&self) -> bool {
        self.count.events > 0 && self.count.exposure > 0.0
    }

    /// Exposure in which the old rate would, with probability `confidence`, have given more than `events_after` events.
    ///
    /// `confidence` in 0..1. Infinite when there was no event before. Source: derived here from the gamma-Poisson
    /// prediction with Jeffreys' prior; for `events_after` = 0 it is T ((1 - c)^(-1 / (k + 1/2)) - 1), which tends to the
    /// rule of three, 3 / rate, for a rate that is well known.
    #[must_use]
    pub fn needed_exposure(&self, events_after: u64, confidence: f64) -> f64 {
        if !self.says_something() || !(0.0..1.0).contains(&confidence) {
            return f64::INFINITY;
        }
        let enough = |t: f64| predictive_at_most(self.count, events_after, t, self.scale()) <= 1.0 - confidence;
        let (mut low, mut high) = (0.0, self.count.exposure);
        while !enough(high) {
            low = high;
            high *= 2.0;
            if !high.is_finite() {
                return f64::INFINITY;
            }
        }
        for _ in 0..100 {
            let middle = f64::midpoint(low, high);
            if enough(middle) { high = middle } else { low = middle }
        }
        high
    }

    /// Seconds of the failing condition for [`Self::needed_exposure`] at `exposure_per_s`; for misfires of one cylinder
    /// that is the engine speed in rpm / 120, for dropouts 1.
    #[must_use]
    pub fn needed_seconds(&self, confidence: f64, exposure_per_s: f64) -> f64 {
        self.needed_exposure(0, confidence) / exposure_per_s
    }

    /// What `after` shows at `confidence`; may be asked at any moment of the drive.
    #[must_use]
    pub fn judge(&self, after: Count, confidence: f64) -> Proof {
        self.judge_beside(after, confidence, Sound::default())
    }

    /// The same beside what a sound car shows: a stray event is no remainder of the fault, once enough was driven to show
    /// that it is stray (the upper bound of its rate at `confidence` is below the occasional one).
    #[must_use]
    pub fn judge_beside(&self, after: Count, confidence: f64, sound: Sound) -> Proof {
        // Stray events are independent ones: how the old ones clustered says nothing of them.
        let events = after.events as f64;
        // Where the new rate is clearly above the occasional one, no exposure makes it stray.
        let is_left = after.events > 0 && poisson::interval(events, 0.9).0 > sound.occasional_rate * after.exposure;
        let stray = if after.events == 0 || is_left {
            0.0
        } else {
            poisson::upper_bound(events, confidence) / sound.occasional_rate
        };
        let needed = self.needed_exposure(after.events, confidence).max(sound.least_exposure).max(stray);
        let lacking = (needed - after.exposure).max(0.0);
        let progress = if needed.is_finite() { (after.exposure.max(0.0) / needed).clamp(0.0, 1.0) } else { 0.0 };
        let p_unchanged = predictive_at_most(self.count, after.events, after.exposure, self.scale());
        let scaled = |count: Count| Count {
            events: (count.events as f64 / self.scale()).round() as u64,
            exposure: count.exposure / self.scale(),
        };
        let half_or_more = probability_greater(scaled(after), scaled(self.count), 0.5);
        let outcome = if !self.says_something() {
            Outcome::NothingBefore
        } else if lacking <= 0.0 {
            if is_left { Outcome::Fewer } else { Outcome::Gone }
        } else if after.events > 0 && half_or_more > 0.5 {
            Outcome::Still
        } else {
            Outcome::NotYet
        };
        let rate_bound = if after.exposure > 0.0 {
            poisson::upper_bound(after.events as f64 / self.scale(), 0.95) * self.scale() / after.exposure
        } else {
            f64::INFINITY
        };
        let p_equal = poisson::e_test(self.count, after);
        Proof { outcome, progress, needed, lacking, p_unchanged, p_equal, rate_bound }
    }
}
