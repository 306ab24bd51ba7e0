//! The car's control modules: what each answers to which request.

mod body;
mod brake;
mod codes;
mod engine;
mod gearbox;
mod monitors;
mod obd;
mod pack;
mod uds;

use crate::physics::{Commands, State};

/// The invented car's number; check digit by the arithmetic of 49 CFR 565.15.
pub const VIN: &str = "GTWFL6A19JK104217";

/// What a module says to a request.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Reply {
    /// Nothing.
    Silent,
    /// A message, positive or negative.
    Message(Vec<u8>),
}

/// One control module.
pub(crate) trait Module: std::fmt::Debug + Send {
    /// Answers a complete request.
    fn answer(&mut self, request: &[u8], functional: bool, state: &State) -> Reply;
    /// Looks at the car, about ten times a second, for its monitors.
    fn observe(&mut self, state: &State, step_s: f64);
    /// What a tester drives through this module at present.
    fn commands(&self) -> Commands {
        Commands::default()
    }
    /// The engine has been started anew.
    fn new_cycle(&mut self, state: &State);
}

/// Engine, gearbox, brake and body module, in the order of their addresses.
pub(crate) fn all(start: &Start) -> Vec<Box<dyn Module>> {
    vec![
        Box::new(engine::Engine::new(start)),
        Box::new(gearbox::Gearbox::new(start)),
        Box::new(brake::Brake::default()),
        Box::new(body::Body::default()),
    ]
}

/// What the modules remember from before.
#[derive(Debug, Clone, PartialEq, Default)]
pub(crate) struct Start {
    /// Codes were cleared just before.
    pub(crate) cleared: bool,
}
