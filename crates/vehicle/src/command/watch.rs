//! What must hold while something is driven, and the latest that is known of it.

use definition::Condition;
use protocol::Nanos;

/// Age at which a value that a condition rests on counts as unknown: some exchanges of a slow link, or one silent module
/// beside it.
const FRESH_NS: Nanos = 2_000_000_000;

/// A condition with the latest value of its signal.
pub(super) struct Watched {
    pub(super) condition: Condition,
    /// Index of its signal in the plan.
    pub(super) signal: usize,
    pub(super) latest: Option<(Nanos, f64)>,
}

/// What must hold and does not, as far as it is known; the second: whether that is for want of a value.
pub(super) fn unmet(watched: &[Watched], now: Nanos) -> Option<(String, bool)> {
    let fresh = |watched: &Watched| watched.latest.filter(|(at_ns, _)| now - at_ns <= FRESH_NS).map(|(_, value)| value);
    let wrong = watched.iter().find(|it| fresh(it).is_some_and(|value| !it.condition.holds(Some(value))));
    if let Some(watched) = wrong {
        let (name, value) = (watched.condition.signal(), fresh(watched).unwrap_or(f64::NAN));
        return Some((format!("{}: {name} is {value}", watched.condition), false));
    }
    let unknown = watched.iter().find(|watched| fresh(watched).is_none());
    unknown.map(|watched| (format!("{}: {} is not known", watched.condition, watched.condition.signal()), true))
}
