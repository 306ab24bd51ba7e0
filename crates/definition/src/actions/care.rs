//! What has to be heeded before and while a module is told to do something.

use std::fmt;
use std::time::Duration;

use signal::SignalId;

/// Least engine speed of an engine that runs, rpm: above any starter, below any idle (common practice, no source).
const RUNNING_RPM: f64 = 400.0;
/// Greatest engine speed that still counts as standstill, rpm: the least step that PID 0C can tell is 0.25.
const STOPPED_RPM: f64 = 1.0;

/// What has to be heeded before and while a module is told to do something.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Care {
    /// The diagnostic session that it needs (service 10); `None`: the one that the module starts in.
    pub session: Option<u8>,
    /// What must hold before it starts, and all the while.
    pub conditions: Vec<Condition>,
    /// Whether it may be sent while the vehicle moves, or while its speed is not known.
    pub while_moving: bool,
    /// What can hurt someone or break something, one sentence each.
    pub cautions: Vec<String>,
    /// Longest time in one go; `None`: no limit is known.
    pub longest: Option<Duration>,
}

impl Care {
    /// Everything that must hold: the vehicle standing, unless it may move, and the conditions.
    #[must_use]
    pub fn all_conditions(&self) -> Vec<Condition> {
        let standing =
            (!self.while_moving && !self.conditions.contains(&Condition::Standing)).then_some(Condition::Standing);
        standing.into_iter().chain(self.conditions.iter().cloned()).collect()
    }
}

/// Something about the car that must hold.
#[derive(Debug, Clone, PartialEq)]
pub enum Condition {
    /// The vehicle stands still: `vehicle.speed` is 0.
    Standing,
    /// The engine stands still.
    EngineOff,
    /// The engine runs.
    EngineRunning,
    /// The ignition is on: the engine's module tells the engine speed, whatever it is.
    IgnitionOn,
    /// A signal lies within these limits.
    Within {
        /// The signal.
        signal: SignalId,
        /// Least value, in the signal's unit; `None`: no limit below.
        min: Option<f64>,
        /// Greatest value; `None`: no limit above.
        max: Option<f64>,
    },
}

impl Condition {
    /// The signal that shows it.
    #[must_use]
    pub fn signal(&self) -> SignalId {
        let named = |name| SignalId::new(name).expect("a name of the catalogue");
        match self {
            Self::Standing => named("vehicle.speed"),
            Self::EngineOff | Self::EngineRunning | Self::IgnitionOn => named("engine.speed"),
            Self::Within { signal, .. } => signal.clone(),
        }
    }

    /// Least and greatest value of its signal with which it holds; `None`: no limit. A value must be known in any case.
    #[must_use]
    pub fn limits(&self) -> (Option<f64>, Option<f64>) {
        match self {
            // Wheel sensors are silent below walking pace, so that anything but nothing means that it rolls.
            Self::Standing => (None, Some(0.0)),
            Self::EngineOff => (None, Some(STOPPED_RPM)),
            Self::EngineRunning => (Some(RUNNING_RPM), None),
            Self::IgnitionOn => (None, None),
            Self::Within { min, max, .. } => (*min, *max),
        }
    }

    /// Whether it holds with this value of its signal. A value that is not known, or no number, fulfils nothing.
    ///
    /// ```
    /// use definition::Condition;
    /// assert!(Condition::Standing.holds(Some(0.0)) && !Condition::Standing.holds(Some(1.0)));
    /// assert!(!Condition::Standing.holds(None));
    /// assert!(Condition::EngineRunning.holds(Some(750.0)) && !Condition::EngineRunning.holds(Some(200.0)));
    /// ```
    #[must_use]
    pub fn holds(&self, value: Option<f64>) -> bool {
        let (min, max) = self.limits();
        value.is_some_and(|value| {
            value.is_finite() && min.is_none_or(|min| value >= min) && max.is_none_or(|max| value <= max)
        })
    }
}

/// As a requirement: "the engine must be running".
impl fmt::Display for Condition {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Standing => f.pad("the vehicle must stand still"),
            Self::EngineOff => f.pad("the engine must be off"),
            Self::EngineRunning => f.pad("the engine must be running"),
            Self::IgnitionOn => f.pad("the ignition must be on"),
            Self::Within { signal, min, max } => match (min, max) {
                (Some(min), Some(max)) => write!(f, "{signal} must be {min} to {max}"),
                (Some(min), None) => write!(f, "{signal} must be at least {min}"),
                (None, Some(max)) => write!(f, "{signal} must be at most {max}"),
                (None, None) => write!(f, "{signal} must be known"),
            },
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn standing_is_asked_for_unless_the_definition_lets_it_move() {
        let care = Care { conditions: vec![Condition::EngineRunning], ..Care::default() };
        assert_eq!(care.all_conditions(), [Condition::Standing, Condition::EngineRunning]);
        let twice = Care { conditions: vec![Condition::Standing], ..Care::default() };
        assert_eq!(twice.all_conditions(), [Condition::Standing]);
        let moving = Care { while_moving: true, ..Care::default() };
        assert_eq!(moving.all_conditions(), []);
    }

    #[test]
    fn what_is_not_known_fulfils_nothing() {
        let signal = SignalId::new("coolant.temperature").unwrap();
        let within = Condition::Within { signal, min: Some(60.0), max: Some(110.0) };
        assert!(within.holds(Some(60.0)) && within.holds(Some(110.0)));
        assert!(!within.holds(Some(59.9)) && !within.holds(Some(110.1)));
        for condition in
            [Condition::Standing, Condition::EngineOff, Condition::EngineRunning, Condition::IgnitionOn, within]
        {
            assert!(!condition.holds(None) && !condition.holds(Some(f64::NAN)), "{condition}");
        }
    }
}
