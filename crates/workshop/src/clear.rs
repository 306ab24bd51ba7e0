//! Clearing codes: a full survey before, the clearing, and a survey after.

use protocol::Address;
use vehicle::{ClearError, Clearing, Despite, Grant, Purpose};

use crate::{Car, Observer, Scope, Workshop, WorkshopError};

/// How long a grant to clear lasts, seconds: the survey is over by then, and nobody has gone for lunch.
const GRANT_S: f64 = 60.0;

/// What is to be cleared.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct ClearWish {
    /// Which modules, by address; `None`: all that answer.
    pub modules: Option<Vec<Address>>,
    /// What is allowed although it usually is not.
    pub despite: Despite,
}

impl Workshop {
    /// What clearing would cost, in words, by a survey that was just taken.
    #[must_use]
    pub fn clearing_costs(&self, survey: &wire::Survey, modules: Option<&[Address]>) -> Vec<String> {
        let is_wanted = |module: &&wire::Module| {
            modules.is_none_or(|wanted| wanted.iter().any(|address| address.to_string() == module.address))
        };
        let mut lost = Vec::new();
        for module in survey.modules.iter().filter(is_wanted) {
            let going = module.codes.iter().filter(|code| code.kinds.iter().any(|kind| kind != "permanent"));
            let going: Vec<&str> = going.map(|code| code.code.as_str()).collect();
            if !going.is_empty() {
                lost.push(format!("{}: {} with their status", module.address, going.join(", ")));
            }
            if !module.freeze_frames.is_empty() {
                lost.push(format!("{}: {} freeze frame(s)", module.address, module.freeze_frames.len()));
            }
            if !module.monitors.is_empty() {
                lost.push(format!("{}: the results of {} self-tests", module.address, module.monitors.len()));
            }
            if let Some(readiness) = &module.readiness {
                let is_complete = |monitor: &&wire::MonitorState| monitor.state == "complete";
                let n_complete = readiness.monitors.iter().filter(is_complete).count();
                if n_complete > 0 {
                    lost.push(format!(
                        "{}: readiness of {n_complete} monitors; an inspection may be refused until they have run again",
                        module.address
                    ));
                }
            }
            let staying = module.codes.iter().filter(|code| code.kinds.iter().any(|kind| kind == "permanent"));
            let staying: Vec<&str> = staying.map(|code| code.code.as_str()).collect();
            if !staying.is_empty() {
                let codes = staying.join(", ");
                lost.push(format!(
                    "{}: {codes} stay as permanent codes until the car itself sees the repair",
                    module.address
                ));
            }
        }
        lost
    }

    /// Clears codes at the wanted modules. `before` is the survey that was saved for it: without a file nothing is cleared.
    /// Surveys again afterwards.
    ///
    /// # Errors
    /// [`WorkshopError::Refused`] when the car is not in a state for it; nothing was cleared then.
    pub fn clear(
        &self,
        car: &mut Car,
        wish: &ClearWish,
        before: &wire::Survey,
        observer: &mut dyn Observer,
    ) -> Result<wire::Cleared, WorkshopError> {
        let Some(survey_before) = before.file.clone() else {
            return Err(WorkshopError::Refused("nothing is cleared before a survey is saved".to_owned()));
        };
        let all: Vec<Address> = car.vehicle.modules().iter().map(|module| module.address).collect();
        let modules = wish.modules.clone().unwrap_or(all);
        let until_ns = car.vehicle.now() + signal::nanos_from_seconds(GRANT_S);
        let grants: Vec<Grant> =
            modules.iter().map(|address| Grant::new(*address, Purpose::ClearCodes, until_ns)).collect();
        let outcomes = car.vehicle.clear_codes(&grants, wish.despite).map_err(|error| match error {
            ClearError::Link(error) => WorkshopError::Link(error),
            refused => WorkshopError::Refused(refused.to_string()),
        })?;
        let mut problems = Vec::new();
        // Before anything else can fail: what was done stands in the ledger.
        let told = outcomes.iter().map(|(address, clearing)| match clearing {
            Clearing::Confirmed => format!("{address} confirmed"),
            Clearing::Refused(reason) => format!("{address} refused: {reason}"),
            Clearing::Silent => format!("{address} did not answer"),
        });
        let entry = wire::Content::Clearing {
            modules: modules.iter().map(ToString::to_string).collect(),
            statement: format!("codes cleared: {}", told.collect::<Vec<_>>().join("; ")),
            details: serde_json::json!({ "survey_before": survey_before }),
        };
        self.enter_or_tell(before.vehicle.vin.as_deref(), &mut problems, &[entry]);
        observer.say("cleared; reading again");
        let beside = std::path::Path::new(&survey_before).with_extension("after-clearing.json");
        // The modules are known by now; looking for others would only give codes the time to come back.
        let after = self.survey(car, Scope::Emissions, Some(&beside), observer)?;
        let codes = |survey: &wire::Survey, address: Address| -> Vec<String> {
            let module = survey.modules.iter().find(|module| module.address == address.to_string());
            module.map(|module| module.codes.iter().map(|code| code.code.clone()).collect()).unwrap_or_default()
        };
        let cleared = outcomes.iter().map(|(address, clearing)| {
            let (outcome, reason) = match clearing {
                Clearing::Confirmed => ("confirmed", None),
                Clearing::Refused(reason) => ("refused", Some(reason.clone())),
                Clearing::Silent => ("silent", None),
            };
            let after_codes = after.modules.iter().find(|module| module.address == address.to_string());
            let back: Vec<&str> = after_codes
                .into_iter()
                .flat_map(|module| &module.codes)
                .filter(|code| code.kinds.iter().any(|kind| kind != "permanent"))
                .map(|code| code.code.as_str())
                .collect();
            if outcome == "confirmed" && !back.is_empty() {
                problems
                    .push(format!("{address} confirmed, but has {} again: the fault is there now", back.join(", ")));
            }
            wire::ClearedModule {
                module: address.to_string(),
                outcome: outcome.to_owned(),
                reason,
                before: codes(before, *address),
                after: codes(&after, *address),
            }
        });
        let cleared: Vec<wire::ClearedModule> = cleared.collect();
        problems.extend(cleared.iter().filter(|module| module.outcome != "confirmed").map(|module| {
            let reason = module.reason.clone().unwrap_or_else(|| "it did not answer".to_owned());
            format!("{} cleared nothing: {reason}", module.module)
        }));
        Ok(wire::Cleared {
            modules: cleared,
            survey_before,
            survey_after: after.file.unwrap_or_default(),
            lost: self.clearing_costs(before, wish.modules.as_deref()),
            problems,
        })
    }
}
