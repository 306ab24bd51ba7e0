//! Drives side by side, condition by condition: before and after a repair, and beside drives of healthy cars.
//!
//! A drive is cut into conditions of speed and load (`cells`); in each the means of stretches of ten seconds are compared.
//! All intervals hold together at 95 %, however many conditions and signals are looked at, and what neighbouring stretches
//! share counts once. What is compared are two drives: weather, fuel and the road differ too.

mod cells;
mod reference;
#[cfg(test)]
mod tests;

use std::collections::BTreeSet;

use signal::{Recording, Series, SignalId, Unit};

use crate::proof::Bounds;
use crate::stats::quantum::step_of;
use crate::stats::two_samples::{Difference, Moments, welch};
use cells::{Axis, Cell, Cut};
pub use reference::{AgainstReference, CellAgainst, SignalAgainst, Spread, against_reference};

/// Chance that any of all the intervals misses its true value.
const ALPHA: f64 = 0.05;
/// Fewest stretches on either side that are compared.
const LEAST_STRETCHES: usize = 3;

/// Two drives, signal by signal.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Comparison {
    /// The signals that both drives have, but those that tell the condition, and counters.
    pub signals: Vec<SignalCompared>,
    /// Signals that only one of them has.
    pub only_in_one: Vec<String>,
}

/// One signal in two drives.
#[derive(Debug, Clone, PartialEq)]
pub struct SignalCompared {
    /// The signal.
    pub id: String,
    /// Unit of all its numbers.
    pub unit: String,
    /// Every condition that either drive was in.
    pub cells: Vec<CellCompared>,
}

/// One signal in one condition.
#[derive(Debug, Clone, PartialEq)]
pub struct CellCompared {
    /// The condition; empty for the whole drive.
    pub bounds: Vec<Bounds>,
    /// In the first drive.
    pub before: Means,
    /// In the second drive.
    pub after: Means,
    /// Second less first, with the ends of its interval; `None` where there is too little.
    pub difference: Option<(f64, f64, f64)>,
    /// What may be said.
    pub verdict: Shift,
}

/// What a signal did in one condition of one drive.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Means {
    /// Stretches of ten seconds that it was in for a fifth or more.
    pub stretches: usize,
    /// Time that it was in, seconds.
    pub seconds: f64,
    /// Their mean; not a number without any.
    pub mean: f64,
}

/// What may be said of a difference.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Shift {
    /// Greater in the second drive.
    Higher,
    /// Smaller in the second drive.
    Lower,
    /// The interval holds zero, or the difference is below the step in which the signal counts.
    NotShown,
    /// One of the drives was too short here.
    TooShort,
}

/// Compares two drives on the same signals in the same conditions.
#[must_use]
pub fn compare(before: &Recording, after: &Recording) -> Comparison {
    let axes = cells::axes(&[before, after]);
    let ids = |drive: &Recording| -> BTreeSet<String> {
        drive.series.iter().filter(|it| !it.is_empty()).map(|it| it.id.to_string()).collect()
    };
    let (first, second) = (ids(before), ids(after));
    let mut cut: Vec<(&Series, Cut, Cut)> = Vec::new();
    for series in compared(before, &axes) {
        let Some(other) = after.series.iter().find(|other| other.id == series.id && !other.is_empty()) else {
            continue;
        };
        let pair = Cut::of(before, series, &series.unit, &axes).zip(Cut::of(after, other, &series.unit, &axes));
        cut.extend(pair.map(|(a, b)| (series, a, b)));
    }
    let enough = |means: &Cut, cell: &Cell| means.means.get(cell).is_some_and(|all| all.len() >= LEAST_STRETCHES);
    let judged = |a: &Cut, b: &Cut| a.means.keys().filter(|cell| enough(a, cell) && enough(b, cell)).count();
    let n_judged: usize = cut.iter().map(|(_, a, b)| judged(a, b)).sum();
    let confidence = 1.0 - ALPHA / n_judged.max(1) as f64;
    let signals = cut.iter().map(|(series, a, b)| {
        let all: BTreeSet<&Cell> = a.means.keys().chain(b.means.keys()).collect();
        let step = step_of(&series.value);
        SignalCompared {
            id: series.id.to_string(),
            unit: series.unit.to_string(),
            cells: all.into_iter().map(|cell| cell_compared(&axes, cell, (a, b), step, confidence)).collect(),
        }
    });
    Comparison { signals: signals.collect(), only_in_one: first.symmetric_difference(&second).cloned().collect() }
}

/// The signals of a drive that are compared: not those that tell the condition, and no counters, whose rates the proof
/// compares.
fn compared<'a>(drive: &'a Recording, axes: &[Axis]) -> Vec<&'a Series> {
    let is_condition = |id: &SignalId| axes.iter().any(|axis| axis.signal == id.as_str());
    let is_count = |series: &Series| series.unit == Unit::named("count") || series.id.as_str() == "vehicle.speed";
    drive.series.iter().filter(|it| !it.is_empty() && !is_condition(&it.id) && !is_count(it)).collect()
}

fn cell_compared(axes: &[Axis], cell: &Cell, (a, b): (&Cut, &Cut), step: f64, confidence: f64) -> CellCompared {
    let of = |cut: &Cut| cut.means.get(cell).cloned().unwrap_or_default();
    let (first, second) = (of(a), of(b));
    let is_enough = first.len().min(second.len()) >= LEAST_STRETCHES;
    let moments = Moments::of(&first, a.worth).zip(Moments::of(&second, b.worth)).filter(|_| is_enough);
    let difference = moments.and_then(|(first, second)| welch(first, second, confidence));
    let verdict = match difference {
        None => Shift::TooShort,
        Some(Difference { difference, .. }) if difference.abs() < step => Shift::NotShown,
        Some(Difference { interval: (low, _), .. }) if low > 0.0 => Shift::Higher,
        Some(Difference { interval: (_, high), .. }) if high < 0.0 => Shift::Lower,
        Some(_) => Shift::NotShown,
    };
    CellCompared {
        bounds: cells::bounds(axes, cell),
        before: Means::of(a, cell),
        after: Means::of(b, cell),
        difference: difference.map(|it| (it.difference, it.interval.0, it.interval.1)),
        verdict,
    }
}

impl Means {
    fn of(cut: &Cut, cell: &Cell) -> Self {
        let means = cut.means.get(cell).map_or(&[][..], Vec::as_slice);
        Self {
            stretches: means.len(),
            seconds: cut.seconds.get(cell).copied().unwrap_or(0.0),
            mean: means.iter().sum::<f64>() / means.len() as f64,
        }
    }
}
