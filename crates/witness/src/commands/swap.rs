//! `witness swap judge`: does the misfire follow a part, or stay with the cylinder?

use std::path::{Path, PathBuf};

use crate::cli::{SwapArgs, SwapCommand};
use crate::failure::{Exit, Failure, cannot_read};
use crate::output::{clean, print_json, print_text, width, wrapped};
use evidence::swap::SwapDrive;

pub(crate) fn run(args: &SwapArgs, json: bool) -> Result<Exit, Failure> {
    let SwapCommand::Judge { experiment } = &args.command;
    let text = std::fs::read_to_string(experiment).map_err(|source| cannot_read(experiment, &source))?;
    let read: wire::Experiment = serde_json::from_str(&text).map_err(|error| {
        Failure::input(format!("`{}`: {error}", experiment.display())).hint(
            r#"it reads {"parts": ["coil"], "drives": [{"file": "before.mcap", "placement": {"coil": [1, 2, 3, 4]}}, ...]}"#,
        )
    })?;
    let files: Vec<PathBuf> = read.drives.iter().map(|drive| beside(experiment, Path::new(&drive.file))).collect();
    let opened = files.iter().map(|file| super::open_drive(file)).collect::<Result<Vec<_>, _>>()?;
    let drives: Vec<SwapDrive<'_>> = opened
        .iter()
        .zip(&read.drives)
        .map(|(opened, drive)| SwapDrive { recording: &opened.recording, placement: &drive.placement })
        .collect();
    let verdict = evidence::swap::judge(&drives, &read.parts)
        .map_err(|error| Failure::input(format!("`{}`: {error}", experiment.display())))?;
    let problems: Vec<String> = opened
        .iter()
        .zip(&files)
        .flat_map(|(opened, file)| {
            super::drive_problems(opened).into_iter().map(|problem| format!("{}: {problem}", file.display()))
        })
        .collect();
    let result = wire::SwapJudged {
        hypotheses: verdict
            .hypotheses
            .iter()
            .map(|(fault, probability)| wire::Hypothesis { fault: fault.to_string(), probability: *probability })
            .collect(),
        decided: verdict.decided,
        statement: verdict.statement,
        next: verdict.next,
        drives: verdict
            .counts
            .iter()
            .zip(&files)
            .map(|(counts, file)| wire::SwapCounts {
                file: file.display().to_string(),
                misfires: counts.iter().map(|count| count.map(|count| count.events)).collect(),
                firings: counts.iter().map(|count| count.map(|count| count.exposure)).collect(),
            })
            .collect(),
        problems,
    };
    if json {
        print_json(&result)?;
    } else {
        print_text(&page(&result));
    }
    Ok(if result.problems.is_empty() { Exit::Done } else { Exit::Lost })
}

/// A drive named by the experiment: beside the experiment's own file, so that both can be moved together.
fn beside(experiment: &Path, file: &Path) -> PathBuf {
    let here = experiment.parent().map(|folder| folder.join(file)).unwrap_or_else(|| file.to_owned());
    if here.exists() { here } else { file.to_owned() }
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
