//! What a case says of its repairs: parts that changed places, the swaps judged, the repair proven.

use std::path::{Path, PathBuf};

use casebook::{effective, just_before_unix_ms, placements};
use evidence::proof::Part;
use evidence::swap::is_word_of_verdict;
use wire::{CaseEntry, CaseFile, CaseRef, Content, Experiment, ExperimentDrive, FileRef, Placement};

use crate::own_tests::{codes_to_stay_away, monitors_to_run};
use crate::{CaseChoice, Lack, Workshop, WorkshopError, unix_now_ns};

impl Workshop {
    /// Writes into the chosen case that two parts of a kind changed places.
    ///
    /// # Errors
    /// [`WorkshopError::Number`], [`WorkshopError::NoOpenCase`], [`WorkshopError::Casebook`].
    pub fn add_swap(&self, part: &str, from: u32, to: u32, when: When) -> Result<CaseEntry, WorkshopError> {
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
        self.add_done(Content::Swap { part, from, to }, when)
    }

    /// Writes into the chosen case that a part was replaced by one from outside.
    ///
    /// # Errors
    /// As [`Workshop::add_swap`].
    pub fn add_replacement(
        &self,
        part: &str,
        at: Option<u32>,
        text: &str,
        when: When,
    ) -> Result<CaseEntry, WorkshopError> {
        if let Some(found) = at.filter(|cylinder| !(1..=12).contains(cylinder)) {
            let (what, wanted) = ("a cylinder", "1 to 12");
            return Err(WorkshopError::Number { what, wanted, found: f64::from(found) });
        }
        self.add_done(Content::Replaced { part: part_name(part)?, at, text: text.to_owned() }, when)
    }

    /// Writes what was done, with when it was done; the ledger keeps when it was written as well.
    fn add_done(&self, content: Content, when: When) -> Result<CaseEntry, WorkshopError> {
        match self.done_unix_ms(when)? {
            None => self.add_entry(&content),
            Some(done_unix_ms) => self.add_entry(&Content::Earlier { done_unix_ms, content: Box::new(content) }),
        }
    }

    /// Writes into the chosen case when one of its drives was driven, where the drive itself does not tell or its
    /// recorder's clock was wrong: it then counts with the parts as they sat at that time.
    ///
    /// # Errors
    /// [`WorkshopError::Lacking`] without that drive; as [`Workshop::add_swap`].
    pub fn add_drive_time(&self, drive: &Path, when: When) -> Result<CaseEntry, WorkshopError> {
        let sha256 = self.file_ref(drive)?.sha256;
        let file = self.case_file()?;
        let lacking = Lack::Drive;
        let known = effective(&file.entries).into_iter().find_map(|(entry, content)| match content {
            Content::Drive { file, summary, problems } if file.sha256 == sha256 => {
                Some((entry.number, file.clone(), summary.clone(), problems.clone()))
            }
            _ => None,
        });
        let (of, drive, mut summary, problems) =
            known.ok_or(WorkshopError::Lacking { case: file.case.number, lacking })?;
        summary.start_unix_ms = self.done_unix_ms(when)?;
        let content = Content::Drive { file: drive, summary, problems };
        let reason = "when it was driven".to_owned();
        self.add_entry(&Content::Correction { of, reason, content: Some(Box::new(content)) })
    }

    /// The time that is meant, ms since 1970-01-01 UTC; `None` for now.
    fn done_unix_ms(&self, when: When) -> Result<Option<i64>, WorkshopError> {
        Ok(Some(match when {
            When::Now => return Ok(None),
            When::MinutesAgo(minutes) => {
                if !(0.0..=1_000_000.0).contains(&minutes) {
                    let (what, wanted) = ("how long ago it was done", "0 to 1000000 minutes");
                    return Err(WorkshopError::Number { what, wanted, found: minutes });
                }
                unix_now_ns() / 1_000_000 - (minutes * 60_000.0) as i64
            }
            When::BeforeEntry(number) => {
                let file = self.case_file()?;
                let before = just_before_unix_ms(&file.entries, number).filter(|_| number > 1);
                before.ok_or(WorkshopError::Lacking { case: file.case.number, lacking: Lack::Entry })?
            }
        }))
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
        let lacking = Lack::Swap;
        let (of, part, from, to) = last.ok_or(WorkshopError::Lacking { case: file.case.number, lacking })?;
        self.add_entry(&if mistaken {
            Content::Correction { of, reason: "the parts did not change places".to_owned(), content: None }
        } else {
            Content::Swap { part, from, to }
        })
    }

    /// The drives of a case as an experiment, each by where it can be read.
    pub(crate) fn experiment_of(&self, file: &CaseFile) -> Result<Experiment, WorkshopError> {
        let here = |drive: &FileRef, who: &str| self.file_here(&file.case.uid, drive, who);
        experiment(file, &|drive, who| Ok(here(drive, who)?.display().to_string()))
    }

    /// The same with its drives by the names that people know them by; none of them has to be here.
    pub(crate) fn experiment_told(&self, file: &CaseFile) -> Result<Experiment, WorkshopError> {
        experiment(file, &|drive, _| Ok(self.told_name(&file.case.uid, drive)))
    }

    /// Judges the swaps of a case over its drives.
    pub(crate) fn judge_swaps_of(&self, file: &CaseFile) -> Result<wire::SwapJudged, WorkshopError> {
        let mut judged = self.judge_swap(&self.experiment_of(file)?, &format!("case {}", file.case.number))?;
        for (counts, told) in judged.drives.iter_mut().zip(self.experiment_told(file)?.drives) {
            counts.file = told.file;
        }
        Ok(judged)
    }

    /// Judges the swaps of the chosen case over its drives, and writes the verdict into it.
    ///
    /// # Errors
    /// [`WorkshopError::Lacking`] without a swap or without drives; as [`Workshop::judge_swap`].
    pub fn judge_case(&self) -> Result<wire::SwapJudged, WorkshopError> {
        let file = self.case_file()?;
        let mut judged = self.judge_swaps_of(&file)?;
        let content = Content::SwapVerdict { verdict: Box::new(judged.clone()) };
        let mut problems = Vec::new();
        judged.case = self.enter_in(&file, &mut problems, content);
        judged.problems.append(&mut problems);
        Ok(judged)
    }

    /// Follows up the faults of the chosen case: in the drives before its first repair and those after its last one. A
    /// part that its swaps convict is followed to where it sat.
    ///
    /// # Errors
    /// [`WorkshopError::Lacking`] without a drive; as [`Workshop::proof`].
    pub fn proof_of_case(&self) -> Result<wire::Proof, WorkshopError> {
        let file = self.case_file()?;
        let contents = effective(&file.entries);
        let placed = placements(&contents);
        let (first, last) = report::repairs(&contents).unwrap_or((contents.len(), contents.len()));
        // Each drive with the number of its entry among the contents.
        let drives = |range: std::ops::Range<usize>| -> Result<(Vec<usize>, Vec<PathBuf>), WorkshopError> {
            let each = range.filter_map(|at| match contents.get(at)? {
                (entry, Content::Drive { file: drive, .. }) => {
                    Some(self.file_here(&file.case.uid, drive, &entry.who).map(|path| (at, path)))
                }
                _ => None,
            });
            Ok(each.collect::<Result<Vec<_>, _>>()?.into_iter().unzip())
        };
        let ((before_at, before), (after_at, after)) = (drives(0..first)?, drives(last..contents.len())?);
        if before.is_empty() {
            let lacking = Lack::DriveBefore;
            return Err(WorkshopError::Lacking { case: file.case.number, lacking });
        }
        let part = self.convicted(&file)?.map(|(kind, number)| {
            let path = path_of_part(&placed, &kind, number);
            let at = |entries: &[usize]| entries.iter().map(|&at| path.get(at).copied().flatten()).collect();
            Part {
                name: format!("{kind} {number}"),
                before: at(&before_at),
                after: at(&after_at),
                now: path.last().copied().flatten(),
            }
        });
        let surveys = |range: std::ops::Range<usize>| -> Vec<&wire::Survey> {
            let each = contents.get(range).into_iter().flatten();
            each.filter_map(|(_, content)| match content {
                Content::Survey { survey, .. } => Some(&**survey),
                _ => None,
            })
            .collect()
        };
        let mut proof = self.proof_of_part(&before, &after, part.as_ref())?;
        proof.monitors = surveys(0..contents.len()).last().map_or_else(Vec::new, |last| monitors_to_run(last));
        proof.codes = codes_to_stay_away(&surveys(0..first), surveys(last..contents.len()).last().copied());
        let content = Content::Proof { proof: Box::new(proof.clone()) };
        let mut problems = Vec::new();
        proof.case = self.enter_in(&file, &mut problems, content);
        proof.problems.append(&mut problems);
        Ok(proof)
    }

    /// The part that the swaps of a case convict by its drives, by kind and number; `None` when nothing is decided, or
    /// nothing was swapped.
    fn convicted(&self, file: &CaseFile) -> Result<Option<(String, u32)>, WorkshopError> {
        let judged = match self.judge_swaps_of(file) {
            Ok(judged) => judged,
            Err(WorkshopError::Lacking { .. }) => return Ok(None),
            Err(error) => return Err(error),
        };
        let parts = self.experiment_told(file)?.parts;
        let first = judged.hypotheses.first().filter(|_| judged.decided);
        Ok(first.and_then(|it| {
            let (kind, number) = it.fault.rsplit_once(' ')?;
            let is_part = parts.iter().any(|part| part == kind);
            Some((kind.to_owned(), number.parse().ok()?)).filter(|_| is_part)
        }))
    }

    pub(crate) fn enter_in(&self, file: &CaseFile, problems: &mut Vec<String>, content: Content) -> Option<CaseRef> {
        let there = self.clone().in_case(CaseChoice::Number(file.case.number));
        there.enter_or_tell(None, problems, &[content])
    }
}

/// When something was done that is written down now.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub enum When {
    /// Just now.
    #[default]
    Now,
    /// So many minutes ago.
    MinutesAgo(f64),
    /// Before the entry with this number, a drive for instance.
    BeforeEntry(u64),
}

/// The drives of a case that counted misfires, each by what `name` calls its file (given who brought it in), with the
/// placement of the parts in it.
fn experiment(
    file: &CaseFile,
    name: &dyn Fn(&FileRef, &str) -> Result<String, WorkshopError>,
) -> Result<Experiment, WorkshopError> {
    let contents = effective(&file.entries);
    let placed = placements(&contents);
    let case = file.case.number;
    let parts: Vec<String> = placed.last().map(|now| now.keys().cloned().collect()).unwrap_or_default();
    if parts.is_empty() {
        return Err(WorkshopError::Lacking { case, lacking: Lack::MovedPart });
    }
    let counted = |summary: &wire::DriveSummary| summary.signals.iter().any(|it| it.id.starts_with("misfire."));
    let drives = contents.iter().zip(&placed).filter_map(|((entry, content), placement)| match content {
        Content::Drive { file: drive, summary, .. } if counted(summary) => {
            let placement = placement.clone();
            Some(name(drive, &entry.who).map(|file| ExperimentDrive { file, placement }))
        }
        _ => None,
    });
    let drives: Vec<ExperimentDrive> = drives.collect::<Result<_, _>>()?;
    if drives.is_empty() {
        return Err(WorkshopError::Lacking { case, lacking: Lack::Counts });
    }
    Ok(Experiment { parts, drives })
}

/// On which cylinder (from 1) a part sat before each entry and now; once it is out of the engine, the one that it left.
fn path_of_part(placed: &[Placement], kind: &str, number: u32) -> Vec<Option<usize>> {
    let mut last = None;
    let each = placed.iter().map(|placement| {
        let at = placement.get(kind).and_then(|row| row.iter().position(|sits| *sits == number));
        last = at.map(|idx| idx + 1).or(last);
        last
    });
    each.collect()
}

/// A kind of part as the ledger names it.
fn part_name(part: &str) -> Result<String, WorkshopError> {
    let name = part.trim().to_lowercase();
    let fits = |c: char| c.is_alphanumeric() || c == '-' || c == ' ';
    if name.is_empty() || name.chars().count() > 40 || !name.chars().all(fits) || is_word_of_verdict(&name) {
        return Err(WorkshopError::Part(part.to_owned()));
    }
    Ok(name)
}
