//! Detection against size and sampling rate, and false alarms: counted on cars and faults that know nothing of the checks.
//!
//! `cargo xtask detection` writes docs/detection.md; the plain test counts a small part and accuses nobody healthy.
#![allow(clippy::unwrap_used, unreachable_pub)]

#[path = "detection/car.rs"]
mod car;
mod common;
#[path = "detection/engine.rs"]
mod engine;
#[path = "detection/fault.rs"]
mod fault;
#[path = "detection/real.rs"]
mod real;
#[path = "detection/recorder.rs"]
mod recorder;
#[path = "detection/table.rs"]
mod table;
mod textbook;

use car::Road;
use common::Rng;
use engine::Trouble;
use evidence::{Finding, Kind, Verdict};
use fault::Fault;
use recorder::Sampling;
use table::{Cell, Page};

const RATES_HZ: [f64; 6] = [2.0, 5.0, 10.0, 20.0, 50.0, 100.0];
const ROADS: [Road; 3] = [Road::Town, Road::Country, Road::Motorway];
const STEPS_KMH: [f64; 4] = [0.0, 0.0, 0.1, 1.0];
/// Length of a drive, seconds.
const SECONDS: f64 = 180.0;

/// Everything that is put into wheels, pedals and counters, by table and size.
const FAULTS: [Fault; 50] = [
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
    Fault::TwoSizes(3.0),
    Fault::TwoSizes(6.0),
    Fault::Stretches(3.0),
    Fault::Stretches(6.0),
    Fault::Stretches(12.0),
    Fault::Late(0.05),
    Fault::Late(0.1),
    Fault::Late(0.2),
    Fault::Late(0.3),
    Fault::Late(1.0),
    Fault::Eccentric(0.3),
    Fault::Eccentric(1.0),
    Fault::Eccentric(3.0),
    Fault::Teeth(1.0),
    Fault::Teeth(3.0),
    Fault::SharpSpot(1.0),
    Fault::SharpSpot(2.0),
    Fault::SharpSpot(3.0),
    Fault::SharpSpot(5.0),
    Fault::SharpSpot(8.0),
    Fault::SoftSpot(1.0),
    Fault::SoftSpot(2.0),
    Fault::SoftSpot(3.0),
    Fault::SoftSpot(5.0),
    Fault::SoftSpot(8.0),
    Fault::Misfire(0.1),
    Fault::Misfire(0.3),
    Fault::Misfire(1.0),
    Fault::Misfire(3.0),
    Fault::Misfire(25.0),
];

/// Everything that is put into engines, batteries and outputs.
const TROUBLES: [Trouble; 25] = [
    Trouble::Leak(0.6),
    Trouble::Leak(1.2),
    Trouble::Leak(2.0),
    Trouble::Meter(15.0),
    Trouble::Meter(25.0),
    Trouble::Meter(40.0),
    Trouble::Starved(15.0),
    Trouble::Starved(30.0),
    Trouble::Starved(45.0),
    Trouble::Air(20.0),
    Trouble::Air(35.0),
    Trouble::Air(50.0),
    Trouble::Flat(0.2),
    Trouble::Flat(0.6),
    Trouble::Over(15.8),
    Trouble::Over(16.5),
    Trouble::Weak(9.0),
    Trouble::Weak(8.0),
    Trouble::Weak(7.0),
    Trouble::Open(20.0),
    Trouble::Open(50.0),
    Trouble::Open(100.0),
    Trouble::Dead(3.0),
    Trouble::Dead(5.0),
    Trouble::Dead(8.0),
];

/// One drive with a fault: what the checks made of the signal at fault, and of all others.
fn trial(page: &mut Page, fault: Fault, rate_hz: f64, seed: u64) {
    let mut rng = Rng(seed);
    let road = ROADS[(seed % 3) as usize];
    let mut drive = car::drive(road, SECONDS, &mut rng);
    let ids = fault.put(&mut drive, &mut rng);
    let sampling = Sampling { rate_hz, wheel_step_kmh: STEPS_KMH[(seed / 3 % 4) as usize] };
    let recording = recorder::record(&drive.signals, sampling, &mut rng);
    let findings = evidence::examine(&recording);
    let what = format!("{fault:?}, {rate_hz} Hz, {road:?}, step {}, seed {seed}", sampling.wheel_step_kmh);
    page.count_healthy(&what, &findings, &ids);
    let (title, size) = fault.said();
    page.cell(title, &size, rate_hz).count(verdict_of(&findings, fault.kinds(), &ids[0]));
}

/// One drive of an engine with a fault.
fn engine_trial(page: &mut Page, trouble: Trouble, rate_hz: f64, seed: u64) {
    let mut rng = Rng(seed);
    let (seconds, courses) = engine::drive(Some(trouble), &mut rng);
    let recording = recorder::record_courses(&courses, seconds, rate_hz, &mut rng);
    let findings = evidence::examine(&recording);
    page.count_healthy(&format!("{trouble:?}, {rate_hz} Hz, seed {seed}"), &findings, trouble.reaches());
    let ((title, size), (kind, subject)) = (trouble.said(), trouble.target());
    page.cell(title, &size, rate_hz).count(verdict_of(&findings, &[kind], subject));
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
    page.count_healthy(&what, &evidence::examine(&recording), &NOBODY);
    for (what, (seconds, courses)) in
        [("engine", engine::drive(None, &mut rng)), ("clutch", engine::clutch(4 + (seed % 5) as usize, true, &mut rng))]
    {
        let recording = recorder::record_courses(&courses, seconds, rate_hz, &mut rng);
        let what = format!("sound {what}, {rate_hz} Hz, seed {seed}");
        page.count_healthy(&what, &evidence::examine(&recording), &NOBODY);
    }
}

/// Signals at fault in a sound drive.
const NOBODY: [&str; 0] = [];

/// One more drive for every fault and rate, and `n_sound` without a fault for every rate.
fn fill(page: &mut Page, put: (&[Fault], &[Trouble]), rates_hz: &[f64], round: u64, n_sound: u64) {
    for (r, rate_hz) in rates_hz.iter().enumerate() {
        let seed = |k: usize| 1000 * (1 + k as u64) + 100 * r as u64 + round;
        put.0.iter().enumerate().for_each(|(k, fault)| trial(page, *fault, *rate_hz, seed(k)));
        put.1.iter().enumerate().for_each(|(k, trouble)| engine_trial(page, *trouble, *rate_hz, 500_000 + seed(k)));
        (0..n_sound).for_each(|k| sound(page, *rate_hz, 1_000_000 + 1000 * r as u64 + n_sound * round + k));
    }
}

#[test]
fn nobody_healthy_is_accused_in_a_small_part_of_the_table() {
    let mut page = Page::default();
    let faults = [Fault::Zero(150.0), Fault::Noise(2.0), Fault::Size(3.0), Fault::SharpSpot(8.0), Fault::Misfire(3.0)];
    let troubles = [Trouble::Leak(2.0), Trouble::Dead(8.0)];
    for round in 0..2 {
        fill(&mut page, (&faults, &troubles), &[5.0, 20.0], round, 1);
    }
    assert_eq!(page.accused(), 0);
    let named: usize = page.cells().map(|cell: &Cell| cell.faulty).sum();
    assert!(named >= 14, "{named} of 28 named");
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
    let is_wanted = |title: &str| only.as_deref().is_none_or(|only| title.contains(only));
    let faults: Vec<Fault> = FAULTS.into_iter().filter(|fault| is_wanted(fault.said().0)).collect();
    let troubles: Vec<Trouble> = TROUBLES.into_iter().filter(|trouble| is_wanted(trouble.said().0)).collect();
    let n_sound = if only.is_none() { 5 } else { 0 };
    let round = |round: u64| {
        let (mut page, mut on_the_road) = (Page::default(), Page::default());
        if round == 0 {
            real::as_they_are(&mut on_the_road);
        }
        fill(&mut page, (&faults, &troubles), &RATES_HZ, round, n_sound);
        real::fill(&mut on_the_road, &RATES_HZ, round, &|fault| is_wanted(fault.said().0));
        eprintln!("round {} of {n}", round + 1);
        (page, on_the_road)
    };
    // Rounds do not know of each other: as many at a time as the machine has processors.
    let next = std::sync::atomic::AtomicU64::new(0);
    let take = || Some(next.fetch_add(1, std::sync::atomic::Ordering::Relaxed)).filter(|round| *round < n);
    let worker = || std::iter::from_fn(take).map(round).collect::<Vec<_>>();
    let n_workers = std::thread::available_parallelism().map_or(1, usize::from);
    let pages = std::thread::scope(|scope| {
        let workers: Vec<_> = (0..n_workers).map(|_| scope.spawn(worker)).collect();
        workers.into_iter().flat_map(|worker| worker.join().unwrap()).collect::<Vec<_>>()
    });
    let (mut page, mut on_the_road) = (Page::default(), Page::default());
    for (of_round, real) in pages {
        page.add(of_round);
        on_the_road.add(real);
    }
    let text = table::written(&page, &on_the_road, &RATES_HZ, n, SECONDS);
    if only.is_some() {
        println!("{text}");
        return;
    }
    std::fs::write(concat!(env!("CARGO_MANIFEST_DIR"), "/../../docs/detection.md"), text).unwrap();
}
