//! `command` on textbook responses, and on real relay tests of a traction battery.
//!
//! The relay tests: battery relay logs over UDS (CC0 1.0); skipped where they are absent.
#![allow(clippy::unwrap_used)]

mod common;

use common::{Rng, Samples, about, assert_consistent, examined, open_data, recording, sampled};
use evidence::{Finding, Kind, Verdict};
use signal::{Mark, Recording, nanos_from_seconds};

/// Switching times at uneven intervals of 10 to 20 s, beginning with "on".
fn uneven(n_cycles: usize, seed: u64) -> Vec<f64> {
    let mut rng = Rng(seed);
    let mut t = 15.0;
    (0..2 * n_cycles)
        .map(|_| {
            t += 10.0 + 10.0 * rng.uniform();
            t
        })
        .collect()
}

/// How far an output is on at a moment, when it answers `delay_s` later with a time constant of `tau_s`.
fn answered(edges: &[f64], t: f64, delay_s: f64, tau_s: f64) -> f64 {
    let mut level = 0.0;
    for (k, edge) in edges.iter().enumerate() {
        let until = edges.get(k + 1).map_or(f64::INFINITY, |next| next + delay_s).min(t);
        let since = until - edge - delay_s;
        if since > 0.0 {
            let goal = if k % 2 == 0 { 1.0 } else { 0.0 };
            level = goal + (level - goal) * (-since / tau_s).exp();
        }
    }
    level
}

fn is_on(edges: &[f64], t: f64) -> f64 {
    (edges.iter().filter(|edge| **edge <= t).count() % 2) as f64
}

type Drive = Vec<(&'static str, &'static str, Samples)>;

/// An idling engine whose air conditioning is switched; `raise_kpa` is what the compressor does.
fn air_conditioning(edges: &[f64], rate_hz: f64, raise_kpa: f64, delay_s: f64) -> Drive {
    let seconds = edges.last().unwrap() + 30.0;
    let mut rng = Rng(4);
    let mut noise = |by: f64| by * rng.normal();
    vec![
        ("ac.clutch", "1", sampled(rate_hz, seconds, 1.0, |t| is_on(edges, t))),
        (
            "ac.pressure",
            "kPa",
            // The fan cycles by itself every 23 s and takes 40 kPa.
            sampled(rate_hz, seconds, 1.0, |t| {
                700.0 + raise_kpa * answered(edges, t, delay_s, 0.7) - 40.0 * (t / 11.5).sin().max(0.0) + noise(5.0)
            }),
        ),
        ("engine.speed", "rpm", sampled(rate_hz, seconds, 0.25, |t| 780.0 + 25.0 * (t * 1.1).sin() + noise(8.0))),
        ("engine.load", "%", sampled(rate_hz, seconds, 0.392, |t| 22.0 + 0.5 * (t * 0.7).sin() + noise(0.8))),
        ("vehicle.speed", "km/h", sampled(rate_hz, seconds, 1.0, |_| 0.0)),
    ]
}

fn judged(signals: &Drive) -> Finding {
    let found = examined(Kind::Command, &recording(signals));
    assert_consistent(&found);
    about(&found, "ac.clutch").clone()
}

#[test]
fn a_compressor_that_works_is_healthy_with_its_delay() {
    for rate_hz in [0.5, 2.0, 10.0, 50.0] {
        let finding = judged(&air_conditioning(&uneven(6, 1), rate_hz, 500.0, 0.4));
        assert_eq!(finding.verdict, Verdict::Healthy, "{rate_hz} Hz: {finding:?}");
        assert!(finding.statement.contains("ac.pressure"), "{finding:?}");
        if rate_hz >= 10.0 {
            // Half of an exponential is reached after the delay and 0.7 time constants.
            let true_delay = 0.4 + 0.7 * 2_f64.ln();
            assert!((finding.figures["delay_s"] - true_delay).abs() < 0.3, "{rate_hz} Hz: {finding:?}");
            assert!((finding.figures["size"] - 500.0).abs() < 60.0, "{rate_hz} Hz: {finding:?}");
        }
    }
}

/// A first-order response that needs five seconds for 63 % never arrives within a window of 4 to 6 s.
#[test]
fn a_response_that_has_not_arrived_is_given_as_at_least() {
    let edges = uneven(6, 1);
    let settled = judged(&air_conditioning(&edges, 20.0, 500.0, 0.4));
    assert!(settled.figures["still_on_its_way"] == 0.0 && !settled.statement.contains("at least"), "{settled:?}");
    let mut signals = air_conditioning(&edges, 20.0, 500.0, 0.4);
    let mut rng = Rng(9);
    signals[1].2 = sampled(20.0, edges.last().unwrap() + 30.0, 1.0, |t| {
        700.0 + 500.0 * answered(&edges, t, 0.4, 5.0) + rng.normal()
    });
    let slow = judged(&signals);
    assert_eq!(slow.verdict, Verdict::Healthy, "{slow:?}");
    assert!(slow.figures["still_on_its_way"] == 1.0 && slow.figures["size"] < 500.0, "{slow:?}");
    assert!(slow.statement.contains("at least") && slow.statement.contains("half of that"), "{slow:?}");
}

#[test]
fn a_compressor_that_does_nothing_is_found() {
    for rate_hz in [1.0, 2.0, 10.0, 50.0] {
        let finding = judged(&air_conditioning(&uneven(6, 1), rate_hz, 0.0, 0.4));
        assert_eq!(finding.verdict, Verdict::Faulty, "{rate_hz} Hz: {finding:?}");
        assert!(finding.next.iter().any(|next| next.contains("clutch current")), "{finding:?}");
    }
}

#[test]
fn too_little_is_undecided_and_says_how_many_more_cycles() {
    for raise_kpa in [0.0, 500.0] {
        let finding = judged(&air_conditioning(&uneven(1, 1), 10.0, raise_kpa, 0.4));
        assert_eq!(finding.verdict, Verdict::Undecided, "{finding:?}");
        assert!(finding.next[0].contains("4 more times"), "{finding:?}");
    }
    let mut drive = air_conditioning(&uneven(6, 1), 10.0, 500.0, 0.4);
    for sample in &mut drive[0].2 {
        sample.1 = 1.0;
    }
    let finding = judged(&drive);
    assert_eq!(finding.verdict, Verdict::Undecided);
    assert!(finding.statement.contains("not switched"), "{finding:?}");
    // Nothing else recorded.
    let finding = judged(&air_conditioning(&uneven(6, 1), 10.0, 500.0, 0.4)[..1].to_vec());
    assert_eq!(finding.verdict, Verdict::Undecided);
    assert!(finding.next[0].contains("Record a signal"), "{finding:?}");
    // Tapped: presses of 50 ms leave nothing to look at, and no sampling rate helps.
    let tapped: Vec<f64> = (0..12).map(|k| 5.0 + 0.05 * f64::from(k)).collect();
    let finding = judged(&air_conditioning(&tapped, 50.0, 500.0, 0.4));
    assert_eq!(finding.verdict, Verdict::Undecided);
    assert!(finding.next[0].contains("10 to 20 s") && !finding.next[0].contains("0.0 s"), "{finding:?}");
    // The engine stood: a compressor cannot turn.
    let mut standing = air_conditioning(&uneven(6, 1), 10.0, 0.0, 0.4);
    for sample in &mut standing[2].2 {
        sample.1 = 0.0;
    }
    assert_eq!(judged(&standing).verdict, Verdict::Undecided);
    assert!(examined(Kind::Command, &recording(&drive[1..])).is_empty());
}

fn marked(drive: &Drive, edges: &[f64]) -> Recording {
    let mut recording = recording(drive);
    let text = |k: usize| if k.is_multiple_of(2) { "lamp on".to_owned() } else { "lamp off".to_owned() };
    recording.marks =
        edges.iter().enumerate().map(|(k, t)| Mark { t_ns: nanos_from_seconds(*t), text: text(k) }).collect();
    recording
}

/// Marks without any response, among signals that swing, drift and cycle by themselves: a false "it works" in at most 1 %.
#[test]
fn nothing_responds_to_chance() {
    let mut n_healthy = 0;
    for seed in 0..200 {
        let edges = uneven(5, seed);
        let mut rng = Rng(seed + 1000);
        let seconds = edges.last().unwrap() + 30.0;
        let (a, b, c) = (rng.uniform(), rng.uniform(), rng.uniform());
        let mut walk = 0.0;
        let drive: Drive = vec![
            ("engine.speed", "rpm", sampled(5.0, seconds, 0.25, |t| 780.0 + 30.0 * (t * (0.2 + a) + b).sin())),
            // A fan that cycles by itself with a period near that of the command.
            (
                "battery.voltage",
                "V",
                sampled(5.0, seconds, 0.1, |t| 14.0 - 0.6 * f64::from(u8::from((t / (25.0 + 10.0 * c)).fract() < 0.5))),
            ),
            ("coolant.temperature", "degC", sampled(1.0, seconds, 1.0, |t| 80.0 + t / 20.0)),
            (
                "engine.load",
                "%",
                sampled(5.0, seconds, 0.392, |_| {
                    walk += rng.normal();
                    30.0 + 0.3 * walk
                }),
            ),
        ];
        let found = examined(Kind::Command, &marked(&drive, &edges));
        assert_consistent(&found);
        assert_ne!(found[0].verdict, Verdict::Faulty, "{found:?}");
        n_healthy += usize::from(found[0].verdict == Verdict::Healthy);
    }
    eprintln!("{n_healthy} of 200 false responses");
    assert!(n_healthy <= 2, "{n_healthy}");
}

#[test]
fn marks_work_as_commands() {
    let edges = uneven(6, 5);
    let drive: Drive = vec![(
        "battery.voltage",
        "V",
        sampled(5.0, edges.last().unwrap() + 30.0, 0.01, |t| {
            14.2 - 0.2 * answered(&edges, t, 0.1, 0.1) + 0.05 * (t * 0.9).sin()
        }),
    )];
    let found = examined(Kind::Command, &marked(&drive, &edges));
    assert_eq!(about(&found, "lamp").verdict, Verdict::Healthy, "{found:?}");
    assert!((about(&found, "lamp").figures["size"] + 0.2).abs() < 0.03, "{found:?}");
}

/// Every byte of every frame as a signal; the relay's requests `2F F0 xx 03` and `2F F0 xx 00` as marks.
fn relay_log(name: &str) -> Option<Recording> {
    let text = open_data(&format!("ev_battery_uds/{name}.log.gz"))?;
    let mut signals: std::collections::BTreeMap<String, Samples> = std::collections::BTreeMap::new();
    let mut marks = Vec::new();
    let mut first = None;
    for line in text.lines() {
        let mut words = line.split_whitespace();
        let (Some(stamp), Some(frame)) = (words.next(), words.nth(1)) else { continue };
        let stamp: f64 = stamp.trim_matches(['(', ')']).parse().unwrap();
        let t = stamp - *first.get_or_insert(stamp);
        let (id, data) = frame.split_once('#').unwrap();
        let bytes: Vec<u8> =
            (0..data.len() / 2).map(|k| u8::from_str_radix(&data[2 * k..2 * k + 2], 16).unwrap()).collect();
        if id == "7E4" || id == "7EC" {
            if bytes[1..4] == [0x2F, 0xF0, bytes[3]] && id == "7E4" {
                let text = if bytes[4] == 3 { "relay on" } else { "relay off" };
                marks.push(Mark { t_ns: nanos_from_seconds(t), text: text.into() });
            }
            continue;
        }
        for (k, byte) in bytes.iter().enumerate() {
            signals.entry(format!("custom.{id}_{k}")).or_default().push((t, f64::from(*byte)));
        }
    }
    let mut recording = recording(&signals.iter().map(|(id, s)| (id.as_str(), "1", s.clone())).collect::<Vec<_>>());
    recording.marks = marks;
    Some(recording)
}

#[test]
fn one_real_relay_cycle_is_no_proof() {
    for name in ["close_main_relay_plus", "close_precharge_relay"] {
        let Some(recording) = relay_log(name) else { return };
        assert_eq!(recording.marks.len(), 2, "{name}");
        let found = examined(Kind::Command, &recording);
        assert_consistent(&found);
        let finding = about(&found, "relay");
        eprintln!("{name}: {}", finding.statement);
        assert_eq!(finding.verdict, Verdict::Undecided, "{finding:?}");
        assert!(finding.next[0].contains("more times"), "{finding:?}");
    }
}

#[test]
fn in_a_real_idle_log_nothing_responds_to_marks() {
    let Some(mut recording) = relay_log("idle_tester_present_30s") else { return };
    assert!(recording.marks.is_empty());
    let mut n_healthy = 0;
    for seed in 0..20 {
        let mut rng = Rng(seed);
        let mut t = 1.0;
        let mut edges = Vec::new();
        while t < 28.0 {
            edges.push(t);
            t += 1.5 + 2.0 * rng.uniform();
        }
        let text = |k: usize| if k.is_multiple_of(2) { "on".to_owned() } else { "off".to_owned() };
        recording.marks =
            edges.iter().enumerate().map(|(k, t)| Mark { t_ns: nanos_from_seconds(*t), text: text(k) }).collect();
        let found = examined(Kind::Command, &recording);
        assert_ne!(found[0].verdict, Verdict::Faulty);
        n_healthy += usize::from(found[0].verdict == Verdict::Healthy);
    }
    eprintln!("{n_healthy} of 20 false responses in the idle log");
    assert_eq!(n_healthy, 0);
}

/// Evenly spaced commands, as a bench does them: a clear response still counts.
#[test]
fn even_spacing_needs_a_perfect_response() {
    let edges: Vec<f64> = (0..12).map(|k| 20.0 + 10.0 * f64::from(k)).collect();
    let finding = judged(&air_conditioning(&edges, 10.0, 500.0, 0.4));
    assert_eq!(finding.verdict, Verdict::Healthy, "{finding:?}");
}

/// Five cycles whose times differ little fit nearly as well a little later; that the pressure answers each time counts.
#[test]
fn five_nearly_even_cycles_of_a_clutch_that_works_are_healthy() {
    for seed in 1..9 {
        let mut rng = Rng(seed);
        let mut t = 15.0;
        let edges: Vec<f64> = (0..10)
            .map(|_| {
                t += 10.0 + 4.0 * rng.uniform();
                t
            })
            .collect();
        for rate_hz in [1.0, 2.0, 10.0] {
            let finding = judged(&air_conditioning(&edges, rate_hz, 500.0, 0.4));
            assert_eq!(finding.verdict, Verdict::Healthy, "{rate_hz} Hz, seed {seed}: {finding:?}");
        }
    }
}
