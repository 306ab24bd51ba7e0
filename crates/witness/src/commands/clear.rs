//! `witness clear`: survey, what it costs, clear, survey again.

use protocol::Address;
use workshop::{ClearWish, Despite, Scope};

use crate::cli::ClearArgs;
use crate::failure::{Exit, Failure};
use crate::output::{Aloud, clean, print_json, print_text, progress};

pub(crate) fn run(args: &ClearArgs, json: bool) -> Result<Exit, Failure> {
    let parsed = args.module.iter().map(|text| text.parse::<Address>().map_err(Failure::input));
    let modules = parsed.collect::<Result<Vec<_>, _>>()?;
    let workshop = super::workshop()?;
    workshop.expect_survey_room(args.survey.as_deref())?;
    let mut car = super::connect(&workshop, &args.adapter)?;
    let before = workshop.survey(&mut car, Scope::Everything, args.survey.as_deref(), &mut Aloud)?;
    progress(&format!("saved: {}", before.file.as_deref().unwrap_or_default()));
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
    if !super::is_read(args.i_have_read, "clear") {
        let refused = Failure::new(Exit::Refused, "nothing was cleared: nobody has read what will be lost");
        let refused = costs.iter().fold(refused, |refused, cost| refused.hint(cost.clone()));
        return Err(refused.hint("--i-have-read says that you have"));
    }
    let cleared = workshop.clear(&mut car, &wish, &before, &mut Aloud).map_err(|error| {
        let failure = Failure::from(error);
        if failure.exit == Exit::Refused {
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
    Ok(if is_done { Exit::Done } else { Exit::Failed })
}

fn page(cleared: &wire::Cleared) -> String {
    let mut page = String::new();
    for module in &cleared.modules {
        let codes = |codes: &[String]| if codes.is_empty() { "none".to_owned() } else { codes.join(", ") };
        let (before, after) = (codes(&module.before), codes(&module.after));
        page += &format!("{}: {}; codes before: {before}; after: {after}\n", module.module, module.outcome);
    }
    for problem in &cleared.problems {
        page += &format!("problem: {}\n", clean(problem));
    }
    page += &format!("before: {}\nafter:  {}\n", cleared.survey_before, cleared.survey_after);
    page
}
