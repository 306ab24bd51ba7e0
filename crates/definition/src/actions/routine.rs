//! A routine that a module runs when told to.

use protocol::{Address, ReplyError, kwp, uds};
use signal::{SignalId, Unit};

use super::care::Care;
use crate::coded::Coded;

/// A routine of a module: a self-test, a calibration, a bleeding sequence.
#[derive(Debug, Clone)]
pub struct Routine {
    /// Its name.
    pub id: SignalId,
    /// What it does, in a few words.
    pub title: String,
    /// The module that runs it.
    pub module: Address,
    /// How it is called.
    pub call: Call,
    /// What it wants to know.
    pub parameters: Vec<Parameter>,
    /// What it tells.
    pub results: Vec<Field>,
    /// Where it tells that.
    pub results_in: ResultsIn,
    /// Whether it can be stopped before its end.
    pub can_stop: bool,
    /// What has to be heeded.
    pub care: Care,
    /// Bytes of the option record that the parameters fill.
    pub(crate) n_option_bytes: usize,
}

/// The service that runs a routine.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Call {
    /// ISO 14229-1 service 31.
    Identifier {
        /// Routine identifier.
        id: u16,
    },
    /// ISO 14230-3 services 31, 32 and 33.
    Local {
        /// Local identifier.
        id: u8,
    },
}

/// Where a routine tells its results.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum ResultsIn {
    /// In the answer to its start.
    #[default]
    Start,
    /// In the answer to its stop.
    Stop,
    /// In the answer to a request of their own.
    Request,
}

/// A value within some bytes, with its name.
#[derive(Debug, Clone)]
pub struct Field {
    /// Its name within the routine.
    pub name: String,
    /// What it is, in a few words.
    pub title: String,
    /// The unit of its value.
    pub unit: Unit,
    pub(crate) place: Coded,
}

/// A value that a routine wants to know.
#[derive(Debug, Clone)]
pub struct Parameter {
    /// Its name, unit and place.
    pub field: Field,
    /// Least value.
    pub min: f64,
    /// Greatest value.
    pub max: f64,
    /// The value when none is given; `None`: one must be given.
    pub default: Option<f64>,
}

/// A parameter that a routine cannot be started with.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum ParameterError {
    /// A parameter without a default was not given.
    #[error("routine `{routine}` needs `{name}`, {min} to {max} {unit}")]
    Missing {
        /// The routine.
        routine: SignalId,
        /// The parameter.
        name: String,
        /// Least value.
        min: f64,
        /// Greatest value.
        max: f64,
        /// Its unit.
        unit: Unit,
    },
    /// A value that the parameter does not take.
    #[error("`{name}` of routine `{routine}` takes {min} to {max} {unit}, not {value}")]
    Value {
        /// The routine.
        routine: SignalId,
        /// The parameter.
        name: String,
        /// Least value.
        min: f64,
        /// Greatest value.
        max: f64,
        /// Its unit.
        unit: Unit,
        /// What was given.
        value: f64,
    },
    /// No such parameter.
    #[error("routine `{routine}` has no parameter `{name}`")]
    Unknown {
        /// The routine.
        routine: SignalId,
        /// What was given.
        name: String,
    },
}

impl Field {
    /// The value in some bytes; `None` when it is cut off or marked as not there.
    #[must_use]
    pub fn value(&self, data: &[u8]) -> Option<f64> {
        self.place.physical_from_raw(self.place.bits.raw(data)?)
    }

    /// The text of the value, where the definition has one.
    #[must_use]
    pub fn text(&self, data: &[u8]) -> Option<&str> {
        self.place.text(data)
    }
}

impl Routine {
    /// The request that starts it, with the given parameters by name; the others get their defaults.
    ///
    /// # Errors
    /// [`ParameterError`] when one is missing, outside its limits, or not known.
    pub fn start_request(&self, given: &[(String, f64)]) -> Result<Vec<u8>, ParameterError> {
        let known = |name: &str| self.parameters.iter().any(|parameter| parameter.field.name == name);
        if let Some((name, _)) = given.iter().find(|(name, _)| !known(name)) {
            return Err(ParameterError::Unknown { routine: self.id.clone(), name: name.clone() });
        }
        let mut option = vec![0; self.n_option_bytes];
        for Parameter { field, min, max, default } in &self.parameters {
            let (routine, name, unit) = (self.id.clone(), field.name.clone(), field.unit.clone());
            let (min, max) = (*min, *max);
            let found = given.iter().rev().find(|(name, _)| *name == field.name).map(|(_, value)| *value).or(*default);
            let Some(value) = found else { return Err(ParameterError::Missing { routine, name, min, max, unit }) };
            let is_inside = (min..=max).contains(&value);
            if Some(value).filter(|_| is_inside).and_then(|value| field.place.write(value, &mut option)).is_none() {
                return Err(ParameterError::Value { routine, name, min, max, unit, value });
            }
        }
        Ok(match self.call {
            Call::Identifier { id } => uds::routine::start(id, &option),
            Call::Local { id } => kwp::routine::start(id, &option),
        })
    }

    /// The request that stops it.
    #[must_use]
    pub fn stop_request(&self) -> Vec<u8> {
        match self.call {
            Call::Identifier { id } => uds::routine::stop(id, &[]),
            Call::Local { id } => kwp::routine::stop(id, &[]),
        }
    }

    /// The request for its results.
    #[must_use]
    pub fn results_request(&self) -> Vec<u8> {
        match self.call {
            Call::Identifier { id } => uds::routine::results(id),
            Call::Local { id } => kwp::routine::results(id),
        }
    }

    /// Reads the answer to one of these requests: the bytes in which [`Routine::results`] lie, if this answer has them.
    ///
    /// # Errors
    /// [`ReplyError`] unless the module confirms.
    pub fn confirmed<'r>(&self, request: &[u8], reply: &'r [u8]) -> Result<&'r [u8], ReplyError> {
        match self.call {
            Call::Identifier { .. } => uds::routine::interpret(request, reply),
            Call::Local { .. } => kwp::routine::interpret(request, reply),
        }
    }
}
