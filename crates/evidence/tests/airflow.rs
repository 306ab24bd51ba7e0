//! `airflow` on textbook drives of petrol engines, and against the published worked numbers (those are beside the formula).
#![allow(clippy::unwrap_used)]

mod common;
mod textbook;

use common::{Rng, Samples, findings};
use evidence::{Finding, Kind, Verdict};
use textbook::{Car, SOUND, Tally, road};

type Drive = Vec<(&'static str, &'static str, Samples)>;

fn judged(drive: &Drive) -> Finding {
    textbook::judged(Kind::Airflow, drive)
}

/// Adds the absolute load as a module computes it from its own meter: air per cycle over 1.184 g/L times the displacement.
fn with_absolute_load(car: &Car, mut drive: Drive) -> Drive {
    let air = drive[2].2.iter();
    let load = |&(t, air): &(f64, f64)| (t, air / (road(t).0 / 120.0) / (1.184 * car.litres) * 100.0);
    let samples = air.map(load).map(|(t, v)| (t, (v / (100.0 / 255.0)).round() * (100.0 / 255.0))).collect();
    drive.push(("engine.absolute_load", "%", samples));
    drive
}

#[test]
fn a_sound_engine_is_healthy_and_measured() {
    for rate_hz in [0.5, 1.0, 5.0, 50.0] {
        for litres in [1.0, 2.0, 4.0] {
            let car = Car { litres, ..SOUND };
            // The course alone cannot exclude a meter that is off by the same share everywhere; normal trims can.
            let mut drive = car.drive(rate_hz, 900.0, 5);
            let finding = judged(&drive);
            assert_eq!(finding.verdict, Verdict::Healthy, "{rate_hz} Hz: {finding:?}");
            assert!(finding.alternatives.iter().any(|other| other.contains("by pressure")), "{finding:?}");
            drive.retain(|signal| signal.0 != "fuel.trim.long.bank_1");
            let finding = judged(&drive);
            assert_eq!(finding.verdict, Verdict::Undecided, "{rate_hz} Hz: {finding:?}");
            assert!(finding.statement.contains("as a sound engine's"), "{rate_hz} Hz: {finding:?}");
            let needs = ["engine.absolute_load", "fuel trims"];
            assert!(needs.iter().all(|id| finding.next.iter().any(|next| next.contains(id))), "{finding:?}");
            let found = finding.figures["displacement_times_efficiency_l"];
            assert!((0.6 * litres..litres).contains(&found), "{found}");
            let finding = judged(&with_absolute_load(&car, car.drive(rate_hz, 900.0, 5)));
            assert_eq!(finding.verdict, Verdict::Healthy, "{rate_hz} Hz: {finding:?}");
            assert!((finding.figures["displacement_l"] / litres - 1.0).abs() < 0.05, "{finding:?}");
        }
    }
}

#[test]
fn air_past_the_meter_and_a_meter_that_falls_behind() {
    for rate_hz in [1.0, 5.0, 50.0] {
        let leak = judged(&Car { leak_g_s: 1.6, ..SOUND }.drive(rate_hz, 900.0, 5));
        assert_eq!(leak.verdict, Verdict::Faulty, "{rate_hz} Hz: {leak:?}");
        assert!(leak.statement.contains("air past the meter"));
    }
    // Without the displacement a drooping meter looks like an engine that breathes badly at speed.
    let droop = judged(&Car { meter_droop: 0.6, ..SOUND }.drive(5.0, 900.0, 5));
    assert_ne!(droop.verdict, Verdict::Healthy, "{droop:?}");
}

#[test]
fn a_meter_that_reads_half_shows_with_the_displacement_only() {
    let half = Car { meter: 0.5, ..SOUND };
    let finding = judged(&half.drive(2.0, 900.0, 5));
    assert!(finding.statement.contains("cannot be seen without the displacement"), "{finding:?}");
    let finding = judged(&with_absolute_load(&half, half.drive(2.0, 900.0, 5)));
    assert_eq!(finding.verdict, Verdict::Faulty, "{finding:?}");
    assert!(finding.statement.contains("reads low at every flow"), "{finding:?}");
}

/// Engines differ: full-load efficiency 0.80 to 0.95 (common practice), valve timing of its own at each operating point.
#[test]
fn at_most_one_in_a_hundred_sound_engines_is_accused() {
    let mut rng = Rng(3);
    let mut counts = Tally::default();
    for seed in 0..300 {
        let car = Car { litres: 1.0 + 3.0 * rng.uniform(), eta: 0.80 + 0.2 * rng.uniform(), ..SOUND };
        let mut drive = car.drive([0.5, 1.0, 2.0][seed % 3], 600.0, seed as u64);
        let (a, b, phase) = (0.06 * rng.normal(), 0.05 * rng.normal(), 6.0 * rng.uniform());
        for (t, air) in &mut drive[2].2 {
            let (rpm, kpa, _) = road(*t);
            *air *= (a * (rpm / 2000.0).ln() + b * (kpa / 15.0 + phase).sin()).exp();
        }
        if seed % 2 == 0 {
            drive = with_absolute_load(&car, drive);
        }
        counts.count(&judged(&drive));
    }
    eprintln!("{counts:?} of 300");
    assert!(counts.faulty <= 1 && counts.healthy > 100, "{counts:?}");
}

#[test]
fn what_cannot_be_judged_is_said() {
    let drive = SOUND.drive(1.0, 900.0, 5);
    let without = |id: &str| drive.iter().filter(|signal| signal.0 != id).cloned().collect::<Drive>();
    for (signals, words) in [
        (without("intake.manifold_pressure"), "intake.manifold_pressure"),
        (without("engine.speed"), "engine.speed"),
        (SOUND.drive(1.0, 30.0, 5), "30 s each"),
    ] {
        let finding = judged(&signals);
        assert_eq!(finding.verdict, Verdict::Undecided);
        assert!(finding.next.iter().any(|next| next.contains(words)), "{finding:?}");
    }
    // Charged: 60 kPa more above 3000 rpm.
    let mut charged = drive.clone();
    for (t, kpa) in &mut charged[1].2 {
        *kpa += if road(*t).0 > 2500.0 { 60.0 } else { 0.0 };
    }
    let finding = judged(&charged);
    assert_eq!(finding.verdict, Verdict::Undecided);
    assert!(finding.statement.contains("charged"), "{finding:?}");
    assert!(findings(Kind::Airflow, &without("intake.air_flow")).is_empty());
}
