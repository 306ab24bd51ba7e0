//! Does a misfire follow a part, or stay with the cylinder?

use std::path::{Path, PathBuf};

use evidence::swap::{Counts, SwapDrive};

use crate::examine::open_drive;
use crate::repeats::{once, repeats};
use crate::{Workshop, WorkshopError};

impl Workshop {
    /// Judges drives before and after parts changed places, as described in a file ([`wire::Experiment`]).
    ///
    /// # Errors
    /// [`WorkshopError::Read`], [`WorkshopError::Experiment`]; as [`Workshop::judge_swap`].
    pub fn judge_swap_file(&self, experiment: &Path) -> Result<wire::SwapJudged, WorkshopError> {
        let text = std::fs::read_to_string(experiment).map_err(WorkshopError::read(experiment))?;
        let mut read: wire::Experiment = serde_json::from_str(&text)
            .map_err(|source| WorkshopError::Experiment { path: experiment.to_owned(), source })?;
        for drive in &mut read.drives {
            drive.file = beside(experiment, Path::new(&drive.file)).display().to_string();
        }
        self.judge_swap(&read, &format!("`{}`", experiment.display()))
    }

    /// Judges drives before and after parts changed places; `what` names the experiment where it contradicts itself. A
    /// recording that is given again counts once, and what was counted in it stands beside each of its names.
    ///
    /// # Errors
    /// [`WorkshopError::Drive`], [`WorkshopError::Swap`], [`WorkshopError::SameRecording`] for one with two placements.
    pub fn judge_swap(&self, experiment: &wire::Experiment, what: &str) -> Result<wire::SwapJudged, WorkshopError> {
        let swap_error = |source| WorkshopError::Swap { what: what.to_owned(), source };
        let placements: Vec<&wire::Placement> = experiment.drives.iter().map(|drive| &drive.placement).collect();
        // Before any drive is read: an experiment that makes no sense may name thousands.
        evidence::swap::check(&placements, &experiment.parts).map_err(swap_error)?;
        let mut problems = Vec::new();
        let given = experiment.drives.iter().map(|drive| (Path::new(&drive.file), &drive.placement));
        let repeats = repeats(given, "have its parts in two places", &mut problems)?;
        let mut recordings = Vec::new();
        for drive in once(&experiment.drives, &repeats) {
            let (recording, lost) = open_drive(Path::new(&drive.file))?;
            problems.extend(lost.into_iter().map(|problem| format!("{}: {problem}", drive.file)));
            recordings.push(recording);
        }
        let placed = recordings.iter().zip(once(&placements, &repeats));
        let drives: Vec<SwapDrive<'_>> =
            placed.map(|(recording, placement)| SwapDrive { recording, placement }).collect();
        let verdict = evidence::swap::judge(&drives, &experiment.parts).map_err(swap_error)?;
        let mut counts = verdict.counts.iter();
        let mut counted: Vec<wire::SwapCounts> = Vec::new();
        for (drive, repeated) in experiment.drives.iter().zip(&repeats) {
            let first = repeated.and_then(|first| counted.get(first)).cloned();
            let own = |counts: &Counts| wire::SwapCounts {
                misfires: counts.iter().map(|count| count.map(|count| count.events)).collect(),
                firings: counts.iter().map(|count| count.map(|count| count.exposure)).collect(),
                ..wire::SwapCounts::default()
            };
            let row = first.or_else(|| counts.next().map(own)).unwrap_or_default();
            counted.push(wire::SwapCounts { file: drive.file.clone(), ..row });
        }
        Ok(wire::SwapJudged {
            hypotheses: verdict
                .hypotheses
                .iter()
                .map(|(fault, probability)| wire::Hypothesis { fault: fault.to_string(), probability: *probability })
                .collect(),
            decided: verdict.decided,
            statement: verdict.statement,
            next: verdict.next,
            drives: counted,
            problems,
            case: None,
        })
    }
}

/// A drive named by the experiment: beside the experiment's own file, so that both can be moved together.
fn beside(experiment: &Path, file: &Path) -> PathBuf {
    let here = experiment.parent().map(|folder| folder.join(file)).unwrap_or_else(|| file.to_owned());
    if here.exists() { here } else { file.to_owned() }
}
