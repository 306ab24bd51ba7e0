//! Who is at fault, what to test next, and whether a repair holds.

use std::path::{Path, PathBuf};

use evidence::misfire::beside_freeze_frames;
use evidence::proof::Part;
use evidence::suspects::{Answer, Code, CodeState, Evidence, Repair, Seen, answer_in_words, repair_in_words};
use signal::Recording;
use wire::{Content, Placement};

use crate::examine::{frames_of, open_drive};
use crate::repeats::{once, repeats};
use crate::survey::saved_survey;
use crate::{Workshop, WorkshopError, to_wire};

/// What is known of a fault, in files and in words.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Known {
    /// The complaint in the customer's words.
    pub complaint: String,
    /// Saved surveys, for their codes.
    pub surveys: Vec<PathBuf>,
    /// Drives, to be examined.
    pub drives: Vec<PathBuf>,
    /// A swap, as [`Workshop::judge_swap_file`] reads it.
    pub swap: Option<PathBuf>,
    /// Results of tests that were made by hand.
    pub answers: Vec<Answer>,
    /// Repairs that were made.
    pub repairs: Vec<Repair>,
    /// What an hour of work costs, in the currency of the fault model's prices; the usual one if `None`.
    pub money_per_hour: Option<f64>,
}

impl Workshop {
    /// Weighs the suspects over everything that is known.
    ///
    /// # Errors
    /// [`WorkshopError::Read`], [`WorkshopError::Survey`], [`WorkshopError::Drive`], [`WorkshopError::Number`], and what
    /// [`Workshop::judge_swap_file`] says of the swap.
    pub fn suspects(&self, known: &Known) -> Result<wire::Suspects, WorkshopError> {
        let mut evidence = Evidence { complaint: known.complaint.clone(), ..Evidence::default() };
        if let Some(money) = known.money_per_hour {
            evidence.money_per_hour = checked_money(money)?;
        }
        let (mut problems, mut frames) = (Vec::new(), Vec::new());
        for path in &known.surveys {
            let survey = saved_survey(path)?;
            evidence.codes.get_or_insert_default().extend(codes_of(&survey));
            frames.extend(frames_of(&survey));
        }
        for path in &known.drives {
            let (recording, lost) = open_drive(path)?;
            let name = path.display().to_string();
            problems.extend(lost.into_iter().map(|problem| format!("{name}: {problem}")));
            let mut findings = evidence::examine(&recording);
            beside_freeze_frames(&recording, &frames, &mut findings);
            evidence.findings.extend(findings.iter().map(|finding| Seen::new(&name, finding)));
        }
        if let Some(experiment) = &known.swap {
            let judged = self.judge_swap_file(experiment)?;
            problems.extend(judged.problems);
            evidence.swap = judged.hypotheses.into_iter().map(|row| (row.fault, row.probability)).collect();
        }
        evidence.answers.clone_from(&known.answers);
        evidence.repairs.clone_from(&known.repairs);
        Ok(to_wire::suspects(&evidence::suspects::weigh(&evidence), problems))
    }

    /// Follows up every fault of the drives before a repair in the drives after it; without one of those it says what
    /// must be driven. A recording that is given again counts once.
    ///
    /// # Errors
    /// [`WorkshopError::Drive`], [`WorkshopError::SameRecording`] for one that is given as before and after.
    pub fn proof(&self, before: &[PathBuf], after: &[PathBuf]) -> Result<wire::Proof, WorkshopError> {
        self.proof_of_part(before, after, None)
    }

    /// The same, where a part is known to carry a misfire and is followed to where it sat in each drive.
    pub(crate) fn proof_of_part(
        &self,
        before: &[PathBuf],
        after: &[PathBuf],
        part: Option<&Part>,
    ) -> Result<wire::Proof, WorkshopError> {
        let mut problems = Vec::new();
        let given = before.iter().map(|file| (file, "before")).chain(after.iter().map(|file| (file, "after")));
        let given = given.map(|(file, moment)| (file.as_path(), moment));
        let repeats = repeats(given, "be from before and from after the repair", &mut problems)?;
        let (of_before, of_after) = repeats.split_at(before.len());
        let mut open = |files: &[PathBuf], repeats: &[Option<usize>]| -> Result<Vec<Recording>, WorkshopError> {
            let each = once(files, repeats).map(|file| {
                let (recording, lost) = open_drive(file)?;
                problems.extend(lost.into_iter().map(|problem| format!("{}: {problem}", file.display())));
                Ok(recording)
            });
            each.collect()
        };
        let part = part.map(|part| Part {
            before: once(&part.before, of_before).copied().collect(),
            after: once(&part.after, of_after).copied().collect(),
            ..part.clone()
        });
        let (before, after) = (open(before, of_before)?, open(after, of_after)?);
        let (before, after): (Vec<_>, Vec<_>) = (before.iter().collect(), after.iter().collect());
        let repaired = evidence::proof::prove_part(&before, &after, part.as_ref());
        Ok(to_wire::proof(&repaired, problems))
    }
}

/// What an hour of work may cost.
pub(crate) fn checked_money(found: f64) -> Result<f64, WorkshopError> {
    if (1.0..=100_000.0).contains(&found) {
        return Ok(found);
    }
    Err(WorkshopError::Number { what: "the price of an hour of work", wanted: "1 to 100000", found })
}

/// What a test or a repair of the fault model was, in words.
pub(crate) fn in_words(content: &Content) -> Option<String> {
    match content {
        Content::Tested { area, test, is_yes } => {
            let (area, test) = (area.clone(), test.clone());
            answer_in_words(&Answer { area, test, is_yes: *is_yes })
        }
        Content::Repaired { area, suspect, helped } => {
            let (area, suspect) = (area.clone(), suspect.clone());
            repair_in_words(&Repair { area, suspect, helped: *helped })
        }
        Content::Earlier { content, .. } => in_words(content),
        _ => None,
    }
}

/// The codes of a survey, as evidence.
pub(crate) fn codes_of(survey: &wire::Survey) -> impl Iterator<Item = Code> + '_ {
    survey.modules.iter().flat_map(|module| {
        module.codes.iter().map(|code| Code {
            code: code.code.clone(),
            module: module.address.clone(),
            state: if !code.kinds.is_empty() && code.kinds.iter().all(|kind| kind == "pending") {
                CodeState::Pending
            } else {
                CodeState::Confirmed
            },
            ..Code::default()
        })
    })
}

/// A kept finding of `drive`, as evidence, with the parts as they stood in it.
#[must_use]
pub(crate) fn seen_in(drive: &Path, finding: &wire::Finding, placement: &Placement) -> Seen {
    Seen {
        // A report that is handed over says nothing of the folders of this machine.
        drive: drive.file_name().unwrap_or(drive.as_os_str()).to_string_lossy().into_owned(),
        kind: finding.kind.clone(),
        subject: finding.subject.clone(),
        log10_odds: finding.log10_odds,
        figures: finding.figures.clone(),
        placement: placement.clone(),
    }
}
