//! Simple cars for the detection table: rigid wheels on a rough road, a foot, an engine in gears.
//!
//! Written for this purpose alone: nothing here is shared with the checks or with the stand-in. Sizes are drawn anew for
//! every car within what passenger cars have (common practice, no source, unless said).

use super::common::{Rng, WHEELS};

/// Steps of the truth per second.
pub const TRUTH_HZ: f64 = 200.0;

/// Where it is driven.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Road {
    /// Stop and go, corners of 8 to 30 m.
    Town,
    /// 60 to 100 km/h with bends.
    Country,
    /// 90 to 140 km/h, nearly straight.
    Motorway,
}

/// One signal of the truth: its value at every step.
#[derive(Debug, Clone)]
pub struct Truth {
    pub id: String,
    pub unit: &'static str,
    pub value: Vec<f64>,
    /// Step of the signal as its module sends it.
    pub step: f64,
}

/// Everything that happens in a drive.
#[derive(Debug, Clone)]
pub struct Drive {
    pub signals: Vec<Truth>,
    /// Revolutions of each wheel at every step, FL, FR, RL, RR.
    pub turns: [Vec<f64>; 4],
    /// Position of the pedal, 0 to 1, at every step.
    pub pedal: Vec<f64>,
    /// Engine speed at every step, rpm.
    pub rpm: Vec<f64>,
}

/// Moves towards `target` with at most `rate` per second.
fn towards(now: f64, target: f64, rate: f64) -> f64 {
    now + (target - now).clamp(-rate / TRUTH_HZ, rate / TRUTH_HZ)
}

fn within(rng: &mut Rng, from: f64, to: f64) -> f64 {
    from + (to - from) * rng.uniform()
}

/// A drive of one car.
pub fn drive(road: Road, seconds: f64, rng: &mut Rng) -> Drive {
    let n = (seconds * TRUTH_HZ) as usize;
    let (track, wheelbase) = (within(rng, 1.42, 1.62), within(rng, 2.4, 2.9));
    let radius = within(rng, 0.29, 0.35);
    let tyres: [f64; 4] = std::array::from_fn(|_| 1.0 + 0.002 * rng.normal().clamp(-2.0, 2.0));
    let is_front_driven = rng.uniform() < 0.6;
    let slip = within(rng, 0.003, 0.008);
    let roughness = within(rng, 0.02, 0.12);
    let pitch: [f64; 4] = std::array::from_fn(|_| within(rng, 0.0002, 0.001));
    let wheel_step = [0.01, 0.0313, 0.0625, 0.1][(4.0 * rng.uniform()) as usize];
    let (mut v, mut target, mut gentle, mut turn, mut turn_target) = (0.0_f64, 0.0, 1.0, 0.0_f64, 0.0);
    if road != Road::Town {
        v = within(rng, 17.0, 25.0);
        target = v;
    }
    let (mut until, mut turn_until, mut foot, mut foot_target) = (0.0, 0.0, 0.0_f64, 0.0);
    let mut a = 0.0_f64;
    let mut bumps: [Vec<f64>; 2] = [vec![0.0; n], vec![0.0; n]];
    let mut wheels: [Vec<f64>; 4] = std::array::from_fn(|_| Vec::with_capacity(n));
    let (mut turns, mut rpm, mut pedal, mut yaw) =
        (std::array::from_fn(|_| Vec::with_capacity(n)), Vec::new(), Vec::new(), Vec::new());
    let mut way = [0.0; 4];
    let mut gear = 0usize;
    let ratios = [13.5, 7.6, 5.0, 3.7, 2.9].map(|ratio| ratio * within(rng, 0.95, 1.05));
    let mut engine = 800.0;
    for k in 0..n {
        let t = k as f64 / TRUTH_HZ;
        if t >= until {
            (target, gentle) = match road {
                Road::Town if rng.uniform() < 0.3 => (0.0, within(rng, 0.8, 3.0)),
                Road::Town => (within(rng, 4.0, 15.0), within(rng, 0.6, 2.5)),
                Road::Country => (within(rng, 16.0, 28.0), within(rng, 0.3, 1.5)),
                Road::Motorway => (within(rng, 25.0, 39.0), within(rng, 0.2, 1.2)),
            };
            until = t + within(rng, 6.0, 25.0);
        }
        let wanted = ((target - v) * 0.8).clamp(-gentle, gentle);
        a = towards(a, wanted, 4.0);
        v = (v + a / TRUTH_HZ).max(0.0);
        if t >= turn_until {
            let tightest: f64 = match road {
                Road::Town => 1.0 / within(rng, 8.0, 30.0),
                Road::Country => 1.0 / within(rng, 60.0, 400.0),
                Road::Motorway => 1.0 / within(rng, 500.0, 3000.0),
            };
            let side = if rng.uniform() < 0.5 { -1.0 } else { 1.0 };
            turn_target = if rng.uniform() < 0.5 { 0.0 } else { side * tightest };
            turn_until = t + within(rng, 2.0, 9.0);
        }
        // Nobody corners at more than 3 m/s².
        let most = 3.0 / (v * v).max(1.0);
        turn = towards(turn, turn_target.clamp(-most, most), 0.03);
        let w = turn * v;
        yaw.push(w.to_degrees() + 0.1 * rng.normal());
        let front = |side: f64| ((v + side * w * track / 2.0).powi(2) + (w * wheelbase).powi(2)).sqrt();
        let plain = [front(-1.0), front(1.0), v - w * track / 2.0, v + w * track / 2.0];
        for (side, bumps) in bumps.iter_mut().enumerate() {
            let shade = if side == 0 { 1.0 } else { 0.8 };
            let before = if k > 0 { bumps[k - 1] } else { 0.0 };
            bumps[k] = 0.7 * before + 0.7 * shade * rng.normal();
        }
        for wheel in 0..4 {
            let is_driven = is_front_driven == (wheel < 2);
            let slips = if is_driven { 1.0 + slip * a } else { 1.0 };
            let later = if wheel < 2 { 0 } else { (wheelbase / v.max(1.0) * TRUTH_HZ) as usize };
            let bump = if k >= later { bumps[wheel % 2][k - later] } else { 0.0 };
            let rolls = plain[wheel] * tyres[wheel] * slips;
            let shakes = if v > 1.0 {
                roughness / 3.6 * (v / 14.0).sqrt() * bump + pitch[wheel] * v * rng.normal()
            } else {
                0.0
            };
            let speed = (rolls + shakes).max(0.0);
            way[wheel] += rolls / TRUTH_HZ / (std::f64::consts::TAU * radius);
            wheels[wheel].push(3.6 * speed);
            turns[wheel].push(way[wheel]);
        }
        // The foot follows what the engine has to give, rests on the brake, and holds between.
        if k % 60 == 0 {
            let need = (a + 0.012 * v + 0.0004 * v * v).max(0.0) / 4.0;
            foot_target = if a < -0.3 { 0.0 } else { (need + 0.03 * rng.normal()).clamp(0.0, 1.0) };
        }
        foot = towards(foot, foot_target, within(rng, 0.2, 1.2));
        pedal.push(foot);
        let of_gear = |gear: usize| v / radius * ratios[gear] * 60.0 / std::f64::consts::TAU;
        if gear < 4 && of_gear(gear) > 2800.0 {
            gear += 1;
        } else if gear > 0 && of_gear(gear) < 1300.0 {
            gear -= 1;
        }
        engine = towards(engine, of_gear(gear).max(800.0), 4000.0);
        rpm.push(engine + 6.0 * rng.normal());
    }
    let mut signals: Vec<Truth> = Vec::new();
    let mut add = |id: &str, unit, step, value: Vec<f64>| {
        signals.push(Truth { id: id.to_owned(), unit, value, step });
    };
    let car: Vec<f64> = (0..n).map(|k| 0.5 * (wheels[0][k] + wheels[1][k])).collect();
    for (id, value) in WHEELS.into_iter().zip(wheels) {
        add(id, "km/h", wheel_step, value);
    }
    let (rest, span, half, offset) =
        (within(rng, 13.0, 20.0), within(rng, 55.0, 68.0), within(rng, 0.45, 0.55), within(rng, -1.0, 1.0));
    let track = |gain: f64, plus: f64, rng: &mut Rng| {
        pedal.iter().map(|p| gain * (rest + span * p) + plus + 0.08 * rng.normal()).collect::<Vec<f64>>()
    };
    add("pedal.position_1", "%", 100.0 / 255.0, track(1.0, 0.0, rng));
    add("pedal.position_2", "%", 100.0 / 255.0, track(half, offset, rng));
    add("vehicle.speed", "km/h", 1.0, car);
    add("engine.speed", "rpm", 0.25, rpm.clone());
    add("yaw.rate", "deg/s", 0.06, yaw);
    Drive { signals, turns, pedal, rpm }
}
