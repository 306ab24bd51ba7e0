//! Two tracks whose relation changes at a moment of the drive and stays changed.

use super::align::Aligned;
use super::relation::{CELLS, Relation, Residual, cell, middles};
use super::spot::{self, Visits};
use super::{MOST_OF_OPEN, PRIOR};
use crate::finding::Span;
use crate::stats::robust;

/// Stays in one cell of the travel are looked at in parts of this length, and evidence is counted once in so long, seconds:
/// readings of one movement share what fooled them.
const ANEW_S: f64 = 5.0;

/// One reading weighs no more in the search than one so many times what a sound pair may be off by.
const MOST_OFF: f64 = 6.0;

/// Fewest stays on either side of a moment.
const LEAST_STAYS: usize = 4;

/// Rounds in which both ends of the stretch are sought by turns.
const ROUNDS: usize = 3;

/// Cells that must show it before it convicts: at a single place a worn spot, or a pedal that no longer comes back, may do the
/// same.
const LEAST_CELLS: usize = 3;

/// A stretch of the drive in which the second track shows something else than at other times beside the same readings of the
/// first.
#[derive(Debug, Clone)]
pub(crate) struct Onset {
    /// From where to where; `to_s` is the end of the drive unless [`Self::is_over`].
    pub(crate) span: Span,
    /// Whether the tracks agree as before again afterwards.
    pub(crate) is_over: bool,
    /// How much more the second track shows there, middle of all stays where it shows, in its unit.
    pub(crate) shift: f64,
    /// The same at the least and the greatest reading of the first track at which it shows.
    pub(crate) at_ends: [(f64, f64); 2],
    /// Parts of [`ANEW_S`] in the stretch, and outside it, and in how many of them the tracks disagree.
    pub(crate) inside: Visits,
    /// See `inside`.
    pub(crate) outside: Visits,
    /// log10 odds, after the price for having looked everywhere.
    pub(crate) log10_odds: f64,
}

/// A stay in one cell of the travel.
struct Stay {
    from_s: f64,
    to_s: f64,
    cell: usize,
    /// Middle of its differences from the line.
    off: f64,
    /// How far off a sound pair may be there.
    allowed: f64,
}

fn stays(aligned: &Aligned, relation: &Relation) -> Vec<Stay> {
    let at = |r: &Residual| cell(r.x, relation.visited, CELLS);
    let mut stays = Vec::new();
    // What is off for half of the drive looks like timing, too, and would leave little to be compared.
    let all: Vec<Residual> = match relation.is_parted_by_timing {
        true => aligned.points.iter().filter_map(|p| relation.compare(p)).collect(),
        false => Vec::new(),
    };
    let mut rest = if relation.is_parted_by_timing { all.as_slice() } else { relation.usable.as_slice() };
    while let Some(first) = rest.first() {
        let n = rest.iter().take_while(|r| at(r) == at(first) && r.t_s - first.t_s <= ANEW_S).count();
        let (stay, others) = rest.split_at(n);
        rest = others;
        let allowed = robust::median(&mut stay.iter().map(|r| r.allowed + r.cut).collect::<Vec<_>>());
        let off = robust::median(&mut stay.iter().map(|r| r.off).collect::<Vec<_>>());
        let (Some(off), Some(allowed)) = (off, allowed) else { continue };
        stays.push(Stay { from_s: first.t_s, to_s: stay[n - 1].t_s, cell: at(first), off, allowed });
    }
    stays
}

/// Stays of one cell inside and outside of a stretch: how many, and the sum of their differences.
#[derive(Default, Clone, Copy)]
struct Sides {
    n: [f64; 2],
    sum: [f64; 2],
}

/// A division of all stays into those of a stretch and the others. For each cell the means of both sides are compared; over the
/// cells a straight line is fitted to what they differ by, so that an offset shows as well as a gain.
struct Division {
    cells: [Sides; CELLS],
    /// Sums over the cells of the weight w, w x, w x², w d and w x d, where d is the difference and x the place.
    sums: [f64; 5],
}

impl Division {
    /// All stays outside.
    fn new(stays: &[Stay], limit: f64) -> Self {
        let mut cells = [Sides::default(); CELLS];
        for stay in stays {
            cells[stay.cell].n[1] += 1.0;
            cells[stay.cell].sum[1] += stay.off.clamp(-limit, limit);
        }
        Self { cells, sums: [0.0; 5] }
    }

    /// What a cell adds to the sums.
    fn parts(&self, idx: usize) -> [f64; 5] {
        let Sides { n, sum } = self.cells[idx];
        if n[0] < 1.0 || n[1] < 1.0 {
            return [0.0; 5];
        }
        // The variance of a difference of two means is inverse to this.
        let w = n[0] * n[1] / (n[0] + n[1]);
        let (x, d) = (idx as f64 / CELLS as f64, sum[0] / n[0] - sum[1] / n[1]);
        [w, w * x, w * x * x, w * d, w * x * d]
    }

    /// Moves a stay into the stretch, or out of it.
    fn shift(&mut self, stay: &Stay, limit: f64, into: bool) {
        let before = self.parts(stay.cell);
        let (to, from) = if into { (0, 1) } else { (1, 0) };
        let sides = &mut self.cells[stay.cell];
        let off = stay.off.clamp(-limit, limit);
        sides.n[from] -= 1.0;
        sides.sum[from] -= off;
        sides.n[to] += 1.0;
        sides.sum[to] += off;
        let after = self.parts(stay.cell);
        for (sum, (before, after)) in self.sums.iter_mut().zip(before.into_iter().zip(after)) {
            *sum += after - before;
        }
    }

    /// Offset and slope (over the whole travel) of what the sides differ by, and how much of the squares that explains.
    fn fit(&self) -> ([f64; 2], f64) {
        let [w, wx, wxx, wd, wxd] = self.sums;
        if w < 0.5 {
            return ([0.0; 2], 0.0);
        }
        let det = w * wxx - wx * wx;
        // Too little of the travel on both sides to tell a slope.
        if det < 1e-3 * w * w {
            return ([wd / w, 0.0], wd * wd / w);
        }
        let (offset, slope) = ((wxx * wd - wx * wxd) / det, (w * wxd - wx * wd) / det);
        ([offset, slope], offset * wd + slope * wxd)
    }
}

/// The stretch of stays that explains most, by turns from either end.
fn stretch(stays: &[Stay], limit: f64) -> (usize, usize) {
    let n = stays.len();
    let best = |fixed: (usize, usize), moves_start: bool| {
        let mut division = Division::new(stays, limit);
        stays[fixed.0..fixed.1].iter().for_each(|stay| division.shift(stay, limit, true));
        let (mut best, mut best_gain) = (fixed, division.fit().1);
        // The moving end first outwards as far as it goes, then inwards.
        let (outwards, inwards): (Vec<usize>, Vec<usize>) = if moves_start {
            ((0..fixed.0).rev().collect(), (0..fixed.1).collect())
        } else {
            ((fixed.1..n).collect(), (fixed.0..n).rev().collect())
        };
        outwards.into_iter().for_each(|k| division.shift(&stays[k], limit, true));
        for k in inwards {
            let (from, to) = if moves_start { (k, fixed.1) } else { (fixed.0, k + 1) };
            let inside = to - from;
            if inside >= LEAST_STAYS && n - inside >= LEAST_STAYS && division.fit().1 > best_gain {
                (best, best_gain) = ((from, to), division.fit().1);
            }
            division.shift(&stays[k], limit, false);
        }
        (best, best_gain)
    };
    let sought = [true, false].map(|starts| {
        let mut found = best((0, n), starts);
        for round in 0..ROUNDS {
            let again = best(found.0, (round % 2 == 0) != starts);
            if again.0 == found.0 && round > 0 {
                break;
            }
            found = again;
        }
        found
    });
    if sought[0].1 >= sought[1].1 { sought[0].0 } else { sought[1].0 }
}

/// The stretch in which the tracks most certainly relate otherwise than at other times, if any reading shows it.
pub(crate) fn find(aligned: &Aligned, relation: &Relation) -> Option<Onset> {
    let stays = stays(aligned, relation);
    // Two sides that differ by more than is allowed cannot both lie within half of it.
    let n_beyond_half = stays.iter().filter(|stay| stay.off.abs() > 0.5 * relation.floor).count();
    if stays.len() < 2 * LEAST_STAYS || n_beyond_half < LEAST_STAYS {
        return None;
    }
    let limit = MOST_OFF * relation.floor;
    let (mut from, mut to) = stretch(&stays, limit);
    if to - from < LEAST_STAYS || stays.len() - (to - from) < LEAST_STAYS {
        return None;
    }
    // What begins with the drive and ends in it is told as what begins there: nothing shows which of the two is sound.
    if from == 0 {
        (from, to) = (to, stays.len());
    }
    let is_in = |k: usize| (from..to).contains(&k);
    let mut division = Division::new(&stays, limit);
    stays[from..to].iter().for_each(|stay| division.shift(stay, limit, true));
    let [offset, slope] = division.fit().0;
    let usual = middles(stays[..from].iter().chain(&stays[to..]).map(|stay| (stay.cell, stay.off)));
    // Counted are stays where the change is more than a sound pair may be off by, and what is usual is known.
    let expected = |stay: &Stay| offset + slope * stay.cell as f64 / CELLS as f64;
    let mut sides = [Visits::default(); 2];
    let (mut since_s, mut here) = ([f64::NEG_INFINITY; 2], [[0_usize; 2]; 2]);
    let mut shown: Vec<(usize, f64)> = Vec::new();
    let mut close = |side: usize, here: &mut [usize; 2]| {
        sides[side].all += f64::from(u8::from(here[0] > 0));
        sides[side].bad += f64::from(u8::from(2 * here[1] > here[0]));
        *here = [0; 2];
    };
    for (k, stay) in stays.iter().enumerate() {
        let (Some(usual), expected) = (usual[stay.cell], expected(stay)) else { continue };
        if expected.abs() <= stay.allowed {
            continue;
        }
        let side = usize::from(!is_in(k));
        if stay.from_s - since_s[side] > ANEW_S {
            close(side, &mut here[side]);
            since_s[side] = stay.from_s;
        }
        let beyond = stay.off - usual;
        let is_bad = beyond.abs() > stay.allowed && (side == 1 || beyond * expected > 0.0);
        here[side][0] += 1;
        here[side][1] += usize::from(is_bad);
        if side == 0 {
            shown.push((stay.cell, beyond));
        }
    }
    (0..2).for_each(|side| close(side, &mut here[side]));
    let shift = robust::median(&mut shown.iter().map(|(_, beyond)| *beyond).collect::<Vec<_>>())?;
    if shift.abs() <= relation.floor {
        return None;
    }
    shown.sort_by_key(|(cell, _)| *cell);
    let ends = [shown.first()?.0, shown.last()?.0];
    let mut cells: Vec<usize> = shown.iter().map(|(cell, _)| *cell).collect();
    cells.dedup();
    // It was sought among all parts of the drive; as likely as not it lasts to the end, and else both ends were sought.
    let n_parts = ((stays[stays.len() - 1].to_s - stays[0].from_s) / ANEW_S).max(2.0);
    let price = if to < stays.len() { n_parts * n_parts } else { 2.0 * n_parts }.log10();
    // Movements may have fooled the alignment on either side: what few stretches hold against many is few either way.
    let otherwise = |side: Visits| Visits { bad: side.all - side.bad, ..side };
    let log10_lr = spot::log10_lr(sides[0], sides[1]).min(spot::log10_lr(otherwise(sides[1]), otherwise(sides[0])));
    let mut log10_odds = PRIOR.log10() + log10_lr - price;
    if cells.len() < LEAST_CELLS {
        log10_odds = log10_odds.min(MOST_OF_OPEN);
    }
    let width = (relation.visited.1 - relation.visited.0) / CELLS as f64;
    let at_end = |cell: usize| {
        let share = cell as f64 / CELLS as f64;
        (relation.visited.0 + width * (cell as f64 + 0.5), offset + slope * share)
    };
    Some(Onset {
        span: Span { from_s: stays[from].from_s, to_s: stays[to - 1].to_s },
        is_over: to < stays.len(),
        shift,
        at_ends: ends.map(at_end),
        inside: sides[0],
        outside: sides[1],
        log10_odds,
    })
}

#[cfg(test)]
mod tests {
    use super::super::relation::tests::relation;
    use super::*;

    /// A foot that goes up and down between 10 and 90 % in 32 s, five readings a second, with such a difference.
    fn found(n_swings: usize, off: impl Fn(f64, f64) -> f64) -> Option<Onset> {
        let reading = |k: usize| {
            let (t_s, x) = (k as f64 / 5.0, 10.25 + (k % 160).min(159 - k % 160) as f64);
            Residual { t_s, at: x, x, y: x, off: off(t_s, x), allowed: 1.0, cut: 0.0 }
        };
        let relation = relation(1.0, (0..160 * n_swings).map(reading).collect());
        let aligned = Aligned {
            points: Vec::new(),
            step: [0.4; 2],
            hidden_s: 0.01,
            interval_s: 0.2,
            unresolved_s: 0.0,
            n_samples: 0,
        };
        find(&aligned, &relation)
    }

    #[test]
    fn an_offset_from_a_moment_on() {
        // Whichever part the line was drawn through.
        for base in [0.0, -3.0] {
            let onset = found(10, |t, _| base + if t >= 130.0 { 3.0 } else { 0.0 }).unwrap();
            assert!((onset.span.from_s - 130.0).abs() < 0.5 && !onset.is_over, "{onset:?}");
            assert_eq!((onset.shift, onset.outside.bad, onset.inside.all), (3.0, 0.0, onset.inside.bad), "{onset:?}");
            // 320 s in parts of 5 s and a little more.
            assert!((30.0..=39.0).contains(&onset.inside.all) && onset.log10_odds > 6.0, "{onset:?}");
        }
        // What ends in the drive is told from its end on, as nothing shows which part is sound, or with both ends.
        let until = found(10, |t, _| if t < 130.0 { 3.0 } else { 0.0 }).unwrap();
        assert!((until.span.from_s - 130.0).abs() < 0.5 && until.shift == -3.0, "{until:?}");
        let between = found(10, |t, _| if (100.0..200.0).contains(&t) { -3.0 } else { 0.0 }).unwrap();
        assert!((between.span.to_s - 200.0).abs() < 0.5 && between.is_over && between.shift == -3.0, "{between:?}");
    }

    #[test]
    fn a_gain_shows_where_it_is_more_than_a_sound_pair_may_be_off_by() {
        let onset = found(10, |t, x| if t >= 130.0 { 0.05 * x } else { 0.0 }).unwrap();
        assert!((onset.span.from_s - 130.0).abs() < 16.0 && onset.log10_odds > 3.0, "{onset:?}");
        let [low, high] = onset.at_ends;
        assert!(low.1 > 1.0 && (low.1 - 0.05 * low.0).abs() < 0.1 && (high.1 - 0.05 * high.0).abs() < 0.1, "{onset:?}");
    }

    #[test]
    fn what_is_no_onset() {
        let odds =
            |n: usize, off: &dyn Fn(f64, f64) -> f64| found(n, off).map_or(f64::NEG_INFINITY, |it| it.log10_odds);
        assert_eq!(odds(10, &|_, _| 0.0), f64::NEG_INFINITY);
        assert_eq!(odds(10, &|t, _| if t >= 130.0 { 0.9 } else { 0.0 }), f64::NEG_INFINITY, "within what is allowed");
        // A bend that is always there, also where the drive goes to that part of the travel late only.
        assert_eq!(odds(10, &|_, x| (x - 50.0).abs() / 10.0), f64::NEG_INFINITY);
        // Ten seconds out of 320 prove nothing, and a place that is worn from some moment on is one place.
        assert!(odds(10, &|t, _| if (100.0..110.0).contains(&t) { 3.0 } else { 0.0 }) < 2.0);
        assert!(odds(20, &|t, x| if t > 130.0 && (40.0..43.0).contains(&x) { 3.0 } else { 0.0 }) < 2.0);
        // Either way in turns of a minute: timing, or noise.
        assert!(odds(10, &|t, _| 3.0 * (t / 3.0).sin()) < 2.0);
    }
}
