use super::*;
use crate::odd_wheel::Rolling;
use crate::odd_wheel::tests::{about, bend, rig, turning, with_odd};

/// A case of 600 blocks with odds put in as they are.
fn finding_of(
    n: usize,
    odds: [f64; 4],
    any: f64,
    size: f64,
    exchange: Option<Exchange>,
    comes_and_goes: bool,
) -> Finding {
    let made = rig((0..n).map(|k| with_odd(turning(k, bend(k)), 0, size)));
    let rolling = Rolling::of(&made).unwrap();
    let of = &rolling.steady.weighing;
    let weighing = Weighing { log10_odds: odds, log10_any: any, size: of.size, sigma: of.sigma };
    let case = Case {
        rig: &made,
        reference: None,
        exchange,
        steady: &rolling.steady,
        weighing: Some(weighing),
        comes_and_goes,
    };
    case.finding(0).unwrap()
}

const SOUND: [f64; 4] = [-3.0, -4.0, -4.0, -4.0];
const ODD: [f64; 4] = [4.0, -4.0, -4.0, -4.0];

#[test]
fn from_odds_to_a_verdict() {
    let of = |n, odds, any, size| finding_of(n, odds, any, size, None, false).log10_odds;
    about(of(600, SOUND, -2.0, 0.0), -3.0, 1e-12);
    about(of(600, [-9.0; 4], -9.0, 0.0), -6.0, 1e-12);
    about(of(600, ODD, 4.0, 0.03), 4.0, 1e-12);
    about(of(600, [9.0, -9.0, -9.0, -9.0], 9.0, 0.03), 6.0, 1e-12);
    // What is not beyond 1 % by two errors is not faulty, and what is by one not healthy.
    about(of(600, ODD, 4.0, 0.011), 1.9, 1e-12);
    about(of(600, SOUND, -2.0, 0.02), -0.9, 1e-12);
    // Too few blocks leave it open.
    about(of(19, SOUND, -2.0, 0.0), -0.9, 1e-12);
    about(of(19, ODD, 4.0, 0.05), 1.9, 1e-12);
    // No tyre is 13 % off; columns that are exchanged, and wheels that come and go, say nothing of tyres.
    about(of(600, ODD, 4.0, 0.13), 1.9, 1e-12);
    about(of(600, ODD, 4.0, 0.11), 4.0, 1e-12);
    for (exchange, comes_and_goes) in [(Some(Exchange::OneAxle), false), (None, true)] {
        about(finding_of(600, ODD, 4.0, 0.03, exchange, comes_and_goes).log10_odds, 1.9, 1e-12);
        about(finding_of(600, SOUND, -2.0, 0.0, exchange, comes_and_goes).log10_odds, -0.9, 1e-12);
    }
    // Some wheel is off and none can be named.
    about(of(600, [-1.6, 1.8, -4.0, -4.0], 0.6, 0.0), -0.9, 1e-12);
    about(of(600, [-1.8, 1.8, -4.0, -4.0], 0.6, 0.0), -1.8, 1e-12);
    about(of(600, [-1.6, 1.8, -4.0, -4.0], 0.4, 0.0), -1.6, 1e-12);
    assert_eq!(finding_of(600, ODD, 4.0, 0.03, None, false).spans, [Span { from_s: 0.0, to_s: 599.8 }]);
    assert_eq!(finding_of(600, SOUND, -2.0, 0.0, None, false).spans, []);
}

/// The same wheel as `odd-wheel` names, in each place and either way.
#[test]
fn a_spare_wheel_is_named_where_it_is() {
    for wheel in 0..4 {
        for size in [0.03, -0.03] {
            let made = rig((0..600).map(|k| with_odd(turning(k, bend(k)), wheel, size)));
            let rolling = Rolling::of(&made).unwrap();
            let mut case = Case {
                rig: &made,
                reference: None,
                exchange: None,
                steady: &rolling.steady,
                weighing: None,
                comes_and_goes: false,
            };
            case.weighing = case.weighed(&case.steady.seen, More::default(), None);
            let verdicts: Vec<Verdict> = (0..4).map(|wheel| case.finding(wheel).unwrap().verdict).collect();
            assert!(
                (0..4).all(|other| (verdicts[other] == Verdict::Faulty) == (other == wheel)),
                "{wheel} {size}: {verdicts:?}"
            );
            assert_eq!(case.prime_suspect(), Some(wheel));
            about(case.seconds_used(), 600.0, 1e-9);
            // More driving never weakens it.
            let odds = |seconds: f64| {
                let more = More { seconds, speed_m_s: 20.0 };
                case.weighed(&case.steady.seen, more, None).unwrap().log10_odds[wheel]
            };
            assert!(odds(0.0) <= odds(600.0) + 1e-9 && odds(600.0) <= odds(6000.0) + 1e-9);
        }
    }
}

/// A wheel that is off by more than any tyre is none of this check's, and no other wheel is of another size for it.
#[test]
fn an_error_beyond_tyres_accuses_no_other_wheel() {
    for wheel in 0..4 {
        for size in [0.2, -0.3, 0.45, 0.857, -0.5, 1.3] {
            let made = rig((0..600).map(|k| with_odd(turning(k, bend(k)), wheel, size)));
            let rolling = Rolling::of(&made).unwrap();
            let (steady, comes_and_goes) = (&rolling.steady, false);
            let mut case = Case { rig: &made, reference: None, exchange: None, steady, weighing: None, comes_and_goes };
            case.weighing = case.weighed(&case.steady.seen, More::default(), None);
            for other in 0..4 {
                let finding = case.finding(other).unwrap();
                assert_ne!(finding.verdict, Verdict::Faulty, "{wheel} {size}: {finding:?}");
                let measured = finding.figures["difference_percent"];
                about(measured, if other == wheel { 100.0 * size } else { 0.0 }, 1.0);
            }
        }
    }
}
