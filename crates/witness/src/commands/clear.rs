//! `witness clear`: survey, what it costs, clear, survey again.

use protocol::Address;
use workshop::{ClearWish, Despite, Scope, not_read_again};

use crate::cli::ClearArgs;
use crate::failure::{Exit, Failure};
use crate::output::{Aloud, clean, print_json, print_text, progress};
use crate::stop::AtOnce;

pub(crate) fn run(args: &ClearArgs, json: bool) -> Result<Exit, Failure> {
    let parsed = args.module.iter().map(|text| text.parse::<Address>().map_err(Failure::input));
    let modules = parsed.collect::<Result<Vec<_>, _>>()?;
    let workshop = super::workshop()?;
    workshop.expect_survey_room(args.survey.as_deref())?;
    let mut car = super::connect(&workshop, &args.adapter)?;
    let at_once = super::stop_between_steps(&mut car)?;
    let before = workshop.survey(&mut car, Scope::Everything, args.survey.as_deref(), &mut Aloud)?;
    progress(&format!("saved: {}", before.file.as_deref().unwrap_or_default()));
    if car.vehicle.was_stopped() {
        let file = before.file.as_deref().unwrap_or_default();
        let what = format!("nothing was cleared: reading was stopped before; what was read is in `{file}`");
        let stopped = Failure::new(Exit::Lost, what);
        return Err(before.problems.iter().fold(stopped, |stopped, problem| stopped.hint(problem.clone())));
    }
    // An address as people write it means the module that answers there.
    let known = |address: &Address| {
        let answering = car.vehicle.modules().iter().map(|module| module.address);
        answering.into_iter().find(|other| other == address || other.to_string() == address.to_string())
    };
    let modules = modules
        .iter()
        .map(|address| {
            known(address).ok_or_else(|| Failure::new(Exit::NoAnswer, format!("no module answers at {address}")))
        })
        .collect::<Result<Vec<_>, _>>()?;
    let wish = ClearWish {
        modules: (!args.all).then_some(modules),
        despite: Despite { engine_running: args.engine_running, speed_unknown: args.standing, ..Despite::default() },
        unread: args.codes_unread,
    };
    let costs = workshop::clearing_in_words(&workshop.clearing_costs(&before, wish.modules.as_deref()));
    for cost in &costs {
        progress(&format!("will be lost: {}", clean(cost)));
    }
    progress("caution: an inspection may be refused until the monitors have run again; keep the saved survey");
    let is_read = {
        let _question = AtOnce::always()?;
        super::is_read(args.i_have_read, "clear")
    };
    if !is_read {
        let refused = Failure::new(Exit::Refused, "nothing was cleared: nobody has read what will be lost");
        let refused = costs.iter().fold(refused, |refused, cost| refused.hint(cost.clone()));
        return Err(refused.hint("--i-have-read says that you have"));
    }
    // What is cleared is written down first, however often somebody asks to end.
    drop(at_once);
    let cleared = workshop.clear(&mut car, &wish, &before, &mut Aloud).map_err(|error| {
        let was_stopped = car.vehicle.was_stopped();
        let failure = Failure::from(error);
        if failure.exit == Exit::Refused && was_stopped {
            Failure { exit: Exit::Lost, ..failure }
        } else if failure.exit == Exit::Refused {
            failure.hint("engine off, ignition on; --engine-running, --standing and --codes-unread say otherwise where that is meant")
        } else {
            failure
        }
    })?;
    if json {
        print_json(&cleared)?;
    } else {
        print_text(&page(&cleared));
    }
    let is_done = cleared.modules.iter().all(|module| module.outcome == "confirmed");
    Ok(match (is_done, car.vehicle.was_stopped()) {
        (_, true) => Exit::Lost,
        (true, false) => Exit::Done,
        (false, false) => Exit::Failed,
    })
}

fn page(cleared: &wire::Cleared) -> String {
    let mut page = String::new();
    for module in &cleared.modules {
        let codes = |codes: &[String]| if codes.is_empty() { "none".to_owned() } else { codes.join(", ") };
        let is_unread = cleared.problems.contains(&not_read_again(&module.module));
        let after = if is_unread { "not read".to_owned() } else { codes(&module.after) };
        let before = codes(&module.before);
        page += &format!("{}: {}; codes before: {before}; after: {after}\n", module.module, module.outcome);
    }
    for problem in &cleared.problems {
        page += &format!("problem: {}\n", clean(problem));
    }
    page += &format!("before: {}\nafter:  {}\n", cleared.survey_before, cleared.survey_after);
    page
}
