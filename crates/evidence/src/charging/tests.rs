//! Blocks, trends and verdicts about the charging voltage, worked by hand.

use signal::{SignalId, Unit};

use super::*;

/// One row a second: volts, engine speed and road speed at each.
fn rows(seconds: u32, at: impl Fn(f64) -> [f64; 3]) -> Rows {
    let t_s: Vec<f64> = (0..seconds).map(f64::from).collect();
    let columns = [0, 1, 2].map(|k| t_s.iter().map(|t| at(*t)[k]).collect()).to_vec();
    Rows { dwell_s: vec![1.0; t_s.len()], t_s, columns }
}

/// Blocks of 10 s one after the other from 100 s on at such voltages, driven or idling.
fn of(volts: impl IntoIterator<Item = f64>, is_driven: bool) -> Vec<Block> {
    let block = |(k, volts): (usize, f64)| {
        let from_s = 100.0 + 10.0 * k as f64;
        Block { from_s, to_s: from_s + 10.0, seconds: 10.0, volts, is_driven }
    };
    volts.into_iter().enumerate().map(block).collect()
}

fn judged(blocks: &[Block]) -> Finding {
    judge(blocks, &rows(2, |t| [12.6, 500.0 * t, 0.0]), 1.0, f64::NAN)
}

fn falling(n: usize, from_v: f64, to_v: f64) -> impl Iterator<Item = f64> {
    (0..n).map(move |k| from_v + (to_v - from_v) * k as f64 / (n - 1) as f64)
}

/// The engine runs from 5 s on, which counts from 15 s on, and stops at 62 s: four whole blocks and 7 s.
#[test]
fn blocks_of_a_running_engine() {
    let at = |t: f64| [t, if (5.0..62.0).contains(&t) { 1200.0 } else { 0.0 }, 0.0];
    let found = blocks(&rows(80, at), 2.0);
    let spans: Vec<(f64, f64, f64)> = found.iter().map(|block| (block.from_s, block.to_s, block.seconds)).collect();
    assert_eq!(spans[..2], [(15.0, 25.0, 10.0), (25.0, 35.0, 10.0)]);
    assert_eq!((spans[4], spans.len()), ((55.0, 62.0, 7.0), 5));
    // The median of 15 to 24, of a 24 V system.
    assert_eq!((found[0].volts, found[0].is_driven), (19.5 / 2.0, true));
    let driven = |rpm: f64, kmh: f64| blocks(&rows(30, |_| [14.0, rpm, kmh]), 1.0)[0].is_driven;
    assert_eq!(
        [driven(1099.0, 0.0), driven(1100.0, 0.0), driven(800.0, 5.1), driven(800.0, 5.0)],
        [false, true, true, false]
    );
    // What is not known is not judged.
    let unknown = |t: f64| [14.0, if t == 40.0 { f64::NAN } else { 1200.0 }, 0.0];
    let spans: Vec<f64> = blocks(&rows(60, unknown), 1.0).iter().map(|block| block.from_s).collect();
    assert_eq!(spans, [10.0, 20.0, 30.0, 51.0]);
    let most = |n: f64| blocks(&rows(20, |t| [14.0, if t < 10.0 + n { 1200.0 } else { 800.0 }, 0.0]), 1.0)[0].is_driven;
    assert!(most(6.0) && !most(5.0));
}

/// Below 12 V while driven a minute is worth a decade, half of one above 11.8 V; no more than a warning unless it falls.
#[test]
fn a_battery_that_nothing_charges() {
    let odds = |blocks: &[Block]| judged(blocks).log10_odds;
    assert!((odds(&of(falling(18, 11.7, 11.4), true)) - 3.0).abs() < 1e-9);
    assert!((odds(&of(falling(36, 11.7, 11.4), true)) - MOST).abs() < 1e-9);
    // Half of the blocks below 11.8 V: 150 s * 0.75 / 60 s.
    assert!((odds(&of(falling(15, 11.95, 11.67), true)) - 150.0 * (0.5 + 0.5 * 7.0 / 15.0) / 60.0).abs() < 1e-9);
    // Not falling, falling by 0.14 V, idling, or six blocks.
    assert!((odds(&of(vec![11.5; 18], true)) - 1.5).abs() < 1e-9);
    assert!((odds(&of(falling(18, 11.7, 11.56), true)) - 1.5).abs() < 1e-9);
    assert!(odds(&of(falling(18, 11.7, 11.4), false)) < 1.0);
    assert!(odds(&of(falling(6, 11.7, 11.4), true)) <= 1.0);
    // Where a reading comes once a minute, a few blocks are minutes, but too few.
    let seldom = |n: usize, volts: f64| {
        let mut blocks = of(falling(n, volts, volts - 0.3), true);
        blocks.iter_mut().for_each(|block| block.seconds = 60.0);
        odds(&blocks)
    };
    assert_eq!([seldom(6, 11.7), seldom(7, 11.7), seldom(5, 16.5), seldom(6, 16.5)], [1.5, MOST, 1.5, MOST]);
    let found = judged(&of(falling(18, 11.7, 11.4), true));
    assert_eq!((found.spans.len(), found.spans[0].from_s, found.spans[0].to_s), (1, 100.0, 280.0));
    assert!(found.statement.contains("below 12.0 V for 180 s while driven, falling by 0.30 V."), "{}", found.statement);
    // Charged in between: the longer of the two stretches counts.
    let two: Vec<f64> = falling(8, 11.7, 11.4).chain([13.9]).chain(falling(12, 11.6, 11.2)).collect();
    let found = judged(&of(two, true));
    assert!((found.log10_odds - 2.0).abs() < 1e-9 && found.spans[0].from_s == 190.0, "{found:?}");
    // 12.1 V neither ends a stretch nor counts.
    let between: Vec<f64> = falling(6, 11.7, 11.5).chain([12.1]).chain(falling(6, 11.5, 11.3)).collect();
    assert!((odds(&of(between, true)) - 2.0).abs() < 1e-9);
    // What is lacking for a verdict is said.
    let open = judged(&of(falling(9, 11.7, 11.4), true)).statement;
    assert!(open.contains("120 s are needed") && !open.contains("goes on falling"), "{open}");
    let open = judged(&of(vec![11.5; 18], true)).statement;
    assert!(!open.contains("are needed") && open.contains("goes on falling"), "{open}");
}

/// The line falls by 0.3 V over 70 s; all 28 pairs of eight points fall: 28 / sqrt(8 * 7 * 21 / 18) = 3.464.
#[test]
fn how_far_it_falls() {
    let blocks = of(falling(8, 11.7, 11.4), true);
    let (volts, errors) = fall(&blocks.iter().collect::<Vec<_>>());
    assert!((volts - 0.3).abs() < 1e-9 && (errors - 3.4641).abs() < 1e-4, "{volts} {errors}");
    let blocks = of(falling(8, 11.4, 11.7), true);
    assert!(fall(&blocks.iter().collect::<Vec<_>>()).0 < 0.0);
}

#[test]
fn a_voltage_that_is_too_high() {
    let high = |n: usize| judged(&of(vec![16.1; n], false)).log10_odds;
    // A minute is a decade; five blocks are a warning at most, and four decades the most.
    assert!((high(9) - 1.5).abs() < 1e-9 && (high(12) - 2.0).abs() < 1e-9 && (high(40) - 4.0).abs() < 1e-9);
    assert!(judged(&of([vec![16.1; 7], vec![15.9], vec![16.1; 5]].concat(), false)).log10_odds < 1.2, "in two pieces");
    assert!(judged(&of(vec![15.9; 20], false)).log10_odds < 1.0);
}

/// Charging for two minutes is a decade for a healthy system, where it is most of what was recorded.
#[test]
fn a_system_that_charges() {
    let odds = |blocks: &[Block]| judged(blocks).log10_odds;
    assert!(
        (odds(&of(vec![14.0; 12], false)) + 1.0).abs() < 1e-9 && (odds(&of(vec![14.0; 60], false)) + 2.0).abs() < 1e-9
    );
    assert_eq!(odds(&of([vec![14.0; 16], vec![12.6; 4]].concat(), false)), -160.0 / 120.0);
    assert_eq!(odds(&of([vec![14.0; 15], vec![12.6; 5]].concat(), false)), -0.5);
    assert_eq!((odds(&of(vec![13.1; 20], false)), odds(&of(vec![15.6; 20], false))), (0.5, 0.5));
    assert_eq!(
        (
            odds(&of([vec![14.0; 6], vec![12.6; 14]].concat(), false)),
            odds(&of([vec![14.0; 5], vec![12.6; 15]].concat(), false))
        ),
        (-0.5, 0.5)
    );
    let short = judged(&of(vec![14.0; 8], false));
    assert!(short.log10_odds == 0.0 && short.next[0].starts_with("Record 40 s more"), "{short:?}");
    assert_eq!(judged(&[]).figures["running_s"].to_bits(), 0.0_f64.to_bits());
    let found = judged(&of(vec![14.0; 30], false));
    assert!(
        found.statement.starts_with("14.00 V in the middle of 5.0 min")
            && found.statement.contains("100 % of it at 13.2 V")
    );
    assert_eq!(
        [found.figures["charged_s"], found.figures["rest_v"], found.figures["median_running_v"]],
        [300.0, 12.6, 14.0]
    );
    // The same in a 24 V system.
    let double = judge(&of(vec![14.0; 30], false), &rows(1, |_| [25.2, 0.0, 0.0]), 2.0, f64::NAN);
    assert_eq!(
        [double.figures["system_v"], double.figures["rest_v"], double.figures["median_running_v"]],
        [24.0, 25.2, 28.0]
    );
    // Ripple is a warning that keeps it from being called healthy.
    let ripple = |volts: f64| judge(&of(vec![14.0; 30], false), &rows(1, |_| [12.6, 0.0, 0.0]), 2.0, volts);
    assert_eq!((ripple(0.19).log10_odds, ripple(0.17).log10_odds), (-0.9, -2.0));
    assert!(ripple(0.19).statement.contains("scatter by 0.38 V"), "{}", ripple(0.19).statement);
}

fn voltage(step_s: f64, values: impl IntoIterator<Item = f64>) -> Series {
    let mut series = Series::new(SignalId::new("battery.voltage").unwrap(), Unit::named("V"));
    let at = |k: usize| signal::nanos_from_seconds(k as f64 * step_s);
    values.into_iter().enumerate().for_each(|(k, value)| series.push_value(at(k), value));
    series
}

/// Neighbours that differ by 0.6 V in turn: 1.4826 * 0.6 / sqrt(2).
#[test]
fn the_scatter_of_neighbours() {
    let of = |n: u32, step_s: f64, factor: f64| {
        scatter_v(&voltage(step_s, (0..n).map(|k| 14.0 + 0.6 * f64::from(k % 2))), factor)
    };
    assert!((of(201, 0.1, 1.0) - 1.4826 * 0.6 / 2f64.sqrt()).abs() < 1e-4, "{}", of(201, 0.1, 1.0));
    assert!((of(201, 0.1, 2.0) - 1.4826 * 0.3 / 2f64.sqrt()).abs() < 1e-4);
    assert!(of(100, 0.1, 1.0).is_nan() && of(201, 0.11, 1.0).is_nan() && of(101, 0.05, 1.0) > 0.1);
    // A slow rise is no scatter.
    assert!(scatter_v(&voltage(0.05, (0..201).map(|k| 12.0 + 0.01 * f64::from(k))), 1.0) < 1e-9);
}

#[test]
fn which_system_it_is() {
    let of = |middle: f64, n_wild: usize| {
        let values = (0..100).map(|k| if k < n_wild { 0.0 } else { middle });
        system_factor(&voltage(1.0, values))
    };
    assert_eq!([of(7.9, 0), of(8.1, 0), of(17.4, 0), of(17.6, 0)], [None, Some(1.0), Some(1.0), None]);
    assert_eq!([of(20.9, 0), of(21.1, 0), of(32.9, 0), of(33.1, 0)], [None, Some(2.0), Some(2.0), None]);
    assert_eq!((of(12.6, 2), of(12.6, 3)), (Some(1.0), None), "two of a hundred cannot be a battery's");
}
