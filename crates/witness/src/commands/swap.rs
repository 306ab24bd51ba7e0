//! `witness swap judge`: does the misfire follow a part, or stay with the cylinder?

use crate::cli::{SwapArgs, SwapCommand};
use crate::failure::{Exit, Failure};
use crate::output::{clean, print_json, print_text, width, wrapped};

pub(crate) fn run(args: &SwapArgs, json: bool) -> Result<Exit, Failure> {
    let SwapCommand::Judge { experiment } = &args.command;
    let result = super::workshop()?.judge_swap_file(experiment)?;
    if json {
        print_json(&result)?;
    } else {
        print_text(&page(&result));
    }
    Ok(if result.problems.is_empty() { Exit::Done } else { Exit::Lost })
}

fn page(result: &wire::SwapJudged) -> String {
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
