//! What a check reports.

use std::collections::BTreeMap;
use std::fmt;

use crate::Examination;

/// The question that a check answers.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Kind {
    /// Does one signal vanish, stick or jump for moments in a way the machine cannot?
    Dropout,
    /// Is one signal rougher than its partners or than its own physics allow?
    Noise,
    /// Does one wheel disagree with the others after the turn is accounted for?
    OddWheel,
    /// Does an error repeat once per wheel revolution?
    ToneRing,
    /// Is the rolling radius of one wheel steadily different?
    WheelSize,
    /// Do two tracks of one sensor disagree, and at which position?
    Pair,
    /// Does a cylinder misfire, at which rate, and in which engine condition?
    Misfire,
    /// Are the fuel trims of a bank off, and does their pattern point at air, fuel or measurement?
    Mixture,
    /// Does the metered air agree with what the engine swallows?
    Airflow,
    /// Is the battery voltage right for a running engine?
    Charging,
    /// Does the battery hold its voltage while the starter turns the engine?
    Cranking,
    /// Does the thermostat bring the engine to temperature and hold it there?
    WarmUp,
    /// Did a commanded output do what it should, how fast, and how sure is that?
    Command,
}

impl fmt::Display for Kind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(match self {
            Self::Dropout => "dropout",
            Self::Noise => "noise",
            Self::OddWheel => "odd-wheel",
            Self::ToneRing => "tone-ring",
            Self::WheelSize => "wheel-size",
            Self::Pair => "pair",
            Self::Misfire => "misfire",
            Self::Mixture => "mixture",
            Self::Airflow => "airflow",
            Self::Charging => "charging",
            Self::Cranking => "cranking",
            Self::WarmUp => "warm-up",
            Self::Command => "command",
        })
    }
}

/// The answer.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Verdict {
    /// There is a fault: `log10_odds` is +2 or more.
    Faulty,
    /// There is none that this check could have overlooked: `log10_odds` is -1 or less.
    Healthy,
    /// The recording does not tell; the finding says what is lacking.
    Undecided,
}

impl Verdict {
    /// Least log10 odds of what nothing accuses and what must not be called healthy all the same.
    pub(crate) const LEAST_OPEN: f64 = -0.9;

    /// The verdict that odds and sufficiency allow.
    #[must_use]
    pub fn from_log10_odds(log10_odds: f64) -> Self {
        if log10_odds >= 2.0 {
            Self::Faulty
        } else if log10_odds <= -1.0 {
            Self::Healthy
        } else {
            Self::Undecided
        }
    }
}

impl fmt::Display for Verdict {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(match self {
            Self::Faulty => "faulty",
            Self::Healthy => "healthy",
            Self::Undecided => "undecided",
        })
    }
}

/// A stretch of the recording.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Span {
    /// Start, seconds on the recording's time base.
    pub from_s: f64,
    /// End, seconds on the recording's time base.
    pub to_s: f64,
}

/// One answer about one subject.
#[derive(Debug, Clone, PartialEq)]
pub struct Finding {
    /// Which question.
    pub kind: Kind,
    /// About what: signal names.
    pub subject: Vec<String>,
    /// The answer.
    pub verdict: Verdict,
    /// Evidence for a fault over no fault.
    pub log10_odds: f64,
    /// One plain sentence with its numbers.
    pub statement: String,
    /// The numbers by name; units in the names.
    pub figures: BTreeMap<String, f64>,
    /// Where in the recording.
    pub spans: Vec<Span>,
    /// What else could explain it.
    pub alternatives: Vec<String>,
    /// What would settle it.
    pub next: Vec<String>,
}

/// A check: one question, asked of a whole recording.
///
/// `run` reports once per subject whose signals are there, also when it finds nothing; nothing when they are not.
#[derive(Clone, Copy)]
pub struct Check {
    /// Which question.
    pub kind: Kind,
    /// Answers it.
    pub run: fn(&Examination<'_>) -> Vec<Finding>,
}
