//! `warm-up`: does the thermostat bring the engine to temperature and hold it there?
//!
//! Energy model, fitted to each drive instead of a fixed time: `dT/dt = A f - (B0 + B1 w)(T - Ta)` with the heat input f
//! (fuel, or what stands for it), the speed w in units of 100 km/h, and the ambient temperature Ta. With a closed thermostat
//! B is what a cabin heater and the engine's surface can take; an open one adds the radiator's share to B1. Below
//! [`CLOSED_DEGC`] every thermostat must be closed.

mod heat;
#[cfg(test)]
mod tests;

use nalgebra::{DMatrix, DVector};

use crate::answer::{answer, figures, lacking};
use crate::examination::Examination;
use crate::stats::gauss::Normal;
use crate::stats::shape::{ln_evidence, log_spaced};
use crate::{Check, Finding, Kind, Span, Verdict};
use heat::{Block, Heat};

/// The check's entry in the registry.
pub(crate) const CHECK: Check = Check { kind: Kind::WarmUp, run };

const SUBJECT: &str = "coolant";
/// Below it every thermostat is closed: the earliest open at 71 degC (common practice, no source).
const CLOSED_DEGC: f64 = 70.0;
/// At temperature: a plateau below 75 to 80 degC on the road is suspicious (common practice, no source).
const WARM_DEGC: f64 = 78.0;
/// Once warm, a sound thermostat does not let it fall below this on the road.
const FALLEN_DEGC: f64 = 72.0;
/// Remark above this; an antifreeze mixture at 2 bar boils near 129 degC (from memory).
const HOT_DEGC: f64 = 112.0;
/// On the road, km/h: enough wind for the radiator.
pub(crate) const ROAD_KMH: f64 = 40.0;
/// Heating rate from average heat input, K/s: 10 kW into 100 to 250 kJ/K (derived: 100 to 250 kg of metal at 0.45 to
/// 0.9 kJ/(kg K) and 7 kg of coolant at 3.6), mean and spread.
const HEATING_K_S: (f64, f64) = (0.06, 0.05);
/// Loss of a closed cooling circuit per kelvin and second: surface 20 to 60 W/K and cabin heater up to 100 W/K over 100 to
/// 150 kJ/K (derived; powers common practice, no source), mean and spread; and its growth to 100 km/h.
const CLOSED_LOSS: (f64, f64) = (8e-4, 4e-4);
const CLOSED_LOSS_WIND: (f64, f64) = (4e-4, 4e-4);
/// What a radiator adds at 100 km/h, per kelvin and second: 200 to 1500 W/K over 100 to 150 kJ/K (derived).
const OPEN_LOSS: (f64, f64) = (1.5e-3, 1.2e-2);
/// Error of the modelled heating rate where the heat input is known from fuel, and from less, as a share.
const HEAT_ERROR: (f64, f64) = (0.2, 0.35);
/// Evidence of one drive is bounded.
const MOST: f64 = 3.5;
/// Warm driving that counts one decade for a sound thermostat, seconds: an open one cools by 10 K in 3 minutes.
const HEALTHY_DECADE_S: f64 = 180.0;
/// Slower than this is a plateau, K/min: a closed circuit at [`CLOSED_DEGC`] still rises by more on the road (the check's own
/// heating and loss, derived: 0.06 - 50 * 0.0012 K/s is nothing only in deep cold, which the fit knows).
const PLATEAU_K_MIN: f64 = 0.5;
/// Blocks below [`CLOSED_DEGC`] and on the road that a verdict "faulty" needs.
const FEWEST: (usize, usize) = (8, 5);

/// Minutes that are looked at together.
const MOST_BLOCKS: usize = 90;

fn run(recording: &Examination<'_>) -> Vec<Finding> {
    let Some(coolant) = recording.series("coolant.temperature").filter(|series| !series.is_empty()) else {
        return Vec::new();
    };
    vec![match heat::blocks(recording, coolant) {
        Err(missing) => lacking(Kind::WarmUp, SUBJECT, missing.0, missing.1),
        Ok((blocks, heat)) => judge(&blocks, heat),
    }]
}

/// Odds of an open thermostat from the blocks below [`CLOSED_DEGC`], and the extra loss at 100 km/h that fits best.
fn open_odds(blocks: &[&Block], heat: Heat) -> Option<(f64, f64)> {
    let n = blocks.len();
    let mean_heat = blocks.iter().map(|block| block.heat).sum::<f64>() / n as f64;
    if n < 3 || mean_heat.is_nan() || mean_heat <= 0.0 || blocks.iter().any(|b| b.above_ambient_k.is_nan()) {
        return None;
    }
    let share: Vec<f64> = blocks.iter().map(|block| block.heat / mean_heat).collect();
    let wind: Vec<f64> = blocks.iter().map(|block| block.wind() * block.above_ambient_k).collect();
    let expected =
        |k: usize| HEATING_K_S.0 * share[k] - CLOSED_LOSS.0 * blocks[k].above_ambient_k - CLOSED_LOSS_WIND.0 * wind[k];
    let model_error = if heat == Heat::Fuel { HEAT_ERROR.0 } else { HEAT_ERROR.1 };
    // The typical rate of this drive sets the scale of the model's error.
    let typical = blocks.iter().map(|block| block.rate_k_s.abs()).sum::<f64>() / n as f64;
    let scale = typical.max(0.5 * HEATING_K_S.0);
    let values = DVector::from_iterator(n, (0..n).map(|k| blocks[k].rate_k_s - expected(k)));
    let covariance = DMatrix::from_fn(n, n, |i, j| {
        let (a, b) = (blocks[i], blocks[j]);
        // A block's end is the next one's start: the reading error of the border counts with opposite signs.
        let reading = match i.abs_diff(j) {
            0 => 2.0 * a.rate_error.powi(2) + (model_error * scale * share[i].max(0.3)).powi(2),
            1 => -a.rate_error * b.rate_error,
            _ => 0.0,
        };
        HEATING_K_S.1.powi(2) * share[i] * share[j]
            + CLOSED_LOSS.1.powi(2) * a.above_ambient_k * b.above_ambient_k
            + CLOSED_LOSS_WIND.1.powi(2) * wind[i] * wind[j]
            + reading
    });
    let healthy = Normal::new(covariance)?;
    let shape = DVector::from_iterator(n, wind.iter().map(|w| -w));
    let (ln, size) = ln_evidence(&healthy, &values, &shape, &log_spaced(OPEN_LOSS.0, OPEN_LOSS.1, 30));
    let ln_healthy = healthy.ln_density(healthy.product(&values, &values));
    Some((((ln - ln_healthy) / std::f64::consts::LN_10).clamp(-2.0, MOST), size))
}

/// Rise from the middle to the last third of the blocks, K/min; `None` when a third has fewer than three.
fn rise_k_min(blocks: &[&Block]) -> Option<f64> {
    let third = blocks.len() / 3;
    if third < 3 {
        return None;
    }
    let (earlier, last) = blocks[blocks.len() - 2 * third..].split_at(third);
    let mean = |part: &[&Block], of: &dyn Fn(&Block) -> f64| part.iter().map(|b| of(b)).sum::<f64>() / third as f64;
    let kelvins = mean(last, &Block::middle_degc) - mean(earlier, &Block::middle_degc);
    Some(60.0 * kelvins / (mean(last, &|b| b.from_s) - mean(earlier, &|b| b.from_s)))
}

fn judge(blocks: &[Block], heat: Heat) -> Finding {
    let first = blocks.first().map_or(f64::NAN, |block| block.from_degc);
    let last = blocks.last().map_or(f64::NAN, |block| block.to_degc);
    let hottest = blocks.iter().map(|block| block.to_degc).fold(f64::NAN, f64::max);
    let minutes = blocks.iter().map(|block| block.to_s - block.from_s).sum::<f64>() / 60.0;
    let closed: Vec<&Block> =
        blocks.iter().filter(|b| b.middle_degc() < CLOSED_DEGC && b.after_start_s >= 120.0).collect();
    let on_road = |block: &&&Block| block.speed_kmh >= ROAD_KMH;
    let n_road = closed.iter().filter(on_road).count();
    let warm_at = blocks.iter().position(|block| block.to_degc >= WARM_DEGC);
    let after: &[Block] = warm_at.map_or(&[], |k| &blocks[k..]);
    let warm_s = after
        .iter()
        .filter(|b| b.speed_kmh >= ROAD_KMH && b.middle_degc() >= WARM_DEGC - 3.0)
        .fold(0.0, |sum, b| sum + b.to_s - b.from_s);
    let fallen: Vec<&Block> = after.iter().filter(|b| b.to_degc < FALLEN_DEGC && b.speed_kmh >= ROAD_KMH).collect();
    // The likelihood of n blocks takes n³ steps: a warm-up has a few dozen, and the latest tell of a plateau.
    let fitted = open_odds(&closed[closed.len().saturating_sub(MOST_BLOCKS)..], heat);

    let mut story =
        format!("{first:.0} to {last:.0} degC (highest {hottest:.0} degC) in {minutes:.0} min with the engine running");
    let mut next = Vec::new();
    let mut spans = Vec::new();
    let odds;
    if hottest >= HOT_DEGC {
        odds = 0.5;
        story += ": hotter than usual (common practice, a warning only)";
        next.push("Watch the fan and both radiator hoses: a cold lower hose at this temperature means no flow (thermostat closed, pump).".to_owned());
    } else if fallen.is_empty() && warm_s > 0.0 && last >= FALLEN_DEGC {
        odds = -(warm_s / HEALTHY_DECADE_S).min(2.0);
        story += &format!("; held at {WARM_DEGC:.0} degC and more for {:.0} min on the road", warm_s / 60.0);
        next.push(format!("Drive {:.0} s more above 60 km/h at temperature.", (HEALTHY_DECADE_S - warm_s).max(30.0)));
    } else if warm_at.is_some() && fallen.is_empty() {
        odds = 0.0;
        story += ": warm, but not long enough on the road, where an open thermostat shows";
        next.push("Drive 5 minutes above 60 km/h at temperature.".to_owned());
    } else {
        // Still rising is no plateau, whatever the fit says.
        let is_plateau = rise_k_min(&closed).is_some_and(|rise| rise < PLATEAU_K_MIN);
        let is_enough = closed.len() >= FEWEST.0 && n_road >= FEWEST.1 && heat != Heat::Speed;
        let cap = if (is_plateau || !fallen.is_empty()) && is_enough { MOST } else { 1.5 };
        let from_fit = fitted.map_or(0.0, |fit| fit.0);
        // A drive that never got warm has not shown that the thermostat holds.
        odds = from_fit.clamp(Verdict::LEAST_OPEN, cap);
        if !fallen.is_empty() {
            story += &format!("; fell below {FALLEN_DEGC:.0} degC on the road after having been warm");
        }
        story += &format!(
            "; {:.0} min of it below {CLOSED_DEGC:.0} degC after the start ({n_road} on the road)",
            closed.iter().fold(0.0, |sum, b| sum + b.to_s - b.from_s) / 60.0
        );
        if let Some((_, extra)) = fitted {
            story += &format!(
                ", in which the loss at 100 km/h exceeds that of a closed circuit by {:.1} per 1000 s (an open one: {:.1} or more), heat input from {}",
                1e3 * extra,
                1e3 * OPEN_LOSS.0,
                heat.words()
            );
        }
        let from_s = closed.iter().find(|block| block.speed_kmh >= ROAD_KMH).map(|block| block.from_s);
        if let (Some(from_s), Some(end)) = (from_s, closed.last()) {
            spans.push(Span { from_s, to_s: end.to_s });
        }
        if closed.iter().any(|block| block.above_ambient_k.is_nan()) {
            next.push("Record intake.air_temperature too: the loss depends on it.".to_owned());
        }
        if heat != Heat::Fuel {
            next.push("Record the fuel rate too: the heat input is then known.".to_owned());
        }
        next.push("From cold, feel the upper radiator hose (or measure it): it must stay cold until the coolant reaches the thermostat's opening temperature.".to_owned());
        if !is_enough {
            next.push(format!("Record a cold start and then 15 minutes with at least 8 above 60 km/h (here {n_road} minutes above {ROAD_KMH:.0} km/h, cold)."));
        }
    }
    let mut finding = answer(Kind::WarmUp, SUBJECT, odds, story + ".");
    finding.figures = figures([
        ("first_degc", first),
        ("last_degc", last),
        ("highest_degc", hottest),
        ("running_min", minutes),
        ("warm_on_road_s", warm_s),
        ("cold_blocks", closed.len() as f64),
        ("cold_blocks_on_road", n_road as f64),
        ("extra_loss_per_1000_s", fitted.map_or(f64::NAN, |fit| 1e3 * fit.1)),
        ("ambient_degc", blocks.first().map_or(f64::NAN, |block| block.from_degc - block.above_ambient_k)),
    ]);
    finding.spans = spans;
    if finding.verdict != Verdict::Healthy {
        finding.next = next;
    }
    if finding.verdict == Verdict::Faulty {
        finding.alternatives.push(
            "a sensor that reads low, a fan that always runs, or a very effective cabin heater in deep cold".into(),
        );
    }
    finding
}
