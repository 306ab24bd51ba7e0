//! Times in which the recorder kept everything.
//!
//! Wheels are read one after another. What keeps all four of them while the speed changes keeps what they changed by between
//! their readings, too, and that looks like a wheel that leaves the others. It is no evidence, however often it is repeated.

use super::Track;

/// So many own intervals without a new value are no movement (no source).
const LEAST_INTERVALS: f64 = 3.0;

/// Wheels that change by one step at a time are steady, and stand still in their steps by themselves; keeping them keeps no
/// more than the step between them, which counts as rounding anyway.
const STEADY_STEPS: f64 = 1.5;

/// A new value of some wheel.
struct Change {
    t_ns: i64,
    /// The last time at which that wheel was read before.
    before_ns: i64,
    /// Whether it is more than a steady wheel changes by.
    is_large: bool,
}

/// From when to when (in ns, both exclusive) all wheels kept their values although they were moving before or behind it.
///
/// One interval more at either end, in which they stop, and go on, one after another.
pub(super) fn held<'a>(wheels: impl Iterator<Item = &'a Track<'a>> + Clone, interval_s: f64) -> Vec<(i64, i64)> {
    let of_wheel = |wheel: &'a Track<'a>| {
        // One stray value makes the least step too small, so that more is left out.
        let step = wheel.value.windows(2).map(|pair| (pair[1] - pair[0]).abs()).filter(|change| *change > 1e-6);
        let steady = STEADY_STEPS * step.fold(f64::INFINITY, f64::min);
        (1..wheel.value.len()).filter(|&k| wheel.value[k] != wheel.value[k - 1]).map(move |k| Change {
            t_ns: wheel.t_ns[k],
            before_ns: wheel.t_ns[k - 1],
            is_large: (wheel.value[k] - wheel.value[k - 1]).abs() > steady,
        })
    };
    let end_ns = wheels.clone().filter_map(|wheel| wheel.t_ns.last().copied()).min();
    let mut changes: Vec<Change> = wheels.flat_map(of_wheel).collect();
    changes.sort_by_key(|change| change.t_ns);
    changes.extend(end_ns.map(|end_ns| Change { t_ns: end_ns, before_ns: end_ns, is_large: false }));
    let least_ns = signal::nanos_from_seconds(LEAST_INTERVALS * interval_s);
    let round_ns = signal::nanos_from_seconds(interval_s);
    let held = (1..changes.len()).filter_map(|k| {
        let (stop, go) = (&changes[k - 1], &changes[k]);
        let from_ns = stop.t_ns.saturating_sub(round_ns);
        let to_ns = go.t_ns.saturating_add(round_ns);
        let moved = |change: &Change| change.is_large;
        let is_held = go.before_ns.saturating_sub(stop.t_ns) >= least_ns
            && (changes[..k].iter().rev().take_while(|c| c.t_ns > from_ns).any(moved)
                || changes[k..].iter().take_while(|c| c.t_ns < to_ns).any(moved));
        is_held.then_some((from_ns, to_ns))
    });
    held.collect()
}
