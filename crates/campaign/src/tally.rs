//! What came of all trials, as a table.

use std::collections::BTreeMap;
use std::fmt::Write;
use std::path::Path;

use crate::fault::{FAULTS, Fault};
use crate::trial::{OPERATIONS, Operation, Outcome, Trial};

#[derive(Debug, Default, Clone, Copy)]
struct Cell {
    n: usize,
    /// In which all held.
    n_survived: usize,
    /// Of these: where something was not done, and this was told.
    n_told: usize,
}

#[derive(Debug, Default)]
pub(crate) struct Tally {
    cells: BTreeMap<(Fault, Operation), Cell>,
    n_samples: u64,
    n_undetectable: u64,
    /// After each trial, kB.
    memory_kb: Vec<f64>,
}

/// Growth of memory between the second and the last quarter of a campaign that is none: what an allocator keeps, kB.
const SPARE_KB: f64 = 16_000.0;

impl Tally {
    pub(crate) fn add(&mut self, trial: &Trial, outcome: &Outcome) {
        let cell = self.cells.entry((trial.fault, trial.operation)).or_default();
        cell.n += 1;
        if outcome.broken.is_empty() {
            cell.n_survived += 1;
            cell.n_told += usize::from(outcome.told.is_some());
        }
        self.n_samples += outcome.n_samples;
        self.n_undetectable += outcome.n_undetectable;
    }

    pub(crate) fn memory(&mut self, kb: f64) {
        self.memory_kb.push(kb);
    }

    /// Medians of the second and the last quarter, kB.
    fn growth(&self) -> (f64, f64) {
        let n = self.memory_kb.len();
        (median(&self.memory_kb[n / 4..n / 2]), median(&self.memory_kb[3 * n / 4..]))
    }

    pub(crate) fn is_sound(&self) -> bool {
        let (early, late) = self.growth();
        self.cells.values().all(|cell| cell.n == cell.n_survived) && late - early < SPARE_KB
    }

    /// The table in Markdown.
    pub(crate) fn text(&self) -> String {
        let mut text =
            String::from("| fault | drives | surveys | commands | clearings |\n| --- | --- | --- | --- | --- |\n");
        let shown = |cell: Option<&Cell>| match cell {
            None => "–".to_owned(),
            Some(Cell { n, n_survived, n_told }) => format!("{n_survived}/{n} ({n_told})"),
        };
        for (fault, name, what) in FAULTS {
            let row: Vec<String> =
                OPERATIONS.iter().map(|(operation, _)| shown(self.cells.get(&(fault, *operation)))).collect();
            if row.iter().any(|cell| cell != "–") {
                let _ = writeln!(text, "| `{name}`: {what} | {} |", row.join(" | "));
            }
        }
        let total = |operation: Operation| {
            let own = self.cells.iter().filter(|((_, of), _)| *of == operation).map(|(_, cell)| cell);
            let sum = own.fold(Cell::default(), |all, cell| Cell {
                n: all.n + cell.n,
                n_survived: all.n_survived + cell.n_survived,
                n_told: all.n_told + cell.n_told,
            });
            shown(Some(&sum))
        };
        let totals: Vec<String> = OPERATIONS.iter().map(|(operation, _)| total(*operation)).collect();
        let _ = writeln!(text, "| all | {} |", totals.join(" | "));
        let (early, late) = self.growth();
        let _ = write!(
            text,
            "\n{} samples were held against the car, {} of them are wrong and undetectable (one digit for another).\n\
             Memory: {:.1} MB in the second quarter of the trials, {:.1} MB in the last (medians).\n",
            self.n_samples,
            self.n_undetectable,
            early / 1000.0,
            late / 1000.0
        );
        text
    }
}

fn median(values: &[f64]) -> f64 {
    let mut values = values.to_vec();
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied().unwrap_or(0.0)
}

const MARKS: [&str; 2] = ["<!-- campaign -->", "<!-- end of campaign -->"];

/// Puts the table between the two marks of a page.
pub(crate) fn write_page(page: &Path, table: &str, seed: u64) -> std::io::Result<()> {
    let text = std::fs::read_to_string(page)?;
    let missing = || std::io::Error::other(format!("lacks `{}` or `{}`", MARKS[0], MARKS[1]));
    let (before, rest) = text.split_once(MARKS[0]).ok_or_else(missing)?;
    let (_, after) = rest.split_once(MARKS[1]).ok_or_else(missing)?;
    let head =
        format!("Seed {seed}; survived/tried, and in brackets how often something was not done and this was told.");
    std::fs::write(page, format!("{before}{}\n{head}\n\n{table}{}{after}", MARKS[0], MARKS[1]))
}
