//! From which length on a value that sticks would have shown in this drive: what its absence is worth.

use super::{
    FORGETS_STEPS, LOOKS, Run, against_habit, habit_after, habit_before, is_asked, is_at_rest, may_differ, noise,
    stands_out, tells_by_itself, usual_difference, witnesses,
};
use crate::dropout::track::Track;
use crate::physics::Family;

/// Lengths that are told of a value that sticks, seconds.
const LENGTHS_S: [f64; 6] = [0.5, 1.0, 2.0, 3.0, 5.0, 10.0];

/// How well a value that sticks would have shown beside what was recorded with it.
#[derive(Debug, Clone, Copy)]
pub(in crate::dropout) struct Shown {
    /// The shortest of [`LENGTHS_S`] that would have shown long enough; `None` where none would.
    pub(in crate::dropout) from_s: Option<f64>,
    /// Seconds of the drive in which a value that stuck for the length that matters would have shown.
    pub(in crate::dropout) for_s: f64,
    /// How fast its witnesses must move for that, per second; infinite where the signal is renewed too slowly.
    pub(in crate::dropout) rate_per_s: f64,
    /// Whether it had the witnesses that could tell at all.
    pub(in crate::dropout) has_witnesses: bool,
}

/// Looks along the drive; `None` where values that stay are not looked for. `needed_s`: for how long it must have shown;
/// `matters_s`: the length that must show.
pub(in crate::dropout) fn shown(
    track: &Track<'_>,
    tracks: &[Track<'_>],
    needed_s: f64,
    matters_s: f64,
) -> Option<Shown> {
    let family = track.family().filter(|_| is_asked(track))?;
    let looks = Looks::new(track, tracks, family);
    let middle = track.value(track.len() / 2);
    // In the rest of a moment that samples leave nothing can move enough.
    let beside = looks.beside(matters_s).filter(|beside| beside.lasts_s > 0.5 * matters_s);
    let for_s = looks.for_s(matters_s);
    let shows_for_s = |length_s: f64| if length_s == matters_s { for_s } else { looks.for_s(length_s) };
    Some(Shown {
        from_s: LENGTHS_S.into_iter().find(|length_s| shows_for_s(*length_s) >= needed_s),
        for_s,
        rate_per_s: beside.map_or(f64::INFINITY, |beside| beside.clear(family, middle) / beside.lasts_s),
        has_witnesses: looks.witnesses.len() >= witnesses_needed(family),
    })
}

/// Of two speeds that differ, either may be the wrong one.
fn witnesses_needed(family: Family) -> usize {
    if family == Family::Speed { 2 } else { 1 }
}

/// A signal looked at in [`LOOKS`] moments.
struct Looks<'a, 'b> {
    track: &'a Track<'b>,
    family: Family,
    witnesses: Vec<&'a Track<'b>>,
    /// Whether another signal moves, so that it is not the recorder that repeats.
    others_move: bool,
    from_s: f64,
    to_s: f64,
}

/// What the witnesses of a value that sticks must do.
struct Beside {
    /// Time over which they are compared, seconds.
    lasts_s: f64,
    /// Movement that steps and noise explain.
    steps: f64,
    /// Movement by which speeds hardly ever differ in this drive, where it teaches that.
    learned: f64,
}

impl Beside {
    /// Movement that is too much for a sound signal at a value to miss.
    fn clear(&self, family: Family, value: f64) -> f64 {
        may_differ(family, value).min(self.learned).max(self.steps)
    }
}

impl<'a, 'b> Looks<'a, 'b> {
    fn new(track: &'a Track<'b>, tracks: &'a [Track<'b>], family: Family) -> Self {
        let others_move = tracks.iter().any(|other| other.id() != track.id() && other.moves);
        let (from_s, to_s) = (track.t_s(0), track.t_s(track.len() - 1));
        Self { track, family, witnesses: witnesses(track, tracks, family), others_move, from_s, to_s }
    }

    /// Seconds of the drive in which a value that stuck for `length_s` would have shown.
    fn for_s(&self, length_s: f64) -> f64 {
        let drive_s = self.to_s - self.from_s;
        if length_s <= 3.0 * self.track.hold_s || drive_s <= length_s {
            return 0.0;
        }
        let beside = self.beside(length_s);
        let moments = (0..LOOKS).map(|k| self.from_s + (drive_s - length_s) * (k as f64 + 0.5) / LOOKS as f64);
        let shows = |t_s: f64| {
            let Some(first) = self.track.after(t_s).checked_sub(1) else { return false };
            let value = self.track.value(first);
            let by_witness = || beside.as_ref().is_some_and(|beside| self.would_miss(t_s, beside, value));
            !is_at_rest(self.track, self.family, value) && (by_witness() || self.breaks_habit(first, length_s))
        };
        moments.filter(|t_s| shows(*t_s)).count() as f64 / LOOKS as f64 * drive_s
    }

    /// What witnesses must do for a value that sticks for `length_s` to show; `None` with too few, or in too short a time.
    fn beside(&self, length_s: f64) -> Option<Beside> {
        let age_s = self.witnesses.iter().map(|witness| witness.age_s()).fold(0.0, f64::max);
        let lasts_s = length_s - age_s - self.track.hold_s;
        if self.witnesses.len() < witnesses_needed(self.family) || lasts_s <= 0.0 {
            return None;
        }
        let steps = noise(self.track) + self.witnesses.iter().map(|witness| noise(witness)).fold(0.0, f64::max);
        let learned = || {
            let each = self.witnesses.iter().filter_map(|witness| usual_difference(self.track, witness, lasts_s));
            each.fold(0.0, f64::max)
        };
        let learned = if self.family == Family::Speed { learned() } else { 0.0 };
        Some(Beside { lasts_s, steps, learned: if learned > 0.0 { learned } else { f64::INFINITY } })
    }

    /// Whether all witnesses move on from `t_s` by more than a sound signal could miss.
    fn would_miss(&self, t_s: f64, beside: &Beside, value: f64) -> bool {
        let value_at = |of: &Track<'_>, t_s: f64| of.after(t_s).checked_sub(1).map(|idx| of.value(idx));
        let change =
            |of: &&Track<'_>| Some(value_at(of, t_s + of.age_s() + beside.lasts_s)? - value_at(of, t_s + of.age_s())?);
        let changes = self.witnesses.iter().filter_map(change);
        let (least, most) = changes.fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), c| (a.min(c), b.max(c)));
        let clear = beside.clear(self.family, value);
        most.is_finite() && (least > clear || most < -clear)
    }

    /// Whether a value that stayed there for `length_s` would break the signal's habit of changing.
    fn breaks_habit(&self, first: usize, length_s: f64) -> bool {
        if !tells_by_itself(self.track) || !self.others_move {
            return false;
        }
        let next = self.track.after(self.track.t_s(first) + length_s);
        if next >= self.track.len() {
            return false;
        }
        let run = Run { first, next };
        // Most signals are no noise: the other half of the neighbourhood is not looked at then.
        let before = habit_before(self.track, run);
        if !before.is_noise() || before.usual_change() < FORGETS_STEPS * self.track.series_step() {
            return false;
        }
        let after = habit_after(self.track, run);
        let length = length_s / self.track.hold_s - 1.0;
        stands_out(length, &before, &after) && against_habit(self.track, length, &before, &after) > 0.0
    }
}
