//! Rows of four wheels made by hand, twenty a second.

use super::*;
use crate::made::series;

fn about(found: f64, expected: f64) {
    assert!((found - expected).abs() < 1e-6, "{found} for {expected}");
}

/// Wheels at an interval, km/h by wheel and time.
fn rolling(wheels: &[usize], interval_s: f64, seconds: f64, kmh: impl Fn(usize, f64) -> f64) -> Recording {
    let n = (seconds / interval_s) as usize;
    let all = wheels.iter().map(|&i| series(WHEELS[i], "km/h", interval_s, n, |k| kmh(i, interval_s * k as f64)));
    Recording { series: all.collect(), ..Recording::default() }
}

const ALL: [usize; 4] = [0, 1, 2, 3];

/// R in m, rear outer/inner, front outer/inner, front outer/rear outer for t = 1.5 m, L = 2.7 m (rigid body rolling, as in
/// Emirler et al. 2013; numbers computed once, outside this project, to four digits).
#[test]
fn a_turn_leaves_the_diagonal_contrast_alone() {
    for (radius_m, rear, front, outer) in
        [(6.0, 1.2857, 1.2314, 1.0770), (10.0, 1.1622, 1.1503, 1.0311), (20.0, 1.0779, 1.0765, 1.0084)]
    {
        let rear_outer = 20.0;
        let front_outer = rear_outer * outer;
        let kmh = [front_outer / front, front_outer, rear_outer / rear, rear_outer];
        let block = Rig::of(&rolling(&ALL, 0.05, 10.0, |i, _| kmh[i])).unwrap().blocks[3];
        let [fl, fr, rl, rr] = block.relative;
        assert!((fl - fr - rl + rr).abs() < 3e-4, "R = {radius_m} m: {block:?}");
        assert!((block.turn / (TRACK_M / radius_m) - 1.0).abs() < 0.12, "{block:?}");
        assert!((fl + fr - rl - rr).abs() < 3e-3, "the front wheels' wider arc is taken out: {block:?}");
    }
}

#[test]
fn what_does_not_roll_is_left_out() {
    let blocks = |kmh: [f64; 4]| Rig::of(&rolling(&ALL, 0.05, 10.0, |i, _| kmh[i])).unwrap().blocks.len();
    for kmh in [[0.0; 4], [8.0; 4], [9.9; 4], [30.0, 30.0, 0.0, 0.0], [0.0, 60.0, 0.0, 0.0]] {
        assert_eq!(blocks(kmh), 0, "{kmh:?}");
    }
    assert!(blocks([10.0; 4]) > 0);
    assert!(blocks([0.0, 30.0, 30.0, 30.0]) > 0, "one silent wheel may be a dead sensor");
    // Less than a fifth of the fastest is at rest.
    assert!(blocks([6.1, 6.1, 30.0, 30.0]) > 0 && blocks([5.9, 5.9, 30.0, 30.0]) == 0);
    // Of two wheels one at rest leaves nothing to compare.
    let two = |kmh: [f64; 2]| Rig::of(&rolling(&[0, 1], 0.05, 10.0, |i, _| kmh[i])).unwrap().blocks.len();
    assert!(two([30.0, 30.0]) > 0 && two([30.0, 0.0]) == 0);
    assert!(Rig::of(&Recording::default()).is_none() && Rig::of(&rolling(&[2], 0.05, 10.0, |_, _| 30.0)).is_none());
}

/// Wheels at 100, 102, 100 and 100 km/h: squares 10 000 and 10 404, their mean 10 101; 10 404 / 20 202 - 1/2 = 0.014999, 10 000 /
/// 20 202 - 1/2 = -0.005. One axle turns, the other does not: straight on.
#[test]
fn a_block_by_hand() {
    let rig = Rig::of(&rolling(&ALL, 0.05, 10.0, |i, _| if i == 1 { 102.0 } else { 100.0 })).unwrap();
    let block = rig.blocks[2];
    [-0.005, 0.014_999, -0.005, -0.005].into_iter().zip(block.relative).for_each(|(expected, found)| {
        assert!((found - expected).abs() < 1e-6, "{found} for {expected}");
    });
    about(block.turn, 0.0);
    assert!((block.turn_of_axle[0] - 0.019_998).abs() < 1e-6 && block.turn_of_axle[1].abs() < 1e-9);
    about(block.speed_m_s, 100.0 / 3.6);
    about(block.accel_m_s2, 0.0);
    about(block.noise, 0.0);
    about(rig.interval_s, 0.05);
    // A block is a second, or five samples of slower wheels; the next begins with the next sample.
    about(block.to_s - block.from_s, 0.95);
    about(rig.blocks[3].from_s, rig.blocks[2].to_s + 0.05);
    let slow = Rig::of(&rolling(&ALL, 0.5, 60.0, |_, _| 100.0)).unwrap();
    about(slow.blocks[2].to_s - slow.blocks[2].from_s, 2.0);
    // Three wheels compare with their own mean, and the one that is missing is zero.
    let three = Rig::of(&rolling(&[0, 1, 2], 0.05, 10.0, |i, _| if i == 1 { 102.0 } else { 100.0 })).unwrap();
    assert_eq!((three.present, three.blocks[0].relative[3]), ([true, true, true, false], 0.0));
    assert!(three.blocks[0].turn_of_axle[1].is_nan());
    // 10 000 / (2 30 404 / 3) - 1/2; the axle that is there turns, 0.02 nearly, and its lift is taken out in front.
    let turn = 404.0 / (2.0 * 30_404.0 / 3.0);
    about(three.blocks[0].turn, turn);
    about(three.blocks[0].relative[2], 10_000.0 / (2.0 * 30_404.0 / 3.0) - 0.5);
    about(three.blocks[0].relative[0], 10_000.0 / (2.0 * 30_404.0 / 3.0) - 0.5 - lift_of(turn));
}

/// Speeding up by 1 m/s2, 3.6 km/h per second; wheels that tremble by 0.5 km/h against each other: of 20 rows each with a standard
/// deviation of 0.5 km/h about the middle, over the speed.
#[test]
fn motion_and_noise_of_a_block() {
    let faster = Rig::of(&rolling(&ALL, 0.05, 10.0, |_, t| 40.0 + 3.6 * t)).unwrap();
    about(faster.blocks[4].accel_m_s2, 1.0);
    about(faster.blocks[4].speed_m_s * 3.6, 40.0 + 3.6 * 0.5 * (faster.blocks[4].from_s + faster.blocks[4].to_s));
    let trembling = Rig::of(&rolling(&ALL, 0.05, 10.0, |i, t| {
        let up = ((t / 0.05).round() as usize + i).is_multiple_of(2);
        50.0 + if i < 2 { if up { 0.5 } else { -0.5 } } else { 0.0 }
    }))
    .unwrap();
    // The front wheels swing against each other, the rear ones are the middle: half of the variance of 0.25.
    about(trembling.blocks[2].noise, (0.125_f64 / 20.0).sqrt() / 50.0);
}

/// A value that is lost for a moment says nothing of a wheel; what is lost for more than half of a block leaves none.
#[test]
fn moments_that_go_apart_are_left_out() {
    let lost = |rows: usize| {
        Rig::of(&rolling(&ALL, 0.05, 10.0, |i, t| {
            let k = (t / 0.05).round() as usize;
            if i == 2 && (100..100 + rows).contains(&k) { 0.0 } else { 50.0 + 0.1 * (k % 2) as f64 }
        }))
        .unwrap()
    };
    for rows in [0, 1, 8] {
        let rig = lost(rows);
        assert_eq!(rig.blocks.len(), 10, "{rows}");
        rig.blocks.iter().for_each(|block| about(block.relative[2], 0.0));
    }
    // 2 % may part within a block, as a turn begins.
    let parts = |kmh: f64| {
        let rig = Rig::of(&rolling(&ALL, 0.05, 10.0, |i, t| {
            let k = (t / 0.05).round() as usize;
            50.0 + 0.1 * (k % 2) as f64 + if i == 2 && (100..104).contains(&k) { kmh } else { 0.0 }
        }));
        rig.unwrap().blocks[5].relative[2]
    };
    assert!(parts(0.9) > 1e-3 && parts(1.1).abs() < 1e-9);
}

#[test]
fn turn_sensors_are_read_where_they_are() {
    let mut drive = rolling(&ALL, 0.05, 10.0, |_, _| 50.0);
    drive.series.push(series("yaw.rate", "deg/s", 0.1, 100, |_| 18.0));
    drive.series.push(series("steering.angle", "deg", 0.1, 52, |_| -90.0));
    let rig = Rig::of(&drive).unwrap();
    about(rig.blocks[3].yaw_rad_s.unwrap(), std::f64::consts::PI / 10.0);
    about(rig.blocks[3].steering_deg.unwrap(), -90.0);
    assert!(rig.blocks[5].steering_deg.is_none() && rig.blocks[4].steering_deg.is_some(), "it fell silent at 5.1 s");
    // Common times without a word that they came in one answer: a table, whose columns may have been read in turn.
    assert!(rig.shares_times);
    let mut answered = rolling(&ALL, 0.05, 10.0, |_, _| 50.0);
    answered.series.iter_mut().for_each(|wheel| wheel.exchange = (1..=wheel.len() as u32).collect());
    assert!(!Rig::of(&answered).unwrap().shares_times);
    answered.series[3].exchange.clear();
    assert!(Rig::of(&answered).unwrap().shares_times, "all of them must have");
    let mut apart = rolling(&ALL, 0.05, 10.0, |_, _| 50.0);
    apart
        .series
        .iter_mut()
        .zip([0, 7, 13, 29])
        .for_each(|(wheel, ms)| wheel.t_ns.iter_mut().for_each(|t| *t += ms * 1_000_000));
    assert!(!Rig::of(&apart).unwrap().shares_times);
    // A hole ends a block.
    let mut hole = rolling(&ALL, 0.05, 10.0, |_, _| 50.0);
    hole.series.iter_mut().for_each(|wheel| wheel.t_ns.iter_mut().skip(90).for_each(|t| *t += 3_000_000_000));
    let blocks = Rig::of(&hole).unwrap().blocks;
    assert!(blocks.iter().all(|block| block.to_s < 4.5 || block.from_s > 7.0), "{blocks:?}");
}

/// Twice the lift of a turn is (L/t x)^2 v^2 / V^2 with x v^2 / V^2 the turn measured and V^2 / v^2 = 1 + x^2 (1/4 + (L/t)^2 / 2): for
/// x = 0.2 and L/t = 1.8 V^2 / v^2 = 1.0748, the turn 0.18608, the lift 0.06029.
#[test]
fn the_wider_arc_of_the_front_wheels() {
    assert!((lift_of(0.186_081) - 0.060_290).abs() < 2e-6, "{}", lift_of(0.186_081));
    assert_eq!((lift_of(0.0), lift_of(-0.1), lift_of(9.0)), (0.0, lift_of(0.1), lift_of(0.25)));
}

/// Wheels read in turn once a second, a fifth of a second apart, as a car that slows down and speeds up by 2 m/s2 shows them in
/// such steps; between `from_s` and `to_s` the recorder keeps everything.
fn in_turn(step_kmh: f64, from_s: f64, to_s: f64, kmh: impl Fn(f64) -> f64) -> Recording {
    let track = |wheel: usize| {
        let mut kept = 0.0;
        let mut track = series(WHEELS[wheel], "km/h", 1.0, 0, |_| 0.0);
        for k in 0..240 {
            let t_s = f64::from(k) + 0.2 * wheel as f64;
            if !(from_s..to_s).contains(&t_s) {
                kept = (kmh(t_s) / step_kmh).round() * step_kmh;
            }
            track.push_value(signal::nanos_from_seconds(t_s), kept);
        }
        track
    };
    Recording { series: (0..4).map(track).collect(), ..Recording::default() }
}

/// Between 40 and 90 km/h, up and down in 14.3 s.
fn up_and_down(t_s: f64) -> f64 {
    65.0 + 25.0 * (t_s / 14.3 * std::f64::consts::TAU).cos()
}

/// What a recorder kept shows how far apart the wheels were read, and no wheel that leaves the others.
#[test]
fn what_was_kept_is_no_reading() {
    use crate::finding::{Kind, Verdict};
    for from in 0..14 {
        let from_s = 100.0 + f64::from(from);
        let frozen = in_turn(0.1, from_s, from_s + 12.0, up_and_down);
        let rig = Rig::of(&frozen).unwrap();
        let is_inside = |block: &Block| block.to_s > from_s + 1.0 && block.from_s < from_s + 11.0;
        let inside: Vec<_> = rig.blocks.iter().filter(|block| is_inside(block)).map(|b| (b.from_s, b.to_s)).collect();
        assert!(inside.is_empty(), "{from_s}: {inside:?}");
        let accused =
            crate::examine(&frozen).into_iter().find(|f| f.kind == Kind::OddWheel && f.verdict == Verdict::Faulty);
        assert!(accused.is_none(), "{accused:?}");
    }
    // Nothing else is left out: neither of a drive whose values change, nor of one that stands in whole km/h at a steady speed.
    let blocks = |recording: &Recording| Rig::of(recording).unwrap().blocks.len();
    assert_eq!(blocks(&in_turn(0.1, 500.0, 500.0, up_and_down)), 48);
    assert_eq!(blocks(&in_turn(1.0, 500.0, 500.0, |t_s| 70.0 + 0.7 * (t_s / 25.0).sin())), 48);
}
