//! Which hypotheses there are, and where each puts the fault in every drive.

use super::{Fault, MOST_CYLINDERS, MOST_DRIVES, Placement, SwapError};

/// Prior weight of a part that came later, against one that was there: new parts are seldom bad.
const NEW_PART: f64 = 0.1;

/// One thing that may be at fault.
#[derive(Debug, Clone)]
pub(super) struct Source {
    pub(super) fault: Fault,
    /// Share of the probability of a single fault; all shares sum to 1.
    pub(super) prior: f64,
    /// Cylinder (from 0) on which it sat in each drive; `None` while it was not in the engine.
    pub(super) path: Vec<Option<usize>>,
}

/// The experiment once its placements are known to make sense.
#[derive(Debug)]
pub(super) struct Experiment {
    pub(super) n_cylinders: usize,
    pub(super) n_drives: usize,
    /// Drives before the first exchange.
    pub(super) n_before: usize,
    pub(super) sources: Vec<Source>,
}

impl Experiment {
    pub(super) fn new(placements: &[&Placement], parts: &[String]) -> Result<Self, SwapError> {
        let first = *placements.first().ok_or(SwapError::NoDrives)?;
        if placements.len() > MOST_DRIVES {
            return Err(SwapError::Drives(placements.len()));
        }
        let kind = parts.first().ok_or_else(|| SwapError::Parts(String::new()))?;
        if let Some(twice) = parts.iter().enumerate().find(|(k, part)| parts[..*k].contains(part) || part.is_empty()) {
            return Err(SwapError::Parts(twice.1.clone()));
        }
        let missing = |drive: usize, part: &String| SwapError::Missing { drive: drive + 1, part: part.clone() };
        let n_cylinders = first.get(kind).ok_or_else(|| missing(0, kind))?.len();
        for (drive, placement) in placements.iter().enumerate() {
            for part in parts {
                let places = placement.get(part).ok_or_else(|| missing(drive, part))?;
                if places.len() != n_cylinders || !(1..=MOST_CYLINDERS).contains(&n_cylinders) {
                    let (part, found) = (part.clone(), places.len());
                    return Err(SwapError::Length { drive: drive + 1, part, found, cylinders: n_cylinders });
                }
                let twice =
                    places.iter().enumerate().find(|(k, number)| **number != 0 && places[..*k].contains(number));
                if let Some((_, &number)) = twice {
                    return Err(SwapError::Twice { drive: drive + 1, part: part.clone(), number });
                }
            }
        }
        let same = |placement: &&&Placement| parts.iter().all(|part| placement.get(part) == first.get(part));
        Ok(Self {
            n_cylinders,
            n_drives: placements.len(),
            n_before: placements.iter().take_while(same).count(),
            sources: sources(placements, parts, n_cylinders),
        })
    }

    /// Whether anything ever changed its place.
    pub(super) fn has_exchange(&self) -> bool {
        self.n_before < self.n_drives
    }

    /// The source that a fault names.
    pub(super) fn source(&self, fault: &Fault) -> Option<&Source> {
        self.sources.iter().find(|source| source.fault == *fault)
    }
}

/// Every kind of part, and the cylinder with all that was not exchanged, are equally likely at first, and so is every
/// number. A part that never left its first cylinder cannot be told from that cylinder and belongs to it.
fn sources(placements: &[&Placement], parts: &[String], n_cylinders: usize) -> Vec<Source> {
    let mut cylinders: Vec<Source> = (0..n_cylinders)
        .map(|k| Source { fault: Fault::Cylinder(k + 1), prior: 1.0, path: vec![Some(k); placements.len()] })
        .collect();
    let mut sources = Vec::new();
    for kind in parts {
        let rows: Vec<&Vec<u32>> = placements.iter().filter_map(|placement| placement.get(kind)).collect();
        let mut numbers: Vec<u32> = rows.iter().flat_map(|row| row.iter().copied()).filter(|n| *n != 0).collect();
        numbers.sort_unstable();
        numbers.dedup();
        for number in numbers {
            let path: Vec<Option<usize>> = rows.iter().map(|row| row.iter().position(|n| *n == number)).collect();
            let prior = if path.first().is_some_and(Option::is_some) { 1.0 } else { NEW_PART };
            match cylinders.iter_mut().find(|cylinder| cylinder.path == path) {
                Some(cylinder) => cylinder.prior += prior,
                None => sources.push(Source { fault: Fault::Part { kind: kind.clone(), number }, prior, path }),
            }
        }
    }
    sources.append(&mut cylinders);
    let total: f64 = sources.iter().map(|source| source.prior).sum();
    for source in &mut sources {
        source.prior /= total;
    }
    sources
}
