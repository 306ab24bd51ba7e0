//! Disagreement that belongs to a time and not to a place.

use super::align::Aligned;
use super::relation::{CELLS, Relation, Residual, cell};
use crate::finding::Span;
use crate::stats::robust;

/// Shortest disagreement that counts: control units tolerate less than 0.24 s (published thresholds of two makes).
const SHORTEST_S: f64 = 0.24;

/// Holes longer than this end a run, seconds.
const HOLE_S: f64 = 2.5;

/// log10 prior odds of a contact that comes and goes.
const LOG10_PRIOR: f64 = -1.5;

/// What one run is worth, log10: one in ten may be a movement that fooled the alignment three readings long.
const PER_RUN: f64 = 1.0;

/// What each further second of it is worth, and the most that one run counts.
const PER_SECOND: f64 = 0.3;
const MOST_PER_RUN: f64 = 2.2;

/// Runs of disagreement.
#[derive(Debug, Clone, Default)]
pub(crate) struct Moments {
    /// Where.
    pub(crate) spans: Vec<Span>,
    /// Greatest difference, in units of the second track.
    pub(crate) worst: f64,
    /// log10 odds of a contact that comes and goes.
    pub(crate) log10_odds: f64,
}

/// Finds runs of three and more neighbouring readings that are off the same way, outside the place `spot`.
///
/// Off means: off the line, and off what the same place of the travel shows at other times, as far as that may be a bend in
/// the line (no more than what is allowed anyway).
///
/// Where both tracks carry the times of one table, a run tells nothing that reading them at different times explains: one that
/// is over before the next reading but one, or in which the second track shows what the first showed shortly before or after.
pub(crate) fn find(aligned: &Aligned, relation: &Relation, spot: Option<(f64, f64)>) -> Moments {
    let usable = &relation.usable;
    if !usable.iter().any(|r| r.off.abs() > r.allowed) {
        return Moments { log10_odds: LOG10_PRIOR, ..Moments::default() };
    }
    let mut cells = vec![Vec::new(); CELLS];
    for r in usable {
        cells[cell(r.at, relation.visited, CELLS)].push(r.off);
    }
    let usual: Vec<f64> = cells.iter_mut().map(|offs| robust::median(offs).unwrap_or(0.0)).collect();
    let excused = |r: &Residual| spot.is_some_and(|(from, to)| r.at >= from - 1.0 && r.at <= to + 1.0);
    let sign = |r: &Residual| {
        let allowed = r.allowed.max(relation.floor + r.cut);
        let beyond_usual = r.off - usual[cell(r.at, relation.visited, CELLS)].clamp(-allowed, allowed);
        let is_off = r.off.abs() > allowed && beyond_usual.abs() > allowed && r.off * beyond_usual > 0.0;
        if is_off && !excused(r) { r.off.signum() } else { 0.0 }
    };
    let mut moments = Moments { log10_odds: LOG10_PRIOR, ..Moments::default() };
    let mut k = 0;
    while k < usable.len() {
        let (from, way) = (k, sign(&usable[k]));
        k += 1;
        if way == 0.0 {
            continue;
        }
        while k < usable.len() && sign(&usable[k]) == way && usable[k].t_s - usable[k - 1].t_s <= HOLE_S {
            k += 1;
        }
        let run = &usable[from..k];
        let lasts_s = run[run.len() - 1].t_s - run[0].t_s;
        if run.len() < 3 || lasts_s < SHORTEST_S.max(2.0 * aligned.unresolved_s) {
            continue;
        }
        if run.iter().filter(|r| !is_met_nearby(aligned, relation, r)).count() < 3 {
            continue;
        }
        moments.spans.push(Span { from_s: run[0].t_s, to_s: run[run.len() - 1].t_s });
        moments.log10_odds += (PER_RUN + PER_SECOND * lasts_s).min(MOST_PER_RUN);
        moments.worst = run.iter().map(|r| r.off).fold(moments.worst, |a, b| if b.abs() > a.abs() { b } else { a });
    }
    moments
}

/// Whether the second track reads what the first read at some moment no further away than the time between readings.
fn is_met_nearby(aligned: &Aligned, relation: &Relation, reading: &Residual) -> bool {
    let (from_s, to_s) = (reading.t_s - aligned.unresolved_s, reading.t_s + aligned.unresolved_s);
    let points = &aligned.points;
    let from = points.partition_point(|point| point.t_s < from_s);
    let expected = points[from..].iter().take_while(|p| p.t_s <= to_s).map(|p| relation.offset + relation.slope * p.x);
    let (least, most) = expected.fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), y| (a.min(y), b.max(y)));
    aligned.unresolved_s > 0.0 && reading.y >= least - reading.allowed && reading.y <= most + reading.allowed
}
