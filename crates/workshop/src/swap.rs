//! Does a misfire follow a part, or stay with the cylinder?

use std::path::{Path, PathBuf};

use evidence::swap::SwapDrive;

use crate::examine::open_drive;
use crate::{Workshop, WorkshopError};

impl Workshop {
    /// Judges drives before and after parts changed places, as described in a file ([`wire::Experiment`]).
    ///
    /// # Errors
    /// [`WorkshopError::Read`], [`WorkshopError::Experiment`], [`WorkshopError::Drive`], [`WorkshopError::Swap`].
    pub fn judge_swap_file(&self, experiment: &Path) -> Result<wire::SwapJudged, WorkshopError> {
        let text = std::fs::read_to_string(experiment).map_err(WorkshopError::read(experiment))?;
        let mut read: wire::Experiment = serde_json::from_str(&text)
            .map_err(|source| WorkshopError::Experiment { path: experiment.to_owned(), source })?;
        for drive in &mut read.drives {
            drive.file = beside(experiment, Path::new(&drive.file)).display().to_string();
        }
        self.judge_swap(&read, &format!("`{}`", experiment.display()))
    }

    /// Judges drives before and after parts changed places; `what` names the experiment where it contradicts itself.
    ///
    /// # Errors
    /// [`WorkshopError::Drive`], [`WorkshopError::Swap`].
    pub fn judge_swap(&self, experiment: &wire::Experiment, what: &str) -> Result<wire::SwapJudged, WorkshopError> {
        let opened = experiment.drives.iter().map(|drive| open_drive(Path::new(&drive.file)));
        let opened = opened.collect::<Result<Vec<_>, _>>()?;
        let drives: Vec<SwapDrive<'_>> = opened
            .iter()
            .zip(&experiment.drives)
            .map(|((recording, _), drive)| SwapDrive { recording, placement: &drive.placement })
            .collect();
        let verdict = evidence::swap::judge(&drives, &experiment.parts)
            .map_err(|source| WorkshopError::Swap { what: what.to_owned(), source })?;
        let lost = |((_, problems), drive): (&(_, Vec<String>), &wire::ExperimentDrive)| {
            problems.iter().map(|problem| format!("{}: {problem}", drive.file)).collect::<Vec<_>>()
        };
        Ok(wire::SwapJudged {
            hypotheses: verdict
                .hypotheses
                .iter()
                .map(|(fault, probability)| wire::Hypothesis { fault: fault.to_string(), probability: *probability })
                .collect(),
            decided: verdict.decided,
            statement: verdict.statement,
            next: verdict.next,
            drives: verdict
                .counts
                .iter()
                .zip(&experiment.drives)
                .map(|(counts, drive)| wire::SwapCounts {
                    file: drive.file.clone(),
                    misfires: counts.iter().map(|count| count.map(|count| count.events)).collect(),
                    firings: counts.iter().map(|count| count.map(|count| count.exposure)).collect(),
                })
                .collect(),
            problems: opened.iter().zip(&experiment.drives).flat_map(lost).collect(),
            case: None,
        })
    }
}

/// A drive named by the experiment: beside the experiment's own file, so that both can be moved together.
fn beside(experiment: &Path, file: &Path) -> PathBuf {
    let here = experiment.parent().map(|folder| folder.join(file)).unwrap_or_else(|| file.to_owned());
    if here.exists() { here } else { file.to_owned() }
}
