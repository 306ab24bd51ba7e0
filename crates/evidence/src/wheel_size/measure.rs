//! How different a wheel is, and whether it always is.

use crate::odd_wheel::model::{Weighing, axle_share, side_share, surest_of};
use crate::odd_wheel::road::Reference;
use crate::odd_wheel::steady::{Steady, contrast, nuisance};
use crate::stats::{change, robust};
use crate::wheels::{Block, Rig};

use super::{NOTABLE, SIZES};

/// Least number of blocks in each half of a drive that are compared with each other.
const LEAST_HALF: usize = 10;

/// Slip of an axle that the drive does not show: part of the drag at a steady speed (from memory: 0.1 % at 60 km/h).
const SLIP: f64 = 0.001;

/// One wheel against the mean of the others.
pub(super) struct Measured {
    /// Relative difference of its speed; a wheel that reads faster is smaller.
    pub(super) size: f64,
    /// Standard error: scatter, steps, and what is not known of turns and slip.
    pub(super) error: f64,
    /// The same from scatter and steps alone.
    pub(super) scatter: f64,
    /// Front less rear, and left less right, with standard errors; only with four wheels.
    axle: Option<(f64, f64)>,
    side: Option<(f64, f64)>,
}

/// Weights of the wheels in "this wheel less the mean of the others".
fn own_row(present: [bool; 4], wheel: usize) -> [f64; 4] {
    let n = present.iter().filter(|there| **there).count() as f64;
    std::array::from_fn(|i| match (present[i], i == wheel) {
        (false, _) => 0.0,
        (true, true) => 1.0,
        (true, false) => -1.0 / (n - 1.0),
    })
}

impl Measured {
    pub(super) fn of(
        rig: &Rig,
        steady: &Steady,
        reference: Option<&Reference>,
        wheel: usize,
        weighing: &Weighing,
    ) -> Self {
        if rig.present != [true; 4] {
            let (size, error) = (weighing.size[wheel], weighing.sigma[wheel]);
            return Self { size, error, scatter: error, axle: None, side: None };
        }
        // The three contrasts (diagonal, axles, sides) are independent and together say all: this wheel less the mean of
        // all is a quarter of the first and half of each of the others, and less the mean of the others 4/3 of that.
        let share = [0.25, 0.5, 0.5].map(|share| 4.0 / 3.0 * share);
        let signs: Vec<f64> = steady.rows.iter().map(|row| row[wheel].signum()).collect();
        // What is odd for certain, and by more than a tyre can be, says nothing of sizes: it is left out of the mean.
        let (odds, sizes) = (&steady.weighing.log10_odds, &steady.weighing.size);
        let odd = surest_of(odds, |other| other != wheel && sizes[other].abs() > SIZES.greatest);
        let seen = |k: usize| steady.seen[k] - odd.map_or(0.0, |odd| steady.rows[k][odd] * sizes[odd]);
        let size = (0..3).map(|k| share[k] * signs[k] * seen(k)).sum();
        let scatter = (0..3).map(|k| (share[k] * steady.errors[k]).powi(2)).sum::<f64>().sqrt();
        let side_sigma = nuisance(reference.map(|r| r.sigma), steady.distance_m, steady.speed_m_s).side[0].0;
        let error = scatter.hypot(share[1] * SLIP).hypot(share[2] * side_sigma);
        Self {
            size,
            error,
            scatter,
            axle: Some((steady.seen[1], steady.errors[1].hypot(SLIP))),
            side: Some((steady.seen[2], steady.errors[2].hypot(side_sigma))),
        }
    }

    /// Front against rear and left against right, per cent.
    pub(super) fn differences(&self) -> [f64; 2] {
        [self.axle, self.side].map(|pair| pair.map_or(f64::NAN, |pair| pair.0))
    }

    /// The axle, or the side, whose wheels are both faster than the other two by a notable difference.
    pub(super) fn both(&self, knows_turns: bool) -> Option<(&'static str, f64)> {
        let notable = |pair: Option<(f64, f64)>| pair.filter(|p| p.0.abs() - 2.0 * p.1 > NOTABLE).map(|p| p.0);
        if let Some(size) = notable(self.axle) {
            return Some((if size > 0.0 { "front" } else { "rear" }, size.abs()));
        }
        // Without a turn sensor a long bend would be a side.
        let size = notable(self.side).filter(|_| knows_turns)?;
        Some((if size > 0.0 { "left" } else { "right" }, size.abs()))
    }
}

/// Change that the difference of an odd wheel may have and still be one that is always there: a third of it.
pub(super) fn change_of_odd(size: f64) -> f64 {
    (0.3 * size.abs()).max(0.005)
}

/// When the difference of an odd wheel is greater than at other times.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum When {
    /// While the car is slow.
    Slow,
    /// While the car is fast.
    Fast,
    /// In the earlier half of the drive.
    Early,
    /// In the later half of the drive.
    Late,
}

/// The wheel's difference in parts of the drive.
pub(crate) struct Steadiness {
    /// Faster half of the blocks less the slower half, and standard error.
    speed: Option<(f64, f64)>,
    /// Later half less earlier half, and standard error.
    time: Option<(f64, f64)>,
    /// Greatest sudden change: when, seconds, and by how much.
    step: Option<(f64, f64)>,
}

/// A wheel whose later half differs from its earlier one by less than this has no moment of change worth telling.
const LEAST_CHANGE: f64 = 0.005;

/// More blocks than this are taken together before change points are looked for: the work would grow with their square.
const MOST_VALUES: usize = 2048;

impl Steadiness {
    pub(crate) fn of(rig: &Rig, steady: &Steady, reference: Option<&Reference>, wheel: usize) -> Self {
        let row = own_row(rig.present, wheel);
        let turn = |k: usize| reference.map_or(f64::NAN, |r| r.turn[k]);
        let used: Vec<(&Block, f64)> = rig
            .blocks
            .iter()
            .enumerate()
            .filter(|(k, _)| steady.ordinary[*k])
            .map(|(k, block)| (block, contrast(&row, block, turn(k))))
            .collect();
        // Bends that no sensor told do not average out in part of a drive; the other contrasts carry the judgement then.
        let blind = if reference.is_none() { side_share(&row).abs() } else { 0.0 };
        let speeds = &mut used.iter().map(|(block, _)| block.speed_m_s).collect::<Vec<_>>();
        let middle_m_s = robust::median(speeds).unwrap_or(0.0);
        let half = |inside: &dyn Fn(usize, &Block) -> bool| -> Option<(f64, f64)> {
            let parts = used.iter().enumerate().filter(|(k, (block, _))| inside(*k, block));
            let mut values: Vec<f64> = parts.clone().map(|(_, (_, value))| *value).collect();
            let distance_m: f64 = parts.map(|(_, (block, _))| block.speed_m_s * (block.to_s - block.from_s)).sum();
            let n = values.len();
            let (value, sigma) = robust::median_and_sigma(&mut values).filter(|_| n >= LEAST_HALF)?;
            let side = nuisance(None, distance_m, middle_m_s).side[0].0 * blind;
            let slip = 0.5 * axle_share(&row).abs() * SLIP;
            let error = 1.25 * sigma / (0.5 * n as f64).sqrt();
            Some((value, (error * error + side * side + slip * slip + steady.rounding.powi(2)).sqrt()))
        };
        let less = |a: Option<(f64, f64)>, b: Option<(f64, f64)>| a.zip(b).map(|(a, b)| (a.0 - b.0, a.1.hypot(b.1)));
        let last = used.len() / 2;
        let together = used.len() / MOST_VALUES + 1;
        let values: Vec<f64> =
            used.chunks(together).map(|part| part.iter().map(|(_, v)| v).sum::<f64>() / part.len() as f64).collect();
        let speed = less(half(&|_, b| b.speed_m_s > middle_m_s), half(&|_, b| b.speed_m_s <= middle_m_s));
        let time = less(half(&|k, _| k >= last), half(&|k, _| k < last));
        let step = change::greatest_step(&values).filter(|_| is_beyond(time, LEAST_CHANGE));
        Self { speed, time, step: step.map(|(at, size)| (used[at * together].0.from_s, size)) }
    }

    /// Whether the difference depends on speed by clearly more than `allowed`.
    pub(super) fn shifts(&self, allowed: f64) -> bool {
        is_beyond(self.speed, allowed)
    }

    /// Whether it changes during the drive by clearly more than `allowed`.
    pub(super) fn wavers(&self, allowed: f64) -> bool {
        is_beyond(self.time, allowed)
    }

    /// When the difference of an odd wheel is greater; `None` where it is the same at all speeds and all the time.
    pub(crate) fn greater(&self, size: f64) -> Option<When> {
        let allowed = change_of_odd(size);
        let grows = self.changes().map(|change| change * size > 0.0);
        if self.shifts(allowed) {
            return Some(if grows[0] { When::Fast } else { When::Slow });
        }
        self.wavers(allowed).then_some(if grows[1] { When::Late } else { When::Early })
    }

    /// Greatest sudden change during the drive: when, seconds, and by how much; `None` without one.
    pub(super) fn step(&self) -> Option<(f64, f64)> {
        self.step
    }

    /// Change with speed and with time.
    pub(super) fn changes(&self) -> [f64; 2] {
        [self.speed, self.time].map(|pair| pair.map_or(f64::NAN, |pair| pair.0))
    }
}

fn is_beyond(pair: Option<(f64, f64)>, allowed: f64) -> bool {
    pair.is_some_and(|(change, error)| change.abs() - 2.0 * error > allowed)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::odd_wheel::tests::{about, bend, block, rig, turning, with_odd};

    fn steady_of(rig: &Rig) -> Steady {
        Steady::of(rig, None).unwrap()
    }

    /// A wheel that is off by e moves the diagonal by e and each of the others by e / 2: 4/3 (1/4 + 1/4 + 1/4) e.
    #[test]
    fn a_wheel_against_the_mean_of_the_others() {
        for wheel in 0..4 {
            for size in [0.024, -0.024] {
                let made = rig((0..300).map(|k| with_odd(block(k), wheel, size)));
                let steady = steady_of(&made);
                let of = |other: usize| Measured::of(&made, &steady, None, other, &steady.weighing);
                about(of(wheel).size, size, 1e-12);
                // The others are compared with a mean that has a third of it.
                (0..4).filter(|&other| other != wheel).for_each(|other| about(of(other).size, -size / 3.0, 1e-12));
                // Errors of steps: 4/3 of a quarter of that of the diagonal, twice one wheel's, and half of the others'.
                let scatter = 4.0 / 3.0 * (0.5_f64.powi(2) + 2.0 * 0.5_f64.powi(2)).sqrt() * steady.rounding;
                about(of(wheel).scatter, scatter, 1e-12);
                // Slip of 0.1 % and a heading of 2 rad on 1.5 m over 300 blocks of 16 m, two thirds of each.
                let side = 0.001 + 3.0 / 4800.0;
                about(of(wheel).error, scatter.hypot(2.0 / 3.0 * 0.001).hypot(2.0 / 3.0 * side), 1e-12);
                let signs = [[1.0, 1.0], [1.0, -1.0], [-1.0, 1.0], [-1.0, -1.0]][wheel];
                let [axle, sides] = of(wheel).differences();
                about(axle, signs[0] * size / 2.0, 1e-12);
                about(sides, signs[1] * size / 2.0, 1e-12);
            }
        }
        assert_eq!(own_row([true; 4], 1), [-1.0 / 3.0, 1.0, -1.0 / 3.0, -1.0 / 3.0]);
        assert_eq!(own_row([true, false, true, true], 3), [-0.5, 0.0, -0.5, 1.0]);
    }

    /// Both wheels of an axle by more than 1.5 % and two errors; of a side only where turns are known.
    #[test]
    fn an_axle_or_a_side_that_differs() {
        let both = |axle: (f64, f64), side: (f64, f64), knows_turns: bool| {
            Measured { size: 0.0, error: 0.0, scatter: 0.0, axle: Some(axle), side: Some(side) }.both(knows_turns)
        };
        let none = (0.0, 0.001);
        assert_eq!(both((0.018, 0.001), none, false), Some(("front", 0.018)));
        assert_eq!(both((-0.018, 0.001), none, false), Some(("rear", 0.018)));
        assert_eq!(both((0.016, 0.001), none, false), None);
        assert_eq!(both(none, (0.018, 0.001), true), Some(("left", 0.018)));
        assert_eq!(both(none, (-0.018, 0.001), true), Some(("right", 0.018)));
        assert_eq!(both(none, (0.018, 0.001), false), None);
    }

    /// Halves of a drive: front left 3 % off where fast, or from a moment on.
    #[test]
    fn a_difference_that_is_not_always_there() {
        let of = |is_off: &dyn Fn(usize) -> bool| {
            let made = rig((0..200).map(|k| {
                let block = Block { speed_m_s: if k % 4 < 2 { 10.0 } else { 20.0 }, ..turning(k, bend(k)) };
                if is_off(k) { with_odd(block, 0, 0.03) } else { block }
            }));
            let steady = steady_of(&made);
            Steadiness::of(&made, &steady, None, 0)
        };
        let always = of(&|_| true);
        assert!(!always.shifts(0.005) && !always.wavers(0.005) && always.step().is_none());
        let fast = of(&|k| k % 4 >= 2);
        about(fast.changes()[0], 0.03, 0.002);
        about(fast.changes()[1], 0.0, 0.002);
        assert!(fast.shifts(0.015) && !fast.wavers(0.005));
        let slow = of(&|k| k % 4 < 2);
        about(slow.changes()[0], -0.03, 0.002);
        // Whether the wheel reads too much or too little.
        let greater = |steadiness: &Steadiness| [0.015, -0.015].map(|size| steadiness.greater(size));
        assert_eq!(greater(&always), [None; 2]);
        assert_eq!(greater(&fast), [Some(When::Fast), Some(When::Slow)]);
        assert_eq!(greater(&slow), [Some(When::Slow), Some(When::Fast)]);
        let later = of(&|k| k >= 140);
        about(later.changes()[0], 0.0, 0.002);
        // More than half of the later half.
        about(later.changes()[1], 0.03, 0.002);
        assert!(!later.shifts(0.005) && later.wavers(0.015));
        let (at_s, size) = later.step().unwrap();
        about(at_s, 140.0, 0.0);
        about(size, 0.03, 0.002);
        assert_eq!(greater(&later), [Some(When::Late), Some(When::Early)]);
        let earlier = of(&|k| k < 60);
        about(earlier.changes()[1], -0.03, 0.002);
        about(earlier.step().unwrap().1, -0.03, 0.002);
        // Ten blocks in each half at least.
        let short = |n: usize| {
            let made = rig((0..n).map(block));
            Steadiness::of(&made, &steady_of(&made), None, 0).changes()[1].is_nan()
        };
        assert!(short(19) && !short(20));
        // Two errors beyond what is allowed.
        let beyond = |change: f64| is_beyond(Some((change, 0.001)), 0.005);
        assert!(beyond(0.0071) && beyond(-0.0071) && !beyond(0.0069) && !is_beyond(None, 0.0));
    }
}
