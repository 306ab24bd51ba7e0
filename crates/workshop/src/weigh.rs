//! The suspects of a case, weighed over everything that its ledger knows.

use std::collections::BTreeMap;
use std::path::Path;

use casebook::{effective, placements};
use evidence::suspects::{Answer, Code, CodeState, Evidence, Repair};
use wire::{CaseRef, Content, Entry, FileRef, Finding, Placement, SuspectChange, Suspects};

use crate::compare::was_read;
use crate::suspects::{checked_money, codes_of, seen_in};
use crate::{Workshop, WorkshopError, to_wire};

/// Least change of a probability that is told.
const TOLD: f64 = 0.005;

impl Workshop {
    /// Weighs the suspects over everything that the chosen case knows, tells how they moved since the last time and by
    /// what, and writes down how they stand.
    ///
    /// # Errors
    /// [`WorkshopError::NoOpenCase`], [`WorkshopError::Casebook`], [`WorkshopError::Number`]. Swaps that cannot be judged
    /// are among the problems.
    pub fn suspects_of_case(&self, money_per_hour: Option<f64>) -> Result<Suspects, WorkshopError> {
        let file = self.case_file()?;
        let contents = effective(&file.entries);
        let mut problems = Vec::new();
        let judged = match self.judge_swaps_of(&file) {
            Ok(judged) => Some(judged),
            Err(WorkshopError::Lacking { .. }) => None,
            // The rest of the evidence still counts.
            Err(error) => {
                problems.push(error.to_string());
                None
            }
        };
        problems.extend(judged.iter().flat_map(|judged| judged.problems.clone()));
        let mut weighed = weigh_ledger(&file.case.complaint, &contents, judged.as_ref(), money_per_hour)?;
        weighed.problems.append(&mut problems);
        let (weights, reasons) = (weights(&weighed), reasons(&weighed));
        let before = contents.iter().rev().find_map(|(_, content)| match content {
            Content::Suspects { weights, reasons, .. } => Some((weights, reasons)),
            _ => None,
        });
        if let Some((old, old_reasons)) = before {
            weighed.moved = moved(old, &weights);
            // An entry of an earlier version has no reasons to compare with.
            if !old_reasons.is_empty() {
                weighed.moved_by = difference(old_reasons, &reasons);
            }
        }
        if before.is_none_or(|(old, old_reasons)| *old_reasons != reasons || !moved(old, &weights).is_empty()) {
            // What only the complaint points at is no news once something else points somewhere.
            let has_evidence = weighed.areas.iter().any(|area| !area.is_complaint_only);
            let told = weighed.areas.iter().filter(|area| !has_evidence || !area.is_complaint_only);
            let statements = told.map(|area| area.statement.clone()).collect();
            let mut problems = Vec::new();
            weighed.case = self.enter_in(&file, &mut problems, Content::Suspects { weights, statements, reasons });
            weighed.problems.append(&mut problems);
        } else {
            let (number, entry) = (file.case.number, file.case.n_entries);
            weighed.case = Some(CaseRef { number, entry, is_new: false });
        }
        Ok(weighed)
    }
}

/// The suspects of a ledger, with what its swaps showed.
pub(crate) fn weigh_ledger(
    complaint: &str,
    contents: &[(&Entry, &Content)],
    judged: Option<&wire::SwapJudged>,
    money_per_hour: Option<f64>,
) -> Result<Suspects, WorkshopError> {
    let mut evidence = known(contents, &placements(contents));
    complaint.clone_into(&mut evidence.complaint);
    if let Some(money) = money_per_hour {
        evidence.money_per_hour = checked_money(money)?;
    }
    let rows = judged.iter().flat_map(|judged| &judged.hypotheses);
    evidence.swap = rows.map(|row| (row.fault.clone(), row.probability)).collect();
    Ok(to_wire::suspects(&evidence::suspects::weigh(&evidence), Vec::new()))
}

/// What a ledger knows of the fault, beside its complaint and its swaps.
fn known(contents: &[(&Entry, &Content)], placed: &[Placement]) -> Evidence {
    let mut evidence = Evidence { placement: placed.last().cloned().unwrap_or_default(), ..Evidence::default() };
    let mut driven: BTreeMap<&str, &Placement> = BTreeMap::new();
    let mut findings: BTreeMap<&str, (&FileRef, &[Finding], &Placement)> = BTreeMap::new();
    for ((_, content), placement) in contents.iter().zip(placed) {
        match content {
            Content::Survey { survey, .. } => add_codes(evidence.codes.get_or_insert_default(), survey, placement),
            Content::Drive { file, .. } => {
                driven.entry(&file.sha256).or_insert(placement);
            }
            // Examined again by a later version, a drive counts as it was examined last, and with the parts as they stood
            // when it was driven.
            Content::Finding { file, findings: found } => {
                let there = driven.get(file.sha256.as_str()).copied().unwrap_or(placement);
                findings.insert(&file.sha256, (file, found, there));
            }
            Content::Tested { area, test, is_yes } => {
                evidence.answers.push(Answer { area: area.clone(), test: test.clone(), is_yes: *is_yes });
            }
            Content::Repaired { area, suspect, helped } => {
                let (area, suspect) = (area.clone(), suspect.clone());
                evidence.repairs.push(Repair { area, suspect, helped: *helped });
            }
            _ => {}
        }
    }
    for (drive, found, placement) in findings.into_values() {
        let seen = found.iter().map(|finding| seen_in(Path::new(&drive.path), finding, placement));
        evidence.findings.extend(seen);
    }
    evidence
}

/// The codes of a further survey: what was there and is not any more still tells of the fault, but less.
fn add_codes(codes: &mut Vec<Code>, survey: &wire::Survey, placement: &Placement) {
    let now: Vec<Code> = codes_of(survey).collect();
    let is_same = |a: &Code, b: &Code| (&a.code, &a.module) == (&b.code, &b.module);
    for code in codes.iter_mut() {
        let state = now.iter().find(|held| is_same(held, code)).map(|held| held.state);
        code.state = match (code.state, state) {
            // Confirmed once, it does not become less because it was seen pending afterwards.
            (CodeState::Confirmed, Some(_)) | (_, Some(CodeState::Confirmed)) => CodeState::Confirmed,
            (_, Some(state)) => state,
            (_, None) if was_read(survey, &code.module) => CodeState::Earlier,
            // Who was not asked this time, or could not be read, has lost nothing.
            (state, None) => state,
        };
    }
    let new: Vec<Code> = now.into_iter().filter(|held| !codes.iter().any(|code| is_same(held, code))).collect();
    codes.extend(new.into_iter().map(|code| Code { placement: placement.clone(), ..code }));
}

/// Probability of each suspect, by `AREA/SUSPECT`.
fn weights(weighed: &Suspects) -> BTreeMap<String, f64> {
    let each = weighed.areas.iter().flat_map(|area| area.suspects.iter().map(move |suspect| (area, suspect)));
    each.map(|(area, suspect)| (format!("{}/{}", area.id, suspect.id), suspect.probability)).collect()
}

/// What was seen and where it comes from, by area.
fn reasons(weighed: &Suspects) -> Vec<String> {
    let each = weighed.areas.iter().flat_map(|area| area.steps.iter().map(move |step| (area, step)));
    each.map(|(area, step)| format!("{}: {} ({})", area.id, step.seen, step.evidence)).collect()
}

/// Reasons that came, and those that are gone.
fn difference(before: &[String], now: &[String]) -> Vec<String> {
    let came = now.iter().filter(|reason| !before.contains(reason)).cloned();
    let gone = before.iter().filter(|reason| !now.contains(reason)).map(|reason| format!("no longer: {reason}"));
    came.chain(gone).collect()
}

/// The probabilities that changed by more than a rounding, the greatest change first.
fn moved(before: &BTreeMap<String, f64>, now: &BTreeMap<String, f64>) -> Vec<SuspectChange> {
    let of = |weights: &BTreeMap<String, f64>, name: &str| weights.get(name).copied().unwrap_or(0.0);
    let mut names: Vec<&String> = before.keys().chain(now.keys()).collect();
    names.sort();
    names.dedup();
    let change = |name: &String| SuspectChange { suspect: name.clone(), from: of(before, name), to: of(now, name) };
    let mut moved: Vec<SuspectChange> = names.into_iter().map(change).collect();
    moved.retain(|change| (change.to - change.from).abs() > TOLD);
    moved.sort_by(|a, b| (b.to - b.from).abs().total_cmp(&(a.to - a.from).abs()));
    moved
}

#[cfg(test)]
mod tests {
    use super::*;
    use wire::{Module, Survey};

    fn survey(codes: &[(&str, &str)]) -> Content {
        let codes = codes.iter().map(|(code, kind)| wire::Code {
            code: (*code).to_owned(),
            kinds: vec![(*kind).to_owned()],
            ..wire::Code::default()
        });
        let module = Module { address: "7E8".into(), codes: codes.collect(), ..Module::default() };
        let survey = Box::new(Survey { modules: vec![module], ..Survey::default() });
        Content::Survey { file: FileRef::default(), survey }
    }

    fn of(contents: Vec<Content>) -> Evidence {
        let entries: Vec<Entry> =
            (1..).zip(contents).map(|(number, content)| Entry { number, content, ..Entry::default() }).collect();
        let contents = effective(&entries);
        known(&contents, &placements(&contents))
    }

    #[test]
    fn codes_are_kept_with_where_the_parts_stood() {
        let swap = Content::Swap { part: "coil".into(), from: 1, to: 4 };
        let evidence =
            of(vec![survey(&[("P0301", "stored"), ("P0420", "pending")]), swap, survey(&[("P0304", "stored")])]);
        let codes = evidence.codes.unwrap_or_default();
        let told: Vec<_> = codes.iter().map(|it| (it.code.as_str(), it.state, it.placement["coil"].clone())).collect();
        let (first, moved) = (vec![1, 2, 3, 4], vec![4, 2, 3, 1]);
        assert_eq!(
            told,
            [
                ("P0301", CodeState::Earlier, first.clone()),
                ("P0420", CodeState::Earlier, first),
                ("P0304", CodeState::Confirmed, moved.clone())
            ]
        );
        assert_eq!(evidence.placement["coil"], moved);
    }

    #[test]
    fn a_module_that_was_not_read_again_has_its_codes_still() {
        let states = |again: Survey| {
            let again = Content::Survey { file: FileRef::default(), survey: Box::new(again) };
            let codes = of(vec![survey(&[("P0301", "stored")]), again]).codes.unwrap_or_default();
            codes.into_iter().map(|code| code.state).collect::<Vec<_>>()
        };
        let module = Module { address: "7E8".into(), ..Module::default() };
        let damaged = Module { problems: vec!["03: no answer".into()], ..module.clone() };
        let other = Module { address: "7EA".into(), ..Module::default() };
        assert_eq!(states(Survey { modules: vec![module], ..Survey::default() }), [CodeState::Earlier]);
        for not_read in [damaged, other] {
            assert_eq!(states(Survey { modules: vec![not_read], ..Survey::default() }), [CodeState::Confirmed]);
        }
    }

    #[test]
    fn a_code_that_was_never_read_is_not_absent() {
        assert_eq!(of(vec![Content::default()]).codes, None);
        assert_eq!(of(vec![survey(&[])]).codes, Some(Vec::new()));
    }

    #[test]
    fn what_came_and_what_is_gone() {
        let lines = |texts: &[&str]| texts.iter().map(|text| (*text).to_owned()).collect::<Vec<_>>();
        assert_eq!(difference(&lines(&["a", "b"]), &lines(&["b", "c"])), ["c", "no longer: a"]);
    }
}
