//! Total trims of a warm engine in closed loop, by air flow.

use signal::{Recording, Series};

use crate::charging::RUNNING_RPM;
use crate::stats::robust::median_and_sigma;
use crate::stats::rows::Rows;

/// Length of a row, seconds: signals polled in turn within it belong together.
const ROW_S: f64 = 2.0;
/// A short trim that keeps its exact value for longer is held, not controlled, seconds: the control swings with a period
/// of seconds, yet a good wide-range sensor leaves it on one step (0.8 %) for a while.
const HELD_S: f64 = 20.0;
/// Below it the mixture is still enriched, degC (common practice, no source).
const WARM_DEGC: f64 = 70.0;
/// The control is steady again this long after an open loop, seconds.
const RECOVERY_S: f64 = 3.0;
/// Cells grow by this factor of air flow.
const CELL_FACTOR: f64 = 1.4;
/// A cell with less than this is not used, seconds and rows.
const LEAST: (f64, usize) = (20.0, 5);
/// Trims within this time are one piece of information, seconds.
const INDEPENDENT_S: f64 = 10.0;
/// Idle, rpm.
const IDLE_RPM: f64 = 1100.0;

/// Where the air flow comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Flow {
    /// The meter, g/s.
    Metered,
    /// Manifold pressure times engine speed over temperature, relative.
    FromPressure,
    /// Load times engine speed, relative.
    FromLoad,
}

impl Flow {
    /// The unit of the flow in words.
    pub(super) fn unit(self) -> &'static str {
        match self {
            Self::Metered => "g/s",
            Self::FromPressure => "(pressure x speed, relative)",
            Self::FromLoad => "(load x speed, relative)",
        }
    }
}

/// One range of air flow.
pub(super) struct Cell {
    /// Mean flow in the unit of [`Flow`].
    pub(super) flow: f64,
    /// Total trim, as a share.
    pub(super) trim: f64,
    /// Its standard error.
    pub(super) error: f64,
    /// Time spent, seconds.
    pub(super) seconds: f64,
}

/// All cells, in order of flow; at least one.
pub(super) struct Found {
    pub(super) cells: Vec<Cell>,
    pub(super) flow: Flow,
    pub(super) has_idle: bool,
    /// How it was known that the loop was closed and the engine warm, in words.
    pub(super) how_closed: String,
}

/// What was not there.
pub(super) struct Missing {
    pub(super) statement: String,
    pub(super) next: String,
}

/// The status of the fuel system, where the recording holds one under a name of its own.
fn status(recording: &Recording, bank: u32) -> Option<&Series> {
    let is_status = |series: &&Series| {
        let id = series.id.as_str().to_lowercase();
        id.contains("fuel") && id.contains("status") && !series.is_empty()
    };
    let all: Vec<&Series> = recording.series.iter().filter(is_status).collect();
    let series = all.iter().find(|s| s.id.as_str().contains(&bank.to_string())).or(all.first()).copied()?;
    // One-hot values of the standard, or both systems in one number; anything else is a status of another kind.
    let is_known = |value: &f64| [0.0, 1.0, 2.0, 4.0, 8.0, 16.0].contains(&code(*value));
    series.value.iter().all(is_known).then_some(series)
}

/// The first system's value where two bytes were recorded as one number.
fn code(value: f64) -> f64 {
    if value >= 256.0 { (value / 256.0).floor() } else { value }
}

/// Collects the cells of one bank.
pub(super) fn collect(recording: &Recording, bank: u32, short: &Series, long: &Series) -> Result<Found, Missing> {
    let named = |id: &str| recording.series(id).filter(|series| !series.is_empty());
    let (speed, air) = (named("engine.speed"), named("intake.air_flow"));
    let (pressure, load) = (named("intake.manifold_pressure"), named("engine.load"));
    let flow = match (air, pressure, load) {
        (Some(_), ..) => Flow::Metered,
        (None, Some(_), _) => Flow::FromPressure,
        (None, None, Some(_)) => Flow::FromLoad,
        _ => {
            return Err(Missing {
                statement: format!("The trims of bank {bank} were recorded without anything that tells the air flow."),
                next: "Record intake.air_flow (or intake.manifold_pressure) and engine.speed too.".into(),
            });
        }
    };
    let Some(speed) = speed else {
        return Err(Missing {
            statement: format!("The trims of bank {bank} were recorded without the engine speed."),
            next: "Record engine.speed too.".into(),
        });
    };
    let status = status(recording, bank);
    let coolant = named("coolant.temperature");
    let lambda = named(&format!("lambda.bank_{bank}_sensor_1"));
    let others = [Some(long), Some(speed), air, pressure, load, status, coolant, lambda];
    let rows = Rows::new(short, &others, ROW_S);
    let [short, long, rpm, air, pressure, load, status_is, degc, lambda] = &rows.columns[..] else {
        return Err(Missing { statement: "The trims are no numbers.".into(), next: "Record them again.".into() });
    };
    let held = held(&rows.t_s, short);
    let mut open_until_s = f64::NEG_INFINITY;
    let mut kept: Vec<(f64, f64, f64, f64)> = Vec::new();
    let mut n_cold = 0;
    for k in 0..rows.len() {
        let is_closed = match status {
            // The mean over a row is 2 only when every sample in it was 2: closed loop.
            Some(_) => (code(status_is[k]) - 2.0).abs() < 1e-6,
            None => !held[k],
        };
        let is_in_control = !(lambda[k] > 1.1 || lambda[k] < 0.9);
        if !is_closed || !is_in_control {
            open_until_s = rows.t_s[k] + RECOVERY_S;
            continue;
        }
        if degc[k] < WARM_DEGC {
            n_cold += 1;
            continue;
        }
        let m = match flow {
            Flow::Metered => air[k],
            Flow::FromPressure => pressure[k] * rpm[k] / 100_000.0,
            Flow::FromLoad => load[k] * rpm[k] / 100_000.0,
        };
        let trim = (1.0 + short[k] / 100.0) * (1.0 + long[k] / 100.0) - 1.0;
        let is_known = m > 0.0 && m.is_finite() && trim.is_finite() && rpm[k] >= RUNNING_RPM;
        if is_known && rows.t_s[k] >= open_until_s {
            kept.push((m, trim, rows.dwell_s[k].min(2.0 * ROW_S), rpm[k]));
        }
    }
    kept.sort_unstable_by(|a, b| a.0.total_cmp(&b.0));
    let cells = cells(&kept);
    if cells.is_empty() {
        let seconds: f64 = kept.iter().map(|row| row.2).sum();
        let why = if n_cold > kept.len() { "the engine was not warm" } else { "too little of it in closed loop" };
        return Err(Missing {
            statement: format!("The trims of bank {bank} cannot be judged: {seconds:.0} s usable, {why}."),
            next: "Record 2 minutes each, warm: idle, 2500 rpm in neutral and a steady 80 km/h, with at least one value of each trim \
                   every 2 s."
                .into(),
        });
    }
    let idle_s: f64 = kept.iter().filter(|row| row.3 < IDLE_RPM).map(|row| row.2).sum();
    let loop_ = if status.is_some() {
        "in closed loop by the recorded status"
    } else {
        "in closed loop as far as a moving short trim tells"
    };
    let warm = if coolant.is_some() { "warm" } else { "coolant not recorded" };
    Ok(Found { cells, flow, has_idle: idle_s >= LEAST.0, how_closed: format!("{loop_}, {warm}") })
}

/// Whether each row belongs to a stretch in which the short trim keeps its exact value for [`HELD_S`].
fn held(t_s: &[f64], short: &[f64]) -> Vec<bool> {
    let mut held = vec![false; short.len()];
    let mut from = 0;
    for k in 1..=short.len() {
        if k == short.len() || (short[k] - short[from]).abs() > 1e-9 {
            // One value alone says nothing of holding, however long it has to stand.
            if k - from >= 3 && t_s[k - 1] - t_s[from] >= HELD_S {
                held[from..k].fill(true);
            }
            from = k;
        }
    }
    held
}

/// Cells of rows (flow, trim, seconds, rpm) sorted by flow.
fn cells(kept: &[(f64, f64, f64, f64)]) -> Vec<Cell> {
    let mut cells = Vec::new();
    let mut from = 0;
    while from < kept.len() {
        let to = from + kept[from..].partition_point(|row| row.0 < kept[from].0 * CELL_FACTOR);
        let rows = &kept[from..to];
        let seconds: f64 = rows.iter().map(|row| row.2).sum();
        if seconds >= LEAST.0 && rows.len() >= LEAST.1 {
            let flow = rows.iter().map(|row| row.0).sum::<f64>() / rows.len() as f64;
            let mut trims: Vec<f64> = rows.iter().map(|row| row.1).collect();
            if let Some((trim, sigma)) = median_and_sigma(&mut trims) {
                let n = (seconds / INDEPENDENT_S).min(rows.len() as f64).max(1.0);
                // One step of the one-byte trim is 0.8 %: a mean of few values knows no better than a third of it.
                let error = (1.25 * sigma / n.sqrt()).hypot(0.003);
                cells.push(Cell { flow, trim, error, seconds });
            }
        }
        from = to;
    }
    cells
}
