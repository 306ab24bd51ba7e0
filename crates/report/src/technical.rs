//! The technical part: everything behind the page for the customer.

use std::collections::{BTreeMap, BTreeSet};

use wire::{Code, Survey};

use crate::customer::{fault_name, file_name, swap_in_words, swap_table};
use crate::page::{Block, Look, odds, percent};
use crate::texts::Texts;
use crate::{Case, Entry, Judged, Moment, Settings};

pub(crate) fn part(case: &Case, texts: &Texts, settings: &Settings) -> Vec<Block> {
    let mut blocks = vec![
        Block::heading(1, texts.get("title", "technical")),
        Block::looking(Look::Small, texts.get("text", "own_words")),
    ];
    let mut section = |key: &str, content: Vec<Block>| {
        if !content.is_empty() {
            blocks.push(Block::heading(2, texts.get("head", key)));
            blocks.extend(content);
        }
    };
    let first = case.surveys.iter().find(|survey| survey.moment == Moment::Before).map(|it| &it.survey);
    let last = case.surveys.iter().rfind(|survey| survey.moment == Moment::After).map(|it| &it.survey);
    section("codes", codes(first, last, texts, settings));
    section("freeze", freeze_frames(first, last, texts, settings));
    section("readiness", readiness(first, last, texts, settings));
    section("results", failed_results(case, texts, settings));
    section("findings", findings(case, texts, settings));
    section("methods", methods(case, texts, settings));
    section("drives", drives(case, texts));
    section("compared", compared(case, texts, settings));
    section("swap", swap(case, texts, settings));
    section("suspects", suspects(case, texts, settings));
    section("proof", proof(case, texts, settings));
    for (key, entries) in [("commands", &case.commands), ("clearings", &case.clearings), ("notes", &case.notes)] {
        section(key, entry_table(entries, texts));
    }
    section("photos", photos(case));
    section("files", files(case, texts));
    section("problems", problems(case));
    blocks
}

fn columns(texts: &Texts, keys: &[&str]) -> Vec<String> {
    keys.iter().map(|key| texts.get("column", key)).collect()
}

/// Codes by module and number.
fn held(survey: Option<&Survey>) -> BTreeMap<(String, String), &Code> {
    let modules = survey.into_iter().flat_map(|survey| &survey.modules);
    let each = modules.flat_map(|module| {
        let name =
            module.name.clone().map_or_else(|| module.address.clone(), |name| format!("{name} ({})", module.address));
        module.codes.iter().map(move |code| ((name.clone(), code.code.clone()), code))
    });
    each.collect()
}

fn codes(first: Option<&Survey>, last: Option<&Survey>, texts: &Texts, settings: &Settings) -> Vec<Block> {
    if first.is_none() && last.is_none() {
        return vec![Block::text(texts.get("text", "no_survey"))];
    }
    let (before, after) = (held(first), held(last));
    let state = |code: Option<&&Code>, was_read: bool| match code {
        _ if !was_read => texts.get("change", "not_read"),
        Some(code) if code.kinds.is_empty() => texts.get("change", "only"),
        Some(code) => code.kinds.iter().map(|kind| texts.said(kind, settings.units)).collect::<Vec<_>>().join(", "),
        None => texts.get("change", "absent"),
    };
    let keys: BTreeSet<&(String, String)> = before.keys().chain(after.keys()).collect();
    let rows = keys.into_iter().map(|key| {
        let (old, new) = (before.get(key), after.get(key));
        let code = old.or(new);
        let meaning = code.map(|code| code.text.as_deref().unwrap_or(&code.structure)).unwrap_or_default();
        let change = match (old, new, first.is_some() && last.is_some()) {
            (Some(_), None, true) => format!(" ({})", texts.get("change", "gone")),
            (None, Some(_), true) => format!(" ({})", texts.get("change", "new")),
            (Some(_), Some(_), true) => format!(" ({})", texts.get("change", "still")),
            _ => String::new(),
        };
        let now = format!("{}{change}", state(new, last.is_some()));
        vec![key.1.clone(), texts.said(meaning, settings.units), key.0.clone(), state(old, first.is_some()), now]
    });
    let rows: Vec<Vec<String>> = rows.collect();
    if rows.is_empty() {
        return vec![Block::text(texts.get("text", "no_codes"))];
    }
    let head = columns(texts, &["code", "meaning", "module", "before", "after"]);
    vec![Block::Table { head, widths: vec![2, 6, 4, 3, 4], rows }]
}

/// A value of a freeze frame in the reader's units.
fn value(value: &wire::Value, texts: &Texts, settings: &Settings) -> String {
    if let Some(number) = value.value.as_f64() {
        return texts.measured(number, &value.unit, settings.units);
    }
    let parts = value.value.as_array().map_or(std::slice::from_ref(&value.value), Vec::as_slice);
    let said = parts.iter().map(|part| {
        let part = wire::Value { value: part.clone(), ..wire::Value::default() };
        texts.said(&part.text(&|number| texts.number(number)), settings.units)
    });
    said.collect::<Vec<_>>().join("; ")
}

fn freeze_frames(first: Option<&Survey>, last: Option<&Survey>, texts: &Texts, settings: &Settings) -> Vec<Block> {
    let mut blocks = Vec::new();
    for (moment, survey) in [("before", first), ("after", last)] {
        let frames = survey.into_iter().flat_map(|survey| &survey.modules).flat_map(|module| &module.freeze_frames);
        for frame in frames {
            let when = texts.get("moment", moment);
            let title = texts.fill("text", "freeze_of", &[("code", &frame.code), ("moment", &when)]);
            blocks.push(Block::heading(3, title));
            let cells: Vec<String> = frame
                .values
                .iter()
                .flat_map(|it| [texts.said(&it.words(), settings.units), value(it, texts, settings)])
                .collect();
            // Two values side by side, so that a frame takes half a page at most.
            let rows = cells.chunks(4).map(|row| row.iter().cloned().chain(std::iter::repeat(String::new())).take(4));
            let rows = rows.map(Iterator::collect).collect();
            let head = columns(texts, &["what", "value", "what", "value"]);
            blocks.push(Block::Table { head, widths: vec![5, 3, 5, 3], rows });
        }
    }
    blocks
}

fn readiness(first: Option<&Survey>, last: Option<&Survey>, texts: &Texts, settings: &Settings) -> Vec<Block> {
    let states = |survey: Option<&Survey>| -> BTreeMap<String, String> {
        let monitors = survey.into_iter().flat_map(|survey| &survey.readiness.monitors);
        monitors.map(|monitor| (monitor.name.clone(), monitor.state.clone())).collect()
    };
    let (before, after) = (states(first), states(last));
    let names: BTreeSet<&String> = before.keys().chain(after.keys()).collect();
    let of = |states: &BTreeMap<String, String>, name: &str, was_read: bool| {
        states.get(name).cloned().unwrap_or_else(|| if was_read { "–".into() } else { texts.get("change", "not_read") })
    };
    let rows: Vec<Vec<String>> = names
        .into_iter()
        .map(|name| [name.clone(), of(&before, name, first.is_some()), of(&after, name, last.is_some())])
        .filter(|row| [&before, &after].iter().any(|states| states.get(&row[0]).is_some_and(|it| it != "not fitted")))
        .map(|row| row.iter().map(|text| texts.said(text, settings.units)).collect())
        .collect();
    if rows.is_empty() {
        return Vec::new();
    }
    vec![Block::Table { head: columns(texts, &["monitor", "before", "after"]), widths: vec![6, 3, 3], rows }]
}

fn failed_results(case: &Case, texts: &Texts, settings: &Settings) -> Vec<Block> {
    let mut rows = Vec::new();
    for survey in &case.surveys {
        for module in &survey.survey.modules {
            for result in module.monitors.iter().filter(|result| result.verdict == "failed") {
                let shown = |value: Option<f64>| match value {
                    Some(value) => texts.measured(value, &result.unit, settings.units),
                    None => "–".to_owned(),
                };
                let title = result.title.clone().unwrap_or_else(|| format!("{}/{}", result.monitor, result.test));
                rows.push(vec![
                    texts.said(&title, settings.units),
                    shown(result.value),
                    format!("{} … {}", shown(result.min), shown(result.max)),
                    texts.get("moment", moment_key(survey.moment)),
                ]);
            }
        }
    }
    if rows.is_empty() {
        return Vec::new();
    }
    vec![Block::Table {
        head: columns(texts, &["monitor", "value", "limits", "moment"]),
        widths: vec![6, 3, 3, 3],
        rows,
    }]
}

fn moment_key(moment: Moment) -> &'static str {
    match moment {
        Moment::Before => "before",
        Moment::Between => "between",
        Moment::After => "after",
    }
}

fn findings(case: &Case, texts: &Texts, settings: &Settings) -> Vec<Block> {
    let mut blocks = Vec::new();
    for drive in &case.drives {
        let name = file_name(&drive.examined.drive.file);
        blocks.push(Block::heading(3, format!("{name}, {}", texts.get("moment", moment_key(drive.moment)))));
        let rows = drive.examined.findings.iter().map(|finding| {
            let subject: Vec<String> = finding.subject.iter().map(|id| texts.signal(id)).collect();
            let mut text = texts.said(&finding.statement, settings.units);
            if !finding.alternatives.is_empty() {
                let told = finding.alternatives.iter().map(|other| texts.said(other, settings.units));
                let what = told.collect::<Vec<_>>().join("; ");
                text += &format!(" ({})", texts.fill("text", "could_be", &[("what", &what)]));
            }
            vec![
                format!("{}: {}", texts.said(&finding.kind, settings.units), subject.join(", ")),
                texts.get("verdict", &finding.verdict),
                odds(texts, finding.log10_odds),
                text,
            ]
        });
        let rows: Vec<Vec<String>> = rows.collect();
        if drive.judged == Judged::Nothing {
            blocks.push(Block::text(texts.get("text", "not_examined")));
        } else if rows.is_empty() {
            blocks.push(Block::text("–"));
        } else {
            let head = columns(texts, &["finding", "verdict", "odds", "numbers"]);
            blocks.push(Block::Table { head, widths: vec![4, 2, 3, 10], rows });
        }
    }
    blocks
}

fn methods(case: &Case, texts: &Texts, settings: &Settings) -> Vec<Block> {
    let kinds: BTreeSet<&str> =
        case.drives.iter().flat_map(|drive| &drive.examined.findings).map(|finding| finding.kind.as_str()).collect();
    let told = |kind: &str| format!("{}: {}", texts.said(kind, settings.units), texts.get("method", kind));
    let items: Vec<String> = kinds.into_iter().map(told).collect();
    if items.is_empty() { items.into_iter().map(Block::text).collect() } else { vec![Block::List { items }] }
}

fn drives(case: &Case, texts: &Texts) -> Vec<Block> {
    let rows: Vec<Vec<String>> = case
        .drives
        .iter()
        .map(|drive| {
            let summary = &drive.examined.drive;
            vec![
                file_name(&summary.file).to_owned(),
                texts.get("moment", moment_key(drive.moment)),
                drive.started.clone(),
                texts.clock(summary.duration_s),
                summary.signals.len().to_string(),
                summary.gaps.len().to_string(),
            ]
        })
        .collect();
    if rows.is_empty() {
        return Vec::new();
    }
    let head = columns(texts, &["drive", "moment", "started", "length", "signals", "gaps"]);
    vec![Block::Table { head, widths: vec![5, 4, 4, 2, 2, 2], rows }]
}

fn swap(case: &Case, texts: &Texts, settings: &Settings) -> Vec<Block> {
    let Some(swap) = &case.swap else { return Vec::new() };
    let likely = swap.judged.hypotheses.iter().filter(|row| row.probability >= 0.005);
    let rows = likely.map(|row| vec![fault_name(&row.fault, texts), percent(row.probability)]).collect();
    vec![
        swap_table(swap, texts),
        Block::Table { head: columns(texts, &["suspect", "probability"]), widths: vec![3, 2], rows },
        Block::text(swap_in_words(&swap.judged, texts)),
        Block::looking(Look::Small, texts.said(&swap.judged.statement, settings.units)),
    ]
}

fn compared(case: &Case, texts: &Texts, settings: &Settings) -> Vec<Block> {
    let Some(compared) = case.compared.as_ref().filter(|it| !it.signals.is_empty()) else { return Vec::new() };
    let items = compared.signals.iter().map(|signal| texts.said(&signal.statement, settings.units)).collect();
    let files = format!("{} \u{2192} {}", file_name(&compared.before), file_name(&compared.after));
    vec![
        Block::text(files),
        Block::List { items },
        Block::looking(Look::Small, texts.said(&compared.caution, settings.units)),
    ]
}

fn suspects(case: &Case, texts: &Texts, settings: &Settings) -> Vec<Block> {
    let said = |text: &str| texts.said(text, settings.units);
    let mut blocks = Vec::new();
    let areas = || case.suspects.iter().flat_map(|suspects| &suspects.areas);
    // What only the words of the complaint point at is no result once something was found.
    let has_evidence = areas().any(|area| !area.is_complaint_only);
    for area in areas().filter(|area| !has_evidence || !area.is_complaint_only) {
        blocks.push(Block::heading(3, said(&area.title)));
        blocks.push(Block::text(said(&area.statement)));
        let rows = area.suspects.iter().filter(|suspect| suspect.probability >= 0.01).map(|suspect| {
            let strongest = suspect.speaks_for.iter().take(1).map(|reason| format!("+ {}", said(&reason.text)));
            let against = suspect.speaks_against.iter().take(1).map(|reason| format!("− {}", said(&reason.text)));
            let reasons: Vec<String> = strongest.chain(against).collect();
            vec![said(&suspect.name), percent(suspect.probability), reasons.join(" ")]
        });
        let head = columns(texts, &["suspect", "probability", "reasons"]);
        blocks.push(Block::Table { head, widths: vec![5, 2, 10], rows: rows.collect() });
    }
    blocks
}

fn proof(case: &Case, texts: &Texts, settings: &Settings) -> Vec<Block> {
    let Some(proof) = &case.proof else { return Vec::new() };
    let rows = proof.faults.iter().map(|fault| {
        let subject: Vec<String> = fault.subject.iter().map(|id| texts.signal(id)).collect();
        let driven = fault.progress.map_or_else(|| "–".to_owned(), |share| format!("{:.0} %", 100.0 * share));
        vec![
            format!("{}: {}", texts.said(&fault.kind, settings.units), subject.join(", ")),
            texts.get("outcome", &fault.outcome),
            driven,
            texts.said(&fault.statement, settings.units),
        ]
    });
    let head = columns(texts, &["fault", "outcome", "driven", "numbers"]);
    let new = proof.new_faults.iter().map(|fault| {
        let subject: Vec<String> = fault.subject.iter().map(|id| texts.signal(id)).collect();
        vec![
            format!("{}: {}", texts.said(&fault.kind, settings.units), subject.join(", ")),
            texts.get("outcome", "new"),
            "–".to_owned(),
            texts.said(&fault.statement, settings.units),
        ]
    });
    let rows: Vec<Vec<String>> = rows.chain(new).collect();
    let mut blocks = Vec::new();
    if case.is_proof_outdated {
        blocks.push(Block::looking(Look::Strong, texts.get("text", "proof_anew")));
    }
    if !rows.is_empty() {
        blocks.push(Block::Table { head, widths: vec![4, 3, 2, 9], rows });
    }
    if !proof.monitors.is_empty() {
        let said = |text: &str| texts.said(text, settings.units);
        let items = proof.monitors.iter().map(|it| format!("{}: {}", said(&it.name), said(&it.conditions)));
        blocks.push(Block::text(texts.get("text", "proof_monitors")));
        blocks.push(Block::List { items: items.collect() });
    }
    blocks
}

fn entry_table(entries: &[Entry], texts: &Texts) -> Vec<Block> {
    if entries.is_empty() {
        return Vec::new();
    }
    let rows = entries.iter().map(|entry| vec![entry.time.clone(), entry.text.clone()]).collect();
    vec![Block::Table { head: columns(texts, &["time", "what"]), widths: vec![3, 11], rows }]
}

/// Two photographs side by side.
fn photos(case: &Case) -> Vec<Block> {
    let blocks = case.photos.iter().enumerate().map(|(k, photo)| {
        let caption = format!("{}: {}", photo.time, photo.caption);
        let file = photo.image.named(&format!("photo-{k}"));
        Block::Photo { image: photo.image.clone(), file, caption, width_percent: 100 }
    });
    let blocks: Vec<Block> = blocks.collect();
    let pairs = blocks.chunks(2).map(|pair| {
        let right = pair.get(1).cloned().into_iter().collect();
        Block::Pair { left: pair.first().cloned().into_iter().collect(), right }
    });
    pairs.collect()
}

fn files(case: &Case, texts: &Texts) -> Vec<Block> {
    if case.files.is_empty() {
        return Vec::new();
    }
    let rows = case.files.iter().map(|file| {
        let size = match file.bytes {
            small if small < 10_000 => format!("{small} B"),
            middle if middle < 10_000_000 => format!("{:.0} kB", middle as f64 / 1e3),
            large => format!("{:.0} MB", large as f64 / 1e6),
        };
        vec![file_name(&file.name).to_owned(), size, file.sha256.clone()]
    });
    vec![Block::Table {
        head: columns(texts, &["file", "size", "checksum"]),
        widths: vec![4, 2, 10],
        rows: rows.collect(),
    }]
}

fn problems(case: &Case) -> Vec<Block> {
    let own = case.problems.iter().cloned();
    let drives = case.drives.iter().flat_map(|drive| &drive.examined.problems).cloned();
    let surveys = case.surveys.iter().flat_map(|survey| &survey.survey.problems).cloned();
    let items: Vec<String> = own.chain(drives).chain(surveys).collect();
    if items.is_empty() { Vec::new() } else { vec![Block::List { items }] }
}
