//! The list of all runs, and the page that is made of it.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::fs;
use std::io::Write as _;
use std::path::Path;

use super::run::{Run, per_second};
use crate::step::Failure;
use crate::workspace::Workspace;

/// The list, one run per line: target, processor time in s, executions, edges, features, corpus, memory, findings.
const LIST: &str = "runs.tsv";
/// The page.
const PAGE: &str = "docs/fuzzing-runs.md";

/// Appends a run to the list.
pub(super) fn keep(folder: &Path, run: &Run) -> Result<(), Failure> {
    let path = folder.join(LIST);
    let failed = |cause| Failure::new(format!("{}: {cause}", path.display()), "make room in the target folder");
    let mut list = fs::OpenOptions::new().create(true).append(true).open(&path).map_err(failed)?;
    let Run { target, processor_s, executions, edges, features, corpus, memory_mb, inputs } = run;
    let n = inputs.len();
    writeln!(list, "{target}\t{processor_s:.0}\t{executions}\t{edges}\t{features}\t{corpus}\t{memory_mb}\t{n}")
        .map_err(failed)
}

/// Adds the runs of this target folder to the page, and begins a new list: a run stands on the page once.
pub(super) fn write(workspace: &Workspace) -> Result<(), Failure> {
    let list = workspace.target().join("fuzz").join(LIST);
    let text = fs::read_to_string(&list)
        .map_err(|cause| Failure::new(format!("{}: {cause}", list.display()), "run `cargo xtask fuzz` first"))?;
    let path = workspace.root().join(PAGE);
    let so_far = fs::read_to_string(&path).map(|page| runs_on(&page)).unwrap_or_default();
    fs::write(&path, page(&(so_far + &text)))
        .and_then(|()| fs::remove_file(&list))
        .map_err(|cause| Failure::new(format!("{}: {cause}", path.display()), "see who may write there"))?;
    println!("wrote {PAGE}");
    Ok(())
}

/// What a page holds, as a list of runs.
fn runs_on(page: &str) -> String {
    let rows = page.lines().filter_map(|line| line.strip_prefix("| `")?.strip_suffix(" |"));
    rows.map(|row| {
        let cells: Vec<&str> = row.split(" | ").collect();
        let [target, processor_s, executions, _, edges, features, corpus, findings] = cells[..] else {
            return String::new();
        };
        let target = target.trim_end_matches('`');
        format!("{target}\t{processor_s}\t{executions}\t{edges}\t{features}\t{corpus}\t0\t{findings}\n")
    })
    .collect()
}

/// Runs of one target together.
#[derive(Default)]
struct Sum {
    processor_s: u64,
    executions: u64,
    edges: u64,
    features: u64,
    corpus: u64,
    findings: u64,
}

/// The page of a list: executions, processor time and findings are summed up; coverage and corpus are those of the run that reached
/// most, as another folder begins with another corpus.
fn page(list: &str) -> String {
    let mut sums: BTreeMap<&str, Sum> = BTreeMap::new();
    for line in list.lines() {
        let mut cells = line.split('\t');
        let Some(target) = cells.next() else { continue };
        let numbers: Vec<u64> = cells.filter_map(|cell| cell.parse().ok()).collect();
        let [processor_s, executions, edges, features, corpus, _, findings] = numbers[..] else { continue };
        let sum = sums.entry(target).or_default();
        sum.processor_s += processor_s;
        sum.executions += executions;
        sum.findings += findings;
        if features >= sum.features {
            (sum.edges, sum.features, sum.corpus) = (edges, features, corpus);
        }
    }
    let mut page = "# Fuzzing runs\n\nWritten by `cargo xtask fuzz --report`; what the columns mean is said in \
                    [fuzzing.md](fuzzing.md).\n\n\
                    | target | processor s | executions | executions/s | edges | features | corpus | findings |\n\
                    | --- | --: | --: | --: | --: | --: | --: | --: |\n"
        .to_owned();
    for (target, Sum { processor_s, executions, edges, features, corpus, findings }) in sums {
        let per_s = per_second(executions, processor_s as f64);
        let _ = writeln!(
            page,
            "| `{target}` | {processor_s} | {executions} | {per_s:.0} | {edges} | {features} | {corpus} | {findings} |"
        );
    }
    page
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn runs_of_a_target_are_summed_up() {
        let list =
            "uds\t10\t1000\t5\t6\t7\t60\t1\nobd\t5\t50\t1\t2\t3\t60\t0\nuds\t20\t2000\t8\t9\t10\t60\t0\nhalf\t1\n";
        let page = page(list);
        assert!(page.contains("| `uds` | 30 | 3000 | 100 | 8 | 9 | 10 | 1 |\n"), "{page}");
        assert!(page.contains("| `obd` | 5 | 50 | 10 | 1 | 2 | 3 | 0 |\n"), "{page}");
        assert!(!page.contains("half"), "{page}");
        assert_eq!(super::page(&runs_on(&page)), page, "a page is where the next begins");
    }
}
