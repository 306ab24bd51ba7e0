//! What `--json` prints: the machine's side of every command. Fields are only ever added.

mod survey;

use serde::Serialize;
use signal::Recording;

pub(crate) use survey::{ModuleJson, MonitorStateJson, SurveyJson, ValueJson};

/// `witness examine --json`.
#[derive(Debug, Serialize)]
pub(crate) struct Examined {
    pub(crate) drive: DriveSummary,
    pub(crate) findings: Vec<FindingJson>,
    /// What could not be read of the drive.
    pub(crate) problems: Vec<String>,
}

#[derive(Debug, Serialize)]
pub(crate) struct DriveSummary {
    pub(crate) file: String,
    pub(crate) duration_s: f64,
    pub(crate) signals: Vec<SignalSummary>,
    pub(crate) marks: Vec<MarkJson>,
    pub(crate) gaps: Vec<GapJson>,
}

#[derive(Debug, Serialize)]
pub(crate) struct SignalSummary {
    pub(crate) id: String,
    pub(crate) unit: String,
    pub(crate) samples: usize,
    pub(crate) median_interval_s: f64,
}

#[derive(Debug, Serialize)]
pub(crate) struct MarkJson {
    pub(crate) t_s: f64,
    pub(crate) text: String,
}

#[derive(Debug, Serialize)]
pub(crate) struct GapJson {
    pub(crate) from_s: f64,
    pub(crate) to_s: f64,
    pub(crate) reason: String,
}

#[derive(Debug, Serialize)]
pub(crate) struct FindingJson {
    pub(crate) kind: String,
    pub(crate) subject: Vec<String>,
    pub(crate) verdict: String,
    pub(crate) log10_odds: f64,
    pub(crate) statement: String,
    pub(crate) figures: std::collections::BTreeMap<String, f64>,
    pub(crate) spans: Vec<SpanJson>,
    pub(crate) alternatives: Vec<String>,
    pub(crate) next: Vec<String>,
}

#[derive(Debug, Serialize)]
pub(crate) struct SpanJson {
    pub(crate) from_s: f64,
    pub(crate) to_s: f64,
}

impl DriveSummary {
    pub(crate) fn new(file: &std::path::Path, recording: &Recording) -> Self {
        Self {
            file: file.display().to_string(),
            duration_s: recording.duration_s(),
            signals: recording
                .series
                .iter()
                .map(|series| SignalSummary {
                    id: series.id.to_string(),
                    unit: series.unit.to_string(),
                    samples: series.len(),
                    median_interval_s: series.median_interval_s().unwrap_or(0.0),
                })
                .collect(),
            marks: recording
                .marks
                .iter()
                .map(|mark| MarkJson { t_s: signal::seconds_from_nanos(mark.t_ns), text: mark.text.clone() })
                .collect(),
            gaps: recording
                .gaps
                .iter()
                .map(|gap| GapJson {
                    from_s: signal::seconds_from_nanos(gap.from_ns),
                    to_s: signal::seconds_from_nanos(gap.to_ns),
                    reason: gap.reason.clone(),
                })
                .collect(),
        }
    }
}

impl From<&evidence::Finding> for FindingJson {
    fn from(finding: &evidence::Finding) -> Self {
        Self {
            kind: finding.kind.to_string(),
            subject: finding.subject.clone(),
            verdict: finding.verdict.to_string(),
            log10_odds: finding.log10_odds,
            statement: finding.statement.clone(),
            figures: finding.figures.clone(),
            spans: finding.spans.iter().map(|span| SpanJson { from_s: span.from_s, to_s: span.to_s }).collect(),
            alternatives: finding.alternatives.clone(),
            next: finding.next.clone(),
        }
    }
}

/// The rate that a signal gets.
#[derive(Debug, Serialize)]
pub(crate) struct RateJson {
    pub(crate) id: String,
    pub(crate) per_second: f64,
}

impl From<&vehicle::Rate> for RateJson {
    fn from(rate: &vehicle::Rate) -> Self {
        Self { id: rate.id.to_string(), per_second: rate.per_second }
    }
}

/// A signal that cannot be had.
#[derive(Debug, Serialize)]
pub(crate) struct UnavailableJson {
    pub(crate) id: String,
    pub(crate) reason: String,
}

impl From<&vehicle::Unavailable> for UnavailableJson {
    fn from(missing: &vehicle::Unavailable) -> Self {
        Self { id: missing.id.to_string(), reason: missing.reason.clone() }
    }
}
