use super::super::tests::{about, rig, swinging, turning};
use super::*;
use crate::wheels::Block;

#[test]
fn turns_by_a_yaw_sensor() {
    let plain = swinging(100, 1.55, Some);
    let (Some(found), None) = reference(&plain) else { panic!("it tells") };
    assert_eq!(found.signal, "yaw.rate");
    found.turn.iter().zip(&plain.blocks).for_each(|(turn, block)| about(*turn, block.turn, 2e-4));
    // At one speed a side difference looks like a zero of the sensor, known to 1.5 deg/s on 1.5 m: 0.03927 m/s of 20, its variance
    // twice, and 0.1 % for the crown of the road. Two speeds tell them apart.
    about(found.sigma, (0.039_27 / 20.0 * std::f64::consts::SQRT_2).hypot(0.001), 2e-6);
    let two_speeds = |zero_deg_s: f64| {
        let mut made = swinging(100, 1.55, |rate| Some(rate + zero_deg_s.to_radians()));
        made.blocks.iter_mut().step_by(2).for_each(|block| {
            block.speed_m_s = 10.0;
            block.turn_of_axle = block.turn_of_axle.map(|turn| 2.0 * turn);
        });
        let (Some(found), None) = reference(&made) else { panic!("it tells") };
        let off = found.turn.iter().zip(&made.blocks).map(|(turn, block)| turn - block.turn_of_axle[0]);
        (found.sigma, off.sum::<f64>() / 100.0)
    };
    for zero_deg_s in [0.0, 1.0, -1.0] {
        let (sigma, off) = two_speeds(zero_deg_s);
        assert!((0.001..0.0013).contains(&sigma) && off.abs() < 2e-4, "{zero_deg_s} deg/s: {sigma} {off}");
    }
    // One that turns the other way, or on a track that no car has, or that was seldom there, or in too few blocks.
    for n in [12, 50, 100, 400] {
        let (None, Some(exchanged)) = reference(&swinging(n, 1.55, |rate| Some(-rate))) else { panic!("{n} blocks") };
        assert_eq!(exchanged, Exchange::Sides("yaw.rate"));
    }
    let is_told = |rig: &Rig| reference(rig).0.is_some();
    assert!(
        is_told(&swinging(100, 1.9, Some))
            && !is_told(&swinging(100, 2.2, Some))
            && !is_told(&swinging(100, 0.9, Some))
    );
    assert!(is_told(&swinging(10, 1.55, Some)) && !is_told(&swinging(9, 1.55, Some)));
    let silent = |every: usize| {
        let mut made = swinging(100, 1.55, Some);
        made.blocks.iter_mut().step_by(every).for_each(|block| block.yaw_rad_s = None);
        reference(&made).0
    };
    assert!(silent(4).is_none());
    assert!(
        silent(5).unwrap().turn.iter().step_by(5).all(|turn| turn.is_nan()),
        "where it was silent nothing is known"
    );
}

/// A ratio of 16 on a wheelbase of 2.7 m and a track of 1.5 m turns by 1.5 / 2.7 / 16 rad per rad; at 20 m/s by 1 / (1 + 0.64) of
/// it.
#[test]
fn turns_by_the_steering_wheel() {
    let per_deg = 1.5 / 2.7 / 16.0 * 1_f64.to_radians();
    let steered = |sign: f64, zero_deg: f64, speed_m_s: f64| {
        let share = 1.0 / (1.0 + (speed_m_s / 25.0).powi(2));
        rig((0..100).map(move |k| {
            let angle = 60.0 * (k as f64 * 0.37).sin();
            Block { speed_m_s, steering_deg: Some(angle + zero_deg), ..turning(k, sign * per_deg * share * angle) }
        }))
    };
    for speed_m_s in [10.0, 20.0] {
        let made = steered(1.0, 0.0, speed_m_s);
        let (Some(found), None) = reference(&made) else { panic!("it tells") };
        assert_eq!(found.signal, "steering.angle");
        found.turn.iter().zip(&made.blocks).for_each(|(turn, block)| about(*turn, block.turn, 3e-4));
        // Its zero is known to 3 degrees: 0.0018, and the crown of the road.
        about(found.sigma, (3.0 * per_deg).hypot(0.001), 3e-5);
    }
    assert!(matches!(reference(&steered(-1.0, 0.0, 20.0)), (None, Some(Exchange::Sides("steering.angle")))));
}

/// Columns under wrong names: an axle that turns the other way, or "rear" wheels that run the wider arc.
#[test]
fn exchanged_columns_contradict_the_turns() {
    let of =
        |block: &dyn Fn(usize, f64) -> Block| exchange(&rig((0..200).map(|k| block(k, 0.08 * (k as f64 * 0.3).sin()))));
    let against = |k: usize, turn: f64| Block { turn_of_axle: [turn, -turn], ..turning(k, turn) };
    assert_eq!(of(&|k, turn| turning(k, turn)), None);
    assert_eq!(of(&against), Some(Exchange::OneAxle));
    assert_eq!(of(&|k, turn| Block { accel_m_s2: 1.6, ..against(k, turn) }), None, "braking hides it");
    assert_eq!(of(&|k, turn| against(k, 0.2 * turn)), None, "1.6 % may be tyres");
    assert_eq!(exchange(&rig((0..9).map(|k| against(k, 0.08)))), None);
    // One in nine of the turns may disagree by chance: 22 in 200 are too many to call it an exchange.
    assert_eq!(of(&|k, turn| if k % 7 == 0 { turning(k, turn) } else { against(k, turn) }), None);
    assert_eq!(of(&|k, turn| if k % 20 == 0 { turning(k, turn) } else { against(k, turn) }), Some(Exchange::OneAxle));
    // The front wheels' wider arc was taken out though it was the rear's: twice the lift is missing in front. A turn of 0.2 lifts
    // by 0.5 (1.8 0.2)^2 and a little: 6 %.
    let lifted = |k: usize, share: f64| {
        let turn = if k.is_multiple_of(2) { 0.2 } else { 0.0 };
        let lift = share * crate::wheels::lift_of(turn);
        let mut block = turning(k, turn);
        [-lift, -lift, lift, lift].into_iter().zip(&mut block.relative).for_each(|(by, relative)| *relative += by);
        block
    };
    let axles = |share: f64, n: usize| exchange(&rig((0..n).map(|k| lifted(k, share))));
    assert_eq!((axles(1.0, 40), axles(0.0, 40), axles(-1.0, 40)), (Some(Exchange::Axles), None, None));
    assert_eq!((axles(0.45, 40), axles(0.55, 40)), (None, Some(Exchange::Axles)), "as far as the lift itself");
    assert_eq!((axles(1.0, 20), axles(1.0, 18)), (Some(Exchange::Axles), None), "ten turns and ten without");
}
