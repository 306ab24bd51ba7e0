//! What a drive proves.

use std::path::Path;

use signal::Recording;

use crate::{Workshop, WorkshopError, to_wire};

impl Workshop {
    /// Runs every check over a drive; the strongest evidence for a fault comes first.
    ///
    /// # Errors
    /// [`WorkshopError::Drive`]; what is damaged of a drive stands in [`wire::Examined::problems`].
    pub fn examine(&self, drive: &Path) -> Result<wire::Examined, WorkshopError> {
        let (recording, problems) = open_drive(drive)?;
        let mut findings = evidence::examine(&recording);
        findings.sort_by(|a, b| b.log10_odds.total_cmp(&a.log10_odds));
        Ok(wire::Examined {
            drive: to_wire::drive(drive, &recording),
            findings: findings.iter().map(to_wire::finding).collect(),
            problems,
        })
    }
}

/// The recording in a drive, and what is missing of it, one line each.
pub(crate) fn open_drive(path: &Path) -> Result<(Recording, Vec<String>), WorkshopError> {
    let opened = drive::read(path)?;
    let mut lines: Vec<String> = opened.problems.iter().map(ToString::to_string).collect();
    if !opened.is_finished && lines.is_empty() {
        lines.push("the recording was cut short; everything that was saved is there".to_owned());
    }
    Ok((opened.recording, lines))
}
