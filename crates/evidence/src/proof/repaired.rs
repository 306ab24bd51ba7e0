//! What drives before and after a repair show together, for every fault that the drives before it showed.

use std::collections::BTreeMap;

use signal::Recording;

use super::{Before, Outcome};
use crate::misfire::Repair;
use crate::stats::poisson::Count;
use crate::{Finding, Kind, Verdict, examine};

/// Confidence of every proof.
const CONFIDENCE: f64 = 0.95;

/// One fault that was seen before the repair, and what is left of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Proven {
    /// The check that saw it.
    pub kind: Kind,
    /// Signals or things it is about.
    pub subject: Vec<String>,
    /// What it was before, with its numbers.
    pub before: String,
    /// Where it must be driven.
    pub condition: String,
    /// What the drives after the repair show.
    pub outcome: Outcome,
    /// One plain sentence with its numbers.
    pub statement: String,
    /// Share of the necessary exposure that is driven, 0 to 1; `None` where the check knows no exposure.
    pub progress: Option<f64>,
    /// Seconds of the condition that the proof takes in all, and how many are lacking; `None` where the check knows no
    /// exposure.
    pub needed_s: Option<f64>,
    /// See `needed_s`.
    pub lacking_s: Option<f64>,
    /// What to do next.
    pub next: Vec<String>,
}

/// Proves every fault that the drives before the repair showed; with no drive after it, says what must be driven.
///
/// Misfires are proven by firings in the failing condition, dropouts by time under observation, both at 95 %; any other
/// fault by the verdict of the same check.
#[must_use]
pub fn prove(before: &[&Recording], after: &[&Recording]) -> Vec<Proven> {
    let now: Vec<Vec<Finding>> = after.iter().map(|recording| examine(recording)).collect();
    let mut worst: BTreeMap<(Kind, Vec<String>), Finding> = BTreeMap::new();
    // Only drives that show the fault measure how often it came: a drive in which it stayed away adds nothing to fear.
    let mut events: BTreeMap<Vec<String>, Count> = BTreeMap::new();
    for finding in before.iter().flat_map(|recording| examine(recording)) {
        if finding.verdict != Verdict::Faulty {
            continue;
        }
        if finding.kind == Kind::Dropout {
            let count = events.entry(finding.subject.clone()).or_default();
            *count = add(*count, dropouts(&finding));
        }
        let key = (finding.kind, finding.subject.clone());
        if worst.get(&key).is_none_or(|other| other.log10_odds < finding.log10_odds) {
            worst.insert(key, finding);
        }
    }
    let prove_one = |finding: &Finding| match finding.kind {
        Kind::Misfire => misfire(before, after, finding),
        Kind::Dropout => Some(dropout(finding, *events.get(&finding.subject)?, &now)),
        _ => None,
    };
    worst.values().map(|finding| prove_one(finding).unwrap_or_else(|| by_verdict(finding, &now))).collect()
}

fn add(a: Count, b: Count) -> Count {
    Count { events: a.events + b.events, exposure: a.exposure + b.exposure }
}

/// Events and effective seconds of a dropout finding.
fn dropouts(finding: &Finding) -> Count {
    let figure = |name: &str| finding.figures.get(name).copied().unwrap_or(0.0).max(0.0);
    Count { events: figure("events") as u64, exposure: figure("effective_exposure_s") }
}

fn misfire(before: &[&Recording], after: &[&Recording], finding: &Finding) -> Option<Proven> {
    let cylinder = finding.subject.first()?.rsplit('_').next()?.parse().ok()?;
    let repair = Repair::of(before, cylinder)?;
    let progress = repair.progress_over(after);
    let (needed_s, lacking_s) = (progress.proof.needed * 120.0 / repair.speed_rpm, progress.lacking_s);
    let next = match progress.proof.outcome {
        Outcome::Gone | Outcome::Fewer => Vec::new(),
        Outcome::Still => vec!["The repair did not help: weigh the suspects again with what is known now.".to_owned()],
        _ if lacking_s.is_finite() => {
            vec![format!("Drive {lacking_s:.0} s more {}, with the misfire counters recorded.", repair.condition_text)]
        }
        _ => vec!["Record a drive that shows the fault before the repair.".to_owned()],
    };
    Some(Proven {
        kind: finding.kind,
        subject: finding.subject.clone(),
        before: finding.statement.clone(),
        condition: repair.condition_text.clone(),
        outcome: progress.proof.outcome,
        statement: progress.statement,
        progress: Some(progress.proof.progress),
        needed_s: Some(needed_s).filter(|s| s.is_finite()),
        lacking_s: Some(lacking_s).filter(|s| s.is_finite()),
        next,
    })
}

/// The findings of one check about one subject, in the drives after the repair.
fn same<'a>(finding: &Finding, now: &'a [Vec<Finding>]) -> Vec<&'a Finding> {
    let all = now.iter().flatten();
    all.filter(|other| other.kind == finding.kind && other.subject == finding.subject).collect()
}

fn dropout(finding: &Finding, count: Count, now: &[Vec<Finding>]) -> Proven {
    let after = same(finding, now).into_iter().map(dropouts).fold(Count::default(), add);
    let before = Before { count, dispersion: 1.0 };
    let proof = before.judge(after, CONFIDENCE);
    let signal = finding.subject.join(" and ");
    let seen = format!("{} losses of {signal} in {:.0} s under observation", after.events, after.exposure);
    let old = format!("{} in {:.0} s before", count.events, count.exposure);
    let lacking = proof.lacking;
    let (statement, next) = match proof.outcome {
        Outcome::Gone => (format!("{seen}: the old rate ({old}) is gone (95 %)."), Vec::new()),
        Outcome::Fewer => (format!("{seen}: clearly fewer than {old}, but not none."), Vec::new()),
        Outcome::Still => (
            format!("{seen}: it is lost as before ({old})."),
            vec!["The repair did not help: weigh the suspects again with what is known now.".to_owned()],
        ),
        _ => (
            format!("{seen}: {lacking:.0} s more without a loss are needed ({old})."),
            vec![format!("Drive {lacking:.0} s more as in the drive before the repair, with {signal} recorded.")],
        ),
    };
    Proven {
        kind: finding.kind,
        subject: finding.subject.clone(),
        before: finding.statement.clone(),
        condition: "while a loss would be seen, as in the drive before the repair".to_owned(),
        outcome: proof.outcome,
        statement,
        progress: Some(proof.progress),
        needed_s: Some(proof.needed).filter(|s| s.is_finite()),
        lacking_s: Some(lacking).filter(|s| s.is_finite()),
        next,
    }
}

/// For a check without exposure: its own verdict after the repair. One drive that still shows the fault outweighs any
/// that does not.
fn by_verdict(finding: &Finding, now: &[Vec<Finding>]) -> Proven {
    let after = same(finding, now);
    let faulty = after.iter().find(|other| other.verdict == Verdict::Faulty);
    let healthy = after.iter().find(|other| other.verdict == Verdict::Healthy);
    let what = format!("{} of {}", finding.kind, finding.subject.join(" and "));
    let (outcome, statement, next) = match (faulty, healthy, after.first()) {
        (Some(still), ..) => (
            Outcome::Still,
            format!("The same check still calls it faulty: {}", still.statement),
            vec!["The repair did not help: weigh the suspects again with what is known now.".to_owned()],
        ),
        (None, Some(gone), _) => {
            (Outcome::Gone, format!("The same check calls it healthy now: {}", gone.statement), Vec::new())
        }
        (None, None, Some(open)) => (
            Outcome::NotYet,
            format!("The drive after the repair does not tell: {}", open.statement),
            open.next.clone(),
        ),
        (None, None, None) => (
            Outcome::NotYet,
            format!("No drive after the repair answers the check {what}."),
            vec!["Record the same signals in the same conditions as before the repair.".to_owned()],
        ),
    };
    Proven {
        kind: finding.kind,
        subject: finding.subject.clone(),
        before: finding.statement.clone(),
        condition: "as in the drive before the repair".to_owned(),
        outcome,
        statement,
        progress: None,
        needed_s: None,
        lacking_s: None,
        next,
    }
}
