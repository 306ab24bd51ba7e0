//! How a check of the engine and its battery writes its answer.

use std::collections::BTreeMap;

use crate::{Finding, Kind, Verdict};

/// A finding without figures, spans and next steps; the verdict follows from the odds.
pub(crate) fn answer(kind: Kind, subject: &str, log10_odds: f64, statement: String) -> Finding {
    Finding {
        kind,
        subject: vec![subject.to_owned()],
        verdict: Verdict::from_log10_odds(log10_odds),
        log10_odds,
        statement,
        figures: BTreeMap::new(),
        spans: Vec::new(),
        alternatives: Vec::new(),
        next: Vec::new(),
    }
}

/// Undecided at even odds, because something is lacking.
pub(crate) fn lacking(kind: Kind, subject: &str, statement: String, next: String) -> Finding {
    let mut finding = answer(kind, subject, 0.0, statement);
    finding.next.push(next);
    finding
}

/// Figures by name; what is not finite was not measured and is left out.
pub(crate) fn figures<const N: usize>(rows: [(&str, f64); N]) -> BTreeMap<String, f64> {
    rows.into_iter().filter(|row| row.1.is_finite()).map(|(name, value)| (name.to_owned(), value)).collect()
}
