//! From a counter of any style to events between two moments.

use signal::{Series, seconds_from_nanos};

use super::engine::Engine;
use crate::skew::taken_ns;

/// How a counter behaves.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Style {
    /// It never changed.
    Still,
    /// It only grew.
    Cumulative,
    /// It runs over after so many bits.
    Wrapping(u32),
    /// It grows only at the end of each window of so many revolutions, by what was counted in it.
    Added(u32),
    /// It starts again from 0: at a start of the engine, or when codes are cleared.
    Restarting,
    /// It counts in windows of so many revolutions and starts each from 0.
    Window(u32),
    /// It shows the count of the last complete window of so many revolutions.
    HeldWindow(u32),
}

/// Events between two readings.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Step {
    pub(super) from_ns: i64,
    pub(super) to_ns: i64,
    pub(super) events: u64,
}

/// A counter as it was understood.
#[derive(Debug, Clone)]
pub(super) struct Counter {
    pub(super) style: Style,
    /// Every interval in which events could be counted, in order; most hold none.
    pub(super) steps: Vec<Step>,
    /// It stood at its end of scale, so that later events are unknown.
    pub(super) is_saturated: bool,
    /// Changes that were left out because so much cannot have been missed between two readings.
    pub(super) n_impossible: usize,
}

impl Counter {
    /// Whether so many changes were left out that it may count in another way than it was understood: one may be a wrong
    /// answer.
    pub(super) fn is_doubtful(&self) -> bool {
        self.n_impossible >= 2
    }
}

/// Windows that are counted in: revolutions (three makers' published pages).
const WINDOWS: [u32; 2] = [200, 1000];

/// Evidence, as power of ten, before changes are believed to come at the ends of windows.
const WINDOW_LOG10: f64 = 3.0;

/// Error of the integrated engine speed that windows must tolerate (resolution and skew of polled speeds).
const DRIFT: f64 = 0.01;

/// A change of the reading.
#[derive(Clone, Copy)]
struct Change {
    idx: usize,
    /// Revolutions at the reading before and at this one.
    from_rev: f64,
    to_rev: f64,
}

impl Change {
    fn middle(&self) -> f64 {
        0.5 * (self.from_rev + self.to_rev)
    }
}

/// `None` when the values are no counts.
pub(super) fn read(series: &Series, engine: &Engine) -> Option<Counter> {
    if !["count", "1"].contains(&series.unit.symbol()) {
        return None;
    }
    let t_ns = taken_ns(series);
    let readings: Vec<(i64, u64)> = t_ns
        .iter()
        .zip(&series.value)
        .filter(|(_, value)| (0.0..=4_294_967_295.0).contains(*value) && value.fract() == 0.0)
        .map(|(&t, &value)| (t, value as u64))
        .collect();
    if readings.len() < 2 || readings.len() * 10 < series.len() * 9 {
        return None;
    }
    let readings = without_slips(&readings, engine);
    let top = readings.iter().map(|reading| reading.1).max().unwrap_or(0);
    let mut falls = Vec::new();
    let mut changes = Vec::new();
    let (mut style, mut restarts) = (Style::Still, Vec::new());
    let mut wraps = Vec::new();
    for idx in 1..readings.len() {
        let ((from_ns, before), (to_ns, now)) = (readings[idx - 1], readings[idx]);
        if before == now {
            continue;
        }
        let revolution = |t: i64| 2.0 * engine.firings_until(t);
        let change = Change { idx, from_rev: revolution(from_ns), to_rev: revolution(to_ns) };
        changes.push(change);
        if style == Style::Still {
            style = Style::Cumulative;
        }
        if now > before {
            continue;
        }
        if engine.stopped_between(from_ns, to_ns) {
            restarts.push(idx);
            continue;
        }
        let possible = possible(from_ns, to_ns, engine);
        match run_over(before, now, top, possible) {
            Some(bits) => wraps.push((idx, bits)),
            None => falls.push(change),
        }
    }
    let window = window_of(&falls).map(|window| (window, is_held(&changes, window)));
    // A sum that is brought up to date at the end of each window rises by more than can be missed between two readings.
    let rises: Vec<Change> = changes.iter().filter(|c| readings[c.idx].1 > readings[c.idx - 1].1).copied().collect();
    let added = window_of(&rises).filter(|_| window.is_none());
    let since = |to_ns: i64, revolutions: u32| {
        engine.time_of(engine.firings_until(to_ns) - 0.5 * f64::from(revolutions)).min(to_ns)
    };
    if let Some(revolutions) = added {
        for fall in std::mem::take(&mut falls) {
            let ((_, before), (to_ns, now)) = (readings[fall.idx - 1], readings[fall.idx]);
            match run_over(before, now, top, possible(since(to_ns, revolutions), to_ns, engine)) {
                Some(bits) => wraps.push((fall.idx, bits)),
                None => falls.push(fall),
            }
        }
        wraps.sort_unstable();
    }
    if let Some((revolutions, true)) = window {
        return Some(Counter {
            style: Style::HeldWindow(revolutions),
            steps: held_windows(&readings, &changes, revolutions, engine),
            is_saturated: false,
            n_impossible: 0,
        });
    }
    if let Some((revolutions, false)) = window {
        style = Style::Window(revolutions);
    } else if let Some(revolutions) = added {
        style = Style::Added(revolutions);
    } else if let Some((_, bits)) = wraps.first() {
        style = Style::Wrapping(*bits);
    } else if !restarts.is_empty() || !falls.is_empty() {
        style = Style::Restarting;
    }
    let end = if !wraps.is_empty() {
        None
    } else if stands_at(&readings, 65_535) {
        Some(65_535)
    } else {
        (top == 255 && stays_at(&readings, 255)).then_some(255)
    };
    let mut wraps = wraps.into_iter().peekable();
    let counted = (1..readings.len())
        .filter(|&idx| end != Some(readings[idx - 1].1) || readings[idx].1 != readings[idx - 1].1)
        .map(|idx| {
            let ((from_ns, before), (to_ns, now)) = (readings[idx - 1], readings[idx]);
            let events = if let Some((_, bits)) = wraps.next_if(|wrap| wrap.0 == idx) {
                (1 << bits) - before + now
            } else if now >= before {
                now - before
            } else {
                now
            };
            Step { from_ns, to_ns, events }
        });
    let counted: Vec<Step> = match added {
        Some(revolutions) => over_windows(counted, |to_ns| since(to_ns, revolutions)),
        None => counted.collect(),
    };
    // What cannot have been missed was not: a wrong answer, or counts from a time that was not recorded.
    let is_possible =
        |step: &Step| step.events == 0 || step.events as f64 <= possible(step.from_ns, step.to_ns, engine);
    let n_counted = counted.len();
    let steps: Vec<Step> = counted.into_iter().filter(is_possible).collect();
    let n_impossible = n_counted - steps.len();
    Some(Counter { style, steps, is_saturated: end.is_some(), n_impossible })
}

/// In how many bits a counter ran over that fell from `before` to `now`, if it did.
///
/// Running over goes from the upper half of the scale to the lower one; a fall from 1 to 0 is a start from 0.
fn run_over(before: u64, now: u64, top: u64, possible: f64) -> Option<u32> {
    let bits = if top < 256 { 8 } else { 16 };
    let over = (1_u64 << bits).saturating_sub(before) + now;
    (top < 1 << bits && over <= 1 << (bits - 1) && over as f64 <= possible).then_some(bits)
}

/// Steps of a counter that is brought up to date at the end of each window: what it rose by happened since `since` of the
/// reading that shows it, or since it rose last; of the window that is not over yet nothing is known.
fn over_windows(counted: impl Iterator<Item = Step>, since: impl Fn(i64) -> i64) -> Vec<Step> {
    let mut steps: Vec<Step> = Vec::new();
    // First of the steps that no rise has claimed yet.
    let mut free = 0;
    let mut last_ns = None;
    let cut = |steps: &mut Vec<Step>, free: usize, at_ns: i64| {
        let kept = free + steps[free..].partition_point(|step| step.to_ns <= at_ns);
        steps.truncate(kept);
    };
    for step in counted {
        last_ns = Some(step.to_ns);
        if step.events == 0 {
            steps.push(step);
            continue;
        }
        let earliest_ns = steps.get(free).map_or(step.from_ns, |first| first.from_ns);
        let from_ns = since(step.to_ns).max(earliest_ns).min(step.from_ns);
        cut(&mut steps, free, from_ns);
        steps.push(Step { from_ns, ..step });
        free = steps.len();
    }
    if let Some(last_ns) = last_ns {
        cut(&mut steps, free, since(last_ns));
    }
    steps
}

/// Most misfires between two moments: every firing, half as many again for coarse speeds, and a few for the skew between
/// counter and speed.
fn possible(from_ns: i64, to_ns: i64, engine: &Engine) -> f64 {
    1.5 * (engine.firings_until(to_ns) - engine.firings_until(from_ns)) + 4.0
}

/// The readings without single wrong answers: lower than both equal neighbours, or impossibly higher than both, which may have
/// gone on counting meanwhile.
fn without_slips(readings: &[(i64, u64)], engine: &Engine) -> Vec<(i64, u64)> {
    let is_slip = |idx: usize| {
        let (Some(&(from_ns, before)), Some(&(to_ns, after))) =
            (readings.get(idx.wrapping_sub(1)), readings.get(idx + 1))
        else {
            return false;
        };
        let (t_ns, here) = readings[idx];
        let is_rise = |rise: u64, from_ns, to_ns| rise as f64 > possible(from_ns, to_ns, engine);
        let goes_on = after >= before && !is_rise(after - before, from_ns, to_ns);
        (before == after && here < before) || (goes_on && here > after && is_rise(here - before, from_ns, t_ns))
    };
    readings.iter().enumerate().filter(|(idx, _)| !is_slip(*idx)).map(|(_, reading)| *reading).collect()
}

/// Whether a reading is shown twice in a row, or last: one alone is a wrong answer.
fn stands_at(readings: &[(i64, u64)], value: u64) -> bool {
    readings.windows(2).any(|pair| pair[0].1 == value && pair[1].1 == value)
        || readings.last().is_some_and(|last| last.1 == value)
}

/// Whether a reading, once reached, is never left except by a fall, and is shown more often than a passing value would be.
fn stays_at(readings: &[(i64, u64)], value: u64) -> bool {
    let shown = readings.iter().filter(|reading| reading.1 == value).count();
    shown >= 10 && readings.last().is_some_and(|last| last.1 == value)
}

/// How far, in revolutions, the distance of two changes is from a whole number of windows, and how far it may be.
fn misfit(a: &Change, b: &Change, window: f64) -> (f64, f64) {
    let distance = b.middle() - a.middle();
    let windows = (distance / window).round().max(1.0);
    let width = |change: &Change| 0.5 * (change.to_rev - change.from_rev);
    ((distance - windows * window).abs(), width(a) + width(b) + DRIFT * distance + 1.0)
}

/// Evidence that changes come at the ends of windows, over changes at any time: power of ten.
fn log10_aligned(changes: &[Change], window: f64) -> f64 {
    changes
        .windows(2)
        .map(|pair| {
            let (off, allowed) = misfit(&pair[0], &pair[1], window);
            let by_chance = (2.0 * allowed / window).min(1.0);
            // One in twenty may be off: a reading that came late.
            let likelihood = if off <= allowed { 0.95 / by_chance + 0.05 } else { 0.05 };
            if by_chance >= 1.0 { 0.0 } else { likelihood.log10() }
        })
        .sum()
}

/// Windows after which the counter falls.
fn window_of(falls: &[Change]) -> Option<u32> {
    let score = |window: &u32| log10_aligned(falls, f64::from(*window));
    let best = WINDOWS.into_iter().max_by(|a, b| score(a).total_cmp(&score(b)))?;
    (score(&best) >= WINDOW_LOG10).then_some(best)
}

/// Whether the counter rises at the ends of windows too, and at no other time.
fn is_held(changes: &[Change], window: u32) -> bool {
    let misfits = changes.windows(2).map(|pair| misfit(&pair[0], &pair[1], f64::from(window)));
    let off = misfits.filter(|(off, allowed)| off > allowed).count();
    log10_aligned(changes, f64::from(window)) >= WINDOW_LOG10 && off * 10 <= changes.len()
}

/// A value that is shown for n windows stands for n windows, of which the first ended when it appeared.
fn held_windows(readings: &[(i64, u64)], changes: &[Change], revolutions: u32, engine: &Engine) -> Vec<Step> {
    let window = f64::from(revolutions);
    let revolution = |t: i64| 2.0 * engine.firings_until(t);
    let (Some(first), Some(last)) = (readings.first(), readings.last()) else { return Vec::new() };
    let mut steps = Vec::new();
    // Windows of equal length that end between two ends, each with so many events.
    let mut push = |from_end: f64, to_end: f64, n: usize, events: u64| {
        let each = (to_end - from_end) / n.max(1) as f64;
        for k in 0..n {
            let from = from_end + each * k as f64 - window;
            if from >= 0.0 {
                let time = |rev: f64| engine.time_of(0.5 * rev);
                steps.push(Step { from_ns: time(from), to_ns: time(from + each), events });
            }
        }
    };
    let (start, end) = (revolution(first.0), revolution(last.0));
    if let Some(change) = changes.first() {
        let n = ((change.middle() - start) / window).floor().max(0.0);
        push(change.middle() - n * window, change.middle(), n as usize, first.1);
    }
    for (k, change) in changes.iter().enumerate() {
        let value = readings[change.idx].1;
        let from = change.middle();
        match changes.get(k + 1) {
            Some(next) => push(from, next.middle(), ((next.middle() - from) / window).round() as usize, value),
            None => {
                let n = ((end - from) / window).floor().max(0.0) + 1.0;
                push(from, from + n * window, n as usize, value);
            }
        }
    }
    steps
}

/// Seconds that a step covers.
impl Step {
    pub(super) fn seconds(&self) -> f64 {
        seconds_from_nanos(self.to_ns - self.from_ns)
    }
}

#[cfg(test)]
mod tests;
