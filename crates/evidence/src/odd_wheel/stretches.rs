//! Disagreement that comes and goes.

use super::model::{self, Nuisance, Sizes};
use super::steady::{HIDDEN_SKEW_S, Steady, axle_sigma, contrast, diagonal_sigma, is_ordinary};
use crate::finding::Span;
use crate::wheels::{Block, Rig};

/// Harder than this a single wheel may well slip on a poor road.
const GENTLE_M_S2: f64 = 2.0;

/// Least error in a stretch, as for a steady one.
const LEAST: f64 = model::LEAST_FAULT;

/// log10 prior odds that a wheel disagrees now and then.
const LOG10_PRIOR: f64 = -1.5;

/// What one block of disagreement adds to log10 odds: on a sound car one block in four that follows a disagreeing one
/// disagrees too (assumed, no source); bounded, because a strange road can last a while.
const PER_BLOCK: f64 = 0.6;

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
    // A steady fault is not an intermittent one: only what differs from it counts.
    let usual = steady.seen[0];
    let excess = |block: &Block| contrast(&steady.rows[0], block, f64::NAN) - usual;
    let limit = |block: &Block| {
        // Four wheels, each rounded to half a step either way, all to the worse side.
        let rounding = 2.0 * rig.step_kmh / 3.6 / block.speed_m_s;
        LEAST + rounding + diagonal_sigma(block) + HIDDEN_SKEW_S * block.accel_m_s2.abs() / block.speed_m_s + 8.0 * block.noise
    };
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
        while k < rig.blocks.len() && off(&rig.blocks[k]) == sign && rig.blocks[k].from_s - rig.blocks[k - 1].to_s < 5.0 {
            k += 1;
        }
        let blocks = &rig.blocks[from..k];
        if blocks.len() < 2 {
            continue;
        }
        if let Some((wheel, size)) = whose(rig, steady, blocks) {
            evidence[wheel] += (PER_BLOCK * blocks.len() as f64).min(PER_STRETCH);
            found[wheel].spans.push(Span { from_s: blocks[0].from_s, to_s: blocks[blocks.len() - 1].to_s });
            found[wheel].size.push(size);
        }
    }
    let total: f64 = evidence.iter().sum();
    for (stretches, own) in found.iter_mut().zip(evidence) {
        // A road on which several wheels slip speaks against each of the stories about one wheel.
        stretches.log10_odds = LOG10_PRIOR + own - (total - own);
    }
    found
}

/// The wheel that a stretch belongs to, and its error there; `None` when the stretch does not tell.
fn whose(rig: &Rig, steady: &Steady, blocks: &[Block]) -> Option<(usize, f64)> {
    let n = blocks.len() as f64;
    let seen: Vec<f64> = steady
        .rows
        .iter()
        .zip(&steady.seen)
        .map(|(row, usual)| blocks.iter().map(|block| contrast(row, block, f64::NAN)).sum::<f64>() / n - usual)
        .collect();
    let axle = blocks.iter().map(axle_sigma).sum::<f64>() / n;
    // Within a stretch the car may take any turn: 3 m/s2 across.
    let side = blocks.iter().map(|b| 1.5 * 3.0 / b.speed_m_s.powi(2)).sum::<f64>() / n + 0.01;
    let rounding = rig.step_kmh / 3.6 / 12f64.sqrt() / blocks[0].speed_m_s;
    let nuisance = Nuisance { axle: [(axle, 0.9), (3.0 * axle, 0.1)], side: [(side, 0.9), (3.0 * side, 0.1)], wheel: 0.001 };
    let errors = [0.002 + 2.0 * rounding, 0.002 + rounding, 0.002 + rounding];
    let weighing = model::weigh(&steady.rows, rig.present, &seen, &errors, &nuisance, Sizes::SCALE)?;
    let wheel = (0..4).max_by(|&i, &j| weighing.log10_odds[i].total_cmp(&weighing.log10_odds[j]))?;
    (weighing.log10_odds[wheel] >= 1.0).then_some((wheel, weighing.size[wheel]))
}
