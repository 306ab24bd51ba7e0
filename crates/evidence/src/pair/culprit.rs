//! Which of two tracks jumps at the edges of a spot?

use super::relation::Relation;
use super::spot::Spot;

/// Slower sampling cannot tell a jump from a movement of the foot, seconds.
const SLOWEST_S: f64 = 0.06;

/// Edges needed for a statement.
const LEAST_EDGES: usize = 8;

/// At an edge one track goes on as it moved before while the other jumps: the one that jumps more in at least seven of
/// eight edges is at fault. `None` where the recording does not show it.
pub(crate) fn jumps(relation: &Relation, spot: &Spot, interval_s: f64) -> Option<usize> {
    if interval_s > SLOWEST_S {
        return None;
    }
    let is_in = |x: f64| x >= spot.from && x <= spot.to;
    let (mut n, mut n_first) = (0usize, 0usize);
    for four in relation.usable.windows(4) {
        let [a, b, c, d] = four else { continue };
        if is_in(b.at) == is_in(c.at) || d.t_s - a.t_s > 6.0 * interval_s {
            continue;
        }
        let jump = (c.off - b.off).abs();
        if jump < 0.5 * spot.depth.abs() {
            continue;
        }
        // What the neighbouring steps promise for the step across the edge.
        let own = |of: &dyn Fn(&super::relation::Residual) -> f64| {
            ((of(c) - of(b)) - 0.5 * ((of(b) - of(a)) + (of(d) - of(c)))).abs()
        };
        let (first, second) = (relation.slope.abs() * own(&|r| r.x), own(&|r| r.y));
        n += 1;
        n_first += usize::from(first > second);
    }
    match (n >= LEAST_EDGES, 8 * n_first >= 7 * n, 8 * n_first <= n) {
        (true, true, _) => Some(0),
        (true, _, true) => Some(1),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::super::relation::Residual;
    use super::super::relation::tests::relation;
    use super::super::spot::{Sign, Visits};
    use super::*;

    /// A foot that goes up and down through a place at 40 to 46 % in which the given track reads 6 too little.
    fn found(at_fault: usize, n_visits: usize, interval_s: f64) -> Option<usize> {
        let foot = (0..120 * n_visits).map(|k| 30.0 + 0.5 * (k % 120).min(119 - k % 120) as f64);
        let residual = |(k, at): (usize, f64)| {
            let less = if (40.0..=46.0).contains(&at) { 6.0 } else { 0.0 };
            let (x, y) = if at_fault == 0 { (at - less, at / 2.0) } else { (at, (at - less) / 2.0) };
            Residual { t_s: k as f64 * interval_s, at, x, y, off: y - x / 2.0, allowed: 0.8, cut: 0.0 }
        };
        let relation = relation(0.5, foot.enumerate().map(residual).collect());
        let visits = Visits { all: n_visits as f64, bad: n_visits as f64 };
        let depth = if at_fault == 0 { 3.0 } else { -3.0 };
        let (sign, elsewhere) = (Sign::Both, Visits::default());
        let spot = Spot { from: 40.0, to: 46.0, depth, sign, visits, elsewhere, log10_lr: 9.0, spans: Vec::new() };
        jumps(&relation, &spot, interval_s)
    }

    /// The track that jumps at the edges is at fault, whichever it is; each visit has four edges.
    #[test]
    fn the_track_that_jumps_is_named() {
        assert_eq!((found(0, 3, 0.05), found(1, 3, 0.05)), (Some(0), Some(1)));
        assert_eq!((found(0, 2, 0.05), found(0, 1, 0.05)), (Some(0), None), "eight edges, four edges");
        assert_eq!((found(1, 3, 0.06), found(1, 3, 0.07)), (Some(1), None), "too slow to tell a jump from a foot");
    }
}
