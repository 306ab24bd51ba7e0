//! `airflow`: does the metered air agree with what the engine swallows?
//!
//! A four-stroke engine swallows `m = eta V p / (R T) * N / 2` (Heywood 1988, ch. 2, from memory). So every steady moment
//! gives `eta V = 2 m R T / (p N)` in litres: displacement times volumetric efficiency as one number. Its course over flow,
//! pressure and engine speed is compared with what efficiencies of sound engines do, against air that the meter misses
//! and a meter that falls behind with flow. Its size is judged only where the absolute load tells the displacement.

use std::collections::BTreeMap;

use nalgebra::{DMatrix, DVector};

use crate::answer::{answer, figures, lacking};
use crate::charging::RUNNING_RPM;
use crate::examination::Examination;
use crate::mixture;
use crate::stats::gauss::Normal;
use crate::stats::robust::{median, quantile};
use crate::stats::rows::Rows;
use crate::stats::shape::{ln_evidence, log_spaced};
use crate::{Check, Finding, Kind, Verdict};

/// The check's entry in the registry.
pub(crate) const CHECK: Check = Check { kind: Kind::Airflow, run };

const SUBJECT: &str = "engine";
/// Gas constant of air, J/(kg K).
const R_J_KG_K: f64 = 287.0;
/// Reference density of the absolute load, g/L (SAE J1979, from memory).
const REFERENCE_G_L: f64 = 1.184;
/// Length of a row, seconds.
const ROW_S: f64 = 2.0;
/// Steady: the neighbours differ by less than this share, so that a manifold that fills and values polled in turn do
/// not matter.
const STEADY: f64 = 0.08;
/// Cells of engine speed and of pressure grow by this factor; a cell needs this many steady rows.
const CELL_FACTOR: f64 = 1.3;
const LEAST_ROWS: usize = 5;
/// Cells must span this range of air flow.
const RANGE: f64 = 2.5;
/// Natural spread of the logarithm of the efficiency: level of a sound engine at full load (0.80 to 0.95, up to 1.15 tuned:
/// common practice), its change over engine speed, and what each cell has of its own (valve timing, internal EGR).
const LEVEL: (f64, f64) = (-0.12, 0.12);
const OVER_SPEED: f64 = 0.12;
const CELL: f64 = 0.08;
/// Exhaust left in the cylinder displaces air: the pressure that does not count, kPa. Derived: exhaust at 100 kPa in a
/// clearance of a tenth of the cylinder; with valve overlap up to twice that.
const RESIDUAL_KPA: (f64, f64) = (8.0, 4.0);
/// Smallest and greatest error considered, in the logarithm of the air (-0.3 is a quarter missing): efficiencies of sound
/// engines hide smaller ones, and outside 0.5 to 1.3 at full load it is the instrument first (common practice).
const SIZES: (f64, f64) = (0.3, 0.9);
/// Odds before the drive is looked at: a complaint has many causes, and one in four is taken to be the measured air.
const PRIOR_LOG10_ODDS: f64 = -0.5;
/// Evidence of one drive is bounded: the efficiency of the engine in the drive is not known.
const MOST: f64 = 3.0;
/// The same where normal fuel trims alone speak for the scale: trims of up to 10 % leave less than half of the smallest error
/// considered, but an engine may meter its fuel by the pressure after all.
const BY_TRIMS: f64 = -1.1;
/// Where they are normal although the air does not fit, one of the other values is as likely to be the wrong one: no more than
/// even.
const MOST_BESIDE_TRIMS: f64 = 0.0;
/// Air at sea level, kPa.
const SEA_LEVEL_KPA: f64 = 101.3;

/// Displacement times volumetric efficiency in litres.
///
/// `air_g_s`: metered air; `rpm`: engine speed; `kpa`: absolute manifold pressure; `degc`: intake air. 3.44 g/s at 750 rpm,
/// 33 kPa and 40 degC are 1.5 L: a 2.0 L engine with an efficiency of 0.75.
pub(crate) fn swallowed_l(air_g_s: f64, rpm: f64, kpa: f64, degc: f64) -> f64 {
    // g/s over kPa is kg/s over MPa; litres instead of m³ make up for it.
    2.0 * air_g_s * R_J_KG_K * (degc + 273.15) / (kpa * 1000.0 * rpm / 60.0)
}

/// Displacement in litres from the absolute load: air per cycle over the reference density.
pub(crate) fn displacement_l(air_g_s: f64, rpm: f64, absolute_load_pct: f64) -> f64 {
    air_g_s / (rpm / 120.0) / (REFERENCE_G_L * absolute_load_pct / 100.0)
}

/// A steady cell.
struct Cell {
    rpm: f64,
    kpa: f64,
    air_g_s: f64,
    /// Logarithm of displacement times efficiency, litres.
    ln_l: f64,
    error: f64,
}

fn run(recording: &Examination<'_>) -> Vec<Finding> {
    let named = |id: &str| recording.series(id).filter(|series| !series.is_empty());
    let Some(air) = named("intake.air_flow") else { return Vec::new() };
    let (Some(speed), Some(pressure)) = (named("engine.speed"), named("intake.manifold_pressure")) else {
        return vec![lacking(
            Kind::Airflow,
            SUBJECT,
            "The air flow was recorded without what the engine could swallow.".into(),
            "Record engine.speed, intake.manifold_pressure and intake.air_temperature beside intake.air_flow.".into(),
        )];
    };
    let temperature = named("intake.air_temperature");
    let others =
        [Some(speed), Some(pressure), temperature, named("engine.absolute_load"), named("barometric.pressure")];
    let rows = Rows::new(air, &others, ROW_S);
    vec![judge(&rows, temperature.is_some(), mixture::is_fuel_right(recording))]
}

/// Whether row `k` and its neighbours in time are alike.
fn is_steady(rows: &Rows, k: usize) -> bool {
    if k == 0 || k + 1 >= rows.len() || rows.t_s[k + 1] - rows.t_s[k - 1] > 10.0 * ROW_S {
        return false;
    }
    rows.columns[..3].iter().all(|column| {
        [column[k - 1], column[k + 1]].iter().all(|near| (near - column[k]).abs() <= STEADY * column[k].abs())
    })
}

fn cells(rows: &Rows, has_temperature: bool) -> Vec<Cell> {
    let [air, rpm, kpa, degc] = [0, 1, 2, 3].map(|k| &rows.columns[k]);
    let mut bins: BTreeMap<(i32, i32), Vec<usize>> = BTreeMap::new();
    let temperature = |k: usize| if has_temperature { degc[k] } else { 25.0 };
    for k in 0..rows.len() {
        let is_known = rpm[k] >= RUNNING_RPM
            && rpm[k] < 12_000.0
            && (10.0..400.0).contains(&kpa[k])
            && (0.1..2000.0).contains(&air[k])
            && (-40.0..120.0).contains(&temperature(k));
        if is_known && is_steady(rows, k) {
            let bin = |value: f64| (value.ln() / CELL_FACTOR.ln()).floor() as i32;
            bins.entry((bin(rpm[k]), bin(kpa[k]))).or_default().push(k);
        }
    }
    let cell = |members: Vec<usize>| {
        let mean = |column: &[f64]| members.iter().map(|&k| column[k]).sum::<f64>() / members.len() as f64;
        let mut logs: Vec<f64> =
            members.iter().map(|&k| swallowed_l(air[k], rpm[k], kpa[k], temperature(k)).ln()).collect();
        let ln_l = median(&mut logs)?;
        let spread = (logs.iter().map(|x| (x - ln_l).powi(2)).sum::<f64>() / logs.len() as f64).sqrt();
        // Neighbouring rows are one piece of information each; the values have steps of 1 kPa and degC.
        let error = (spread / (members.len() as f64).sqrt()).hypot(0.5 / mean(kpa));
        Some(Cell { rpm: mean(rpm), kpa: mean(kpa), air_g_s: mean(air), ln_l, error })
    };
    bins.into_values().filter(|members| members.len() >= LEAST_ROWS).filter_map(cell).collect()
}

fn judge(rows: &Rows, has_temperature: bool, is_fuel_right: bool) -> Finding {
    let cells = cells(rows, has_temperature);
    let finite = |k: usize| -> Vec<f64> { rows.columns[k].iter().copied().filter(|v| v.is_finite()).collect() };
    let baro_kpa = median(&mut finite(5)).filter(|kpa| (50.0..110.0).contains(kpa)).unwrap_or(SEA_LEVEL_KPA);
    let top_kpa = quantile(&mut finite(2), 0.98).unwrap_or(f64::NAN);
    let mut idle: Vec<f64> = cells.iter().filter(|cell| cell.rpm < 1100.0).map(|cell| cell.kpa).collect();
    let idle_kpa = median(&mut idle);
    let least = cells.iter().map(|cell| cell.air_g_s).fold(f64::INFINITY, f64::min);
    let most = cells.iter().map(|cell| cell.air_g_s).fold(0.0, f64::max);
    if cells.len() < 3 || most < RANGE * least {
        return lacking(
            Kind::Airflow,
            SUBJECT,
            format!(
                "Too little steady running: {} of at least 3 combinations of engine speed and pressure, spanning a factor of {:.1} of at least {RANGE} in air flow.",
                cells.len(),
                if cells.is_empty() { 1.0 } else { most / least }
            ),
            "Record 30 s each, steady and warm: idle, 1500 and 2500 rpm in neutral, 50 and 100 km/h in a high gear."
                .into(),
        );
    }
    let mut litres: Vec<f64> = cells.iter().map(|cell| cell.ln_l.exp()).collect();
    let (low_l, high_l) =
        (litres.iter().copied().fold(f64::INFINITY, f64::min), litres.iter().copied().fold(0.0, f64::max));
    let middle_l = median(&mut litres).unwrap_or(f64::NAN);
    let common = figures([
        ("cells", cells.len() as f64),
        ("displacement_times_efficiency_l", middle_l),
        ("least_l", low_l),
        ("greatest_l", high_l),
        ("idle_pressure_kpa", idle_kpa.unwrap_or(f64::NAN)),
        ("greatest_pressure_kpa", top_kpa),
    ]);
    // Without a throttle that works, exhaust recirculation takes an unknown share of the air; a charger's air is measured
    // hot or cold.
    let is_throttled =
        cells.iter().any(|cell| cell.kpa < 0.6 * baro_kpa) && idle_kpa.is_none_or(|kpa| kpa < 0.7 * baro_kpa);
    if !is_throttled || top_kpa > baro_kpa + 10.0 {
        let engine =
            if is_throttled { "a charged engine" } else { "an engine without a throttle at work, as a diesel" };
        let mut finding = lacking(
            Kind::Airflow,
            SUBJECT,
            format!(
                "This is {engine}: recirculated exhaust and the place of the temperature sensor decide how much fresh air fits, so {low_l:.2} to {high_l:.2} L per cycle cannot be judged."
            ),
            "Record commanded and actual EGR, and a full-load pull in a high gear with the EGR closed: then displacement times efficiency \
             must be constant; or compare with a known good meter."
                .into(),
        );
        finding.figures = common;
        return finding;
    }
    weigh(rows, &cells, (least, most), (low_l, high_l), common, has_temperature, is_fuel_right)
}

/// Whether the courses of two cells lie farther apart than the smallest error considered and what was measured of them explain.
///
/// `values`: displacement times efficiency of each cell against that of sound engines, as logarithms.
fn is_too_wide(cells: &[Cell], values: &[f64]) -> bool {
    let measured = || values.iter().zip(cells);
    let low = measured().min_by(|a, b| a.0.total_cmp(b.0));
    let high = measured().max_by(|a, b| a.0.total_cmp(b.0));
    low.zip(high).is_some_and(|(low, high)| high.0 - low.0 > SIZES.0 + 2.0 * low.1.error.hypot(high.1.error))
}

fn weigh(
    rows: &Rows,
    cells: &[Cell],
    (least, most): (f64, f64),
    (low_l, high_l): (f64, f64),
    mut figures: BTreeMap<String, f64>,
    has_temperature: bool,
    is_fuel_right: bool,
) -> Finding {
    let mut displacements: Vec<f64> = (0..rows.len())
        .filter(|&k| is_steady(rows, k) && rows.columns[4][k] > 1.0)
        .map(|k| displacement_l(rows.columns[0][k], rows.columns[1][k], rows.columns[4][k]))
        .filter(|litres| (0.3..30.0).contains(litres))
        .collect();
    let displacement = if displacements.len() >= 10 { median(&mut displacements) } else { None };
    // Without the displacement the level may be anything: a spread of e^3 each way says nothing.
    let (level, level_spread) = displacement.map_or((0.0, 3.0), |litres| (litres.ln() + LEVEL.0, LEVEL.1));
    let n = cells.len();
    let mean_ln_rpm = cells.iter().map(|cell| cell.rpm.ln()).sum::<f64>() / n as f64;
    let residual_mean = |cell: &Cell| -RESIDUAL_KPA.0 / cell.kpa;
    let values = DVector::from_iterator(n, cells.iter().map(|cell| cell.ln_l - level - residual_mean(cell)));
    let temperature = if has_temperature { 0.01 } else { 0.05 };
    let covariance = DMatrix::from_fn(n, n, |i, j| {
        let (a, b) = (&cells[i], &cells[j]);
        let (x, y) = (a.rpm.ln() - mean_ln_rpm, b.rpm.ln() - mean_ln_rpm);
        let own = if i == j { CELL.powi(2) + a.error.powi(2) } else { 0.0 };
        level_spread.powi(2)
            + temperature * temperature
            + RESIDUAL_KPA.1.powi(2) / (a.kpa * b.kpa)
            + OVER_SPEED.powi(2) * (x * y + x * x * y * y)
            + own
    });
    let Some(healthy) = Normal::new(covariance) else {
        return lacking(Kind::Airflow, SUBJECT, "The air flow is no number.".into(), "Record it again.".into());
    };
    let ln_healthy = healthy.ln_density(healthy.product(&values, &values));
    let shape = |f: &dyn Fn(f64) -> f64| DVector::from_iterator(n, cells.iter().map(|cell| f(cell.air_g_s)));
    let shapes = [
        ("air past the meter", shape(&|m| -least / m)),
        ("a meter that falls behind with flow", shape(&|m| -(m / most))),
        ("a meter that reads low at every flow", shape(&|_| -1.0)),
        ("a meter that reads high at every flow", shape(&|_| 1.0)),
    ];
    let sizes = log_spaced(SIZES.0, SIZES.1, 20);
    let considered = if displacement.is_some() { &shapes[..] } else { &shapes[..2] };
    let weighed: Vec<(f64, f64)> = considered
        .iter()
        .map(|(_, shape)| {
            let (ln, size) = ln_evidence(&healthy, &values, shape, &sizes);
            ((ln - ln_healthy).min(60.0).exp(), size)
        })
        .collect();
    let total: f64 = weighed.iter().map(|w| w.0).sum();
    let is_too_wide = is_too_wide(cells, values.as_slice());
    // Without the displacement an error of scale could have been overlooked, which is not healthy; but an engine that meters
    // its fuel by this air would make up for it by its trims.
    let least_odds = match (displacement, is_fuel_right) {
        _ if is_too_wide => Verdict::LEAST_OPEN,
        (Some(_), _) => -1.5,
        (None, true) => BY_TRIMS,
        (None, false) => Verdict::LEAST_OPEN,
    };
    let most_odds = if is_fuel_right { MOST_BESIDE_TRIMS } else { MOST };
    let odds = (PRIOR_LOG10_ODDS + (total / weighed.len() as f64).log10()).clamp(least_odds, most_odds);
    let best = (0..weighed.len()).max_by(|&a, &b| weighed[a].0.total_cmp(&weighed[b].0)).unwrap_or(0);

    let off_pct =
        100.0 * if considered[best].1.sum() > 0.0 { weighed[best].1.exp_m1() } else { -(-weighed[best].1).exp_m1() };
    let mut story = format!(
        "Displacement times efficiency lies between {low_l:.2} and {high_l:.2} L over {n} steady combinations from {least:.1} to {most:.1} g/s"
    );
    if let Some(litres) = displacement {
        story += &format!(
            "; the absolute load says {litres:.2} L of displacement, so the efficiency is {:.2} to {:.2}",
            low_l / litres,
            high_l / litres
        );
        figures.insert("displacement_l".into(), litres);
    }
    let is_explained = odds > Verdict::LEAST_OPEN;
    if is_explained {
        story += &format!("; the best explanation of its course is {} by {off_pct:.0} %", considered[best].0);
    } else if is_too_wide {
        story += ": a sound engine's changes less, and no error of the meter explains its course";
    } else {
        story += ": as a sound engine's, which hides errors below a quarter";
    }
    let has_scale = displacement.is_some() || is_fuel_right;
    // Where fuel or course say that it is not the air, it is what it was compared with.
    let is_another = if is_explained { is_fuel_right } else { is_too_wide };
    if is_fuel_right && is_another {
        story += "; the fuel trims are normal at every flow, so engine speed, pressure or temperature is more likely wrong than the air where the engine meters its fuel by it";
    } else if displacement.is_none() && is_fuel_right {
        story += "; the fuel trims are normal at every flow, so it is off by no more than they are where the engine meters its fuel by it";
    }
    if !has_scale {
        story += "; an error of the same share at every flow cannot be seen without the displacement";
    }
    let mut finding = answer(Kind::Airflow, SUBJECT, odds, story + ".");
    if is_explained {
        figures.insert("off_by_pct".into(), off_pct);
        // The same with its sign: what the meter shows less than there is counts as minus.
        figures.insert("air_error_pct".into(), off_pct.copysign(considered[best].1.sum()));
    }
    finding.figures = figures;
    if finding.verdict != Verdict::Healthy {
        if is_another {
            finding.next.push("With the engine off, compare the manifold pressure with the barometric pressure; compare the engine speed with the dashboard and the temperature with a thermometer, then record again.".into());
        }
        finding.next.push("Read the fuel trims with it (their pattern tells air from fuel), and compare with a known good meter or the maker's idle value.".into());
        if !has_scale {
            finding.next.push("Record engine.absolute_load too (it tells the displacement), or both fuel trims of each bank: an engine that meters its fuel by this air shows an error of scale there.".into());
        }
        finding.alternatives.push(
            "variable valve timing, exhaust recirculation, or a wrong engine speed, pressure or temperature".into(),
        );
    } else if displacement.is_none() {
        finding
            .alternatives
            .push("a fuel delivery that is off by the same share the other way, or an engine that meters its fuel by pressure".into());
    }
    finding
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_worked_numbers() {
        // m_a = eta (p / (R T)) V N / 2, worked for five engines.
        for (air, litres, rpm, kpa, degc, eta) in [
            (3.44, 2.0, 750.0, 33.0, 40.0, 0.75),
            (1.46, 1.0, 700.0, 30.0, 40.0, 0.75),
            (34.5, 2.5, 3000.0, 60.0, 30.0, 0.80),
            (103.1, 2.0, 6000.0, 98.0, 25.0, 0.90),
            (52.6, 1.0, 6000.0, 100.0, 25.0, 0.90),
        ] {
            let found = swallowed_l(air, rpm, kpa, degc);
            assert!((found / (eta * litres) - 1.0).abs() < 3e-3, "{air}: {found}");
        }
        // 20 g/s at 2000 rpm in 2.0 L are 50.7 % absolute load.
        assert!((displacement_l(20.0, 2000.0, 50.7) - 2.0).abs() < 2e-3);
    }

    /// Seven rows each at four points (rpm, kPa) of a 2 L engine at 25 degC that fills as sound engines do in the mean:
    /// ln eta = -0.12 - 8 kPa / p. The meter shows what `meter` makes of g/s; with the absolute load of all the air that it shows,
    /// or without. At 800 rpm and 32 kPa it breathes 3.44 g/s.
    fn rows(points: &[(f64, f64)], has_load: bool, meter: impl Fn(f64) -> f64) -> Rows {
        let mut columns = vec![Vec::new(); 6];
        for (rpm, kpa) in points.iter().flat_map(|point| [*point; 7]) {
            let eta = (-0.12 - 8.0 / kpa).exp();
            let air_g_s = 1000.0 * eta * 2.0 * kpa / (287.0 * 298.15) * rpm / 120.0;
            let seen = meter(air_g_s);
            let load_pct = if has_load { 100.0 * seen / (rpm / 120.0) / (1.184 * 2.0) } else { f64::NAN };
            let row = [seen, rpm, kpa, 25.0, load_pct, f64::NAN];
            columns.iter_mut().zip(row).for_each(|(column, value)| column.push(value));
        }
        let t_s: Vec<f64> = (0..columns[0].len()).map(|k| 2.0 * k as f64).collect();
        Rows { dwell_s: vec![2.0; t_s.len()], t_s, columns }
    }

    const POINTS: [(f64, f64); 4] = [(800.0, 32.0), (1500.0, 45.0), (2500.0, 60.0), (3500.0, 85.0)];

    /// Mean densities over 20 sizes by `scipy.stats.multivariate_normal` 1.17.1, with the covariance of the constants above.
    #[test]
    fn the_odds_are_those_of_the_reference_library() {
        let of = |has_load, meter: &dyn Fn(f64) -> f64| judge(&rows(&POINTS, has_load, meter), true, false);
        for (has_load, meter, expected, name) in [
            (true, &(|m| 0.65 * m) as &dyn Fn(f64) -> f64, 0.469_57, "a meter that reads low at every flow by 35 %"),
            (true, &|m| 1.6 * m, 0.793_38, "a meter that reads high at every flow by 60 %"),
            (true, &|m| m - 0.4 * 3.444_158, 0.103_83, "air past the meter"),
            (false, &|m| m - 0.5 * 3.444_158, 1.403_28, "air past the meter"),
        ] {
            let found = of(has_load, meter);
            assert!((found.log10_odds - expected).abs() < 2e-4, "{name}: {}", found.log10_odds);
            assert!(found.statement.contains(name), "{}", found.statement);
        }
        let signed = |meter: &dyn Fn(f64) -> f64| of(true, meter).figures["air_error_pct"];
        assert!(signed(&|m| 0.65 * m) < -30.0 && signed(&|m| 1.6 * m) > 50.0);
        let low = of(true, &|m| 0.65 * m).figures;
        assert!((low["off_by_pct"] - 35.0).abs() < 1e-6 && (low["displacement_l"] - 2.0).abs() < 1e-6, "{low:?}");
        assert_eq!((low["cells"], low["idle_pressure_kpa"], low["greatest_pressure_kpa"]), (4.0, 32.0, 85.0));
        // 2 L times 0.65 times the efficiencies at 32 and at 85 kPa.
        let litres = |kpa: f64| 1.3 * (-0.12 - 8.0 / kpa).exp();
        assert!((low["least_l"] - litres(32.0)).abs() < 1e-6 && (low["greatest_l"] - litres(85.0)).abs() < 1e-6);
    }

    /// A sound course is healthy where the scale is known: by the displacement, or by fuel that fits the air.
    #[test]
    fn a_scale_that_nobody_knows_is_not_healthy() {
        let odds = |has_load, is_fuel_right| judge(&rows(&POINTS, has_load, |m| m), true, is_fuel_right).log10_odds;
        assert_eq!(
            [odds(true, false), odds(true, true), odds(false, true), odds(false, false)],
            [-1.5, -1.5, BY_TRIMS, -0.9]
        );
        // Without the displacement an error of the same share at every flow changes nothing.
        let scaled = |times: f64| judge(&rows(&POINTS, false, |m| m * times), true, false);
        assert_eq!(scaled(1.0).log10_odds, scaled(0.5).log10_odds);
    }

    /// Air that does not fit beside fuel that does: the engine speed, the pressure or the temperature may be the wrong one.
    #[test]
    fn fuel_that_fits_accuses_no_meter() {
        let stuck = |is_fuel_right| {
            let mut rows = rows(&POINTS, false, |m| m);
            rows.columns[1].iter_mut().for_each(|rpm| *rpm = rpm.max(3000.0));
            judge(&rows, true, is_fuel_right)
        };
        let (alone, beside) = (stuck(false), stuck(true));
        assert!(alone.log10_odds > 2.0 && alone.statement.contains("air past the meter"), "{alone:?}");
        assert_eq!(beside.log10_odds, MOST_BESIDE_TRIMS);
        assert!(beside.statement.contains("engine speed, pressure or temperature is more likely wrong"), "{beside:?}");
        assert!(beside.next[0].contains("the engine speed with the dashboard"), "{beside:?}");
        assert!(beside.alternatives[0].contains("wrong engine speed"), "{beside:?}");
    }

    /// A pressure that reads a quarter low over the middle of the range fits no error of the meter, and no sound engine either.
    #[test]
    fn what_no_sound_engine_spans_is_open() {
        let of = |share: f64| {
            let mut rows = rows(&POINTS, true, |m| m);
            rows.columns[2].iter_mut().filter(|kpa| (40.0..80.0).contains(*kpa)).for_each(|kpa| *kpa *= share);
            judge(&rows, true, true)
        };
        assert_eq!(of(0.8).verdict, Verdict::Healthy);
        let wide = of(0.75);
        assert_eq!((wide.log10_odds, wide.figures.contains_key("off_by_pct")), (Verdict::LEAST_OPEN, false));
        assert!(
            wide.statement.contains("a sound engine's changes less") && wide.next[0].contains("barometric"),
            "{wide:?}"
        );
        // Beyond 0.3, and twice the root of 0.03 and 0.04 squared.
        let cell = |error| Cell { rpm: 800.0, kpa: 32.0, air_g_s: 3.4, ln_l: 0.0, error };
        let cells = [cell(0.03), cell(1.0), cell(0.04)];
        assert!(is_too_wide(&cells, &[-0.2, 0.0, 0.201]) && !is_too_wide(&cells, &[0.2, 0.0, -0.199]));
        assert!(!is_too_wide(&[], &[]));
    }

    #[test]
    fn what_cannot_be_judged() {
        let said = |points: &[(f64, f64)], baro_kpa: f64| {
            let mut rows = rows(points, true, |m| m);
            rows.columns[5].fill(baro_kpa);
            let found = judge(&rows, true, true);
            assert!(found.log10_odds <= 0.0);
            (found.log10_odds == 0.0).then_some(found.statement)
        };
        let few = said(&POINTS[..2], f64::NAN).unwrap();
        assert!(
            few.contains("2 of at least 3 combinations") && few.contains("a factor of 2.8 of at least 2.5"),
            "{few}"
        );
        let narrow = said(&[(1500.0, 30.0), (1500.0, 45.0), (2000.0, 40.0)], f64::NAN).unwrap();
        assert!(
            narrow.contains("3 of at least 3 combinations") && narrow.contains("a factor of 1.9 of at least 2.5"),
            "{narrow}"
        );
        // A throttle draws down below 0.6 of the air around, at idle below 0.7 of it; a charger brings 10 kPa more.
        let open = [(800.0, 62.0), (1500.0, 70.0), (2500.0, 80.0), (3500.0, 95.0)];
        assert!(said(&open, 101.3).unwrap().contains("without a throttle at work"));
        assert!(said(&[(800.0, 75.0), (1500.0, 50.0), (2500.0, 80.0), (3500.0, 95.0)], 101.3).is_some());
        assert!(said(&POINTS, 76.0).is_none() && said(&POINTS, 74.0).unwrap().contains("a charged engine"));
        assert!(said(&POINTS, 20.0).is_none(), "no such air");
    }

    /// Neighbours within 8 % in air flow, speed and pressure, and within 20 s.
    #[test]
    fn what_is_steady() {
        let of = |change: &dyn Fn(&mut Rows)| {
            let mut rows = rows(&POINTS[..1], true, |m| m);
            change(&mut rows);
            (0..7).map(|k| is_steady(&rows, k)).collect::<Vec<_>>()
        };
        let inside = [false, true, true, true, true, true, false];
        assert_eq!(of(&|_| ()), inside);
        for column in 0..3 {
            assert_eq!(of(&|rows| rows.columns[column][3] *= 1.07), inside, "{column}");
            // Seen from the others it is 9 % more, from itself 8.3 % less.
            assert_eq!(of(&|rows| rows.columns[column][3] *= 1.09), [false, true, false, false, false, true, false]);
            assert_eq!(of(&|rows| rows.columns[column][3] = f64::NAN), [false, true, false, false, false, true, false]);
        }
        assert_eq!(of(&|rows| rows.columns[4][3] *= 2.0), inside, "the load is no part of it");
        assert_eq!(of(&|rows| rows.t_s[4..].iter_mut().for_each(|t| *t += 16.0)), inside);
        assert_eq!(
            of(&|rows| rows.t_s[4..].iter_mut().for_each(|t| *t += 17.0)),
            [false, true, true, false, false, true, false]
        );
    }

    /// Logarithms of displacement times efficiency that lie 0.02 to either side of their median: 0.02 over the root of five
    /// rows, and half a kilopascal of 32.
    #[test]
    fn cells_and_their_errors() {
        let steady = rows(&POINTS[..1], true, |m| m);
        let cell = &cells(&steady, true)[0];
        assert!((cell.error - 0.5 / 32.0).abs() < 1e-9 && (cell.air_g_s - 3.444_158).abs() < 1e-5, "{}", cell.error);
        assert!((cell.ln_l - (2f64.ln() - 0.12 - 8.0 / 32.0)).abs() < 1e-9 && (cell.rpm, cell.kpa) == (800.0, 32.0));
        let mut spread = rows(&POINTS[..1], true, |m| m);
        [0.0, 0.0, 0.02, -0.02, 0.02, -0.02, 0.0]
            .iter()
            .zip(&mut spread.columns[0])
            .for_each(|(by, air)| *air *= f64::exp(*by));
        let error = (0.02 * 0.8f64.sqrt() / 5f64.sqrt()).hypot(0.5 / 32.0);
        assert!((cells(&spread, true)[0].error - error).abs() < 1e-9, "{}", cells(&spread, true)[0].error);
        // 25 degC where it was not recorded; four steady rows are too few.
        let mut hot = rows(&POINTS[..1], true, |m| m);
        hot.columns[3].fill(50.0);
        assert!((cells(&hot, true)[0].ln_l - cells(&hot, false)[0].ln_l - (323.15f64 / 298.15).ln()).abs() < 1e-9);
        hot.columns[0][0] = 9.0;
        assert!(cells(&hot, true).is_empty());
        // What no sensor can mean is left out.
        for (column, value) in [(0, 0.05), (1, 390.0), (1, 12_100.0), (2, 9.0), (2, 410.0), (3, -41.0), (3, 121.0)] {
            let mut wrong = rows(&POINTS[..1], true, |m| m);
            wrong.columns[column].fill(value);
            assert!(cells(&wrong, true).is_empty(), "{column} {value}");
        }
    }
}
