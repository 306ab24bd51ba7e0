//! `witness proof`: whether the faults of the drives before a repair are gone, or what must still be driven.

use crate::cli::ProofArgs;
use crate::failure::{Exit, Failure};
use crate::output::{clean, print_json, print_text, width, wrapped};

pub(crate) fn run(args: &ProofArgs, json: bool) -> Result<Exit, Failure> {
    let workshop = super::workshop()?;
    let result =
        if args.before.is_empty() { workshop.proof_of_case()? } else { workshop.proof(&args.before, &args.after)? };
    super::tell_case(result.case.as_ref());
    if json {
        print_json(&result)?;
    } else {
        print_text(&page(&result));
    }
    Ok(if result.problems.is_empty() { Exit::Done } else { Exit::Lost })
}

fn page(result: &wire::Proof) -> String {
    let width = width();
    let mut page = match result.verdict.as_str() {
        "proven" if !result.new_faults.is_empty() => "PROVEN, BUT THE CAR IS NOT SOUND: every fault of the drives \
            before the repair is gone, and another is there.\n"
            .to_owned(),
        "proven" => "PROVEN: every fault of the drives before the repair is gone.\n".to_owned(),
        "nothing before" => "NOTHING TO PROVE: the drives before the repair show no fault.\n".to_owned(),
        other => format!("{}\n", other.to_uppercase()),
    };
    for fault in &result.faults {
        let progress = fault.progress.map(|share| format!(", {:.0} % driven", 100.0 * share)).unwrap_or_default();
        let subject = clean(&fault.subject.join(" and "));
        let title = match &fault.part {
            Some(part) => format!("{} of {}, watched at {subject}", fault.kind, clean(part)),
            None => format!("{} {subject}", fault.kind),
        };
        page += &format!("\n  {title}  ({}{progress})\n", fault.outcome);
        page += &wrapped(&format!("before: {}", clean(&fault.before)), "    ", width);
        page += &wrapped(&format!("now: {}", clean(&fault.statement)), "    ", width);
        if let Some(needed_s) = fault.needed_s {
            let line = format!("the proof takes {needed_s:.0} s {} without the fault", clean(&fault.condition));
            page += &wrapped(&line, "    ", width);
        }
        for line in &fault.next {
            page += &wrapped(&format!("next: {}", clean(line)), "    ", width);
        }
    }
    if !result.new_faults.is_empty() {
        page += "\nFaults that no drive before the repair showed:\n";
    }
    for fault in &result.new_faults {
        page += &format!("\n  {} {}\n", fault.kind, clean(&fault.subject.join(" and ")));
        if let Some(before) = &fault.before {
            page += &wrapped(&format!("before: {}", clean(before)), "    ", width);
        }
        page += &wrapped(&format!("now: {}", clean(&fault.statement)), "    ", width);
        for line in &fault.next {
            page += &wrapped(&format!("next: {}", clean(line)), "    ", width);
        }
    }
    for line in &result.problems {
        page += &wrapped(&format!("lost: {}", clean(line)), "", width);
    }
    if !result.codes.is_empty() {
        page += "\nCodes that must stay away:\n";
        for code in &result.codes {
            page += &format!("  {} in {}: {}\n", clean(&code.code), clean(&code.module), code.state);
        }
    }
    if !result.monitors.is_empty() {
        page += "\nMonitors of the car that have yet to run, and what they usually need:\n";
        for monitor in &result.monitors {
            page += &wrapped(&format!("{}: {}", clean(&monitor.name), monitor.conditions), "  ", width);
        }
    }
    let more = "Readiness monitors and permanent codes are proofs of their own: survey again after the drive. The maker's \
                own conditions come first; how many open monitors an inspection accepts is a matter of local law, and a \
                permanent code is erased by the car alone.";
    page += "\n";
    page += &wrapped(more, "", width);
    page += "caution: choose a legal, quiet road; the driver never looks at the tool.\n";
    page
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn another_fault_is_no_clean_bill() {
        let sound = wire::Proof { verdict: "proven".into(), ..wire::Proof::default() };
        assert!(page(&sound).starts_with("PROVEN: every fault"), "{}", page(&sound));
        let new = wire::NewFault {
            kind: "misfire".into(),
            subject: vec!["misfire.cylinder_4".into()],
            statement: "Cylinder 4 misfired 200 times in 9000 of its firings.".into(),
            before: Some("Cylinder 4 missed none of 9000 firings.".into()),
            next: vec!["read the codes".into()],
        };
        let page = page(&wire::Proof { new_faults: vec![new], ..sound });
        assert!(page.starts_with("PROVEN, BUT THE CAR IS NOT SOUND"), "{page}");
        for part in [
            "misfire misfire.cylinder_4",
            "now: Cylinder 4 misfired 200",
            "before: Cylinder 4 missed none",
            "next: read",
        ] {
            assert!(page.contains(part), "{part}: {page}");
        }
    }
}
