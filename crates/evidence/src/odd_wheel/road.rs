//! What the road and the car did: which way each block turned, and whether the columns carry the right names.

#[cfg(test)]
mod tests;

use nalgebra::{Matrix3, Vector3};

use crate::stats::robust;
use crate::wheels::{Block, Rig, TRACK_M, lift_of};

/// Turning as an independent sensor saw it.
pub(crate) struct Reference {
    /// Signal that told.
    pub(crate) signal: &'static str,
    /// (right - left) / speed that the sensor's reading stands for, per block; NaN where it was silent.
    pub(crate) turn: Vec<f64>,
    /// Standard deviation of the side difference that remains, because the sensor's zero is not known exactly.
    pub(crate) sigma: f64,
}

/// A contradiction between the columns' names and the way the car moved.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Exchange {
    /// One axle turns left when the other turns right.
    OneAxle,
    /// The wheels turn left when yaw or steering turn right.
    Sides(&'static str),
    /// The "rear" wheels run the wider arc.
    Axles,
}

/// Standard errors by which a sensor must turn against the wheels before their columns are called exchanged: three and a half
/// where half as many blocks are independent.
const AGAINST_SIGMAS: f64 = 5.0;

/// Result of a robust fit of three coefficients with prior means and spreads.
struct Fit {
    value: Vector3<f64>,
    sigma: Vector3<f64>,
}

/// Bayesian linear regression with Huber weights (k = 1.345): `rows` of (regressors, observation).
fn fit(rows: &[([f64; 3], f64)], prior: [(f64, f64); 3], least_noise: f64) -> Option<Fit> {
    let mean = Vector3::from_iterator(prior.iter().map(|p| p.0));
    let precision = Matrix3::from_diagonal(&Vector3::from_iterator(prior.iter().map(|p| p.1.powi(-2))));
    let mut value = mean;
    let mut noise = f64::INFINITY;
    let mut sigma = Vector3::zeros();
    for _ in 0..8 {
        let mut off: Vec<f64> = rows.iter().map(|(x, y)| y - Vector3::from(*x).dot(&value)).collect();
        let weights: Vec<f64> = off.iter().map(|r| (1.345 * noise / r.abs().max(1e-12)).min(1.0)).collect();
        let scale = robust::median_and_sigma(&mut off)?.1.max(least_noise);
        let w_scale = if noise.is_finite() { noise } else { scale };
        let mut left = precision;
        let mut right = precision * mean;
        for ((x, y), weight) in rows.iter().zip(&weights) {
            let x = Vector3::from(*x);
            left += x * x.transpose() * (weight / w_scale.powi(2));
            right += x * (y * weight / w_scale.powi(2));
        }
        let inverse = left.try_inverse()?;
        value = inverse * right;
        sigma = inverse.diagonal().map(f64::sqrt);
        noise = scale;
    }
    Some(Fit { value, sigma })
}

/// Mean of the complete axles.
fn turn_of(block: &Block) -> f64 {
    let (mut sum, mut n) = (0.0, 0.0);
    for turn in block.turn_of_axle.into_iter().filter(|x| x.is_finite()) {
        sum += turn;
        n += 1.0;
    }
    if n > 0.0 { sum / n } else { f64::NAN }
}

/// Turning from the yaw rate, or else from the steering wheel; `None` without either or where it cannot be trusted.
///
/// Also tells when the sensor and the wheels turn opposite ways.
pub(crate) fn reference(rig: &Rig) -> (Option<Reference>, Option<Exchange>) {
    for signal in ["yaw.rate", "steering.angle"] {
        if let Some(found) = by_sensor(rig, signal) {
            return match found {
                Ok(reference) => (Some(reference), None),
                Err(exchange) => (None, Some(exchange)),
            };
        }
    }
    (None, None)
}

fn by_sensor(rig: &Rig, signal: &'static str) -> Option<Result<Reference, Exchange>> {
    let is_yaw = signal == "yaw.rate";
    // Regressors of the observation: sensor, side difference, zero of the sensor.
    let regressors = |block: &Block| -> Option<[f64; 3]> {
        if is_yaw {
            Some([block.yaw_rad_s?, block.speed_m_s, 1.0])
        } else {
            // Path curvature falls short of the steering angle as speed grows, by the factor 1 / (1 + (v / v_ch)^2) of
            // the linear single-track model; characteristic speeds lie around 20 to 30 m/s (from memory).
            Some([block.steering_deg? / (1.0 + (block.speed_m_s / 25.0).powi(2)), 1.0, 0.0])
        }
    };
    let rows: Vec<([f64; 3], f64)> = rig
        .blocks
        .iter()
        .filter_map(|block| {
            let turn = turn_of(block);
            let y = if is_yaw { turn * block.speed_m_s } else { turn };
            turn.is_finite().then_some((regressors(block)?, y))
        })
        .collect();
    if rows.len() < 10 || rows.len() * 5 < rig.blocks.len() * 4 {
        return None;
    }
    // Spreads: track 1.4 to 1.65 m; zero of a yaw sensor within 1.5 deg/s; steering ratio 12 to 20 on a wheelbase of 2.4 to
    // 3 m, 0.00065 per degree; zero of a steering sensor 3 degrees, see below (common practice, no source).
    let prior = if is_yaw {
        [(TRACK_M, 0.15), (0.0, 1.0), (0.0, TRACK_M * 1.5_f64.to_radians())]
    } else {
        [(0.00065, 0.0002), (0.0, 1.0), (0.0, 1.0)]
    };
    let least_noise = if is_yaw { 0.01 } else { 0.001 };
    // Beside a prior that knows the sign, rows that contradict it look like noise: whether they do is asked without one.
    let [(usual, _), side, zero] = prior;
    let blind = fit(&rows, [(0.0, usual), side, zero], least_noise)?;
    if blind.value[0] < -0.3 * usual && blind.value[0] < -AGAINST_SIGMAS * blind.sigma[0] {
        return Some(Err(Exchange::Sides(signal)));
    }
    let found = fit(&rows, prior, least_noise)?;
    let (least, most) = if is_yaw { (1.1, 2.0) } else { (0.0003, 0.0013) };
    let slope = found.value[0];
    if !(least..=most).contains(&slope) {
        return None;
    }
    let zero = found.value[2];
    let turn = rig.blocks.iter().map(|block| {
        regressors(block)
            .map_or(f64::NAN, |x| if is_yaw { (slope * x[0] + zero) / block.speed_m_s } else { slope * x[0] })
    });
    // Neighbouring blocks share their errors: half as many independent ones. 0.1 % for roll, camber and crown of the road.
    let of_zero = if is_yaw { 0.0 } else { 3.0 * slope };
    let sigma = (2.0 * found.sigma[1].powi(2) + 0.001_f64.powi(2) + of_zero * of_zero).sqrt();
    Some(Ok(Reference { signal, turn: turn.collect(), sigma }))
}

/// Whether the names of the columns contradict the geometry of turning. Needs turns to tell; silent without them.
pub(crate) fn exchange(rig: &Rig) -> Option<Exchange> {
    if rig.present != [true; 4] || rig.blocks.len() < 10 {
        return None;
    }
    let blocks: Vec<&Block> = rig.blocks.iter().filter(|block| block.accel_m_s2.abs() < 1.5).collect();
    let middle =
        |axle: usize| robust::median(&mut blocks.iter().map(|block| block.turn_of_axle[axle]).collect::<Vec<_>>());
    let (front, rear) = (middle(0)?, middle(1)?);
    // Clear turns only: both axles see more than a tyre or a step can make.
    let clear = 0.02_f64.max(3.0 * rig.step_kmh / 3.6 / median_speed(rig));
    let turns = blocks.iter().map(|block| (block.turn_of_axle[0] - front, block.turn_of_axle[1] - rear));
    let clear_turns: Vec<(f64, f64)> = turns.filter(|(f, r)| f.abs().min(r.abs()) > clear).collect();
    let against = clear_turns.iter().filter(|(f, r)| f * r < 0.0).count();
    if clear_turns.len() >= 10 && 10 * against >= 9 * clear_turns.len() {
        return Some(Exchange::OneAxle);
    }
    // After the front wheels' wider arc is taken out nothing should depend on it; exchanged axles show it twice, negative.
    let tight: Vec<(f64, f64)> = blocks
        .iter()
        .map(|block| {
            let lift = lift_of(block.turn);
            let r = block.relative;
            (lift, 0.5 * (r[0] + r[1] - r[2] - r[3]))
        })
        .collect();
    // Ten blocks in turns tight enough to lift the front wheels by 1 % (radius 20 m), and others to compare with.
    let n_tight = tight.iter().filter(|p| p.0 > 0.01).count();
    if n_tight < 10 || tight.len() - n_tight < 10 {
        return None;
    }
    let median_of = |is_tight: bool, of: fn(&(f64, f64)) -> f64| {
        robust::median(&mut tight.iter().filter(|p| (p.0 > 0.01) == is_tight).map(of).collect::<Vec<_>>())
    };
    let lift = median_of(true, |p| p.0)? - median_of(false, |p| p.0)?;
    let axle = median_of(true, |p| p.1)? - median_of(false, |p| p.1)?;
    (axle < -lift && axle < -0.01).then_some(Exchange::Axles)
}

fn median_speed(rig: &Rig) -> f64 {
    robust::median(&mut rig.blocks.iter().map(|block| block.speed_m_s).collect::<Vec<_>>()).unwrap_or(1.0).max(1.0)
}
