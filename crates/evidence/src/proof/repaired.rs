//! What drives before and after a repair show together, for every fault that the drives before it showed.

use std::collections::BTreeMap;

use signal::Recording;

use super::arisen::{Arisen, arisen};
use super::{Before, Outcome};
use crate::misfire::{Repair, Site};
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
    /// The part that was convicted and is followed to where it sat in each drive, such as `coil 1`; `None` where the
    /// subject itself is followed.
    pub part: Option<String>,
    /// Signals that a drive must record to count for the proof.
    pub signals: Vec<String>,
    /// The condition as ranges of signals; all must hold at once. Empty where any driving counts.
    pub bounds: Vec<Bounds>,
    /// Share of the necessary exposure that is driven, 0 to 1; `None` where the check knows no exposure.
    pub progress: Option<f64>,
    /// Seconds of the condition that the proof takes in all, how many are driven, and how many are lacking; `None` where
    /// the check knows no exposure.
    pub needed_s: Option<f64>,
    /// See `needed_s`.
    pub collected_s: Option<f64>,
    /// See `needed_s`.
    pub lacking_s: Option<f64>,
    /// What to do next.
    pub next: Vec<String>,
}

/// A range of one signal: `from` or more and less than `to`; `None` is an open end.
#[derive(Debug, Clone, PartialEq)]
pub struct Bounds {
    /// The signal.
    pub signal: String,
    /// Unit of the ends.
    pub unit: String,
    /// Lower end.
    pub from: Option<f64>,
    /// Upper end.
    pub to: Option<f64>,
}

/// A part that is known to carry a misfire, and where it sat.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Part {
    /// Such as `coil 1`.
    pub name: String,
    /// Its cylinder, from 1, in each drive before the repair; `None` where it was not in the engine.
    pub before: Vec<Option<usize>>,
    /// Its cylinder in each drive after the repair, or the one that it left: the repair is shown there.
    pub after: Vec<Option<usize>>,
    /// The cylinder at which a drive that comes next shows the repair.
    pub now: Option<usize>,
}

/// What drives before and after a repair show together.
#[derive(Debug, Clone, PartialEq)]
pub struct Repaired {
    /// Every fault that the drives before the repair showed.
    pub faults: Vec<Proven>,
    /// What the drives after it show as faulty and those before it did not.
    pub arisen: Vec<Arisen>,
}

impl Repaired {
    /// The least favourable outcome over all faults of the drives before the repair; what arose since has no part in it.
    #[must_use]
    pub fn outcome(&self) -> Outcome {
        let any = |outcome: Outcome| self.faults.iter().any(|fault| fault.outcome == outcome);
        if self.faults.is_empty() || any(Outcome::NothingBefore) {
            return Outcome::NothingBefore;
        }
        [Outcome::Still, Outcome::NotYet, Outcome::Fewer].into_iter().find(|it| any(*it)).unwrap_or(Outcome::Gone)
    }

    /// The outcome in plain words, and that the car is not sound where another fault arose.
    #[must_use]
    pub fn statement(&self) -> String {
        let outcome = match self.outcome() {
            Outcome::Gone => "Every fault of the drives before the repair is gone.",
            Outcome::Fewer => "A fault of the drives before the repair is rarer now, but not gone.",
            Outcome::Still => "A fault of the drives before the repair is still there.",
            Outcome::NotYet => "What was driven since the repair does not show yet that every fault is gone.",
            Outcome::NothingBefore => "The drives before the repair show no fault.",
        };
        match self.arisen.len() {
            0 => outcome.to_owned(),
            1 => format!(
                "{outcome} The car is not sound: a drive after the repair shows a fault that none before it showed."
            ),
            n => format!(
                "{outcome} The car is not sound: drives after the repair show {n} faults that none before it showed."
            ),
        }
    }
}

/// Proves every fault that the drives before the repair showed; with no drive after it, says what must be driven.
///
/// Misfires are proven by firings in the failing condition, dropouts by time under observation, both at 95 %; any other
/// fault by the verdict of the same check.
#[must_use]
pub fn prove(before: &[&Recording], after: &[&Recording]) -> Vec<Proven> {
    prove_part(before, after, None).faults
}

/// As [`prove`], with what arose since; where a swap has convicted a part: its misfires are followed from cylinder to cylinder as one fault.
#[must_use]
pub fn prove_part(before: &[&Recording], after: &[&Recording], part: Option<&Part>) -> Repaired {
    let [then, now] =
        [before, after].map(|drives| drives.iter().map(|recording| examine(recording)).collect::<Vec<Vec<Finding>>>());
    // The cylinder at which the part sat in a drive.
    let at = |places: &[Option<usize>], drive: usize| places.get(drive).copied().flatten();
    let is_of_part = |finding: &Finding, drive: usize| {
        finding.kind == Kind::Misfire && cylinder_of(finding) == part.and_then(|part| at(&part.before, drive))
    };
    let mut worst: BTreeMap<(Kind, Vec<String>), Finding> = BTreeMap::new();
    // Only drives that show the fault measure how often it came: a drive in which it stayed away adds nothing to fear.
    let mut events: BTreeMap<Vec<String>, Count> = BTreeMap::new();
    for (drive, findings) in then.iter().enumerate() {
        for finding in findings.iter().filter(|finding| finding.verdict == Verdict::Faulty) {
            if finding.kind == Kind::Dropout {
                let count = events.entry(finding.subject.clone()).or_default();
                *count = add(*count, dropouts(finding));
            }
            let of_part = part.filter(|_| is_of_part(finding, drive));
            let subject = of_part.map_or_else(|| finding.subject.clone(), |part| vec![part.name.clone()]);
            let key = (finding.kind, subject);
            if worst.get(&key).is_none_or(|other| other.log10_odds < finding.log10_odds) {
                worst.insert(key, finding.clone());
            }
        }
    }
    let sites = |drives: &[&'_ Recording], cylinder: &dyn Fn(usize) -> Option<usize>| -> Vec<(usize, usize)> {
        (0..drives.len()).filter_map(|drive| Some((drive, cylinder(drive)?))).collect()
    };
    let prove_one = |subject: &[String], finding: &Finding| match (finding.kind, part) {
        (Kind::Misfire, Some(part)) if subject == std::slice::from_ref(&part.name) => {
            let before = placed(before, &sites(before, &|drive| at(&part.before, drive)));
            let after = placed(after, &sites(after, &|drive| at(&part.after, drive)));
            misfire(&before, &after, finding, Some(part))
        }
        (Kind::Misfire, _) => {
            let cylinder = cylinder_of(finding)?;
            // What the part did while it sat here is no fault of this cylinder.
            let is_own = |drive: usize| part.is_none_or(|part| at(&part.before, drive) != Some(cylinder));
            let before = placed(before, &sites(before, &|drive| is_own(drive).then_some(cylinder)));
            let after = placed(after, &sites(after, &|_| Some(cylinder)));
            misfire(&before, &after, finding, None)
        }
        (Kind::Dropout, _) => Some(dropout(finding, *events.get(&finding.subject)?, &now)),
        _ => None,
    };
    let each = worst.iter();
    let faults =
        each.map(|((_, subject), it)| prove_one(subject, it).unwrap_or_else(|| by_verdict(it, &now))).collect();
    let is_followed = |finding: &Finding, drive: usize| {
        let here = part.and_then(|part| at(&part.after, drive));
        finding.kind == Kind::Misfire && here.is_some() && cylinder_of(finding) == here
    };
    Repaired { faults, arisen: arisen(&then, &now, is_followed) }
}

/// Number of the cylinder that a misfire finding is about.
fn cylinder_of(finding: &Finding) -> Option<usize> {
    finding.subject.first()?.rsplit('_').next()?.parse().ok()
}

fn placed<'a>(drives: &[&'a Recording], sites: &[(usize, usize)]) -> Vec<Site<'a>> {
    sites.iter().filter_map(|(drive, cylinder)| Some((*drives.get(*drive)?, *cylinder))).collect()
}

fn add(a: Count, b: Count) -> Count {
    Count { events: a.events + b.events, exposure: a.exposure + b.exposure }
}

/// Events and effective seconds of a dropout finding.
fn dropouts(finding: &Finding) -> Count {
    let figure = |name: &str| finding.figures.get(name).copied().unwrap_or(0.0).max(0.0);
    Count { events: figure("events") as u64, exposure: figure("effective_exposure_s") }
}

fn misfire(before: &[Site<'_>], after: &[Site<'_>], finding: &Finding, part: Option<&Part>) -> Option<Proven> {
    let repair = Repair::over(before)?;
    let progress = repair.progress_over(after);
    let (needed_s, lacking_s) = (progress.proof.needed * 120.0 / repair.speed_rpm, progress.lacking_s);
    let next = match progress.proof.outcome {
        Outcome::Gone => Vec::new(),
        Outcome::Fewer => vec!["Something is left: weigh the suspects again with what is known now.".to_owned()],
        Outcome::Still => vec!["The repair did not help: weigh the suspects again with what is known now.".to_owned()],
        _ if lacking_s.is_finite() => {
            vec![format!("Drive {lacking_s:.0} s more {}, with the misfire counters recorded.", repair.condition_text)]
        }
        _ => vec!["Record a drive that shows the fault before the repair.".to_owned()],
    };
    // Where the part is now, or the cylinder that it left.
    let watched = part.and_then(|part| part.now).map(|cylinder| format!("misfire.cylinder_{cylinder}"));
    let subject = watched.map_or_else(|| finding.subject.clone(), |counter| vec![counter]);
    Some(Proven {
        kind: finding.kind,
        signals: subject.iter().cloned().chain(repair.signals()).collect(),
        subject,
        before: finding.statement.clone(),
        condition: repair.condition_text.clone(),
        outcome: progress.proof.outcome,
        statement: progress.statement,
        part: part.map(|part| part.name.clone()),
        bounds: repair.bounds(),
        progress: Some(progress.proof.progress),
        needed_s: Some(needed_s).filter(|s| s.is_finite()),
        collected_s: Some(progress.collected_s).filter(|s| s.is_finite()),
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
        part: None,
        signals: finding.subject.clone(),
        bounds: Vec::new(),
        progress: Some(proof.progress),
        needed_s: Some(proof.needed).filter(|s| s.is_finite()),
        collected_s: Some(after.exposure),
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
        part: None,
        signals: finding.subject.clone(),
        bounds: Vec::new(),
        progress: None,
        needed_s: None,
        collected_s: None,
        lacking_s: None,
        next,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn finding(kind: Kind, signal: &str, verdict: Verdict, statement: &str) -> Finding {
        Finding {
            kind,
            subject: vec![signal.to_owned()],
            verdict,
            log10_odds: 0.0,
            statement: statement.to_owned(),
            figures: BTreeMap::new(),
            spans: Vec::new(),
            alternatives: Vec::new(),
            next: vec!["Drive on.".to_owned()],
        }
    }

    fn losses(signal: &str, events: f64, exposure_s: f64) -> Finding {
        let figures = BTreeMap::from([("events".to_owned(), events), ("effective_exposure_s".to_owned(), exposure_s)]);
        Finding { figures, ..finding(Kind::Dropout, signal, Verdict::Undecided, "as it is") }
    }

    /// Ten losses in 100 s before. None afterwards: with the rule of three (Hanley and Lippman-Hand, JAMA 1983) about
    /// 3 / 0.1 = 30 s would do if the rate were known exactly; ten events leave it open, and it takes more.
    #[test]
    fn losses_of_all_drives_after_the_repair_count_together() {
        let (old, count) = (losses("a", 10.0, 100.0), Count { events: 10, exposure: 100.0 });
        let outcome = |now: &[Vec<Finding>]| dropout(&old, count, now);
        let none = outcome(&[vec![losses("a", 0.0, 20.0)], vec![losses("b", 9.0, 50.0)]]);
        assert_eq!(
            (none.outcome, none.collected_s),
            (Outcome::NotYet, Some(20.0)),
            "what another signal lost is its own"
        );
        let needed = none.needed_s.unwrap();
        assert!((30.0..60.0).contains(&needed), "{needed}");
        assert!((none.lacking_s.unwrap() - (needed - 20.0)).abs() < 1e-9 && none.progress.unwrap() < 1.0);
        assert!(none.statement.contains("0 losses of a in 20 s") && none.statement.contains("10 in 100 s before"));
        assert!(none.next[0].contains("with a recorded"), "{:?}", none.next);

        let both = outcome(&[vec![losses("a", 0.0, 20.0)], vec![losses("a", 0.0, 100.0)]]);
        assert_eq!((both.outcome, both.collected_s), (Outcome::Gone, Some(120.0)));
        assert!(both.next.is_empty() && both.lacking_s == Some(0.0), "{both:?}");
        let still = outcome(&[vec![losses("a", 6.0, 50.0)], vec![losses("a", 6.0, 50.0)]]);
        assert_eq!((still.outcome, still.next.len()), (Outcome::Still, 1), "{still:?}");
        assert_eq!(outcome(&[vec![losses("a", 5.0, 2000.0)]]).outcome, Outcome::Fewer);
        assert_eq!(dropouts(&losses("a", -1.0, -1.0)), Count::default(), "what cannot be is nothing");
    }

    #[test]
    fn one_drive_that_still_shows_the_fault_outweighs_those_that_do_not() {
        let by = |verdicts: &[Verdict]| {
            let old = finding(Kind::Charging, "a", Verdict::Faulty, "old");
            let each = verdicts.iter().enumerate();
            let now: Vec<Vec<Finding>> = each
                .map(|(idx, verdict)| {
                    let one = |kind, signal| finding(kind, signal, *verdict, &format!("drive {idx}"));
                    // Other checks and other subjects of the same drive have no part in it.
                    let other = |kind, signal| finding(kind, signal, Verdict::Faulty, "other");
                    vec![other(Kind::Cranking, "a"), other(Kind::Charging, "b"), one(Kind::Charging, "a")]
                })
                .collect();
            let proven = by_verdict(&old, &now);
            (proven.outcome, proven.statement, proven.next.len())
        };
        use Verdict::{Faulty, Healthy, Undecided};
        for (verdicts, outcome, told, n_next) in [
            (&[Healthy, Faulty, Undecided][..], Outcome::Still, "still calls it faulty: drive 1", 1),
            (&[Undecided, Healthy], Outcome::Gone, "calls it healthy now: drive 1", 0),
            (&[Undecided, Undecided], Outcome::NotYet, "does not tell: drive 0", 1),
            (&[], Outcome::NotYet, "No drive after the repair answers the check charging of a", 1),
        ] {
            let (found, statement, next) = by(verdicts);
            assert_eq!((found, next), (outcome, n_next), "{verdicts:?}");
            assert!(statement.contains(told), "{statement}");
        }
    }

    #[test]
    fn a_finding_names_its_cylinder() {
        let of = |signal: &str| cylinder_of(&finding(Kind::Misfire, signal, Verdict::Faulty, ""));
        assert_eq!(
            [of("misfire.cylinder_4"), of("misfire.cylinder_12"), of("engine.speed")],
            [Some(4), Some(12), None]
        );
        let a = Count { events: 2, exposure: 3.5 };
        assert_eq!(add(a, Count { events: 1, exposure: 0.5 }), Count { events: 3, exposure: 4.0 });
    }
}
