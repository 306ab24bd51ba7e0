//! Engines, batteries and a compressor clutch with a fault, for the checks that look at these.
//!
//! The engine is that of the textbook tests; around it a start, a generator, a cooling circuit and an air conditioning, each
//! a few lines of physics with sizes drawn anew for every car (common practice, no source, unless said).

use evidence::Kind;

use super::common::Rng;
use super::recorder::Course;
use super::textbook::{Car, SOUND, road, swallowed_g_s};

/// Length of a drive, seconds.
const SECONDS: f64 = 1200.0;
/// The starter is turned at this moment.
const START_S: f64 = 20.0;

/// A fault and its size.
#[derive(Debug, Clone, Copy)]
pub enum Trouble {
    /// Air past the meter, g/s at idle.
    Leak(f64),
    /// The meter shows so many percent too little at every flow.
    Meter(f64),
    /// So many percent of the fuel are missing at the greatest demand.
    Starved(f64),
    /// The meter shows so many percent too little, and the control module tells its load.
    Air(f64),
    /// A generator that gives nothing: the battery falls by so many volts in the drive.
    Flat(f64),
    /// A regulator that holds so many volts.
    Over(f64),
    /// A battery that falls to so many volts while the starter turns.
    Weak(f64),
    /// So many percent of the thermostat's opening never close.
    Open(f64),
    /// A clutch that does nothing, switched so many times.
    Dead(f64),
}

impl Trouble {
    /// Which check may name it, and its subject.
    pub fn target(self) -> (Kind, &'static str) {
        match self {
            Self::Leak(_) | Self::Meter(_) | Self::Starved(_) => (Kind::Mixture, "bank 1"),
            Self::Air(_) => (Kind::Airflow, "engine"),
            Self::Flat(_) | Self::Over(_) => (Kind::Charging, "battery"),
            Self::Weak(_) => (Kind::Cranking, "battery"),
            Self::Open(_) => (Kind::WarmUp, "coolant"),
            Self::Dead(_) => (Kind::Command, "ac.clutch"),
        }
    }

    /// Everything that the fault reaches as well, so that other checks may name it without accusing anybody healthy.
    pub fn reaches(self) -> &'static [&'static str] {
        match self {
            Self::Leak(_) | Self::Meter(_) | Self::Air(_) => &["bank 1", "engine"],
            Self::Starved(_) => &["bank 1"],
            Self::Flat(_) | Self::Over(_) | Self::Weak(_) => &["battery"],
            Self::Open(_) => &["coolant"],
            Self::Dead(_) => &["ac.clutch"],
        }
    }

    /// The table that it belongs to, and the size in words.
    pub fn said(self) -> (&'static str, String) {
        match self {
            Self::Leak(g_s) => ("mixture: air past the meter", format!("{g_s} g/s")),
            Self::Meter(percent) => ("mixture: the meter shows too little", format!("{percent} %")),
            Self::Starved(percent) => ("mixture: fuel falls behind with demand", format!("{percent} %")),
            Self::Air(percent) => ("airflow: the meter shows too little, load recorded", format!("{percent} %")),
            Self::Flat(volts) => ("charging: nothing charges, the battery falls", format!("{volts} V")),
            Self::Over(volts) => ("charging: too much", format!("{volts} V")),
            Self::Weak(volts) => ("cranking: weak battery", format!("{volts} V")),
            Self::Open(percent) => ("warm-up: the thermostat stays open", format!("{percent} %")),
            Self::Dead(cycles) => ("command: the clutch does nothing", format!("{cycles} cycles")),
        }
    }
}

/// Noise of unit variance that depends on the moment alone.
fn noise(salt: u64, t_s: f64) -> f64 {
    Rng(t_s.to_bits() ^ salt).normal()
}

fn within(rng: &mut Rng, from: f64, to: f64) -> f64 {
    from + (to - from) * rng.uniform()
}

/// A drive of one car, or a minute of switching; with a fault or without. Its length in seconds and its signals.
pub fn drive(trouble: Option<Trouble>, rng: &mut Rng) -> (f64, Vec<Course>) {
    match trouble {
        Some(Trouble::Dead(cycles)) => clutch(cycles as usize, false, rng),
        _ => (SECONDS, on_the_road(trouble, rng)),
    }
}

/// Start, town, country and motorway in twenty minutes.
fn on_the_road(trouble: Option<Trouble>, rng: &mut Rng) -> Vec<Course> {
    let mut car = Car { litres: within(rng, 1.2, 3.0), eta: within(rng, 0.82, 0.94), ..SOUND };
    car.meter = within(rng, 0.96, 1.04);
    car.trims = [0.02, 0.015, 0.01].map(|spread| spread * rng.normal());
    match trouble {
        Some(Trouble::Leak(g_s)) => car.leak_g_s = g_s,
        Some(Trouble::Meter(percent) | Trouble::Air(percent)) => car.meter *= 1.0 - percent / 100.0,
        Some(Trouble::Starved(percent)) => car.starved = percent / 100.0,
        _ => {}
    }
    let moment = |t: f64| if t < START_S { (0.0, 99.0, 0.0) } else { road(t - START_S) };
    let at = move |t: f64| car.air_and_trim(moment(t).0.max(700.0), moment(t).1);
    let phase = 10.0 * rng.uniform();
    let swing = move |t: f64| 0.02 * (std::f64::consts::PI * (t + phase)).sin().signum();
    let long = move |t: f64| 0.7 * at(t).1;
    let ambient = within(rng, -5.0, 25.0);
    let coolant = coolant(&car, trouble, ambient, rng);
    let volts = volts(trouble, rng);
    let salt = (1e9 * rng.uniform()) as u64;
    let cranked_s = within(rng, 0.7, 1.4);
    let turns = move |t: f64| match t - START_S {
        ..0.0 => 0.0,
        x if x < cranked_s => 210.0,
        _ => moment(t).0 * (1.0 + 0.003 * noise(salt, t)),
    };
    let is_running = move |t: f64| t > START_S + cranked_s;
    let mut signals: Vec<Course> = vec![
        Course::new("engine.speed", "rpm", 0.25, turns),
        Course::new("intake.manifold_pressure", "kPa", 1.0, move |t| moment(t).1 * (1.0 + 0.01 * noise(salt + 1, t))),
        Course::new("intake.air_flow", "g/s", 0.01, move |t| {
            if is_running(t) { at(t).0 * (1.0 + 0.02 * noise(salt + 2, t)) } else { 0.0 }
        }),
        Course::new("fuel.trim.short.bank_1", "%", 0.781_25, move |t| {
            if is_running(t) { 100.0 * ((1.0 + at(t).1 + swing(t)) / (1.0 + long(t)) - 1.0) } else { 0.0 }
        }),
        Course::new("fuel.trim.long.bank_1", "%", 0.781_25, move |t| 100.0 * long(t)),
        Course::new("intake.air_temperature", "degC", 1.0, move |_| ambient),
        Course::new("coolant.temperature", "degC", 1.0, move |t| coolant[(t as usize).min(coolant.len() - 1)]),
        Course::new("vehicle.speed", "km/h", 1.0, move |t| moment(t).2),
        Course::new("battery.voltage", "V", 0.05, move |t| volts(t, cranked_s) + 0.03 * noise(salt + 3, t)),
    ];
    if matches!(trouble, Some(Trouble::Air(_))) {
        // Air per cycle over 1.184 g/L times the displacement (SAE J1979, from memory), from the module's own meter.
        let load = move |t: f64| at(t).0 / (moment(t).0.max(700.0) / 120.0) / (1.184 * car.litres) * 100.0;
        signals.push(Course::new("engine.absolute_load", "%", 100.0 / 255.0, load));
    }
    signals
}

/// Voltage at a moment, given how long the starter turns.
fn volts(trouble: Option<Trouble>, rng: &mut Rng) -> impl Fn(f64, f64) -> f64 + use<> {
    let plateau = match trouble {
        Some(Trouble::Weak(volts)) => volts,
        _ => within(rng, 10.2, 10.9),
    };
    let rest = if matches!(trouble, Some(Trouble::Weak(_))) { 12.2 } else { within(rng, 12.45, 12.7) };
    let kept = within(rng, 13.9, 14.6);
    // Every third car leaves a full battery alone and charges it while slowing down.
    let is_controlled = trouble.is_none() && rng.uniform() < 0.33;
    move |t, cranked_s| {
        let since = t - START_S;
        match trouble {
            _ if since < 0.0 => rest,
            _ if since < 0.06 => plateau - 1.5,
            _ if since < cranked_s => plateau + 0.15 * (since * 50.0).sin(),
            Some(Trouble::Flat(fall)) => 12.0 - fall * since / (SECONDS - START_S),
            Some(Trouble::Over(volts)) => volts,
            _ if is_controlled => [12.7, 14.8, 13.2][(t / 47.0) as usize % 3],
            _ => kept,
        }
    }
}

/// Coolant of every second: fuel heats 60 kJ/K of coolant and as much of metal behind it, cabin and radiator cool.
fn coolant(car: &Car, trouble: Option<Trouble>, ambient_degc: f64, rng: &mut Rng) -> Vec<f64> {
    let open_share = if let Some(Trouble::Open(percent)) = trouble { percent / 100.0 } else { 0.0 };
    let (opens, radiator_w_k) = (within(rng, 80.0, 90.0), within(rng, 900.0, 1500.0));
    // Every other sound thermostat is met on an engine that is still warm.
    let start_degc = if open_share == 0.0 && rng.uniform() < 0.5 { 80.0 } else { ambient_degc };
    let (mut water, mut metal) = (start_degc, start_degc);
    (0..SECONDS as usize)
        .map(|second| {
            let t = second as f64;
            if t > START_S {
                let (rpm, kpa, kmh) = road(t - START_S);
                // Heavier cars have larger engines: the heat of 2 l into the masses of 2 l.
                let heat_w = 0.28 * 44e6 * swallowed_g_s(&Car { litres: 2.0, ..*car }, rpm, kpa) / 14.7 / 1000.0;
                let open = ((water - opens) / 8.0).clamp(0.0, 1.0).max(open_share);
                let wind = 0.15 + 0.85 * kmh / 100.0;
                let loss_w = (70.0 + 0.3 * kmh + open * radiator_w_k * wind) * (water - ambient_degc);
                let into_metal_w = 2000.0 * (water - metal);
                water += (heat_w - loss_w - into_metal_w) / 60e3;
                metal += into_metal_w / 60e3;
            }
            water
        })
        .collect()
}

/// An idling engine whose air conditioning is switched at uneven times; the pressure answers, or does not.
pub fn clutch(cycles: usize, works: bool, rng: &mut Rng) -> (f64, Vec<Course>) {
    let mut t = 15.0;
    let edges: Vec<f64> = (0..2 * cycles)
        .map(|_| {
            t += within(rng, 10.0, 20.0);
            t
        })
        .collect();
    let seconds = t + 30.0;
    let (raise_kpa, after_s, own_s) =
        (if works { within(rng, 300.0, 900.0) } else { 0.0 }, within(rng, 0.3, 1.0), within(rng, 15.0, 60.0));
    let salt = (1e9 * rng.uniform()) as u64;
    let switched = edges.clone();
    let is_on = move |t: f64| switched.iter().filter(|edge| **edge <= t).count() % 2 == 1;
    // First order with a time constant of a second, from edge to edge.
    let level = move |t: f64| {
        edges.iter().enumerate().take_while(|(_, edge)| **edge + after_s < t).fold(0.0, |level: f64, (k, edge)| {
            let until = edges.get(k + 1).map_or(t, |next| t.min(next + after_s));
            let goal = if k % 2 == 0 { 1.0 } else { 0.0 };
            goal + (level - goal) * (-(until - edge - after_s)).exp()
        })
    };
    let signals = vec![
        Course::new("ac.clutch", "1", 1.0, move |t| f64::from(u8::from(is_on(t)))),
        // The fan cycles by itself and takes 40 kPa.
        Course::new("ac.pressure", "kPa", 10.0, move |t| {
            700.0 + raise_kpa * level(t) - 40.0 * (t / own_s * std::f64::consts::TAU).sin().max(0.0)
                + 5.0 * noise(salt, t)
        }),
        Course::new("engine.speed", "rpm", 0.25, move |t| 780.0 + 25.0 * (t * 1.1).sin() + 8.0 * noise(salt + 1, t)),
        Course::new("engine.load", "%", 100.0 / 255.0, move |t| 22.0 + 0.5 * (t * 0.7).sin() + noise(salt + 2, t)),
        Course::new("vehicle.speed", "km/h", 1.0, |_| 0.0),
    ];
    (seconds, signals)
}
