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

#[cfg(test)]
mod tests {
    use super::super::model::tests::of_two;
    use super::*;

    fn placed(kind: &str, row: &[u32]) -> Placement {
        Placement::from([(kind.to_owned(), row.to_vec())])
    }

    #[test]
    fn where_parts_stand() {
        let model = of_two();
        let first = |placement: &Placement| is_at_first(&model, placement);
        assert!(first(&Placement::new()) && first(&placed("coil", &[1, 2])) && first(&placed("injector", &[2, 1])));
        assert!(!first(&placed("coil", &[2, 1])) && !first(&placed("plug", &[1, 3])));
        let of =
            |member: usize, suspect: &str, placement: &Placement| sits_elsewhere(&model, member, suspect, placement);
        assert_eq!(of(0, "coil", &placed("coil", &[2, 1])), Some(Place::On("cylinder 2".into())));
        assert_eq!(of(0, "coil", &placed("bobina", &[2, 1])), Some(Place::On("cylinder 2".into())), "by another name");
        assert_eq!(of(0, "coil", &placed("coil", &[1, 3])), None);
        assert_eq!(of(1, "coil", &placed("coil", &[1, 3])), Some(Place::Out));
        assert_eq!((of(0, "plug", &placed("coil", &[2, 1])), of(0, "wire", &placed("coil", &[2, 1]))), (None, None));
    }

    /// A code names the cylinder on which a part stood when it was read; one of a misfire then belongs to what moved there.
    #[test]
    fn codes_follow_the_part() {
        let model = of_two();
        let code = |placement: Placement| Code { placement, ..Code::default() };
        let wanted =
            |clue: usize, member, placement| codes_wanted(&model, &model.clues[clue], member, &code(placement));
        assert_eq!(wanted(1, Some(0), placed("coil", &[1, 2])), ["P0351"]);
        assert_eq!(
            (wanted(1, Some(0), placed("coil", &[2, 1])), wanted(1, Some(1), placed("bobina", &[2, 1]))),
            (vec!["P0352".to_owned()], vec!["P0351".to_owned()])
        );
        assert!(wanted(1, Some(0), placed("coil", &[3, 2])).is_empty(), "it was out");
        assert_eq!(
            (wanted(1, Some(0), placed("plug", &[2, 1])), wanted(0, Some(0), placed("coil", &[1, 2]))),
            (vec!["P0351".to_owned()], vec!["P0301".to_owned()])
        );
        assert!(wanted(0, Some(0), placed("coil", &[2, 1])).is_empty());
        assert_eq!(wanted(0, None, placed("coil", &[2, 1])), ["P0301", "P0302"]);
    }

    #[test]
    fn what_a_swap_gives_to_a_cylinder() {
        let swap = [
            ("coil 1", 0.3),
            ("bobina 1", 0.1),
            ("cylinder 1", 0.05),
            ("coil 2", 0.2),
            ("injector 1", 0.3),
            ("several", 0.2),
            ("none", 0.05),
        ];
        let evidence = Evidence { swap: swap.map(|(fault, p)| (fault.to_owned(), p)).to_vec(), ..Evidence::default() };
        let model = of_two();
        assert!((share_of_member(&model, 0, &evidence) - 0.45).abs() < 1e-12);
        assert!(
            (share_of_member(&model, 1, &evidence) - 0.2).abs() < 1e-12 && share_of_member(&model, 2, &evidence) == 0.0
        );
        assert_eq!(share_of_member(&Model { swap: [].into(), ..of_two() }, 0, &evidence), 0.0);
        // What was seen after an exchange speaks of the cylinder's own parts only where several faults may be.
        let seen = |placement| Seen {
            drive: String::new(),
            kind: String::new(),
            subject: Vec::new(),
            log10_odds: 3.0,
            figures: [].into(),
            placement,
        };
        let few = Evidence { swap: vec![("several".to_owned(), 0.19)], ..Evidence::default() };
        let speaks = |placement, evidence| speaks_for_itself(&model, &seen(placement), evidence);
        assert!(speaks(Placement::new(), &few) && !speaks(placed("coil", &[2, 1]), &few));
        assert!(speaks(placed("coil", &[2, 1]), &evidence) && !speaks(placed("coil", &[2, 1]), &Evidence::default()));
    }
}
