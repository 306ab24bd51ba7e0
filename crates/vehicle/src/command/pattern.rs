//! In which order an output is driven to which level.

use protocol::Nanos;

/// How an output is to be driven.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Pattern {
    /// To one level for so long, and back.
    Hold {
        /// The level, in the unit of the output's range.
        level: f64,
        /// Seconds, if it is not let go before.
        seconds: f64,
    },
    /// To a level and to the safe one in turn.
    Pulses {
        /// The level.
        level: f64,
        /// Seconds at the level.
        on_s: f64,
        /// Seconds at the safe level between.
        off_s: f64,
        /// How often.
        count: u32,
        /// Whether all are equally long. Otherwise they differ by up to 30 % around the given times, as the examination
        /// of a response wants it: evenly spaced commands agree with anything of the same period.
        even: bool,
    },
}

/// A pattern that cannot be driven.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum PatternError {
    /// Times that are no times.
    #[error("a command takes times from 0.1 to 3600 s")]
    Time,
    /// No pulse, or more than anyone wants.
    #[error("a pulse train has 1 to 1000 pulses")]
    Count,
}

const TIMES_S: std::ops::RangeInclusive<f64> = 0.1..=3600.0;
const COUNTS: std::ops::RangeInclusive<u32> = 1..=1000;
/// How far uneven pulses go from the given time, as a share of it.
const UNEVEN: f64 = 0.3;
/// Longest stretch before the first level, and after the last: what the car does by itself has to be on record too.
const MOST_LEAD_S: f64 = 5.0;

/// A level and the time for it, after the start.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Step {
    pub(crate) at_ns: Nanos,
    pub(crate) level: f64,
}

/// Everything that is driven, and when it ends.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Steps {
    /// Levels in the order of their times.
    pub(crate) steps: Vec<Step>,
    /// When control goes back, after the start.
    pub(crate) end_ns: Nanos,
    /// How long the samples go on after that.
    pub(crate) tail_ns: Nanos,
}

impl Pattern {
    /// How long it takes in all, seconds, with the stretches before and after.
    #[must_use]
    pub fn seconds(&self) -> f64 {
        match *self {
            Self::Hold { seconds, .. } => seconds + 2.0 * MOST_LEAD_S,
            Self::Pulses { on_s, off_s, count, .. } => {
                f64::from(count) * (on_s + off_s) * (1.0 + UNEVEN) + 2.0 * MOST_LEAD_S
            }
        }
    }

    /// The level that it drives to.
    #[must_use]
    pub fn level(&self) -> f64 {
        match *self {
            Self::Hold { level, .. } | Self::Pulses { level, .. } => level,
        }
    }

    pub(crate) fn steps(&self, safe: f64) -> Result<Steps, PatternError> {
        let is_time = |seconds: f64| TIMES_S.contains(&seconds);
        let ns = signal::nanos_from_seconds;
        match *self {
            Self::Hold { level, seconds } => {
                if !is_time(seconds) {
                    return Err(PatternError::Time);
                }
                let lead_s = seconds.min(MOST_LEAD_S);
                let steps = vec![Step { at_ns: ns(lead_s), level }];
                Ok(Steps { steps, end_ns: ns(lead_s + seconds), tail_ns: ns(lead_s) })
            }
            Self::Pulses { level, on_s, off_s, count, even } => {
                if !is_time(on_s) || !is_time(off_s) {
                    return Err(PatternError::Time);
                }
                if !COUNTS.contains(&count) {
                    return Err(PatternError::Count);
                }
                let mut t_s = off_s.min(MOST_LEAD_S);
                let mut steps = Vec::new();
                for pulse in 0..count {
                    // Multiples of the golden section lie evenly in any interval, however many are taken, and never repeat.
                    let spread = |k: u32| {
                        let part = (f64::from(k) * 0.618_033_988_749_894_9).fract();
                        if even { 1.0 } else { 1.0 + UNEVEN * (2.0 * part - 1.0) }
                    };
                    steps.push(Step { at_ns: ns(t_s), level });
                    t_s += on_s * spread(2 * pulse + 1);
                    if pulse + 1 < count {
                        steps.push(Step { at_ns: ns(t_s), level: safe });
                        t_s += off_s * spread(2 * pulse + 2);
                    }
                }
                Ok(Steps { steps, end_ns: ns(t_s), tail_ns: ns(off_s.min(MOST_LEAD_S)) })
            }
        }
    }
}
