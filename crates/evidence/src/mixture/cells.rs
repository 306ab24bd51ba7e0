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

/// The status of the first fuel system, where the recording holds one under a name of its own.
fn status(recording: &Recording, bank: u32) -> Option<Series> {
    let is_status = |series: &&Series| {
        let id = series.id.as_str().to_lowercase();
        id.contains("fuel") && id.contains("status") && !series.is_empty()
    };
    let all: Vec<&Series> = recording.series.iter().filter(is_status).collect();
    let series = all.iter().find(|s| s.id.as_str().contains(&bank.to_string())).or(all.first()).copied()?;
    // One-hot values of the standard, or both systems in one number; anything else is a status of another kind.
    let value: Vec<f64> = series.value.iter().map(|value| code(*value)).collect();
    let is_known = value.iter().all(|code| [0.0, 1.0, 2.0, 4.0, 8.0, 16.0].contains(code));
    is_known.then(|| Series { value, ..series.clone() })
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
    let others = [Some(long), Some(speed), air, pressure, load, status.as_ref(), coolant, lambda];
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
            Some(_) => (status_is[k] - 2.0).abs() < 1e-6,
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
        // Starting from +0: the sum of nothing is -0.
        let seconds = kept.iter().fold(0.0, |sum, row| sum + row.2);
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

#[cfg(test)]
pub(super) mod tests {
    use signal::{SignalId, Unit};

    use super::*;

    /// Name of a signal, and its value at each second.
    pub(in crate::mixture) type Signal<'a> = (&'a str, &'a dyn Fn(f64) -> f64);

    /// A drive of so many seconds with one value of each signal a second.
    pub(in crate::mixture) fn drive(seconds: u32, signals: &[Signal<'_>]) -> Recording {
        let series = |(id, value): &Signal<'_>| {
            let mut series = Series::new(SignalId::new(id).unwrap(), Unit::named("1"));
            let times = (0..seconds).map(f64::from);
            times.for_each(|t| series.push_value(signal::nanos_from_seconds(t), value(t)));
            series
        };
        Recording { series: signals.iter().map(series).collect(), ..Recording::default() }
    }

    /// A minute at idle and one on the road, with a short trim that swings by 2 % about 5 % and a long one of 10 %.
    fn found(more: &[Signal<'_>]) -> Result<Found, Missing> {
        let all: [Signal<'_>; 4] = [
            ("fuel.trim.short.bank_1", &|t| if t % 4.0 < 2.0 { 7.0 } else { 3.0 }),
            ("fuel.trim.long.bank_1", &|_| 10.0),
            ("engine.speed", &|t| if t < 60.0 { 800.0 } else { 2400.0 }),
            ("coolant.temperature", &|_| 90.0),
        ];
        let kept = all.iter().filter(|own| more.iter().all(|other| other.0 != own.0)).copied();
        let recording = drive(120, &kept.chain(more.iter().copied()).collect::<Vec<_>>());
        let trim = |what: &str| recording.series(&format!("fuel.trim.{what}.bank_1")).unwrap();
        collect(&recording, 1, trim("short"), trim("long"))
    }

    const AIR: Signal<'static> = ("intake.air_flow", &|t| if t < 60.0 { 4.0 } else { 16.0 });

    fn seconds(more: &[Signal<'_>]) -> f64 {
        found(&[&[AIR], more].concat()).map_or(0.0, |found| found.cells.iter().map(|cell| cell.seconds).sum())
    }

    /// 1.05 * 1.10 - 1 is 15.5 %, from which the rows are 2 * 1.1 % away. Their deviation, 1.4826 * 2.2 %, times 1.25 over the
    /// root of six pieces of 10 s, and 0.3 % for the step.
    #[test]
    fn the_total_trim_of_each_flow() {
        let found = found(&[AIR]).ok().unwrap();
        assert_eq!((found.flow, found.cells.len(), found.has_idle), (Flow::Metered, 2, true));
        for (cell, flow) in found.cells.iter().zip([4.0, 16.0]) {
            assert!((cell.flow - flow).abs() < 1e-9 && (cell.seconds - 60.0).abs() < 1.1, "{}", cell.seconds);
            assert!((cell.trim - 0.155).abs() < 1e-9, "{}", cell.trim);
            let error = (1.25 * 1.4826 * 0.022 / (cell.seconds / 10.0).sqrt()).hypot(0.003);
            assert!((cell.error - error).abs() < 1e-6, "{} for {error}", cell.error);
        }
    }

    #[test]
    fn what_stands_for_the_air_flow() {
        let pressure: Signal<'_> = ("intake.manifold_pressure", &|t| if t < 60.0 { 30.0 } else { 50.0 });
        let load: Signal<'_> = ("engine.load", &|t| if t < 60.0 { 25.0 } else { 40.0 });
        let flows = |more: &[Signal<'_>]| {
            found(more).ok().map(|found| {
                (found.flow, found.cells.iter().map(|cell| (100.0 * cell.flow).round()).collect::<Vec<_>>())
            })
        };
        // A hundred thousandth of pressure or load times engine speed, here in percent.
        assert_eq!(flows(&[load]), Some((Flow::FromLoad, vec![20.0, 96.0])));
        assert_eq!(flows(&[load, pressure]), Some((Flow::FromPressure, vec![24.0, 120.0])));
        assert_eq!(flows(&[load, pressure, AIR]).map(|found| found.0), Some(Flow::Metered));
        assert_eq!(flows(&[]), None);
    }

    /// Rows of 2 s: what is cold, rich by command, in open loop or just behind it is left out.
    #[test]
    fn only_a_warm_engine_in_closed_loop_counts() {
        let all = seconds(&[]);
        assert!((all - 120.0).abs() < 2.1, "{all}");
        let from_40_to_60 =
            |inside: f64, outside: f64| move |t: f64| if (40.0..60.0).contains(&t) { inside } else { outside };
        let lost = |id: &str, inside: f64, outside: f64| all - seconds(&[(id, &from_40_to_60(inside, outside))]);
        assert!((lost("coolant.temperature", 69.0, 71.0) - 20.0).abs() < 2.1);
        // Three seconds more behind what is not in control.
        for mixture in [0.89, 1.11] {
            assert!((lost("lambda.bank_1_sensor_1", mixture, 1.09) - 24.0).abs() < 2.1);
        }
        assert!(lost("lambda.bank_1_sensor_1", 0.91, 1.09).abs() < 1e-9);
        for open in [1.0, 4.0, 8.0, 16.0] {
            assert!((lost("fuel.system.status", open, 2.0) - 24.0).abs() < 2.1, "{open}");
            // Both systems in one number: the first counts.
            assert!((lost("fuel.system.status", 256.0 * open + 2.0, 514.0) - 24.0).abs() < 2.1, "{open}");
        }
        assert!(
            lost("fuel.system.status", 2.0, 2.0).abs() < 1e-9 && seconds(&[("fuel.system.status", &|_| 4.0)]) == 0.0
        );
        // Numbers that are no status say nothing, and a short trim that stands still is held.
        assert!(lost("fuel.system.status", 3.0, 2.0).abs() < 1e-9);
        let still = |t: f64| if (60.0..90.0).contains(&t) { 5.0 } else { 5.0 + (t / 2.0).floor() % 5.0 };
        assert!((all - seconds(&[("fuel.trim.short.bank_1", &still)]) - 34.0).abs() < 2.1);
        assert!((lost("engine.speed", 390.0, 2400.0) - 20.0).abs() < 2.1, "a dying engine");
    }

    /// A row that is partly in open loop is not in closed loop, also where both systems came in one number: three readings of
    /// 512 and one of 1024 are 640 in the mean of a row.
    #[test]
    fn a_row_partly_in_open_loop_is_left_out() {
        let mut recording = drive(120, &[AIR, ("engine.speed", &|_| 2000.0), ("fuel.system.status", &|_| 0.0)]);
        let usable = |recording: &mut Recording, open: f64| {
            let mut status = Series::new(SignalId::new("fuel.system.status").unwrap(), Unit::named("1"));
            (0..240).for_each(|k| status.push_value(k * 500_000_000, if k % 4 == 1 { open } else { 512.0 }));
            recording.series[2] = status;
            let swing = drive(120, &[("short", &|t| t % 4.0)]).series.remove(0);
            let level = drive(120, &[("long", &|_| 0.0)]).series.remove(0);
            collect(recording, 1, &swing, &level).is_ok()
        };
        assert!(usable(&mut recording, 512.0) && !usable(&mut recording, 1024.0));
    }

    #[test]
    fn what_is_too_little_is_said() {
        let cold = found(&[AIR, ("coolant.temperature", &|_| 40.0)]).err().unwrap();
        assert!(
            cold.statement.ends_with("cannot be judged: 0 s usable, the engine was not warm."),
            "{}",
            cold.statement
        );
        let open = found(&[AIR, ("fuel.system.status", &|_| 4.0)]).err().unwrap();
        assert!(open.statement.contains("0 s usable, too little of it in closed loop"), "{}", open.statement);
        // Idle: 20 s below 1100 rpm.
        let idle = |until: f64| {
            let speed = move |t: f64| if t < until { 1000.0 } else { 1200.0 };
            found(&[AIR, ("engine.speed", &speed)]).ok().unwrap().has_idle
        };
        assert!(idle(24.0) && !idle(16.0));
    }

    /// Alternating 10 and 12 % about 11 %: 1.4826 * 1 %, times 1.25 over the root of two pieces of 10 s, and 0.3 %.
    #[test]
    fn cells_of_rows() {
        let rows = |n: usize, flow: f64, seconds: f64| -> Vec<(f64, f64, f64, f64)> {
            (0..n).map(|k| (flow, 0.10 + 0.02 * (k % 2) as f64, seconds, 2000.0)).collect()
        };
        let of = |rows: &[Vec<(f64, f64, f64, f64)>]| cells(&rows.concat());
        let one = of(&[rows(10, 4.0, 2.0)]);
        assert!((one[0].trim - 0.11).abs() < 1e-9 && one[0].seconds == 20.0 && one[0].flow == 4.0);
        assert!((one[0].error - (1.25 * 0.014_826 / 2f64.sqrt()).hypot(0.003)).abs() < 1e-6, "{}", one[0].error);
        // 1.4 times as much flow is another cell.
        assert_eq!(of(&[rows(10, 4.0, 2.0), rows(10, 5.59, 2.0)]).len(), 1);
        let two = of(&[rows(10, 4.0, 2.0), rows(10, 5.61, 2.0)]);
        assert_eq!(two.iter().map(|cell| cell.flow).collect::<Vec<_>>(), [4.0, 5.61]);
        // Twenty seconds and five rows at least.
        assert_eq!(
            [of(&[rows(10, 4.0, 1.9)]).len(), of(&[rows(4, 4.0, 9.0)]).len(), of(&[rows(5, 4.0, 4.0)]).len()],
            [0, 0, 1]
        );
    }

    #[test]
    fn a_trim_that_is_held() {
        let t: Vec<f64> = (0..30).map(|k| 2.0 * f64::from(k)).collect();
        let of = |still: std::ops::Range<usize>| {
            let short: Vec<f64> = (0..30).map(|k| if still.contains(&k) { -1.0 } else { k as f64 }).collect();
            held(&t, &short).iter().enumerate().filter(|(_, held)| **held).map(|(k, _)| k).collect::<Vec<_>>()
        };
        // Eleven rows are 20 s from the first to the last.
        assert_eq!(of(5..16), (5..16).collect::<Vec<_>>());
        assert_eq!((of(5..15), of(19..30).len()), (vec![], 11));
        assert_eq!(
            (held(&[0.0, 25.0], &[1.0, 1.0]), held(&[0.0, 10.0, 25.0], &[1.0; 3])),
            (vec![false; 2], vec![true; 3])
        );
    }
}
