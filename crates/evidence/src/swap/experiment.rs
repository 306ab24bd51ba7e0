//! Which hypotheses there are, and where each puts the fault in every drive.

use super::{Fault, MOST_CYLINDERS, MOST_DRIVES, MOST_PARTS, Placement, SwapError, is_word_of_verdict};

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
        check_names(parts)?;
        let missing = |drive: usize, part: &String| SwapError::Missing { drive: drive + 1, part: part.clone() };
        let kind = parts.first().ok_or(SwapError::Kinds(0))?;
        let n_cylinders = first.get(kind).ok_or_else(|| missing(0, kind))?.len();
        if !(1..=MOST_CYLINDERS).contains(&n_cylinders) {
            return Err(SwapError::Cylinders { part: kind.clone(), found: n_cylinders });
        }
        for (drive, placement) in placements.iter().enumerate() {
            for part in parts {
                check_row(drive, part, placement.get(part).ok_or_else(|| missing(drive, part))?, n_cylinders)?;
            }
            check_others(drive, placement, first, parts)?;
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

/// Each kind of part has a name of its own, which no verdict takes for something else.
fn check_names(parts: &[String]) -> Result<(), SwapError> {
    if !(1..=MOST_PARTS).contains(&parts.len()) {
        return Err(SwapError::Kinds(parts.len()));
    }
    for (k, part) in parts.iter().enumerate() {
        if parts[..k].contains(part) || part.trim().is_empty() {
            return Err(SwapError::Parts(part.clone()));
        }
        if is_word_of_verdict(part) {
            return Err(SwapError::Name(part.clone()));
        }
    }
    Ok(())
}

/// Each cylinder has one part of a kind, and none of them is on two.
fn check_row(drive: usize, part: &str, places: &[u32], n_cylinders: usize) -> Result<(), SwapError> {
    let (number_of_drive, part) = (drive + 1, part.to_owned());
    if places.len() != n_cylinders {
        let (found, cylinders) = (places.len(), n_cylinders);
        return Err(SwapError::Length { drive: number_of_drive, part, found, cylinders });
    }
    // A part that came later may be without a number, one that was there at first has that of its cylinder.
    if drive == 0 && places.contains(&0) {
        return Err(SwapError::Zero { part });
    }
    let twice = places.iter().enumerate().find(|(k, number)| **number != 0 && places[..*k].contains(number));
    match twice {
        Some((_, &number)) => Err(SwapError::Twice { drive: number_of_drive, part, number }),
        None => Ok(()),
    }
}

/// Whatever is not judged sits where it sat at first: on the cylinder of its number where that is not told.
fn check_others(drive: usize, placement: &Placement, first: &Placement, parts: &[String]) -> Result<(), SwapError> {
    let stayed = |part: &String, row: &Vec<u32>| match first.get(part) {
        Some(at_first) => at_first == row,
        None => row.iter().copied().eq(1..=row.len() as u32),
    };
    match placement.iter().find(|(part, row)| !parts.contains(part) && !stayed(part, row)) {
        Some((part, _)) => Err(SwapError::Unnamed { drive: drive + 1, part: part.clone() }),
        None => Ok(()),
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
