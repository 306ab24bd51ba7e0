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

#[cfg(test)]
mod tests {
    use signal::Series;

    use super::*;
    use crate::made::series;

    const HZ50_S: f64 = 0.02;

    fn wheel(interval_s: f64, n: usize, value: impl Fn(usize) -> f64) -> Series {
        series("wheel.speed.rear_left", "km/h", interval_s, n, value)
    }

    /// First and last sample of each excursion.
    fn found(series: &Series) -> Option<Vec<(usize, usize)>> {
        let found = find(&Track::new(series).unwrap())?;
        assert!(found.iter().all(|e| e.before < e.first && e.last < e.after));
        Some(found.iter().map(|e| (e.first, e.last)).collect())
    }

    #[test]
    fn an_excursion_is_where_it_is_and_as_deep_and_steep_as_it_is() {
        // 2000 rpm, then 900, 0 and 100, back at 1800: step 40 rpm (a tenth of the least that counts), rates over 0.2 s.
        let shape = [900.0, 0.0, 100.0];
        let engine = series("engine.speed", "rpm", 0.1, 200, |k| match k {
            ..100 => 2000.0,
            100..103 => shape[k - 100],
            _ => 1800.0,
        });
        let track = Track::new(&engine).unwrap();
        let all = find(&track).unwrap();
        assert_eq!(all.len(), 1);
        let it = &all[0];
        assert_eq!((it.before, it.first, it.last, it.after), (99, 100, 102, 103));
        assert_eq!((it.level, it.depth(&track), it.is_flat), (0.0, -2000.0, false));
        assert!((it.away_s(&track) - 0.4).abs() < 1e-9);
        // Down at most 1100 in one edge, up 1700: the slower counts.
        assert!((it.rate_per_s - (1100.0 - 40.0) / 0.2).abs() < 1e-6, "{}", it.rate_per_s);
        // Upside down, with the parts exchanged.
        let up = series("engine.speed", "rpm", 0.1, 200, |k| match k {
            ..100 => 2000.0,
            100..103 => 5000.0 - shape[k - 100],
            _ => 2200.0,
        });
        let track = Track::new(&up).unwrap();
        let it = &find(&track).unwrap()[0];
        assert_eq!((it.first, it.last, it.level, it.depth(&track)), (100, 102, 5000.0, 3000.0));
        assert!((it.rate_per_s - (2100.0 - 40.0) / 0.2).abs() < 1e-6, "{}", it.rate_per_s);
        let flat = wheel(HZ50_S, 200, |k| if (100..105).contains(&k) { 0.5 * (k % 2) as f64 } else { 50.0 });
        assert!(find(&Track::new(&flat).unwrap()).unwrap()[0].is_flat, "within a step of 1 km/h");
    }

    #[test]
    fn what_is_a_loss_and_what_is_not() {
        let level =
            |at: std::ops::Range<usize>, to: f64| wheel(HZ50_S, 400, move |k| if at.contains(&k) { to } else { 50.0 });
        assert_eq!(found(&level(200..201, 0.0)), Some(vec![(200, 200)]));
        assert_eq!(found(&level(200..203, 39.5)), Some(vec![(200, 202)]), "10.5 km/h");
        assert_eq!(found(&level(200..203, 40.5)), Some(vec![]), "less than 10 km/h");
        // What does not come back, or comes back elsewhere: half-way is nearer to neither.
        assert_eq!(found(&level(200..400, 0.0)), Some(vec![]));
        let back_at = |after: f64| {
            wheel(HZ50_S, 400, move |k| {
                if k < 200 {
                    50.0
                } else if k < 203 {
                    0.0
                } else {
                    after
                }
            })
        };
        assert_eq!(found(&back_at(42.0)), Some(vec![(200, 202)]), "10 km/h and 1 g for 0.08 s are allowed");
        assert_eq!(found(&back_at(35.0)), Some(vec![]));
        // A second within the first, and the first shorter: the short one is the loss.
        let within = wheel(HZ50_S, 400, |k| match k {
            150..250 if k == 200 => 0.0,
            150..250 => 25.0,
            _ => 50.0,
        });
        assert_eq!(found(&within), Some(vec![(200, 200)]));
        // Two losses, one after the other.
        let twice = wheel(HZ50_S, 400, |k| if k == 150 || (200..204).contains(&k) { 0.0 } else { 50.0 });
        assert_eq!(found(&twice), Some(vec![(150, 150), (200, 203)]));
        // Longer than half a minute is gone, not lost.
        let gone =
            |samples: usize| wheel(1.0, 200, move |k| if (100..100 + samples).contains(&k) { 0.0 } else { 72.0 });
        assert_eq!(found(&gone(29)), Some(vec![(100, 128)]));
        assert_eq!(found(&gone(40)), Some(vec![]));
        // Before a hole in the samples and behind it lie two levels, and no jump.
        let mut hole = wheel(HZ50_S, 400, |k| if (200..203).contains(&k) { 0.0 } else { 50.0 });
        hole.t_ns.iter_mut().skip(200).for_each(|t| *t += 3_000_000_000);
        assert_eq!(found(&hole), Some(vec![]));
        // A sample that is no number says nothing, before, in or after a loss.
        for at in [199, 200, 201, 203] {
            let unread = wheel(HZ50_S, 400, |k| {
                if k == at {
                    f64::NAN
                } else if (200..203).contains(&k) {
                    0.0
                } else {
                    50.0
                }
            });
            let all = found(&unread).unwrap();
            assert_eq!(all.len(), 1, "{at}: {all:?}");
        }
    }

    /// A loss begins and ends at the level of its neighbours; the swing of a wheel after a pothole does not.
    #[test]
    fn a_swing_is_no_loss() {
        // A quarter of the depth may lie between: 53.5 - 50 <= (53.5 - 38) / 4, and not 54.5; on the way back (50 - 38) / 4; on
        // both sides 65 - 50 <= 65 / 4, and not 75.
        for (lost, beside, at, is_loss) in [
            (38.0, 53.5, 199..200, true),
            (38.0, 54.5, 199..200, false),
            (38.0, 52.5, 201..202, true),
            (38.0, 53.5, 201..202, false),
            (0.0, 65.0, 199..202, true),
            (0.0, 75.0, 199..202, false),
        ] {
            let swing = |k: usize| {
                if k == 200 {
                    lost
                } else if at.contains(&k) {
                    beside
                } else {
                    50.0
                }
            };
            let all = found(&wheel(HZ50_S, 400, swing)).unwrap();
            assert_eq!(all.contains(&(200, 200)), is_loss, "{lost} km/h with {beside} in {at:?}");
        }
    }

    #[test]
    fn a_signal_that_is_not_its_quantity_has_no_losses() {
        let every = |n: usize| found(&wheel(HZ50_S, 400, move |k| if k % n == 0 { 0.0 } else { 50.0 }));
        assert!(every(5).is_none(), "two edges in five samples");
        assert_eq!(every(8).unwrap().len(), 49, "two in eight");
        let dead = |n: usize| found(&wheel(HZ50_S, 400, move |k| if k < n { -40.0 } else { 50.0 })).is_none();
        assert!(dead(210) && !dead(190), "no wheel turns at less than nothing");
    }

    /// Shifting time shifts the places and nothing else; the sign of time does not matter either.
    #[test]
    fn time_shifts_and_turns() {
        let value = |k: usize| if (200..204).contains(&k) { 0.0 } else { 50.0 + 0.02 * k as f64 };
        let forward = wheel(HZ50_S, 400, value);
        let mut later = forward.clone();
        later.t_ns.iter_mut().for_each(|t| *t += 3_600_000_000_000);
        assert_eq!(found(&forward), found(&later));
        assert_eq!(found(&wheel(HZ50_S, 400, |k| value(399 - k))), Some(vec![(196, 199)]));
    }
}
