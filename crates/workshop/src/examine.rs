//! What a drive proves.

use std::path::Path;

use drive::Opened;
use evidence::Kind;
use evidence::misfire::{Condition, MisfireFrame, beside_freeze_frames};
use signal::Recording;

use wire::{Content, FileRef};

use crate::{CaseChoice, Workshop, WorkshopError, to_wire};

/// A drive's file with its checksum, and the case that has it already.
struct Place {
    file: FileRef,
    case: Option<i64>,
}

impl Workshop {
    /// Runs every check over a drive; the strongest evidence for a fault comes first. The findings are written into the
    /// case that has the drive, else into the open one.
    ///
    /// # Errors
    /// [`WorkshopError::Drive`]; what is damaged of a drive stands in [`wire::Examined::problems`].
    pub fn examine(&self, drive: &Path) -> Result<wire::Examined, WorkshopError> {
        Ok(self.examine_opened(drive, &drive::read(drive)?))
    }

    /// The same for a drive that was read from its file already.
    ///
    /// What goes wrong stands in [`wire::Examined::problems`].
    #[must_use]
    pub fn examine_opened(&self, drive: &Path, opened: &Opened) -> wire::Examined {
        let (recording, mut problems) = (&opened.recording, problems_of(opened));
        let mut findings = evidence::examine(recording);
        let place = self.place_of(drive);
        if findings.iter().any(|finding| finding.kind == Kind::Misfire) {
            let frames = match &place {
                Ok(place) => self.misfire_frames(place.as_ref()).map_err(|error| error.to_string()),
                Err(error) => Err(error.to_string()),
            };
            match frames {
                Ok(frames) => beside_freeze_frames(recording, &frames, &mut findings),
                Err(error) => problems.push(format!("not laid beside the freeze frames of the case: {error}")),
            }
        }
        findings.sort_by(|a, b| b.log10_odds.total_cmp(&a.log10_odds));
        let summary = to_wire::drive(drive, recording);
        let findings: Vec<wire::Finding> = findings.iter().map(to_wire::finding).collect();
        let entered = place.and_then(|place| self.enter_findings(place, &summary, &findings, &problems));
        let case = match entered {
            Ok(case) => case,
            Err(error) => {
                problems.push(format!("not written into the casebook: {error}"));
                None
            }
        };
        wire::Examined { drive: summary, findings, problems, case }
    }

    /// Where a drive belongs; `None` where nothing is to be looked up or written.
    fn place_of(&self, drive: &Path) -> Result<Option<Place>, WorkshopError> {
        if self.choice == CaseChoice::None {
            return Ok(None);
        }
        let file = self.file_ref(drive)?;
        let case = self.case_of_drive(&file.sha256)?;
        Ok(Some(Place { file, case }))
    }

    /// The freeze frames of misfire codes in the case that has the drive, else in the chosen one; of each code the newest.
    fn misfire_frames(&self, place: Option<&Place>) -> Result<Vec<MisfireFrame>, WorkshopError> {
        let Some(place) = place else { return Ok(Vec::new()) };
        let mut casebook = self.casebook()?;
        let number = match place.case {
            Some(number) => number,
            None => match self.chosen_case(&mut casebook) {
                Ok(case) => case.number,
                Err(WorkshopError::NoOpenCase) => return Ok(Vec::new()),
                Err(error) => return Err(error),
            },
        };
        let known = casebook.case(number)?;
        let surveys = casebook::effective(&known.entries).into_iter().rev();
        let frames = surveys.filter_map(|(_, content)| match content {
            Content::Survey { survey, .. } => Some(frames_of(survey)),
            _ => None,
        });
        Ok(frames.flatten().collect())
    }

    /// Writes findings into the case that has the drive, else into the open case, with the drive itself where it is new
    /// to it.
    fn enter_findings(
        &self,
        place: Option<Place>,
        summary: &wire::DriveSummary,
        findings: &[wire::Finding],
        problems: &[String],
    ) -> Result<Option<wire::CaseRef>, WorkshopError> {
        let Some(Place { file, case }) = place else { return Ok(None) };
        let content = Content::Finding { file: file.clone(), findings: findings.to_vec() };
        // Asked again: a page that was opened anew meanwhile has it examined as well, and may have been faster.
        let case = case.map_or_else(|| self.case_of_drive(&file.sha256), |number| Ok(Some(number)))?;
        if let Some(number) = case {
            // A closed case takes no findings: the examination is repeated for somebody's eyes then.
            let known = self.casebook()?.case(number)?;
            let is_open = known.case.closed_unix_ms.is_none();
            // Said once is enough; what differs takes the place of what was said before.
            let last = casebook::effective(&known.entries)
                .into_iter()
                .rev()
                .find(|(_, content)| matches!(content, Content::Finding { file: of, .. } if of.sha256 == file.sha256));
            if let Some((entry, Content::Finding { findings: said, .. })) = last
                && is_open
                && as_kept(findings).as_ref() == Some(said)
            {
                return Ok(Some(wire::CaseRef { number, entry: entry.number, is_new: false }));
            }
            let there = self.clone().in_case(if is_open { CaseChoice::Number(number) } else { CaseChoice::None });
            return there.enter(None, &[content]);
        }
        let drive = Content::Drive { file, summary: summary.clone(), problems: problems.to_vec() };
        self.enter(None, &[drive, content])
    }
}

/// The freeze frames of misfire codes in a survey.
pub(crate) fn frames_of(survey: &wire::Survey) -> Vec<MisfireFrame> {
    let frames = survey.modules.iter().flat_map(|module| &module.freeze_frames);
    let value = |frame: &wire::FreezeFrame, name: &str, unit: &str| {
        frame.values.iter().find(|it| it.name == name && it.unit == unit)?.value.as_f64()
    };
    let frame = |frame: &wire::FreezeFrame| {
        let speed_rpm = value(frame, "engine_speed", "rpm")?;
        MisfireFrame::of(&frame.code, Condition { speed_rpm, load_pct: value(frame, "calculated_load", "%") })
    };
    frames.filter_map(frame).collect()
}

/// Findings as they are read again from a ledger: a number may differ in its last bit after that.
fn as_kept(findings: &[wire::Finding]) -> Option<Vec<wire::Finding>> {
    serde_json::from_str(&serde_json::to_string(findings).ok()?).ok()
}

/// The recording in a drive, and what is missing of it, one line each.
pub(crate) fn open_drive(path: &Path) -> Result<(Recording, Vec<String>), WorkshopError> {
    let opened = drive::read(path)?;
    let lines = problems_of(&opened);
    Ok((opened.recording, lines))
}

/// What is missing of a drive, one line each.
fn problems_of(opened: &Opened) -> Vec<String> {
    let mut lines: Vec<String> = opened.problems.iter().map(ToString::to_string).collect();
    if !opened.is_finished && lines.is_empty() {
        lines.push("the recording was cut short; everything that was saved is there".to_owned());
    }
    lines
}
