//! Ends of the travel towards which the tracks part as one that is bent by design does.

use super::relation::{CELLS, Relation, cell, middles};
use super::spot::{Sign, Spot};

/// A difference that has this share of its greatest all along, but for the quarter of its length where it begins, began at once:
/// one that grows in a straight line from half of what is allowed has it only where nothing is beyond what is allowed.
const BEGINS_AT_ONCE: f64 = 0.75;

/// Cells that must have been visited to see how a difference begins: a tenth of the travel.
const LEAST_CELLS: usize = 4;

/// What the tracks differ by where they may be bent by design, as one that ends early is: from within the travel to an end of
/// what was visited no part of it is good, and the difference grows on its way there. What is worn as far as a stop begins at
/// once.
pub(crate) struct Bends {
    /// Middle of the differences in each cell of the readings of the first track that belongs to such a bend.
    cells: Vec<Option<f64>>,
    visited: (f64, f64),
    slope: f64,
}

pub(crate) fn find(relation: &Relation) -> Bends {
    let offs = middles(relation.usable.iter().map(|r| (cell(r.x, relation.visited, CELLS), r.off)));
    let seen: Vec<(usize, f64)> = offs.into_iter().enumerate().filter_map(|(k, off)| Some((k, off?))).collect();
    let mut cells = vec![None; CELLS];
    let mut take = |from_end: Vec<(usize, f64)>| {
        let sign = from_end.first().map_or(0.0, |(_, off)| off.signum());
        let run = from_end.split(|(_, off)| off * sign <= 0.5 * relation.floor).next().unwrap_or_default();
        let greatest = run.iter().map(|(_, off)| off.abs()).fold(0.0, f64::max);
        let behind_rim = &run[..run.len() - run.len() / 4];
        let least = behind_rim.iter().map(|(_, off)| off.abs()).fold(f64::INFINITY, f64::min);
        if run.len() < LEAST_CELLS || least < BEGINS_AT_ONCE * greatest {
            // Between cells of the bend lie only such as were not visited.
            for pair in run.windows(2) {
                cells[pair[0].0.min(pair[1].0)..pair[0].0.max(pair[1].0)].fill(Some(pair[0].1));
            }
            for (k, off) in run {
                cells[*k] = Some(*off);
            }
        }
    };
    take(seen.clone());
    take(seen.into_iter().rev().collect());
    Bends { cells, visited: relation.visited, slope: relation.slope }
}

impl Bends {
    /// What the second track usually differs by beside this reading of the first, where that may be a bend.
    pub(crate) fn usual(&self, x: f64) -> Option<f64> {
        self.cells[cell(x, self.visited, CELLS)]
    }

    /// Whether a place is no more than such a bend.
    pub(crate) fn explain(&self, spot: &Spot) -> bool {
        let middle = 0.5 * (spot.from + spot.to - spot.depth / self.slope);
        spot.sign != Sign::Both && self.usual(middle).is_some_and(|off| off * spot.depth > 0.0)
    }
}

#[cfg(test)]
mod tests {
    use super::super::relation::tests::relation;
    use super::super::spot;
    use super::super::spot::tests::readings;
    use super::*;

    fn travel(off: &dyn Fn(f64) -> f64) -> Relation {
        relation(1.0, readings(6, |at, _| off(at)))
    }

    /// The second track ends early, or begins late; the others are worn up to the stop, in the middle, and in the middle as
    /// steeply, and good again before the end.
    #[test]
    fn what_grows_to_the_end_of_the_travel_may_be_a_bend() {
        let is_bend = |off: &dyn Fn(f64) -> f64| {
            let relation = travel(off);
            find(&relation).explain(&spot::find(&relation).unwrap())
        };
        assert!(is_bend(&|at| -0.3 * (at - 70.0).max(0.0)) && is_bend(&|at| 0.4 * (25.0 - at).max(0.0)));
        assert!(!is_bend(&|at| if at > 78.0 { -3.0 } else { 0.0 }));
        assert!(!is_bend(&|at| if (40.0..46.0).contains(&at) { 3.0 } else { 0.0 }));
        assert!(!is_bend(&|at| -0.3 * (at - 60.0).max(0.0) * f64::from(u8::from(at < 80.0))));
    }

    /// Cells of 2 %: 0.3 a percent from 70 on is 5.625 in the middle between the readings at 88.25 and 89.25.
    #[test]
    fn what_is_usual_there() {
        let bends = find(&travel(&|at| 0.3 * (at - 70.0).max(0.0)));
        assert!(bends.usual(89.0).is_some_and(|off| (off - 5.625).abs() < 1e-9), "{:?}", bends.usual(89.0));
        assert_eq!([10.0, 50.0, 71.0].map(|x| bends.usual(x)), [None; 3]);
    }
}
