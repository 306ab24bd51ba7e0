//! `witness examine`: findings of a drive, for people and for scripts.

use wire::{Examined, Finding};
use workshop::{CaseChoice, When};

use crate::cli::ExamineArgs;
use crate::failure::{Exit, Failure};
use crate::output::{clean, clock, print_json, print_text, width, wrapped};

pub(crate) fn run(args: &ExamineArgs, json: bool) -> Result<Exit, Failure> {
    let when = super::swap::moment(&args.when);
    if when != When::Now && super::is_without_case() {
        return Err(Failure::input("when the drive was made is written into its case, and --no-case writes nothing")
            .hint("leave out either of the two"));
    }
    let workshop = super::workshop()?;
    let mut examined = workshop.examine(&args.drive)?;
    super::tell_case(examined.case.as_ref());
    match (&examined.case, when) {
        (_, When::Now) => {}
        (Some(case), when) => {
            workshop.in_case(CaseChoice::Number(case.number)).add_drive_time(&args.drive, when)?;
        }
        // A closed case takes no findings; why another one did not stands beside it.
        (None, _) => examined.problems.push(
            "when the drive was made is not written down, as nothing was written into a case: see that its case is open"
                .to_owned(),
        ),
    }
    if json {
        print_json(&examined)?;
    } else {
        print_text(&page(&examined, args.all));
    }
    Ok(if examined.problems.is_empty() { Exit::Done } else { Exit::Lost })
}

/// The findings as a page of text: what is faulty first, then what is open, then what was seen to be in order.
pub(crate) fn page(examined: &Examined, all: bool) -> String {
    let width = width();
    let Examined { drive, findings, problems, .. } = examined;
    let mut page = format!(
        "Drive {}\n  {} of {} signals, {} marks, {} gaps\n",
        clean(&drive.file),
        duration(drive.duration_s),
        drive.signals.len(),
        drive.marks.len(),
        drive.gaps.len()
    );
    for problem in problems {
        page += &wrapped(&format!("lost: {}", clean(problem)), "  ", width);
    }
    if findings.is_empty() {
        page += "\nNo check found the signals that it needs in this drive.\n";
        return page;
    }
    for (verdict, title) in [("faulty", "FAULTY"), ("undecided", "UNDECIDED")] {
        let chosen: Vec<&Finding> = findings.iter().filter(|finding| finding.verdict == verdict).collect();
        if !chosen.is_empty() {
            page += &format!("\n{title}\n");
        }
        for finding in chosen {
            page += &in_full(finding, width);
        }
    }
    let healthy: Vec<&Finding> = findings.iter().filter(|finding| finding.verdict == "healthy").collect();
    if !healthy.is_empty() {
        page += "\nNO FAULT SEEN\n";
        for finding in healthy {
            if all {
                page += &in_full(finding, width);
            } else {
                page += &wrapped(&format!("{}: {}", title(finding), clean(&finding.statement)), "  ", width);
            }
        }
    }
    if !findings.iter().any(|finding| finding.verdict == "faulty") {
        page += "\nNothing here is called faulty. That is a statement about this drive and these signals, no more.\n";
    }
    page
}

fn duration(duration_s: f64) -> String {
    if duration_s < 120.0 { format!("{duration_s:.1} s") } else { format!("{:.1} min", duration_s / 60.0) }
}

fn title(finding: &Finding) -> String {
    format!("{} {}", finding.kind, clean(&finding.subject.join(" and ")))
}

/// How strong the evidence is, in words that promise no more than the number does.
fn strength(finding: &Finding) -> String {
    let odds = finding.log10_odds;
    let ratio =
        |log10: f64| if log10 > 4.0 { "more than 10 000".to_owned() } else { format!("{:.0}", 10f64.powf(log10)) };
    if odds >= 0.0 {
        format!("odds {} to 1 for a fault", ratio(odds))
    } else {
        format!("odds {} to 1 against a fault", ratio(-odds))
    }
}

fn in_full(finding: &Finding, width: usize) -> String {
    let mut text = format!("  {}  ({})\n", title(finding), strength(finding));
    text += &wrapped(&clean(&finding.statement), "    ", width);
    const SHOWN: usize = 6;
    if !finding.spans.is_empty() {
        let places: Vec<String> = finding
            .spans
            .iter()
            .take(SHOWN)
            .map(|span| {
                if span.to_s - span.from_s < 1.0 {
                    format!("{} ({:.0} ms)", clock(span.from_s), (span.to_s - span.from_s) * 1000.0)
                } else {
                    format!("{} to {}", clock(span.from_s), clock(span.to_s))
                }
            })
            .collect();
        let rest = finding.spans.len().saturating_sub(SHOWN);
        let more = if rest > 0 { format!(", and {rest} more") } else { String::new() };
        text += &wrapped(&format!("where: {}{more}", places.join(", ")), "    ", width);
    }
    for (label, lines) in [("could also be", &finding.alternatives), ("next", &finding.next)] {
        for line in lines {
            text += &wrapped(&format!("{label}: {}", clean(line)), "    ", width);
        }
    }
    text
}
