//! `warm-up` on textbook engines: heat from burnt fuel, one warm mass, a thermostat and a radiator.
//!
//! Powers and heat capacities are the ranges that the check's documentation derives; the model here is another one: power in
//! watts, a second mass (oil and block) behind the first, and a thermostat that opens and closes.
#![allow(clippy::unwrap_used)]

mod common;
mod textbook;

use common::{Rng, Samples, findings, long, open_data};
use evidence::{Finding, Kind, Verdict};
use textbook::{SOUND, Tally, road, swallowed_g_s};

/// Coolant in degC, engine speed in rpm, manifold pressure in kPa, road speed in km/h.
type Moment = (f64, f64, f64, f64);

/// An engine, its cooling and its weather.
#[derive(Clone, Copy)]
struct Engine {
    ambient_degc: f64,
    start_degc: f64,
    /// Share of the fuel's 44 MJ/kg that goes into the coolant.
    to_coolant: f64,
    /// Heat capacities of coolant with head, and of the rest, J/K.
    masses_j_k: (f64, f64),
    /// Cabin heater and surface, W/K.
    cabin_w_k: f64,
    /// Radiator, W/K at 100 km/h.
    radiator_w_k: f64,
    /// Share of the thermostat that never closes.
    stuck_open: f64,
    /// Seconds of the drive on the road; town with a third of the speed otherwise.
    road_share: f64,
}

const WARMING: Engine = Engine {
    ambient_degc: 10.0,
    start_degc: 10.0,
    to_coolant: 0.28,
    masses_j_k: (60e3, 60e3),
    cabin_w_k: 70.0,
    radiator_w_k: 1200.0,
    stuck_open: 0.0,
    road_share: 1.0,
};

impl Engine {
    /// Coolant temperature each second, and what the road asks of the engine.
    fn run(&self, seconds: usize) -> Vec<Moment> {
        let (mut coolant, mut block) = (self.start_degc, self.start_degc);
        (0..seconds)
            .map(|k| {
                let t = k as f64;
                let is_town = t.rem_euclid(600.0) > 600.0 * self.road_share;
                let (rpm, kpa, kmh) = if is_town { road(0.4 * t + 1000.0) } else { road(t) };
                let (rpm, kpa, kmh) = if is_town { (0.7 * rpm, kpa.min(50.0), kmh / 3.0) } else { (rpm, kpa, kmh) };
                let heat_w = self.to_coolant * 44e6 * swallowed_g_s(&SOUND, rpm, kpa) / 14.7 / 1000.0;
                let open = ((coolant - 84.0) / 8.0).clamp(0.0, 1.0).max(self.stuck_open);
                let loss_w = (self.cabin_w_k + 0.3 * kmh + open * self.radiator_w_k * (0.15 + 0.85 * kmh / 100.0))
                    * (coolant - self.ambient_degc);
                let exchange_w = 600.0 * (coolant - block);
                coolant += (heat_w - loss_w - exchange_w) / self.masses_j_k.0;
                block += exchange_w / self.masses_j_k.1;
                (coolant, rpm, kpa, kmh)
            })
            .collect()
    }

    fn drive(&self, seconds: usize, rate_hz: f64, with_fuel: bool) -> Vec<(&'static str, &'static str, Samples)> {
        let course = self.run(seconds);
        let mut rng = Rng(seconds as u64);
        let mut poll = |k: usize, step: f64, f: &dyn Fn(&Moment) -> f64| -> Samples {
            (0..(seconds as f64 * rate_hz) as usize)
                .map(|n| (n as f64 + (k as f64 + 0.5 * rng.uniform()) / 8.0) / rate_hz)
                .map(|t| (t, (f(&course[(t as usize).min(seconds - 1)]) / step).round() * step))
                .collect()
        };
        let mut signals = vec![
            ("coolant.temperature", "degC", poll(0, 1.0, &|x| x.0)),
            ("engine.speed", "rpm", poll(1, 0.25, &|x| x.1)),
            ("vehicle.speed", "km/h", poll(2, 1.0, &|x| x.3)),
            ("intake.air_temperature", "degC", poll(3, 1.0, &|_| self.ambient_degc + 3.0)),
            ("engine.load", "%", poll(4, 0.392, &|x| x.2 / 1.013)),
        ];
        if with_fuel {
            let fuel = |x: &Moment| swallowed_g_s(&SOUND, x.1, x.2) / 14.7 * 3.6 / 0.745;
            signals.push(("custom.engine_fuel_rate", "l/h", poll(5, 0.05, &fuel)));
        }
        signals
    }
}

fn judged(signals: &[(&str, &str, Samples)]) -> Finding {
    textbook::judged(Kind::WarmUp, signals)
}

#[test]
fn an_open_thermostat_is_found() {
    for rate_hz in [0.5, 1.0, 10.0] {
        for with_fuel in [true, false] {
            for ambient_degc in [-10.0, 10.0, 20.0] {
                let engine = Engine { stuck_open: 0.6, ambient_degc, start_degc: ambient_degc, ..WARMING };
                let finding = judged(&engine.drive(1800, rate_hz, with_fuel));
                eprintln!("{rate_hz} Hz, fuel {with_fuel}, {ambient_degc} degC: {:.2}", finding.log10_odds);
                assert_eq!(finding.verdict, Verdict::Faulty, "{rate_hz} Hz, {with_fuel}, {ambient_degc}: {finding:?}");
            }
        }
    }
}

#[test]
fn a_closing_thermostat_is_healthy() {
    for rate_hz in [0.5, 1.0, 10.0] {
        for start_degc in [-10.0_f64, 20.0, 85.0] {
            let finding = judged(
                &Engine { ambient_degc: start_degc.min(20.0), start_degc, ..WARMING }.drive(1800, rate_hz, false),
            );
            assert_eq!(finding.verdict, Verdict::Healthy, "{rate_hz} Hz from {start_degc}: {finding:?}");
        }
    }
}

/// Large and small engines, summer and deep winter, efficient diesels with a strong cabin heater, short and long drives, town
/// and road.
#[test]
fn at_most_one_in_a_hundred_sound_engines_is_accused() {
    let mut rng = Rng(17);
    let mut counts = Tally::default();
    for k in 0..400 {
        let ambient_degc = -20.0 + 50.0 * rng.uniform();
        let size = 0.7 + rng.uniform();
        let engine = Engine {
            ambient_degc,
            start_degc: if rng.uniform() < 0.3 { ambient_degc + 40.0 * rng.uniform() } else { ambient_degc },
            to_coolant: 0.14 + 0.16 * rng.uniform(),
            masses_j_k: (60e3 * size, 60e3 * size * (0.5 + rng.uniform())),
            cabin_w_k: 30.0 + 110.0 * rng.uniform(),
            radiator_w_k: 800.0 + 800.0 * rng.uniform(),
            stuck_open: 0.0,
            road_share: rng.uniform(),
        };
        let seconds = (300.0 + 2000.0 * rng.uniform()) as usize;
        let finding = judged(&engine.drive(seconds, [0.5, 1.0, 5.0][k % 3], k % 2 == 0));
        counts.count(&finding);
    }
    eprintln!("{counts:?} of 400");
    assert!(counts.faulty <= 1 && counts.healthy >= 50, "{counts:?}");
}

#[test]
fn too_little_is_undecided_and_says_what_is_missing() {
    let drive = WARMING.drive(1800, 1.0, false);
    let without = |id: &str| drive.iter().filter(|signal| signal.0 != id).cloned().collect::<Vec<_>>();
    for (signals, words) in [
        (without("engine.speed"), "engine.speed"),
        (without("vehicle.speed"), "vehicle.speed"),
        (WARMING.drive(100, 1.0, false), "cold start"),
        (Engine { stuck_open: 0.6, ..WARMING }.drive(400, 1.0, false), "cold start"),
    ] {
        let finding = judged(&signals);
        assert_eq!(finding.verdict, Verdict::Undecided, "{words}: {finding:?}");
        assert!(finding.next.iter().any(|next| next.contains(words)), "{words}: {finding:?}");
    }
    let finding = judged(
        &Engine { stuck_open: 0.6, ..WARMING }
            .drive(1800, 1.0, false)
            .into_iter()
            .filter(|s| s.0 != "intake.air_temperature")
            .collect::<Vec<_>>(),
    );
    assert_eq!(finding.verdict, Verdict::Undecided);
    assert!(finding.next.iter().any(|next| next.contains("intake.air_temperature")), "{finding:?}");
    assert!(findings(Kind::WarmUp, &without("coolant.temperature")).is_empty());
}

/// A real motorway drive (KIT OBD, CC BY 4.0) whose coolant follows an open thermostat: it settles where the heat of that drive
/// and a radiator of 700 W/K at 100 km/h balance.
#[test]
fn an_open_thermostat_in_a_real_drive() {
    let Some(text) = open_data("kit_obd/d4_motorway_samples.csv.gz") else { return };
    let names = [
        ("coolant_temp_c", "coolant.temperature", "degC"),
        ("engine_speed_rpm", "engine.speed", "rpm"),
        ("vehicle_speed_kmh", "vehicle.speed", "km/h"),
        ("manifold_pressure_kpa", "intake.manifold_pressure", "kPa"),
        ("ambient_temp_c", "custom.ambient", "degC"),
    ];
    let mut signals = long(&text, &names);
    let value_at = |samples: &Samples, t: f64| samples[samples.partition_point(|s| s.0 <= t).saturating_sub(1)].1;
    let (rpm, kmh, kpa, ambient) =
        (signals[1].2.clone(), signals[2].2.clone(), signals[3].2.clone(), signals[4].2.clone());
    let mut degc = signals[0].2[0].1;
    let mut last_s = 0.0;
    for (t, shown) in &mut signals[0].2 {
        let dt = (*t - last_s).min(5.0);
        last_s = *t;
        let heat_w = 0.13 * value_at(&rpm, *t) * value_at(&kpa, *t) / 2.0;
        let loss = 60.0 + 700.0 * value_at(&kmh, *t) / 100.0;
        degc += dt * (heat_w - loss * (degc - value_at(&ambient, *t))) / 120e3;
        *shown = degc.round();
    }
    let finding = judged(&signals);
    eprintln!("{}", finding.statement);
    assert_eq!(finding.verdict, Verdict::Faulty, "{finding:?}");
}
