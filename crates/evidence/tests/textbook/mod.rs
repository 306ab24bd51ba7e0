//! A petrol engine from published relations, for drives in which a test can put a fault.
//!
//! Air by speed density, `m = eta p V N / (2 R T)` (Heywood 1988, ch. 2, from memory), eta falling with exhaust left in the
//! cylinder; a control that keeps the mixture, so that the trims carry whatever the meter and the injectors get wrong.
#![allow(dead_code, unreachable_pub, clippy::unwrap_used)]

use evidence::{Finding, Kind, Verdict};

use super::common::{Rng, Samples, assert_consistent, findings};

/// The one finding of a check, which keeps what every finding must.
pub fn judged(kind: Kind, signals: &[(&str, &str, Samples)]) -> Finding {
    let found = findings(kind, signals);
    assert_consistent(&found);
    assert_eq!(found.len(), 1, "{found:?}");
    found.into_iter().next().unwrap()
}

/// Verdicts over many healthy cars.
#[derive(Debug, Default)]
pub struct Tally {
    pub faulty: usize,
    pub healthy: usize,
    pub undecided: usize,
}

impl Tally {
    /// Counts a verdict, and shows an accusation.
    pub fn count(&mut self, finding: &Finding) {
        match finding.verdict {
            Verdict::Faulty => {
                eprintln!("accused: {}", finding.statement);
                self.faulty += 1;
            }
            Verdict::Healthy => self.healthy += 1,
            Verdict::Undecided => self.undecided += 1,
        }
    }
}

/// An engine, its meter, its fuel and the habits of its control.
#[derive(Clone, Copy)]
pub struct Car {
    /// Displacement, litres.
    pub litres: f64,
    /// Efficiency at full load.
    pub eta: f64,
    /// What the meter shows of what passes it.
    pub meter: f64,
    /// What the meter shows less at 100 g/s, as a share.
    pub meter_droop: f64,
    /// Air past the meter at idle vacuum, g/s.
    pub leak_g_s: f64,
    /// Fuel missing at the greatest demand, as a share, rising from a third of it.
    pub starved: f64,
    /// Fuel from elsewhere, as g/s of air that it would need.
    pub purge_g_s: f64,
    /// Healthy scatter of the trims: everywhere, at idle, at high flow.
    pub trims: [f64; 3],
}

/// A sound 2.0 l engine.
pub const SOUND: Car = Car {
    litres: 2.0,
    eta: 0.88,
    meter: 1.0,
    meter_droop: 0.0,
    leak_g_s: 0.0,
    starved: 0.0,
    purge_g_s: 0.0,
    trims: [0.0; 3],
};

/// One moment of a mixed drive of [`LAP_S`] seconds that repeats: engine speed, manifold pressure, road speed.
pub fn road(t_s: f64) -> (f64, f64, f64) {
    const LEGS: [(f64, f64, f64, f64); 9] = [
        (40.0, 760.0, 33.0, 0.0),
        (30.0, 1500.0, 45.0, 30.0),
        (30.0, 2100.0, 60.0, 50.0),
        (15.0, 3200.0, 92.0, 80.0),
        (60.0, 2300.0, 55.0, 85.0),
        (60.0, 2800.0, 70.0, 110.0),
        (15.0, 4000.0, 96.0, 130.0),
        (20.0, 1700.0, 40.0, 40.0),
        (30.0, 1300.0, 50.0, 25.0),
    ];
    let mut t = t_s.rem_euclid(LAP_S);
    let mut before = LEGS[LEGS.len() - 1];
    for leg in LEGS {
        if t < leg.0 {
            // Four seconds of transition.
            let x = (t / 4.0).min(1.0);
            let mix = |a: f64, b: f64| a + (b - a) * x;
            return (mix(before.1, leg.1), mix(before.2, leg.2), mix(before.3, leg.3));
        }
        t -= leg.0;
        before = leg;
    }
    (760.0, 33.0, 0.0)
}

/// Length of a lap of [`road`].
pub const LAP_S: f64 = 300.0;

/// Air that the engine swallows, g/s, at 25 degC.
pub fn swallowed_g_s(car: &Car, rpm: f64, kpa: f64) -> f64 {
    let eta = car.eta * (1.0 - 8.0 / kpa) * (1.0 - 0.05 * (rpm / 3000.0).ln().powi(2));
    eta * kpa * 1000.0 / (287.0 * 298.15) * car.litres * rpm / 120.0
}

impl Car {
    /// Metered air and total trim (as a share) at a moment.
    pub fn air_and_trim(&self, rpm: f64, kpa: f64) -> (f64, f64) {
        let engine = swallowed_g_s(self, rpm, kpa);
        // Choked above about 50 kPa of vacuum, falling to nothing at full load.
        let leak = self.leak_g_s * ((101.3 - kpa) / 50.0).clamp(0.0, 1.0).sqrt();
        let passes = engine - leak;
        let meter = self.meter * (1.0 - self.meter_droop * passes / 100.0);
        let shown = passes * meter;
        let need = engine - self.purge_g_s.min(0.5 * engine);
        let delivered = 1.0 - self.starved * ((engine / 70.0 - 0.3) / 0.7).clamp(0.0, 1.0);
        let habit = self.trims[0] + self.trims[1] * (3.4 / engine).min(1.0) + self.trims[2] * engine / 70.0;
        (shown, ((need / delivered) / shown - 1.0 + habit).clamp(-0.5, 0.6))
    }

    /// A drive: each signal polled in turn at `rate_hz`, in the steps of the standard's one-byte and two-byte values.
    pub fn drive(&self, rate_hz: f64, seconds: f64, seed: u64) -> Vec<(&'static str, &'static str, Samples)> {
        let mut rng = Rng(seed);
        let phase = 10.0 * rng.uniform();
        // The control swings by 2 % every 2 s, and the long trim holds seven tenths of the total.
        let swing = |t: f64| {
            0.02 * (std::f64::consts::PI * (t + phase)).sin().signum() * ((t * 0.37 + phase).sin() * 0.4 + 0.8)
        };
        let step = |value: f64, step: f64| (value / step).round() * step;
        let mut poll = |k: usize, f: &dyn Fn(f64) -> f64, by: f64, noise: f64| -> Samples {
            (0..(seconds * rate_hz) as usize)
                .map(|n| {
                    let t = (n as f64 + (k as f64 + 0.3 * rng.uniform()) / 9.0) / rate_hz;
                    (t, step(f(t) * (1.0 + noise * rng.normal()), by))
                })
                .collect()
        };
        let at = |t: f64| {
            let (rpm, kpa, _) = road(t);
            self.air_and_trim(rpm, kpa)
        };
        let long = |t: f64| 0.7 * at(t).1;
        let short = move |t: f64| (1.0 + at(t).1 + swing(t)) / (1.0 + long(t)) - 1.0;
        vec![
            ("engine.speed", "rpm", poll(0, &|t| road(t).0, 0.25, 0.003)),
            ("intake.manifold_pressure", "kPa", poll(1, &|t| road(t).1, 1.0, 0.01)),
            ("intake.air_flow", "g/s", poll(2, &|t| at(t).0, 0.01, 0.02)),
            ("fuel.trim.short.bank_1", "%", poll(3, &|t| 100.0 * short(t), 0.781_25, 0.0)),
            ("fuel.trim.long.bank_1", "%", poll(4, &|t| 100.0 * long(t), 0.781_25, 0.0)),
            ("intake.air_temperature", "degC", poll(5, &|_| 25.0, 1.0, 0.0)),
            ("coolant.temperature", "degC", poll(6, &|t| 88.0 + 2.0 * (t / 40.0).sin(), 1.0, 0.0)),
            ("vehicle.speed", "km/h", poll(7, &|t| road(t).2, 1.0, 0.0)),
        ]
    }
}
