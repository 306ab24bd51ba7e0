//! An output that can be driven, and the requests that drive it.

use std::fmt;

use protocol::{Address, ReplyError, kwp, obd, uds};
use signal::{SignalId, Unit};

use super::care::Care;
use crate::coded::Coded;

/// An output of a module: a relay, a lamp, a fan, a valve.
#[derive(Debug, Clone)]
pub struct Output {
    /// Its name. A signal of the same name, where there is one, is the output's own state as its module tells it.
    pub id: SignalId,
    /// What it is, in a few words.
    pub title: String,
    /// The module that drives it.
    pub module: Address,
    /// How it is driven.
    pub drive: Drive,
    /// Which levels it takes.
    pub range: Range,
    /// The level that is safe: driven between the pulses of a train, and before letting go where control cannot be
    /// returned.
    pub safe: f64,
    /// Signals that ought to respond when it is driven.
    pub responds: Vec<SignalId>,
    /// What has to be heeded.
    pub care: Care,
    pub(crate) n_bytes: usize,
    pub(crate) place: Coded,
}

/// The service that drives an output.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Drive {
    /// ISO 14229-1 service 2F: short-term adjustment by identifier, and return of control.
    Identifier {
        /// Data identifier.
        did: u16,
        /// Control enable mask, sent behind the state; empty: none.
        mask: Vec<u8>,
    },
    /// ISO 14230-3 service 30: short-term adjustment by local identifier, and return of control.
    Local {
        /// Local identifier.
        id: u8,
    },
    /// SAE J1979 service 08. The service knows no return of control: the safe level takes its place.
    Test {
        /// Test id.
        tid: u8,
    },
    /// ISO 14229-1 service 31: a routine that drives while it runs, and is stopped to return control.
    Routine {
        /// Routine identifier.
        id: u16,
    },
}

/// The levels that an output takes.
#[derive(Debug, Clone, PartialEq)]
pub enum Range {
    /// Off (0) and on (1).
    Switch,
    /// Anything between two levels.
    Level {
        /// Least level.
        min: f64,
        /// Greatest level.
        max: f64,
        /// Their unit.
        unit: Unit,
    },
}

impl fmt::Display for Range {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Switch => f.pad("on or off"),
            Self::Level { min, max, unit } => write!(f, "{min} to {max} {unit}"),
        }
    }
}

/// A level that an output does not take.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error("`{id}` takes {range}, not {level}")]
pub struct LevelError {
    /// The output.
    pub id: SignalId,
    /// What it takes.
    pub range: Range,
    /// What was asked for.
    pub level: f64,
}

impl Output {
    /// The level that "on" stands for: 1 for a switch, the greatest for the others.
    #[must_use]
    pub fn on_level(&self) -> f64 {
        match self.range {
            Range::Switch => 1.0,
            Range::Level { max, .. } => max,
        }
    }

    /// Whether `level` is nearer to "on" than the safe level is: it does something.
    #[must_use]
    pub fn is_on(&self, level: f64) -> bool {
        (level - self.safe).abs() > f64::EPSILON * level.abs().max(1.0)
    }

    /// The request that drives it to a level, in the unit of its range.
    ///
    /// # Errors
    /// [`LevelError`] for a level outside the range; a switch takes 0 and 1 alone.
    pub fn drive_request(&self, level: f64) -> Result<Vec<u8>, LevelError> {
        let wrong = || LevelError { id: self.id.clone(), range: self.range.clone(), level };
        let takes = match self.range {
            Range::Switch => level == 0.0 || level == 1.0,
            Range::Level { min, max, .. } => (min..=max).contains(&level),
        };
        let mut state = vec![0; self.n_bytes];
        Some(level).filter(|_| takes).and_then(|level| self.place.write(level, &mut state)).ok_or_else(wrong)?;
        Ok(match &self.drive {
            Drive::Identifier { did, mask } => uds::io_control::adjust(*did, &state, mask),
            Drive::Local { id } => kwp::io_control::adjust(*id, &state),
            Drive::Test { tid } => obd::control::request(*tid, &state),
            Drive::Routine { id } => uds::routine::start(*id, &state),
        })
    }

    /// The request that gives control back to the module.
    ///
    /// For service 08 it is the request for the safe level, for that service has none.
    #[must_use]
    pub fn return_request(&self) -> Vec<u8> {
        match &self.drive {
            Drive::Identifier { did, .. } => uds::io_control::give_back(*did),
            Drive::Local { id } => kwp::io_control::give_back(*id),
            Drive::Routine { id } => uds::routine::stop(*id, &[]),
            // A test of this crate holds that the safe level of every output can be built.
            Drive::Test { tid } => self.drive_request(self.safe).unwrap_or_else(|_| obd::control::request(*tid, &[])),
        }
    }

    /// Reads the answer to [`Output::drive_request`] or [`Output::return_request`]: the state bytes that the module
    /// reports, which may be none.
    ///
    /// # Errors
    /// [`ReplyError`] unless the module confirms.
    pub fn confirmed<'r>(&self, request: &[u8], reply: &'r [u8]) -> Result<&'r [u8], ReplyError> {
        match self.drive {
            Drive::Identifier { .. } => uds::io_control::interpret(request, reply),
            Drive::Local { .. } => kwp::io_control::interpret(request, reply),
            Drive::Test { .. } => obd::control::interpret(request, reply),
            Drive::Routine { .. } => uds::routine::interpret(request, reply),
        }
    }
}
