//! A survey, and what clearing says, against what the car really did.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use crate::drive_oracle::is_shifted;
use crate::line::Hit;
use crate::scene::Scene;
use crate::trial::Outcome;

/// The survey that was shown was saved, and [`check_saved`].
pub(crate) fn check(path: &Path, survey: &wire::Survey, scene: &mut Scene, outcome: &mut Outcome) {
    let Some(saved) = check_saved(path, scene, outcome) else { return };
    if (saved.modules.len(), &saved.vehicle.vin) != (survey.modules.len(), &survey.vehicle.vin) {
        outcome.broken.push("the saved survey is not the one that was shown".to_owned());
    }
    // Whoever answered anything at all is in the survey, or the survey says that something was not read.
    let n_answering = scene.answers().iter().map(|answer| answer.module).collect::<BTreeSet<_>>().len();
    let tells = !survey.problems.is_empty() || survey.modules.iter().any(|module| !module.problems.is_empty());
    if survey.modules.len() < n_answering && !tells {
        outcome.broken.push(format!(
            "{n_answering} modules answered, {} are in the survey, and it does not say that anything went wrong",
            survey.modules.len()
        ));
    }
}

/// Everything in a saved survey was said by the car, in answer to the request that it stands behind.
fn check_saved(path: &Path, scene: &mut Scene, outcome: &mut Outcome) -> Option<wire::Survey> {
    let saved: Option<wire::Survey> = std::fs::read(path).ok().and_then(|bytes| serde_json::from_slice(&bytes).ok());
    let Some(saved) = saved else {
        outcome.broken.push("the survey is said to be saved and cannot be read".to_owned());
        return None;
    };
    let hits = scene.hits();
    let answers = scene.answers();
    let mut modules: BTreeMap<String, BTreeSet<usize>> = BTreeMap::new();
    for raw in &saved.raw {
        let request = bytes(&raw.request);
        for reply in &raw.replies {
            let said = bytes(&reply.bytes);
            let within = || answers.iter().filter(|answer| (raw.asked_ns..=reply.arrived_ns).contains(&answer.at_ns));
            // Whether a module is there: its answer to an earlier question says the same, so it may be that one.
            let is_sign_of_life = request.first() == Some(&0x3E);
            let earlier = || answers.iter().filter(|answer| is_sign_of_life && answer.at_ns < raw.asked_ns);
            // Several modules may say the same at the same time.
            let fitting: BTreeSet<usize> = within()
                .chain(earlier())
                .filter(|answer| answer.request == request && answer.reply == said)
                .map(|answer| answer.module)
                .collect();
            if !fitting.is_empty() {
                modules
                    .entry(reply.from.clone())
                    .or_insert_with(|| fitting.clone())
                    .retain(|one| fitting.contains(one));
                continue;
            }
            let harmed = || hits.iter().filter(|hit| (raw.asked_ns..=reply.arrived_ns).contains(&hit.at_ns));
            // A request that was harmed on its way is another one, and the module's answer to that is true as well.
            if harmed().any(|hit| hit.is_to) && within().any(|answer| answer.reply == said) {
                continue;
            }
            let n_shifts = harmed().filter(|hit| hit.is_shift()).count();
            if harmed().any(Hit::is_digit_for_digit)
                || within().any(|answer| is_shifted(&answer.reply, &said, n_shifts))
            {
                outcome.n_undetectable += 1;
                continue;
            }
            outcome.broken.push(format!("{} never said {} to {}", reply.from, reply.bytes, raw.request));
        }
    }
    for (address, _) in modules.iter().filter(|(_, who)| who.is_empty()) {
        outcome.broken.push(format!("{address} is more than one module"));
    }
    Some(saved)
}

/// Whoever is said to have cleared has confirmed it, and what is said to be there afterwards was said by the car after
/// that.
pub(crate) fn check_clearing(cleared: &wire::Cleared, from_ns: i64, scene: &mut Scene, outcome: &mut Outcome) {
    let confirms = |reply: &[u8]| matches!(reply.first(), Some(0x44 | 0x54));
    let n_confirmed = scene
        .answers()
        .iter()
        .filter(|answer| answer.at_ns >= from_ns && confirms(&answer.reply))
        .map(|answer| answer.module)
        .collect::<BTreeSet<_>>()
        .len();
    let n_told = cleared.modules.iter().filter(|module| module.outcome == "confirmed").count();
    if n_told > n_confirmed {
        outcome.broken.push(format!("{n_told} modules are said to have cleared, {n_confirmed} have"));
    }
    if let Some(after) = check_saved(Path::new(&cleared.survey_after), scene, outcome) {
        for module in &cleared.modules {
            let read = after.modules.iter().find(|read| read.address == module.module);
            let codes: Vec<String> =
                read.map(|read| read.codes.iter().map(|code| code.code.clone()).collect()).unwrap_or_default();
            if codes != module.after {
                outcome.broken.push(format!("{} is said to have {:?}, and has {codes:?}", module.module, module.after));
            }
        }
    }
    for module in cleared.modules.iter().filter(|module| module.outcome != "confirmed") {
        if !cleared.problems.iter().any(|problem| problem.contains(&module.module)) {
            outcome.broken.push(format!("{} cleared nothing, and no problem says so", module.module));
        }
    }
}

fn bytes(hex: &str) -> Vec<u8> {
    let digits: Vec<u8> =
        hex.bytes().filter_map(|digit| char::from(digit).to_digit(16)).map(|digit| digit as u8).collect();
    digits.chunks(2).map(|pair| pair.iter().fold(0, |byte, digit| byte << 4 | digit)).collect()
}
