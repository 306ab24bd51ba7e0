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
