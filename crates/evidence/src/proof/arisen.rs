//! Faults that the drives after a repair show and those before it did not.

use std::collections::BTreeMap;

use crate::{Finding, Kind, Verdict};

/// A fault of the drives after the repair that no drive before it showed: the repair may be proven, the car is not sound.
#[derive(Debug, Clone, PartialEq)]
pub struct Arisen {
    /// The check that sees it.
    pub kind: Kind,
    /// Signals or things it is about.
    pub subject: Vec<String>,
    /// What it is, with its numbers, from the drive that shows it most clearly.
    pub statement: String,
    /// What the same check said of the drives before the repair; `None` where it could not be asked.
    pub before: Option<String>,
    /// What to do next.
    pub next: Vec<String>,
}

/// What is faulty in a drive of `now` and in none of `then`, the surest first; `is_followed` tells the findings (with the index
/// of their drive) that the proof of the repair counts already.
pub(super) fn arisen(
    then: &[Vec<Finding>],
    now: &[Vec<Finding>],
    is_followed: impl Fn(&Finding, usize) -> bool,
) -> Vec<Arisen> {
    let is_same = |a: &Finding, b: &Finding| a.kind == b.kind && a.subject == b.subject;
    let mut surest: BTreeMap<(Kind, &[String]), &Finding> = BTreeMap::new();
    for (drive, findings) in now.iter().enumerate() {
        for finding in findings.iter().filter(|finding| finding.verdict == Verdict::Faulty) {
            let was_there = then.iter().flatten().any(|old| old.verdict == Verdict::Faulty && is_same(old, finding));
            if was_there || is_followed(finding, drive) {
                continue;
            }
            let known = surest.entry((finding.kind, &finding.subject)).or_insert(finding);
            if known.log10_odds < finding.log10_odds {
                *known = finding;
            }
        }
    }
    let mut surest: Vec<&Finding> = surest.into_values().collect();
    surest.sort_by(|a, b| b.log10_odds.total_cmp(&a.log10_odds));
    let told = |finding: &Finding| {
        let old = then.iter().flatten().filter(|old| is_same(old, finding));
        let old = old.max_by(|a, b| a.log10_odds.total_cmp(&b.log10_odds));
        Arisen {
            kind: finding.kind,
            subject: finding.subject.clone(),
            statement: finding.statement.clone(),
            before: old.map(|old| old.statement.clone()),
            next: finding.next.clone(),
        }
    };
    surest.into_iter().map(told).collect()
}
