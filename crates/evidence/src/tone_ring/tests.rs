//! Half a minute of four wheels at 50 samples a second; errors are put into single wheels.

use std::f64::consts::TAU;

use super::*;
use crate::finding::Span;
use crate::made::series;

fn about(found: f64, expected: f64, within: f64) {
    assert!((found - expected).abs() <= within, "{found} for {expected}");
}

const HZ: f64 = 50.0;

/// Speed, km/h, between 24 and 56.
fn kmh(t_s: f64) -> f64 {
    40.0 + 16.0 * (t_s / 9.0).sin()
}

/// The way that such a car rolled, m: the integral of its speed.
fn rolled_m(t_s: f64) -> f64 {
    (40.0 * t_s + 144.0 * (1.0 - (t_s / 9.0).cos())) / 3.6
}

/// Wheels with relative errors by wheel, way (m) and time (s), in steps of 0.01 km/h; a little scatter hides the steps.
fn drive(error: impl Fn(usize, f64, f64) -> f64) -> Recording {
    sampled(HZ, error)
}

fn sampled(hz: f64, error: impl Fn(usize, f64, f64) -> f64) -> Recording {
    let wheel = |which: usize| {
        series(WHEELS[which], "km/h", 1.0 / hz, 1500, |k| {
            let t_s = k as f64 / hz;
            let scatter = ((k * k * 389 + k * 7919 + which * 101) % 1013) as f64 / 506.5 - 1.0;
            let speed_kmh = kmh(t_s) * (1.0 + error(which, rolled_m(t_s), t_s)) + 0.03 * scatter;
            (speed_kmh * 100.0).round() / 100.0
        })
    };
    Recording { series: (0..4).map(wheel).collect(), ..Recording::default() }
}

/// A wave on one wheel of 2.0 m.
fn wave(on: usize, size: f64) -> impl Fn(usize, f64, f64) -> f64 {
    move |which, way_m, _| if which == on { size * (TAU * way_m / 2.0).sin() } else { 0.0 }
}

fn order_of(recording: &Recording, wheel: usize) -> Order {
    let others: Vec<usize> = (0..4).filter(|&i| i != wheel).collect();
    order::search(&track::of(recording, wheel, &others).unwrap()).unwrap()
}

#[test]
fn the_wheel_with_the_wave_is_named_with_its_size() {
    for wheel in [0, 3] {
        let all = look_at_all(&drive(wave(wheel, 0.03)));
        let findings: Vec<Finding> = all.iter().map(|looked| looked.finding(&all)).collect();
        for (which, finding) in findings.iter().enumerate() {
            assert_eq!(finding.subject, [WHEELS[which]]);
            let expected = if which == wheel { Verdict::Faulty } else { Verdict::Healthy };
            assert_eq!(finding.verdict, expected, "{wheel}: {}", finding.statement);
        }
        let figure = |name: &str| findings[wheel].figures[name];
        about(figure("circumference_m"), 2.0, 0.02);
        about(figure("amplitude_percent"), 3.0, 0.15);
        // A plain wave has no harmonics, and is as large at every speed.
        assert!(figure("second_harmonic_percent") < 0.3 && figure("third_harmonic_percent") < 0.3);
        about(figure("growth_with_speed"), 0.0, 0.3);
        about(figure("metres_used"), rolled_m(30.0), 20.0);
        assert!((findings[wheel].spans[0].from_s).abs() < 5.0, "{:?}", findings[wheel].spans);
    }
}

/// An error that grows with the square of the speed; one of the second harmonic; one that hums in time at 3 Hz.
#[test]
fn what_else_an_error_may_be() {
    let grows = order_of(&drive(|which, way_m, t_s| wave(1, 0.02)(which, way_m, t_s) * (kmh(t_s) / 40.0).powi(2)), 1);
    let (power, error) = grows.growth.unwrap();
    assert!((power - 2.0).abs() < 2.0 * error + 0.1, "{power} +- {error}");
    assert!(!is_sharp(&grows));
    let sharp = order_of(
        &drive(|which, way_m, t_s| wave(1, 0.02)(which, way_m, t_s) + wave(1, 0.018)(which, 2.0 * way_m, t_s)),
        1,
    );
    about(sharp.sizes[1].amplitude, 0.018, 0.002);
    assert!(is_sharp(&sharp));
    let plain = order_of(&drive(wave(1, 0.02)), 1);
    assert!(plain.timed().is_none() && !is_sharp(&plain));
    let hums = order_of(&drive(|which, _, t_s| if which == 1 { 0.02 * (TAU * 3.0 * t_s).sin() } else { 0.0 }), 1);
    about(hums.timed().unwrap(), 3.0, 0.05);
    // The size at any other frequency of a plain wave is its noise; near its own it is found from 2 % away.
    about(plain.size_near(2.03).amplitude, 0.02, 0.002);
    assert!(plain.size_near(2.3).amplitude < 0.004 && plain.size_at(0.7).amplitude < 0.003);
}

/// By hand. A chance of 1e-6 leaves at most -1e-6 ln 1e-6 e = 3.755e-5 for noise: 4.4253 decades, 3.4253 with the prior of one in
/// ten. A size 1.5 errors above what sound rings show is larger with 0.93319 to 0.06681: 1.1452 decades.
#[test]
fn from_a_line_to_odds() {
    let mut order = order_of(&drive(wave(1, 0.02)), 1);
    let mut of = |false_alarm: f64, amplitude: f64, hidden: f64, error: f64| {
        order.false_alarm = false_alarm;
        order.sizes[0] = Size { amplitude, error: 0.001 };
        order.hidden = Size { amplitude: hidden, error };
        log10_odds(&order)
    };
    about(of(1e-6, 0.02, 0.02, 0.001), 3.4253, 1e-4);
    about(of(1e-6, 0.0065, 0.0065, 0.001), 1.1452, 1e-3);
    about(of(0.0, 0.02, 0.02, 0.001), MAX_LOG10_ODDS, 1e-12);
    // No line: 1 % would have stood six errors, or two, above what may be hidden: -0.5 2^2 log10 e.
    about(of(0.5, 0.002, 0.008, 0.001), -2.0 * std::f64::consts::LOG10_E, 1e-9);
    about(of(0.5, 0.002, 0.006, 0.002), -2.0 * std::f64::consts::LOG10_E, 1e-9);
    about(of(0.5, 0.002, 0.004, 0.001), -MAX_LOG10_ODDS, 1e-12);
    about(of(0.5, 0.002, 0.011, 0.001), 0.0, 1e-12);
    // The error of the line itself counts where what may be hidden claims a smaller one.
    about(of(0.5, 0.002, 0.008, 0.0001), -2.0 * std::f64::consts::LOG10_E, 1e-9);
    // A surer line, or a larger one, never weakens.
    let odds: Vec<f64> = [0.3, 1e-2, 1e-4, 1e-9, 1e-30].map(|p| of(p, 0.02, 0.02, 0.001)).into();
    assert!(odds.windows(2).all(|pair| pair[1] >= pair[0]), "{odds:?}");
}

/// What most wheels show is the road or the drive line, and nobody's ring; what two show is two rings.
#[test]
fn an_error_that_wheels_share() {
    let named = |on: &[usize]| {
        let all = look_at_all(&drive(|which, way_m, _| {
            let turned = which as f64 * 0.7;
            if on.contains(&which) { 0.03 * (TAU * way_m / 2.0 + turned).sin() } else { 0.0 }
        }));
        let accused =
            all.iter().filter(|looked| looked.finding(&all).verdict == Verdict::Faulty).map(|looked| looked.wheel);
        accused.collect::<Vec<_>>()
    };
    assert_eq!(named(&[2]), [2]);
    assert_eq!(named(&[0, 1, 2, 3]), []);
    let looked = |wheel: usize, recording: &Recording, log10_odds: f64| {
        let mut looked = look(recording, wheel, &[0, 1, 2, 3]).unwrap();
        looked.log10_odds = log10_odds;
        looked
    };
    // Beside two others one that is half as large shares it; a third of it is the comparison's doing.
    let beside = |sizes: [f64; 4]| {
        let made = drive(|which, way_m, t_s| wave(which, sizes[which])(which, way_m, t_s));
        let all: Vec<Looked> = (0..4).map(|wheel| looked(wheel, &made, 3.0)).collect();
        otherwise(&all[0], &all)
    };
    assert!(beside([0.03, 0.0, 0.0, 0.0]).is_none());
    assert!(beside([0.03, -0.02, 0.02, 0.0]) == Some(Otherwise::Shared));
    let made = drive(wave(0, 0.03));
    let unsure = looked(0, &made, 1.9);
    assert!(otherwise(&unsure, &[]).is_none(), "what is not accused needs no excuse");
    let mut alone = looked(0, &made, 3.0);
    assert!(otherwise(&alone, &[]) != Some(Otherwise::Alone), "it had partners");
    alone.partners = 0;
    assert!(otherwise(&alone, &[]) == Some(Otherwise::Alone));
}

#[test]
fn what_is_otherwise_is_not_faulty() {
    let made = drive(wave(0, 0.03));
    let mut looked = look(&made, 0, &[0, 1, 2, 3]).unwrap();
    assert!(looked.log10_odds >= 2.0);
    for otherwise in [Otherwise::Shared, Otherwise::Grows, Otherwise::Timed(3.0), Otherwise::Alone] {
        looked.otherwise = Some(otherwise);
        let finding = looked.finding(&[]);
        assert_eq!((finding.verdict, finding.log10_odds, finding.spans), (Verdict::Undecided, 1.9, Vec::<Span>::new()));
    }
}

/// Five samples a second are one for a turn of the wheel: taking out the slow part takes away from the wave as well, and the size
/// is still that of the wave. (Of larger ones a part is taken for the wheel's own speed, and shifts its way.)
#[test]
fn the_size_of_a_wave_that_is_sampled_once_a_turn() {
    for hz in [4.0, 5.0] {
        about(order_of(&sampled(hz, wave(1, 0.01)), 1).size_at(0.5).amplitude, 0.01, 0.0008);
    }
}

/// Noise alone: its size less what noise makes is nothing as often as not, and it never stands out; nor does noise that is louder
/// around a turn than far from it.
#[test]
fn noise_is_no_line() {
    let random = |k: i64| ((k * k * 389 + k * 7919).rem_euclid(1013)) as f64 / 506.5 - 1.0;
    let at = |t_s: f64| (t_s * HZ).round() as i64;
    let white = order_of(&drive(|which, _, t_s| if which == 1 { 0.01 * random(at(t_s)) } else { 0.0 }), 1);
    let sizes: Vec<Size> = (0..60).map(|k| white.size_at(0.21 + 0.02 * f64::from(k))).collect();
    let n_nothing = sizes.iter().filter(|size| size.amplitude == 0.0).count();
    assert!((15..=50).contains(&n_nothing), "{n_nothing} of 60");
    assert!(sizes.iter().all(|size| size.amplitude < 4.0 * size.error + 0.002), "{sizes:?}");
    assert!(white.false_alarm > 1e-3, "{}", white.false_alarm);
    // Each sample keeps nine tenths of the one before: five times as loud around a turn as far from it, which is no line, and no
    // smaller error.
    let mut kept = vec![0.0];
    (1..1500).for_each(|k| kept.push(0.9 * kept[k - 1] + random(k as i64)));
    let coloured = order_of(&drive(|which, _, t_s| if which == 1 { 0.006 * kept[at(t_s) as usize] } else { 0.0 }), 1);
    assert!(coloured.false_alarm > 1e-3, "{}", coloured.false_alarm);
    let sizes = (0..30).map(|k| coloured.size_at(0.41 + 0.006 * f64::from(k)));
    assert!(sizes.clone().all(|size| size.amplitude < 4.0 * size.error), "{:?}", sizes.collect::<Vec<_>>());
}
