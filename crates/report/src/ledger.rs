//! A case from its ledger.

use wire::{Content, Entry as Written};

use crate::customer::swap_in_words;
use crate::texts::Texts;
use crate::{Case, Drive, Entry, File, Judged, Moment, Settings, Survey, Vehicle};

/// 2020-01-01 UTC, ms: a recorder whose clock says less has none that runs.
const FIRST_CLOCK_MS: i64 = 1_577_836_800_000;

impl Case {
    /// Lays out a case from what its ledger says once its corrections are applied, in order.
    ///
    /// `time` writes a time (ms since 1970-01-01 UTC) for people, `say` what a test or a repair of the fault model was, in
    /// words; `None` where the model does not know it. The swap verdict, the suspects, the shop and what
    /// remains are not in a ledger: add them afterwards. Drives and surveys after the last of its [`repairs`] count as after
    /// the repair, those after the first swap or repair as between. Of proofs the last one counts; whether it still does,
    /// the entries that were written after it tell.
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
        let proven = contents.iter().rev().find_map(|(written, content)| match content {
            Content::Proof { proof } => Some((written.number, &**proof)),
            _ => None,
        });
        // Of each drive its checksum and the number of its entry.
        let mut entered: Vec<(&str, u64)> = Vec::new();
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
                    entered.push((&file.sha256, written.number));
                    // It is written down when it is over, or brought in long after that.
                    let start = summary.start_unix_ms.filter(|start| (FIRST_CLOCK_MS..=done_unix_ms).contains(start));
                    let is_proven = proven.is_some_and(|(number, _)| written.number < number);
                    let is_seen = is_proven || is_beside_command(summary, &contents[idx + 1..]);
                    report.drives.push(Drive {
                        moment: moment(idx),
                        judged: if is_seen { Judged::Elsewhere } else { Judged::Nothing },
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
                    let at = entered.iter().position(|(sha256, _)| *sha256 == file.sha256);
                    if let Some(drive) = at.and_then(|at| report.drives.get_mut(at)) {
                        drive.examined.findings.clone_from(findings);
                        drive.judged = Judged::Examined;
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
                | Content::Proof { .. }
                | Content::Vehicle { .. }
                | Content::Correction { .. }
                | Content::Earlier { .. }
                | Content::Closed { .. }
                | Content::Reopened { .. } => {}
            }
        }
        if let Some((number, proof)) = proven {
            report.proof = Some(proof.clone());
            // The proof has seen what was written before it, and nothing else, whenever that was done.
            let mut since = contents.iter().filter(|(written, _)| written.number > number);
            let is_changed = since.any(|(_, content)| match content {
                Content::Swap { .. } | Content::Replaced { .. } => true,
                Content::Repaired { helped, .. } => contradicts(*helped, proof),
                _ => false,
            });
            let mut drives = entered.iter().zip(&report.drives).filter(|((_, entry), _)| *entry > number);
            report.is_proof_outdated = is_changed || drives.any(|(_, drive)| bears_on(drive, proof));
        }
        report
    }
}

/// Whether a drive was recorded beside a command, which is entered behind it.
fn is_beside_command(drive: &wire::DriveSummary, after: &[(&Written, &Content)]) -> bool {
    let mut deeds = after.iter().map(|(_, content)| content);
    let next = deeds.find(|content| matches!(content, Content::Command { .. } | Content::Drive { .. }));
    matches!(next, Some(Content::Command { details, .. }) if details["drive"] == drive.file.as_str())
}

/// Whether the result of a repair that is told after a proof is another one than the proof's; mostly it is the same.
fn contradicts(helped: bool, proof: &wire::Proof) -> bool {
    match proof.verdict.as_str() {
        "proven" => !helped,
        "not repaired" | "fewer" => helped,
        _ => false,
    }
}

/// Whether a drive that came after a proof may change what it says.
fn bears_on(drive: &Drive, proof: &wire::Proof) -> bool {
    let faulty: Vec<_> = drive.examined.findings.iter().filter(|finding| finding.verdict == "faulty").collect();
    let still = proof.faults.iter().filter(|fault| fault.outcome == "still there");
    let known: Vec<_> = still
        .map(|fault| (&fault.kind, &fault.subject))
        .chain(proof.new_faults.iter().map(|fault| (&fault.kind, &fault.subject)))
        .collect();
    // A further drive without the fault only confirms that it is gone, and one with it that it is not.
    let is_settled = match proof.verdict.as_str() {
        "proven" | "nothing before" => true,
        "not repaired" => !faulty.is_empty(),
        _ => false,
    };
    match drive.judged {
        Judged::Nothing => true,
        Judged::Elsewhere => false,
        Judged::Examined => !is_settled || faulty.iter().any(|it| !known.contains(&(&it.kind, &it.subject))),
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
