//! Driving an output, and running a routine: hold-to-run, watched, and given back whatever happens.
//!
//! The conditions are read from the car and read again all the while; when one of them does not hold or is not known any
//! more, when the command is let go, the grant expires or the adapter is lost, control goes back: by the request that
//! returns it, and where that cannot be had by the time-out of the module's own session.

mod deed;
mod pattern;
mod watch;
mod what;

pub use pattern::{Pattern, PatternError};

use definition::{Care, Definitions, LevelError, Output, ParameterError, Routine};
use link::LinkError;
use protocol::Nanos;
use signal::SignalId;

use crate::sampler::Sink;
use crate::{Grant, GrantError, Plan, Purpose, SampleError, Vehicle, Wish};
use deed::{Deed, Parts};
use watch::Watched;
use what::What;

/// How often the signals that the conditions rest on are read at least, seconds.
const WATCH_S: f64 = 0.25;

/// What is to be done.
#[derive(Debug, Clone)]
pub enum Order<'d> {
    /// Drive an output.
    Output {
        /// The output.
        output: &'d Output,
        /// To which levels, and when.
        pattern: Pattern,
    },
    /// Run a routine.
    Routine {
        /// The routine.
        routine: &'d Routine,
        /// Its parameters by name.
        parameters: Vec<(String, f64)>,
        /// How long it may run before it is stopped, seconds.
        seconds: f64,
    },
}

impl Order<'_> {
    /// What has to be heeded.
    #[must_use]
    pub fn care(&self) -> &Care {
        match self {
            Self::Output { output, .. } => &output.care,
            Self::Routine { routine, .. } => &routine.care,
        }
    }

    /// What a grant for it has to be for.
    #[must_use]
    pub fn purpose(&self) -> Purpose {
        match self {
            Self::Output { output, .. } => Purpose::Output(output.id.clone()),
            Self::Routine { routine, .. } => Purpose::Routine(routine.id.clone()),
        }
    }

    /// The module that does it.
    #[must_use]
    pub fn module(&self) -> protocol::Address {
        match self {
            Self::Output { output, .. } => output.module,
            Self::Routine { routine, .. } => routine.module,
        }
    }

    /// Longest time that it takes in all, seconds.
    #[must_use]
    pub fn seconds(&self) -> f64 {
        match self {
            Self::Output { pattern, .. } => pattern.seconds(),
            Self::Routine { seconds, .. } => Pattern::Hold { level: 1.0, seconds: *seconds }.seconds(),
        }
    }
}

/// Whoever drives it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Hand {
    /// Is gone: it ends.
    Away,
    /// Is there and does not press: control goes back, and the next press drives it again from the beginning.
    Near,
    /// Presses.
    Pressed,
}

/// Held, or gone.
impl From<bool> for Hand {
    fn from(is_held: bool) -> Self {
        if is_held { Self::Pressed } else { Self::Away }
    }
}

/// Why a command ended.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Ended {
    /// All was done.
    Complete,
    /// It was let go.
    Released,
    /// Something that must hold did not, or was not known any more.
    Unmet(String),
    /// The grant expired.
    Expired,
    /// The longest time that the definition allows was reached.
    Longest,
    /// The module refused.
    Refused(String),
    /// The module did not answer any more.
    Silent,
    /// The module answers from its default session: it started anew, and what was driven is driven no more.
    SessionOver,
    /// The adapter was lost.
    LinkLost,
}

/// How control went back to the module.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Returned {
    /// Nothing was driven.
    NotDriven,
    /// The module confirmed it.
    Confirmed,
    /// The module did not confirm; it takes control back by itself when its session times out.
    BySession,
    /// The module did not confirm, and no time-out of its own is known.
    Unknown,
}

/// A level that was driven, and when.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Driven {
    /// The level; for a routine 1.
    pub level: f64,
    /// When the request left, and when the confirmation had arrived: nanoseconds since the start of the samples.
    pub asked_ns: Nanos,
    /// See `asked_ns`.
    pub confirmed_ns: Nanos,
}

/// How a command went.
#[derive(Debug, Clone, PartialEq)]
pub struct Conduct {
    /// Why it ended.
    pub ended: Ended,
    /// How control went back.
    pub returned: Returned,
    /// What was driven and confirmed, in order.
    pub driven: Vec<Driven>,
    /// The bytes in which a routine's results lie; read them with [`definition::Field::value`].
    pub results: Option<Vec<u8>>,
}

/// Why a command was not begun, or not ended as it should.
#[derive(Debug, thiserror::Error)]
pub enum CommandError<E> {
    /// The grant does not allow it.
    #[error(transparent)]
    Grant(#[from] GrantError),
    /// The output does not take the level.
    #[error(transparent)]
    Level(#[from] LevelError),
    /// The routine does not take a parameter.
    #[error(transparent)]
    Parameter(#[from] ParameterError),
    /// The pattern cannot be driven.
    #[error(transparent)]
    Pattern(#[from] PatternError),
    /// A condition rests on a signal that cannot be read.
    #[error("{condition}, but {signal} cannot be read from this car: {reason}")]
    Unreadable {
        /// What must hold.
        condition: String,
        /// The signal that would show it.
        signal: SignalId,
        /// Why it cannot be read.
        reason: String,
    },
    /// No module answers at the address of the definition.
    #[error("no module answers at {0}")]
    NoModule(protocol::Address),
    /// The samples beside it could not be taken; control was given back.
    #[error(transparent)]
    Sample(#[from] SampleError<E>),
}

impl Vehicle {
    /// The link's clock, by which grants expire.
    #[must_use]
    pub fn now(&self) -> Nanos {
        self.link.now()
    }

    /// Plans what is read beside a command: the wanted signals, and those that its conditions rest on.
    ///
    /// # Errors
    /// [`LinkError`] when the link fails.
    pub fn plan_beside(
        &mut self,
        order: &Order<'_>,
        wishes: &[Wish],
        definitions: &Definitions,
    ) -> Result<Plan, LinkError> {
        let mut wishes = wishes.to_vec();
        for condition in order.care().all_conditions() {
            let id = condition.signal();
            match wishes.iter_mut().find(|wish| wish.id == id) {
                Some(wish) => wish.latest_s = Some(wish.latest_s.map_or(WATCH_S, |latest_s| latest_s.min(WATCH_S))),
                None => wishes.push(Wish { period_s: Some(WATCH_S), latest_s: None, ..Wish::from(id) }),
            }
        }
        self.plan_wishes(&wishes, definitions)
    }

    /// Does it, and takes the samples of `plan` meanwhile, some seconds longer on both sides. Every change of level is
    /// marked in the sink ("ac.clutch on", "ac.clutch off").
    ///
    /// `plan` comes from [`Vehicle::plan_beside`]. `hand` is asked again and again; unless it presses, control goes back, and
    /// as long as it is near it may press again. Meanwhile the samples go on.
    /// When this returns, control is back or was left to the module, as [`Conduct::returned`] says.
    ///
    /// # Errors
    /// [`CommandError`] when it was not begun; a sink that fails on the way, after control was given back. What a module
    /// refuses and what the conditions forbid is no error, see [`Conduct::ended`].
    pub fn command<S: Sink>(
        &mut self,
        order: &Order<'_>,
        grant: &Grant,
        plan: &mut Plan,
        sink: &mut S,
        hand: &mut dyn FnMut() -> Hand,
    ) -> Result<Conduct, CommandError<S::Error>> {
        let start_ns = self.link.now();
        grant.check(order.module(), &order.purpose(), start_ns)?;
        if self.modules.iter().all(|module| module.address != order.module()) {
            return Err(CommandError::NoModule(order.module()));
        }
        let (what, steps) = match order {
            Order::Output { output, pattern } => {
                output.drive_request(pattern.level())?;
                output.drive_request(output.safe)?;
                (What::Output(output), pattern.steps(output.safe)?)
            }
            Order::Routine { routine, parameters, seconds } => {
                let start = routine.start_request(parameters)?;
                (What::Routine(routine, start), Pattern::Hold { level: 1.0, seconds: *seconds }.steps(0.0)?)
            }
        };
        let mut watched = Vec::new();
        for condition in order.care().all_conditions() {
            let signal = condition.signal();
            match plan.signals.iter().position(|planned| planned.id == signal) {
                Some(idx) => watched.push(Watched { condition, signal: idx, latest: None }),
                None => {
                    let missing = plan.unavailable.iter().find(|missing| missing.id == signal);
                    let reason = missing.map_or("it is not in the plan", |missing| &missing.reason).to_owned();
                    return Err(CommandError::Unreadable { condition: condition.to_string(), signal, reason });
                }
            }
        }
        let mut deed = Deed::new(Parts { what, grant, hand, watched, steps, start_ns });
        let outcome = self.sample_beside(plan, sink, &mut deed);
        let conduct = Conduct {
            ended: deed.ended.unwrap_or(Ended::Released),
            returned: deed.returned,
            driven: deed.driven,
            results: deed.results,
        };
        outcome.map(|()| conduct).map_err(CommandError::from)
    }
}
