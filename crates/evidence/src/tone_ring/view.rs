//! Errors of the wheels by how often they repeat per metre rolled, for people to look at.

use signal::Recording;

use super::order::{CIRCUMFERENCE_M, Order};
use super::{TOLERANCE, look_at_all};
use crate::wheels::WHEELS;

/// What repeats in the speed of one wheel.
#[derive(Debug, Clone, PartialEq)]
pub struct WheelSpectrum {
    /// The signal.
    pub wheel: &'static str,
    /// How far it was looked at, metres.
    pub metres: f64,
    /// Circumference of the strongest line that may be one turn of the wheel, metres.
    pub circumference_m: f64,
    /// Repetitions per metre.
    pub per_m: Vec<f64>,
    /// Size of the error that repeats so often, relative to the speed, percent.
    pub percent: Vec<f64>,
}

/// Size that sound rings show, percent.
pub const RING_TOLERANCE_PERCENT: f64 = 100.0 * TOLERANCE;

/// Repetitions per metre between which one turn of a wheel lies.
pub const TURNS_PER_M: (f64, f64) = (1.0 / CIRCUMFERENCE_M.1, 1.0 / CIRCUMFERENCE_M.0);

/// Repetitions per metre that are shown: from below one turn to above three of a usual wheel, as finely as stretches of
/// 400 m tell apart.
const SHOWN_PER_M: (f64, f64) = (0.2, 1.6);
const N_SHOWN: usize = 700;

/// What repeats in each recorded wheel's speed; wheels that rolled too little are left out.
#[must_use]
pub fn wheel_spectra(recording: &Recording) -> Vec<WheelSpectrum> {
    let looked = look_at_all(recording);
    looked.iter().filter_map(|one| Some((one.wheel, one.order.as_ref()?))).map(spectrum).collect()
}

fn spectrum((wheel, order): (usize, &Order)) -> WheelSpectrum {
    let (low, high) = SHOWN_PER_M;
    let mut per_m: Vec<f64> = (0..N_SHOWN).map(|k| low + (high - low) * k as f64 / (N_SHOWN - 1) as f64).collect();
    // A line of a long drive is narrower than the steps: its own frequencies are looked at as well.
    per_m.extend((1..=3).map(|turns| f64::from(turns) / order.circumference_m).filter(|own| (low..high).contains(own)));
    per_m.sort_unstable_by(f64::total_cmp);
    let percent = per_m.iter().map(|frequency| 100.0 * order.size_at(*frequency).amplitude).collect();
    let (metres, circumference_m) = (order.metres, order.circumference_m);
    WheelSpectrum { wheel: WHEELS[wheel], metres, circumference_m, per_m, percent }
}

#[cfg(test)]
mod tests {
    use std::f64::consts::TAU;

    use signal::{Recording, Series, SignalId, Unit};

    use super::*;

    #[test]
    fn a_wave_of_every_turn_stands_at_one_turn_with_its_size() {
        // Two minutes at a gently changing 40 km/h, 20 samples a second; 3 % once per turn of 2.0 m on one wheel.
        let mut recording = Recording::default();
        for (k, wheel) in WHEELS.iter().enumerate() {
            let (mut t_ns, mut value, mut rolled_m) = (Vec::new(), Vec::new(), 0.0);
            for n in 0..2400 {
                let t_s = f64::from(n) * 0.05;
                let speed_kmh = 40.0 + 4.0 * (t_s / 7.0).sin();
                rolled_m += speed_kmh / 3.6 * 0.05;
                let wave = if k == 2 { 0.03 * (TAU * rolled_m / 2.0).sin() } else { 0.0 };
                t_ns.push(i64::from(n) * 50_000_000);
                value.push((speed_kmh * (1.0 + wave) * 100.0).round() / 100.0);
            }
            let (id, unit) = (SignalId::new(wheel).unwrap(), Unit::named("km/h"));
            recording.series.push(Series { id, unit, t_ns, asked_ns: Vec::new(), exchange: Vec::new(), value });
        }
        let spectra = wheel_spectra(&recording);
        let odd = spectra.iter().find(|one| one.wheel == WHEELS[2]).unwrap();
        let top = (0..odd.per_m.len()).max_by(|&i, &j| odd.percent[i].total_cmp(&odd.percent[j])).unwrap();
        assert!((odd.per_m[top] - 0.5).abs() < 0.01, "{}", odd.per_m[top]);
        assert!((odd.percent[top] - 3.0).abs() < 0.4, "{}", odd.percent[top]);
        let sound = spectra.iter().find(|one| one.wheel == WHEELS[0]).unwrap();
        assert!(sound.percent.iter().all(|percent| *percent < 0.5));
    }
}
