//! Clearing codes: everything is read and saved first, somebody reads what that costs, and only what was just read is
//! cleared.

use std::time::Duration;

use serde::Serialize;
use workshop::{Car, ClearWish, Despite, Observer, Scope, Workshop, WorkshopError};

use crate::access::Now;

/// How long what was read counts: nobody has gone for lunch in between.
const COUNTS: Duration = Duration::from_secs(600);

/// Codes that can be cleared now, or were.
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
#[cfg_attr(test, derive(ts_rs::TS))]
pub(crate) struct ClearingJson {
    /// Addresses of the modules that can be told to clear.
    pub(crate) modules: Vec<String>,
    /// What each would lose; one that would lose nothing, and was read without trouble, is left out.
    pub(crate) costs: Vec<wire::ClearingCost>,
    /// How it went, once it is done.
    pub(crate) done: Option<Box<wire::Cleared>>,
}

/// What is to be cleared.
#[derive(Debug)]
pub(crate) struct Wanted {
    /// Modules by address, as [`ClearingJson::modules`] names them.
    pub(crate) modules: Vec<String>,
    /// Whether somebody has read what it costs. Nothing is done otherwise.
    pub(crate) costs_read: bool,
    /// Whether somebody sees that the car stands still with its engine off; what can be read of that is believed all the same.
    pub(crate) stands: bool,
    /// Whether modules are meant too that may have codes which nobody has read.
    pub(crate) unread: bool,
}

/// The survey that was taken and saved for it.
pub(crate) struct Prepared {
    survey: wire::Survey,
    until: Now,
}

impl Prepared {
    pub(crate) fn survey(&self) -> &wire::Survey {
        &self.survey
    }
}

/// Reads and saves everything.
pub(crate) fn prepare(
    workshop: &Workshop,
    car: &mut Car,
    now: Now,
    observer: &mut dyn Observer,
) -> Result<(Prepared, ClearingJson), WorkshopError> {
    let survey = workshop.survey(car, Scope::Everything, None, observer)?;
    let shown = ClearingJson {
        modules: car.vehicle.modules().iter().map(|module| module.address.to_string()).collect(),
        costs: workshop.clearing_costs(&survey, None),
        done: None,
    };
    Ok((Prepared { survey, until: now + COUNTS }, shown))
}

/// Clears what was read just before, and reads again.
pub(crate) fn clear(
    workshop: &Workshop,
    car: &mut Car,
    prepared: Option<Prepared>,
    wanted: &Wanted,
    now: Now,
    observer: &mut dyn Observer,
) -> Result<wire::Cleared, WorkshopError> {
    let refused = |what: &str| WorkshopError::Refused(what.to_owned());
    let Some(prepared) = prepared.filter(|prepared| now < prepared.until) else {
        return Err(refused("nothing is cleared before everything was just read and saved: read the car again"));
    };
    if !wanted.costs_read {
        return Err(refused("nothing was cleared: nobody has read what will be lost"));
    }
    let all = car.vehicle.modules().iter().map(|module| module.address);
    let chosen: Vec<_> = all.filter(|address| wanted.modules.contains(&address.to_string())).collect();
    if chosen.is_empty() || chosen.len() != wanted.modules.len() {
        return Err(refused("nothing was cleared: choose among the modules that answered"));
    }
    let despite = Despite { engine_running: false, engine_unknown: wanted.stands, speed_unknown: wanted.stands };
    let wish = ClearWish { modules: Some(chosen), despite, unread: wanted.unread };
    workshop.clear(car, &wish, &prepared.survey, observer)
}
