//! Values that stay while the machine moves on.

mod shown;
#[cfg(test)]
mod tests;

pub(super) use shown::{Shown, shown};

use super::track::Track;
use crate::physics::{Family, GRAVITY_M_S2, KMH_PER_M_S, SENSOR_ALIVE_KMH, TRACKS_DIFFER_PERCENT};
use crate::stats::robust;

/// Beyond this the witnesses may have gone and come back meanwhile, seconds: a run is then looked at in parts.
const LONGEST_S: f64 = 30.0;
/// Moments of a long run, and of one that the recording ends in, up to which the witnesses are compared.
const MOMENTS: usize = 24;
/// A value that stays to the end of the recording counts from this length on, seconds: recorders repeat a last value for a
/// moment (common practice, no source).
const AT_END_S: f64 = 5.0;
/// Steps on either side of a run from which its neighbourhood's habit of repeating is learned.
const NEIGHBOURHOOD: usize = 40;
/// Most that one stuck stretch may count; less than a jump, because a recorder repeats values too.
const STRONGEST: f64 = 2.0;
/// With one witness only, which may be the wrong one.
const ONE_WITNESS: f64 = 1.2;
/// Movement of all witnesses that is just too much for a healthy signal to miss.
const AT_LIMIT: f64 = 0.3;
/// Wheels, and the car, change their speeds differently by this much when a turn begins (common practice, no source).
const SPEEDS_DIFFER_KMH: f64 = 0.5;
const SPEEDS_DIFFER_SHARE: f64 = 0.02;
/// How often along a drive the speeds are compared to learn how differently they change; fewer moments than half of it teach
/// nothing.
const LOOKS: usize = 240;
/// What nine in ten of those differences keep, times this, is more than nearly all of them do: with normal tails 4.9
/// standard deviations.
const BEYOND_NINE_TENTHS: f64 = 3.0;
/// Judged by what this drive shows alone, one stuck stretch decides nothing by itself.
const LEARNED: f64 = 1.2;
/// Usual change around a run, in steps, from which on a repeat does not depend on where between two steps the mean lies:
/// noise of two steps (derived: the chance of a repeat then varies by less than a hundredth), and twice that because roads
/// are not equally rough everywhere.
const FORGETS_STEPS: f64 = 5.0;
/// At the end of what a track shows it stays by nature, and may have stuck there: that speaks for neither side, and keeps the
/// signal from being called healthy.
pub(super) const AT_AN_END: f64 = 0.0;
/// A value that stayed on a slope and made up for it in one step: the module or the adapter may have stalled as well.
const CAUGHT_UP: f64 = 1.0;
/// A signal renewed more slowly than this repeats by chance too often for its own habits to tell, seconds.
const SLOWEST_S: f64 = 0.25;

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

/// So many times as long as the next longest run is out of all proportion; open drives with cruise control stay below 4.
const PROPORTION: f64 = 10.0;

/// A run of equal values, and the sample that ended it: the number of samples where the recording did.
#[derive(Clone, Copy)]
struct Run {
    first: usize,
    next: usize,
}

impl Run {
    /// Whether the recording ended before the value changed.
    fn is_open(self, track: &Track<'_>) -> bool {
        self.next == track.len()
    }

    /// How long the value stayed, seconds.
    fn lasted_s(self, track: &Track<'_>) -> f64 {
        track.t_s(self.next.min(track.len() - 1)) - track.t_s(self.first)
    }
}

/// Whether a signal is looked at for values that stay: it moves, and machines of its family do not rest anywhere.
fn is_asked(track: &Track<'_>) -> bool {
    let is_lively = matches!(track.family(), Some(Family::Speed | Family::Pedal | Family::Throttle | Family::Engine));
    is_lively && track.moves
}

/// Stretches in which the value stuck.
pub(super) fn find(track: &Track<'_>, tracks: &[Track<'_>]) -> Vec<Stuck> {
    let Some(family) = track.family().filter(|_| is_asked(track)) else { return Vec::new() };
    let witnesses = witnesses(track, tracks, family);
    let ends = Ends::of(track);
    let mut found = Vec::new();
    // The longest runs of all, longest first, wherever they are.
    let mut longest: [Option<Run>; 2] = [None; 2];
    let mut first = 0;
    for next in 1..=track.len() {
        if track.series.value.get(next) == Some(&track.series.value[first]) {
            continue;
        }
        let run = Run { first, next };
        first = next;
        if rests(track, family, run) {
            continue;
        }
        if longest[0].is_none_or(|other| run.lasted_s(track) > other.lasted_s(track)) {
            longest = [Some(run), longest[0]];
        } else if longest[1].is_none_or(|other| run.lasted_s(track) > other.lasted_s(track)) {
            longest[1] = Some(run);
        }
        if next - run.first >= 3 && is_long(track, run) {
            let by_witness = beside_witnesses(track, &witnesses, run);
            let tells = tells_by_itself(track) && !run.is_open(track) && run.lasted_s(track) < LONGEST_S;
            let by_itself = if tells { by_itself(track, tracks, run) } else { 0.0 };
            let (log10_lr, moved) = match by_witness {
                Some((lr, moved)) => ((lr + by_itself).min(STRONGEST), moved),
                None => (by_itself, 0.0),
            };
            if log10_lr > 0.0 {
                let log10_lr = if ends.has(track.value(run.first)) { AT_AN_END } else { log10_lr };
                found.push(Stuck { first: run.first, last: next - 1, log10_lr, moved });
            }
        }
    }
    if let [Some(run), Some(other)] = longest
        && is_out_of_all_proportion(track, tracks, run, other)
        && found.iter().all(|stuck| stuck.first != run.first)
    {
        found.push(Stuck { first: run.first, last: run.next - 1, log10_lr: 0.0, moved: 0.0 });
    }
    found
}

/// Whether a speed stayed for so much longer than ever else in the drive, while other signals went on, that it is not to be
/// called sound, though no witness says that it stuck: cruise control holds a speed, too.
fn is_out_of_all_proportion(track: &Track<'_>, tracks: &[Track<'_>], run: Run, other: Run) -> bool {
    let lasted_s = run.lasted_s(track);
    matches!(track.family(), Some(Family::Speed | Family::Engine))
        && lasted_s >= LONGEST_S
        && lasted_s >= PROPORTION * other.lasted_s(track).max(track.hold_s)
        && others_live(track, tracks, run)
}

/// Whether its own habits may tell that a signal stuck.
fn tells_by_itself(track: &Track<'_>) -> bool {
    matches!(track.family(), Some(Family::Speed | Family::Engine)) && track.hold_s <= SLOWEST_S
}

/// The signals that move with it.
fn witnesses<'a, 'b>(track: &Track<'_>, tracks: &'a [Track<'b>], family: Family) -> Vec<&'a Track<'b>> {
    let is_witness = |other: &&Track<'b>| other.family() == Some(family) && other.id() != track.id() && other.moves;
    tracks.iter().filter(is_witness).collect()
}

/// Longer than three refreshes of the value, and not over a hole in the recording.
fn is_long(track: &Track<'_>, run: Run) -> bool {
    let lasted_s = run.lasted_s(track);
    if run.is_open(track) {
        return lasted_s > AT_END_S.max(3.0 * track.hold_s);
    }
    lasted_s > 3.0 * track.hold_s && track.t_s(run.next) - track.t_s(run.next - 1) <= 3.0 * track.hold_s
}

/// At rest, or at the end of its range, a value stays by nature.
fn rests(track: &Track<'_>, family: Family, run: Run) -> bool {
    is_at_rest(track, family, track.value(run.first))
}

/// Whether a value is one at which the part rests, or the sensor sleeps.
fn is_at_rest(track: &Track<'_>, family: Family, value: f64) -> bool {
    match family {
        Family::Speed => value < SENSOR_ALIVE_KMH,
        Family::Engine => value < 400.0,
        Family::Pedal | Family::Throttle | Family::Other => {
            track.rest.is_some_and(|rest| value < rest + 3.0) || !(2.0..=98.0).contains(&value)
        }
    }
}

/// Where the least and the greatest value that a track of a pedal or throttle ever shows are, give or take a step: one that
/// clips stays there while its partners go on. Lone samples are none of its own.
pub(super) struct Ends(Option<(f64, f64)>);

impl Ends {
    pub(super) fn of(track: &Track<'_>) -> Self {
        if !matches!(track.family(), Some(Family::Pedal | Family::Throttle)) {
            return Self(None);
        }
        let middles = (0..track.len().saturating_sub(2)).map(|idx| middle(track, idx));
        let (least, most) =
            middles.fold((f64::INFINITY, f64::NEG_INFINITY), |(least, most), it| (least.min(it), most.max(it)));
        Self(Some((least + track.step, most - track.step)))
    }

    pub(super) fn has(&self, value: f64) -> bool {
        self.0.is_some_and(|(least, most)| value <= least || value >= most)
    }
}

/// All witnesses moved the same way by more than steps, noise and refresh explain: the strength, and the least movement.
///
/// Over a long run, and over one that has no end, up to the moment at which that says most.
fn beside_witnesses(track: &Track<'_>, witnesses: &[&Track<'_>], run: Run) -> Option<(f64, f64)> {
    // The run may end with a sample that was already on its way: only what lies a refresh inside it is compared.
    let (from_s, to_s) = (track.t_s(run.first), track.t_s(run.next - 1) - track.hold_s);
    if !run.is_open(track) && run.lasted_s(track) < LONGEST_S {
        return beside_until(track, witnesses, run, to_s);
    }
    let moments = (1..=MOMENTS).map(|k| from_s + (to_s - from_s) * k as f64 / MOMENTS as f64);
    moments.filter_map(|to_s| beside_until(track, witnesses, run, to_s)).max_by(|a, b| a.0.total_cmp(&b.0))
}

fn beside_until(track: &Track<'_>, witnesses: &[&Track<'_>], run: Run, to_s: f64) -> Option<(f64, f64)> {
    let family = track.family()?;
    let is_speed = family == Family::Speed;
    let from_s = track.t_s(run.first);
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
    // A car moves with at most 1 g.
    let lasted_s = to_s + 2.0 * track.hold_s - from_s;
    if is_speed && least > GRAVITY_M_S2 * KMH_PER_M_S * lasted_s + tolerance {
        return None;
    }
    if !run.is_open(track) && !catches_up_with(track, witnesses, run, least, direction)? {
        return None;
    }
    let floor = may_differ(family, track.value(run.first));
    let steps = tolerance + noise(track);
    if n == 0 || least <= steps {
        return None;
    }
    let strength = |floor: f64, most: f64| {
        let ratio = least / steps.max(floor);
        if ratio > 1.0 { (AT_LIMIT + 3.0 * ratio.log10()).min(most) } else { 0.0 }
    };
    let mut log10_lr = strength(floor, if n >= 2 { STRONGEST } else { ONE_WITNESS });
    // Where the road is straight the speeds of a car change far more alike than they may anywhere.
    if is_speed && n >= 2 && log10_lr < LEARNED {
        let differ =
            witnesses.iter().filter_map(|witness| usual_difference(track, witness, to_s - from_s)).fold(0.0, f64::max);
        if differ > 0.0 {
            log10_lr = log10_lr.max(strength(differ.min(floor), LEARNED));
        }
    }
    (log10_lr > 0.0).then_some((log10_lr, least))
}

/// What stuck catches up at once when it comes back, on a line that was drawn by the next sample; what did not move stays.
fn catches_up_with(track: &Track<'_>, witnesses: &[&Track<'_>], run: Run, least: f64, direction: f64) -> Option<bool> {
    let end_s = track.t_s(run.next);
    let back = if track.is_drawn { track.after(end_s + track.hold_s) } else { run.next };
    let change = middle(track, back.min(track.len().checked_sub(3)?)) - track.value(run.first);
    if run.lasted_s(track) < LONGEST_S {
        return Some(change * direction >= 0.5 * least);
    }
    // After a long time the witnesses are wherever they are.
    Some(witnesses.iter().any(|witness| {
        let at = |t_s: f64| Some(middle(witness, witness.after(t_s).min(witness.len().checked_sub(3)?)));
        let moved = at(end_s).zip(at(track.t_s(run.first) + witness.age_s())).map(|(b, a)| b - a);
        moved.is_some_and(|moved| (change - moved).abs() < 0.5 * least)
    }))
}

/// Movement that steps and noise alone explain: a change of one step is no noise; what goes beyond it may be.
fn noise(track: &Track<'_>) -> f64 {
    track.step + 3.0 * (track.usual_change - track.step).max(0.0)
}

/// Movement of the witnesses that a sound signal at a value may miss, in any drive.
fn may_differ(family: Family, value: f64) -> f64 {
    if family == Family::Speed { SPEEDS_DIFFER_KMH + SPEEDS_DIFFER_SHARE * value.abs() } else { TRACKS_DIFFER_PERCENT }
}

/// What the changes of two speeds over `lag_s` hardly ever differ by in this drive, by comparing them at moments all along
/// it; `None` with too few moments.
fn usual_difference(track: &Track<'_>, witness: &Track<'_>, lag_s: f64) -> Option<f64> {
    let (from_s, to_s) = (track.t_s(0), track.t_s(track.len() - 1) - lag_s);
    let at = |of: &Track<'_>, t_s: f64| {
        let idx = of.after(t_s).checked_sub(1)?;
        (idx + 3 <= of.len() && t_s - of.t_s(idx) < 3.0 * of.interval_s).then(|| middle(of, idx))
    };
    let change = |of: &Track<'_>, t_s: f64| {
        let (before, after) = (at(of, t_s)?, at(of, t_s + lag_s)?);
        (before.min(after) > SENSOR_ALIVE_KMH).then_some(after - before)
    };
    let mut differences: Vec<f64> = (0..LOOKS)
        .map(|k| from_s + (to_s - from_s) * (k as f64 + 0.5) / LOOKS as f64)
        .filter_map(|t_s| Some((change(track, t_s)? - change(witness, t_s)?).abs()))
        .collect();
    if 2 * differences.len() < LOOKS {
        return None;
    }
    Some(BEYOND_NINE_TENTHS * robust::quantile(&mut differences, 0.9)?)
}

/// The middle one of three neighbouring values.
fn middle(track: &Track<'_>, idx: usize) -> f64 {
    let (a, b, c) = (track.value(idx), track.value(idx + 1), track.value(idx + 2));
    a.max(b).min(a.min(b).max(c))
}

/// A value that trembles with nearly every sample and then does not: log10 of how improbable that is.
///
/// `length`: refreshes that the value stayed. With the share p of repeats in the neighbourhood of a run of L equal steps, a
/// healthy signal of N steps is expected to show N p^L such runs. That holds for noise only; a coarse value on a slope also
/// changes with every sample, and rightly stays when the car reaches its cruising speed. Noise turns back two times out of
/// three, a slope never.
fn against_habit(track: &Track<'_>, length: f64, before: &Habit, after: &Habit) -> f64 {
    // Coarse steps repeat while the noise stays between two of them, and that lasts: only noise of several steps forgets.
    let noise = before.usual_change().min(after.usual_change());
    if noise < FORGETS_STEPS * track.series_step() || !before.is_noise() || !after.is_noise() {
        return 0.0;
    }
    let n_refreshes = track.len() as f64 / track.samples_per_refresh();
    // Noise of standard deviation s repeats a value by chance with step / (sqrt(4 pi) s), and changes by 0.95 s in the median.
    let by_chance = 0.27 * track.step / track.usual_change.max(1e-12);
    let share = by_chance.max(before.repeats()).max(after.repeats()).min(1.0);
    let log10_expected = n_refreshes.log10() + length * share.log10();
    (-log10_expected).clamp(0.0, STRONGEST)
}

/// What a lively signal's own behaviour says of a run: by habit, or because it caught up with its slope.
fn by_itself(track: &Track<'_>, tracks: &[Track<'_>], run: Run) -> f64 {
    let samples_per_refresh = track.samples_per_refresh();
    let (before, after) = (habit_before(track, run), habit_after(track, run));
    let length = (run.next - run.first) as f64 / samples_per_refresh - 1.0;
    if !stands_out(length, &before, &after) {
        return 0.0;
    }
    let evidence = against_habit(track, length, &before, &after).max(catches_up(track, run));
    if evidence > 0.0 && others_live(track, tracks, run) { evidence } else { 0.0 }
}

/// Samples on either side of a run from which its neighbourhood's habits are learned.
fn reach(track: &Track<'_>) -> usize {
    ((NEIGHBOURHOOD as f64 * track.samples_per_refresh()) as usize).min(4096)
}

/// The habit up to a run.
fn habit_before(track: &Track<'_>, run: Run) -> Habit {
    habit(track, run.first.saturating_sub(reach(track)), run.first + 1, track.samples_per_refresh())
}

/// The habit after a run.
fn habit_after(track: &Track<'_>, run: Run) -> Habit {
    habit(track, run.next, (run.next + reach(track)).min(track.len()), track.samples_per_refresh())
}

/// Habits change along a drive; a run that is not far longer than its neighbours is no event.
fn stands_out(length: f64, before: &Habit, after: &Habit) -> bool {
    length >= 3.0 * before.longest.max(after.longest).max(1.0)
}

/// How a stretch of samples changes, counted in refreshes of the value.
#[derive(Default)]
struct Habit {
    refreshes: f64,
    changes: f64,
    /// Sum of the sizes of all changes, in the unit of the series.
    travelled: f64,
    /// Longest row of repeats.
    longest: f64,
    /// Changes that went against the change before, out of those with a change before.
    turns: f64,
    pairs: f64,
}

impl Habit {
    /// Half-way between a slope (no turns) and noise (two of three), and enough of it to tell.
    fn is_noise(&self) -> bool {
        2.0 * self.refreshes > NEIGHBOURHOOD as f64
            && 3.0 * self.turns > self.pairs
            && 2.0 * self.pairs > self.refreshes
    }

    fn usual_change(&self) -> f64 {
        self.travelled / self.changes.max(1.0)
    }

    /// Share of repeats, no less than what none in so many still allows (rule of three, 95 %).
    fn repeats(&self) -> f64 {
        ((self.refreshes - self.changes).max(0.0) + 3.0) / (self.refreshes + 3.0)
    }
}

/// The habit of the samples `from..to`.
fn habit(track: &Track<'_>, from: usize, to: usize, samples_per_refresh: f64) -> Habit {
    let mut habit = Habit { refreshes: (to - from) as f64 / samples_per_refresh, ..Habit::default() };
    let (mut row, mut last) = (1.0, 0.0_f64);
    for pair in track.series.value[from..to].windows(2) {
        let change = pair[1] - pair[0];
        if change == 0.0 {
            row += 1.0;
            habit.longest = habit.longest.max(row / samples_per_refresh - 1.0);
            continue;
        }
        row = 1.0;
        habit.changes += 1.0;
        habit.travelled += change.abs();
        if last != 0.0 {
            habit.pairs += 1.0;
            habit.turns += f64::from(u8::from(change * last < 0.0));
        }
        last = change;
    }
    habit
}

/// On a slope the value stays, and then is at once where the slope would have brought it: 0 or [`CAUGHT_UP`].
///
/// A coarse value on a slope also stays, but then moves by one step only.
fn catches_up(track: &Track<'_>, run: Run) -> f64 {
    let (from_s, to_s) = (track.t_s(run.first), track.t_s(run.next));
    let lasted_s = to_s - from_s;
    let (ago, ahead) = (track.after(from_s - lasted_s), track.after(to_s + lasted_s));
    if ago == 0 || ago >= run.first || ahead >= track.len() || ahead <= run.next + 1 {
        return 0.0;
    }
    let jump = track.value(run.next) - track.value(run.first);
    let slope = |a: usize, b: usize| (track.value(b) - track.value(a)) / (track.t_s(b) - track.t_s(a)).max(1e-6);
    let fits = |slope: f64| (0.5..=2.0).contains(&(slope * lasted_s / jump));
    // Both slopes are read off two samples each: the noise must be far below what they say.
    let is_jump = jump.abs() >= 6.0 * track.step.max(track.usual_change);
    if is_jump && fits(slope(ago, run.first)) && fits(slope(run.next, ahead)) { CAUGHT_UP } else { 0.0 }
}

/// Whether another signal took new values meanwhile: otherwise it was the recorder that repeated.
fn others_live(track: &Track<'_>, tracks: &[Track<'_>], run: Run) -> bool {
    let (from_s, to_s) = (track.t_s(run.first), track.t_s(run.next - 1));
    tracks.iter().filter(|other| other.id() != track.id() && other.moves).any(|other| {
        let (a, b) = (other.after(from_s), other.after(to_s));
        a < b && other.series.value[a..b.min(a + 4096)].windows(2).filter(|pair| pair[0] != pair[1]).count() >= 2
    })
}
