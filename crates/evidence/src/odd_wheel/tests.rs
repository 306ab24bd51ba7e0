//! Blocks of rolling made by hand: a second each, 20 m/s, straight on, all wheels alike.

use super::model::{Weighing, contrasts};
use super::*;
use crate::wheels::{Block, TRACK_M};

pub(crate) fn about(found: f64, expected: f64, within: f64) {
    assert!((found - expected).abs() <= within, "{found} for {expected}");
}

pub(crate) fn block(k: usize) -> Block {
    Block {
        from_s: k as f64,
        to_s: k as f64 + 0.8,
        speed_m_s: 20.0,
        accel_m_s2: 0.0,
        relative: [0.0; 4],
        turn: 0.0,
        turn_of_axle: [0.0; 2],
        noise: 0.0005,
        yaw_rad_s: None,
        steering_deg: None,
    }
}

/// The block of a car that turns (left positive, path curvature times track) on sound wheels.
pub(crate) fn turning(k: usize, turn: f64) -> Block {
    let relative = [-0.5 * turn, 0.5 * turn, -0.5 * turn, 0.5 * turn];
    Block { turn, turn_of_axle: [turn; 2], relative, ..block(k) }
}

/// The same with one wheel that reads `size` too fast.
pub(crate) fn with_odd(mut block: Block, wheel: usize, size: f64) -> Block {
    block.relative[wheel] += size;
    let [fl, fr, rl, rr] = block.relative;
    block.turn_of_axle = [fr - fl, rr - rl];
    block.turn = if (fr - fl).abs() < (rr - rl).abs() { fr - fl } else { rr - rl };
    block
}

pub(crate) fn rig(blocks: impl Iterator<Item = Block>) -> Rig {
    Rig { present: [true; 4], blocks: blocks.collect(), step_kmh: 0.036, interval_s: 0.2, shares_times: false }
}

/// Gentle bends, so that a turn is nothing strange.
pub(crate) fn bend(k: usize) -> f64 {
    0.002 * (k as f64 * 0.7).sin()
}

/// Left and right exchanged.
fn mirrored(rig: &Rig) -> Rig {
    let blocks = rig.blocks.iter().map(|b| Block {
        relative: [1, 0, 3, 2].map(|i| b.relative[i]),
        turn: -b.turn,
        turn_of_axle: b.turn_of_axle.map(|turn| -turn),
        yaw_rad_s: b.yaw_rad_s.map(|yaw| -yaw),
        ..*b
    });
    Rig { blocks: blocks.collect(), ..*rig }
}

#[test]
fn the_contrasts_of_the_wheels_that_are_there() {
    let present = |there: &[usize]| [0, 1, 2, 3].map(|i| there.contains(&i));
    // No contrast sees what all wheels share; each number of wheels has one less.
    for there in [&[0, 1, 2, 3][..], &[0, 1, 2], &[1, 2, 3], &[0, 1], &[2, 3], &[0, 2], &[1, 3], &[0, 3], &[1, 2]] {
        let rows = contrasts(present(there));
        assert_eq!(rows.len(), there.len() - 1, "{there:?}");
        for row in rows {
            assert_eq!(row.iter().sum::<f64>(), 0.0, "{there:?}");
            assert!((0..4).all(|i| there.contains(&i) || row[i] == 0.0), "{there:?}");
        }
    }
    assert!(contrasts(present(&[2])).is_empty());
    let all = contrasts([true; 4]);
    let shares = all.iter().map(|row| (model::axle_share(row), model::side_share(row)));
    assert_eq!(shares.collect::<Vec<_>>(), [(0.0, 0.0), (1.0, 0.0), (0.0, 1.0)]);
}

/// The whole model anew in numpy 2.4.6 and scipy 1.17.1: `multivariate_normal.pdf` of the three contrasts, averaged over sizes of
/// a fault evenly spread in their logarithm (1601 of them; 601 by 601 for pairs), with the priors of one and of two faults.
#[test]
fn odds_of_each_wheel_by_another_library() {
    let road = model::Nuisance {
        axle: [(0.007, 0.99), (0.02, 0.01)],
        side: [(0.003, 0.85), (0.01, 0.15)],
        wheel: model::TYRE_SIGMA,
    };
    let rows = contrasts([true; 4]);
    let cases: [([f64; 4], [f64; 4], f64); 5] = [
        ([0.03, 0.0, 0.0, 0.0], [2.2205, -2.4523, -2.6061, -4.5974], 4.1511),
        ([0.0, 0.0, 0.0, -0.02], [-3.2448, -1.9483, -1.4112, 0.7774], 0.9837),
        ([0.012, 0.0, 0.0, 0.0], [-1.2853, -2.0396, -2.6830, -3.3948], -1.1889),
        ([0.0; 4], [-4.0167, -4.0167, -4.0167, -4.0167], -3.4162),
        ([0.03, 0.0, -0.03, 0.0], [0.1598, -2.8379, 0.1598, -2.8379], 13.7621),
    ];
    for (speeds, expected, any) in cases {
        let seen: Vec<f64> = rows.iter().map(|row| row.iter().zip(speeds).map(|(w, s)| w * s).sum()).collect();
        let found = model::weigh(&rows, [true; 4], &seen, &[0.001; 3], &road, model::Sizes::SCALE).unwrap();
        // The check takes sizes as evenly spread within each of 24 parts of their range, 12 for pairs.
        for (found, expected) in
            found.log10_odds.into_iter().chain([found.log10_any]).zip(expected.into_iter().chain([any]))
        {
            about(found, expected, 0.15);
        }
    }
}

/// 3 % of one wheel are found in each of the four, either way, and nobody else is accused.
#[test]
fn blame_goes_to_the_wheel_that_is_off() {
    for wheel in 0..4 {
        for size in [-0.03, 0.03] {
            let made = rig((0..600).map(|k| with_odd(turning(k, bend(k)), wheel, size)));
            let rolling = Rolling::of(&made).unwrap();
            let odds = rolling.steady.weighing.log10_odds;
            assert!((0..4).all(|other| (odds[other] >= 2.0) == (other == wheel)), "{wheel} {size}: {odds:?}");
            about(rolling.steady.weighing.size[wheel], size, 0.004);
            let swapped = Rolling::of(&mirrored(&made)).unwrap().steady.weighing.log10_odds;
            (0..4).for_each(|i| about(swapped[[1, 0, 3, 2][i]], odds[i], 1e-2));
        }
    }
    let sound = Rolling::of(&rig((0..600).map(|k| turning(k, bend(k))))).unwrap();
    assert!(sound.steady.weighing.log10_odds.iter().all(|odds| *odds <= -1.0));
    assert!(sound.stretches.iter().all(Stretches::leaves_nothing));
    assert!(!sound.comes_and_goes(&rig((0..600).map(block))));
}

/// Half of the blocks at 10 m/s, half at 20: 8 m and 16 m of way each; speed weighed with its fourth power (10^5 + 20^5) /
/// (10^4 + 20^4) = 19.41 m/s. Steps of 0.01 m/s: rounding 0.01 / sqrt(12) at 19.41 m/s, the speeds lie 1000 steps apart.
#[test]
fn what_a_whole_drive_shows() {
    let of = |blocks: &dyn Fn(usize) -> Block| Steady::of(&rig((0..200).map(blocks)), None).unwrap();
    let mixed = of(&|k| Block { speed_m_s: if k < 100 { 10.0 } else { 20.0 }, ..with_odd(block(k), 0, 0.02) });
    about(mixed.distance_m, 2400.0, 1e-9);
    about(mixed.speed_m_s, 19.4118, 1e-4);
    about(mixed.rounding, 0.01 / 12_f64.sqrt() / 19.4118 / 1000_f64.sqrt(), 1e-9);
    // The contrasts of 2 % on the front left wheel: the diagonal, half of it between axles and sides.
    [0.02, 0.01, 0.01].into_iter().zip(&mixed.seen).for_each(|(expected, found)| about(*found, expected, 1e-12));
    let steady = of(&|k| with_odd(block(k), 0, 0.02));
    about(steady.rounding, 0.01 / 12_f64.sqrt() / 20.0, 1e-12);
    // No scatter: the steps alone, of four wheels and of twice half of them.
    [2.0, 1.0, 1.0]
        .into_iter()
        .zip(&steady.errors)
        .for_each(|(norm, error)| about(*error, norm * steady.rounding, 1e-12));
    // Braked, and scrubbing in tight turns, a block says nothing of sizes.
    let used = |accel: f64, turn: f64| of(&|k| Block { accel_m_s2: accel, ..turning(k, turn) }).n_used();
    assert_eq!([used(3.0, 0.0), used(-3.0, 0.0), used(3.1, 0.0), used(-3.1, 0.0)], [200, 200, 0, 0]);
    assert_eq!([used(0.0, 0.12), used(0.0, -0.12), used(0.0, 0.121), used(0.0, -0.121)], [200, 200, 0, 0]);
    // A few wild blocks move nothing.
    let wild = of(&|k| with_odd(block(k), 0, if k % 10 == 3 { 0.3 } else { 0.02 }));
    about(wild.seen[0], 0.02, 1e-12);
}

/// More driving of the same kind shrinks the errors with the root of the blocks, and never weakens what was seen.
#[test]
fn more_of_the_same_never_weakens() {
    let drive = Rolling::of(&rig((0..60).map(|k| with_odd(turning(k, bend(k)), 2, -0.025)))).unwrap().steady;
    let after = |blocks: usize| {
        let more = More { blocks, distance_m: 20.0 * blocks as f64, speed_m_s: 20.0 };
        drive.foresee([true; 4], &drive.seen, more, None).unwrap().log10_odds[2]
    };
    about(after(0), drive.weighing.log10_odds[2], 1e-9);
    let odds: Vec<f64> = [0, 60, 300, 3000].map(after).to_vec();
    assert!(odds.windows(2).all(|pair| pair[1] >= pair[0] - 1e-9) && odds[3] > odds[0] + 0.05, "{odds:?}");
    assert_eq!(drive.pure(1, 0.02), [-0.02, 0.01, -0.01]);
}

/// Without a turn sensor a drive ends in any direction: track 1.5 m times 2 rad over the way, no more than 1 m/s2 across.
#[test]
fn how_far_a_road_may_turn() {
    let side = |sigma, distance_m, speed_m_s| steady::nuisance(sigma, distance_m, speed_m_s).side;
    let ring = 0.001 + 1.5 / 400.0;
    assert_eq!(side(None, 3000.0, 20.0), [(0.001 + 3.0 / 3000.0, 0.97), (ring, 0.03)]);
    assert_eq!(side(None, 300.0, 20.0), [(ring, 0.97), (ring, 0.03)]);
    assert_eq!(side(Some(0.002), 300.0, 20.0), [(0.002, 0.95), (0.006, 0.05)]);
}

/// A car on a track of 1.55 m that turns by yaw: 0.1 rad/s at 20 m/s is (right - left) / speed = 0.00775.
pub(crate) fn swinging(n: usize, track_m: f64, yaw: impl Fn(f64) -> Option<f64>) -> Rig {
    rig((0..n).map(|k| {
        let rate = 0.2 * (k as f64 * 0.37).sin();
        Block { yaw_rad_s: yaw(rate), ..turning(k, track_m * rate / 20.0) }
    }))
}

/// A car whose speed swings by 2 m/s2, one wheel of which shows what was 0.3 s ago: its relative error is -0.3 a / v.
fn late(wheel: usize, delay_s: f64, shares_times: bool) -> Rig {
    let mut made = rig((0..300).map(|k| {
        let accel_m_s2 = 2.0 * (k as f64 * 0.9).sin();
        Block { accel_m_s2, ..with_odd(turning(k, bend(k)), wheel, -delay_s * accel_m_s2 / 20.0) }
    }));
    made.shares_times = shares_times;
    made
}

fn steady_of(rig: &Rig) -> Steady {
    Steady::of(rig, None).unwrap()
}

#[test]
fn a_late_wheel_and_how_late() {
    for wheel in 0..4 {
        let made = late(wheel, 0.3, false);
        let found = trend::late(&made, &steady_of(&made)).unwrap();
        about(found.size[wheel], 0.3, 0.03);
        assert!(found.is_suspect(wheel) && found.excluded_s(wheel) > 0.3);
        let best = (0..4).max_by(|&i, &j| found.log10_odds[i].total_cmp(&found.log10_odds[j]));
        assert_eq!(best, Some(wheel), "{found:?}");
        // A delay comes after: an early wheel is none.
        let early = late(wheel, -0.3, false);
        let found = trend::late(&early, &steady_of(&early)).unwrap();
        assert!(!found.is_suspect(wheel) && found.log10_odds[wheel] < 0.0, "{found:?}");
    }
    let allowed = |shares_times| {
        trend::late(&late(0, 0.0, shares_times), &steady_of(&late(0, 0.0, shares_times))).unwrap().allowed
    };
    // Each wheel with its own time 0.05 s; polled within one row 0.2 s, or 0.06 s and an interval of 0.2 s.
    about(allowed(false), 0.05, 1e-12);
    about(allowed(true), 0.26, 1e-12);
    // At constant speed nobody knows, nor with three wheels.
    let calm = rig((0..300).map(block));
    assert!(trend::late(&calm, &steady_of(&calm)).is_none());
    let three = Rig { present: [true, true, true, false], ..late(0, 0.3, false) };
    assert!(trend::late(&three, &steady_of(&three)).is_none());
}

#[test]
fn a_constant_that_is_added_and_how_much() {
    let shifted = |speed_m_s: fn(usize) -> f64, kmh: f64| {
        let made = rig((0..300).map(move |k| {
            let speed_m_s = speed_m_s(k);
            Block { speed_m_s, ..with_odd(turning(k, bend(k)), 3, kmh / 3.6 / speed_m_s) }
        }));
        trend::shifted(&made, &steady_of(&made))
    };
    let found = shifted(|k| 6.0 + (k % 30) as f64, 3.0).unwrap();
    about(found.size[3], 3.0, 0.3);
    about(found.allowed, 0.5 + 0.018, 1e-12);
    assert!((0..3).all(|i| found.log10_odds[i] < found.log10_odds[3]), "{found:?}");
    // From the slowest to the fastest tenth half more is needed: else it is a share.
    assert!(shifted(|k| 10.0 + 4.8 * (k % 2) as f64, 3.0).is_none());
    assert!(shifted(|k| 10.0 + 5.2 * (k % 2) as f64, 3.0).is_some());
}

/// Residuals of +-0.1 about a line: standard deviation 0.14826 (1.4826 times the median), none is cut at 1.345 of it; with half
/// as many independent values 0.14826 sqrt(2 / sum of squares about the mean).
#[test]
fn a_slope_and_its_error() {
    let points: Vec<(f64, f64)> = (0..40)
        .map(|k| [(-1.0, -0.1), (-1.0, 0.1), (1.0, -0.1), (1.0, 0.1)][k % 4])
        .map(|(x, off)| (x, 3.0 * x + 5.0 + off))
        .collect();
    let (value, error) = trend::slope(&points).unwrap();
    about(value, 3.0, 1e-9);
    about(error, 0.148_26 * (2.0_f64 / 40.0).sqrt(), 1e-6);
    // Where the line begins does not matter.
    let moved: Vec<(f64, f64)> = points.iter().map(|(x, y)| (x + 70.0, y - 900.0)).collect();
    let (again, its_error) = trend::slope(&moved).unwrap();
    about(again, 3.0, 1e-9);
    about(its_error, error, 1e-9);
}

/// One wheel that reads 4 % slow in 25 of 400 blocks.
fn leaves(wheel: usize, size: f64, from: usize, n: usize, of_block: impl Fn(Block) -> Block) -> [Stretches; 4] {
    let made = rig((0..400).map(|k| {
        let block = of_block(turning(k, bend(k)));
        if (from..from + n).contains(&k) { with_odd(block, wheel, size) } else { block }
    }));
    Rolling::of(&made).unwrap().stretches
}

#[test]
fn a_wheel_that_leaves_the_others_for_a_while() {
    for wheel in 0..4 {
        let found = leaves(wheel, -0.04, 200, 25, |block| block);
        let own = &found[wheel];
        assert_eq!(own.spans, [Span { from_s: 200.0, to_s: 224.8 }], "{wheel}");
        about(own.size[0], -0.04, 0.005);
        // A stretch adds four decades at most, and no more than it is this wheel's; then the others' story weakens as much.
        assert!(own.log10_odds > 0.0 && own.log10_odds <= 2.5 + 1e-9, "{}", own.log10_odds);
        for other in (0..4).filter(|&other| other != wheel) {
            assert!(
                found[other].spans.is_empty() && found[other].log10_odds < -1.5,
                "{wheel} {other}: {:?}",
                found[other]
            );
            about(found[other].seconds_of_others, 25.0, 1e-9);
        }
        assert_eq!(own.seconds_of_others, 0.0);
    }
    // Gone is gone: half the size within what is allowed, one block, or only while the car is braked hard.
    assert!(leaves(1, -0.009, 200, 25, |block| block).iter().all(Stretches::leaves_nothing));
    assert!(leaves(1, -0.04, 200, 1, |block| block).iter().all(Stretches::leaves_nothing));
    let braked = leaves(1, -0.04, 200, 25, |block| Block { accel_m_s2: -2.5, ..block });
    assert!(braked.iter().all(Stretches::leaves_nothing));
    // Two in a row make the same wheel surer than one.
    let twice = {
        let made = rig((0..400).map(|k| {
            let is_off = (100..103).contains(&k) || (300..303).contains(&k);
            if is_off { with_odd(turning(k, bend(k)), 2, -0.04) } else { turning(k, bend(k)) }
        }));
        Rolling::of(&made).unwrap().stretches[2].log10_odds
    };
    let once = leaves(2, -0.04, 100, 3, |block| block)[2].log10_odds;
    // Three seconds of 0.6 each, twice.
    about(once, -1.5 + 1.8, 1e-9);
    about(twice, -1.5 + 3.6, 1e-9);
}

/// What another wheel does for more than a fifth of the drive leaves open what this one always does.
#[test]
fn a_drive_in_which_a_wheel_comes_and_goes() {
    let of = |n: usize| {
        let made = rig((0..400).map(|k| {
            if (200..200 + n).contains(&k) { with_odd(turning(k, bend(k)), 1, -0.04) } else { turning(k, bend(k)) }
        }));
        let rolling = Rolling::of(&made).unwrap();
        ([0, 1, 2, 3].map(|wheel| rolling.is_unsteady(&made, wheel)), rolling.comes_and_goes(&made))
    };
    assert_eq!(of(85), ([true, false, true, true], true));
    assert_eq!(of(75), ([false; 4], false));
}

/// What runs fast may spin, what runs slow while the car slows down may lock: 0.3 a second, and nothing for 2.5 s.
#[test]
fn slips_are_no_faults() {
    let odds = |size: f64, n: usize, accel_m_s2: f64| {
        leaves(2, size, 100, n, move |block| Block { accel_m_s2, ..block })[2].log10_odds
    };
    about(odds(0.05, 2, 0.0), -1.5, 1e-9);
    about(odds(0.05, 4, 0.0), -1.5 + 1.2, 1e-9);
    about(odds(-0.05, 4, 0.0), -1.5 + 2.4, 1e-9);
    about(odds(-0.05, 4, -0.8), -1.5 + 1.2, 1e-9);
    about(odds(-0.05, 4, -0.6), -1.5 + 2.4, 1e-9);
    about(odds(-0.05, 2, -0.8), -1.5, 1e-9);
}

/// Odds and marks of one wheel, put into a case as they are.
struct Told {
    odds: [f64; 4],
    any: f64,
    stretches: f64,
    late: Option<Trend>,
    unsteady: bool,
    exchange: Option<Exchange>,
    n: usize,
}

const NOTHING: Told = Told {
    odds: [-3.0, -4.0, -4.0, -4.0],
    any: -2.5,
    stretches: -1.5,
    late: None,
    unsteady: false,
    exchange: None,
    n: 600,
};

fn finding_of(told: &Told, stretches: Stretches) -> Finding {
    let made = rig((0..told.n).map(|k| turning(k, bend(k))));
    let mut steady = steady_of(&made);
    let size = steady.weighing.size;
    steady.weighing = Weighing { log10_odds: told.odds, log10_any: told.any, size, sigma: steady.weighing.sigma };
    let (late, exchange) = (told.late, told.exchange);
    let case = Case {
        rig: &made,
        reference: None,
        exchange,
        steady: &steady,
        late,
        shifted: None,
        is_unsteady: [told.unsteady; 4],
    };
    case.finding(0, &Stretches { log10_odds: told.stretches, ..stretches })
}

#[test]
fn from_odds_to_a_verdict() {
    let of = |told: &Told| finding_of(told, Stretches::default()).log10_odds;
    let least = |least: f64| finding_of(&NOTHING, Stretches { least: Some(least), ..Stretches::default() }).log10_odds;
    about(of(&NOTHING), -1.5, 1e-12);
    about(of(&Told { stretches: -3.0, ..NOTHING }), -3.0, 1e-12);
    about(of(&Told { odds: [9.0, -9.0, -9.0, -9.0], any: 9.0, ..NOTHING }), MAX_LOG10_ODDS, 1e-12);
    about(of(&Told { odds: [-9.0; 4], stretches: -9.0, ..NOTHING }), -MAX_LOG10_ODDS, 1e-12);
    // The greatest of the ways counts, and where it comes from is told.
    let stretch =
        || Stretches { spans: vec![Span { from_s: 3.0, to_s: 9.0 }], size: vec![-0.04], ..Stretches::default() };
    let by_stretch = finding_of(&Told { stretches: 2.5, ..NOTHING }, stretch());
    assert_eq!((by_stretch.log10_odds, by_stretch.spans), (2.5, vec![Span { from_s: 3.0, to_s: 9.0 }]));
    let always = finding_of(&Told { odds: [3.0, -4.0, -4.0, -4.0], any: 3.0, ..NOTHING }, stretch());
    assert_eq!(always.spans, [Span { from_s: 0.0, to_s: 599.8 }], "all that was compared");
    // Too few blocks, or another wheel that comes and goes: neither healthy (for lack of power) nor faulty all the time.
    about(of(&Told { n: 19, ..NOTHING }), -0.9, 1e-12);
    about(of(&Told { n: 19, odds: [5.0, -4.0, -4.0, -4.0], any: 5.0, ..NOTHING }), 1.9, 1e-12);
    about(of(&Told { unsteady: true, odds: [5.0, -4.0, -4.0, -4.0], any: 5.0, ..NOTHING }), 1.9, 1e-12);
    about(of(&Told { unsteady: true, stretches: 2.5, ..NOTHING }), 2.5, 1e-12);
    // Exchanged columns leave everything open.
    about(of(&Told { exchange: Some(Exchange::OneAxle), ..NOTHING }), -0.9, 1e-12);
    about(
        of(&Told { exchange: Some(Exchange::Axles), odds: [5.0, -4.0, -4.0, -4.0], any: 5.0, ..NOTHING }),
        1.9,
        1e-12,
    );
    // Some wheel is off and none can be named: those within 3.5 decades of the worst are not healthy.
    let contested =
        |own: f64, top: f64, any: f64| of(&Told { odds: [own, top, -4.0, -4.0], any, stretches: -9.0, ..NOTHING });
    about(contested(-1.6, 1.8, 0.6), -0.9, 1e-12);
    about(contested(-1.8, 1.8, 0.6), -1.8, 1e-12);
    about(contested(-1.6, 1.8, 0.4), -1.6, 1e-12);
    about(contested(-1.4, 2.0, 2.1), -1.4, 1e-12);
    // What is probably late, or would not have shown in a stretch, is not healthy either.
    let late = |size: f64| {
        let trend = Trend { log10_odds: [-3.0; 4], size: [size, 0.0, 0.0, 0.0], sigma: [0.1; 4], allowed: 0.05 };
        of(&Told { late: Some(trend), ..NOTHING })
    };
    about(late(0.14), -1.5, 1e-12);
    about(late(0.16), -0.9, 1e-12);
    about(least(0.029), -1.5, 1e-12);
    about(least(0.031), -0.9, 1e-12);
}

#[test]
fn the_figures_of_a_wheel() {
    let made =
        rig((0..100).map(|k| Block { speed_m_s: if k == 7 { 30.0 } else { 20.0 }, ..with_odd(block(k), 2, 0.04) }));
    let rolling = Rolling::of(&made).unwrap();
    let case = Case {
        rig: &made,
        reference: None,
        exchange: None,
        steady: &rolling.steady,
        late: None,
        shifted: None,
        is_unsteady: [false; 4],
    };
    let figures = case.finding(2, &rolling.stretches[2]).figures;
    about(figures["seconds_used"], 100.0, 1e-9);
    assert_eq!(figures["blocks_used"], 100.0);
    about(figures["slowest_km_h"], 72.0, 1e-9);
    about(figures["fastest_km_h"], 108.0, 1e-9);
    let size = rolling.steady.weighing.size[2];
    about(figures["ratio"], 1.0 + crate::wheels::error_of(size, 4), 1e-12);
    about(figures["difference_percent"], 100.0 * crate::wheels::error_of(size, 4), 1e-10);
    about(figures["tolerance_percent"], 200.0 * rolling.steady.weighing.sigma[2], 1e-12);
    assert_eq!(case.prime_suspect(), Some(2));
    assert_eq!(case.rivals()[0], 2);
    about(TRACK_M, 1.5, 0.0);
}

/// A wheel of any size is that wheel alone: also twice what it should read, and next to nothing.
#[test]
fn a_great_error_accuses_nobody_else() {
    let road = model::Nuisance {
        axle: [(0.007, 0.99), (0.02, 0.01)],
        side: [(0.003, 0.85), (0.01, 0.15)],
        wheel: model::TYRE_SIGMA,
    };
    let rows = contrasts([true; 4]);
    for wheel in 0..4 {
        for k in 0..60 {
            // Reads from 3 % of the truth to 5.3 times as much, but for those that tyres may be.
            let ratio = 0.03 * 1.09_f64.powi(k);
            if (ratio - 1.0).abs() < 0.04 {
                continue;
            }
            let size = 2.0 * (ratio * ratio - 1.0) / (3.0 + ratio * ratio);
            let seen: Vec<f64> = rows.iter().map(|row| row[wheel] * size).collect();
            let found = model::weigh(&rows, [true; 4], &seen, &[0.001; 3], &road, model::Sizes::SCALE).unwrap();
            for other in 0..4 {
                assert_eq!(found.log10_odds[other] >= 2.0, other == wheel, "{ratio} {wheel}: {found:?}");
                about(found.size[other], if other == wheel { size } else { 0.0 }, 0.01 * size.abs());
            }
            about(crate::wheels::error_of(found.size[wheel], 4), ratio - 1.0, 0.02 * ratio + 0.02);
        }
    }
    // By hand: (4 - 1) over twice the mean of 4, 1, 1 and 1; of two wheels 4 and 1.
    about(crate::wheels::error_of(6.0 / 7.0, 4), 1.0, 1e-12);
    about(crate::wheels::error_of(-2.0 / 3.0, 4), -1.0, 1e-12);
    about(crate::wheels::error_of(3.0 / 5.0, 2), 1.0, 1e-12);
}

/// A wheel that is right for a part of the drive, and then 5 % slow, is told with that time, whenever it began.
#[test]
fn a_wheel_that_goes_wrong_on_the_way() {
    for wheel in 0..4 {
        for from in [60, 150, 200, 250, 299, 301, 350, 500] {
            let size = |k: usize| if k >= from { -0.05 } else { 0.0 };
            let made = rig((0..600).map(|k| with_odd(turning(k, bend(k)), wheel, size(k))));
            let rolling = Rolling::of(&made).unwrap();
            let own = &rolling.stretches[wheel];
            if from < 90 {
                // Less than a seventh of the drive is no usual state: all of it is off.
                assert!(rolling.steady.weighing.log10_odds[wheel] >= 2.0 && !rolling.steady.is_part);
                continue;
            }
            assert!(own.log10_odds >= 2.0, "{wheel} from {from}: {own:?}");
            about(own.spans[0].from_s, from as f64, 2.0);
            about(own.spans[own.spans.len() - 1].to_s, 599.8, 2.0);
            about(own.mean_size().unwrap(), -0.05, 0.005);
            for other in (0..4).filter(|other| *other != wheel) {
                let odds = rolling.steady.weighing.log10_odds[other].max(rolling.stretches[other].log10_odds);
                assert!(odds <= -1.0, "{wheel} from {from}, {other}: {odds}");
            }
        }
    }
    // What is 5 % slow all the time, and what comes late, is no part of the drive.
    let steady = rig((0..600).map(|k| with_odd(turning(k, bend(k)), 1, -0.05)));
    assert!(!Rolling::of(&steady).unwrap().steady.is_part);
}

/// A tyre is off by the same share always: where a wheel is not, none is named, but what it looks like.
#[test]
fn a_share_that_is_not_constant_is_no_tyre() {
    let of = |size: &dyn Fn(usize, f64) -> f64| {
        let made = rig((0..600).map(|k| {
            let speed_m_s = 10.0 + (k % 20) as f64;
            Block { speed_m_s, ..with_odd(turning(k, bend(k)), 3, size(k, speed_m_s)) }
        }));
        let Rolling { reference, exchange, steady, stretches } = Rolling::of(&made).unwrap();
        let case = Case {
            rig: &made,
            reference: reference.as_ref(),
            exchange,
            steady: &steady,
            late: None,
            shifted: None,
            is_unsteady: [false; 4],
        };
        case.finding(3, &stretches[3])
    };
    let spare = of(&|_, _| 0.03);
    assert!(spare.verdict == Verdict::Faulty && spare.alternatives[0].contains("ratio is constant"), "{spare:?}");
    // 2 km/h at every speed, twice that share when fast, and what grows over the drive.
    type Size<'a> = &'a dyn Fn(usize, f64) -> f64;
    let sizes: [(Size<'_>, &str, &str); 3] = [
        (&|_, speed_m_s| 0.55 / speed_m_s, "further off when the car is slow", "a constant added"),
        (&|_, speed_m_s| 0.0017 * speed_m_s, "when the car is fast", "pulses"),
        (&|k, _| 0.02 + 0.00006 * k as f64, "late in the drive", "drifts, or a tyre that loses air"),
    ];
    for (size, when, looks_like) in sizes {
        let finding = of(size);
        assert_eq!(finding.verdict, Verdict::Faulty, "{finding:?}");
        assert!(finding.statement.contains(when) && finding.alternatives[0].contains(looks_like), "{finding:?}");
        assert!(!finding.next.iter().any(|text| text.contains("tread")), "{finding:?}");
    }
}
