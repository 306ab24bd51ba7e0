//! Clearing codes: a full survey before, the clearing, and a survey after.

use std::path::Path;

use protocol::Address;
use vehicle::{ClearError, Clearing, Despite, Grant, Purpose};

use crate::places::fresh;
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
    /// Whether modules are meant too that may have codes which nobody has read.
    pub unread: bool,
}

impl Workshop {
    /// What clearing the wanted modules (`None`: all) would cost, by a survey that was just taken; modules that would lose
    /// nothing, and were read without trouble, are left out.
    #[must_use]
    pub fn clearing_costs(&self, survey: &wire::Survey, modules: Option<&[Address]>) -> Vec<wire::ClearingCost> {
        let is_wanted = |module: &&wire::Module| {
            modules.is_none_or(|wanted| wanted.iter().any(|address| address.to_string() == module.address))
        };
        let costs = survey.modules.iter().filter(is_wanted).map(|module| wire::ClearingCost {
            module: module.address.clone(),
            name: module.name.clone(),
            codes: codes_of(module, |kind| kind != "permanent"),
            freeze_frames: module.freeze_frames.len(),
            test_results: module.monitors.len(),
            monitors: module
                .readiness
                .as_ref()
                .map_or(0, |readiness| readiness.monitors.iter().filter(|monitor| monitor.state == "complete").count()),
            permanent: codes_of(module, |kind| kind == "permanent"),
            unread: module.problems.clone(),
            is_cut_short: module.is_cut_short,
        });
        let nothing = |cost: &wire::ClearingCost| wire::ClearingCost {
            module: cost.module.clone(),
            name: cost.name.clone(),
            ..wire::ClearingCost::default()
        };
        costs.filter(|cost| *cost != nothing(cost)).collect()
    }

    /// Clears codes at the wanted modules. `before` is the survey that was saved for it: without a file nothing is cleared.
    /// Surveys again afterwards. Where it is [stopped](vehicle::Vehicle::stop_on), modules that were not told any more are
    /// among the problems; reading again can be stopped too.
    ///
    /// # Errors
    /// [`WorkshopError::Refused`] when the car is not in a state for it, or it was stopped at once; nothing was cleared then.
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
        if let Some(what) = modules.iter().find_map(|address| not_saved(before, address, wish.unread)) {
            return Err(WorkshopError::Refused(what));
        }
        let until_ns = car.vehicle.now() + signal::nanos_from_seconds(GRANT_S);
        let grants: Vec<Grant> =
            modules.iter().map(|address| Grant::new(*address, Purpose::ClearCodes, until_ns)).collect();
        let (outcomes, interrupted) = match car.vehicle.clear_codes(&grants, wish.despite) {
            Ok(outcomes) => (outcomes, None),
            Err(ClearError::Interrupted { done, module, source }) => (done, Some((module, source))),
            Err(ClearError::Link(error)) => return Err(WorkshopError::Link(error)),
            Err(refused) => return Err(WorkshopError::Refused(refused.to_string())),
        };
        let mut problems = Vec::new();
        let left: Vec<String> = if interrupted.is_some() { Vec::new() } else { not_told(&modules, &outcomes) };
        if outcomes.is_empty() && !left.is_empty() {
            return Err(WorkshopError::Refused("nothing was cleared: it was stopped".to_owned()));
        }
        // Before anything else can fail: what was done stands in the ledger.
        let mut told: Vec<String> = outcomes.iter().map(in_words).collect();
        if let Some((module, _)) = &interrupted {
            told.push(format!("the adapter was lost: whether {module} cleared is not known, later ones were not told"));
        }
        if !left.is_empty() {
            let what = format!("not told to clear, as it was stopped: {}", left.join(", "));
            told.push(what.clone());
            problems.push(what);
        }
        let entry = wire::Content::Clearing {
            modules: modules.iter().map(ToString::to_string).collect(),
            statement: format!("codes cleared: {}", told.join("; ")),
            details: serde_json::json!({ "survey_before": survey_before }),
        };
        self.enter_or_tell(before.vehicle.vin.as_deref(), &mut problems, &[entry]);
        if let Some((module, source)) = interrupted {
            let what = format!("whether {module} cleared its codes is not known");
            return Err(WorkshopError::NotReadAgain { what, source: Box::new(source.into()) });
        }
        observer.say("cleared; reading again");
        // A name that is free: the codes are cleared, and what is there now can be read only now.
        let stem = Path::new(&survey_before).with_extension("after-clearing");
        let name = stem.file_name().unwrap_or_default().to_string_lossy();
        let beside = fresh(stem.parent().unwrap_or(Path::new("")), &name, "json");
        car.vehicle.go_on();
        // The modules are known by now; looking for others would only give codes the time to come back.
        let after = self.survey(car, Scope::Emissions, Some(&beside), observer).map_err(|source| {
            let what = format!("codes were cleared ({}), but could not be read again", told.join("; "));
            WorkshopError::NotReadAgain { what, source: Box::new(source) }
        })?;
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
            let back = after_codes.map(|module| codes_of(module, |kind| kind != "permanent")).unwrap_or_default();
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
        let is_read = |module: &&wire::ClearedModule| after.modules.iter().any(|read| read.address == module.module);
        let unread: Vec<&wire::ClearedModule> = cleared.iter().filter(|module| !is_read(module)).collect();
        if !unread.is_empty() {
            problems.extend(after.problems.iter().cloned());
        }
        problems.extend(unread.iter().map(|module| not_read_again(&module.module)));
        problems.extend(cleared.iter().filter(|module| module.outcome != "confirmed").map(|module| {
            let reason = module.reason.clone().unwrap_or_else(|| "it did not answer".to_owned());
            format!("{} cleared nothing: {reason}", module.module)
        }));
        Ok(wire::Cleared {
            modules: cleared,
            survey_before,
            survey_after: after.file.unwrap_or_default(),
            lost: clearing_in_words(&self.clearing_costs(before, wish.modules.as_deref())),
            problems,
        })
    }
}

/// Why a module is not cleared by what was saved of it. A survey that ended early lacks modules that answered when they were
/// looked for, and holds one with the codes that were read until then.
fn not_saved(before: &wire::Survey, address: &Address, unread: bool) -> Option<String> {
    let Some(saved) = before.modules.iter().find(|it| it.full_address == format!("{address:#}")) else {
        return Some(format!("nothing was cleared: {address} is not in the survey that was saved; survey again"));
    };
    (saved.is_cut_short && !unread).then(|| {
        format!(
            "nothing was cleared: {address} could not be read whole and may have codes that were not saved; survey again, \
             or say that it is to be cleared all the same"
        )
    })
}

/// What is told, among the problems, of a module that cleared and of which nothing was read since.
#[must_use]
pub fn not_read_again(module: &str) -> String {
    format!("{module} was not read again: what it has now is not known")
}

/// The modules that were not told to clear any more.
fn not_told(modules: &[Address], outcomes: &[(Address, Clearing)]) -> Vec<String> {
    let is_left = |address: &&Address| outcomes.iter().all(|(told, _)| told != *address);
    modules.iter().filter(is_left).map(ToString::to_string).collect()
}

/// What clearing costs, one line each.
#[must_use]
pub fn clearing_in_words(costs: &[wire::ClearingCost]) -> Vec<String> {
    let lines = costs.iter().flat_map(|cost| {
        let module = &cost.module;
        [
            (!cost.codes.is_empty()).then(|| format!("{module}: {} with their status", cost.codes.join(", "))),
            (cost.freeze_frames > 0).then(|| format!("{module}: {} freeze frame(s)", cost.freeze_frames)),
            (cost.test_results > 0).then(|| format!("{module}: the results of {} self-tests", cost.test_results)),
            (cost.monitors > 0).then(|| {
                let n = cost.monitors;
                format!("{module}: readiness of {n} monitors; an inspection may be refused until they have run again")
            }),
            (!cost.unread.is_empty()).then(|| {
                let what = cost.unread.join("; ");
                format!("{module}: what could not be read goes unseen: {what}")
            }),
            (!cost.permanent.is_empty()).then(|| {
                let codes = cost.permanent.join(", ");
                format!("{module}: {codes} stay as permanent codes until the car itself sees the repair")
            }),
        ]
    });
    lines.flatten().collect()
}

/// Codes of a module that stand in a list of this kind. One in no list, such as a code that fails now at a module that
/// keeps no other bits, can be cleared as a stored one can.
fn codes_of(module: &wire::Module, is_meant: impl Fn(&str) -> bool) -> Vec<String> {
    let is_in = |kinds: &[String]| {
        if kinds.is_empty() { is_meant("stored") } else { kinds.iter().any(|kind| is_meant(kind)) }
    };
    let codes = module.codes.iter().filter(|code| is_in(&code.kinds));
    codes.map(|code| code.code.clone()).collect()
}

fn in_words((address, clearing): &(Address, Clearing)) -> String {
    match clearing {
        Clearing::Confirmed => format!("{address} confirmed"),
        Clearing::Refused(reason) => format!("{address} refused: {reason}"),
        Clearing::Silent => format!("{address} did not answer"),
    }
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;
    use std::sync::atomic::{AtomicBool, Ordering};

    use link::{Exchange, Link, LinkError, LinkInfo, Request};
    use protocol::Nanos;

    use super::*;
    use crate::{Places, Silent};

    /// A car with codes that stands with its engine off.
    const WITH_CODES: &str = "standin:fell?fault=pedal-wear:1:1:40:20&script=pedal&start=100";

    #[test]
    fn a_module_that_the_survey_lacks_is_not_cleared() {
        let folder = tempfile::tempdir().unwrap();
        let workshop = Workshop::new(Places::at(folder.path()).unwrap(), "test 1");
        let mut car = workshop.connect(WITH_CODES, &[], &mut Silent).unwrap();
        let whole = workshop.survey(&mut car, Scope::Emissions, None, &mut Silent).unwrap();
        let mut cut = whole.clone();
        let last = cut.modules.pop().unwrap();
        let refused = workshop.clear(&mut car, &ClearWish::default(), &cut, &mut Silent).unwrap_err();
        let is_right = |text: &str| text.contains(&format!("{} is not in the survey that was saved", last.address));
        assert!(matches!(&refused, WorkshopError::Refused(text) if is_right(text)), "{refused}");
        let cleared = workshop.clear(&mut car, &ClearWish::default(), &whole, &mut Silent).unwrap();
        assert!(cleared.modules.iter().all(|module| module.outcome == "confirmed"), "{cleared:?}");
    }

    /// What was read until the line broke is saved; what was not is gone for good once it is cleared.
    #[test]
    fn a_module_that_was_read_in_part_is_cleared_only_where_that_is_meant() {
        let folder = tempfile::tempdir().unwrap();
        let workshop = Workshop::new(Places::at(folder.path()).unwrap(), "test 1");
        let mut car = workshop.connect(WITH_CODES, &[], &mut Silent).unwrap();
        let mut survey = workshop.survey(&mut car, Scope::Emissions, None, &mut Silent).unwrap();
        assert!(survey.modules.iter().all(|module| !module.is_cut_short), "{survey:?}");
        let last = survey.modules.last_mut().unwrap();
        last.is_cut_short = true;
        let begin = format!("nothing was cleared: {} could not be read whole", last.address);
        let refused = workshop.clear(&mut car, &ClearWish::default(), &survey, &mut Silent).unwrap_err();
        assert!(matches!(&refused, WorkshopError::Refused(text) if text.starts_with(&begin)), "{refused}");
        let again = workshop.survey(&mut car, Scope::Emissions, None, &mut Silent).unwrap();
        let codes = |survey: &wire::Survey| survey.modules.iter().map(|it| it.codes.clone()).collect::<Vec<_>>();
        assert_eq!(codes(&again), codes(&survey), "nothing was cleared");
        let wish = ClearWish { unread: true, ..ClearWish::default() };
        let cleared = workshop.clear(&mut car, &wish, &survey, &mut Silent).unwrap();
        assert!(cleared.modules.iter().all(|module| module.outcome == "confirmed"), "{cleared:?}");
    }

    /// A link through which somebody stops what is going on once this many requests to clear have been answered.
    struct StopsAfter {
        link: Box<dyn Link>,
        n_left: usize,
        stop: Arc<AtomicBool>,
    }

    impl Link for StopsAfter {
        fn info(&self) -> &LinkInfo {
            self.link.info()
        }

        fn now(&self) -> Nanos {
            self.link.now()
        }

        fn pause(&mut self, nanos: Nanos) {
            self.link.pause(nanos);
        }

        fn exchange(&mut self, request: &Request) -> Result<Exchange, LinkError> {
            let exchange = self.link.exchange(request);
            if matches!(request.bytes.first(), Some(0x04 | 0x14)) {
                self.n_left = self.n_left.saturating_sub(1);
                self.stop.fetch_or(self.n_left == 0, Ordering::Relaxed);
            }
            exchange
        }

        fn supply_volts(&mut self) -> Result<Option<f64>, LinkError> {
            self.link.supply_volts()
        }

        fn reopen(&mut self) -> Result<(), LinkError> {
            self.link.reopen()
        }
    }

    /// Stops what is going on when this is said.
    struct StopsAt<'a>(&'a str, &'a AtomicBool);

    impl Observer for StopsAt<'_> {
        fn say(&mut self, line: &str) {
            self.1.fetch_or(line.contains(self.0), Ordering::Relaxed);
        }
    }

    fn clearings(workshop: &Workshop) -> Vec<String> {
        let entries = workshop.case_file().unwrap().entries.into_iter();
        let statements = entries.filter_map(|entry| match entry.content {
            wire::Content::Clearing { statement, .. } => Some(statement),
            _ => None,
        });
        statements.collect()
    }

    /// Codes that a module was told to clear are gone, whoever stops it: the ledger says so, and which are not.
    #[test]
    fn clearing_that_is_stopped_tells_what_was_cleared_and_what_was_not() {
        let folder = tempfile::tempdir().unwrap();
        let workshop = Workshop::new(Places::at(folder.path()).unwrap(), "test 1");
        let stop = Arc::new(AtomicBool::new(false));
        let settings = link::Settings { bus: None, need_vehicle: true };
        let link = StopsAfter { link: crate::car::open(WITH_CODES, settings).unwrap(), n_left: 2, stop: stop.clone() };
        let vehicle = vehicle::Vehicle::find(Box::new(link)).unwrap();
        let definitions = crate::definitions(&[]).unwrap();
        let mut car = Car { vehicle, definitions, adapter: WITH_CODES.to_owned() };
        car.vehicle.stop_on(&stop);
        let before = workshop.survey(&mut car, Scope::Emissions, None, &mut Silent).unwrap();
        let cleared = workshop.clear(&mut car, &ClearWish::default(), &before, &mut Silent).unwrap();
        assert!(car.vehicle.was_stopped());
        let outcomes: Vec<_> = cleared.modules.iter().map(|it| (it.module.as_str(), it.outcome.as_str())).collect();
        assert_eq!(outcomes, [("7E8", "confirmed"), ("7E9", "confirmed")]);
        let left = "not told to clear, as it was stopped: 7EA, 7EB";
        assert!(cleared.problems.contains(&left.to_owned()), "{:?}", cleared.problems);
        assert_eq!(clearings(&workshop), [format!("codes cleared: 7E8 confirmed; 7E9 confirmed; {left}")]);
        let after = crate::survey::saved_survey(Path::new(&cleared.survey_after)).unwrap();
        assert_eq!((after.modules.len(), after.problems.len()), (4, 0), "what is there now was read all the same");
    }

    #[test]
    fn clearing_that_is_stopped_before_or_after_it_says_so() {
        let folder = tempfile::tempdir().unwrap();
        let workshop = Workshop::new(Places::at(folder.path()).unwrap(), "test 1");
        let mut car = workshop.connect(WITH_CODES, &[], &mut Silent).unwrap();
        let before = workshop.survey(&mut car, Scope::Emissions, None, &mut Silent).unwrap();
        let stop = Arc::new(AtomicBool::new(true));
        car.vehicle.stop_on(&stop);
        let refused = workshop.clear(&mut car, &ClearWish::default(), &before, &mut Silent).unwrap_err();
        assert_eq!(refused.to_string(), "nothing was cleared: it was stopped");
        assert_eq!(clearings(&workshop), Vec::<String>::new());
        car.vehicle.go_on();
        let mut observer = StopsAt("(3 of 4)", &stop);
        let cleared = workshop.clear(&mut car, &ClearWish::default(), &before, &mut observer).unwrap();
        assert_eq!(cleared.modules.len(), 4, "all were told");
        let said = |problem: &str| cleared.problems.iter().any(|it| it.starts_with(problem));
        assert!(said("the survey was stopped before module 7EB (4 of 4)"), "{:?}", cleared.problems);
        assert!(said("7EB was not read again") && !said("7EA was not read again"), "{:?}", cleared.problems);
        assert_eq!(clearings(&workshop).len(), 1);
    }

    /// Bit 0 of the status byte alone: the test fails now (ISO 14229-1). A module need not keep the bits by which a code is
    /// stored or pending.
    #[test]
    fn a_code_that_only_fails_now_is_lost_too() {
        let folder = tempfile::tempdir().unwrap();
        let workshop = Workshop::new(Places::at(folder.path()).unwrap(), "test 1");
        let code = wire::Code { code: "C0035-00".to_owned(), status: Some(0x01), ..wire::Code::default() };
        let module = wire::Module { address: "728".to_owned(), codes: vec![code], ..wire::Module::default() };
        let survey = wire::Survey { modules: vec![module], ..wire::Survey::default() };
        let costs = workshop.clearing_costs(&survey, None);
        assert_eq!(clearing_in_words(&costs), ["728: C0035-00 with their status"]);
    }

    #[test]
    fn what_could_not_be_read_is_told_before_it_is_lost() {
        let folder = tempfile::tempdir().unwrap();
        let workshop = Workshop::new(Places::at(folder.path()).unwrap(), "test 1");
        let problems = vec!["no answer to `03`".to_owned()];
        let module = wire::Module { address: "7E8".to_owned(), problems, ..wire::Module::default() };
        let silent = wire::Module { address: "7E9".to_owned(), ..wire::Module::default() };
        let survey = wire::Survey { modules: vec![module, silent], ..wire::Survey::default() };
        let costs = workshop.clearing_costs(&survey, None);
        assert_eq!(clearing_in_words(&costs), ["7E8: what could not be read goes unseen: no answer to `03`"]);
    }
}
