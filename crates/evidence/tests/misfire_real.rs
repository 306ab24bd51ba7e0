//! `misfire` on the engine speeds of real drives with counters drawn firing by firing: nobody healthy is accused, and who
//! misses is found.
//!
//! The drives: KIT OBD (CC BY 4.0) and an asynchronous OBD log (MIT), both of healthy cars with diesel engines that have no
//! misfire counters; each test skips where they are absent. Every signal is renewed about once a second.
#![allow(clippy::unwrap_used)]

mod common;

use common::{Rng, Samples, assert_consistent, examined, long, open_data, recording};
use evidence::{Finding, Kind, Verdict};

type Signals = Vec<(&'static str, &'static str, Samples)>;

fn drives() -> Vec<(&'static str, Signals)> {
    let kit = [
        ("engine_speed_rpm", "engine.speed", "rpm"),
        ("manifold_pressure_kpa", "intake.manifold_pressure", "kPa"),
        ("coolant_temp_c", "coolant.temperature", "degC"),
        ("accel_pedal_d_pct", "pedal.position_1", "%"),
    ];
    // The second drive of this set shows engine speeds of up to 15,000 rpm and is left out.
    let other = [("engine_speed", "engine.speed", "rpm")];
    let mut drives: Vec<(&str, Signals)> = Vec::new();
    for name in ["d1_cold_start_warmup", "d2_traffic_jam", "d3_acceleration_runs", "d4_motorway", "d5_recording_gap"] {
        drives.extend(open_data(&format!("kit_obd/{name}_samples.csv.gz")).map(|text| (name, long(&text, &kit))));
    }
    drives.extend(open_data("obd_async_diesel/drive_d1.csv.gz").map(|text| ("drive_d1", long(&text, &other))));
    drives
}

/// What a signal shows at a moment.
fn at(samples: &Samples, t: f64) -> f64 {
    samples[samples.partition_point(|sample| sample.0 <= t).saturating_sub(1)].1
}

/// Counters of four cylinders, read `rate_hz` times a second, in a drive in which each firing is missed by `chance` (cylinder, rpm, pedal
/// or load, seconds).
fn with_counters(
    signals: &Signals,
    seed: u64,
    rate_hz: f64,
    chance: &dyn Fn(usize, f64, f64, f64) -> f64,
) -> (Vec<Finding>, [u64; 4]) {
    let mut rng = Rng(seed);
    let (speed, load) = (&signals[0].2, &signals[signals.len() - 1].2);
    let (from, to) = (speed[0].0, speed[speed.len() - 1].0);
    let mut counts: Vec<Samples> = vec![Vec::new(); 4];
    let (mut misses, mut angle, mut next) = ([0_u64; 4], 0.0, from);
    let dt = 0.1;
    for k in 0..((to - from) / dt) as usize {
        let t = from + k as f64 * dt;
        let (rpm, load) = (at(speed, t), at(load, t));
        angle += rpm * dt / 120.0;
        while angle >= 1.0 {
            angle -= 1.0;
            for (cylinder, misses) in misses.iter_mut().enumerate() {
                *misses += u64::from(rng.uniform() < chance(cylinder, rpm, load, t));
            }
        }
        if t >= next {
            counts.iter_mut().zip(misses).for_each(|(counts, misses)| counts.push((t, misses as f64)));
            next += 1.0 / rate_hz;
        }
    }
    let names: Vec<String> = (1..=4).map(|n| format!("misfire.cylinder_{n}")).collect();
    let mut all: Vec<(&str, &str, Samples)> = signals.iter().map(|(id, unit, s)| (*id, *unit, s.clone())).collect();
    all.extend(names.iter().zip(counts).map(|(name, counts)| (name.as_str(), "count", counts)));
    let findings = examined(Kind::Misfire, &recording(&all));
    assert_consistent(&findings);
    (findings, misses)
}

#[test]
fn nobody_healthy_is_accused() {
    let (mut accused, mut healthy, mut n) = (0, 0, 0);
    for (name, signals) in drives() {
        for seed in 0..24 {
            // Occasional counts, the same on all cylinders, or a rough road every few minutes.
            let rate = [0.0, 1e-5, 1e-4, 5e-4][seed as usize % 4];
            let is_rough = seed % 3 == 0;
            let chance = |_, _, _, t: f64| if is_rough && t % 211.0 < 8.0 { 0.05 } else { rate };
            for finding in with_counters(&signals, seed, [0.3, 1.0, 5.0][seed as usize % 3], &chance).0 {
                n += 1;
                healthy += usize::from(finding.verdict == Verdict::Healthy);
                if finding.verdict == Verdict::Faulty {
                    accused += 1;
                    eprintln!("{name} {seed}: {}", finding.statement);
                }
            }
        }
    }
    eprintln!("healthy cylinders: {n}, accused {accused}, called healthy {healthy}");
    assert!(accused * 100 <= n, "{accused} of {n} healthy cylinders are accused");
}

#[test]
fn who_misses_is_found() {
    let mut n_drives = 0;
    for rate in [0.005, 0.01, 0.03, 0.1] {
        let (mut found, mut wrong, mut n, mut n_few) = (0, 0, 0, 0);
        for (name, signals) in drives() {
            n_drives += 1;
            for seed in 0..8 {
                let (bad, in_region) = (seed as usize % 4, seed / 4 % 2 == 0);
                let chance = |cylinder: usize, rpm: f64, _: f64, _: f64| {
                    if cylinder == bad && (!in_region || rpm > 1800.0) { rate } else { 1e-5 }
                };
                let (findings, misses) = with_counters(&signals, 100 + seed, [1.0, 4.0][seed as usize % 2], &chance);
                wrong += findings
                    .iter()
                    .enumerate()
                    .filter(|(k, finding)| *k != bad && finding.verdict == Verdict::Faulty)
                    .count();
                if misses[bad] < 30 {
                    n_few += 1;
                    continue;
                }
                n += 1;
                found += usize::from(findings[bad].verdict == Verdict::Faulty);
                assert_ne!(findings[bad].verdict, Verdict::Healthy, "{name} {seed}: {:?}", findings[bad]);
            }
        }
        eprintln!(
            "missing {:.1} % of its firings: found {found} of {n} with 30 misses or more ({n_few} with fewer), others accused {wrong}",
            100.0 * rate
        );
        assert_eq!(wrong, 0);
        assert!(rate < 0.008 || found * 20 >= n * 19, "{rate}: {found} of {n}");
    }
    if n_drives == 0 {
        eprintln!("skipped: no open drive is in ../shared/data");
    }
}
