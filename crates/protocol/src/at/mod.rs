//! The text conversation with an AT-command serial adapter, as a state machine: text in, commands out.

use crate::exchange::{Exchange, Request};
use crate::{Bus, Nanos};

/// What start-up and the conversation have shown of the adapter.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Known {
    /// What the adapter says of itself, as text from outside, without control characters.
    pub adapter: String,
    /// The network, once a vehicle has answered.
    pub bus: Option<Bus>,
    /// What was found missing or odd, one line each.
    pub notes: Vec<String>,
}

/// What the owner of the port has to do next.
#[derive(Debug, Clone, PartialEq)]
pub enum Action {
    /// Send these bytes, then poll again.
    Send(Vec<u8>),
    /// Wait for bytes until this time: give them to [`Adapter::receive`], or call [`Adapter::elapsed`] when none came.
    Wait(Nanos),
    /// The operation is over.
    Done(Result<Outcome, Failure>),
    /// Nothing has been asked for.
    Idle,
}

/// What an operation has brought.
#[derive(Debug, Clone, PartialEq)]
pub enum Outcome {
    /// The adapter is ready, and the vehicle too if it was needed.
    Started,
    /// A request is over.
    Answered(Exchange),
    /// Supply voltage, V; `None` if the adapter cannot measure it.
    Volts(Option<f64>),
}

/// Why an operation failed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Failure {
    /// No sensible answer to a command.
    Silent {
        /// The command.
        asked: String,
        /// How long was waited, ms.
        waited_ms: u64,
    },
    /// Something answers, but not an adapter of this kind.
    NotAnAdapter {
        /// What it said, escaped and shortened.
        said: String,
    },
    /// No vehicle answers.
    NoVehicle {
        /// The adapter's own words.
        said: String,
    },
    /// The request does not fit this network or adapter.
    Unsendable(String),
}

/// The conversation with one adapter.
#[derive(Debug)]
pub struct Adapter {
    known: Known,
}

impl Adapter {
    /// `remembered`: the network that answered last time.
    #[must_use]
    pub fn new(remembered: Option<Bus>) -> Self {
        Self { known: Known { bus: remembered, ..Known::default() } }
    }

    /// What is known by now.
    #[must_use]
    pub fn known(&self) -> &Known {
        &self.known
    }

    /// Begins start-up.
    pub fn start(&mut self, _need_vehicle: bool) {}

    /// Begins a request.
    pub fn ask(&mut self, _request: &Request) {}

    /// Begins to read the supply voltage.
    pub fn ask_volts(&mut self) {}

    /// When the network needs a sign of life at the latest; `None` if it needs none.
    #[must_use]
    pub fn keep_alive_at(&self) -> Option<Nanos> {
        None
    }

    /// Begins a sign of life; ends with [`Outcome::Answered`].
    pub fn keep_alive(&mut self) {}

    /// What to do at `now`.
    pub fn poll(&mut self, _now: Nanos) -> Action {
        Action::Idle
    }

    /// Takes bytes that arrived by `now`.
    pub fn receive(&mut self, _now: Nanos, _bytes: &[u8]) {}

    /// Nothing arrived until `now`.
    pub fn elapsed(&mut self, _now: Nanos) {}
}
