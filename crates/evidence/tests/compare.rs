//! Two drives side by side, and a drive over healthy ones: what differs, what does not, what is too short to tell.

#![allow(clippy::unwrap_used, reason = "a test fails by panicking")]

use evidence::compare::{Shift, against_reference, compare};
use signal::{Recording, Series, SignalId, Unit};

/// Plain numbers that look random, even on 0..1 (Steele, Lea and Flood 2014, splitmix64).
struct Random(u64);

impl Random {
    fn even(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((z ^ (z >> 31)) >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// Mean 0, standard deviation 1, near enough to the normal law (sum of twelve even ones).
    fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.even()).sum::<f64>() - 6.0
    }
}

/// An engine that alternates between two conditions, with a trim of a given mean in each, noise of one reading, and a slow
/// wander that neighbouring stretches share.
fn drive(seed: u64, seconds: u32, trims: [f64; 2], wander: f64) -> Recording {
    let mut random = Random(seed);
    let series = |name: &str, unit: &str| Series::new(SignalId::new(name).unwrap(), Unit::named(unit));
    let mut speed = series("engine.speed", "rpm");
    let mut load = series("engine.load", "%");
    let mut trim = series("fuel.trim.long.bank_1", "%");
    let mut counter = series("misfire.cylinder_1", "count");
    let mut slow = 0.0;
    for t_s in 0..seconds {
        slow = 0.98 * slow + wander * (1.0_f64 - 0.98 * 0.98).sqrt() * random.normal();
        let high = (t_s / 40) % 2;
        let t_ns = i64::from(t_s) * 1_000_000_000;
        speed.push_value(t_ns, 1000.0 + 1500.0 * f64::from(high));
        load.push_value(t_ns + 1, 25.0 + 40.0 * f64::from(high));
        trim.push_value(t_ns + 2, trims[high as usize] + slow + random.normal());
        counter.push_value(t_ns + 3, 0.0);
    }
    Recording { series: vec![speed, load, trim, counter], ..Recording::default() }
}

#[test]
fn a_shift_in_one_condition_is_found_there_and_nowhere_else() {
    let compared = compare(&drive(1, 1200, [8.0, 1.0], 0.3), &drive(2, 1200, [0.0, 1.0], 0.3));
    let [trim] = compared.signals.as_slice() else { panic!("speed, load and counters are not compared: {compared:?}") };
    assert_eq!((trim.id.as_str(), trim.unit.as_str()), ("fuel.trim.long.bank_1", "%"));
    let cell = |rpm: f64| {
        trim.cells.iter().find(|cell| cell.bounds[0].from.unwrap() <= rpm && rpm < cell.bounds[0].to.unwrap()).unwrap()
    };
    let (low, high) = (cell(1000.0), cell(2500.0));
    assert_eq!((low.verdict, high.verdict), (Shift::Lower, Shift::NotShown), "{trim:?}");
    let (difference, from, to) = low.difference.unwrap();
    assert!((difference + 8.0).abs() < 0.5 && from < -8.0 + 0.5 && to > -8.0 - 0.5, "{low:?}");
    assert!((low.before.seconds - 600.0).abs() < 50.0 && low.bounds.iter().any(|it| it.signal == "engine.load"));
}

#[test]
fn equal_cars_are_called_different_no_more_often_than_stated() {
    // All intervals of a comparison hold together at 95 %; what neighbouring stretches share must not count as many
    // readings, whether it is most of their spread or a part of it.
    for wander in [0.3, 1.0] {
        let mut wrong = 0;
        for seed in 0..200 {
            let of = |seed| drive(seed, 1200, [2.0, 2.0], wander);
            let compared = compare(&of(1000 + seed), &of(5000 + seed));
            let cells = compared.signals.iter().flat_map(|signal| &signal.cells);
            wrong += u32::from(cells.into_iter().any(|cell| matches!(cell.verdict, Shift::Higher | Shift::Lower)));
        }
        // 5 % of 200 is 10, with a standard deviation of 3.
        assert!(wrong <= 19, "wander {wander}: {wrong} of 200 equal pairs differ");
    }
}

#[test]
fn too_short_is_said() {
    let compared = compare(&drive(1, 1200, [8.0, 1.0], 0.3), &drive(2, 60, [0.0, 1.0], 0.3));
    let cells = &compared.signals[0].cells;
    assert!(cells.iter().any(|cell| cell.verdict == Shift::TooShort), "{cells:?}");
    assert!(cells.iter().all(|cell| cell.verdict != Shift::Lower || cell.after.stretches >= 3));
    // Nothing in common, nothing at all.
    let empty = Recording::default();
    assert!(compare(&empty, &empty).signals.is_empty());
    assert_eq!(compare(&drive(1, 60, [0.0; 2], 0.0), &empty).only_in_one.len(), 4);
}

#[test]
fn a_drive_lies_inside_or_outside_of_the_healthy_ones() {
    let healthy: Vec<Recording> = (0..3).map(|seed| drive(seed, 1200, [1.0, 1.0], 0.5)).collect();
    let references: Vec<&Recording> = healthy.iter().collect();
    let outside = |drive: &Recording| -> Vec<Option<bool>> {
        let against = against_reference(&references, drive);
        let cells = &against.signals[0].cells;
        assert!(cells.iter().all(|cell| cell.reference.percentiles.is_sorted()));
        cells.iter().map(|cell| cell.is_outside).collect()
    };
    assert_eq!(outside(&drive(11, 1200, [1.0, 1.0], 0.5)), [Some(false), Some(false)]);
    assert_eq!(outside(&drive(12, 1200, [9.0, 1.0], 0.5)), [Some(true), Some(false)]);
    assert_eq!(outside(&drive(13, 20, [9.0, 1.0], 0.5)), [None], "two stretches tell nothing");
    let alone = against_reference(&[], &healthy[0]);
    assert_eq!((alone.signals.len(), alone.without_reference.len()), (0, 1));
    // One healthy car too short to have outer percentiles accuses nobody.
    let short = drive(4, 100, [1.0, 1.0], 0.5);
    let against = against_reference(&[&short], &drive(12, 1200, [9.0, 1.0], 0.5));
    assert!(against.signals[0].cells.iter().all(|cell| cell.is_outside.is_none()));
}
