//! Minutes of running engine: how the coolant moved, and what heated and cooled it.

use signal::{Recording, Series};

use crate::charging::RUNNING_RPM;
use crate::stats::quantum::step_of;
use crate::stats::robust::{median, quantile};
use crate::stats::rows::Rows;

/// Length of a row and of a block, seconds. A sensor of 1 K then knows the rate of a block to a few per cent of the usual
/// 4 K per minute.
const ROW_S: f64 = 5.0;
const BLOCK_S: f64 = 60.0;
/// Rows to either side of a block's end over which its temperature is averaged: where one row falls against the step of
/// the sensor is chance, and moves the rate of a block by a kelvin per minute.
const BORDER_ROWS: usize = 3;
/// A block may have such a hole, seconds.
const HOLE_S: f64 = 20.0;
/// Fastest change of a coolant sensor in an engine, K per row: thermal shock when a thermostat opens moves it by a few.
const JUMP_K: f64 = 15.0;

/// What stands for the heat input.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Heat {
    /// Fuel rate, or the air flow of an engine that runs stoichiometrically.
    Fuel,
    /// Load times engine speed, or pressure times engine speed.
    Load,
    /// Engine speed only: no verdict rests on it.
    Speed,
}

impl Heat {
    pub(super) fn words(self) -> &'static str {
        match self {
            Self::Fuel => "fuel",
            Self::Load => "load and engine speed",
            Self::Speed => "engine speed alone",
        }
    }
}

/// One minute.
pub(super) struct Block {
    pub(super) from_s: f64,
    pub(super) to_s: f64,
    pub(super) from_degc: f64,
    pub(super) to_degc: f64,
    pub(super) rate_k_s: f64,
    /// Reading error of each end over the block's length, K/s.
    pub(super) rate_error: f64,
    /// Coolant above ambient; NaN without any air temperature.
    pub(super) above_ambient_k: f64,
    pub(super) heat: f64,
    pub(super) speed_kmh: f64,
    /// Seconds since the engine began to run, or since the recording began.
    pub(super) after_start_s: f64,
}

impl Block {
    pub(super) fn middle_degc(&self) -> f64 {
        f64::midpoint(self.from_degc, self.to_degc)
    }

    /// Wind in units of 100 km/h.
    pub(super) fn wind(&self) -> f64 {
        self.speed_kmh / 100.0
    }
}

fn containing<'a>(recording: &'a Recording, words: &[&str]) -> Option<&'a Series> {
    recording.series.iter().find(|series| {
        let id = series.id.as_str().to_lowercase().replace(['.', ' '], "_");
        !series.is_empty() && words.iter().any(|word| id.contains(word))
    })
}

/// Ambient temperature: recorded, or the coldest that intake and coolant have been.
fn ambient_degc(recording: &Recording, coolant: &Series) -> Option<f64> {
    let is_air = |value: &f64| (-40.0..60.0).contains(value);
    if let Some(series) = containing(recording, &["ambient"]) {
        let mut values: Vec<f64> = series.value.iter().copied().filter(is_air).collect();
        return median(&mut values);
    }
    // A single wrong value must not set it: the coldest percent does.
    let coldest =
        |series: &Series| quantile(&mut series.value.iter().copied().filter(is_air).collect::<Vec<_>>(), 0.01);
    let intake = recording.series("intake.air_temperature").and_then(coldest)?;
    Some(coldest(coolant).map_or(intake, |coolant| coolant.min(intake)))
}

/// Minutes with the engine running, or what is missing (statement, next).
pub(super) fn blocks(recording: &Recording, coolant: &Series) -> Result<(Vec<Block>, Heat), (String, String)> {
    let named = |id: &str| recording.series(id).filter(|series| !series.is_empty());
    let (Some(rpm), Some(speed)) = (named("engine.speed"), named("vehicle.speed")) else {
        return Err((
            "The coolant temperature was recorded without engine speed and vehicle speed.".into(),
            "Record engine.speed, vehicle.speed, intake.air_temperature and engine.load or the fuel rate too.".into(),
        ));
    };
    // A warm engine is judged without it.
    let ambient = ambient_degc(recording, coolant).unwrap_or(f64::NAN);
    let (air, load, pressure) = (named("intake.air_flow"), named("engine.load"), named("intake.manifold_pressure"));
    let fuel = containing(recording, &["fuel_rate", "fuel_flow"]);
    // Stoichiometric engines carry trims; with anything else air is no measure of fuel.
    let is_stoichiometric = recording.series.iter().any(|series| series.id.as_str().starts_with("fuel.trim."));
    let rows = Rows::new(coolant, &[Some(rpm), Some(speed), fuel, air, load, pressure], ROW_S);
    let [degc, rpm, speed, fuel_rate, air_flow, load_pct, kpa] = &rows.columns[..] else {
        return Err(("The coolant temperature is no number.".into(), "Record it again.".into()));
    };
    let (heat, input): (Heat, Box<dyn Fn(usize) -> f64>) = if fuel.is_some() {
        (Heat::Fuel, Box::new(|k| fuel_rate[k]))
    } else if air.is_some() && is_stoichiometric {
        (Heat::Fuel, Box::new(|k| air_flow[k]))
    } else if load.is_some() {
        (Heat::Load, Box::new(|k| load_pct[k] * rpm[k]))
    } else if pressure.is_some() {
        (Heat::Load, Box::new(|k| kpa[k] * rpm[k]))
    } else {
        (Heat::Speed, Box::new(|k| rpm[k]))
    };
    let n_jumps = (1..rows.len()).filter(|&k| (degc[k] - degc[k - 1]).abs() > JUMP_K).count();
    let n_living = degc.iter().filter(|t| (-45.0..150.0).contains(*t)).count();
    if n_jumps * 50 > rows.len() || n_living * 50 < rows.len() * 49 {
        return Err((
            "The recorded temperature jumps as no coolant can.".into(),
            "Check the sensor and its wiring first, then record a warm-up.".into(),
        ));
    }
    let step = step_of(&coolant.value).max(0.1);
    let has_hole = |k: usize| k > 0 && rows.t_s[k] - rows.t_s[k - 1] > HOLE_S.max(3.0 * rows.dwell_s[k]);
    // Time and temperature around row `k`, evenly to both sides within the running engine that began at `first`.
    let border = |k: usize, first: usize| {
        let ahead =
            (k + 1..rows.len()).take_while(|&j| rpm[j] >= RUNNING_RPM && !has_hole(j)).take(BORDER_ROWS).count();
        let reach = ahead.min(k - first);
        let mean = |of: &[f64]| of[k - reach..=k + reach].iter().sum::<f64>() / (2 * reach + 1) as f64;
        (mean(&rows.t_s), mean(degc))
    };
    let mut blocks = Vec::new();
    let mut running_since: Option<usize> = None;
    let mut from = 0;
    for k in 0..rows.len() {
        let is_running = rpm[k] >= RUNNING_RPM;
        if !is_running || has_hole(k) {
            running_since = is_running.then_some(k);
            from = k;
            continue;
        }
        let since = *running_since.get_or_insert_with(|| {
            from = k;
            k
        });
        let seconds = rows.t_s[k] - rows.t_s[from];
        if seconds < BLOCK_S {
            continue;
        }
        let mean = |f: &dyn Fn(usize) -> f64| {
            let values: Vec<f64> = (from..=k).map(f).filter(|v| v.is_finite()).collect();
            values.iter().sum::<f64>() / values.len() as f64
        };
        let (start, end) = (border(from, since), border(k, since));
        let block = Block {
            from_s: rows.t_s[from],
            to_s: rows.t_s[k],
            from_degc: degc[from],
            to_degc: degc[k],
            rate_k_s: (end.1 - start.1) / (end.0 - start.0).max(1.0),
            rate_error: step / 12_f64.sqrt() / seconds,
            above_ambient_k: mean(&|j| degc[j]) - ambient,
            heat: mean(&|j| input(j).max(0.0)),
            speed_kmh: mean(&|j| speed[j]),
            after_start_s: rows.t_s[from] - rows.t_s[since],
        };
        if block.heat.is_finite() && block.speed_kmh.is_finite() {
            blocks.push(block);
        }
        from = k;
    }
    if blocks.len() < 3 {
        return Err((
            format!("Only {} whole minutes with a running engine are in the recording.", blocks.len()),
            "Record from a cold start until 10 minutes after the engine is warm, with at least 5 above 60 km/h.".into(),
        ));
    }
    Ok((blocks, heat))
}
