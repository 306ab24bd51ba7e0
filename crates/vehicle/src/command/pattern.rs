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
        /// Whether all are equally long. Otherwise they differ by up to 40 % around the given times, as the examination
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
const UNEVEN: f64 = 0.4;
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
                    let spread = |k: u32| if even { 1.0 } else { 1.0 + UNEVEN * chance(k) };
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

/// A number from -1 to 1 that has nothing to do with those before and after it, the same at every run.
///
/// Any rule in the lengths would let a shifted command fit nearly as well as the true one. Finaliser of SplitMix64.
fn chance(k: u32) -> f64 {
    let mut bits = (u64::from(k) + 1).wrapping_mul(0x9E37_79B9_7F4A_7C15);
    bits = (bits ^ bits >> 30).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    bits = (bits ^ bits >> 27).wrapping_mul(0x94D0_49BB_1331_11EB);
    ((bits ^ bits >> 31) >> 11) as f64 / (1u64 << 52) as f64 - 1.0
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pulses_differ_without_a_rule_and_keep_their_mean() {
        let pattern = Pattern::Pulses { level: 1.0, on_s: 10.0, off_s: 20.0, count: 400, even: false };
        let steps = pattern.steps(0.0).unwrap();
        assert_eq!(steps.steps.len(), 799);
        let times: Vec<f64> = steps.steps.iter().map(|step| signal::seconds_from_nanos(step.at_ns)).collect();
        let lengths: Vec<f64> = times.windows(2).map(|pair| pair[1] - pair[0]).collect();
        for (first, nominal) in [(0, 10.0), (1, 20.0)] {
            let own: Vec<f64> = lengths.iter().skip(first).step_by(2).map(|length| length / nominal).collect();
            assert!(own.iter().all(|share| (0.6..=1.4).contains(share)));
            let mean = own.iter().sum::<f64>() / own.len() as f64;
            assert!((mean - 1.0).abs() < 0.05, "{mean}");
            let cross: f64 = own.windows(2).map(|pair| (pair[0] - 1.0) * (pair[1] - 1.0)).sum();
            let own_square: f64 = own.iter().map(|share| (share - 1.0).powi(2)).sum();
            assert!((cross / own_square).abs() < 0.15, "{}", cross / own_square);
        }
        assert!(signal::seconds_from_nanos(steps.end_ns) <= pattern.seconds());
        let even = Pattern::Pulses { level: 1.0, on_s: 10.0, off_s: 20.0, count: 3, even: true }.steps(0.0).unwrap();
        let times: Vec<f64> = even.steps.iter().map(|step| signal::seconds_from_nanos(step.at_ns)).collect();
        assert_eq!(times, [5.0, 15.0, 35.0, 45.0, 65.0]);
        assert_eq!(Pattern::Hold { level: 1.0, seconds: 0.0 }.steps(0.0), Err(PatternError::Time));
        let none = Pattern::Pulses { level: 1.0, on_s: 1.0, off_s: 1.0, count: 0, even: true };
        assert_eq!(none.steps(0.0), Err(PatternError::Count));
    }
}
