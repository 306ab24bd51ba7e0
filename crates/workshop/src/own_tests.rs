//! What the car itself has to say to a repair: monitors that have yet to run, and codes that must stay away.

use std::collections::BTreeSet;

use evidence::proof::usual_conditions;
use wire::{CodeToStayAway, MonitorToRun, Survey};

use crate::compare::{held, was_read};

/// Monitors that the survey shows as not run since the codes were cleared.
pub(crate) fn monitors_to_run(last: &Survey) -> Vec<MonitorToRun> {
    let open = last.readiness.monitors.iter().filter(|monitor| monitor.state == "incomplete");
    open.map(|monitor| MonitorToRun {
        name: monitor.name.clone(),
        conditions: usual_conditions(&monitor.name).to_owned(),
    })
    .collect()
}

/// Every code of the surveys before the repair, with what the last survey after it says.
pub(crate) fn codes_to_stay_away(before: &[&Survey], after: Option<&Survey>) -> Vec<CodeToStayAway> {
    let by_code = |(module, code): (String, String)| (code, module);
    let codes: BTreeSet<(String, String)> =
        before.iter().flat_map(|survey| held(survey).into_keys().map(by_code)).collect();
    let now = after.map(held).unwrap_or_default();
    let each = codes.into_iter().map(|(code, module)| {
        let kinds = now.get(&(module.clone(), code.clone()));
        let state = match kinds {
            _ if !after.is_some_and(|survey| was_read(survey, &module)) => "not read since",
            None => "away",
            Some(kinds) if !kinds.is_empty() && kinds.iter().all(|kind| kind == "permanent") => "permanent",
            Some(_) => "there",
        };
        CodeToStayAway { code, module, state: state.to_owned() }
    });
    each.collect()
}

#[cfg(test)]
mod tests {
    use wire::Module;

    use super::*;

    fn survey(modules: &[(&str, &[(&str, &str)])]) -> Survey {
        let modules = modules.iter().map(|(address, codes)| Module {
            address: (*address).to_owned(),
            codes: codes
                .iter()
                .map(|(code, kind)| wire::Code {
                    code: (*code).to_owned(),
                    kinds: vec![(*kind).to_owned()],
                    ..wire::Code::default()
                })
                .collect(),
            ..Module::default()
        });
        Survey { modules: modules.collect(), ..Survey::default() }
    }

    #[test]
    fn codes_are_followed_module_by_module() {
        let first = survey(&[
            ("7E8", &[("P0301", "stored"), ("P0420", "stored"), ("P0171", "pending")]),
            ("7EA", &[("C0035", "stored")]),
        ]);
        let last = survey(&[("7E8", &[("P0420", "permanent"), ("P0171", "stored")])]);
        let told = |after| -> Vec<(String, String)> {
            codes_to_stay_away(&[&first], after).into_iter().map(|it| (it.code, it.state)).collect()
        };
        let pair = |code: &str, state: &str| (code.to_owned(), state.to_owned());
        assert_eq!(
            told(Some(&last)),
            [
                pair("C0035", "not read since"),
                pair("P0171", "there"),
                pair("P0301", "away"),
                pair("P0420", "permanent")
            ]
        );
        assert!(told(None).iter().all(|it| it.1 == "not read since"));
    }

    #[test]
    fn only_monitors_that_have_not_run_are_named_with_what_they_need() {
        let mut last = Survey::default();
        for (name, state) in [("catalyst", "incomplete"), ("misfire", "complete"), ("boost pressure", "not fitted")] {
            let monitor = wire::MonitorState { name: name.into(), state: state.into(), ..Default::default() };
            last.readiness.monitors.push(monitor);
        }
        let monitors = monitors_to_run(&last);
        assert_eq!(monitors.len(), 1);
        assert!(monitors[0].name == "catalyst" && monitors[0].conditions.contains("steady"));
    }
}
