//! What the rooms of the house give, as the JSON of [`wire`].

mod command;
mod compare;
mod survey;
mod suspects;

use signal::Recording;

pub(crate) use command::{driven, output, routine, routine_results};
pub(crate) use compare::{compared, referred};
pub(crate) use survey::survey;
pub(crate) use suspects::{proof, suspects};

use suspects::bounds;

/// What is in a drive.
#[must_use]
pub fn drive(file: &std::path::Path, recording: &Recording) -> wire::DriveSummary {
    wire::DriveSummary {
        file: file.display().to_string(),
        start_unix_ms: recording.start_unix_ns.map(|start_ns| start_ns / 1_000_000),
        duration_s: recording.duration_s(),
        signals: recording
            .series
            .iter()
            .map(|series| wire::SignalSummary {
                id: series.id.to_string(),
                unit: series.unit.to_string(),
                samples: series.len(),
                median_interval_s: series.median_interval_s().unwrap_or(0.0),
            })
            .collect(),
        marks: recording
            .marks
            .iter()
            .map(|mark| wire::Mark { t_s: signal::seconds_from_nanos(mark.t_ns), text: mark.text.clone() })
            .collect(),
        gaps: recording
            .gaps
            .iter()
            .map(|gap| wire::Gap {
                from_s: signal::seconds_from_nanos(gap.from_ns),
                to_s: signal::seconds_from_nanos(gap.to_ns),
                reason: gap.reason.clone(),
            })
            .collect(),
    }
}

pub(crate) fn finding(finding: &evidence::Finding) -> wire::Finding {
    wire::Finding {
        kind: finding.kind.to_string(),
        subject: finding.subject.clone(),
        verdict: finding.verdict.to_string(),
        log10_odds: finding.log10_odds,
        statement: finding.statement.clone(),
        figures: finding.figures.clone(),
        spans: finding.spans.iter().map(|span| wire::Span { from_s: span.from_s, to_s: span.to_s }).collect(),
        alternatives: finding.alternatives.clone(),
        next: finding.next.clone(),
    }
}

pub(crate) fn relief(relief: &vehicle::Relief) -> wire::LeaveOut {
    let gain =
        |gain: &vehicle::Gain| wire::Gain { id: gain.id.to_string(), per_second: gain.per_second, odds: gain.odds };
    wire::LeaveOut {
        ids: relief.without.iter().map(ToString::to_string).collect(),
        gains: relief.gains.iter().map(gain).collect(),
    }
}

pub(crate) fn rate(rate: &vehicle::Rate) -> wire::Rate {
    wire::Rate { id: rate.id.to_string(), per_second: rate.per_second }
}

pub(crate) fn unavailable(missing: &vehicle::Unavailable) -> wire::Unavailable {
    wire::Unavailable { id: missing.id.to_string(), reason: missing.reason.clone() }
}

/// Whom a request was for, as it is kept in files: a module's address, or `everyone`.
pub(crate) fn target(to: &link::Target) -> String {
    match to {
        link::Target::Everyone => "everyone".to_owned(),
        link::Target::Module(address) => format!("{address:#}"),
        link::Target::Anyone(address) => format!("whoever listens to {address:#}"),
    }
}
