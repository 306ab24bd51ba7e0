//! What a case says as a whole: its swaps judged, its suspects weighed, its repair proven.

use std::collections::BTreeMap;
use std::path::PathBuf;

use casebook::{effective, placements};
use evidence::suspects::{Answer, Evidence, Repair};
use wire::{CaseEntry, CaseFile, CaseRef, Content, Experiment, ExperimentDrive, SuspectChange};

use crate::suspects::{codes_of, seen_in};
use crate::{CaseChoice, Workshop, WorkshopError, to_wire};

/// Least change of a probability that is told.
const TOLD: f64 = 0.005;

impl Workshop {
    /// Writes into the chosen case that two parts of a kind changed places.
    ///
    /// # Errors
    /// [`WorkshopError::Number`], [`WorkshopError::NoOpenCase`], [`WorkshopError::Casebook`].
    pub fn add_swap(&self, part: &str, from: u32, to: u32) -> Result<CaseEntry, WorkshopError> {
        let part = part_name(part)?;
        for cylinder in [from, to] {
            if !(1..=12).contains(&cylinder) {
                let (what, wanted) = ("a cylinder", "1 to 12");
                return Err(WorkshopError::Number { what, wanted, found: f64::from(cylinder) });
            }
        }
        if from == to {
            let (what, wanted) = ("the second cylinder", "another than the first");
            return Err(WorkshopError::Number { what, wanted, found: f64::from(to) });
        }
        self.add_entry(&Content::Swap { part, from, to })
    }

    /// Writes into the chosen case that a part was replaced by one from outside.
    ///
    /// # Errors
    /// As [`Workshop::add_swap`].
    pub fn add_replacement(&self, part: &str, at: Option<u32>, text: &str) -> Result<CaseEntry, WorkshopError> {
        if let Some(found) = at.filter(|cylinder| !(1..=12).contains(cylinder)) {
            let (what, wanted) = ("a cylinder", "1 to 12");
            return Err(WorkshopError::Number { what, wanted, found: f64::from(found) });
        }
        self.add_entry(&Content::Replaced { part: part_name(part)?, at, text: text.to_owned() })
    }

    /// Undoes the last swap of the chosen case by a further entry: the parts are put back, or, if `mistaken`, they never
    /// changed places and the entry is withdrawn.
    ///
    /// # Errors
    /// [`WorkshopError::Lacking`] without a swap; as [`Workshop::add_swap`].
    pub fn undo_swap(&self, mistaken: bool) -> Result<CaseEntry, WorkshopError> {
        let file = self.case_file()?;
        let last = effective(&file.entries).into_iter().rev().find_map(|(entry, content)| match content {
            Content::Swap { part, from, to } => Some((entry.number, part.clone(), *from, *to)),
            _ => None,
        });
        let lacking = "it has no swap that could be undone";
        let (of, part, from, to) = last.ok_or(WorkshopError::Lacking { case: file.case.number, lacking })?;
        self.add_entry(&if mistaken {
            Content::Correction { of, reason: "the parts did not change places".to_owned(), content: None }
        } else {
            Content::Swap { part, from, to }
        })
    }

    /// The drives of the chosen case with the placement of the parts in each, as an experiment; only drives that counted
    /// misfires.
    ///
    /// # Errors
    /// [`WorkshopError::Lacking`] without a swap or without drives.
    pub fn experiment_of_case(&self) -> Result<(CaseFile, Experiment), WorkshopError> {
        let file = self.case_file()?;
        let contents = effective(&file.entries);
        let placed = placements(&contents);
        let case = file.case.number;
        let parts: Vec<String> = placed.last().map(|now| now.keys().cloned().collect()).unwrap_or_default();
        if parts.is_empty() {
            return Err(WorkshopError::Lacking { case, lacking: "no part of it was swapped or replaced yet" });
        }
        let counted = |summary: &wire::DriveSummary| summary.signals.iter().any(|it| it.id.starts_with("misfire."));
        let drives: Vec<ExperimentDrive> = contents
            .iter()
            .zip(&placed)
            .filter_map(|((_, content), placement)| match content {
                Content::Drive { file: drive, summary, .. } if counted(summary) => Some(ExperimentDrive {
                    file: self.path_of(&file.case.uid, drive).display().to_string(),
                    placement: placement.clone(),
                }),
                _ => None,
            })
            .collect();
        if drives.is_empty() {
            return Err(WorkshopError::Lacking { case, lacking: "none of its drives counted misfires" });
        }
        Ok((file, Experiment { parts, drives }))
    }

    /// Judges the swaps of the chosen case over its drives, and writes the verdict into it.
    ///
    /// # Errors
    /// As [`Workshop::experiment_of_case`] and [`Workshop::judge_swap`].
    pub fn judge_case(&self) -> Result<wire::SwapJudged, WorkshopError> {
        let (file, experiment) = self.experiment_of_case()?;
        let mut judged = self.judge_swap(&experiment, &format!("case {}", file.case.number))?;
        let content = Content::SwapVerdict { verdict: Box::new(judged.clone()) };
        let mut problems = Vec::new();
        judged.case = self.enter_in(&file, &mut problems, content);
        judged.problems.append(&mut problems);
        Ok(judged)
    }

    /// Weighs the suspects over everything that the chosen case knows, tells how they moved since the last time, and
    /// writes down how they stand.
    ///
    /// # Errors
    /// [`WorkshopError::NoOpenCase`], [`WorkshopError::Casebook`], [`WorkshopError::Number`]; as
    /// [`Workshop::judge_swap`] where parts were swapped.
    pub fn suspects_of_case(&self, money_per_hour: Option<f64>) -> Result<wire::Suspects, WorkshopError> {
        let file = self.case_file()?;
        let contents = effective(&file.entries);
        let mut evidence = Evidence { complaint: file.case.complaint.clone(), ..Evidence::default() };
        if let Some(money) = money_per_hour {
            evidence.money_per_hour = crate::suspects::checked_money(money)?;
        }
        let mut before: Option<&BTreeMap<String, f64>> = None;
        let mut findings = BTreeMap::new();
        for (_, content) in &contents {
            match content {
                Content::Survey { survey, .. } => evidence.codes = Some(codes_of(survey).collect()),
                // Examined again by a later version, a drive counts as it was examined last.
                Content::Finding { file, findings: found } => {
                    findings.insert(file.sha256.clone(), (file, found));
                }
                Content::Tested { area, test, is_yes } => {
                    let (area, test) = (area.clone(), test.clone());
                    evidence.answers.push(Answer { area, test, is_yes: *is_yes });
                }
                Content::Repaired { area, suspect, helped } => {
                    let (area, suspect) = (area.clone(), suspect.clone());
                    evidence.repairs.push(Repair { area, suspect, helped: *helped });
                }
                Content::Suspects { weights, .. } => before = Some(weights),
                _ => {}
            }
        }
        for (drive, found) in findings.values() {
            evidence.findings.extend(found.iter().map(|finding| seen_in(std::path::Path::new(&drive.path), finding)));
        }
        let mut problems = Vec::new();
        if let Ok((_, experiment)) = self.experiment_of_case() {
            let judged = self.judge_swap(&experiment, &format!("case {}", file.case.number))?;
            problems.extend(judged.problems);
            evidence.swap = judged.hypotheses.into_iter().map(|row| (row.fault, row.probability)).collect();
        }
        let mut weighed = to_wire::suspects(&evidence::suspects::weigh(&evidence), problems);
        let now: BTreeMap<String, f64> = weighed
            .areas
            .iter()
            .flat_map(|area| area.suspects.iter().map(|it| (format!("{}/{}", area.id, it.id), it.probability)))
            .collect();
        if let Some(before) = before {
            weighed.moved = moved(before, &now);
        }
        if before.is_none_or(|before| !moved(before, &now).is_empty()) {
            let statements = weighed.areas.iter().map(|area| area.statement.clone()).collect();
            let content = Content::Suspects { weights: now, statements };
            let mut problems = Vec::new();
            weighed.case = self.enter_in(&file, &mut problems, content);
            weighed.problems.append(&mut problems);
        } else {
            let (number, entry) = (file.case.number, file.case.n_entries);
            weighed.case = Some(CaseRef { number, entry, is_new: false });
        }
        Ok(weighed)
    }

    /// Follows up the faults of the chosen case: in the drives before its first repair and those after its last one.
    ///
    /// # Errors
    /// [`WorkshopError::Lacking`] without a drive; as [`Workshop::proof`].
    pub fn proof_of_case(&self) -> Result<wire::Proof, WorkshopError> {
        let file = self.case_file()?;
        let contents = effective(&file.entries);
        let is_repair = |content: &Content| matches!(content, Content::Replaced { .. } | Content::Repaired { .. });
        let first = contents.iter().position(|(_, content)| is_repair(content)).unwrap_or(contents.len());
        let last = contents.iter().rposition(|(_, content)| is_repair(content)).unwrap_or(contents.len());
        let drives = |range: &[(&wire::Entry, &Content)]| -> Vec<PathBuf> {
            let each = range.iter().filter_map(|(_, content)| match content {
                Content::Drive { file: drive, .. } => Some(self.path_of(&file.case.uid, drive)),
                _ => None,
            });
            each.collect()
        };
        let before = drives(contents.get(..first).unwrap_or_default());
        let after = drives(contents.get(last..).unwrap_or_default());
        if before.is_empty() {
            let lacking = "it has no drive from before the repair";
            return Err(WorkshopError::Lacking { case: file.case.number, lacking });
        }
        let mut proof = self.proof(&before, &after)?;
        let content = Content::Proof { proof: Box::new(proof.clone()) };
        let mut problems = Vec::new();
        proof.case = self.enter_in(&file, &mut problems, content);
        proof.problems.append(&mut problems);
        Ok(proof)
    }

    fn enter_in(&self, file: &CaseFile, problems: &mut Vec<String>, content: Content) -> Option<CaseRef> {
        let there = self.clone().in_case(CaseChoice::Number(file.case.number));
        there.enter_or_tell(None, problems, &[content])
    }
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

/// A kind of part as the ledger names it.
fn part_name(part: &str) -> Result<String, WorkshopError> {
    let name = part.trim().to_lowercase();
    let fits = |c: char| c.is_alphanumeric() || c == '-' || c == ' ';
    if name.is_empty() || name.chars().count() > 40 || !name.chars().all(fits) {
        return Err(WorkshopError::Part(part.to_owned()));
    }
    Ok(name)
}
