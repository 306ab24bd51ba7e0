//! Values that jump away and come back.

use super::track::Track;
use crate::stats::robust;

/// Longest loss that is looked for, seconds: what lasts longer is a signal that is gone, not one that drops out.
const LONGEST_S: f64 = 30.0;
/// Values that are looked at to tell whether most of them are possible.
const LOOKS: usize = 2048;
/// Edges inside an excursion at which a shorter one is looked for.
const EDGES_WITHIN: usize = 16;
/// Stretch on both sides of an excursion that must lie on its level, seconds.
const NEIGHBOURS_S: f64 = 0.4;

/// A jump between two neighbouring samples.
#[derive(Debug, Clone, Copy)]
struct Edge {
    before: usize,
    after: usize,
    change: f64,
    /// Least rate of change that this jump took, per second.
    rate_per_s: f64,
}

/// The value left its level and came back.
#[derive(Debug, Clone, Copy)]
pub(super) struct Excursion {
    /// Last sample of the old level.
    pub(super) before: usize,
    /// First and last sample off it.
    pub(super) first: usize,
    pub(super) last: usize,
    /// First sample back on it.
    pub(super) after: usize,
    /// The value farthest off.
    pub(super) level: f64,
    /// Whether it stayed at one value.
    pub(super) is_flat: bool,
    /// Rate of the slower of the two edges, per second.
    pub(super) rate_per_s: f64,
}

impl Excursion {
    /// How far off, with its sign.
    pub(super) fn depth(&self, track: &Track<'_>) -> f64 {
        self.level - track.value(self.before)
    }

    /// Time from the last good sample to the first good one, seconds: the loss was shorter.
    pub(super) fn away_s(&self, track: &Track<'_>) -> f64 {
        track.t_s(self.after) - track.t_s(self.before)
    }
}

/// All excursions with edges that are steep for this signal; `None` when the signal does not behave like its quantity: steep
/// edges wherever one looks, or values that no working sensor gives most of the time.
pub(super) fn find(track: &Track<'_>) -> Option<Vec<Excursion>> {
    let edges = edges(track);
    // A table may repeat each value in many rows: what counts is how often there was a new one.
    let n_refreshes = track.len() as f64 / track.samples_per_refresh();
    if edges.len() as f64 * 3.0 > n_refreshes || is_mostly_dead(track) {
        return None;
    }
    let mut found = Vec::new();
    let mut k = 0;
    while k < edges.len() {
        // A part that moved quickly, rested elsewhere and moved back is no excursion when a shorter one lies inside it, or
        // begins where it ends.
        let lasted_s = |from: usize, m: usize| track.t_s(edges[from + m].after) - track.t_s(edges[from].before);
        let hides_another = |m: usize| {
            (k + 1..=k + m.min(EDGES_WITHIN))
                .any(|j| way_back(track, &edges[j..]).is_some_and(|n| lasted_s(j, n) < lasted_s(k, m)))
        };
        match way_back(track, &edges[k..]).filter(|m| !hides_another(*m)) {
            Some(m) => {
                found.push(excursion(track, &edges[k..=k + m]));
                k += m + 1;
            }
            None => k += 1,
        }
    }
    Some(found)
}

/// Whether most of the values are such as no working sensor gives: a wrong scale, or a sensor that is gone altogether.
fn is_mostly_dead(track: &Track<'_>) -> bool {
    let stride = (track.len() / LOOKS).max(1);
    let (mut n, mut n_dead) = (0_usize, 0_usize);
    for idx in (0..track.len()).step_by(stride) {
        n += 1;
        n_dead += usize::from(track.is_dead(track.value(idx)));
    }
    2 * n_dead > n
}

fn edges(track: &Track<'_>) -> Vec<Edge> {
    let (smallest, notable_per_s) = match &track.dynamics {
        Some(limits) => (limits.smallest, limits.notable_per_s),
        None => (track.exceptional_change, 0.0),
    };
    let mut edges = Vec::new();
    let mut good: Option<(usize, f64)> = None;
    for idx in 0..track.len() {
        let value = track.value(idx);
        if !value.is_finite() {
            continue;
        }
        if let Some((before, was)) = good {
            let change = value - was;
            if change.abs() >= smallest && track.t_s(idx) - track.t_s(before) <= track.longest_gap_s() {
                let rate_per_s = (change.abs() - track.step).max(0.0) / track.longest_between_s(before, idx).max(1e-3);
                // What no sensor can show needs no haste.
                if rate_per_s > notable_per_s || track.is_dead(value) != track.is_dead(was) {
                    edges.push(Edge { before, after: idx, change, rate_per_s });
                }
            }
        }
        good = Some((idx, value));
    }
    edges
}

/// Which of `edges` brings back the value that the first one took away: at its end the value must, for the first time, be
/// nearer to the old level than to the lost one, and as near as the machine may have moved meanwhile.
fn way_back(track: &Track<'_>, edges: &[Edge]) -> Option<usize> {
    let away = edges.first()?;
    let old = track.value(away.before);
    let until_s = track.t_s(away.before) + LONGEST_S.max(3.0 * track.interval_s);
    let is_off = |value: f64| !value.is_finite() || (value - old) / away.change >= 0.5;
    let back = (away.after + 1..track.len()).find(|&idx| track.t_s(idx) > until_s || !is_off(track.value(idx)))?;
    let m = edges.iter().position(|edge| edge.after >= back).filter(|&m| edges[m].after == back)?;
    let elapsed_s = track.t_s(back) - track.t_s(away.before);
    let drift = track.dynamics.map_or(f64::INFINITY, |limits| limits.smallest + limits.notable_per_s * elapsed_s);
    let missed = (track.value(back) - old).abs();
    (missed <= drift.min(0.5 * away.change.abs()) && is_level(track, away, back)).then_some(m)
}

/// Whether the samples on both sides are on the level of their neighbours: otherwise they are themselves part of some
/// disturbance, such as the swing of a wheel after a pothole. Asked only where the neighbours are close in time.
fn is_level(track: &Track<'_>, away: &Edge, back: usize) -> bool {
    let n = (NEIGHBOURS_S / track.interval_s.max(1e-3)) as usize;
    if n < 4 {
        return true;
    }
    let n = n.min(32);
    let level_of = |from: usize, to: usize| {
        let mut values: Vec<f64> = (from..to).map(|idx| track.value(idx)).filter(|v| v.is_finite()).collect();
        robust::median(&mut values)
    };
    let before = level_of((away.before + 1).saturating_sub(n), away.before + 1);
    let after = level_of(back, (back + n).min(track.len()));
    let fits = |level: Option<f64>, idx: usize| {
        level.is_some_and(|level| (level - track.value(idx)).abs() <= 0.25 * away.change.abs())
    };
    fits(before, away.before) && fits(after, back)
}

fn excursion(track: &Track<'_>, edges: &[Edge]) -> Excursion {
    let (away, back) = (&edges[0], &edges[edges.len() - 1]);
    let sign = away.change.signum();
    let (mut level, mut is_flat) = (track.value(away.after), true);
    for value in (away.after..=back.before).map(|idx| track.value(idx)).filter(|value| value.is_finite()) {
        is_flat &= (value - level).abs() <= 1e-9 + track.step;
        if (value - level) * sign > 0.0 {
            level = value;
        }
    }
    // A module that averages may take two samples for one edge: the steepest part counts.
    let steepest = |sign: f64| {
        edges.iter().filter(|edge| edge.change * sign > 0.0).map(|edge| edge.rate_per_s).fold(0.0, f64::max)
    };
    Excursion {
        before: away.before,
        first: away.after,
        last: back.before,
        after: back.after,
        level,
        is_flat,
        rate_per_s: steepest(sign).min(steepest(-sign)),
    }
}
