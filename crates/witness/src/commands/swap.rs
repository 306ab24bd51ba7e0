//! `witness swap judge`: does the misfire follow a part, or stay with the cylinder?

use workshop::When;

use crate::cli::{SwapArgs, SwapCommand, WhenArgs};
use crate::failure::{Exit, Failure};
use crate::output::{clean, print_json, print_text, progress, width, wrapped};

pub(crate) fn run(args: &SwapArgs, json: bool) -> Result<Exit, Failure> {
    let workshop = super::workshop()?;
    let made = match &args.command {
        SwapCommand::Judge { experiment } => {
            let result = match experiment {
                Some(experiment) => workshop.judge_swap_file(experiment)?,
                None => workshop.judge_case()?,
            };
            super::tell_case(result.case.as_ref());
            return judged(&result, json);
        }
        SwapCommand::Add { part, between, from, to, new_at, text, when } => {
            let when = moment(when);
            match (between.as_slice(), from.zip(*to), new_at) {
                ([first, second], _, _) => workshop.add_swap(part, *first, *second, when)?,
                (_, Some((from, to)), _) => workshop.add_swap(part, from, to, when)?,
                (_, _, Some(at)) => workshop.add_replacement(part, Some(*at), text, when)?,
                _ => {
                    return Err(Failure::input("it is not said what changed places").hint(
                        "give --between 1 4 for two parts that changed places, or --new-at 1 for a part from outside",
                    ));
                }
            }
        }
        SwapCommand::Undo { mistaken } => workshop.undo_swap(*mistaken)?,
    };
    progress("caution: ignition voltage can injure: engine off, key out, parts cool, before anything is exchanged.");
    if json {
        print_json(&made)?;
    } else {
        print_text(&format!("case {}, entry {}\n{}", made.case.number, made.entry.number, placement(&made.placement)));
    }
    Ok(Exit::Done)
}

/// When something was done, by its options.
pub(crate) fn moment(when: &WhenArgs) -> When {
    match (when.before_entry, when.minutes_ago) {
        (Some(entry), _) => When::BeforeEntry(entry),
        (None, Some(minutes)) => When::MinutesAgo(minutes),
        (None, None) => When::Now,
    }
}

/// Where the parts sit, one line per kind.
pub(crate) fn placement(placement: &wire::Placement) -> String {
    let n = placement.values().map(Vec::len).max().unwrap_or(0);
    if n == 0 {
        return "every part sits where it sat at first\n".to_owned();
    }
    let numbers = |cells: &mut dyn Iterator<Item = u32>| cells.map(|cell| format!("{cell:>4}")).collect::<String>();
    let mut text = format!("{:14}{}\n", "on cylinder", numbers(&mut (1..=n as u32)));
    for (part, row) in placement {
        text += &format!("{:14}{}\n", clean(part), numbers(&mut row.iter().copied()));
    }
    text
}

fn judged(result: &wire::SwapJudged, json: bool) -> Result<Exit, Failure> {
    if json {
        print_json(result)?;
    } else {
        print_text(&page(result));
    }
    Ok(if result.problems.is_empty() { Exit::Done } else { Exit::Lost })
}

pub(crate) fn page(result: &wire::SwapJudged) -> String {
    let width = width();
    let mut page = wrapped(&clean(&result.statement), "", width);
    page += if result.decided { "\nDECIDED\n" } else { "\nOPEN\n" };
    for hypothesis in result.hypotheses.iter().filter(|hypothesis| hypothesis.probability >= 0.005) {
        page += &format!("  {:16} {:5.1} %\n", clean(&hypothesis.fault), hypothesis.probability * 100.0);
    }
    page += "\nMisfires of firings, by cylinder, in the condition in which it failed before\n";
    for drive in &result.drives {
        let cells = drive.misfires.iter().zip(&drive.firings).map(|pair| match pair {
            (Some(misfires), Some(firings)) => format!("{misfires} of {firings:.0}"),
            _ => "not recorded".to_owned(),
        });
        let cells: Vec<String> = cells.map(|cell| format!("{cell:>14}")).collect();
        page += &format!("  {}  {}\n", cells.join(""), clean(&drive.file));
    }
    for line in &result.next {
        page += &wrapped(&format!("next: {}", clean(line)), "", width);
    }
    for line in &result.problems {
        page += &wrapped(&format!("lost: {}", clean(line)), "", width);
    }
    page += "caution: ignition voltage can injure: engine off, key out, parts cool, before anything is exchanged.\n";
    page
}
