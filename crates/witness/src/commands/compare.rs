//! `witness case compare`: before and after, and beside healthy cars.

use wire::{Bounds, CellMean, Compared, DrivesCompared, ReferenceCompared, SurveysCompared};
use workshop::{CompareWish, Workshop};

use crate::cli::CompareArgs;
use crate::failure::{Exit, Failure};
use crate::output::{clean, print_json, print_text, width, wrapped};

const NOTHING: &str = "  nothing to compare: record more in both than counters and what tells the condition\n";

pub(crate) fn run(workshop: &Workshop, args: CompareArgs, json: bool) -> Result<Exit, Failure> {
    let compared = workshop.compare(&CompareWish {
        surveys: args.survey_before.zip(args.survey_after),
        drives: args.before.zip(args.after),
        over_reference: args.over_reference,
        model: args.model,
    })?;
    if json {
        print_json(&compared)?;
    } else {
        print_text(&page(&compared));
    }
    Ok(if compared.problems.is_empty() { Exit::Done } else { Exit::Lost })
}

fn page(compared: &Compared) -> String {
    let mut page = String::new();
    page += &compared.surveys.as_ref().map(surveys).unwrap_or_default();
    page += &compared.drives.as_ref().map(drives).unwrap_or_default();
    page += &compared.reference.as_ref().map(reference).unwrap_or_default();
    for line in &compared.problems {
        page += &wrapped(&format!("lost: {}", clean(line)), "", width());
    }
    page
}

fn surveys(compared: &SurveysCompared) -> String {
    let mut page = format!("SURVEYS  {} and {}\n", clean(&compared.before), clean(&compared.after));
    if compared.codes.is_empty() {
        page += "  no code in either\n";
    }
    for code in &compared.codes {
        let lists = |lists: &[String]| if lists.is_empty() { "-".to_owned() } else { clean(&lists.join(", ")) };
        let (before, after) = (lists(&code.before), lists(&code.after));
        let (change, name, module) = (clean(&code.change), clean(&code.code), clean(&code.module));
        page += &format!("  {change:12} {name:8} {module:6} {before} -> {after}\n");
    }
    let state = |state: &Option<String>| state.as_deref().map_or_else(|| "-".to_owned(), clean);
    for it in &compared.readiness {
        page += &format!("  readiness    {}: {} -> {}\n", clean(&it.name), state(&it.before), state(&it.after));
    }
    for frame in &compared.frames {
        page += &format!("  freeze frame of {} in {}\n", clean(&frame.code), clean(&frame.module));
        for value in &frame.values {
            let line = format!("{}: {} -> {}", clean(&value.name), state(&value.before), state(&value.after));
            page += &wrapped(&line, "    ", width());
        }
    }
    for module in &compared.only_in_one {
        page += &wrapped(&format!("{} answered in one survey only", clean(module)), "  ", width());
    }
    page + "\n"
}

/// A condition in a few words.
fn place(bounds: &[Bounds]) -> String {
    let end = |end: Option<f64>| end.map_or_else(String::new, |end| format!("{end:.0}"));
    let each = bounds.iter().map(|it| format!("{}..{} {}", end(it.from), end(it.to), clean(&it.unit)));
    let all: Vec<String> = each.collect();
    if all.is_empty() { "whole drive".to_owned() } else { all.join(", ") }
}

fn mean(mean: &CellMean) -> String {
    mean.mean.map_or_else(|| "never there".to_owned(), |value| format!("{value:.3} ({:.0} s)", mean.seconds))
}

fn drives(compared: &DrivesCompared) -> String {
    let mut page = format!("DRIVES  {} and {}\n", clean(&compared.before), clean(&compared.after));
    for signal in &compared.signals {
        page += &wrapped(&clean(&signal.statement), "  ", width());
        for cell in signal.cells.iter().filter(|cell| cell.difference.is_some()) {
            let (before, after) = (mean(&cell.before), mean(&cell.after));
            page += &format!("    {:28} {before} -> {after}  {}\n", place(&cell.bounds), clean(&cell.verdict));
        }
    }
    if compared.signals.is_empty() {
        page += NOTHING;
    }
    page += &only(&compared.only_in_one, "in one drive only");
    page + &wrapped(&format!("caution: {}", compared.caution), "  ", width()) + "\n"
}

fn reference(compared: &ReferenceCompared) -> String {
    let n = compared.references.len();
    let drives = if n == 1 { "drive" } else { "drives" };
    let mut page = format!(
        "{} OVER {n} HEALTHY {} OF A {}\n",
        clean(&compared.drive),
        drives.to_uppercase(),
        clean(&compared.model)
    );
    for signal in &compared.signals {
        page += &wrapped(&clean(&signal.statement), "  ", width());
        for cell in signal.cells.iter().filter(|cell| !cell.reference.is_empty()) {
            let percentiles: Vec<String> = cell.reference.iter().map(|value| format!("{value:.2}")).collect();
            let at = cell.percentile.map_or_else(String::new, |share| format!(", at {share:.0} %"));
            let median = cell.median.unwrap_or(f64::NAN);
            let line = format!(
                "{:28} {median:.3}{at} of {}  {}",
                place(&cell.bounds),
                percentiles.join(" | "),
                clean(&cell.verdict)
            );
            page += &format!("    {line}\n");
        }
    }
    page += if compared.signals.is_empty() {
        NOTHING
    } else {
        "    percentiles of the healthy drives: 5 | 25 | 50 | 75 | 95\n"
    };
    page += &only(&compared.without_reference, "in no healthy drive");
    page + &wrapped(&format!("caution: {}", compared.caution), "  ", width()) + "\n"
}

fn only(signals: &[String], why: &str) -> String {
    if signals.is_empty() {
        return String::new();
    }
    wrapped(&format!("{why}: {}", clean(&signals.join(", "))), "  ", width())
}
