//! A drive laid over drives of healthy cars of the same model.

use std::collections::BTreeSet;

use signal::Recording;

use super::cells::{self, Cell, Cut};
use super::{ALPHA, LEAST_STRETCHES, Means, compared};
use crate::proof::Bounds;
use crate::stats::quantum::step_of;
use crate::stats::two_samples::{mann_whitney, percentile, rank_share};

/// Fewest stretches of the reference from which its outer percentiles are read: the 5 % at either end are one stretch.
const LEAST_REFERENCE: usize = 20;

/// A drive beside healthy ones.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct AgainstReference {
    /// The signals that the drive and at least one of the healthy ones have.
    pub signals: Vec<SignalAgainst>,
    /// Signals of the drive that no healthy one has.
    pub without_reference: Vec<String>,
}

/// One signal beside the reference.
#[derive(Debug, Clone, PartialEq)]
pub struct SignalAgainst {
    /// The signal.
    pub id: String,
    /// Unit of all its numbers.
    pub unit: String,
    /// Every condition that the drive was in.
    pub cells: Vec<CellAgainst>,
}

/// One signal in one condition.
#[derive(Debug, Clone, PartialEq)]
pub struct CellAgainst {
    /// The condition; empty for the whole drive.
    pub bounds: Vec<Bounds>,
    /// What the healthy drives show here.
    pub reference: Spread,
    /// The drive.
    pub drive: Means,
    /// Median of the drive's stretches; not a number without any.
    pub median: f64,
    /// Share of the reference's stretches below that median, 0 to 1; `None` where the reference was never here.
    pub percentile: Option<f64>,
    /// Whether it lies outside what the healthy drives show; `None` where there is too little to tell.
    pub is_outside: Option<bool>,
}

/// Percentiles of the stretches of the healthy drives.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Spread {
    /// Healthy drives that were in this condition.
    pub drives: usize,
    /// Their stretches of ten seconds.
    pub stretches: usize,
    /// Time that they were there, seconds.
    pub seconds: f64,
    /// 5th, 25th, 50th, 75th and 95th percentile; not numbers without stretches.
    pub percentiles: [f64; 5],
}

/// Lays a drive over healthy ones.
///
/// It is called outside where its median is beyond the 5th or 95th percentile of the healthy stretches, by more than the
/// step in which the signal counts, and the two differ (Mann and Whitney) at 5 % over all conditions and signals together;
/// where only the first holds there is too little to tell.
#[must_use]
pub fn against_reference(references: &[&Recording], drive: &Recording) -> AgainstReference {
    let all: Vec<&Recording> = references.iter().copied().chain([drive]).collect();
    let axes = cells::axes(&all);
    let mut without_reference = Vec::new();
    let mut cut = Vec::new();
    for series in compared(drive, &axes) {
        let healthy: Vec<Cut> = references
            .iter()
            .filter_map(|healthy| {
                let found = healthy.series.iter().find(|other| other.id == series.id && !other.is_empty())?;
                Cut::of(healthy, found, &series.unit, &axes)
            })
            .collect();
        match Cut::of(drive, series, &series.unit, &axes).filter(|_| !healthy.is_empty()) {
            Some(own) => cut.push((series, healthy, own)),
            None => without_reference.push(series.id.to_string()),
        }
    }
    let is_judged = |healthy: &[Cut], own: &Cut, cell: &Cell| {
        pooled(healthy, cell).len() >= LEAST_REFERENCE
            && own.means.get(cell).is_some_and(|means| means.len() >= LEAST_STRETCHES)
    };
    let judged =
        |(_, healthy, own): &(_, Vec<Cut>, Cut)| own.means.keys().filter(|cell| is_judged(healthy, own, cell)).count();
    let n_judged = cut.iter().map(judged).sum::<usize>().max(1);
    let signals = cut.iter().map(|(series, healthy, own)| {
        let step = step_of(&series.value);
        let cells: BTreeSet<&Cell> = own.means.keys().collect();
        let one = |cell: &Cell| {
            let reference = pooled(healthy, cell);
            let means = own.means.get(cell).cloned().unwrap_or_default();
            let median = {
                let mut sorted = means.clone();
                sorted.sort_by(f64::total_cmp);
                percentile(&sorted, 0.5).unwrap_or(f64::NAN)
            };
            let percentiles =
                [0.05, 0.25, 0.5, 0.75, 0.95].map(|share| percentile(&reference, share).unwrap_or(f64::NAN));
            let worth = healthy.iter().map(|cut| cut.worth).fold(own.worth, f64::min);
            let is_beyond = median < percentiles[0] - step || median > percentiles[4] + step;
            let is_sure = || mann_whitney(&reference, &means, worth) < ALPHA / n_judged as f64;
            // Beyond what is usual and not shown to differ is neither: more of the drive would tell.
            let is_outside = || if is_beyond { is_sure().then_some(true) } else { Some(false) };
            CellAgainst {
                bounds: cells::bounds(&axes, cell),
                reference: Spread {
                    drives: healthy.iter().filter(|cut| cut.means.contains_key(cell)).count(),
                    stretches: reference.len(),
                    seconds: healthy.iter().filter_map(|cut| cut.seconds.get(cell)).sum(),
                    percentiles,
                },
                drive: Means::of(own, cell),
                median,
                percentile: (!reference.is_empty()).then(|| rank_share(&reference, median)),
                is_outside: is_judged(healthy, own, cell).then(is_outside).flatten(),
            }
        };
        SignalAgainst {
            id: series.id.to_string(),
            unit: series.unit.to_string(),
            cells: cells.into_iter().map(one).collect(),
        }
    });
    AgainstReference { signals: signals.collect(), without_reference }
}

/// The stretches of all healthy drives in one condition, sorted.
fn pooled(healthy: &[Cut], cell: &Cell) -> Vec<f64> {
    let mut all: Vec<f64> = healthy.iter().filter_map(|cut| cut.means.get(cell)).flatten().copied().collect();
    all.sort_by(f64::total_cmp);
    all
}
