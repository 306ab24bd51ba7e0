//! Parts that changed places: which observation still speaks of which cylinder's own parts.
//!
//! An area is that of the parts that sat on a cylinder at first, wherever they stand now.

use super::file::codes_of;
use super::model::{Clue, Model};
use super::{Code, Evidence, Seen};
use crate::swap::Placement;

/// Where a part stands now.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Place {
    /// On another cylinder, in words.
    On(String),
    /// It was taken out.
    Out,
}

/// From this probability of several faults on a swap does not explain what misfires elsewhere (common practice, no
/// source).
const SEVERAL: f64 = 0.2;

/// Whether every part that the model knows how to exchange stood where it stood at first.
pub(super) fn is_at_first(model: &Model, placement: &Placement) -> bool {
    let kinds = model.swap.keys().filter_map(|kind| placement.get(kind));
    kinds.into_iter().all(|row| row.iter().enumerate().all(|(k, number)| *number as usize == k + 1))
}

/// Where the member's own part of a suspect stands now; `None` where it never moved.
pub(super) fn sits_elsewhere(model: &Model, member: usize, suspect: &str, placement: &Placement) -> Option<Place> {
    match row_of(model, suspect, placement)?.iter().position(|number| *number as usize == member + 1) {
        Some(at) if at == member => None,
        Some(at) => Some(Place::On(model.members.get(at)?.name.clone())),
        None => Some(Place::Out),
    }
}

/// Where the parts of a suspect stand, whatever the swaps call them.
fn row_of<'a>(model: &Model, suspect: &str, placement: &'a Placement) -> Option<&'a Vec<u32>> {
    let mut kinds = model.swap.iter().filter(|(_, id)| *id == suspect);
    kinds.find_map(|(kind, _)| placement.get(kind))
}

/// The codes that show a clue for a member, as they are numbered where the parts stood when `code` was read.
pub(super) fn codes_wanted(model: &Model, clue: &Clue, member: Option<usize>, code: &Code) -> Vec<String> {
    let each = clue.codes_each.iter().filter_map(|text| codes_of(text).ok());
    let Some(member) = member else {
        return each.flatten().collect();
    };
    let suspect = clue.part.as_ref().and_then(|part| model.swap.get(part));
    let row = suspect.and_then(|suspect| row_of(model, suspect, &code.placement));
    let at = match row {
        Some(row) => row.iter().position(|number| *number as usize == member + 1),
        None if clue.part.is_some() || is_at_first(model, &code.placement) => Some(member),
        // A misfire of this cylinder is then one of whatever moved there: the swap weighs it.
        None => None,
    };
    at.map(|at| each.filter_map(|codes| codes.into_iter().nth(at)).collect()).unwrap_or_default()
}

/// Whether a finding speaks of the cylinder's own parts; if not, the swap weighs it.
pub(super) fn speaks_for_itself(model: &Model, seen: &Seen, evidence: &Evidence) -> bool {
    let several = evidence.swap.iter().find(|row| row.0 == "several").map_or(0.0, |row| row.1);
    is_at_first(model, &seen.placement) || several >= SEVERAL
}

/// What a swap gives to the parts of a member and to the cylinder itself, together.
pub(super) fn share_of_member(model: &Model, member: usize, evidence: &Evidence) -> f64 {
    let Some(member) = model.members.get(member).filter(|_| !model.swap.is_empty()) else { return 0.0 };
    let is_own = |fault: &str| {
        fault
            .rsplit_once(' ')
            .is_some_and(|(kind, number)| number == member.id && (kind == "cylinder" || model.swap.contains_key(kind)))
    };
    evidence.swap.iter().filter(|row| is_own(&row.0)).map(|row| row.1).sum()
}
