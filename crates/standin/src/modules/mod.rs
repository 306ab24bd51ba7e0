//! The car's control modules: what each answers to which request.

mod body;
mod brake;
mod codes;
mod engine;
mod gearbox;
mod monitors;
mod obd;
mod old_engine;
mod on_uds;
mod outputs;
mod pack;
mod uds;
mod unit;

pub(crate) use unit::{Dialect, UnitKind};

use crate::physics::{Commands, State};

/// The invented car's number; check digit by the arithmetic of 49 CFR 565.15.
pub const VIN: &str = "GTWFL6A19JK104217";
/// The number of the car with 25 modules; check digit as above.
pub(crate) const CRAG_VIN: &str = "GTWCR2B1XMK200418";
/// The number of the car with OBD on UDS; check digit as above.
pub(crate) const BECK_VIN: &str = "GTWBK1C15TK300112";

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
    /// What it sends by itself at present (service 2A): the rate, 1 slow to 3 fast, and the messages.
    fn sends(&mut self, _state: &State) -> Option<(u8, Vec<Vec<u8>>)> {
        None
    }
    /// What a tester drives through this module at present.
    fn commands(&self) -> Commands {
        Commands::default()
    }
    /// It starts anew, as after a moment without supply: sessions and what a tester has set are gone.
    fn restart(&mut self);
    /// The engine has been started anew.
    fn new_cycle(&mut self, state: &State);
}

/// Engine, gearbox, brake and body module of the Fell, in the order of their addresses.
pub(crate) fn fell(start: &Start) -> Vec<Box<dyn Module>> {
    first_four(start, VIN)
}

/// The same of the Crag.
pub(crate) fn crag(start: &Start) -> Vec<Box<dyn Module>> {
    first_four(start, CRAG_VIN)
}

/// The same of the Beck, where engine and gearbox speak OBD on UDS.
pub(crate) fn beck(start: &Start) -> Vec<Box<dyn Module>> {
    let mut modules = first_four(start, BECK_VIN);
    modules.splice(
        0..2,
        [
            Box::new(on_uds::OnUds(engine::Engine::new(start, BECK_VIN))) as Box<dyn Module>,
            Box::new(on_uds::OnUds(gearbox::Gearbox::new(start, BECK_VIN))),
        ],
    );
    modules
}

fn first_four(start: &Start, vin: &'static str) -> Vec<Box<dyn Module>> {
    vec![
        Box::new(engine::Engine::new(start, vin)),
        Box::new(gearbox::Gearbox::new(start, vin)),
        Box::new(brake::Brake::new(vin)),
        Box::new(body::Body::new(vin)),
    ]
}

/// The modules of the Fen, which has no VIN: engine, gearbox, brakes, restraints, climate.
pub(crate) fn fen(start: &Start) -> Vec<Box<dyn Module>> {
    let kwp = |title, now, before| unit::Unit::new(UnitKind { title, dialect: Dialect::Kwp, now, before }, "");
    vec![
        Box::new(old_engine::OldEngine::new(engine::Engine::new(start, ""), kwp("Engine", &[], &[]))),
        Box::new(kwp("Gearbox", &[], &[(0x0720, 0)])),
        Box::new(kwp("Brakes", &[(0x4035, 0)], &[])),
        Box::new(kwp("Restraints", &[], &[])),
        Box::new(kwp("Climate", &[], &[(0x9020, 0)])),
    ]
}

/// A module that has a name and codes only.
pub(crate) fn unit(kind: UnitKind, vin: &'static str) -> Box<dyn Module> {
    Box::new(unit::Unit::new(kind, vin))
}

/// What the modules remember from before.
#[derive(Debug, Clone, PartialEq, Default)]
pub(crate) struct Start {
    /// Codes were cleared just before.
    pub(crate) cleared: bool,
}
