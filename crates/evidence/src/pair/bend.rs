//! Ends of the travel towards which the tracks part as one that is bent by design does.

use super::relation::{CELLS, Relation, Residual, cell, middles, range};
use super::spot::{Sign, Spot};

/// A difference that has this share of its greatest all along, but for the quarter of its length where it begins, began at once:
/// one that grows in a straight line from half of what is allowed has it only where nothing is beyond what is allowed.
const BEGINS_AT_ONCE: f64 = 0.75;

/// Cells that must have been visited to see how a difference begins: a tenth of the travel.
const LEAST_CELLS: usize = 4;

/// What the tracks differ by where they may be bent by design, as one that ends early is: from within the travel to an end of
/// what was visited no part of it is good, and the difference grows on its way there. What is worn as far as a stop begins at
/// once.
///
/// Where the first track has ended it shows one reading for the rest of the travel, so that this shows only over the readings
/// of the second. Beside one reading of the other track they differ by the same at every visit; beside the reading of a track
/// whose contact is lost, by whatever the foot does.
pub(crate) struct Bends {
    over: [Bend; 2],
    slope: f64,
    offset: f64,
}

/// Bends over the readings of one track, in cells of them.
struct Bend {
    /// Middle of the differences where it belongs to a bend.
    bent: Vec<Option<f64>>,
    visited: (f64, f64),
}

pub(crate) fn find(relation: &Relation) -> Bends {
    let visited = range(relation.usable.iter().map(|r| r.y));
    let mut over = [Bend::over(relation, relation.visited, |r| r.x), Bend::over(relation, visited, |r| r.y)];
    let (least, most) = relation.visited;
    let step = (most - least) / CELLS as f64;
    for r in relation.usable.iter().filter(|r| (least + step..most - step).contains(&r.x)) {
        over[1].bent[cell(r.y, visited, CELLS)] = None;
    }
    Bends { over, slope: relation.slope, offset: relation.offset }
}

impl Bend {
    fn over(relation: &Relation, visited: (f64, f64), reading: impl Fn(&Residual) -> f64) -> Self {
        let place = |r: &Residual| cell(reading(r), visited, CELLS);
        let offs = middles(relation.usable.iter().map(|r| (place(r), r.off)));
        let scatter = middles(relation.usable.iter().filter_map(|r| Some((place(r), (r.off - offs[place(r)]?).abs()))));
        let seen: Vec<(usize, f64)> = offs.into_iter().enumerate().filter_map(|(k, off)| Some((k, off?))).collect();
        let mut bent = vec![None; CELLS];
        let mut take = |from_end: Vec<(usize, f64)>| {
            let sign = from_end.first().map_or(0.0, |(_, off)| off.signum());
            let run = from_end.split(|(_, off)| off * sign <= 0.5 * relation.floor).next().unwrap_or_default();
            let greatest = run.iter().map(|(_, off)| off.abs()).fold(0.0, f64::max);
            let behind_rim = &run[..run.len() - run.len() / 4];
            let least = behind_rim.iter().map(|(_, off)| off.abs()).fold(f64::INFINITY, f64::min);
            if run.len() < LEAST_CELLS || least < BEGINS_AT_ONCE * greatest {
                // Between cells of the bend lie only such as were not visited.
                for pair in run.windows(2) {
                    bent[pair[0].0.min(pair[1].0)..pair[0].0.max(pair[1].0)].fill(Some(pair[0].1));
                }
                for (k, off) in run {
                    bent[*k] = Some(*off);
                }
            }
        };
        take(seen.clone());
        take(seen.into_iter().rev().collect());
        let agree = |k: usize| scatter[k].is_none_or(|scatter| scatter <= relation.floor);
        bent.iter_mut().enumerate().filter(|(k, _)| !agree(*k)).for_each(|(_, bent)| *bent = None);
        Self { bent, visited }
    }

    fn at(&self, reading: f64) -> Option<f64> {
        self.bent[cell(reading, self.visited, CELLS)]
    }
}

impl Bends {
    /// What the tracks usually differ by beside these readings of the first and the second, over each of them that shows a
    /// bend there.
    pub(crate) fn usual(&self, x: f64, y: f64) -> impl Iterator<Item = f64> {
        let [first, second] = &self.over;
        [first.at(x), second.at(y)].into_iter().flatten()
    }

    /// Whether a place is no more than such a bend.
    pub(crate) fn explain(&self, spot: &Spot) -> bool {
        // The place is the middle of what both tracks say.
        let (at, half) = (f64::midpoint(spot.from, spot.to), 0.5 * spot.depth);
        let (x, y) = (at - half / self.slope, self.offset + self.slope * at + half);
        spot.sign != Sign::Both && self.usual(x, y).any(|off| off * spot.depth > 0.0)
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
        let usual = |at: f64| bends.usual(at, at).collect::<Vec<_>>();
        let found = usual(89.0);
        assert!(!found.is_empty() && found.iter().all(|off| (off - 5.625).abs() < 1e-9), "{found:?}");
        assert!([10.0, 50.0, 71.0].into_iter().all(|at| usual(at).is_empty()));
    }
}
