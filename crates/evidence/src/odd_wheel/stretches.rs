//! Disagreement that comes and goes.

use super::model::{self, Nuisance, Sizes};
use super::steady::{HIDDEN_SKEW_S, Steady, TRACK_MISMATCH, contrast, is_ordinary};
use super::trend;
use crate::finding::Span;
use crate::stats::robust;
use crate::wheels::{Block, Rig, TRACK_M};

/// Harder than this a single wheel may well slip on a poor road.
const GENTLE_M_S2: f64 = 2.0;

/// Least error in a stretch, as for a steady one.
const LEAST: f64 = model::LEAST_FAULT;

/// log10 prior odds that a wheel disagrees now and then.
const LOG10_PRIOR: f64 = -1.5;

/// What one block of disagreement adds to log10 odds: on a sound car one block in four that follows a disagreeing one
/// disagrees too (assumed, no source); bounded, because a strange road can last a while.
const PER_BLOCK: f64 = 0.6;

/// The same where a slipping wheel looks alike: one that runs fast may spin, one that runs slow while the car slows down may
/// lock; on ice both happen at gentle pedals.
const PER_BLOCK_OF_SLIP: f64 = 0.3;

/// A slip is over after this many blocks, or the driver notices (assumed, no source).
const LONGEST_SLIP: usize = 2;

/// Slowing down more than a car without pedals does at these speeds.
const BRAKING_M_S2: f64 = -0.7;

/// The most that one stretch may add.
const PER_STRETCH: f64 = 4.0;

/// Stretches in which a wheel left the others.
#[derive(Debug, Clone, Default)]
pub(crate) struct Stretches {
    /// Where.
    pub(crate) spans: Vec<Span>,
    /// Its relative error there.
    pub(crate) size: Vec<f64>,
    /// log10 odds that the wheel disagrees now and then.
    pub(crate) log10_odds: f64,
    /// Error that a stretch must have to stand out in the usual block of this drive; `None` where none was sought.
    pub(crate) least: Option<f64>,
}

/// Finds stretches; one entry per wheel. Needs all four wheels: with three a turn or slip explains any stretch.
pub(crate) fn find(rig: &Rig, steady: &Steady) -> [Stretches; 4] {
    let mut found: [Stretches; 4] = Default::default();
    for stretches in &mut found {
        stretches.log10_odds = LOG10_PRIOR;
    }
    if rig.present != [true; 4] {
        return found;
    }
    let usual = Usual::of(rig, steady);
    let excess = |block: &Block| contrast(&steady.rows[0], block, f64::NAN) - usual.of_block(0, block);
    let limit = |block: &Block| {
        // Four wheels, each rounded to half a step either way, all to the worse side.
        let rounding = 2.0 * rig.step_kmh / 3.6 / block.speed_m_s;
        let skew = 3.0 * usual.delay_error_s * block.accel_m_s2.abs() / block.speed_m_s;
        // Two wheels of one axle slip unlike each other by a third of what the axle slips.
        let slip = 0.004 * block.accel_m_s2.abs();
        LEAST + rounding + TRACK_MISMATCH * block.turn.abs() + skew + slip + 8.0 * block.noise
    };
    let mut limits: Vec<f64> = rig.blocks.iter().filter(|block| is_ordinary(block)).map(limit).collect();
    let least = robust::median(&mut limits);
    let off = |block: &Block| {
        let x = excess(block);
        let counts = is_ordinary(block) && block.accel_m_s2.abs() <= GENTLE_M_S2 && x.abs() > limit(block);
        if counts { x.signum() } else { 0.0 }
    };
    let mut evidence = [0.0; 4];
    let mut k = 0;
    while k < rig.blocks.len() {
        let sign = off(&rig.blocks[k]);
        let from = k;
        k += 1;
        if sign == 0.0 {
            continue;
        }
        while k < rig.blocks.len() && off(&rig.blocks[k]) == sign && rig.blocks[k].from_s - rig.blocks[k - 1].to_s < 5.0
        {
            k += 1;
        }
        let blocks = &rig.blocks[from..k];
        if blocks.len() < 2 {
            continue;
        }
        if let Some((wheel, size)) = whose(rig, steady, &usual, blocks) {
            let accel = blocks.iter().map(|block| block.accel_m_s2).sum::<f64>() / blocks.len() as f64;
            let may_slip = size > 0.0 || accel < BRAKING_M_S2;
            if may_slip && blocks.len() <= LONGEST_SLIP {
                continue;
            }
            let per_block = if may_slip { PER_BLOCK_OF_SLIP } else { PER_BLOCK };
            evidence[wheel] += (per_block * blocks.len() as f64).min(PER_STRETCH);
            found[wheel].spans.push(Span { from_s: blocks[0].from_s, to_s: blocks[blocks.len() - 1].to_s });
            found[wheel].size.push(size);
        }
    }
    let total: f64 = evidence.iter().sum();
    for (stretches, own) in found.iter_mut().zip(evidence) {
        // A road on which several wheels slip speaks against each of the stories about one wheel.
        stretches.log10_odds = LOG10_PRIOR + own - (total - own);
        stretches.least = least;
    }
    found
}

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
            let blocks = rig.blocks.iter().zip(&steady.used).filter(|(_, used)| **used).map(|(block, _)| block);
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

/// The wheel that a stretch belongs to, and its error there; `None` when the stretch does not tell.
fn whose(rig: &Rig, steady: &Steady, usual: &Usual, blocks: &[Block]) -> Option<(usize, f64)> {
    let n = blocks.len() as f64;
    let mean = |of: &dyn Fn(&Block) -> f64| blocks.iter().map(of).sum::<f64>() / n;
    let seen: Vec<f64> = (0..steady.rows.len())
        .map(|row| mean(&|b| contrast(&steady.rows[row], b, f64::NAN) - usual.of_block(row, b)))
        .collect();
    // Against the rest of the same drive on the same tyres: 0.2 % and a third of the slip that gentle driving causes.
    let axle = 0.002 + 0.002 * mean(&|b| b.accel_m_s2.abs());
    // As often as in the rest of the drive the car goes straight on; else it takes any turn, 3 m/s2 across.
    let bend = 0.01 + TRACK_M * mean(&|b| 3.0 / b.speed_m_s.powi(2));
    let rounding = rig.step_kmh / 3.6 / 12f64.sqrt() / blocks[0].speed_m_s;
    let nuisance = Nuisance {
        axle: [(axle, 0.97), (3.0 * axle, 0.03)],
        side: [(0.005, usual.straight), (bend, 1.0 - usual.straight)],
        wheel: 0.001,
    };
    let errors = [0.002 + 2.0 * rounding, 0.002 + rounding, 0.002 + rounding];
    let weighing = model::weigh(&steady.rows, rig.present, &seen, &errors, &nuisance, Sizes::SCALE)?;
    let wheel = (0..4).max_by(|&i, &j| weighing.log10_odds[i].total_cmp(&weighing.log10_odds[j]))?;
    (weighing.log10_odds[wheel] >= 1.3).then_some((wheel, weighing.size[wheel]))
}
