//! The page for the customer: one page in plain words.

use std::collections::BTreeSet;

use signal::Recording;
use wire::Finding;

use crate::page::{Block, Look, odds, percent, sentence};
use crate::plain::Words;
use crate::texts::Texts;
use crate::{Case, Drive, Judged, Moment, Settings, Swap, pictures};

/// Findings told to the customer; the technical part has all.
const MOST_FINDINGS: usize = 4;
/// Panels of pictures beyond which no second fault gets one: the page stays one page.
const MOST_PANELS: usize = 3;
/// Width of a small picture, per cent of the page.
const SMALL: u8 = 45;

pub(crate) fn page(case: &Case, recordings: &[Option<&Recording>], texts: &Texts, settings: &Settings) -> Vec<Block> {
    let head = |key: &str| Block::heading(2, texts.get("head", key));
    let mut blocks = vec![
        Block::heading(1, texts.get("title", "report")),
        Block::Facts { rows: facts(case, texts, settings) },
        head("complaint"),
        complaint(case, texts),
    ];
    blocks.push(head("found"));
    blocks.extend(found(case, recordings, texts, settings));
    let done = if case.done.is_empty() {
        Block::text(texts.get("text", "nothing_done"))
    } else {
        Block::List { items: case.done.iter().map(|entry| entry.text.clone()).collect() }
    };
    let right = [head("proof")].into_iter().chain(proof(case, texts)).collect();
    blocks.push(Block::Pair { left: vec![head("done"), done], right });
    blocks.push(Block::Pair {
        left: vec![head("safety"), Block::List { items: safety(case, texts) }],
        right: vec![head("remains"), Block::List { items: remains(case, texts, settings) }],
    });
    let lost = !case.problems.is_empty() || case.drives.iter().any(|drive| !drive.examined.problems.is_empty());
    if lost {
        blocks.push(Block::looking(Look::Small, texts.get("text", "lost")));
    }
    blocks.push(Block::looking(Look::Small, texts.get("text", "scope")));
    blocks
}

fn facts(case: &Case, texts: &Texts, settings: &Settings) -> Vec<[String; 2]> {
    let vehicle = &case.vehicle;
    let mileage = vehicle.mileage_km.map(|km| {
        let (value, unit) = settings.units.shown(km, "km");
        // Thousands stand apart, by a space that does not break.
        let digits = format!("{value:.0}");
        let (thousands, rest) = digits.split_at(digits.len().saturating_sub(3));
        let gap = if thousands.is_empty() { "" } else { "\u{a0}" };
        format!("{thousands}{gap}{rest} {unit}")
    });
    let named = |key: &str, value: Option<String>| {
        value.filter(|value| !value.is_empty()).map(|value| [texts.get("head", key), value])
    };
    let vin = vehicle.vin.clone().or_else(|| case.surveys.iter().find_map(|it| it.survey.vehicle.vin.clone()));
    let rows = [
        named("vehicle", Some(vehicle.description.clone())),
        named("vin", vin),
        named("plate", vehicle.plate.clone()),
        named("engine", vehicle.engine.clone()),
        named("mileage", mileage),
        named("opened", Some(case.opened.clone())),
        named("closed", case.closed.clone()),
        named("technician", Some(case.technician.clone())),
    ];
    rows.into_iter().flatten().collect()
}

fn complaint(case: &Case, texts: &Texts) -> Block {
    if case.complaint.trim().is_empty() {
        return Block::text(texts.get("text", "no_complaint"));
    }
    let mut text = case.complaint.clone();
    if !case.conditions.is_empty() {
        text += &format!(" ({})", case.conditions.join("; "));
    }
    Block::looking(Look::Quote, text)
}

/// Faulty findings, one for each thing: with its drive. Those from before the repair stand first, surest first, then what
/// shows after it alone. Where parts changed places the misfire that moved with them is no further fault until the repair:
/// what the swap showed tells of it.
pub(crate) fn faults(case: &Case) -> Vec<(usize, &Finding)> {
    let is_misfire = |finding: &Finding| finding.verdict == "faulty" && finding.kind == "misfire";
    let misfired_at_first =
        case.drives.iter().any(|it| it.moment == Moment::Before && it.examined.findings.iter().any(is_misfire));
    let is_moved = |idx: usize| case.swap.is_some() && misfired_at_first && case.drives[idx].moment == Moment::Between;
    let mut faults: Vec<(usize, &Finding)> = case
        .drives
        .iter()
        .enumerate()
        .flat_map(|(idx, drive)| drive.examined.findings.iter().map(move |finding| (idx, finding)))
        .filter(|(idx, finding)| finding.verdict == "faulty" && !(is_misfire(finding) && is_moved(*idx)))
        .collect();
    let is_after = |idx: usize| case.drives[idx].moment == Moment::After;
    faults.sort_by(|a, b| is_after(a.0).cmp(&is_after(b.0)).then(b.1.log10_odds.total_cmp(&a.1.log10_odds)));
    let mut told = BTreeSet::new();
    faults.retain(|(_, finding)| told.insert((finding.kind.clone(), finding.subject.clone())));
    faults
}

fn found(case: &Case, recordings: &[Option<&Recording>], texts: &Texts, settings: &Settings) -> Vec<Block> {
    let faults = faults(case);
    let mut items = Vec::new();
    for (idx, finding) in faults.iter().take(MOST_FINDINGS) {
        let strength = texts.fill("text", "strength", &[("odds", &odds(texts, finding.log10_odds))]);
        let plain = Words { finding, texts, units: settings.units }.sentences();
        let is_after = case.drives[*idx].moment == Moment::After;
        let when = if is_after { format!(" {}", texts.get("text", "found_after")) } else { String::new() };
        items.push(format!("{plain}{when} {strength}"));
    }
    if faults.len() > MOST_FINDINGS {
        items.push(texts.fill("text", "more", &[("n", &(faults.len() - MOST_FINDINGS).to_string())]));
    }
    if faults.is_empty() {
        let is_examined = case.drives.iter().any(|drive| drive.judged == Judged::Examined);
        let key = if is_examined { "no_finding" } else { "no_drive" };
        items.push(texts.get("text", key));
    }
    items.push(codes_at_first(case, texts));
    if let Some(swap) = &case.swap {
        items.push(swap_in_words(&swap.judged, texts));
    }
    let mut blocks = vec![Block::List { items }];
    // The first fault has its picture, others where the page has room; a swap's table takes that.
    let shown = if case.swap.is_some() { 1 } else { faults.len() };
    let mut n_panels = 0;
    for (idx, finding) in faults.iter().take(shown) {
        let Some(recording) = recordings.get(*idx).copied().flatten() else { continue };
        let (more, pictures) = proving_pictures(finding, &case.drives[*idx], recording, texts, settings);
        if n_panels > 0 && n_panels + more > MOST_PANELS {
            break;
        }
        n_panels += more;
        blocks.extend(pictures);
    }
    if let Some(swap) = &case.swap {
        let table = swap_table(swap, texts);
        match blocks.pop() {
            // A small picture leaves room beside it.
            Some(picture @ Block::Picture { width_percent: SMALL, .. }) => {
                blocks.push(Block::Pair { left: vec![alone(picture)], right: vec![table] });
            }
            last => blocks.extend(last.into_iter().chain([table])),
        }
    }
    blocks
}

/// A picture that takes all the room it is given.
fn alone(block: Block) -> Block {
    match block {
        Block::Picture { svg, caption, .. } => Block::Picture { svg, caption, width_percent: 100 },
        other => other,
    }
}

fn codes_at_first(case: &Case, texts: &Texts) -> String {
    let Some(first) = case.surveys.iter().find(|survey| survey.moment == Moment::Before) else {
        return texts.get("text", "codes_not_read");
    };
    let codes: BTreeSet<&str> =
        first.survey.modules.iter().flat_map(|module| &module.codes).map(|code| code.code.as_str()).collect();
    if codes.is_empty() {
        return texts.get("text", "no_codes");
    }
    texts.fill("text", "found_codes", &[("codes", &codes.into_iter().collect::<Vec<_>>().join(", "))])
}

/// Pictures of a finding, and how many panels of room they take.
fn proving_pictures(
    finding: &Finding,
    drive: &Drive,
    recording: &Recording,
    texts: &Texts,
    settings: &Settings,
) -> (usize, Vec<Block>) {
    let file = file_name(&drive.examined.drive.file);
    let (mut n_panels, mut blocks) = (0, Vec::new());
    if let Some((traces, names)) = pictures::traces(finding, recording, texts, settings) {
        let values = [("signals", names.join(", ")), ("file", file.to_owned())];
        let values: Vec<(&str, &str)> = values.iter().map(|(name, value)| (*name, value.as_str())).collect();
        let caption = sentence(&texts.fill("text", "caption_traces", &values));
        n_panels += traces.panels.len();
        blocks.push(Block::Picture { svg: traces.svg(&caption), caption, width_percent: 100 });
    }
    if finding.kind == "misfire"
        && let Some(map) = pictures::map(finding, recording, texts)
    {
        let n = finding.subject.first().and_then(|id| id.rsplit('_').next()).unwrap_or_default();
        let caption = texts.fill("text", "caption_map", &[("n", n)]);
        n_panels += MOST_PANELS;
        blocks.push(Block::Picture { svg: map.svg(&caption), caption, width_percent: SMALL });
    }
    (n_panels, blocks)
}

/// The last part of a path, whatever machine it came from.
pub(crate) fn file_name(path: &str) -> &str {
    path.rsplit(['/', '\\']).next().unwrap_or(path)
}

/// `coil 1` in the reader's language.
pub(crate) fn fault_name(fault: &str, texts: &Texts) -> String {
    match fault {
        "several" | "none" => texts.get("text", fault),
        _ => match fault.rsplit_once(' ') {
            Some((kind, n)) => texts.fill("text", "part_part", &[("kind", &texts.get("part", kind)), ("n", n)]),
            None => fault.to_owned(),
        },
    }
}

/// What exchanged parts showed, in the reader's language.
pub(crate) fn swap_in_words(judged: &wire::SwapJudged, texts: &Texts) -> String {
    let Some(first) = judged.hypotheses.first() else { return judged.statement.clone() };
    let key = match (judged.decided, first.fault.as_str()) {
        (false, _) => "swap_open",
        (true, "none") => "swap_gone",
        (true, "several") => "swap_several",
        (true, fault) if fault.starts_with("cylinder") => "swap_stays",
        (true, _) => "swap_decided",
    };
    let values = [("fault", fault_name(&first.fault, texts)), ("percent", percent(first.probability))];
    let values: Vec<(&str, &str)> = values.iter().map(|(name, value)| (*name, value.as_str())).collect();
    texts.fill("text", key, &values)
}

/// Where the parts sat, and what each cylinder counted, drive by drive.
pub(crate) fn swap_table(swap: &Swap, texts: &Texts) -> Block {
    let n = swap.judged.drives.iter().map(|drive| drive.misfires.len()).max().unwrap_or(0);
    let cylinder =
        |k: usize| texts.fill("text", "part_part", &[("kind", &texts.get("part", "cylinder")), ("n", &k.to_string())]);
    let mut head = vec![texts.get("column", "drive")];
    head.extend((1..=n).map(cylinder));
    let mut rows = Vec::new();
    for (drive, counts) in swap.experiment.drives.iter().zip(&swap.judged.drives) {
        for part in &swap.experiment.parts {
            let placed = drive.placement.get(part).cloned().unwrap_or_default();
            let name = texts.fill("text", "placed", &[("part", &texts.get("part", part))]);
            let mut row = vec![format!("{}: {name}", file_name(&drive.file))];
            row.extend((0..n).map(|k| placed.get(k).map_or_else(String::new, ToString::to_string)));
            rows.push(row);
        }
        let mut row = vec![texts.get("text", "swap_counts")];
        row.extend((0..n).map(|k| {
            match (counts.misfires.get(k).copied().flatten(), counts.firings.get(k).copied().flatten()) {
                (Some(misfires), Some(firings)) => format!("{misfires} / {firings:.0}"),
                _ => texts.get("text", "not_recorded"),
            }
        }));
        rows.push(row);
    }
    let mut widths = vec![4];
    widths.extend(std::iter::repeat_n(2, n));
    Block::Table { head, widths, rows }
}

fn proof(case: &Case, texts: &Texts) -> Vec<Block> {
    let Some(proof) = case.standing_proof() else {
        let key = if case.is_proof_outdated { "proof_outdated" } else { "proof_none" };
        return vec![Block::text(texts.get("text", key))];
    };
    let key = match proof.verdict.as_str() {
        "proven" if proof.new_faults.is_empty() => "proof_proven",
        "proven" => "proof_proven_but",
        "not repaired" => "proof_still",
        "fewer" => "proof_fewer",
        "nothing before" => "proof_nothing",
        _ => "proof_not_yet",
    };
    let mut blocks = vec![Block::looking(Look::Strong, texts.get("text", key))];
    let mut items = Vec::new();
    for fault in &proof.faults {
        let what: Vec<String> = fault.subject.iter().map(|id| texts.signal(id)).collect();
        let outcome = texts.get("outcome", &fault.outcome);
        let what = sentence(&what.join(", "));
        let mut text = texts.fill("text", "proof_line", &[("what", &what), ("outcome", &outcome)]);
        if let Some(progress) = fault.progress {
            let share = format!("{:.0} %", 100.0 * progress);
            text += &format!(" {}", texts.fill("text", "proof_driven", &[("percent", &share)]));
        }
        if let Some(lacking) = fault.lacking_s.filter(|lacking| *lacking >= 1.0) {
            text +=
                &format!(" {}", texts.fill("text", "proof_lacking", &[("seconds", &texts.number(lacking.round()))]));
        }
        items.push(text);
    }
    for fault in &proof.new_faults {
        let what: Vec<String> = fault.subject.iter().map(|id| texts.signal(id)).collect();
        items.push(texts.fill("text", "proof_new", &[("what", &sentence(&what.join(", ")))]));
    }
    if !items.is_empty() {
        blocks.push(Block::List { items });
    }
    blocks
}

fn remains(case: &Case, texts: &Texts, settings: &Settings) -> Vec<String> {
    let mut items = case.remains.clone();
    if case.done.is_empty() && !faults(case).is_empty() {
        items.push(texts.get("text", "remains_repair"));
    }
    let question = |finding: &Finding| Words { finding, texts, units: settings.units }.question();
    let unproven = unproven(case);
    for (finding, outcome) in &unproven {
        let values = [("what", question(finding)), ("outcome", texts.get("outcome", outcome))];
        let values: Vec<(&str, &str)> = values.iter().map(|(name, value)| (*name, value.as_str())).collect();
        items.push(texts.fill("text", "proof_line", &values));
    }
    let is_told = |finding: &Finding| {
        unproven.iter().any(|(other, _)| (&other.kind, &other.subject) == (&finding.kind, &finding.subject))
    };
    let after = case.drives.iter().filter(|drive| drive.moment == Moment::After);
    let left = after.flat_map(|drive| &drive.examined.findings);
    let left = left.filter(|finding| finding.verdict == "faulty" && !is_told(finding));
    let left: BTreeSet<String> = left.map(question).collect();
    if !left.is_empty() {
        let what = left.into_iter().collect::<Vec<_>>().join("; ");
        items.push(texts.fill("text", "remains_fault", &[("what", &what)]));
    }
    if case.is_proof_outdated {
        items.push(texts.get("text", "remains_proof_anew"));
    } else if !case.done.is_empty() && case.proof.as_ref().is_none_or(|proof| proof.verdict == "nothing before") {
        items.push(texts.get("text", "remains_proof"));
    }
    let unseen = case.drives.iter().filter(|drive| drive.judged == Judged::Nothing).count();
    if unseen > 0 {
        items.push(texts.fill("text", "remains_unexamined", &[("n", &unseen.to_string())]));
    }
    let last = case.surveys.last().map(|survey| &survey.survey);
    let codes = |wanted: &dyn Fn(&wire::Code) -> bool| -> String {
        let all = last.into_iter().flat_map(|survey| &survey.modules).flat_map(|module| &module.codes);
        let set: BTreeSet<&str> = all.filter(|code| wanted(code)).map(|code| code.code.as_str()).collect();
        set.into_iter().collect::<Vec<_>>().join(", ")
    };
    let is_permanent = |code: &wire::Code| code.kinds.iter().any(|kind| kind == "permanent");
    let is_stored = |code: &wire::Code| !is_permanent(code) || code.kinds.len() > 1;
    if case.surveys.len() > 1 && !codes(&is_stored).is_empty() {
        items.push(texts.fill("text", "remains_codes", &[("codes", &codes(&is_stored))]));
    }
    if !codes(&is_permanent).is_empty() {
        items.push(texts.fill("text", "remains_permanent", &[("codes", &codes(&is_permanent))]));
    }
    if let Some(incomplete) = last.map(|survey| survey.readiness.incomplete).filter(|n| *n > 0) {
        items.push(texts.fill("text", "remains_readiness", &[("n", &incomplete.to_string())]));
    }
    let after = case.drives.iter().rfind(|drive| drive.moment == Moment::After).or(case.drives.last());
    let open = after.map_or(0, |drive| drive.examined.findings.iter().filter(|f| f.verdict == "undecided").count());
    if open > 0 {
        items.push(texts.fill("text", "remains_undecided", &[("n", &open.to_string())]));
    }
    if items.is_empty() {
        items.push(texts.get("text", "remains_none"));
    }
    items
}

/// The faults that the proof does not call gone, and those that arose since the repair, each with how it stands.
fn unproven(case: &Case) -> Vec<(Finding, &str)> {
    let proof = case.standing_proof();
    let finding = |kind: &str, subject: &[String]| Finding {
        kind: kind.to_owned(),
        subject: subject.to_vec(),
        ..Finding::default()
    };
    let is_open = |fault: &&wire::ProofOfFault| !matches!(fault.outcome.as_str(), "gone" | "nothing before");
    let open = proof.into_iter().flat_map(|proof| &proof.faults).filter(is_open);
    let open = open.map(|fault| (finding(&fault.kind, &fault.subject), fault.outcome.as_str()));
    let new = proof.into_iter().flat_map(|proof| &proof.new_faults);
    open.chain(new.map(|fault| (finding(&fault.kind, &fault.subject), "new"))).collect()
}

fn safety(case: &Case, texts: &Texts) -> Vec<String> {
    let mut keys: Vec<&str> = Vec::new();
    for (_, finding) in faults(case) {
        let is_about = |start: &str| finding.subject.iter().any(|id| id.starts_with(start));
        let key = match finding.kind.as_str() {
            "misfire" => Some("misfire"),
            "wheel-size" => Some("tyre"),
            "charging" | "cranking" => Some("battery"),
            "warm-up" => Some("cooling"),
            _ if is_about("pedal.") || is_about("throttle.") => Some("pedal"),
            _ if is_about("wheel.speed.") => Some("wheel"),
            _ => None,
        };
        keys.extend(key.filter(|key| !keys.contains(key)));
    }
    let is_still = !keys.is_empty() && case.standing_proof().is_some_and(|proof| proof.verdict == "not repaired");
    if keys.is_empty() {
        keys.push("none");
    }
    let mut items: Vec<String> = keys.into_iter().map(|key| texts.get("safety", key)).collect();
    if is_still {
        items.push(texts.get("safety", "still"));
    }
    items
}
