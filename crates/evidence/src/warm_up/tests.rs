//! Minutes of a warming engine, made by hand.

use signal::{Recording, Series};

use super::*;
use crate::made::series;

fn about(found: f64, expected: f64, within: f64) {
    assert!((found - expected).abs() <= within, "{found} for {expected}");
}

/// Minute `k` of an engine that goes from one temperature to another.
fn minute(k: usize, from_degc: f64, to_degc: f64, speed_kmh: f64) -> Block {
    let from_s = 60.0 * k as f64;
    Block {
        from_s,
        to_s: from_s + 60.0,
        from_degc,
        to_degc,
        rate_k_s: (to_degc - from_degc) / 60.0,
        rate_error: 0.005,
        above_ambient_k: f64::midpoint(from_degc, to_degc) - 10.0,
        heat: 1.0,
        speed_kmh,
        after_start_s: from_s,
    }
}

/// The likelihoods anew with numpy 2.4.6 and scipy 1.17.1: multivariate_normal.pdf of the rates with the covariance that the
/// module's documentation tells, averaged over 2001 sizes of the open thermostat's loss, evenly spread in their logarithm.
#[test]
fn an_open_thermostat_by_another_library() {
    let kmh = [20.0, 80.0, 30.0, 90.0, 25.0, 100.0];
    let heat = [1.0, 1.2, 1.0, 1.3, 1.0, 1.2];
    let of = |rates: [f64; 6], above: [f64; 6], kind: Heat, by: f64| {
        let blocks: Vec<Block> = (0..6)
            .map(|k| Block {
                rate_k_s: rates[k],
                above_ambient_k: above[k],
                heat: by * heat[k],
                ..minute(k, 0.0, 0.0, kmh[k])
            })
            .collect();
        open_odds(&blocks.iter().collect::<Vec<_>>(), kind)
    };
    let (warm, cold) = ([20.0, 24.0, 28.0, 32.0, 36.0, 40.0], [40.0, 42.0, 41.0, 42.0, 40.0, 41.0]);
    let falls = [0.03, -0.02, 0.025, -0.03, 0.02, -0.04];
    for (rates, above, kind, odds, size) in [
        ([0.05, 0.049, 0.048, 0.047, 0.046, 0.045], warm, Heat::Fuel, -2.0, -0.000_147),
        (falls, cold, Heat::Fuel, 2.8698, 0.002_210),
        (falls, cold, Heat::Load, 2.0577, 0.002_171),
        ([0.03, 0.0, 0.025, 0.0, 0.02, 0.0], cold, Heat::Fuel, -0.5351, 0.000_967),
    ] {
        let found = of(rates, above, kind, 1.0).unwrap();
        // The check's own thirty sizes are a little coarser.
        about(found.0, odds, 0.06);
        about(found.1, f64::max(size, 0.0), 2e-6);
        // In which unit the heat input stands does not matter.
        about(of(rates, above, kind, 44e3).unwrap().0, found.0, 1e-9);
    }
    // Without heat, without an ambient temperature, or in two minutes nothing can be said.
    assert!(of(falls, cold, Heat::Fuel, 0.0).is_none() && of(falls, cold, Heat::Fuel, f64::NAN).is_none());
    assert!(of(falls, [f64::NAN; 6], Heat::Fuel, 1.0).is_none());
    let two = [minute(0, 20.0, 24.0, 50.0), minute(1, 24.0, 28.0, 50.0)];
    assert!(open_odds(&two.iter().collect::<Vec<_>>(), Heat::Fuel).is_none());
}

/// Nine minutes of 2 K each, then three of nothing, in thirds of four: 59 on average in the last, 1 K short of the plateau of the
/// middle's course.
#[test]
fn how_fast_it_still_rises() {
    let of = |degc: &dyn Fn(usize) -> f64, n: usize| {
        let blocks: Vec<Block> = (0..n).map(|k| minute(k, degc(k), degc(k + 1), 60.0)).collect();
        rise_k_min(&blocks.iter().collect::<Vec<_>>())
    };
    about(of(&|k| 20.0 + 2.0 * k as f64, 12).unwrap(), 2.0, 1e-12);
    about(of(&|k| 20.0 + 2.0 * k as f64, 13).unwrap(), 2.0, 1e-12);
    assert_eq!((of(&|_| 60.0, 12), of(&|k| k as f64, 8)), (Some(0.0), None), "three in each third at least");
    // Minutes 4 to 7 rise by 2 K a minute, middles 29 to 35; 8 to 11 stay at 36: 36 less 32 in four minutes.
    about(of(&|k| 20.0 + 2.0 * k.min(8) as f64, 12).unwrap(), 1.0, 1e-12);
    // A hole in the middle counts with its time.
    let mut blocks: Vec<Block> =
        (0..12).map(|k| minute(k, 20.0 + 2.0 * k as f64, 22.0 + 2.0 * k as f64, 60.0)).collect();
    blocks[8..].iter_mut().for_each(|block| block.from_s += 240.0);
    about(rise_k_min(&blocks.iter().collect::<Vec<_>>()).unwrap(), 1.0, 1e-12);
}

fn judged(degc: &dyn Fn(usize) -> f64, kmh: &dyn Fn(usize) -> f64, n: usize, heat: Heat) -> Finding {
    judge(&(0..n).map(|k| minute(k, degc(k), degc(k + 1), kmh(k))).collect::<Vec<_>>(), heat)
}

/// Up to 90 degC by 5 K a minute from 10, then held there.
fn sound(k: usize) -> f64 {
    (10.0 + 5.0 * k as f64).min(90.0)
}

#[test]
fn a_thermostat_that_holds_or_does_not() {
    let road: &dyn Fn(usize) -> f64 = &|_| 80.0;
    // Warm at the end of minute 13 (80 degC): of 20 minutes 7, 420 s, are warm on the road; a decade in 180 s, two at most.
    let held = judged(&sound, road, 20, Heat::Fuel);
    about(held.figures["warm_on_road_s"], 420.0, 1e-9);
    about(held.log10_odds, -2.0, 1e-12);
    about(judged(&sound, road, 16, Heat::Fuel).log10_odds, -1.0, 1e-12);
    assert_eq!(judged(&sound, road, 15, Heat::Fuel).verdict, Verdict::Undecided, "two minutes");
    assert_eq!(judged(&sound, &|_| 39.0, 20, Heat::Fuel).log10_odds, 0.0, "in town an open one does not show");
    about(judged(&sound, &|k| if k < 17 { 80.0 } else { 39.0 }, 20, Heat::Fuel).figures["warm_on_road_s"], 240.0, 1e-9);
    // Never below 70 degC, and never warm: no time, and no time less than none.
    let tepid = judged(&|_| 75.0, road, 10, Heat::Fuel).statement;
    assert!(tepid.contains("; 0 min of it below 70 degC"), "{tepid}");
    // Too hot is a warning, whatever held.
    let hot = |most: f64| judged(&|k| (10.0 + 6.0 * k as f64).min(most), road, 30, Heat::Fuel).log10_odds;
    assert_eq!((hot(112.0), hot(111.0)), (0.5, -2.0));
    // An open one that ends at 55 degC: at least eight cold minutes, five of them on the road, and not still rising.
    let open = |k: usize| 10.0 + 45.0 * (1.0 - (-(k as f64) / 4.0).exp());
    let found = judged(&open, road, 30, Heat::Fuel);
    assert_eq!(found.verdict, Verdict::Faulty, "{}", found.statement);
    about(found.figures["cold_blocks"], 28.0, 1e-12);
    assert_eq!(found.spans, [Span { from_s: 120.0, to_s: 1800.0 }]);
    assert_eq!(judged(&open, road, 30, Heat::Speed).verdict, Verdict::Undecided, "heat from engine speed alone");
    assert_eq!(judged(&open, &|k| if k % 8 == 0 { 80.0 } else { 30.0 }, 30, Heat::Fuel).verdict, Verdict::Undecided);
    // A cold start that was driven for seven minutes rises still.
    let short = judged(&sound, road, 10, Heat::Fuel);
    assert!(short.log10_odds >= -0.9 && short.log10_odds <= 1.5, "{}", short.log10_odds);
    // What was warm and fell below 72 degC on the road did not hold.
    let fell = judged(&|k| if k < 20 { sound(k) } else { 90.0 - 3.0 * (k - 19) as f64 }, road, 30, Heat::Fuel);
    assert!(fell.log10_odds > -1.0 && fell.statement.contains("fell below 72 degC"), "{}", fell.statement);
    let kept = judged(&|k| if k < 20 { sound(k) } else { 73.0 }, road, 30, Heat::Fuel);
    assert!(kept.verdict == Verdict::Healthy, "{}", kept.statement);
    for (name, expected) in [("first_degc", 10.0), ("last_degc", 90.0), ("highest_degc", 90.0), ("running_min", 20.0)] {
        about(held.figures[name], expected, 1e-9);
    }
}

/// Fourteen minutes at 1 Hz of an engine that starts after a minute: 4 K a minute, 60 km/h, 2000 rpm, 40 %.
fn recorded(degc: impl Fn(f64) -> f64, rpm: impl Fn(f64) -> f64) -> Recording {
    let of = |id: &str, unit: &str, value: &dyn Fn(f64) -> f64| series(id, unit, 1.0, 840, |k| value(k as f64));
    let all = vec![
        of("coolant.temperature", "degC", &degc),
        of("engine.speed", "rpm", &rpm),
        of("vehicle.speed", "km/h", &|_| 60.0),
        of("engine.load", "%", &|_| 40.0),
        of("intake.air_temperature", "degC", &|_| 12.0),
    ];
    Recording { series: all, ..Recording::default() }
}

fn minutes(recording: &Recording) -> Result<(Vec<Block>, Heat), (String, String)> {
    heat::blocks(recording, recording.series("coolant.temperature").unwrap())
}

fn rising(t_s: f64) -> f64 {
    14.0 + 4.0 / 60.0 * (t_s - 60.0).max(0.0)
}

fn running(t_s: f64) -> f64 {
    if t_s < 60.0 { 0.0 } else { 2000.0 }
}

#[test]
fn minutes_of_a_running_engine() {
    let (blocks, heat) = minutes(&recorded(rising, running)).unwrap();
    assert_eq!((heat, blocks.len()), (Heat::Load, 12), "13 minutes in rows of 5 s");
    for (k, block) in blocks.iter().enumerate() {
        about(block.to_s - block.from_s, 60.0, 1e-9);
        about(block.from_s, 62.0 + 60.0 * k as f64, 1e-9);
        about(block.rate_k_s, 4.0 / 60.0, 1e-9);
        about(block.after_start_s, 60.0 * k as f64, 1e-9);
        about(block.heat, 40.0 * 2000.0, 1e-6);
        about(block.wind(), 0.6, 1e-12);
        // Steps of 0.0667 K are taken for 0.1: over sqrt(12) in a minute.
        about(block.rate_error, 0.1 / 12_f64.sqrt() / 60.0, 1e-12);
        // The coldest of air and coolant is 12 degC.
        about(block.above_ambient_k, block.middle_degc() - 12.0, 1e-6);
    }
    // A stop begins anew; so does a hole of more than 20 s.
    let stopped =
        minutes(&recorded(rising, |t_s| if (300.0..330.0).contains(&t_s) { 0.0 } else { running(t_s) })).unwrap().0;
    assert!(stopped.iter().all(|block| block.to_s < 300.0 || block.from_s >= 330.0));
    assert_eq!(stopped.iter().filter(|block| block.after_start_s == 0.0).count(), 2);
    let mut hole = recorded(rising, running);
    hole.series.iter_mut().for_each(|s| s.t_ns.iter_mut().skip(300).for_each(|t| *t += 30_000_000_000));
    let hole = minutes(&hole).unwrap().0;
    assert!(hole.iter().all(|block| block.to_s < 300.0 || block.from_s > 329.0), "a block does not span it");
    // Fuel tells most, then load, pressure, and engine speed alone.
    let with = |id: &str, unit: &str, value: f64| {
        let mut made = recorded(rising, running);
        made.series.push(series(id, unit, 1.0, 840, |_| value));
        minutes(&made).unwrap()
    };
    let (blocks, heat) = with("custom.fuel_rate", "l/h", 3.0);
    assert_eq!(heat, Heat::Fuel);
    about(blocks[3].heat, 3.0, 1e-9);
    assert_eq!(with("intake.air_flow", "g/s", 9.0).1, Heat::Load, "air is no fuel without trims");
    about(with("custom.ambient", "degC", -5.0).0[3].above_ambient_k, blocks[3].middle_degc() + 5.0, 1e-6);
    let mut bare = recorded(rising, running);
    bare.series.remove(3);
    assert_eq!(minutes(&bare).unwrap().1, Heat::Speed);
}

#[test]
fn what_cannot_be_judged() {
    let missing = |recording: &Recording| minutes(recording).err().map(|(what, _)| what).unwrap_or_default();
    let mut no_speed = recorded(rising, running);
    no_speed.series.remove(2);
    assert!(missing(&no_speed).contains("without engine speed and vehicle speed"));
    let for_s = |seconds: f64| missing(&recorded(rising, move |t_s| if t_s < seconds { 2000.0 } else { 0.0 }));
    assert!(
        for_s(170.0).contains("Only 2 whole minutes") && for_s(200.0).is_empty(),
        "{} {}",
        for_s(170.0),
        for_s(200.0)
    );
    // One row in fifty may jump by more than 15 K; of 168 rows three, each there and back, are too many.
    let jumps = |n: usize| {
        recorded(
            move |t_s| if (t_s as usize / 5) % 40 == 20 && (t_s as usize) / 200 < n { 80.0 } else { rising(t_s) },
            running,
        )
    };
    assert!(missing(&jumps(1)).is_empty() && missing(&jumps(4)).contains("jumps"));
    assert!(
        missing(&recorded(|t_s| if t_s < 40.0 { 200.0 } else { rising(t_s) }, running)).contains("jumps"),
        "no coolant is that hot"
    );
    let series: Vec<Series> = Vec::new();
    assert!(run(&Examination::new(&Recording { series, ..Recording::default() })).is_empty());
}
