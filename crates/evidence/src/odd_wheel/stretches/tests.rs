use super::super::tests::{about, bend, block, rig, swinging, turning, with_odd};
use super::*;

fn searched<T>(rig: &Rig, reference: Option<&Reference>, ask: impl FnOnce(&Search<'_>) -> T) -> T {
    let steady = Steady::of(rig, reference).unwrap();
    ask(&Search { rig, steady: &steady, reference, usual: Usual::of(rig, &steady) })
}

/// Blocks of 20 m/s whose steps of 0.01 m/s are never crossed, noise 0.05 % each: over four wheels twice the root of (1.5 0.05
/// %)^2 / n and of rounding, 0.01 / sqrt(12) / 20.
#[test]
fn what_is_allowed_and_its_error() {
    let calm = rig((0..100).map(|k| turning(k, bend(k))));
    let rounding = 0.01 / 12_f64.sqrt() / 20.0;
    searched(&calm, None, |search| {
        let error = |n: usize| search.error(calm.blocks[..n].iter());
        about(error(1), 2.0 * 0.00075_f64.hypot(rounding), 1e-12);
        about(error(25), 2.0 * 0.00015_f64.hypot(rounding), 1e-12);
        // At 1 m/s2 each block of 0.8 s crosses 80 steps.
        let quick = [Block { accel_m_s2: -1.0, ..block(0) }; 2];
        let crossed: f64 = 1.0 + 2.0 * 80.0;
        about(search.error(quick.iter()), 2.0 * (0.00075 / 2_f64.sqrt()).hypot(rounding / crossed.sqrt()), 1e-12);
        // 1 %, 5 % of the turn; nothing of the delay is learned at a constant speed: three times 0.06 s at 1 / 20, and 0.4 %.
        about(search.allowed(&block(0)), 0.01, 1e-12);
        about(search.allowed(&turning(0, -0.1)), 0.015, 1e-12);
        about(search.allowed(&Block { accel_m_s2: -1.0, ..block(0) }), 0.01 + 0.009 + 0.004, 1e-12);
        // In 15 blocks: what is allowed and four of their errors, in four fifths of the drive.
        let least = 0.01 + 4.0 * 2.0 * (0.00075 / 15_f64.sqrt()).hypot(rounding);
        about(search.least().unwrap(), least + TRACK_MISMATCH * 0.0013, 3e-5);
        let counts = |accel_m_s2: f64, turn: f64| search.counts(&Block { accel_m_s2, ..turning(0, turn) });
        assert!(counts(2.0, 0.1) && !counts(2.1, 0.1) && !counts(0.0, 0.13) && !counts(-2.1, 0.0));
    });
}

/// A wheel that is late, and an axle that slips, all drive long, are the drive's usual.
#[test]
fn what_is_usual_is_no_stretch() {
    let swing = |k: usize| 1.5 * (k as f64 * 0.9).sin();
    let made = rig((0..300).map(|k| {
        let late = with_odd(turning(k, bend(k)), 0, -0.15 * swing(k) / 20.0);
        let mut block = Block { accel_m_s2: swing(k), ..late };
        block.relative.iter_mut().zip([1.0, 1.0, -1.0, -1.0]).for_each(|(r, axle)| *r += 0.5 * axle * 0.004 * swing(k));
        block
    }));
    let steady = Steady::of(&made, None).unwrap();
    let usual = Usual::of(&made, &steady);
    about(usual.delay_s, -0.15, 0.01);
    // The late wheel is half of an axle: 0.15 / 20 / 2 less.
    about(usual.slip, 0.004 - 0.15 / 40.0, 5e-4);
    about(usual.straight, 0.9, 1e-12);
    let hard = Block { accel_m_s2: 2.0, ..block(0) };
    about(usual.of_block(0, &hard), steady.seen[0] + usual.delay_s * 0.1, 1e-12);
    about(usual.of_block(1, &hard), steady.seen[1] + usual.slip * 2.0, 1e-12);
    about(usual.of_block(2, &hard), steady.seen[2], 1e-12);
    assert!(find(&made, &steady, None).iter().all(Stretches::leaves_nothing));
}

/// Left against right in a stretch: by the edges, where a fault comes and goes at once.
#[test]
fn a_fault_comes_and_goes_at_once() {
    let made = rig((0..200).map(|k| {
        let turn = 0.001 * (k as f64 * 0.9).sin();
        if (100..120).contains(&k) { with_odd(turning(k, turn), 0, 0.04) } else { turning(k, turn) }
    }));
    let (side, mixture) = searched(&made, None, |search| search.side(100, 120, 0.9));
    about(side, 0.02, 0.0015);
    assert!(mixture[0].0 >= 0.002 && mixture[0].0 < 0.004 && mixture[1].0 >= 4.0 * mixture[0].0 - 1e-12, "{mixture:?}");
    // A turn that grows over ten blocks has no edge.
    let turn =
        |k: usize| 0.04 * ((k as f64 - 95.0) / 10.0).clamp(0.0, 1.0) * ((135.0 - k as f64) / 10.0).clamp(0.0, 1.0);
    let slow = rig((0..200).map(|k| turning(k, turn(k))));
    let (side, _) = searched(&slow, None, |search| search.side(100, 130, -0.04));
    assert!(side.abs() < 0.02, "{side}");
    // Too short a drive shows no other edges: the plain value, and any bend of 3 m/s2 across, 0.01 + 1.5 3 / 400.
    let short = rig((0..30).map(|k| turning(k, 0.0)));
    let (side, mixture) = searched(&short, None, |search| search.side(5, 25, 0.123));
    assert_eq!(side, 0.123);
    about(mixture[1].0, 0.01 + 4.5 / 400.0, 1e-12);
    about(mixture[0].1 + mixture[1].1, 1.0, 1e-12);
}

/// By a sensor, less what is there all the time.
#[test]
fn a_fault_beside_a_known_turn() {
    let mut made = swinging(200, 1.5, Some);
    made.blocks.iter_mut().enumerate().for_each(|(k, block)| {
        *block = with_odd(*block, 2, 0.01);
        if (100..120).contains(&k) {
            *block = with_odd(*block, 0, 0.04);
        }
    });
    let (reference, _) = super::super::road::reference(&made);
    let reference = reference.unwrap();
    let (side, mixture) = searched(&made, Some(&reference), |search| search.side(100, 120, 0.9));
    about(side, 0.02, 0.002);
    about(mixture[0].0, reference.sigma.hypot(0.002), 1e-12);
    // Where it was silent for more than half of the stretch the edges tell.
    let mut gone = reference;
    gone.turn[100..111].iter_mut().for_each(|turn| *turn = f64::NAN);
    let (_, mixture) = searched(&made, Some(&gone), |search| search.side(100, 120, 0.9));
    assert!((mixture[0].0 - gone.sigma.hypot(0.002)).abs() > 1e-6, "{mixture:?}");
}

/// Wheels within one and a half decades of the most probable may be meant as well.
#[test]
fn a_stretch_of_no_certain_wheel() {
    // Between bends that hide the side difference.
    let made = rig((0..400).map(|k| {
        let block = turning(k, 0.03 * (k as f64 * 0.7).sin());
        if (200..225).contains(&k) { with_odd(block, 3, -0.025) } else { block }
    }));
    let found = find(&made, &Steady::of(&made, None).unwrap(), None);
    assert!(found.iter().all(|of_wheel| of_wheel.spans.is_empty()), "{found:?}");
    let open: Vec<usize> = (0..4).filter(|&wheel| !found[wheel].open.is_empty()).collect();
    assert!(open.len() >= 2 && open.contains(&3), "{found:?}");
    for (wheel, of_wheel) in found.iter().enumerate() {
        assert_eq!(of_wheel.open.is_empty(), of_wheel.seconds_of_others > 0.0);
        assert!(!open.contains(&wheel) || (of_wheel.rivals == open && of_wheel.log10_odds >= -0.9));
    }
}
