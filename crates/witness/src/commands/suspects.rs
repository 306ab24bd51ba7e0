//! `witness suspects`: which part or connection, what speaks for and against each, and what to test next.

use workshop::{Answer, Known, Repair, Workshop};

use crate::cli::SuspectsArgs;
use crate::failure::{Exit, Failure};
use crate::output::{clean, print_json, print_text, width, wrapped};

pub(crate) fn run(args: &SuspectsArgs, json: bool) -> Result<Exit, Failure> {
    let workshop = super::workshop()?;
    let named_nothing = args.complaint.is_none() && args.survey.is_empty() && args.drive.is_empty();
    let result = if named_nothing {
        suspects_of_case(&workshop, args)?
    } else {
        let answer = |(area, test, is_yes)| Answer { area, test, is_yes };
        let repair = |(area, suspect, helped)| Repair { area, suspect, helped };
        workshop.suspects(&Known {
            complaint: args.complaint.clone().unwrap_or_default(),
            surveys: args.survey.clone(),
            drives: args.drive.clone(),
            swap: args.swap.clone(),
            answers: args.result.iter().map(|text| by_hand(text).map(answer)).collect::<Result<_, _>>()?,
            repairs: args.repaired.iter().map(|text| by_hand(text).map(repair)).collect::<Result<_, _>>()?,
            money_per_hour: args.money_per_hour,
        })?
    };
    super::tell_case(result.case.as_ref());
    if json {
        print_json(&result)?;
    } else {
        print_text(&page(&result, args.steps));
    }
    Ok(if result.problems.is_empty() { Exit::Done } else { Exit::Lost })
}

/// Over all that the case knows; results that are told with it are written into the case first.
fn suspects_of_case(workshop: &Workshop, args: &SuspectsArgs) -> Result<wire::Suspects, Failure> {
    if args.swap.is_some() {
        return Err(
            Failure::input("--swap goes with --survey or --drive").hint("a case has its swaps from `witness swap add`")
        );
    }
    let tested = |(area, test, is_yes)| wire::Content::Tested { area, test, is_yes };
    let repaired = |(area, suspect, helped)| wire::Content::Repaired { area, suspect, helped };
    let told = args.result.iter().map(|text| by_hand(text).map(tested));
    let told = told.chain(args.repaired.iter().map(|text| by_hand(text).map(repaired)));
    let told = told.collect::<Result<Vec<_>, _>>()?;
    // All or none: whoever mistyped one says all of them again, and a repair that is told twice counts twice.
    if !told.is_empty() {
        workshop.add_entries(&told)?;
    }
    workshop.suspects_of_case(args.money_per_hour).map_err(|error| match error {
        ::workshop::WorkshopError::NoOpenCase => Failure::input("nothing to weigh: no case is open").hint(
            "open one with `witness case new --complaint TEXT`, or give a --complaint, a --survey or a --drive; `witness suspects --help` names all of them",
        ),
        other => other.into(),
    })
}

/// `AREA/NAME=yes|no`.
pub(crate) fn by_hand(text: &str) -> Result<(String, String, bool), Failure> {
    let wrong = || Failure::input(format!("`{text}` is not AREA/NAME=yes or AREA/NAME=no, such as misfire.1/coil=no"));
    let (place, answer) = text.split_once('=').ok_or_else(wrong)?;
    let (area, name) = place.split_once('/').ok_or_else(wrong)?;
    let is_yes = match answer {
        "yes" => true,
        "no" => false,
        _ => return Err(wrong()),
    };
    Ok((area.trim().to_owned(), name.trim().to_owned(), is_yes))
}

fn percent(p: f64) -> String {
    format!("{:5.1} %", (100.0 * p).clamp(0.1, 99.9))
}

fn page(result: &wire::Suspects, steps: bool) -> String {
    let width = width();
    let mut page = String::new();
    if result.areas.is_empty() {
        page += "Nothing here points at an area that the fault model knows.\n";
    }
    // What only the complaint points at stands back once something else points somewhere.
    let has_evidence = result.areas.iter().any(|area| !area.is_complaint_only);
    let (far, near): (Vec<_>, Vec<_>) =
        result.areas.iter().partition(|area| has_evidence && area.is_complaint_only && !steps);
    for area in near {
        page += &format!("{}  [{}]\n", clean(&area.title).to_uppercase(), clean(&area.id));
        page += &wrapped(&clean(&area.statement), "  ", width);
        for suspect in area.suspects.iter().filter(|suspect| suspect.probability >= 0.01) {
            page += &format!("\n  {}  {}\n", percent(suspect.probability), clean(&suspect.name));
            for (label, reasons) in [("for", &suspect.speaks_for), ("against", &suspect.speaks_against)] {
                for reason in reasons.iter().take(3) {
                    let factor =
                        if reason.factor >= 1.0 { reason.factor } else { 1.0 / reason.factor.max(f64::MIN_POSITIVE) };
                    let line = format!("{label} (odds {factor:.1} to 1): {}", clean(&reason.text));
                    page += &wrapped(&line, "           ", width);
                }
            }
        }
        if let Some(next) = &area.next {
            page += "\n  NEXT TEST\n";
            page += &test(area, next, width);
        }
        if let Some(first) = &area.repair_first {
            let name = area.suspects.iter().find(|suspect| suspect.id == *first).map_or(first, |suspect| &suspect.name);
            let line = format!("by cost alone, repairing at once is cheaper than any test: {}", clean(name));
            page += &wrapped(&line, "  ", width);
        }
        if !area.tests.is_empty() {
            let others = area.tests.iter().map(|test| format!("{} ({:.0} min)", test.id, test.minutes));
            page += &wrapped(&format!("other tests: {}", others.collect::<Vec<_>>().join(", ")), "  ", width);
        }
        if steps {
            page += "\n  HOW IT CAME ABOUT\n";
            for step in &area.steps {
                let half = if step.counts_half { "; counts half, related evidence was counted already" } else { "" };
                let line = format!("{} ({}){half}: {}", clean(&step.seen), clean(&step.evidence), clean(&step.why));
                page += &wrapped(&line, "  ", width);
                let moved = step.changes.iter().filter(|change| (change.to - change.from).abs() >= 0.01);
                let moved = moved.map(|change| {
                    format!("{} {} to {}", change.suspect, percent(change.from).trim(), percent(change.to).trim())
                });
                page += &wrapped(&moved.collect::<Vec<_>>().join(", "), "      ", width);
            }
        }
        if let Some(caution) = &area.caution {
            page += &wrapped(&format!("caution: {caution}"), "  ", width);
        }
        page += &wrapped(&format!("odds of the fault model: {}", area.source), "  ", width);
        page += "\n";
    }
    if !far.is_empty() {
        page += "ONLY THE COMPLAINT POINTS HERE  (`--steps` shows all of it)\n";
        for area in far {
            page += &wrapped(&format!("{}  [{}]", clean(&area.title), clean(&area.id)), "  ", width);
        }
        page += "\n";
    }
    if !result.moved.is_empty() {
        page += "SINCE THE LAST TIME\n";
        for change in &result.moved {
            page += &format!("  {} -> {}  {}\n", percent(change.from), percent(change.to), clean(&change.suspect));
        }
        for reason in &result.moved_by {
            page += &wrapped(&format!("why: {}", clean(reason)), "  ", width);
        }
        page += "  `--steps` shows what each piece of evidence changed\n\n";
    }
    for (label, lines) in [("not used", &result.unused), ("lost", &result.problems)] {
        for line in lines {
            page += &wrapped(&format!("{label}: {}", clean(line)), "", width);
        }
    }
    page
}

fn test(area: &wire::SuspectArea, test: &wire::NextTest, width: usize) -> String {
    let money = if test.money > 0.0 { format!(" and {:.0} in parts", test.money) } else { String::new() };
    let mut text = wrapped(&format!("{} ({:.0} minutes{money})", clean(&test.ask), test.minutes), "  ", width);
    for outcome in &test.outcomes {
        let decides = if outcome.decides { ": that decides" } else { "" };
        let line = format!(
            "{} ({}, {}): then {} ({}){decides}",
            outcome.answer,
            clean(&outcome.seen),
            percent(outcome.probability).trim(),
            clean(&outcome.then),
            percent(outcome.then_probability).trim()
        );
        text += &wrapped(&line, "    ", width);
    }
    if let Some(caution) = &test.caution {
        text += &wrapped(&format!("caution: {caution}"), "    ", width);
    }
    text + &format!("    tell the result with --result {}/{}=yes or =no\n", clean(&area.id), clean(&test.id))
}
