//! Suspects and proofs.

use evidence::proof::{Bounds, Outcome, Repaired};
use evidence::suspects::{Area, NextTest, Reason, Suspect, Suspects};

/// The suspects of every area; `problems` is what could not be read.
pub(crate) fn suspects(found: &Suspects, problems: Vec<String>) -> wire::Suspects {
    wire::Suspects {
        areas: found.areas.iter().map(area).collect(),
        unused: found.unused.clone(),
        problems,
        moved: Vec::new(),
        moved_by: Vec::new(),
        case: None,
    }
}

fn area(area: &Area) -> wire::SuspectArea {
    let steps = area.steps.iter().map(|step| wire::SuspectStep {
        evidence: step.evidence.clone(),
        seen: step.seen.clone(),
        why: step.why.clone(),
        counts_half: step.counts_half,
        changes: step
            .changes
            .iter()
            .map(|change| wire::SuspectChange { suspect: change.suspect.clone(), from: change.from, to: change.to })
            .collect(),
    });
    wire::SuspectArea {
        id: area.id.clone(),
        title: area.title.clone(),
        opened_by: area.opened_by.clone(),
        is_complaint_only: area.is_complaint_only,
        decided: area.decided,
        statement: area.statement.clone(),
        suspects: area.suspects.iter().map(suspect).collect(),
        steps: steps.collect(),
        next: area.next.as_ref().map(test),
        repair_first: area.repair_first.clone(),
        tests: area.tests.iter().map(test).collect(),
        caution: area.caution.clone(),
        source: area.source.clone(),
    }
}

fn suspect(suspect: &Suspect) -> wire::Suspect {
    let reasons = |reasons: &[Reason]| {
        reasons.iter().map(|reason| wire::Reason { text: reason.text.clone(), factor: reason.factor }).collect()
    };
    wire::Suspect {
        id: suspect.id.clone(),
        name: suspect.name.clone(),
        now_on: suspect.now_on.clone(),
        is_out: suspect.is_out,
        probability: suspect.probability,
        prior: suspect.prior,
        speaks_for: reasons(&suspect.speaks_for),
        speaks_against: reasons(&suspect.speaks_against),
        minutes: suspect.minutes,
        money: suspect.money,
    }
}

fn test(test: &NextTest) -> wire::NextTest {
    let outcomes = ["yes", "no"].iter().zip(&test.outcomes).map(|(answer, outcome)| wire::TestOutcome {
        answer: (*answer).to_owned(),
        seen: outcome.seen.clone(),
        probability: outcome.probability,
        then: outcome.then.clone(),
        then_probability: outcome.then_probability,
        decides: outcome.decides,
    });
    wire::NextTest {
        id: test.id.clone(),
        ask: test.ask.clone(),
        minutes: test.minutes,
        money: test.money,
        saves: test.saves,
        caution: test.caution.clone(),
        outcomes: outcomes.collect(),
    }
}

/// The proof of a repair; the verdict over all faults is the least favourable one.
pub(crate) fn proof(repaired: &Repaired, problems: Vec<String>) -> wire::Proof {
    let verdict = match repaired.outcome() {
        Outcome::NothingBefore => "nothing before",
        Outcome::Still => "not repaired",
        Outcome::NotYet => "not yet",
        Outcome::Fewer => "fewer",
        Outcome::Gone => "proven",
    };
    let arisen = repaired.arisen.iter().map(|fault| wire::NewFault {
        kind: fault.kind.to_string(),
        subject: fault.subject.clone(),
        statement: fault.statement.clone(),
        before: fault.before.clone(),
        next: fault.next.clone(),
    });
    let faults = repaired.faults.iter().map(|fault| wire::ProofOfFault {
        kind: fault.kind.to_string(),
        subject: fault.subject.clone(),
        before: fault.before.clone(),
        part: fault.part.clone(),
        signals: fault.signals.clone(),
        condition: fault.condition.clone(),
        bounds: fault.bounds.iter().map(bounds).collect(),
        outcome: fault.outcome.to_string(),
        statement: fault.statement.clone(),
        progress: fault.progress,
        needed_s: fault.needed_s,
        collected_s: fault.collected_s,
        lacking_s: fault.lacking_s,
        next: fault.next.clone(),
    });
    wire::Proof {
        faults: faults.collect(),
        new_faults: arisen.collect(),
        verdict: verdict.to_owned(),
        statement: repaired.statement(),
        problems,
        ..wire::Proof::default()
    }
}

pub(super) fn bounds(bounds: &Bounds) -> wire::Bounds {
    wire::Bounds { signal: bounds.signal.clone(), unit: bounds.unit.clone(), from: bounds.from, to: bounds.to }
}
