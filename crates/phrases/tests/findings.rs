//! What the checks say of small made-up drives, sound and broken, in every form that these drives bring out: none of it
//! stays in English.
#![allow(clippy::unwrap_used)]

#[path = "../../evidence/tests/common/mod.rs"]
mod common;
#[path = "../../evidence/tests/textbook/mod.rs"]
mod textbook;

use std::collections::{BTreeMap, BTreeSet};

use common::{Rng, Samples, WHEELS, recording, sampled};
use evidence::misfire::{Condition, MisfireFrame, beside_freeze_frames};
use evidence::{Finding, Verdict};
use phrases::spanish;
use signal::{Mark, nanos_from_seconds};
use textbook::{Car, SOUND, road, swallowed_g_s};

type Drive = Vec<(&'static str, &'static str, Samples)>;

/// What was found, and in what it stays English.
#[derive(Default)]
struct Told {
    verdicts: BTreeSet<(String, String)>,
    texts: Vec<String>,
    untold: BTreeMap<String, String>,
}

impl Told {
    fn take(&mut self, found: &[Finding]) {
        for finding in found {
            self.verdicts.insert((finding.kind.to_string(), finding.verdict.to_string()));
            for text in [&finding.statement].into_iter().chain(&finding.alternatives).chain(&finding.next) {
                self.texts.push(text.clone());
                if spanish().said(text).is_none() {
                    self.untold.insert(text.clone(), finding.kind.to_string());
                }
            }
        }
    }

    fn drive(&mut self, drive: &Drive) {
        self.take(&evidence::examine(&recording(drive)));
    }

    /// The drive, the same cut short, and the same without each of its signals.
    fn drive_in_parts(&mut self, drive: &Drive) {
        self.drive(drive);
        for seconds in [0.15, 3.0, 40.0] {
            self.drive(&changed(drive, |_, samples| samples.retain(|(t, _)| *t < seconds)));
        }
        for (left_out, ..) in drive {
            self.drive(&drive.iter().filter(|(id, ..)| id != left_out).cloned().collect());
        }
    }
}

fn changed(drive: &Drive, change: impl Fn(&str, &mut Samples)) -> Drive {
    let mut drive = drive.clone();
    for (id, _, samples) in &mut drive {
        change(id, samples);
    }
    drive
}

fn with(drive: &Drive, wanted: &str, value: impl Fn(f64, f64) -> f64) -> Drive {
    changed(drive, |id, samples| {
        if id == wanted {
            samples.iter_mut().for_each(|(t, v)| *v = value(*t, *v));
        }
    })
}

/// Wheels that roll at this speed, 20 times a second, with a turn now and then.
fn wheels(seconds: f64, kmh: impl Fn(f64) -> f64) -> Drive {
    let mut rng = Rng(3);
    let turn = |t: f64| 0.03 * (t / 9.0).sin().powi(3);
    let each = WHEELS.into_iter().enumerate().map(|(wheel, id)| {
        let side = if wheel % 2 == 0 { -1.0 } else { 1.0 };
        let speed = |t: f64| kmh(t) * (1.0 + side * turn(t)) + 0.03 * rng.normal();
        (id, "km/h", sampled(20.0, seconds, 0.01, speed))
    });
    let mut all: Drive = each.collect();
    all.push(("yaw.rate", "deg/s", sampled(20.0, seconds, 0.01, |t| kmh(t) / 3.6 * 2.0 * turn(t) / 1.5 * 57.3)));
    all
}

/// Two tracks each of a pedal and a throttle that move through their whole travel.
fn tracks(seconds: f64) -> Drive {
    let foot = |t: f64| 50.0 - 48.0 * (t / 2.5).cos() + 1.5 * (t * 1.7).sin();
    vec![
        ("pedal.position_1", "%", sampled(20.0, seconds, 0.1, foot)),
        ("pedal.position_2", "%", sampled(20.0, seconds, 0.1, |t| 0.5 * foot(t) + 3.0)),
        ("throttle.position_1", "%", sampled(20.0, seconds, 0.1, |t| 0.8 * foot(t) + 8.0)),
        ("throttle.position_2", "%", sampled(20.0, seconds, 0.1, |t| 92.0 - 0.8 * foot(t))),
    ]
}

/// An engine on a road that repeats, with its battery.
fn engine(car: &Car) -> Drive {
    let mut drive = car.drive(2.0, 600.0, 5);
    let mut rng = Rng(6);
    drive.push(("battery.voltage", "V", sampled(5.0, 600.0, 0.01, |_| 14.2 + 0.02 * rng.normal())));
    drive.push(("engine.load", "%", sampled(2.0, 600.0, 0.4, |t| road(t).1 * 0.9)));
    drive
}

#[test]
fn what_is_found_on_the_wheels() {
    let mut told = Told::default();
    let sound = wheels(120.0, |t| 55.0 + 25.0 * (t / 15.0).sin());
    told.drive_in_parts(&sound);
    for size in [0.985, 0.97, 0.93, 0.5, 1.01, 1.04] {
        told.drive(&with(&sound, WHEELS[2], |_, v| v * size));
    }
    told.drive(&with(&sound, WHEELS[1], |_, v| v - 1.5));
    told.drive(&with(&sound, WHEELS[1], |_, v| v + 1.5));
    for (first, second) in [(0, 1), (0, 2), (1, 3)] {
        told.drive(&with(&with(&sound, WHEELS[first], |_, v| v * 1.03), WHEELS[second], |_, v| v * 1.03));
    }
    // Columns that were mixed up: of one axle, of both.
    let exchanged = |drive: &Drive, first: usize, second: usize| {
        let mut drive = drive.clone();
        (drive[first].2, drive[second].2) = (drive[second].2.clone(), drive[first].2.clone());
        drive
    };
    let one_axle = exchanged(&sound, 0, 1);
    told.drive(&one_axle);
    told.drive(&exchanged(&one_axle, 2, 3));
    // A recorder that is slow, in coarse steps, or has two wheels only.
    let slow = changed(&sound, |_, samples| {
        let mut k = 0;
        samples.retain(|_| {
            k += 1;
            k % 20 == 0
        });
        samples.iter_mut().for_each(|(_, v)| *v = v.round());
    });
    told.drive(&slow);
    told.drive(&with(&slow, WHEELS[2], |_, v| v * 0.97));
    for size in [0.99, 0.98, 0.96, 0.9] {
        told.drive(&with(&sound, WHEELS[0], |_, v| v * size).into_iter().take(2).collect());
        told.drive(&with(&sound, WHEELS[2], |_, v| v * size).into_iter().take(3).collect());
    }
    told.drive(&with(&sound, WHEELS[0], |t, v| if (t / 20.0) as i64 % 3 == 1 { v * 0.94 } else { v }));
    told.drive(&with(&sound, WHEELS[0], |t, v| if t > 60.0 { v * 0.97 } else { v }));
    told.drive(&with(&with(&sound, WHEELS[0], |_, v| v * 0.97), WHEELS[1], |_, v| v * 0.97));
    told.drive(&changed(&sound, |id, samples| {
        let late = if id == WHEELS[3] { 0.6 } else { 0.0 };
        samples.iter_mut().for_each(|(t, _)| *t += late);
    }));
    // An error once per turn of 2 m: of one wheel, of two, of a damaged tooth, of a sensor that hums, of a bent wheel.
    let steady = wheels(120.0, |t| 45.0 + 15.0 * (t / 15.0).sin());
    let turns = |t: f64| (45.0 * t - 225.0 * ((t / 15.0).cos() - 1.0)) / 3.6 / 2.0;
    let wave = move |t: f64| (std::f64::consts::TAU * turns(t)).sin();
    let ringing = |size: f64| with(&steady, WHEELS[3], move |t, v| v * (1.0 + size * wave(t)));
    for size in [0.004, 0.008, 0.02, 0.05] {
        told.drive(&ringing(size));
    }
    told.drive(&with(&ringing(0.03), WHEELS[1], |t, v| v * (1.0 + 0.03 * wave(t))));
    told.drive(&with(&steady, WHEELS[3], |t, v| if turns(t).fract() < 0.06 { v * 0.85 } else { v }));
    told.drive(&WHEELS.into_iter().fold(steady.clone(), |all, id| with(&all, id, |t, v| v * (1.0 + 0.03 * wave(t)))));
    for hz in [2.4, 6.2, 9.0] {
        told.drive(&with(&steady, WHEELS[3], |t, v| v * (1.0 + 0.02 * (t * hz * std::f64::consts::TAU).sin())));
    }
    told.drive(&with(&steady, WHEELS[3], |t, v| v * (1.0 + 0.02 * (v / 45.0).powi(2) * wave(t))));
    told.drive(&ringing(0.03).into_iter().filter(|(id, ..)| *id == WHEELS[3]).collect());
    told.drive(&wheels(60.0, |_| 4.0));
    assert!(told.untold.is_empty(), "{:#?}", told.untold);
    assert!(told.texts.len() > 500, "{}", told.texts.len());
    for kind in ["odd-wheel", "wheel-size", "tone-ring"] {
        all_verdicts(&told, kind);
    }
}

#[test]
fn what_is_found_in_single_signals_and_pairs() {
    let mut told = Told::default();
    let mut sound = tracks(90.0);
    sound.extend(wheels(90.0, |t| 50.0 + 10.0 * (t / 12.0).sin()).into_iter().take(3));
    sound.push(("engine.speed", "rpm", sampled(20.0, 90.0, 1.0, |t| 2000.0 + 500.0 * (t / 4.0).sin())));
    sound.push(("custom.dial", "", sampled(20.0, 90.0, 0.01, |t| (t / 3.0).sin())));
    told.drive_in_parts(&sound);
    let ids: Vec<&str> = sound.iter().map(|(id, ..)| *id).collect();
    for id in ids {
        let mut rng = Rng(8);
        let noise: Vec<f64> = (0..2000).map(|_| rng.normal()).collect();
        let at = |t: f64| noise[(t * 20.0) as usize % noise.len()];
        told.drive(&with(&sound, id, |t, v| if (30.0..30.3).contains(&t) { 0.0 } else { v }));
        told.drive(&with(&sound, id, |t, v| if t.rem_euclid(20.0) < 0.2 { 0.0 } else { v }));
        told.drive(&with(&sound, id, |t, v| if t.rem_euclid(20.0) < 0.2 { v * 1.4 + 9.0 } else { v }));
        told.drive(&with(&sound, id, |_, _| 17.0));
        told.drive(&with(&sound, id, |t, v| v + 2.0 * at(t)));
        told.drive(&with(&sound, id, |t, v| if t > 60.0 { v + 3.0 * at(t) } else { v }));
        told.drive(&with(&sound, id, |t, v| if (50.0..54.0).contains(&t) { v + 3.0 * at(t) } else { v }));
        told.drive(&with(&sound, id, |t, _| 40.0 * at(t)));
        let held = |t: f64| sound.iter().find(|it| it.0 == id).and_then(|it| it.2.iter().find(|s| s.0 >= t));
        let stuck: Vec<f64> = [20.0, 45.0, 70.0].iter().filter_map(|t| Some(held(*t)?.1)).collect();
        told.drive(&with(&sound, id, |t, v| match t {
            20.0..22.0 => stuck[0],
            45.0..47.0 => stuck[1],
            70.0..72.0 => stuck[2],
            _ => v,
        }));
        told.drive(&changed(&sound, |other, samples| {
            if other == id {
                samples.retain(|(t, _)| (t * 20.0) as i64 % 12 == 0);
            }
        }));
    }
    let worn = |depth: f64| {
        with(&sound, "pedal.position_2", move |_, v| if (20.0..24.0).contains(&v) { v + depth } else { v })
    };
    for depth in [-0.4, -0.9, -1.5, -3.0, 4.0] {
        told.drive(&worn(depth));
    }
    for (bend, step) in [(40.0, 0.1), (10.0, 0.1), (3.0, 0.1)] {
        told.drive(&with(&sound, "pedal.position_2", |_, v| ((v - 28.0) * (v - 28.0) / bend / step).round() * step));
    }
    // A track that sticks once or often, one that never moves, and one that is off from a moment on or for a time.
    let pedal: Drive = tracks(240.0).into_iter().filter(|(id, ..)| id.starts_with("pedal")).collect();
    let sticks = |stretches: &[(f64, f64)]| {
        changed(&pedal, |id, samples| {
            for (from_s, to_s) in stretches.iter().filter(|_| id == "pedal.position_2") {
                *samples = common::lost(samples, *from_s, *to_s, |_, good| good);
            }
        })
    };
    told.drive(&sticks(&[(40.0, 130.0)]));
    told.drive(&sticks(&[(40.0, 55.0), (100.0, 115.0), (160.0, 175.0)]));
    told.drive(&with(&sound, "throttle.position_2", |_, _| 17.0));
    for (from, to) in [(90.0, 999.0), (70.0, 160.0)] {
        for (gain, off) in [(1.0, 4.0), (1.25, 0.0)] {
            let is_off = |t: f64| (from..to).contains(&t);
            told.drive(&with(&pedal, "pedal.position_2", |t, v| if is_off(t) { gain * v + off } else { v }));
        }
    }
    let mut odd = with(&pedal, "pedal.position_2", |t, v| if t > 90.0 { v + 5.0 } else { v });
    odd.push(("pedal.position_3", "%", pedal[0].2.clone()));
    told.drive(&odd);
    for part in
        ["stood still at", "s in all; the longest at", "% throughout", "s on: track 2", "% of track 1 to", "not shown"]
    {
        assert!(
            told.texts.iter().any(|text| text.contains(part)),
            "{part}: {:#?}",
            told.texts.iter().filter(|t| t.starts_with("The pedal")).collect::<BTreeSet<_>>()
        );
    }
    // A track that clips under a foot that is quick to press and to let go.
    let foot = |t: f64| match t % 24.0 {
        x if x < 9.0 => 20.0 + 4.0 * x,
        x if x < 15.0 => 80.0 - 3.0 * (x - 9.0),
        x => (40.0 - 4.0 * (x - 15.0)).max(20.0),
    };
    let clips = [("pedal.position_1", 56.0), ("pedal.position_2", 100.0)]
        .map(|(id, most)| (id, "%", sampled(8.0, 120.0, 0.1, |t| foot(t).min(most))));
    told.drive(&clips.into());
    assert!(told.texts.iter().any(|text| text.starts_with("the end of its range")));
    // A contact that fails now and then, and lines drawn between the samples of a second.
    let contacts = [(0.1, 40.0), (0.15, -15.0), (0.3, 5.0)];
    for (seconds, off) in contacts {
        told.drive(&with(&sound, "pedal.position_2", |t, v| if t.rem_euclid(7.3) < seconds { v + off } else { v }));
    }
    for ids in [&["pedal.position_2"][..], &["wheel.speed.front_left"], &["pedal.position_1", "pedal.position_2"]] {
        told.drive(&changed(&sound, |id, samples| {
            if ids.contains(&id) {
                let known = samples.clone();
                let at = |second: usize| known[(second * 20).min(known.len() - 1)].1;
                for (t, v) in samples.iter_mut() {
                    let second = t.floor();
                    let (a, b) = (at(second as usize), at(second as usize + 1));
                    *v = a + (b - a) * (*t - second);
                }
            }
        }));
    }
    told.drive(&with(&sound, "throttle.position_2", |t, v| if t.rem_euclid(11.0) < 0.3 { v + 9.0 } else { v }));
    told.drive(&changed(&sound, |id, samples| {
        if id.starts_with("pedal") {
            samples.retain(|(t, _)| *t < 2.5);
        }
    }));
    // The recorder loses everything at once.
    told.drive(&changed(&sound, |_, samples| {
        samples.iter_mut().filter(|(t, _)| t.rem_euclid(30.0) < 0.3).for_each(|(_, v)| *v = 0.0);
    }));
    assert!(told.untold.is_empty(), "{:#?}", told.untold);
    for kind in ["dropout", "noise", "pair"] {
        all_verdicts(&told, kind);
    }
}

#[test]
fn what_is_found_on_the_engine() {
    let mut told = Told::default();
    let sound = engine(&SOUND);
    told.drive_in_parts(&sound);
    for car in [
        Car { meter: 0.7, ..SOUND },
        Car { meter: 1.4, ..SOUND },
        Car { meter_droop: 0.5, ..SOUND },
        Car { leak_g_s: 1.2, ..SOUND },
        Car { starved: 0.4, ..SOUND },
        Car { purge_g_s: 1.5, ..SOUND },
        Car { trims: [0.12, 0.0, 0.0], ..SOUND },
    ] {
        told.drive_in_parts(&engine(&car));
    }
    // The second bank like the first, and sound beside it.
    let lean = engine(&Car { meter: 0.7, ..SOUND });
    for first in [&sound, &lean] {
        let mut two = first.clone();
        let second = lean.iter().filter(|(id, ..)| id.starts_with("fuel.trim"));
        two.extend(second.map(|(id, unit, samples)| {
            (
                if id.contains("short") { "fuel.trim.short.bank_2" } else { "fuel.trim.long.bank_2" },
                *unit,
                samples.clone(),
            )
        }));
        told.drive(&two);
    }
    // Absolute load tells the displacement; a diesel has no throttle at work, and a charger lifts the pressure.
    for meter in [0.5, 1.0, 1.7] {
        let mut known = engine(&Car { meter, ..SOUND });
        let load = |t: f64| {
            let (rpm, kpa, _) = road(t);
            100.0 * meter * swallowed_g_s(&SOUND, rpm, kpa) / (rpm / 120.0) / (1.184 * SOUND.litres)
        };
        known.push(("engine.absolute_load", "%", sampled(2.0, 600.0, 0.4, load)));
        told.drive(&known);
    }
    // What does not fit air that fits the fuel: an engine speed that stands still, a pressure that is off here and there.
    told.drive(&with(&sound, "engine.speed", |_, v| v.max(3000.0)));
    let off = |kpa: f64| match kpa {
        43.0..53.0 => 1.2,
        53.0..64.0 => 0.8,
        _ => 1.0,
    };
    told.drive(&with(&sound, "intake.manifold_pressure", |_, v| off(v) * v));
    for part in ["more likely wrong than the air", "a sound engine's changes less", "an air meter that falls behind"] {
        assert!(told.texts.iter().any(|text| text.contains(part)), "{part}");
    }
    told.drive(&with(&sound, "intake.manifold_pressure", |_, v| 95.0 + v / 20.0));
    told.drive(&with(&sound, "intake.manifold_pressure", |_, v| 1.6 * v));
    let volts: [&dyn Fn(f64) -> f64; 8] = [
        &|t| 12.1 - t / 900.0,
        &|_| 11.9,
        &|_| 16.4,
        &|_| 13.0,
        &|t| if t < 150.0 { 11.8 } else { 14.0 },
        &|t| if t < 20.0 { 15.9 } else { 14.0 },
        &|t| 14.2 + 0.4 * (t * 977.0).sin(),
        &|_| 1.0,
    ];
    for volts in volts {
        told.drive(&with(&sound, "battery.voltage", |t, _| volts(t)));
        let quick = sampled(50.0, 300.0, 0.01, volts);
        told.drive(&vec![
            ("battery.voltage", "V", quick),
            ("engine.speed", "rpm", sampled(5.0, 300.0, 1.0, |t| road(t).0)),
        ]);
    }
    let coolants: [&dyn Fn(f64) -> f64; 8] = [
        &|_| 88.0,
        &|_| 116.0,
        &|t| 20.0 + 68.0 * (t / 200.0).min(1.0),
        &|t| 15.0 + 45.0 * (1.0 - (-t / 120.0).exp()),
        &|t| 85.0 - 25.0 * (t / 600.0),
        &|t| if (t / 100.0) as i64 % 2 == 0 { 10.0 } else { 130.0 },
        &|t| 20.0 + t / 12.0,
        &|t| if t < 480.0 { 60.0 } else { 80.0 },
    ];
    for coolant in coolants {
        told.drive(&with(&sound, "coolant.temperature", |t, _| coolant(t)));
        let cold = with(&sound, "coolant.temperature", |t, _| coolant(t));
        told.drive(&with(&cold, "intake.air_temperature", |_, _| 5.0));
        told.drive(
            &cold.into_iter().filter(|(id, ..)| !id.starts_with("intake.air") && *id != "engine.load").collect(),
        );
    }
    // The air flow known by the load alone or not at all, and how the loop is known to be closed.
    let without = |left_out: &[&str]| -> Drive {
        sound.iter().filter(|(id, ..)| !left_out.iter().any(|it| id.starts_with(it))).cloned().collect()
    };
    told.drive(&without(&["intake.air_flow", "intake.manifold"]));
    told.drive(&without(&["intake.air_flow", "intake.manifold", "engine.load"]));
    for left_out in [&["none"][..], &["coolant"]] {
        let mut closed = without(left_out);
        closed.push(("custom.fuel_status_1", "", sampled(2.0, 600.0, 1.0, |_| 2.0)));
        told.drive(&closed);
    }
    // A thermostat that stays open: the wind takes what the engine gives.
    let kmh = |t: f64| if (t / 180.0) as i64 % 2 == 0 { 100.0 } else { 55.0 };
    let mut coolant = 12.0;
    let open = sampled(1.0, 1500.0, 0.1, |t| {
        coolant += 0.06 - (8e-4 + 3e-3 * kmh(t) / 100.0) * (coolant - 10.0);
        coolant
    });
    told.drive(&vec![
        ("coolant.temperature", "degC", open),
        ("engine.speed", "rpm", sampled(1.0, 1500.0, 1.0, |_| 2400.0)),
        ("vehicle.speed", "km/h", sampled(1.0, 1500.0, 1.0, kmh)),
        ("intake.air_temperature", "degC", sampled(1.0, 1500.0, 1.0, |_| 10.0)),
        ("custom.fuel_rate", "L/h", sampled(1.0, 1500.0, 0.1, |_| 6.0)),
    ]);
    assert!(told.untold.is_empty(), "{:#?}", told.untold);
    for kind in ["mixture", "airflow", "charging", "warm-up"] {
        all_verdicts(&told, kind);
    }
}

#[test]
fn what_is_found_at_starts() {
    let mut told = Told::default();
    for (plateau, failed, rate_hz) in [
        (10.6, false, 50.0),
        (8.9, false, 50.0),
        (6.8, false, 50.0),
        (7.5, true, 50.0),
        (10.2, false, 1.0),
        (10.2, false, 0.5),
    ] {
        for n in [0, 1, 3] {
            let since = |t: f64| if t < 40.0 * f64::from(n) { t.rem_euclid(40.0) - 20.0 } else { -5.0 };
            let volts = move |t: f64| match since(t) {
                ..0.0 => 12.5,
                x if x < 0.06 => 9.0_f64.min(plateau),
                x if x < 2.5 => plateau,
                _ => 13.8,
            };
            let rpm = move |t: f64| match since(t) {
                ..0.05 => 0.0,
                x if x < 2.5 => 200.0,
                _ if failed && t < 40.0 => 0.0,
                _ => 900.0,
            };
            let seconds = 40.0 * f64::from(n.max(1));
            let mut drive: Drive = vec![
                ("battery.voltage", "V", sampled(rate_hz, seconds, 0.01, volts)),
                ("engine.speed", "rpm", sampled(rate_hz, seconds, 1.0, rpm)),
            ];
            told.drive(&drive);
            drive.push(("coolant.temperature", "degC", sampled(1.0, seconds, 1.0, |_| 20.0)));
            told.drive(&drive);
        }
    }
    assert!(told.untold.is_empty(), "{:#?}", told.untold);
    all_verdicts(&told, "cranking");
}

#[test]
fn what_is_found_of_misfires() {
    let mut told = Told::default();
    let load = |t: f64| if (t / 60.0) as i64 % 2 == 1 { 75.0 } else { 25.0 };
    let counts = |rate: f64, everywhere: bool| {
        move |t: f64| {
            let loaded = (t / 120.0).floor() * 60.0 + (t % 120.0 - 60.0).max(0.0);
            (rate * if everywhere { t } else { loaded }).floor()
        }
    };
    let drive = |seconds: f64, rates: [f64; 4], everywhere: bool| -> Drive {
        let mut drive: Drive = vec![
            ("engine.speed", "rpm", sampled(10.0, seconds, 1.0, |t| 2200.0 + 600.0 * (t / 7.0).sin())),
            ("engine.load", "%", sampled(10.0, seconds, 0.4, load)),
        ];
        let ids = ["misfire.cylinder_1", "misfire.cylinder_2", "misfire.cylinder_3", "misfire.cylinder_4"];
        for (id, rate) in ids.into_iter().zip(rates) {
            drive.push((id, "count", sampled(2.0, seconds, 1.0, counts(rate, everywhere))));
        }
        drive
    };
    for rate in [0.0, 0.004, 0.02, 0.1, 1.0, 6.0] {
        for seconds in [90.0, 600.0] {
            for everywhere in [false, true] {
                let all = drive(seconds, [rate, 0.0, 0.0, 0.0], everywhere);
                told.drive_in_parts(&all);
                told.drive(&all.iter().take(3).cloned().collect());
                let renamed = all.iter().cloned().map(|(id, unit, samples)| match id {
                    "engine.load" => ("intake.manifold_pressure", "kPa", samples),
                    _ => (id, unit, samples),
                });
                told.drive(&renamed.collect());
            }
        }
    }
    told.drive(&drive(600.0, [0.5; 4], true));
    let sound = drive(600.0, [0.3, 0.0, 0.0, 0.0], true);
    told.drive(&with(&sound, "engine.load", |_, _| 20.0));
    told.drive(&with(&sound, "engine.load", |_, _| 70.0));
    let revolutions = |t: f64| (2200.0 * t + 4200.0 * (1.0 - (t / 7.0).cos())) / 60.0;
    let each: [&dyn Fn(f64, f64) -> f64; 12] = [
        &|t, _| (revolutions(t) / 1000.0).floor() * 7.0,
        &|t, _| (revolutions(t) / 200.0).floor() * 3.0,
        &|t, _| (revolutions(t).rem_euclid(1000.0) / 40.0).floor(),
        &|t, _| (revolutions(t).rem_euclid(200.0) / 10.0).floor(),
        &|t, _| ((revolutions(t) / 1000.0).floor() * 7.0).rem_euclid(11.0),
        &|t, _| (t.rem_euclid(55.0) * 0.2).floor(),
        &|t, _| (t.rem_euclid(11.0) * 0.2).floor(),
        &|t, _| (t / 11.0).floor() * 3.0,
        &|t, _| (t * 2.0).floor().rem_euclid(256.0),
        &|_, _| 65_535.0,
        &|t, _| (t / 50.0).floor() * 9000.0,
        &|t, v| if t < 300.0 { v } else { v - 80.0 },
    ];
    for change in each {
        told.drive(&with(&sound, "misfire.cylinder_1", change));
        let seldom = changed(&with(&sound, "misfire.cylinder_1", change), |id, samples| {
            if id.starts_with("misfire") {
                samples.retain(|(t, _)| (*t * 2.0) as i64 % 16 == 0);
            }
        });
        told.drive(&seldom);
        told.drive(&seldom.into_iter().filter(|(id, ..)| *id != "engine.load").collect());
    }
    told.drive(&with(&sound, "misfire.cylinder_1", |t, _| (t * 3.7).sin()));
    // Beside freeze frames: where it misfires, where it does not, and where nobody drove; with the load and without.
    let loaded = drive(600.0, [0.3, 0.0, 0.0, 0.0], false);
    for (speed_rpm, load_pct) in [(2200.0, Some(75.0)), (2200.0, Some(25.0)), (5000.0, Some(75.0)), (2200.0, None)] {
        for code in ["P0301", "P0300"] {
            let frame = MisfireFrame::of(code, Condition { speed_rpm, load_pct }).unwrap();
            for drive in [&loaded, &sound, &loaded.iter().filter(|(id, ..)| *id != "engine.load").cloned().collect()] {
                let recording = recording(drive);
                let mut findings = evidence::examine(&recording);
                beside_freeze_frames(&recording, std::slice::from_ref(&frame), &mut findings);
                told.take(&findings);
            }
        }
    }
    assert!(told.untold.is_empty(), "{:#?}", told.untold);
    all_verdicts(&told, "misfire");
}

#[test]
fn what_is_found_of_commands() {
    let mut told = Told::default();
    for (id, partner) in [("ac.clutch", "ac.pressure"), ("fan.command", "custom.current")] {
        for (raise, tau_s, n) in [
            (500.0, 0.5, 6),
            (500.0, 6.0, 6),
            (0.0, 1.0, 6),
            (0.0, 1.0, 12),
            (20.0, 0.5, 2),
            (500.0, 0.5, 0),
            (3.0, 0.5, 6),
        ] {
            let edges: Vec<f64> = (0..2 * n).map(|k| 15.0 + 14.0 * f64::from(k) + 3.0 * f64::from(k % 3)).collect();
            let on = |t: f64| edges.iter().filter(|edge| **edge <= t).count() % 2 == 1;
            let seconds = edges.last().copied().unwrap_or(60.0) + 20.0;
            let mut rng = Rng(2);
            let mut level = 0.0;
            let output = sampled(10.0, seconds, 1.0, |t| f64::from(u8::from(on(t))));
            let answer = sampled(10.0, seconds, 1.0, |t| {
                level += (f64::from(u8::from(on(t))) - level) * (0.1_f64 / tau_s).min(1.0);
                700.0 + raise * level + 4.0 * rng.normal()
            });
            for (kmh, rpm) in [(0.0, 800.0), (30.0, 0.0)] {
                let drive: Drive = vec![
                    (id, "1", output.clone()),
                    (partner, "kPa", answer.clone()),
                    ("engine.speed", "rpm", sampled(10.0, seconds, 1.0, |t| rpm + 3.0 * (t * 7.7).sin())),
                    ("vehicle.speed", "km/h", sampled(2.0, seconds, 1.0, |_| kmh)),
                ];
                told.drive(&drive);
                told.drive(&drive.iter().take(1).cloned().collect());
                told.drive(&drive.iter().filter(|it| it.0 != partner).cloned().collect());
                let mut marked = recording(&drive[1..]);
                marked.marks = edges
                    .iter()
                    .enumerate()
                    .map(|(k, t)| Mark {
                        t_ns: nanos_from_seconds(*t),
                        text: if k % 2 == 0 { "Rear fan: ON".into() } else { "rear fan off".into() },
                    })
                    .collect();
                told.take(&evidence::examine(&marked));
            }
        }
    }
    assert!(told.untold.is_empty(), "{:#?}", told.untold);
    all_verdicts(&told, "command");
}

fn all_verdicts(told: &Told, kind: &str) {
    for verdict in [Verdict::Faulty, Verdict::Healthy, Verdict::Undecided] {
        assert!(told.verdicts.contains(&(kind.into(), verdict.to_string())), "no drive here is {kind} {verdict}");
    }
}
