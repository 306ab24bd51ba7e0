//! The part of a wheel's disagreement that is there all the time.

use super::model::{self, Nuisance, Sizes, TYRE_SIGMA, Weighing, axle_share, side_share};
use super::road::Reference;
use super::trend;
use crate::stats::{change, robust};
use crate::wheels::{Block, MIN_SPEED_KMH, Rig, TRACK_M, lift_of};

/// Blocks braked or driven harder than this say little of a wheel's size: slip is no longer small against 1 %.
const MAX_ACCEL_M_S2: f64 = 3.0;

/// Tighter than this (radius 12 m) tyres scrub, and equal tracks in front and at the rear are no longer good enough.
const MAX_TURN: f64 = 0.12;

/// Share of a turn by which the diagonal contrast may be wrong: tracks of the two axles differ by up to 5 % (common practice,
/// no source).
pub(crate) const TRACK_MISMATCH: f64 = 0.05;

/// Samples of unlike wheels may be this far apart in time without saying so: the spread of polling one after another.
pub(crate) const HIDDEN_SKEW_S: f64 = 0.06;

/// Net change of heading over a drive, one standard deviation: uniform over a full circle it is 1.8 rad.
const HEADING_RAD: f64 = 2.0;

/// Least number of blocks that a verdict rests on.
pub(crate) const LEAST_BLOCKS: usize = 20;

/// What the whole drive says of the wheels.
pub(crate) struct Steady {
    /// Contrasts that could be formed.
    pub(crate) rows: Vec<[f64; 4]>,
    /// Their values.
    pub(crate) seen: Vec<f64>,
    /// Their standard errors.
    pub(crate) errors: Vec<f64>,
    /// Standard error of one wheel's relative speed from the steps in which it counts.
    pub(crate) rounding: f64,
    /// What follows.
    pub(crate) weighing: Weighing,
    /// Which blocks can speak of a wheel's size.
    pub(crate) ordinary: Vec<bool>,
    /// Which of them were used: all, or those in which the car was sound, see [`sound_part`].
    pub(crate) used: Vec<bool>,
    /// Whether they are a part of the drive only.
    pub(crate) is_part: bool,
    /// Metres driven in the blocks used.
    pub(crate) distance_m: f64,
    /// Mean speed of the blocks used, those that tell left from right counted most.
    pub(crate) speed_m_s: f64,
}

/// Whether a block can speak of a wheel's size.
pub(crate) fn is_ordinary(block: &Block) -> bool {
    block.accel_m_s2.abs() <= MAX_ACCEL_M_S2 && block.turn.abs() <= MAX_TURN
}

/// Value of a contrast in a block, with the turn taken out where a sensor told it.
pub(crate) fn contrast(row: &[f64; 4], block: &Block, turn: f64) -> f64 {
    let plain: f64 = row.iter().zip(block.relative).map(|(weight, relative)| weight * relative).sum();
    if turn.is_finite() { plain + side_share(row) * turn } else { plain }
}

/// Spread of the axle difference within a block: 0.3 % at rest, 0.6 % of slip per m/s2 (tyres slip about 1 % per 0.1 g on
/// the driven axle, half of it taken since the sign alternates; from memory), and a quarter of the front wheels' wider arc.
fn axle_sigma(block: &Block) -> f64 {
    let arc = lift_of(block.turn);
    0.003 + 0.006 * block.accel_m_s2.abs() + 0.25 * arc
}

/// Spread of the side difference within a block without a sensor: a lateral acceleration of 1 m/s2.
fn side_sigma(block: &Block) -> f64 {
    0.001 + TRACK_M / block.speed_m_s.powi(2)
}

/// Variance of the diagonal contrast within a block from everything but the scatter of its samples.
fn diagonal_sigma(block: &Block) -> f64 {
    TRACK_MISMATCH * block.turn.abs()
        + HIDDEN_SKEW_S * block.accel_m_s2.abs() / block.speed_m_s
        + 0.003 * block.accel_m_s2.abs()
}

impl Steady {
    /// `None` when no contrast can be formed at all.
    pub(crate) fn of(rig: &Rig, reference: Option<&Reference>) -> Option<Self> {
        let turn = |k: usize| reference.map_or(f64::NAN, |r| r.turn[k]);
        let ordinary: Vec<bool> = rig
            .blocks
            .iter()
            .enumerate()
            .map(|(k, block)| is_ordinary(block) && (reference.is_none() || turn(k).is_finite()))
            .collect();
        let part = sound_part(rig, &ordinary);
        let is_part = part.is_some();
        let used = part.unwrap_or_else(|| ordinary.clone());
        let rows = model::contrasts(rig.present);
        let blocks: Vec<(usize, &Block)> = rig.blocks.iter().enumerate().filter(|(k, _)| used[*k]).collect();
        let n = blocks.len();
        let speeds = blocks.iter().map(|(_, block)| block.speed_m_s);
        let (slowest, fastest) = speeds.clone().fold((f64::INFINITY, 0.0_f64), |(a, b), v| (a.min(v), b.max(v)));
        let weight_sum: f64 = speeds.clone().map(|v| v.powi(4)).sum();
        let speed_m_s = speeds.clone().map(|v| v.powi(5)).sum::<f64>() / weight_sum.max(1e-9);
        let distance_m: f64 = blocks.iter().map(|(_, block)| block.speed_m_s * (block.to_s - block.from_s)).sum();
        // Steps: one wheel's rounding is uniform within half a step, and independent again at each step that the speed
        // crosses; longer driving at one speed does not average it away.
        let steps_crossed = ((fastest - slowest) * 3.6 / rig.step_kmh.max(1e-9)).max(1.0);
        let rounding = rig.step_kmh / 3.6 / 12f64.sqrt() / steps_crossed.sqrt() / speed_m_s.max(MIN_SPEED_KMH / 3.6);
        let mut seen = Vec::new();
        let mut errors = Vec::new();
        for row in &rows {
            let norm = row.iter().map(|w| w * w).sum::<f64>().sqrt();
            let mut pairs: Vec<(f64, f64)> = blocks
                .iter()
                .map(|&(k, block)| {
                    let side = reference.map_or_else(|| side_sigma(block), |r| r.sigma);
                    let variance = (norm * (block.noise + 0.0005)).powi(2)
                        + diagonal_sigma(block).powi(2)
                        + (axle_share(row) * axle_sigma(block)).powi(2)
                        + (side_share(row) * side).powi(2);
                    (contrast(row, block, turn(k)), variance.recip())
                })
                .collect();
            let value = robust::weighted_median(&mut pairs).unwrap_or(0.0);
            seen.push(value);
            errors.push((standard_error(&mut pairs, value).powi(2) + (norm * rounding).powi(2)).sqrt());
        }
        let nuisance = nuisance(reference.map(|r| r.sigma), distance_m, speed_m_s);
        let weighing = model::weigh(&rows, rig.present, &seen, &errors, &nuisance, Sizes::SCALE)?;
        let errors = if n == 0 { vec![1.0; rows.len()] } else { errors };
        Some(Self { rows, seen, errors, rounding, weighing, ordinary, used, is_part, distance_m, speed_m_s })
    }

    /// Blocks used.
    pub(crate) fn n_used(&self) -> usize {
        self.used.iter().filter(|used| **used).count()
    }

    /// What the wheels would tell if `seen` were the contrasts, after `more` driving.
    ///
    /// `sigma`: spread of the side difference that a turn sensor leaves; `None` without one.
    pub(crate) fn foresee(&self, present: [bool; 4], seen: &[f64], more: More, sigma: Option<f64>) -> Option<Weighing> {
        let n = self.n_used() as f64;
        let shrink = (n.max(1.0) / (n + more.blocks as f64).max(1.0)).sqrt();
        let errors: Vec<f64> = self.errors.iter().map(|e| e * shrink).collect();
        let nuisance = nuisance(sigma, self.distance_m + more.distance_m, self.speed_m_s.max(more.speed_m_s));
        model::weigh(&self.rows, present, seen, &errors, &nuisance, Sizes::SCALE)
    }

    /// The contrasts if nothing but one wheel, off by `size`, were unusual.
    pub(crate) fn pure(&self, wheel: usize, size: f64) -> Vec<f64> {
        self.rows.iter().map(|row| row[wheel] * size).collect()
    }
}

/// What the diagonal contrast of sound tyres keeps, whatever the turn: two standard deviations of four tyres.
const SOUND_DIAGONAL: f64 = 4.0 * TYRE_SIGMA;

/// Shares of a drive that may be its sound part.
const SOUND_SHARE: std::ops::RangeInclusive<f64> = 0.15..=0.85;

/// More than this share of the drive is its usual state by itself.
const MOST_OF_IT: f64 = 0.6;

/// How far the rest of the drive must lie from its sound part: more than the least lasting fault.
const APART: f64 = 0.02;

/// More blocks than this are taken together before change points are looked for: the work would grow with their square.
const MOST_VALUES: usize = 2048;

/// The blocks in which the wheels agreed, where they agreed for a part of the drive only and parted in the rest of it.
///
/// A wheel that goes wrong half way has no middle: the median of each contrast would fall to the one state or the other, and no
/// wheel explain them together. What the diagonal of a sound car shows is known, whatever the road: next to nothing. `None`
/// where the whole drive shows one state.
fn sound_part(rig: &Rig, ordinary: &[bool]) -> Option<Vec<bool>> {
    if rig.present != [true; 4] {
        return None;
    }
    let at: Vec<usize> = (0..rig.blocks.len()).filter(|&k| ordinary[k]).collect();
    let diagonal = |k: usize| contrast(&[1.0, -1.0, -1.0, 1.0], &rig.blocks[k], f64::NAN);
    let swing = |k: usize| rig.blocks[k].accel_m_s2 / rig.blocks[k].speed_m_s;
    // A wheel that comes late parts from the others whenever the speed changes, and that is no part of the drive.
    let delay_s = trend::slope(&at.iter().map(|&k| (swing(k), diagonal(k))).collect::<Vec<_>>()).map_or(0.0, |s| s.0);
    let together = at.len() / MOST_VALUES + 1;
    let off = |k: usize| diagonal(k) - delay_s * swing(k);
    let values: Vec<f64> =
        at.chunks(together).map(|part| part.iter().map(|&k| off(k)).sum::<f64>() / part.len() as f64).collect();
    let mut differences: Vec<f64> = values.windows(2).map(|pair| pair[1] - pair[0]).collect();
    let (_, sigma) = robust::median_and_sigma(&mut differences)?;
    let mut bounds = vec![0];
    bounds.extend(change::pelt(&values, 3.0 * sigma.max(1e-4).powi(2) * (values.len() as f64).ln(), 5));
    bounds.push(values.len());
    let mut is_sound = vec![false; rig.blocks.len()];
    let (mut sound, mut rest) = (Vec::new(), Vec::new());
    for pair in bounds.windows(2) {
        let here = &at[pair[0] * together..(pair[1] * together).min(at.len())];
        let mut inside: Vec<f64> = here.iter().map(|&k| off(k)).collect();
        if robust::median(&mut inside)?.abs() <= SOUND_DIAGONAL {
            here.iter().for_each(|&k| is_sound[k] = true);
            sound.extend(inside);
        } else {
            rest.extend(inside);
        }
    }
    let share = sound.len() as f64 / at.len() as f64;
    let middle = robust::median(&mut sound)?;
    rest.iter_mut().for_each(|value| *value = (*value - middle).abs());
    // Four wheels, each rounded by half a step to the worse side.
    let speed_m_s = robust::median(&mut at.iter().map(|&k| rig.blocks[k].speed_m_s).collect::<Vec<_>>())?;
    let rounding = 2.0 * rig.step_kmh / 3.6 / speed_m_s;
    let is_apart = robust::median(&mut rest)? > APART + rounding;
    let all_is_off = robust::median(&mut at.iter().map(|&k| off(k)).collect::<Vec<_>>())?.abs() > SOUND_DIAGONAL;
    let needed = SOUND_SHARE.contains(&share) && 2 * sound.len() >= LEAST_BLOCKS && (all_is_off || share < MOST_OF_IT);
    (needed && is_apart).then_some(is_sound)
}

/// More driving of the same kind.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct More {
    /// Blocks of it.
    pub(crate) blocks: usize,
    /// Metres.
    pub(crate) distance_m: f64,
    /// Its speed.
    pub(crate) speed_m_s: f64,
}

/// Standard error of a weighted median: 1.25 sigma / sqrt(n), with half as many independent blocks as there are, and no fewer
/// than the weights allow.
fn standard_error(pairs: &mut [(f64, f64)], value: f64) -> f64 {
    let total: f64 = pairs.iter().map(|p| p.1).sum();
    let squares: f64 = pairs.iter().map(|p| p.1 * p.1).sum();
    if total <= 0.0 {
        return 1.0;
    }
    let effective = (total * total / squares / 2.0).max(1.0);
    for pair in pairs.iter_mut() {
        pair.0 = (pair.0 - value).abs();
    }
    let sigma = robust::SIGMA_PER_MAD * robust::weighted_median(pairs).unwrap_or(1.0);
    1.25 * sigma / effective.sqrt()
}

/// Bounds of what is not of interest.
///
/// Axles: a third of the tread worn more on one axle, 0.7 % (all of it: 2.1 %); one car in a hundred has sizes that differ by
/// 2 %. Sides without a sensor: a drive ends in any direction, so the mean curvature is [`HEADING_RAD`] over the distance;
/// rarely (ring roads, multi-storey car parks) it is whatever 1 m/s2 of lateral acceleration allows. The shares are assumed,
/// no source.
pub(crate) fn nuisance(reference_sigma: Option<f64>, distance_m: f64, speed_m_s: f64) -> Nuisance {
    let side = reference_sigma.map_or_else(
        || {
            let ring = 0.001 + TRACK_M / speed_m_s.max(1.0).powi(2);
            let heading = 0.001 + TRACK_M * HEADING_RAD / distance_m.max(1.0);
            [(heading.min(ring), 0.97), (ring, 0.03)]
        },
        |sigma| [(sigma, 0.95), (3.0 * sigma, 0.05)],
    );
    Nuisance { axle: [(0.007, 0.99), (0.02, 0.01)], side, wheel: TYRE_SIGMA }
}

#[cfg(test)]
mod tests {
    use super::super::tests::{about, block, turning};
    use super::*;

    /// A turn moves left against right by itself, and by nothing once a sensor told it.
    #[test]
    fn turns_are_taken_out_where_they_are_known() {
        let left = turning(0, 0.1);
        let rows = model::contrasts([true; 4]);
        let of = |turn: f64| rows.iter().map(|row| contrast(row, &left, turn)).collect::<Vec<_>>();
        for (found, expected) in of(f64::NAN).into_iter().zip([0.0, 0.0, -0.1]) {
            about(found, expected, 1e-12);
        }
        for (found, expected) in of(0.1).into_iter().zip([0.0, 0.0, 0.0]) {
            about(found, expected, 1e-12);
        }
        about(of(0.04)[2], -0.06, 1e-12);
    }

    /// At 1 m/s2 and 20 m/s in a turn of 0.1: 0.3 % and 0.6 % of slip and a quarter of the arc; 5 % of the turn, 0.06 s of skew at
    /// 1 / 20 and 0.3 %; 1 m/s2 across on a track of 1.5 m.
    #[test]
    fn what_a_block_may_hide() {
        let hard = Block { accel_m_s2: -1.0, ..turning(0, -0.1) };
        about(axle_sigma(&hard), 0.009 + 0.25 * lift_of(0.1), 1e-12);
        about(axle_sigma(&block(0)), 0.003, 1e-12);
        about(diagonal_sigma(&hard), 0.005 + 0.003 + 0.003, 1e-12);
        about(side_sigma(&hard), 0.001 + 1.5 / 400.0, 1e-12);
    }

    /// Eight values of equal weight count as four; half of them lie within 1 of their median: 1.25 1.4826 / sqrt(4). Where one
    /// has all the weight it counts as one.
    #[test]
    fn the_error_of_a_weighted_median() {
        let of = |weight: f64, last: f64| {
            let mut pairs: Vec<(f64, f64)> =
                [-3.0, -1.0, 1.0, 3.0, -3.0, -1.0, 1.0, 3.0].map(|v| (v + 7.0, weight)).into();
            pairs[7].1 = last;
            standard_error(&mut pairs, 7.0)
        };
        about(of(1.0, 1.0), 1.25 * 1.482_602 / 2.0, 1e-5);
        about(of(9.0, 9.0), of(1.0, 1.0), 1e-12);
        about(of(1e-9, 1.0), 1.25 * 1.482_602 * 3.0, 1e-5);
        // (7 + 3)^2 / (7 + 9) / 2 = 3.125; within 1 lie only four of the ten.
        about(of(1.0, 3.0), 1.25 * 1.482_602 * 3.0 / 3.125_f64.sqrt(), 1e-5);
        assert_eq!(standard_error(&mut [], 0.0), 1.0);
    }
}
