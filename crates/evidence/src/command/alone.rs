//! Does a signal move like this at other times too?

use signal::seconds_from_nanos;

use super::edges::Command;
use super::response::{Response, student};
use super::watched::Watched;

/// Other times of the command that are tried.
const DRAWS: usize = 999;
/// Most edges tried: a quarter of an hour's cycling repeats itself after that.
const MOST_EDGES: usize = 40;

/// Uniform numbers in 0..1, the same on every machine (splitmix64, Steele, Lea and Flood 2014, from memory).
pub(super) fn uniform(state: &mut u64) -> f64 {
    *state = state.wrapping_add(0x9E37_79B9_7F4A_7C15);
    let mut z = *state;
    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    ((z ^ (z >> 31)) >> 11) as f64 / (1_u64 << 53) as f64
}

fn shuffle(values: &mut [f64], state: &mut u64) {
    for k in (1..values.len()).rev() {
        values.swap(k, ((k + 1) as f64 * uniform(state)) as usize);
    }
}

/// Chance that the same command at other times (its on and off times in another order, beginning anywhere) would have
/// found as strong a response: a permutation test. Ends early once it is plain that the chance is above
/// `enough`.
///
/// Evenly spaced commands have no other order; their chance cannot get below that of meeting the same phase.
pub(super) fn chance(watched: &Watched<'_>, response: &Response, command: &Command, enough: f64) -> f64 {
    let series = watched.series;
    let (Some(&first), Some(&last)) = (series.t_ns.first(), series.t_ns.last()) else { return 1.0 };
    let (first, length) = (seconds_from_nanos(first), seconds_from_nanos(last - first));
    let edges = &command.edges[..command.edges.len().min(MOST_EDGES)];
    let of = |edges: &[(f64, bool)]| {
        let changes = response.windows.changes(watched, edges.iter().copied());
        if changes.len() < 2 { 0.0 } else { student(&changes, watched.step).2 }
    };
    let true_edges: Vec<(f64, bool)> = edges.iter().map(|edge| (edge.t_s, edge.is_on)).collect();
    let t = of(&true_edges);
    let halves: Vec<f64> = edges.windows(2).map(|pair| pair[1].t_s - pair[0].t_s).collect();
    let mut kinds: [Vec<f64>; 2] = [0, 1].map(|from| halves.iter().copied().skip(from).step_by(2).collect());
    let mut state = edges.len() as u64;
    let mut n_strong = 0;
    for n_drawn in 1..=DRAWS {
        for kind in &mut kinds {
            shuffle(kind, &mut state);
        }
        let mut at = uniform(&mut state) * length;
        let mut drawn = Vec::with_capacity(edges.len());
        for (k, edge) in edges.iter().enumerate() {
            drawn.push((first + at.rem_euclid(length.max(1e-9)), edge.is_on));
            at += kinds[k % 2].get(k / 2).copied().unwrap_or(0.0);
        }
        n_strong += usize::from(of(&drawn) * t.signum() >= t.abs());
        if n_strong as f64 > enough * (1 + DRAWS) as f64 {
            return (1 + n_strong) as f64 / (1 + n_drawn) as f64;
        }
    }
    (1 + n_strong) as f64 / (1 + DRAWS) as f64
}
