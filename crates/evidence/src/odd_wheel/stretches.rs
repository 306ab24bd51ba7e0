//! Disagreement that comes and goes.

#[cfg(test)]
mod tests;

use super::model::{self, Mixture, Nuisance, Sizes, Weighing};
use super::road::Reference;
use super::steady::{HIDDEN_SKEW_S, Steady, TRACK_MISMATCH, contrast, is_ordinary};
use super::trend;
use crate::finding::{Span, Verdict};
use crate::stats::robust;
use crate::wheels::{Block, Rig, TRACK_M};

/// Harder than this a single wheel may well slip on a poor road.
const GENTLE_M_S2: f64 = 2.0;

/// Least error in a stretch. Tyres do not change their size in a drive, and what a wheel does in turns and when it slips is
/// allowed for apart; two thirds of the least lasting fault.
const LEAST: f64 = 0.01;

/// How many standard errors a stretch must lie beyond what is allowed: stretches may begin anywhere. Four also cover four
/// wheels that are each rounded by half a step to the worse side.
const SIGMAS: f64 = 4.0;

/// Neighbouring samples share part of their error: this many times the standard error of independent ones.
const SHARED: f64 = 1.5;

/// The most that one block counts.
const MOST_PER_BLOCK: f64 = 0.05;

/// So many blocks that agree, or such a hole, end a stretch.
const CALM_BLOCKS: usize = 4;
const HOLE_S: f64 = 5.0;

/// log10 prior odds that a wheel disagrees now and then.
const LOG10_PRIOR: f64 = -1.5;

/// What one second of disagreement adds to log10 odds: on a sound car one second in four that follows a disagreeing one
/// disagrees too (assumed, no source); bounded, because a strange road can last a while.
const PER_SECOND: f64 = 0.6;

/// The same where a slipping wheel looks alike: one that runs fast may spin, one that runs slow while the car slows down may
/// lock; on ice both happen at gentle pedals.
const PER_SECOND_OF_SLIP: f64 = 0.3;

/// A slip is over after this many seconds, or the driver notices (assumed, no source).
const LONGEST_SLIP_S: f64 = 2.5;

/// Slowing down more than a car without pedals does at these speeds.
const BRAKING_M_S2: f64 = -0.7;

/// The most that one stretch may add.
const PER_STRETCH: f64 = 4.0;

/// A stretch of this length that no wheel can be named for keeps the wheels it may belong to from being called healthy.
const OPEN_S: f64 = 4.0;

/// Length of the stretch whose least visible error is told, seconds.
pub(super) const STATED_S: f64 = 15.0;

/// Stretches in which a wheel left the others.
#[derive(Debug, Clone, Default)]
pub(crate) struct Stretches {
    /// Where.
    pub(crate) spans: Vec<Span>,
    /// Its relative error there.
    pub(crate) size: Vec<f64>,
    /// log10 odds that the wheel disagrees now and then.
    pub(crate) log10_odds: f64,
    /// Stretches that are this wheel's or another's, which the drive does not tell.
    pub(crate) open: Vec<Span>,
    /// The wheels that those may belong to.
    pub(crate) rivals: Vec<usize>,
    /// Seconds of the stretches that are another wheel's.
    pub(crate) seconds_of_others: f64,
    /// Error that a stretch of [`STATED_S`] must have to stand out in the usual part of this drive; `None` where none was
    /// sought.
    pub(crate) least: Option<f64>,
}

impl Stretches {
    /// Least and greatest error in its stretches.
    pub(super) fn sizes(&self) -> (f64, f64) {
        self.size.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(least, most), &s| (least.min(s), most.max(s)))
    }

    /// Mean error over the time of its stretches; `None` without any, or where it is off now one way and now the other.
    pub(super) fn mean_size(&self) -> Option<f64> {
        let (least, most) = self.sizes();
        let seconds: f64 = self.spans.iter().map(|span| span.to_s - span.from_s).sum();
        let sum: f64 = self.spans.iter().zip(&self.size).map(|(span, size)| (span.to_s - span.from_s) * size).sum();
        (least * most > 0.0 && seconds > 0.0).then(|| sum / seconds)
    }

    /// Whether there is no stretch that is, or may be, this wheel's.
    pub(super) fn leaves_nothing(&self) -> bool {
        self.spans.is_empty() && self.open.is_empty()
    }
}

/// Finds stretches; one entry per wheel. Needs all four wheels: with three a turn or slip explains any stretch.
pub(crate) fn find(rig: &Rig, steady: &Steady, reference: Option<&Reference>) -> [Stretches; 4] {
    let mut found: [Stretches; 4] = Default::default();
    for stretches in &mut found {
        stretches.log10_odds = LOG10_PRIOR;
    }
    if rig.present != [true; 4] {
        return found;
    }
    let search = Search { rig, steady, reference, usual: Usual::of(rig, steady) };
    let least = search.least();
    let mut evidence = [0.0; 4];
    for (from, to) in search.candidates() {
        if let Some((wheel, more)) = search.assign(from, to, &mut found) {
            evidence[wheel] += more;
        }
    }
    let total: f64 = evidence.iter().sum();
    for (stretches, own) in found.iter_mut().zip(evidence) {
        // A road on which several wheels slip speaks against each of the stories about one wheel.
        stretches.log10_odds = LOG10_PRIOR + own - (total - own);
        if !stretches.open.is_empty() {
            stretches.log10_odds = stretches.log10_odds.max(Verdict::LEAST_OPEN);
        }
        stretches.least = least;
    }
    found
}

/// Notes a stretch with every wheel that it may belong to, and its length with the others.
fn leave_open(span: Span, seconds: f64, is_rival: [bool; 4], found: &mut [Stretches; 4]) {
    for (wheel, of_wheel) in found.iter_mut().enumerate() {
        if !is_rival[wheel] {
            of_wheel.seconds_of_others += seconds;
            continue;
        }
        of_wheel.open.push(span);
        let rivals = (0..4).filter(|&rival| is_rival[rival] && !of_wheel.rivals.contains(&rival));
        of_wheel.rivals.extend(rivals.collect::<Vec<_>>());
        of_wheel.rivals.sort_unstable();
    }
}

/// log10 odds from which on a stretch is one wheel's.
const NAMED: f64 = 1.3;
/// Wheels within this of the most probable one may be meant as well.
const RIVAL: f64 = 1.5;
/// Blocks before and after the edge of a stretch that are compared; the two at the edge itself are mixed.
const AT_EDGE: [usize; 2] = [1, 2];

/// One drive that is searched for stretches.
struct Search<'a> {
    rig: &'a Rig,
    steady: &'a Steady,
    reference: Option<&'a Reference>,
    usual: Usual,
}

impl Search<'_> {
    /// Gives a stretch to its wheel, with what it adds to that wheel's log10 odds, or leaves it open between several.
    fn assign(&self, from: usize, to: usize, found: &mut [Stretches; 4]) -> Option<(usize, f64)> {
        let blocks = &self.rig.blocks[from..to];
        let span = Span { from_s: blocks[0].from_s, to_s: blocks[blocks.len() - 1].to_s };
        let seconds = span.to_s - span.from_s + self.rig.interval_s;
        let weighing = self.weigh(from, to)?;
        let odds = weighing.log10_odds;
        let top = (0..4).fold(0, |best, wheel| if odds[wheel] > odds[best] { wheel } else { best });
        if odds[top] < NAMED {
            if seconds >= OPEN_S {
                leave_open(span, seconds, [0, 1, 2, 3].map(|wheel| odds[wheel] > odds[top] - RIVAL), found);
            }
            return None;
        }
        let accel = blocks.iter().map(|block| block.accel_m_s2).sum::<f64>() / blocks.len() as f64;
        let may_slip = weighing.size[top] > 0.0 || accel < BRAKING_M_S2;
        if may_slip && seconds <= LONGEST_SLIP_S {
            return None;
        }
        found[top].spans.push(span);
        found[top].size.push(self.rig.error_of(weighing.size[top]));
        (0..4).filter(|&wheel| wheel != top).for_each(|wheel| found[wheel].seconds_of_others += seconds);
        let per_second = if may_slip { PER_SECOND_OF_SLIP } else { PER_SECOND };
        // It is no surer that the wheel leaves the others than that it is this wheel.
        Some((top, (per_second * seconds).min(PER_STRETCH).min(odds[top] - LOG10_PRIOR)))
    }

    /// How far the diagonal contrast of a block lies from what this car shows all the time.
    fn excess(&self, block: &Block) -> f64 {
        contrast(&self.steady.rows[0], block, f64::NAN) - self.usual.of_block(0, block)
    }

    /// What turns, slip and skew may add to that in a block, all to one side.
    fn allowed(&self, block: &Block) -> f64 {
        let skew = 3.0 * self.usual.delay_error_s * block.accel_m_s2.abs() / block.speed_m_s;
        // Two wheels of one axle slip unlike each other by a third of what the axle slips.
        let slip = 0.004 * block.accel_m_s2.abs();
        LEAST + TRACK_MISMATCH * block.turn.abs() + skew + slip
    }

    /// Standard error of the mean of the diagonal contrast over some blocks, from scatter and steps.
    ///
    /// Four wheels, each with its own. Rounding is independent again at each step that the speed crosses.
    fn error<'b>(&self, blocks: impl Iterator<Item = &'b Block>) -> f64 {
        let (mut n, mut scatter, mut speed, mut crossed) = (0.0, 0.0, 0.0, 1.0);
        let step_m_s = self.rig.step_kmh / 3.6;
        for block in blocks {
            n += 1.0;
            scatter += (SHARED * block.noise).powi(2);
            speed += block.speed_m_s;
            crossed += block.accel_m_s2.abs() * (block.to_s - block.from_s) / step_m_s.max(1e-9);
        }
        let rounding = step_m_s / 12f64.sqrt() / (speed / n);
        2.0 * (scatter / (n * n) + rounding.powi(2) / crossed).sqrt()
    }

    fn counts(&self, block: &Block) -> bool {
        is_ordinary(block) && block.accel_m_s2.abs() <= GENTLE_M_S2
    }

    /// Error that a stretch of [`STATED_S`] must have to stand out in the usual part of the drive.
    fn least(&self) -> Option<f64> {
        let counted: Vec<&Block> = self.rig.blocks.iter().filter(|block| self.counts(block)).collect();
        let first = counted.first()?;
        let length = ((STATED_S / (first.to_s - first.from_s + self.rig.interval_s)).round() as usize).max(2);
        let mut all: Vec<f64> = counted
            .chunks_exact(length.min(counted.len()))
            .map(|part| {
                let allowed = part.iter().map(|block| self.allowed(block)).sum::<f64>() / part.len() as f64;
                allowed + SIGMAS * self.error(part.iter().copied())
            })
            .collect();
        robust::quantile(&mut all, USUAL_SHARE)
    }

    /// Runs of blocks that lie beyond what is allowed on one side: from, to (exclusive).
    fn candidates(&self) -> Vec<(usize, usize)> {
        let mut list = Vec::new();
        for side in [1.0, -1.0] {
            let mut k = 0;
            while k < self.rig.blocks.len() {
                let run = self.run_from(k, side);
                if let Some(to) = run.filter(|&to| self.stands_out(k, to, side)) {
                    list.push((k, to));
                }
                k = run.unwrap_or(k + 1);
            }
        }
        list.sort_unstable();
        list
    }

    /// End of the run of greatest excess that begins with block `from`; `None` when none does.
    fn run_from(&self, from: usize, side: f64) -> Option<usize> {
        let blocks = &self.rig.blocks;
        let (mut sum, mut best, mut to, mut calm) = (0.0, 0.0, None, 0);
        for (k, block) in blocks.iter().enumerate().skip(from) {
            if k > from && block.from_s - blocks[k - 1].to_s > HOLE_S {
                break;
            }
            if !self.counts(block) {
                if k == from {
                    break;
                }
                continue;
            }
            let more = side * self.excess(block) - self.allowed(block);
            // A wheel that is lost for a moment does not reach beyond it.
            sum += more.min(MOST_PER_BLOCK);
            calm = if more > 0.0 { 0 } else { calm + 1 };
            if sum <= 0.0 || calm > CALM_BLOCKS {
                break;
            }
            if sum > best {
                (best, to) = (sum, Some(k + 1));
            }
        }
        to
    }

    /// Whether the middle of a run, which a wheel that is lost for moments does not move, is beyond what is allowed by more than chance.
    fn stands_out(&self, from: usize, to: usize, side: f64) -> bool {
        let blocks = || self.rig.blocks[from..to].iter().filter(|block| self.counts(block));
        let mut beyond: Vec<f64> = blocks().map(|b| side * self.excess(b) - self.allowed(b)).collect();
        beyond.len() >= 2 && robust::median(&mut beyond).is_some_and(|middle| middle > SIGMAS * self.error(blocks()))
    }

    /// Whose a stretch is.
    fn weigh(&self, from: usize, to: usize) -> Option<Weighing> {
        let blocks = &self.rig.blocks[from..to];
        let n = blocks.len() as f64;
        let mean = |of: &dyn Fn(&Block) -> f64| blocks.iter().map(of).sum::<f64>() / n;
        let rows = &self.steady.rows;
        let middle = |row: usize| {
            let off = |b: &Block| contrast(&rows[row], b, f64::NAN) - self.usual.of_block(row, b);
            robust::median(&mut blocks.iter().map(off).collect::<Vec<_>>())
        };
        let mut seen: Vec<f64> = (0..rows.len()).filter_map(middle).collect();
        // Against the rest of the same drive on the same tyres: 0.2 % and a third of the slip that gentle driving causes.
        let axle = 0.002 + 0.002 * mean(&|b| b.accel_m_s2.abs());
        let (side, mixture) = self.side(from, to, seen[2]);
        seen[2] = side;
        let rounding = self.rig.step_kmh / 3.6 / 12f64.sqrt() / blocks[0].speed_m_s;
        let nuisance = Nuisance { axle: [(axle, 0.97), (3.0 * axle, 0.03)], side: mixture, wheel: 0.001 };
        let errors = [0.002 + 2.0 * rounding, 0.002 + rounding, 0.002 + rounding];
        model::weigh(rows, self.rig.present, &seen, &errors, &nuisance, Sizes::SCALE)
    }

    /// Left against right in a stretch, and how far a turn may have moved it.
    ///
    /// A turn sensor tells best. Without one the change at the edges of the stretch may: a fault comes and goes at once, a turn
    /// takes its time. How much the road changes it within the same time, the rest of the drive shows.
    fn side(&self, from: usize, to: usize, plain: f64) -> (f64, Mixture) {
        let blocks = &self.rig.blocks;
        let row = &self.steady.rows[2];
        if let Some(reference) = self.reference {
            let known = (from..to).filter(|&k| reference.turn[k].is_finite());
            let values: Vec<f64> = known.map(|k| contrast(row, &blocks[k], reference.turn[k])).collect();
            if 2 * values.len() > to - from {
                let side = values.iter().sum::<f64>() / values.len() as f64 - self.steady.seen[2];
                let sigma = reference.sigma.hypot(0.002);
                return (side, [(sigma, 0.95), (3.0 * sigma, 0.05)]);
            }
        }
        let near = |k: usize, sign: isize| -> Option<f64> {
            let at = AT_EDGE.map(|by| k.checked_add_signed(sign * by as isize));
            let there: Vec<&Block> = at.into_iter().flatten().filter_map(|k| blocks.get(k)).collect();
            let values = there.iter().map(|block| contrast(row, block, f64::NAN));
            (there.len() == AT_EDGE.len() && (there[0].from_s - there[1].from_s).abs() < HOLE_S)
                .then(|| values.sum::<f64>() / there.len() as f64)
        };
        // Rise over the edge between block k - 1 and block k; none over a hole.
        let rise = |k: usize| {
            let is_hole = blocks.get(k)?.from_s - blocks.get(k.checked_sub(1)?)?.to_s > HOLE_S;
            Some(near(k, 1)? - near(k - 1, -1)?).filter(|_| !is_hole)
        };
        let edges: Vec<f64> = [rise(from), rise(to).map(|rise| -rise)].into_iter().flatten().collect();
        let mut elsewhere: Vec<f64> = (0..blocks.len()).filter(|k| *k < from || *k > to).filter_map(rise).collect();
        elsewhere.iter_mut().for_each(|rise| *rise = rise.abs());
        let [half, most] = [0.5, 0.95].map(|share| robust::quantile(&mut elsewhere, share));
        match half.zip(most).filter(|_| !edges.is_empty() && elsewhere.len() >= LEAST_EDGES) {
            Some((half, most)) => {
                let n = edges.len() as f64;
                let narrow = (robust::SIGMA_PER_MAD * half / n.sqrt()).hypot(0.002);
                // Turns come in two kinds: hardly any, and what is done on purpose.
                let wide = most.max(4.0 * narrow);
                (edges.iter().sum::<f64>() / n, [(narrow, 0.7), (wide, 0.3)])
            }
            None => {
                let n = (to - from) as f64;
                // As often as in the rest of the drive the car goes straight on; else it takes any turn, 3 m/s2 across.
                let bend = 0.01 + TRACK_M * blocks[from..to].iter().map(|b| 3.0 / b.speed_m_s.powi(2)).sum::<f64>() / n;
                (plain, [(0.005, self.usual.straight), (bend, 1.0 - self.usual.straight)])
            }
        }
    }
}

/// Share of the drive in which an error of the stated size would have shown.
const USUAL_SHARE: f64 = 0.8;
/// Edges elsewhere in the drive that tell how much the road changes.
const LEAST_EDGES: usize = 20;

/// What this car shows all the time: a steady fault is not an intermittent one, and skew of polling and slip of the driven
/// axle can be learnt from the rest of the drive.
struct Usual {
    /// Each contrast at constant speed.
    steady: [f64; 3],
    /// Delay seen by the diagonal contrast, seconds, and its error.
    delay_s: f64,
    delay_error_s: f64,
    /// Slip of front against rear per m/s2.
    slip: f64,
    /// Share of the drive that goes straight on.
    straight: f64,
}

impl Usual {
    fn of(rig: &Rig, steady: &Steady) -> Self {
        let fit = |row: usize, regressor: &dyn Fn(&Block) -> f64| {
            let blocks = rig.blocks.iter().zip(&steady.ordinary).filter(|(_, used)| **used).map(|(block, _)| block);
            trend::slope(&blocks.map(|b| (regressor(b), contrast(&steady.rows[row], b, f64::NAN))).collect::<Vec<_>>())
        };
        let delay = fit(0, &|b| b.accel_m_s2 / b.speed_m_s).filter(|(_, error)| *error < HIDDEN_SKEW_S / 2.0);
        let slip = fit(1, &|b| b.accel_m_s2).filter(|(value, error)| value.abs() > 3.0 * error);
        // Both axles within 1 % of their usual side difference: radius above 150 m.
        let is_straight = |b: &&Block| (steady.seen[2] + 0.5 * (b.turn_of_axle[0] + b.turn_of_axle[1])).abs() < 0.01;
        let straight = rig.blocks.iter().filter(is_straight).count();
        Self {
            steady: [steady.seen[0], steady.seen[1], steady.seen[2]],
            delay_s: delay.map_or(0.0, |d| d.0),
            delay_error_s: delay.map_or(HIDDEN_SKEW_S, |d| d.1),
            slip: slip.map_or(0.0, |s| s.0.clamp(-0.02, 0.02)),
            straight: (straight as f64 / rig.blocks.len().max(1) as f64).clamp(0.05, 0.9),
        }
    }

    fn of_block(&self, row: usize, block: &Block) -> f64 {
        let varying = match row {
            0 => self.delay_s * block.accel_m_s2 / block.speed_m_s,
            1 => self.slip * block.accel_m_s2,
            _ => 0.0,
        };
        self.steady[row] + varying
    }
}
