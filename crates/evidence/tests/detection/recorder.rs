//! What a recorder makes of the truth: polled one after another, late, stamped roughly, in steps.

use signal::{Recording, Series, SignalId, Unit, nanos_from_seconds};

use super::car::{TRUTH_HZ, Truth};
use super::common::Rng;

/// How a drive is sampled.
#[derive(Debug, Clone, Copy)]
pub struct Sampling {
    pub rate_hz: f64,
    /// Coarsest step of a wheel, km/h; 0 keeps the module's own.
    pub wheel_step_kmh: f64,
}

/// One signal as a function of time in seconds.
pub struct Course {
    id: &'static str,
    unit: &'static str,
    step: f64,
    value: Box<dyn Fn(f64) -> f64>,
}

impl Course {
    pub fn new(id: &'static str, unit: &'static str, step: f64, value: impl Fn(f64) -> f64 + 'static) -> Self {
        Self { id, unit, step, value: Box::new(value) }
    }
}

/// A recording of signals that are known at every step of the truth.
pub fn record(signals: &[Truth], sampling: Sampling, rng: &mut Rng) -> Recording {
    let n = signals.first().map_or(0, |signal| signal.value.len());
    let names: Vec<(&str, &str)> = signals.iter().map(|signal| (signal.id.as_str(), signal.unit)).collect();
    poll(&names, n as f64 / TRUTH_HZ, sampling, rng, |turn, t_s| {
        let signal = &signals[turn];
        let step = if signal.unit == "km/h" { signal.step.max(sampling.wheel_step_kmh) } else { signal.step };
        // The middle of the step, so that rounding cannot take the one before.
        let at = (t_s * TRUTH_HZ + 0.5) as usize;
        let value = (signal.value[at.min(n - 1)] / step).round() * step;
        if signal.unit == "%" { value.clamp(0.0, 100.0) } else { value }
    })
}

/// A recording of signals that are known at any time.
pub fn record_courses(courses: &[Course], seconds: f64, rate_hz: f64, rng: &mut Rng) -> Recording {
    let names: Vec<(&str, &str)> = courses.iter().map(|course| (course.id, course.unit)).collect();
    poll(&names, seconds, Sampling { rate_hz, wheel_step_kmh: 0.0 }, rng, |turn, t_s| {
        let course = &courses[turn];
        ((course.value)(t_s) / course.step).round() * course.step
    })
}

/// Polls all signals in turn, the whole round within `5..60` ms or most of the interval, with jitter, lost rounds now and
/// then, and modules that renew their values every 10 or 20 ms.
fn poll(
    names: &[(&str, &str)],
    seconds: f64,
    sampling: Sampling,
    rng: &mut Rng,
    value: impl Fn(usize, f64) -> f64,
) -> Recording {
    let round_s = (0.005 + 0.055 * rng.uniform()).min(0.8 / sampling.rate_hz);
    let renewed_hz = if rng.uniform() < 0.5 { 100.0 } else { 50.0 };
    let jitter_s = 0.15 / sampling.rate_hz.max(20.0);
    let mut recording = Recording::default();
    for (id, unit) in names {
        recording.series.push(Series::new(SignalId::new(id).unwrap(), Unit::named(unit)));
    }
    let n_rounds = ((seconds - 0.2) * sampling.rate_hz) as usize;
    for round in 0..n_rounds {
        if rng.uniform() < 0.003 {
            continue;
        }
        let from_s = 0.05 + round as f64 / sampling.rate_hz;
        for (turn, series) in recording.series.iter_mut().enumerate() {
            let t_s = from_s + round_s * turn as f64 / names.len() as f64 + jitter_s * rng.uniform();
            series.push_value(nanos_from_seconds(t_s), value(turn, (t_s * renewed_hz).floor() / renewed_hz));
        }
    }
    recording
}
