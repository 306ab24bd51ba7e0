//! Values that stay while the machine moves on.

use super::track::Track;
use crate::physics::{Family, GRAVITY_M_S2, KMH_PER_M_S, SENSOR_ALIVE_KMH};

/// Longest run that is looked at, seconds.
const LONGEST_S: f64 = 30.0;
/// Steps on either side of a run from which its neighbourhood's habit of repeating is learned.
const NEIGHBOURHOOD: usize = 40;
/// Most that one stuck stretch may count; less than a jump, because a recorder repeats values too.
const STRONGEST: f64 = 2.0;
/// With one witness only, which may be the wrong one.
const ONE_WITNESS: f64 = 1.2;
/// Polled more slowly than this a signal repeats by chance too often for its habits to tell, seconds.
const SLOWEST_INTERVAL_S: f64 = 0.25;

/// The value stayed although the machine moved on.
#[derive(Debug, Clone, Copy)]
pub(super) struct Stuck {
    /// First and last sample with the same value.
    pub(super) first: usize,
    pub(super) last: usize,
    /// log10 of the likelihood ratio of a stuck value over a healthy machine.
    pub(super) log10_lr: f64,
    /// How far the witnesses moved meanwhile; 0 where the signal's own habits are the only evidence.
    pub(super) moved: f64,
}

/// A run of equal values, and the sample that ended it.
#[derive(Clone, Copy)]
struct Run {
    first: usize,
    next: usize,
}

/// Stretches in which the value stuck.
pub(super) fn find(track: &Track<'_>, tracks: &[Track<'_>]) -> Vec<Stuck> {
    let Some(family) = track.family() else { return Vec::new() };
    if !matches!(family, Family::Speed | Family::Pedal | Family::Throttle | Family::Engine) || !track.moves {
        return Vec::new();
    }
    let witnesses: Vec<&Track<'_>> = tracks
        .iter()
        .filter(|other| other.family() == Some(family) && other.id() != track.id() && other.moves)
        .collect();
    let mut found = Vec::new();
    let mut first = 0;
    for next in 1..track.len() {
        if track.series.value[next] == track.series.value[first] {
            continue;
        }
        let run = Run { first, next };
        first = next;
        if next - run.first >= 3 && is_long(track, run) && !rests(track, family, run) {
            let by_witness = beside_witnesses(track, &witnesses, run);
            let by_habit = against_habit(track, tracks, family, run);
            let (log10_lr, moved) = match by_witness {
                Some((lr, moved)) => ((lr + by_habit).min(STRONGEST), moved),
                None => (by_habit, 0.0),
            };
            if log10_lr > 0.0 {
                found.push(Stuck { first: run.first, last: next - 1, log10_lr, moved });
            }
        }
    }
    found
}

/// Longer than three refreshes of the value, and not over a hole in the recording.
fn is_long(track: &Track<'_>, run: Run) -> bool {
    let lasted_s = track.t_s(run.next) - track.t_s(run.first);
    lasted_s > 3.0 * track.hold_s
        && lasted_s < LONGEST_S
        && track.t_s(run.next) - track.t_s(run.next - 1) <= 3.0 * track.hold_s
}

/// At rest, or at the end of its range, a value stays by nature.
fn rests(track: &Track<'_>, family: Family, run: Run) -> bool {
    let value = track.value(run.first);
    match family {
        Family::Speed => value < SENSOR_ALIVE_KMH,
        Family::Engine => value < 400.0,
        Family::Pedal | Family::Throttle | Family::Other => {
            track.rest.is_some_and(|rest| value < rest + 3.0) || !(2.0..=98.0).contains(&value)
        }
    }
}

/// All witnesses moved the same way by more than steps, noise and refresh explain: the strength, and the least movement.
fn beside_witnesses(track: &Track<'_>, witnesses: &[&Track<'_>], run: Run) -> Option<(f64, f64)> {
    let is_speed = track.family() == Some(Family::Speed);
    let (from_s, to_s) = (track.t_s(run.first), track.t_s(run.next - 1) - track.hold_s);
    let noise = |t: &Track<'_>| t.step + 3.0 * t.usual_change;
    // The run may end with a sample that was already on its way: only what lies a refresh inside it is compared.
    let (mut least, mut direction, mut n, mut tolerance) = (f64::INFINITY, 0.0, 0, 0.0_f64);
    for witness in witnesses {
        let (a, b) = (witness.after(from_s + witness.age_s()), witness.after(to_s));
        if b < a + 3 {
            continue;
        }
        let moved = middle(witness, b - 3) - middle(witness, a);
        if n > 0 && moved * direction <= 0.0 {
            return None;
        }
        direction = moved.signum();
        least = least.min(moved.abs());
        tolerance = tolerance.max(noise(witness));
        n += 1;
    }
    // What stuck catches up at once when it comes back; what did not move stays. And a car moves with at most 1 g.
    let after = middle(track, run.next.min(track.len().checked_sub(3)?));
    let caught_up = (after - track.value(run.first)) * direction;
    let lasted_s = track.t_s(run.next) - from_s;
    if caught_up < 0.5 * least || (is_speed && least > GRAVITY_M_S2 * KMH_PER_M_S * lasted_s + tolerance) {
        return None;
    }
    let ratio = least / (tolerance + noise(track));
    let most = if n >= 2 { STRONGEST } else { ONE_WITNESS };
    (n > 0 && ratio > 1.0).then(|| ((0.7 + 3.0 * ratio.log10()).min(most), least))
}

/// The middle one of three neighbouring values.
fn middle(track: &Track<'_>, idx: usize) -> f64 {
    let (a, b, c) = (track.value(idx), track.value(idx + 1), track.value(idx + 2));
    a.max(b).min(a.min(b).max(c))
}

/// A value that trembles with nearly every sample and then does not: log10 of how improbable that is.
///
/// With the share p of repeats in the neighbourhood of a run of L equal steps, a healthy signal of N steps is expected to
/// show N p^L such runs. That holds for noise only; a coarse value on a slope also changes with every sample, and rightly
/// stays when the car reaches its cruising speed. Noise turns back two times out of three, a slope never. Something else in
/// the recording must have changed meanwhile: otherwise the recorder repeated.
fn against_habit(track: &Track<'_>, tracks: &[Track<'_>], family: Family, run: Run) -> f64 {
    if matches!(family, Family::Pedal | Family::Throttle) || track.hold_s > SLOWEST_INTERVAL_S {
        return 0.0;
    }
    let (from, to) = (run.first.saturating_sub(NEIGHBOURHOOD), (run.next + NEIGHBOURHOOD).min(track.len()));
    let (before, after) = (habit(track, from, run.first + 1), habit(track, run.next, to));
    let length = run.next - 1 - run.first;
    // Habits change along a drive; a run that is not far longer than its neighbours is no event.
    if !before.is_noise() || !after.is_noise() || length < 3 * before.longest.max(after.longest).max(1) {
        return 0.0;
    }
    let log10_expected = (track.len() as f64).log10() + length as f64 * before.repeats().max(after.repeats()).log10();
    let evidence = (-log10_expected).clamp(0.0, STRONGEST);
    let (from_s, to_s) = (track.t_s(run.first), track.t_s(run.next - 1));
    let mut others = tracks.iter().filter(|other| other.id() != track.id() && other.moves);
    if others.any(|other| changes_within(other, from_s, to_s)) { evidence } else { 0.0 }
}

/// How a stretch of samples changes.
#[derive(Default)]
struct Habit {
    steps: usize,
    repeated: usize,
    /// Longest row of repeats.
    longest: usize,
    /// Changes that went against the change before, out of those with a change before.
    turns: usize,
    pairs: usize,
}

impl Habit {
    /// Half-way between a slope (no turns) and noise (two of three), and enough of it to tell.
    fn is_noise(&self) -> bool {
        2 * self.steps > NEIGHBOURHOOD && 3 * self.turns > self.pairs && 2 * self.pairs > NEIGHBOURHOOD / 2
    }

    /// Share of repeats, after Laplace.
    fn repeats(&self) -> f64 {
        (self.repeated as f64 + 1.0) / (self.steps as f64 + 2.0)
    }
}

/// The habit of the samples `from..to`.
fn habit(track: &Track<'_>, from: usize, to: usize) -> Habit {
    let mut habit = Habit::default();
    let (mut row, mut last) = (0, 0.0_f64);
    for pair in track.series.value[from..to].windows(2) {
        let change = pair[1] - pair[0];
        habit.steps += 1;
        if change == 0.0 {
            habit.repeated += 1;
            row += 1;
            habit.longest = habit.longest.max(row);
            continue;
        }
        row = 0;
        if last != 0.0 {
            habit.pairs += 1;
            habit.turns += usize::from(change * last < 0.0);
        }
        last = change;
    }
    habit
}

/// Whether a signal took at least two new values between two moments.
pub(super) fn changes_within(track: &Track<'_>, from_s: f64, to_s: f64) -> bool {
    let (a, b) = (track.after(from_s), track.after(to_s));
    a < b && track.series.value[a..b.min(a + 4096)].windows(2).filter(|pair| pair[0] != pair[1]).count() >= 2
}
