//! Counts, their exact intervals, and the page that shows them.

use std::collections::BTreeMap;
use std::fmt::Write;

use evidence::{Finding, Kind, Verdict};
use statrs::distribution::{Beta, ContinuousCDF};

/// Verdicts about signals at fault.
#[derive(Debug, Default, Clone, Copy)]
pub struct Cell {
    pub faulty: usize,
    pub undecided: usize,
    pub healthy: usize,
}

impl Cell {
    /// No finding at all counts as undecided.
    pub fn count(&mut self, verdict: Option<Verdict>) {
        match verdict {
            Some(Verdict::Faulty) => self.faulty += 1,
            Some(Verdict::Healthy) => self.healthy += 1,
            _ => self.undecided += 1,
        }
    }

    fn n(self) -> usize {
        self.faulty + self.undecided + self.healthy
    }
}

/// One size, and its cells by rate.
type Row = (String, BTreeMap<u64, Cell>);

/// All that was counted.
#[derive(Default)]
pub struct Page {
    /// By title, then in the order of sizes.
    tables: Vec<(&'static str, Vec<Row>)>,
    /// Per kind: healthy subject-checks, and how many of them were called faulty, undecided.
    alarms: BTreeMap<Kind, [usize; 3]>,
}

impl Page {
    /// The cell of a size and rate.
    pub fn cell(&mut self, title: &'static str, size: &str, rate_hz: f64) -> &mut Cell {
        let table = match self.tables.iter().position(|table| table.0 == title) {
            Some(k) => &mut self.tables[k].1,
            None => {
                self.tables.push((title, Vec::new()));
                &mut self.tables.last_mut().unwrap().1
            }
        };
        let row = match table.iter().position(|row| row.0 == size) {
            Some(k) => &mut table[k].1,
            None => {
                table.push((size.to_owned(), BTreeMap::new()));
                &mut table.last_mut().unwrap().1
            }
        };
        row.entry(rate_hz as u64).or_default()
    }

    pub fn cells(&self) -> impl Iterator<Item = &Cell> {
        self.tables.iter().flat_map(|table| &table.1).flat_map(|row| row.1.values())
    }

    /// Counts every subject-check that does not touch the signal at fault.
    pub fn count_healthy(&mut self, what: &str, findings: &[Finding], at_fault: &[impl AsRef<str>]) {
        for finding in findings {
            if finding.subject.iter().any(|subject| at_fault.iter().any(|id| id.as_ref() == subject)) {
                continue;
            }
            let alarms = self.alarms.entry(finding.kind).or_default();
            alarms[0] += 1;
            alarms[1] += usize::from(finding.verdict == Verdict::Faulty);
            alarms[2] += usize::from(finding.verdict == Verdict::Undecided);
            if finding.verdict == Verdict::Faulty {
                eprintln!("ACCUSED {what}: {} {:?} {}", finding.kind, finding.subject, finding.statement);
            }
        }
    }

    /// Adds what another page counted.
    pub fn add(&mut self, other: Self) {
        for (title, rows) in other.tables {
            for (size, cells) in rows {
                for (rate_hz, more) in cells {
                    let cell = self.cell(title, &size, rate_hz as f64);
                    cell.faulty += more.faulty;
                    cell.undecided += more.undecided;
                    cell.healthy += more.healthy;
                }
            }
        }
        for (kind, more) in other.alarms {
            let alarms = self.alarms.entry(kind).or_default();
            (0..3).for_each(|k| alarms[k] += more[k]);
        }
    }

    /// Healthy subject-checks called faulty.
    pub fn accused(&self) -> usize {
        self.alarms.values().map(|alarms| alarms[1]).sum()
    }
}

/// Clopper-Pearson interval, 95 %, of `k` in `n` (Clopper and Pearson 1934): quantiles of beta distributions.
pub fn interval(k: usize, n: usize) -> (f64, f64) {
    let (k, n) = (k as f64, n as f64);
    let low = if k > 0.0 { Beta::new(k, n - k + 1.0).unwrap().inverse_cdf(0.025) } else { 0.0 };
    let high = if k < n { Beta::new(k + 1.0, n - k).unwrap().inverse_cdf(0.975) } else { 1.0 };
    (low, high)
}

fn percent(share: f64) -> String {
    let percent = 100.0 * share;
    if percent > 0.0 && percent < 9.5 { format!("{percent:.2}") } else { format!("{percent:.0}") }
}

fn alarms(text: &mut String, page: &Page) {
    text.push_str("| check | healthy subject-checks | called faulty | share, % (95 %) | undecided, % |\n| --- | --- | --- | --- | --- |\n");
    let mut sum = [0; 3];
    let row = |text: &mut String, name: &str, [n, faulty, undecided]: [usize; 3]| {
        let (low, high) = interval(faulty, n);
        let share = faulty as f64 / n as f64;
        let open = 100.0 * undecided as f64 / n as f64;
        writeln!(
            text,
            "| {name} | {n} | {faulty} | {} ({} to {}) | {open:.0} |",
            percent(share),
            percent(low),
            percent(high)
        )
        .unwrap();
    };
    for (kind, counts) in &page.alarms {
        (0..3).for_each(|k| sum[k] += counts[k]);
        row(text, &kind.to_string(), *counts);
    }
    row(text, "all", sum);
}

fn detections(text: &mut String, page: &Page, rates_hz: &[f64]) {
    for (title, rows) in &page.tables {
        write!(text, "\n### {title}\n\n| size |").unwrap();
        rates_hz.iter().for_each(|rate| write!(text, " {rate} Hz |").unwrap());
        text.push_str(" called healthy |\n| --- |");
        rates_hz.iter().for_each(|_| text.push_str(" --- |"));
        text.push_str(" --- |\n");
        for (size, cells) in rows {
            write!(text, "| {size} |").unwrap();
            let mut all = Cell::default();
            for rate in rates_hz {
                let cell = cells.get(&(*rate as u64)).copied().unwrap_or_default();
                let (low, high) = interval(cell.faulty, cell.n().max(1));
                write!(
                    text,
                    " {:.0} ({:.0}-{:.0}) |",
                    100.0 * cell.faulty as f64 / cell.n().max(1) as f64,
                    100.0 * low,
                    100.0 * high
                )
                .unwrap();
                all.faulty += cell.faulty;
                all.undecided += cell.undecided;
                all.healthy += cell.healthy;
            }
            writeln!(text, " {:.0} |", 100.0 * all.healthy as f64 / all.n() as f64).unwrap();
        }
    }
}

/// The whole page.
pub fn written(simulated: &Page, real: &Page, rates_hz: &[f64], n: u64, seconds: f64) -> String {
    let mut text = String::from("# Detection and false alarms\n\n");
    text.push_str("This page is written by `cargo xtask detection`; do not edit it by hand.\n\n");
    writeln!(
        text,
        "Drives of {seconds:.0} s of simple simulated cars (`crates/evidence/tests/detection`), drawn anew for every trial: town, country road and motorway, either axle driven, tyres that differ by 0.2 %, rough roads whose bumps reach the rear wheels later, wheel steps from 0.01 to 1 km/h, pedal steps of 0.4 %."
    )
    .unwrap();
    text.push_str("Engines, batteries and outputs: twenty minutes from a start, cold or warm, conventional and controlled charging, engines of 1.2 to 3 l; the clutch of an air conditioning is switched at uneven times with the engine idling.\n");
    text.push_str("The recorder polls one signal after another within 5 to 60 ms, with jitter, lost rounds, and modules that renew their values every 10 or 20 ms.\n");
    text.push_str("Cars, recorder and faults are written for this page and know nothing of the checks; the stand-in car has no part in it.\n");
    writeln!(text, "Every cell holds {n} drives with the fault; the wheel at fault, the places and the sizes of the car change from one to the next.").unwrap();
    text.push_str("The open drives are those that the tests use; they are of few cars, and nobody certifies that these were healthy.\n\n");
    text.push_str("All intervals are exact (Clopper-Pearson, 95 %).\nThey treat drives as independent; the four wheels of one drive are not quite.\n\n");
    text.push_str("## False alarms: simulated cars\n\nEvery subject that has no fault in it, in sound drives and beside a fault.\n\n");
    alarms(&mut text, simulated);
    text.push_str("\n## False alarms: open drives\n\nAs they are, and the motorway minute resampled with and without a fault in another wheel.\n\n");
    alarms(&mut text, real);
    text.push_str("\n## Detection: simulated cars\n\nShare of the drives, in percent with its interval, in which the signal at fault was called faulty by the check in question.\nThe rest is undecided, except for the share in the last column, over all rates.\nA fault that the drive never gave a chance to show (a value that sticks while the car stands) counts as missed.\n");
    detections(&mut text, simulated, rates_hz);
    text.push_str("\n## Detection: the open motorway minute\n\nOne minute of one car, 29 to 71 km/h.\n");
    detections(&mut text, real, rates_hz);
    text
}
