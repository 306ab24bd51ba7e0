//! `mixture`: are the fuel trims of a bank off, and what does their pattern over the air flow say?
//!
//! The total trim `(1 + short)(1 + long) - 1` of a warm engine in closed loop is averaged over cells of air flow. Four
//! patterns are weighed against a healthy engine (trims within +-8 to +-10 %: common practice, taken as two standard
//! deviations):
//! unmetered air `m_leak / m_air`, a meter that reads `s` of the truth `1/s - 1` at every flow, a delivery or a meter that
//! fails with growing demand, and fuel that comes from elsewhere at idle (the leak with the opposite sign). Source of the
//! patterns: the mass balance of metered and unmetered air at constant mixture (derived).

mod cells;

use nalgebra::{DMatrix, DVector};
use signal::{Recording, Series};

use crate::answer::{answer, figures, lacking};
use crate::examination::Examination;
use crate::stats::gauss::Normal;
use crate::stats::shape::{ln_evidence, log_spaced};
use crate::{Check, Finding, Kind, Verdict};
use cells::{Cell, Flow};

/// The check's entry in the registry.
pub(crate) const CHECK: Check = Check { kind: Kind::Mixture, run };

/// Spread of the trims of healthy engines, as a share: what all flows have in common (two of them are the 10 % of
/// common practice), what idle has of its own (purge, tiny leaks), what grows with the flow, and what each cell has.
const COMMON: f64 = 0.05;
const IDLE: f64 = 0.035;
const SLOPE: f64 = 0.03;
const CELL: f64 = 0.02;
/// Normal by common practice; a trim beyond it anywhere is never called healthy.
const NORMAL: f64 = 0.10;
/// Smallest and greatest fault considered, as a share of the fuel: a smaller one is no fault by common practice, and no
/// closed loop reaches farther.
const SIZES: (f64, f64) = (0.15, 0.6);
/// What a working purge takes away at idle: its control stays clear of the 20 to 25 % at which codes are set (common
/// practice, no source).
const PURGE: f64 = 0.25;
/// Evidence of one drive is bounded.
const MOST: f64 = 4.0;
/// Cells must span this range of air flow for a pattern.
const RANGE: f64 = 2.5;

/// Place among [`CAUSES`] of what grows with demand.
const DEMAND: usize = 3;
/// What may be wrong, in the order of [`patterns`].
const CAUSES: [(&str, &str); 5] = [
    (
        "unmetered air",
        "smoke test of the intake behind the air meter, also hoses of brake servo and crankcase ventilation",
    ),
    (
        "too little measured air or a lean bias at every flow",
        "compare the air flow with a known good meter, and the fuel pressure with its set point",
    ),
    (
        "too much measured air or a rich bias at every flow",
        "compare the air flow with a known good meter, and the fuel pressure with its set point",
    ),
    (
        "fuel delivery or an air meter that falls behind with demand",
        "fuel pressure and flow at full load, and the metered air against what the engine swallows by speed and pressure",
    ),
    (
        "fuel from elsewhere at idle",
        "close off the purge line at idle, then look for a dripping injector and fuel in the oil",
    ),
];

fn run(recording: &Examination<'_>) -> Vec<Finding> {
    let mut findings: Vec<Finding> = (1..=2).filter_map(|bank| examine(recording, bank)).collect();
    if let [one, two] = findings.as_mut_slice() {
        let sentence = match (one.verdict, two.verdict) {
            (Verdict::Faulty, Verdict::Faulty) => {
                " Both banks are off: look for what they share (fuel pressure, air meter, purge, fuel)."
            }
            (Verdict::Faulty, Verdict::Healthy) | (Verdict::Healthy, Verdict::Faulty) => {
                " Only one bank is off: look at that bank (injector, exhaust leak before the sensor, the sensor)."
            }
            _ => "",
        };
        one.statement += sentence;
        two.statement += sentence;
    }
    findings
}

/// The two trims of a bank, as far as they were recorded.
fn trims(recording: &Recording, bank: u32) -> [Option<&Series>; 2] {
    ["short", "long"]
        .map(|what| recording.series(&format!("fuel.trim.{what}.bank_{bank}")).filter(|series| !series.is_empty()))
}

/// Whether the total trims of the engine in closed loop were seen, and stayed normal at every flow: then the fuel that it
/// meters by the measured air fits the air that it burns.
pub(crate) fn is_fuel_right(recording: &Recording) -> bool {
    let is_right = |bank| match trims(recording, bank) {
        [None, None] => None,
        [Some(short), Some(long)] => {
            let found = cells::collect(recording, bank, short, long).ok();
            Some(found.is_some_and(|found| found.cells.iter().all(|cell| cell.trim.abs() <= NORMAL)))
        }
        _ => Some(false),
    };
    let banks: Vec<bool> = [1, 2].into_iter().filter_map(is_right).collect();
    !banks.is_empty() && banks.iter().all(|is_right| *is_right)
}

fn examine(recording: &Recording, bank: u32) -> Option<Finding> {
    let subject = format!("bank {bank}");
    let (short, long) = match trims(recording, bank) {
        [None, None] => return None,
        [Some(short), Some(long)] => (short, long),
        [short, _] => {
            let missing = if short.is_none() { "short" } else { "long" };
            return Some(lacking(
                Kind::Mixture,
                &subject,
                format!("Only one of the two trims of bank {bank} was recorded; their sum is not known."),
                format!("Record fuel.trim.{missing}.bank_{bank} too."),
            ));
        }
    };
    Some(match cells::collect(recording, bank, short, long) {
        Err(missing) => lacking(Kind::Mixture, &subject, missing.statement, missing.next),
        Ok(found) => judge(&subject, &found),
    })
}

/// Shapes of the faults over the cells: name index, shape scaled to 1 where it is greatest, sign.
fn patterns(cells: &[Cell]) -> Vec<(usize, DVector<f64>)> {
    let column = |f: &dyn Fn(f64) -> f64| DVector::from_iterator(cells.len(), cells.iter().map(|cell| f(cell.flow)));
    let least = cells.iter().map(|cell| cell.flow).fold(f64::INFINITY, f64::min);
    let most = cells.iter().map(|cell| cell.flow).fold(0.0, f64::max);
    let mut all =
        vec![(0, column(&|m| least / m)), (1, column(&|_| 1.0)), (2, column(&|_| -1.0)), (4, column(&|m| -least / m))];
    // Where the shortage begins is not known: at once, at a third, or at half of the greatest flow.
    all.extend([0.0, 0.33, 0.5].map(|from| (DEMAND, column(&|m| ((m / most - from) / (1.0 - from)).max(0.0)))));
    all
}

fn judge(subject: &str, found: &cells::Found) -> Finding {
    let cells = &found.cells;
    let n = cells.len();
    let least = cells.iter().map(|cell| cell.flow).fold(f64::INFINITY, f64::min);
    let most = cells.iter().map(|cell| cell.flow).fold(0.0, f64::max);
    let trims = DVector::from_iterator(n, cells.iter().map(|cell| cell.trim));
    let covariance = DMatrix::from_fn(n, n, |i, j| {
        let (a, b) = (cells[i].flow, cells[j].flow);
        let own = if i == j { CELL.powi(2) + cells[i].error.powi(2) } else { 0.0 };
        COMMON.powi(2) + IDLE.powi(2) * (least / a) * (least / b) + SLOPE.powi(2) * (a / most) * (b / most) + own
    });
    let Some(healthy) = Normal::new(covariance) else {
        return lacking(Kind::Mixture, subject, "The trims are no numbers.".into(), "Record them again.".into());
    };
    let ln_healthy = healthy.ln_density(healthy.product(&trims, &trims));
    let sizes = log_spaced(SIZES.0, SIZES.1, 30);
    let purged = log_spaced(PURGE, SIZES.1, 30);
    let mut weights = [0.0_f64; CAUSES.len()];
    // Only of the causes that have one pattern is the size told.
    let mut best = [0.0_f64; CAUSES.len()];
    let patterns = patterns(cells);
    for (cause, shape) in &patterns {
        let n_alike = patterns.iter().filter(|other| other.0 == *cause).count() as f64;
        let sizes = if *cause == 4 { &purged } else { &sizes };
        let (ln, size) = ln_evidence(&healthy, &trims, shape, sizes);
        let ratio = (ln - ln_healthy).min(60.0).exp();
        best[*cause] = size;
        weights[*cause] += ratio / n_alike;
    }
    let total: f64 = weights.iter().sum();
    let mut odds = (total / CAUSES.len() as f64).log10().clamp(-3.0, MOST);
    let top = (0..CAUSES.len()).max_by(|&a, &b| weights[a].total_cmp(&weights[b])).unwrap_or(0);
    let is_wide = most >= RANGE * least;
    let is_remarkable = cells.iter().any(|cell| cell.trim.abs() > NORMAL);
    if !is_wide || !found.has_idle || is_remarkable {
        odds = odds.max(Verdict::LEAST_OPEN);
    }
    let seconds: f64 = cells.iter().map(|cell| cell.seconds).sum();
    let (low, high) = (&cells[0], &cells[n - 1]);
    let unit = found.flow.unit();
    let mut story = format!(
        "Total trim {:+.1} % at {:.1} {unit} and {:+.1} % at {:.1} {unit}, from {seconds:.0} s {}",
        100.0 * low.trim,
        low.flow,
        100.0 * high.trim,
        high.flow,
        found.how_closed
    );
    let share = weights[top] / total;
    if odds > -1.0 {
        story += &format!("; within 10 % is normal (common practice), and the best explanation is {}", CAUSES[top].0);
        if is_wide {
            story += &format!(" ({:.0} % of the faults considered)", 100.0 * share);
        } else {
            story += ", but the pattern over the flow was not recorded";
        }
    } else {
        story += ": normal by common practice (within 10 %)";
    }
    let leak_g_s = if top == 0 && found.flow == Flow::Metered { best[0] * least } else { f64::NAN };
    let meter_pct = match top {
        1 => 100.0 * (1.0 / (1.0 + best[1]) - 1.0),
        2 => 100.0 * (1.0 / (1.0 - best[2]) - 1.0),
        _ => f64::NAN,
    };
    if odds > -1.0 && is_wide {
        match top {
            0 if leak_g_s.is_finite() => story += &format!(": {leak_g_s:.2} g/s past the meter"),
            1 | 2 => story += &format!(": a meter that reads {meter_pct:+.0} % would explain it"),
            _ => {}
        }
    }
    let mut finding = answer(Kind::Mixture, subject, odds, story + ".");
    finding.figures = figures([
        ("seconds_in_closed_loop", seconds),
        ("cells", n as f64),
        ("trim_at_least_flow_pct", 100.0 * low.trim),
        ("trim_at_most_flow_pct", 100.0 * high.trim),
        ("least_flow", least),
        ("most_flow", most),
        ("leak_g_s", leak_g_s),
        ("meter_error_pct", meter_pct),
        ("share_of_best", share),
    ]);
    if finding.verdict != Verdict::Healthy {
        let others = (0..CAUSES.len()).filter(|&k| k != top && weights[k] / total > 0.1);
        finding.alternatives = others.map(|k| CAUSES[k].0.to_owned()).collect();
        if !found.has_idle || !is_wide {
            finding.next.push(
                "Record 2 minutes each, warm: idle, 2500 rpm in neutral, a steady 80 km/h, and a pull at high load."
                    .into(),
            );
        }
        if odds > -0.3 {
            finding.next.push(format!("To tell: {}.", CAUSES[top].1));
        }
        if finding.next.is_empty() {
            finding.next.push("Record 5 minutes more with idle, town and a steady fast road, warm.".into());
        }
        // Fuel that is missing and air that is not seen ask for the same trim; pressure and engine speed tell them apart.
        if top == DEMAND {
            finding.alternatives.push(
                "an air meter that shows too little as the flow grows asks for the same trims as missing fuel".into(),
            );
        }
        if found.flow != Flow::Metered && top == 0 {
            finding
                .alternatives
                .push("a car without an air meter measures leaking air too and shows no trim for it".into());
        }
    }
    finding
}

#[cfg(test)]
mod tests {
    use super::cells::Found;
    use super::cells::tests::{Signal, drive};
    use super::*;

    /// Cells of 5 minutes each at 2, 6, 20 and 50 g/s.
    fn judged(trims: [f64; 4]) -> Finding {
        of(&[2.0, 6.0, 20.0, 50.0], &trims, Flow::Metered, true)
    }

    fn of(flows: &[f64], trims: &[f64], flow: Flow, has_idle: bool) -> Finding {
        let cell = |(flow, trim): (&f64, &f64)| Cell { flow: *flow, trim: *trim, error: 0.005, seconds: 300.0 };
        let cells = flows.iter().zip(trims).map(cell).collect();
        judge("bank 1", &Found { cells, flow, has_idle, how_closed: "in closed loop".into() })
    }

    /// Mean densities over 30 sizes by `scipy.stats.multivariate_normal` 1.17.1, with the covariance of the constants above.
    #[test]
    fn the_odds_are_those_of_the_reference_library() {
        for (trims, log10_odds, share) in [
            ([0.25, 0.25 / 3.0, 0.025, 0.01], 4.0, 1.0),
            ([0.02, 0.01, -0.01, 0.0], -2.914_63, 0.445_05),
            ([0.12; 4], -0.380_03, 0.998_80),
            ([-0.2; 4], 1.956_71, 1.0),
            ([0.0, 0.0, 0.08, 0.25], 4.0, 1.0),
        ] {
            let found = judged(trims);
            assert!((found.log10_odds - log10_odds).abs() < 1e-4, "{trims:?}: {}", found.log10_odds);
            assert!((found.figures["share_of_best"] - share).abs() < 1e-4, "{trims:?}: {:?}", found.figures);
        }
    }

    #[test]
    fn each_pattern_has_its_name_and_size() {
        // A quarter more fuel at 2 g/s, the same half gram at every flow.
        let leak = judged([0.25, 0.25 / 3.0, 0.025, 0.01]);
        assert!((leak.figures["leak_g_s"] - 0.5).abs() < 1e-9 && !leak.figures.contains_key("meter_error_pct"));
        assert!(leak.statement.contains("unmetered air (100 % of the faults considered): 0.50 g/s past the meter"));
        assert!(leak.alternatives.iter().all(|text| !text.contains("without an air meter")));
        // A meter that reads 0.8 of the truth needs a quarter more; one that reads 1.25 of it a fifth less.
        for (trim, pct, name) in [(0.25, -20.0, "too little measured air"), (-0.2, 25.0, "too much measured air")] {
            let meter = judged([trim; 4]);
            assert!((meter.figures["meter_error_pct"] - pct).abs() < 1e-9, "{:?}", meter.figures);
            assert!(meter.statement.contains(name) && meter.statement.contains(&format!("reads {pct:+.0} %")));
            assert!(!meter.figures.contains_key("leak_g_s"));
        }
        // The trims do not tell missing fuel from air that the meter does not show: both are named.
        let demand = judged([0.0, 0.0, 0.08, 0.25]);
        assert!(demand.statement.contains("fuel delivery or an air meter that falls behind with demand"), "{demand:?}");
        assert!(demand.alternatives.iter().any(|text| text.contains("air meter that shows too little")), "{demand:?}");
        assert!(
            demand.next.iter().any(|text| text.contains("metered air against what the engine swallows")),
            "{demand:?}"
        );
        let purge = judged([-0.4, -0.4 / 3.0, -0.04, -0.016]);
        assert!(purge.statement.contains("fuel from elsewhere at idle") && purge.verdict == Verdict::Faulty);
        // Without a meter no grams are told.
        let relative = of(&[0.2, 0.6, 2.0, 5.0], &[0.25, 0.25 / 3.0, 0.025, 0.01], Flow::FromPressure, true);
        assert!(!relative.figures.contains_key("leak_g_s") && !relative.statement.contains("g/s"));
        assert!(relative.alternatives.iter().any(|text| text.contains("without an air meter")));
    }

    #[test]
    fn shapes_of_the_faults() {
        let cells = [2.0, 4.0, 8.0].map(|flow| Cell { flow, trim: 0.0, error: 0.0, seconds: 0.0 });
        let shapes: Vec<(usize, Vec<f64>)> =
            patterns(&cells).into_iter().map(|(cause, shape)| (cause, shape.iter().copied().collect())).collect();
        let expected = [
            (0, [1.0, 0.5, 0.25]),
            (1, [1.0; 3]),
            (2, [-1.0; 3]),
            (4, [-1.0, -0.5, -0.25]),
            // From nothing, from a third and from a half of the greatest flow on.
            (3, [0.25, 0.5, 1.0]),
            (3, [0.0, 0.17 / 0.67, 1.0]),
            (3, [0.0, 0.0, 1.0]),
        ];
        for ((cause, shape), (name, values)) in shapes.iter().zip(expected) {
            assert!(
                *cause == name && shape.iter().zip(values).all(|(a, b)| (a - b).abs() < 1e-12),
                "{cause} {shape:?}"
            );
        }
        assert_eq!(shapes.len(), expected.len());
    }

    /// Trims within 10 %, over a range of flows with idle in it: less is not called healthy, and more neither.
    #[test]
    fn what_is_needed_to_be_healthy() {
        let verdict =
            |flows: &[f64], trim: f64, has_idle| of(flows, &vec![trim; flows.len()], Flow::Metered, has_idle).verdict;
        assert_eq!(verdict(&[2.0, 6.0, 20.0], 0.0, true), Verdict::Healthy);
        assert_eq!(verdict(&[2.0, 6.0, 20.0], 0.0, false), Verdict::Undecided);
        assert_eq!(
            (verdict(&[2.0, 3.0, 4.0, 5.1], 0.0, true), verdict(&[2.0, 3.0, 4.0, 4.9], 0.0, true)),
            (Verdict::Healthy, Verdict::Undecided)
        );
        assert_eq!(of(&[2.0, 6.0, 20.0], &[0.101, 0.0, 0.0], Flow::Metered, true).verdict, Verdict::Undecided);
        assert!(
            of(&[2.0], &[0.3], Flow::Metered, true).statement.contains("the pattern over the flow was not recorded")
        );
    }

    /// Whether the measured air fits the fuel: both trims of every bank that was recorded, normal at every flow.
    #[test]
    fn whether_the_fuel_fits_the_air() {
        let swing: &dyn Fn(f64) -> f64 = &|t| if t % 4.0 < 2.0 { 1.0 } else { -1.0 };
        let of = |more: &[Signal<'_>]| {
            let engine: [Signal<'_>; 2] = [("engine.speed", &|_| 2000.0), ("intake.air_flow", &|_| 10.0)];
            is_fuel_right(&drive(120, &[&engine, more].concat()))
        };
        let (short, long) = (("fuel.trim.short.bank_1", swing), "fuel.trim.long.bank_1");
        assert!(
            of(&[short, (long, &|_| 5.0)]) && !of(&[short, (long, &|_| 12.0)]) && !of(&[short, (long, &|_| -12.0)])
        );
        assert!(!of(&[]) && !of(&[short]) && !of(&[(long, &|_| 0.0)]));
        let both = |other: f64| {
            let level = move |_: f64| other;
            of(&[short, (long, &|_| 5.0), ("fuel.trim.short.bank_2", swing), ("fuel.trim.long.bank_2", &level)])
        };
        assert!(both(3.0) && !both(15.0));
    }
}
