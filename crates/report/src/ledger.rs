//! A case from its ledger.

use wire::{Content, Entry as Written};

use crate::customer::swap_in_words;
use crate::texts::Texts;
use crate::{Case, Drive, Entry, File, Moment, Settings, Survey, Vehicle};

/// 2020-01-01 UTC, ms: a recorder whose clock says less has none that runs.
const FIRST_CLOCK_MS: i64 = 1_577_836_800_000;

impl Case {
    /// Lays out a case from what its ledger says once its corrections are applied, in order.
    ///
    /// `time` writes a time (ms since 1970-01-01 UTC) for people, `say` what a test or a repair of the fault model was, in
    /// words; `None` where the model does not know it. The swap verdict, the suspects, the shop and what
    /// remains are not in a ledger: add them afterwards. Drives and surveys after the last of its [`repairs`] count as after
    /// the repair, those after the first swap or repair as between.
    #[must_use]
    pub fn of_ledger(
        case: &wire::Case,
        contents: &[(&Written, &Content)],
        settings: &Settings,
        time: &dyn Fn(i64) -> String,
        say: &dyn Fn(&Content) -> Option<String>,
    ) -> Self {
        let texts = Texts::of(settings.language);
        // What the program said, not what somebody wrote.
        let said = |text: &str| texts.said(text, settings.units);
        let known = &case.vehicle;
        let conditions = &case.conditions;
        let each = [&conditions.engine, &conditions.speed, &conditions.weather, &conditions.often];
        let mut report = Self {
            number: case.number.to_string(),
            opened: time(case.opened_unix_ms),
            closed: case.closed_unix_ms.map(time),
            complaint: case.complaint.clone(),
            conditions: each.into_iter().flatten().cloned().collect(),
            vehicle: Vehicle {
                description: known.model.clone().unwrap_or_default(),
                vin: known.vin.clone(),
                plate: known.plate.clone(),
                engine: known.engine.clone(),
                mileage_km: case.mileage_km.map(f64::from),
            },
            ..Self::default()
        };
        let repairs = repairs(contents);
        let swapped = contents.iter().position(|(_, content)| matches!(content, Content::Swap { .. }));
        let moment = |idx: usize| {
            if repairs.is_some_and(|(_, last)| idx > last) {
                Moment::After
            } else if swapped.is_some_and(|at| idx > at) || repairs.is_some_and(|(first, _)| idx > first) {
                Moment::Between
            } else {
                Moment::Before
            }
        };
        let mut sums: Vec<&str> = Vec::new();
        for (idx, (written, content)) in contents.iter().enumerate() {
            report.technician = written.who.clone();
            report.software = written.software.clone();
            let done_unix_ms = match &written.content {
                Content::Earlier { done_unix_ms, .. } => *done_unix_ms,
                _ => written.time_unix_ms,
            };
            let entry = |text: String| Entry { time: time(done_unix_ms), text };
            match content {
                Content::Survey { file, survey } => {
                    report.files.push(File::from(file));
                    report.surveys.push(Survey { moment: moment(idx), survey: (**survey).clone() });
                }
                Content::Drive { file, summary, problems } => {
                    report.files.push(File::from(file));
                    sums.push(&file.sha256);
                    // It is written down when it is over, or brought in long after that.
                    let start = summary.start_unix_ms.filter(|start| (FIRST_CLOCK_MS..=done_unix_ms).contains(start));
                    report.drives.push(Drive {
                        moment: moment(idx),
                        started: time(start.unwrap_or(done_unix_ms)),
                        examined: wire::Examined {
                            drive: summary.clone(),
                            problems: problems.clone(),
                            ..wire::Examined::default()
                        },
                    });
                }
                // A later examination of the same drive replaces an earlier one.
                Content::Finding { file, findings } => {
                    let at = sums.iter().position(|sha256| *sha256 == file.sha256);
                    if let Some(drive) = at.and_then(|at| report.drives.get_mut(at)) {
                        drive.examined.findings.clone_from(findings);
                    }
                }
                Content::Swap { part, from, to } => {
                    let (from, to) = (from.to_string(), to.to_string());
                    let part = texts.get("part", part);
                    let values = [("part", part.as_str()), ("from", &from), ("to", &to)];
                    report.notes.push(entry(texts.fill("text", "swapped", &values)));
                }
                Content::Replaced { part, at, text } => {
                    let (part, at) = (texts.get("part", part), at.map(|at| at.to_string()));
                    let key = if at.is_some() { "replaced_at" } else { "replaced" };
                    let values = [("part", part.as_str()), ("n", at.as_deref().unwrap_or_default())];
                    let more = if text.is_empty() { String::new() } else { format!(" ({text})") };
                    report.done.push(entry(format!("{}{more}", texts.fill("text", key, &values))));
                }
                Content::Command { module, output, statement, .. } => {
                    report.commands.push(entry(format!("{module} {output}: {}", said(statement))));
                }
                Content::Clearing { modules, statement, .. } => {
                    report.clearings.push(entry(format!("{}: {}", modules.join(", "), said(statement))));
                }
                Content::Note { text } => report.notes.push(entry(text.clone())),
                Content::Decision { text, reason } => {
                    let why = if reason.is_empty() { String::new() } else { format!(" ({reason})") };
                    report.notes.push(entry(format!("{text}{why}")));
                }
                Content::Mark { t_s, to_s, text, .. } => {
                    let until = to_s.map(|to_s| format!(" \u{2013} {}", texts.clock(to_s))).unwrap_or_default();
                    report.notes.push(entry(format!("{}{until}: {text}", texts.clock(*t_s))));
                }
                Content::Photo { file, text } => {
                    report.files.push(File::from(file));
                    report.notes.push(entry(text.clone()));
                }
                Content::Reference { file, model, text } => {
                    report.notes.push(entry(format!("{model}: {} {text}", file.path)));
                }
                Content::Proof { proof } => report.proof = Some((**proof).clone()),
                Content::SwapVerdict { verdict } => report.notes.push(entry(swap_in_words(verdict, texts))),
                Content::Tested { area, test, is_yes } => {
                    let plain = || format!("{area}/{test}: {}", if *is_yes { "yes" } else { "no" });
                    report.notes.push(entry(said(&say(content).unwrap_or_else(plain))));
                }
                Content::Repaired { area, suspect, helped } => {
                    let plain = || format!("{area}/{suspect}");
                    let what = said(&say(content).unwrap_or_else(plain));
                    let key = if *helped { "repaired_helped" } else { "repaired_in_vain" };
                    report.done.push(entry(texts.fill("text", key, &[("what", &what)])));
                }
                Content::Suspects { statements, .. } => {
                    report.notes.extend(statements.iter().map(|statement| entry(said(statement))));
                }
                Content::Opened { .. }
                | Content::Vehicle { .. }
                | Content::Correction { .. }
                | Content::Earlier { .. }
                | Content::Closed { .. }
                | Content::Reopened { .. } => {}
            }
        }
        report
    }
}

/// Where a ledger has its first repair and its last one; `None` where nothing was repaired.
///
/// That a suspect was repaired is told with whether the fault was gone afterwards, which a drive has shown by then. So the
/// last repair is the last new part, or the last repair that did not help and was followed by another try; one that helped
/// marks it only where nothing else does.
#[must_use]
pub fn repairs(contents: &[(&Written, &Content)]) -> Option<(usize, usize)> {
    let is_repair = |content: &Content| matches!(content, Content::Replaced { .. } | Content::Repaired { .. });
    let is_try = |content: &Content| is_repair(content) && !matches!(content, Content::Repaired { helped: true, .. });
    let first = contents.iter().position(|(_, content)| is_repair(content))?;
    let last = contents.iter().rposition(|(_, content)| is_try(content));
    let last = last.or_else(|| contents.iter().rposition(|(_, content)| is_repair(content)))?;
    Some((first, last))
}

impl From<&wire::FileRef> for File {
    fn from(file: &wire::FileRef) -> Self {
        Self { name: file.path.clone(), bytes: file.bytes, sha256: file.sha256.clone() }
    }
}
