//! Detection against size and sampling rate, and false alarms: counted on cars and faults that know nothing of the checks.
//!
//! `cargo xtask detection` writes docs/detection.md; the plain test counts a small part and accuses nobody healthy.
#![allow(clippy::unwrap_used, unreachable_pub)]

#[path = "detection/car.rs"]
mod car;
mod common;
#[path = "detection/fault.rs"]
mod fault;
#[path = "detection/real.rs"]
mod real;
#[path = "detection/recorder.rs"]
mod recorder;
#[path = "detection/table.rs"]
mod table;

use car::Road;
use common::Rng;
use evidence::{Finding, Kind, Verdict};
use fault::Fault;
use recorder::Sampling;
use table::{Cell, Page};

const RATES_HZ: [f64; 6] = [2.0, 5.0, 10.0, 20.0, 50.0, 100.0];
const ROADS: [Road; 3] = [Road::Town, Road::Country, Road::Motorway];
const STEPS_KMH: [f64; 4] = [0.0, 0.0, 0.1, 1.0];
/// Length of a drive, seconds.
const SECONDS: f64 = 180.0;

/// Everything that is put in, by table and size.
const FAULTS: [Fault; 42] = [
    Fault::Zero(60.0),
    Fault::Zero(150.0),
    Fault::Zero(400.0),
    Fault::Stuck(1.0),
    Fault::Stuck(2.0),
    Fault::Stuck(3.0),
    Fault::Noise(0.5),
    Fault::Noise(1.0),
    Fault::Noise(2.0),
    Fault::Noise(4.0),
    Fault::Bursts(1.0),
    Fault::Bursts(2.0),
    Fault::Bursts(4.0),
    Fault::PedalNoise(1.0),
    Fault::PedalNoise(2.0),
    Fault::PedalNoise(4.0),
    Fault::Size(1.0),
    Fault::Size(2.0),
    Fault::Size(3.0),
    Fault::Size(5.0),
    Fault::Stretches(3.0),
    Fault::Stretches(6.0),
    Fault::Stretches(12.0),
    Fault::Late(0.1),
    Fault::Late(0.3),
    Fault::Late(1.0),
    Fault::Eccentric(0.3),
    Fault::Eccentric(1.0),
    Fault::Eccentric(3.0),
    Fault::Teeth(1.0),
    Fault::Teeth(3.0),
    Fault::SharpSpot(3.0),
    Fault::SharpSpot(5.0),
    Fault::SharpSpot(8.0),
    Fault::SoftSpot(3.0),
    Fault::SoftSpot(5.0),
    Fault::SoftSpot(8.0),
    Fault::Misfire(0.1),
    Fault::Misfire(0.3),
    Fault::Misfire(1.0),
    Fault::Misfire(3.0),
    Fault::Misfire(25.0),
];

/// One drive with a fault: what the checks made of the signal at fault, and of all others.
fn trial(page: &mut Page, fault: Fault, rate_hz: f64, seed: u64) {
    let mut rng = Rng(seed);
    let road = ROADS[(seed % 3) as usize];
    let mut drive = car::drive(road, SECONDS, &mut rng);
    let id = fault.put(&mut drive, &mut rng);
    let sampling = Sampling { rate_hz, wheel_step_kmh: STEPS_KMH[(seed / 3 % 4) as usize] };
    let recording = recorder::record(&drive.signals, sampling, &mut rng);
    let findings = evidence::examine(&recording);
    let what = format!("{fault:?}, {rate_hz} Hz, {road:?}, step {}, seed {seed}", sampling.wheel_step_kmh);
    page.count_healthy(&what, &findings, Some(&id));
    let (title, size) = fault.said();
    page.cell(title, &size, rate_hz).count(verdict_of(&findings, fault.kinds(), &id));
}

/// The strongest of what the checks in question say of a signal.
fn verdict_of(findings: &[Finding], kinds: &[Kind], id: &str) -> Option<Verdict> {
    let about = findings.iter().filter(|f| kinds.contains(&f.kind) && f.subject.iter().any(|s| s == id));
    let verdicts: Vec<Verdict> = about.map(|f| f.verdict).collect();
    [Verdict::Faulty, Verdict::Undecided, Verdict::Healthy].into_iter().find(|verdict| verdicts.contains(verdict))
}

/// A drive without any fault.
fn sound(page: &mut Page, rate_hz: f64, seed: u64) {
    let mut rng = Rng(seed);
    let road = ROADS[(seed % 3) as usize];
    let mut drive = car::drive(road, SECONDS, &mut rng);
    if seed.is_multiple_of(2) {
        // Sound engines misfire now and then: five times in a hundred thousand.
        let _ = Fault::Misfire(0.005).put(&mut drive, &mut rng);
    }
    let sampling = Sampling { rate_hz, wheel_step_kmh: STEPS_KMH[(seed / 3 % 4) as usize] };
    let recording = recorder::record(&drive.signals, sampling, &mut rng);
    let what = format!("sound, {rate_hz} Hz, {road:?}, step {}, seed {seed}", sampling.wheel_step_kmh);
    page.count_healthy(&what, &evidence::examine(&recording), None);
}

/// One more drive for every fault and rate, and `n_sound` without a fault for every rate.
fn fill(page: &mut Page, faults: &[Fault], rates_hz: &[f64], round: u64, n_sound: u64) {
    for (k, fault) in faults.iter().enumerate() {
        for (r, rate_hz) in rates_hz.iter().enumerate() {
            trial(page, *fault, *rate_hz, 1000 * (1 + k as u64) + 100 * r as u64 + round);
        }
    }
    for (r, rate_hz) in rates_hz.iter().enumerate() {
        for seed in 0..n_sound {
            sound(page, *rate_hz, 1_000_000 + 1000 * r as u64 + n_sound * round + seed);
        }
    }
}

#[test]
fn nobody_healthy_is_accused_in_a_small_part_of_the_table() {
    let mut page = Page::default();
    let faults = [Fault::Zero(150.0), Fault::Noise(2.0), Fault::Size(3.0), Fault::SharpSpot(8.0), Fault::Misfire(3.0)];
    for round in 0..2 {
        fill(&mut page, &faults, &[5.0, 20.0], round, 2);
    }
    assert_eq!(page.accused(), 0);
    let named: usize = page.cells().map(|cell: &Cell| cell.faulty).sum();
    assert!(named >= 10, "{named} of 20 named");
}

/// Exact limits for 0 and 5 of 10 (tables of the binomial distribution; 0 of n is 1 - 0.025^(1/n)).
#[test]
fn exact_intervals() {
    let near = |a: (f64, f64), b: (f64, f64)| (a.0 - b.0).abs() < 1e-4 && (a.1 - b.1).abs() < 1e-4;
    assert!(near(table::interval(0, 10), (0.0, 0.3085)), "{:?}", table::interval(0, 10));
    assert!(near(table::interval(5, 10), (0.1871, 0.8129)), "{:?}", table::interval(5, 10));
    assert!(near(table::interval(10, 10), (0.6915, 1.0)), "{:?}", table::interval(10, 10));
}

/// Six losses of 150 ms are pulses a third as large in what the other wheels are compared with.
#[test]
fn lost_values_of_one_wheel_are_no_ring_of_another() {
    let mut page = Page::default();
    for seed in [2309, 2300, 2303] {
        trial(&mut page, Fault::Zero(150.0), 20.0, seed);
    }
    assert_eq!(page.accused(), 0);
}

/// Writes the page; `DETECTION_TRIALS` drives per cell (default 12). With `DETECTION_ONLY` only the tables whose title
/// contains it are counted, and printed.
#[test]
#[ignore = "writes docs/detection.md: cargo xtask detection"]
fn write_the_table() {
    let n: u64 = std::env::var("DETECTION_TRIALS").ok().and_then(|text| text.parse().ok()).unwrap_or(12);
    let only = std::env::var("DETECTION_ONLY").ok();
    let is_wanted = |fault: &Fault| only.as_deref().is_none_or(|only| fault.said().0.contains(only));
    let faults: Vec<Fault> = FAULTS.into_iter().filter(is_wanted).collect();
    let (mut page, mut on_the_road) = (Page::default(), Page::default());
    real::as_they_are(&mut on_the_road);
    for round in 0..n {
        fill(&mut page, &faults, &RATES_HZ, round, if only.is_none() { 5 } else { 0 });
        real::fill(&mut on_the_road, &RATES_HZ, round, &is_wanted);
        eprintln!("round {} of {n}", round + 1);
        // After every round, so that a run that is broken off leaves what it counted.
        let text = table::written(&page, &on_the_road, &RATES_HZ, round + 1, SECONDS);
        if only.is_none() {
            let path = concat!(env!("CARGO_MANIFEST_DIR"), "/../../docs/detection.md");
            std::fs::write(path, text).unwrap();
        } else if round + 1 == n {
            println!("{text}");
        }
    }
}
