//! A report to hand over, from files.

use std::path::{Path, PathBuf};

use ::report::{Case, Drive, File, Judged, Moment, Settings, Survey, Swap};
use drive::DriveError;
use evidence::misfire::beside_freeze_frames;
use evidence::suspects::{Evidence, Seen};
use signal::Recording;

use crate::examine::{frames_of, open_drive};
use crate::repeats::{once, repeats};
use crate::survey::saved_survey;
use crate::suspects::{codes_of, in_words};
use crate::tables::{expect_apart, overwrite};
use crate::weigh::weigh_ledger;
use crate::{Workshop, WorkshopError, time_for_people, to_wire, unix_now_ns};

/// Whether this program can write reports as PDF.
pub const HAS_PDF: bool = cfg!(feature = "pdf");

/// What a report is to be made of, in files and in words.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct ReportWish {
    /// What is known in words: complaint, vehicle, what was done, what remains. Its surveys, drives, swap, suspects,
    /// proof and files are added from the files below.
    pub case: Case,
    /// Saved surveys.
    pub surveys: Vec<(Moment, PathBuf)>,
    /// Drives, to be examined.
    pub drives: Vec<(Moment, PathBuf)>,
    /// A swap, as [`Workshop::judge_swap_file`] reads it.
    pub swap: Option<PathBuf>,
    /// The report to be written; `.html` or `.pdf`.
    pub out: PathBuf,
    /// How it is shown.
    pub settings: Settings,
    /// A file with the shop's name, lines and logo; by default `shop.json` in the data folder, if there is one.
    pub shop: Option<PathBuf>,
    /// Whether an existing report may be replaced.
    pub replace: bool,
}

impl Workshop {
    /// Makes a report from files.
    ///
    /// # Errors
    /// [`WorkshopError::ReportFormat`], [`WorkshopError::Shop`], [`WorkshopError::Read`], [`WorkshopError::Survey`],
    /// [`WorkshopError::Drive`], [`WorkshopError::Write`], [`WorkshopError::OverSource`], what [`Workshop::judge_swap_file`] says of the swap, and
    /// [`WorkshopError::Pdf`].
    pub fn report(&self, wish: &ReportWish) -> Result<wire::Reported, WorkshopError> {
        let format = Format::of(&wish.out)?;
        let files = wish.surveys.iter().chain(&wish.drives).map(|(_, file)| file);
        expect_apart(&wish.out, files.chain(&wish.swap).chain(&wish.shop))?;
        drive::expect_room(&wish.out, overwrite(wish.replace))?;
        let mut case = wish.case.clone();
        case.software.clone_from(&self.software);
        if case.opened.is_empty() {
            case.opened = time_for_people(unix_now_ns());
        }
        case.shop = self.shop(wish.shop.as_deref())?;
        let mut known = Evidence { complaint: case.complaint.clone(), ..Evidence::default() };
        for (moment, path) in &wish.surveys {
            let survey = saved_survey(path)?;
            if *moment == Moment::Before {
                known.codes.get_or_insert_default().extend(codes_of(&survey));
            }
            case.surveys.push(Survey { moment: *moment, survey });
            case.files.push(checksum(path)?);
        }
        let frames: Vec<_> = case.surveys.iter().flat_map(|it| frames_of(&it.survey)).collect();
        let given = wish.drives.iter().map(|(moment, path)| (path.as_path(), *moment));
        let repeats = repeats(given, "be from two moments of the repair", &mut case.problems)?;
        let mut recordings = Vec::new();
        for (moment, path) in once(&wish.drives, &repeats) {
            let (recording, problems) = open_drive(path)?;
            let mut findings = evidence::examine(&recording);
            beside_freeze_frames(&recording, &frames, &mut findings);
            findings.sort_by(|a, b| b.log10_odds.total_cmp(&a.log10_odds));
            if *moment == Moment::Before {
                let name = path.display().to_string();
                known.findings.extend(findings.iter().map(|finding| Seen::new(&name, finding)));
            }
            case.drives.push(Drive {
                moment: *moment,
                started: recording.start_unix_ns.map(time_for_people).unwrap_or_default(),
                judged: Judged::Examined,
                examined: wire::Examined {
                    drive: to_wire::drive(path, &recording),
                    findings: findings.iter().map(to_wire::finding).collect(),
                    problems,
                    ..wire::Examined::default()
                },
            });
            case.files.push(checksum(path)?);
            recordings.push(recording);
        }
        if let Some(path) = &wish.swap {
            let judged = self.judge_swap_file(path)?;
            let text = std::fs::read_to_string(path).map_err(WorkshopError::read(path))?;
            let experiment = serde_json::from_str(&text)
                .map_err(|source| WorkshopError::Experiment { path: path.clone(), source })?;
            known.swap = judged.hypotheses.iter().map(|row| (row.fault.clone(), row.probability)).collect();
            case.problems.extend(judged.problems.clone());
            case.swap = Some(Swap { experiment, judged });
        }
        case.suspects = Some(to_wire::suspects(&evidence::suspects::weigh(&known), Vec::new()));
        let at = |wanted: Moment| -> Vec<&Recording> {
            let each = case.drives.iter().zip(&recordings).filter(|(drive, _)| drive.moment == wanted);
            each.map(|(_, recording)| recording).collect()
        };
        let (before, after) = (at(Moment::Before), at(Moment::After));
        // Without a drive from before nothing is known of what it would have shown.
        if !before.is_empty() && !after.is_empty() {
            let repaired = evidence::proof::prove_part(&before, &after, None);
            case.proof = Some(to_wire::proof(&repaired, Vec::new()));
        }
        let shown: Vec<Option<&Recording>> = recordings.iter().map(Some).collect();
        self.write_report(&case, &shown, &wish.settings, &wish.out, format, wish.replace)
    }

    /// Makes a report of the chosen case from its ledger; of `wish` it takes what is said in words (what was done and
    /// remains is added), the form and the shop. Nothing is written into the case.
    ///
    /// # Errors
    /// As [`Workshop::report`], [`WorkshopError::NoOpenCase`] and [`WorkshopError::Casebook`].
    pub fn report_of_case(&self, wish: &ReportWish) -> Result<wire::Reported, WorkshopError> {
        let format = Format::of(&wish.out)?;
        drive::expect_room(&wish.out, overwrite(wish.replace))?;
        let (case, recordings) = self.reported_case(wish)?;
        let shown: Vec<Option<&Recording>> = recordings.iter().map(Option::as_ref).collect();
        self.write_report(&case, &shown, &wish.settings, &wish.out, format, wish.replace)
    }

    /// The same report in memory; [`ReportWish::out`] only says the form.
    ///
    /// # Errors
    /// As [`Workshop::report_of_case`].
    pub fn report_of_case_in_memory(&self, wish: &ReportWish) -> Result<Vec<u8>, WorkshopError> {
        let format = Format::of(&wish.out)?;
        let (case, recordings) = self.reported_case(wish)?;
        let shown: Vec<Option<&Recording>> = recordings.iter().map(Option::as_ref).collect();
        format.bytes(&case, &shown, &wish.settings)
    }

    /// The chosen case as it is reported, and its drives as far as they can be read.
    fn reported_case(&self, wish: &ReportWish) -> Result<(Case, Vec<Option<Recording>>), WorkshopError> {
        let file = self.case_file()?;
        let contents = casebook::effective(&file.entries);
        let time = |unix_ms: i64| time_for_people(unix_ms.saturating_mul(1_000_000));
        let mut case = Case::of_ledger(&file.case, &contents, &wish.settings, &time, &in_words);
        case.software.clone_from(&self.software);
        case.photos = self.photos(&file, &mut case.problems);
        case.shop = self.shop(wish.shop.as_deref())?;
        case.done.extend(wish.case.done.iter().cloned());
        case.remains.extend(wish.case.remains.iter().cloned());
        let verdict = contents.iter().rev().find_map(|(_, content)| match content {
            wire::Content::SwapVerdict { verdict } => Some(verdict),
            _ => None,
        });
        case.suspects = Some(weigh_ledger(&file.case.complaint, &contents, verdict.map(|it| &**it), None)?);
        if let (Some(judged), Ok(experiment)) = (verdict, self.experiment_told(&file)) {
            case.swap = Some(Swap { experiment, judged: (**judged).clone() });
        }
        let mut recordings: Vec<Option<Recording>> = Vec::new();
        for (_, content) in &contents {
            if let wire::Content::Drive { file: drive, .. } = content {
                let path = self.path_of(&file.case.uid, drive);
                match open_drive(&path) {
                    Ok((recording, _)) => recordings.push(Some(recording)),
                    // A drive that is gone costs its picture; what the ledger says of it stands.
                    Err(error) => {
                        case.problems.push(error.to_string());
                        recordings.push(None);
                    }
                }
            }
        }
        if let (Some(Some(first)), Some(Some(last)), true) =
            (recordings.first(), recordings.last(), recordings.len() > 1)
        {
            let name = |drive: Option<&Drive>| drive.map(|it| it.examined.drive.file.clone()).unwrap_or_default();
            let (before, after) = (name(case.drives.first()), name(case.drives.last()));
            case.compared = Some(to_wire::compared(&evidence::compare::compare(first, last), &before, &after));
        }
        Ok((case, recordings))
    }

    fn write_report(
        &self,
        case: &Case,
        recordings: &[Option<&Recording>],
        settings: &Settings,
        out: &Path,
        format: Format,
        replace: bool,
    ) -> Result<wire::Reported, WorkshopError> {
        let bytes = format.bytes(case, recordings, settings)?;
        write_whole(out, &bytes, replace)?;
        let lost = case.drives.iter().flat_map(|drive| &drive.examined.problems);
        Ok(wire::Reported {
            file: out.display().to_string(),
            format: format.name().to_owned(),
            bytes: bytes.len() as u64,
            problems: case.problems.iter().chain(lost).cloned().collect(),
        })
    }
}

/// A report is there whole or not at all.
pub(crate) fn write_whole(path: &Path, bytes: &[u8], replace: bool) -> Result<(), WorkshopError> {
    drive::write_file(path, overwrite(replace), |to| to.write_all(bytes)).map_err(|error| match error {
        DriveError::Io { path, source, .. } => WorkshopError::Write { path, source },
        other => other.into(),
    })
}

fn checksum(path: &Path) -> Result<File, WorkshopError> {
    let name = path.display().to_string();
    let file = casebook::sha256_of_file(path, &name).map_err(WorkshopError::read(path))?;
    Ok(File::from(&file))
}

/// In which form a report is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Format {
    Html,
    Pdf,
}

impl Format {
    /// By the ending of the file's name.
    fn of(path: &Path) -> Result<Self, WorkshopError> {
        let ending = path.extension().map(|ending| ending.to_string_lossy().to_ascii_lowercase());
        match ending.as_deref() {
            Some("html" | "htm") => Ok(Self::Html),
            Some("pdf") if HAS_PDF => Ok(Self::Pdf),
            Some("pdf") => Err(WorkshopError::NoPdf),
            _ => Err(WorkshopError::ReportFormat(path.to_owned())),
        }
    }

    const fn name(self) -> &'static str {
        match self {
            Self::Html => "html",
            Self::Pdf => "pdf",
        }
    }

    fn bytes(
        self,
        case: &Case,
        recordings: &[Option<&Recording>],
        settings: &Settings,
    ) -> Result<Vec<u8>, WorkshopError> {
        match self {
            Self::Html => Ok(::report::html(case, recordings, settings).into_bytes()),
            #[cfg(feature = "pdf")]
            Self::Pdf => {
                ::report::pdf(case, recordings, settings).map_err(|error| WorkshopError::Pdf(error.to_string()))
            }
            #[cfg(not(feature = "pdf"))]
            Self::Pdf => Err(WorkshopError::NoPdf),
        }
    }
}
