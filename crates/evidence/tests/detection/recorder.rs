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

/// Polls all signals in turn, the whole round within `5..60` ms or most of the interval, with jitter, lost rounds now and
/// then, and modules that renew their values every 10 or 20 ms.
pub fn record(signals: &[Truth], sampling: Sampling, rng: &mut Rng) -> Recording {
    let round_s = (0.005 + 0.055 * rng.uniform()).min(0.8 / sampling.rate_hz);
    let refresh = if rng.uniform() < 0.5 { 2 } else { 4 };
    let jitter_s = 0.15 / sampling.rate_hz.max(20.0);
    let n = signals.first().map_or(0, |signal| signal.value.len());
    let seconds = n as f64 / TRUTH_HZ;
    let mut recording = Recording::default();
    for signal in signals {
        recording.series.push(Series::new(SignalId::new(&signal.id).unwrap(), Unit::named(signal.unit)));
    }
    let n_rounds = ((seconds - 0.2) * sampling.rate_hz) as usize;
    for round in 0..n_rounds {
        if rng.uniform() < 0.003 {
            continue;
        }
        let from_s = 0.05 + round as f64 / sampling.rate_hz;
        for (turn, (signal, series)) in signals.iter().zip(&mut recording.series).enumerate() {
            let t_s = from_s + round_s * turn as f64 / signals.len() as f64 + jitter_s * rng.uniform();
            let at = (((t_s * TRUTH_HZ) as usize).min(n - 1) / refresh) * refresh;
            let step = if signal.unit == "km/h" { signal.step.max(sampling.wheel_step_kmh) } else { signal.step };
            let value = (signal.value[at] / step).round() * step;
            series
                .push_value(nanos_from_seconds(t_s), if signal.unit == "%" { value.clamp(0.0, 100.0) } else { value });
        }
    }
    recording
}
