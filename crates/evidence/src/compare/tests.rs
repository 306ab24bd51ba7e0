//! Drives of whole stretches of ten seconds at one speed, with their means as told.

use super::*;
use crate::made::series;

fn about(found: f64, expected: f64) {
    assert!((found - expected).abs() < 1e-4, "{found} for {expected}");
}

/// A signal with a mean in each stretch, and steps of 0.2 within it.
fn level(id: &str, means: &[f64]) -> Series {
    series(id, "1", 1.0, 10 * means.len(), |k| means[k / 10] + if k % 2 == 0 { 0.1 } else { -0.1 })
}

fn drive(signals: Vec<Series>) -> Recording {
    let n = signals.iter().map(Series::len).max().unwrap_or(0);
    let speed = series("vehicle.speed", "km/h", 1.0, n, |_| 50.0);
    Recording { series: std::iter::once(speed).chain(signals).collect(), ..Recording::default() }
}

/// Up and down about a middle: neighbours do not resemble each other.
fn swinging(middle: f64, n: usize) -> Vec<f64> {
    (0..n).map(|k| if k % 2 == 0 { middle + 1.0 } else { middle - 1.0 }).collect()
}

/// Six means of +-1 on either side: variances 1.2, error sqrt(0.2 + 0.2), 10 degrees of freedom. scipy 1.17.1, stats.t.ppf:
/// 2.2281 at 95 %, 2.6338 where two signals share the 5 %: 1.4092 and 1.6657 to either side.
#[test]
fn an_interval_by_hand() {
    let of = |by: f64, n_after: usize, with_another: bool| {
        let make = |by: f64, n: usize| {
            let mut signals = vec![level("custom.level", &swinging(10.0 + by, n))];
            signals.extend(with_another.then(|| level("custom.other", &swinging(10.0, n))));
            drive(signals)
        };
        compare(&make(0.0, 6), &make(by, n_after)).signals[0].cells[0].clone()
    };
    let higher = of(1.5, 6, false);
    let (difference, low, high) = higher.difference.unwrap();
    about(difference, 1.5);
    about(low, 1.5 - 1.4092);
    about(high, 1.5 + 1.4092);
    assert_eq!((higher.verdict, of(-1.5, 6, false).verdict), (Shift::Higher, Shift::Lower));
    assert_eq!((of(1.4, 6, false).verdict, of(-1.4, 6, false).verdict), (Shift::NotShown, Shift::NotShown));
    let shared = of(1.5, 6, true);
    about(shared.difference.unwrap().1, 1.5 - 1.6657);
    assert_eq!((shared.verdict, of(1.7, 6, true).verdict), (Shift::NotShown, Shift::Higher));
    assert_eq!(
        (of(9.0, 2, false).verdict, of(9.0, 2, false).difference, of(9.0, 3, false).verdict),
        (Shift::TooShort, None, Shift::Higher)
    );
    assert_eq!((higher.before.stretches, higher.before.seconds), (6, 60.0));
    about(higher.before.mean, 10.0);
    about(higher.after.mean, 11.5);
    // What nobody judges does not take its share of the 5 %.
    let short =
        |by: f64| drive(vec![level("custom.level", &swinging(10.0 + by, 6)), level("custom.other", &swinging(1.0, 2))]);
    assert_eq!(compare(&short(0.0), &short(1.5)).signals[0].cells[0].verdict, Shift::Higher);
    // A difference of less than a step is none, however sure.
    let coarse = |by: f64| {
        let steps = series("custom.level", "1", 1.0, 600, |k| {
            10.0 + 4.0 * ((k / 3) % 2) as f64 + if k % 60 < 20 { by } else { 0.0 }
        });
        compare(
            &drive(vec![series("custom.level", "1", 1.0, 600, |k| 10.0 + 4.0 * ((k / 3) % 2) as f64)]),
            &drive(vec![steps]),
        )
    };
    assert_eq!(coarse(4.0).signals[0].cells[0].verdict, Shift::NotShown);
}

/// Healthy stretches of 1 to 20: 5 % of them below 1.95, 95 % below 19.05, beyond which one step more counts.
#[test]
fn beside_healthy_drives() {
    // Up and down, so that neighbours do not resemble each other.
    let zigzag: Vec<f64> =
        (0..20).map(|k| if k % 2 == 0 { 1.0 + f64::from(k / 2) } else { 20.0 - f64::from(k / 2) }).collect();
    let healthy = drive(vec![level("custom.level", &zigzag)]);
    let of = |references: &[&Recording], means: &[f64]| {
        against_reference(references, &drive(vec![level("custom.level", means)])).signals[0].cells[0].clone()
    };
    let at = |value: f64| of(&[&healthy], &[value; 6]);
    let inside = at(10.5);
    [1.95, 5.75, 10.5, 15.25, 19.05].into_iter().zip(inside.reference.percentiles).for_each(|(a, b)| about(b, a));
    assert_eq!((inside.reference.drives, inside.reference.stretches, inside.reference.seconds), (1, 20, 200.0));
    assert_eq!((inside.is_outside, inside.percentile), (Some(false), Some(0.5)));
    about(inside.median, 10.5);
    for (value, expected) in [(19.2, false), (19.3, true), (1.8, false), (1.7, true), (30.0, true)] {
        assert_eq!(at(value).is_outside, Some(expected), "{value}");
    }
    // Nineteen healthy stretches are too few to read a twentieth from, two of the drive to tell.
    let few = drive(vec![level("custom.level", &zigzag[..19])]);
    assert_eq!((of(&[&few], &[30.0; 6]).is_outside, of(&[&healthy], &[30.0; 2]).is_outside), (None, None));
    assert_eq!(of(&[&few, &few], &[30.0; 6]).reference.drives, 2);
    let unknown = against_reference(&[&healthy], &drive(vec![level("custom.other", &[1.0; 6])]));
    assert_eq!((unknown.signals.len(), unknown.without_reference), (0, vec!["custom.other".to_owned()]));
}
