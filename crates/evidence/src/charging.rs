//! `charging`: is the battery voltage right for a running engine?
//!
//! Looked at: the median voltage of every [`BLOCK_S`] seconds in which the engine has been running for [`SETTLED_S`]. Bands
//! of charging voltage are common practice, and cars with controlled charging leave them on purpose, so they make
//! warnings only. A verdict needs what no working system does for long: below [`LOW_V`] and falling while the engine is
//! driven above idle, or above [`HIGH_V`]. Healthy needs what no battery does by itself: [`CHARGED_V`] and more.

use signal::{Series, seconds_from_nanos};

use crate::answer::{answer, figures, lacking};
use crate::examination::Examination;
use crate::stats::line::theil_sen;
use crate::stats::robust::{median, median_and_sigma};
use crate::stats::rows::Rows;
use crate::{Check, Finding, Kind, Span, Verdict};

/// The check's entry in the registry.
pub(crate) const CHECK: Check = Check { kind: Kind::Charging, run };

const SUBJECT: &str = "battery";
/// A generator is excited and ramped up within this time after the start, seconds (common practice, no source).
const SETTLED_S: f64 = 10.0;
/// Length of a block, seconds: consumers that switch on for moments do not fill it.
const BLOCK_S: f64 = 10.0;
/// Slower turning engines are being cranked or are stopping, rpm.
pub(crate) const RUNNING_RPM: f64 = 400.0;
/// Above idle, where every generator can carry the car's ordinary consumers, rpm (common practice, no source).
const DRIVEN_RPM: f64 = 1100.0;
/// Six cells at rest give 12.0 V when nearly empty (common practice, no source: below 12.2 V is low): a system that leaves
/// them there and falling is not charging. Volts of a 12 V system.
const LOW_V: f64 = 12.0;
/// Down to here an inexact sensor and a controlled system (12.5 V, common practice) can meet: such time counts half.
const SURELY_LOW_V: f64 = 11.8;
/// Gassing starts at 14.4 V; controlled charging legitimately goes to 15 V (common practice, no source).
const HIGH_V: f64 = 16.0;
/// A full battery without its surface charge rests at 12.7 V (common practice, no source); what stays half a volt above
/// that is being charged.
const CHARGED_V: f64 = 13.2;
/// Upper end of what passes without a remark: controlled charging at 15 V, and half a volt for cold and tolerance.
const REMARK_V: f64 = 15.5;
/// Time beyond a limit that counts one decade, seconds: a regulator recovers from a large consumer within seconds and
/// a cold generator at full load within tens of seconds, so the share of healthy stretches of length T falls like
/// exp(-T / 26 s). Common practice, no source for the 26 s.
const DECADE_S: f64 = 60.0;
/// Charging proven for this long counts one decade for a healthy system, seconds.
const HEALTHY_DECADE_S: f64 = 120.0;
/// A stretch of too high a voltage is not judged from fewer blocks.
const FEWEST_BLOCKS: usize = 6;
/// Evidence of one drive is bounded.
const MOST: f64 = 4.0;
/// Scatter of neighbouring values that deserves a look with an oscilloscope, volts of a 12 V system (from memory:
/// ripple of more than 0.5 V peak to peak points to a diode; a sine of 0.5 V has 0.18 V rms).
const SCATTER_V: f64 = 0.18;

/// Nominal voltage of the system divided by 12, from its median voltage; `None` when no such system has it.
pub(crate) fn system_factor(voltage: &Series) -> Option<f64> {
    let middle = median(&mut voltage.value.iter().copied().filter(|v| v.is_finite()).collect::<Vec<_>>())?;
    let factor = match middle {
        // Between the two lies what neither has: an overcharged 12 V or a flat 24 V system.
        8.0..17.5 => 1.0,
        21.0..33.0 => 2.0,
        _ => return None,
    };
    // A contact that loses the value now and then is another check's subject; more than that is no battery's voltage.
    let alive = |v: &&f64| (5.0..=20.0).contains(&(**v / factor));
    let share = voltage.value.iter().filter(alive).count() as f64 / voltage.len() as f64;
    (share >= 0.98).then_some(factor)
}

/// A stretch of running engine.
struct Block {
    from_s: f64,
    to_s: f64,
    seconds: f64,
    /// Volts of a 12 V system.
    volts: f64,
    is_driven: bool,
}

fn run(recording: &Examination<'_>) -> Vec<Finding> {
    let Some(voltage) = recording.series("battery.voltage").filter(|series| !series.is_empty()) else {
        return Vec::new();
    };
    let Some(speed) = recording.series("engine.speed").filter(|series| !series.is_empty()) else {
        return vec![lacking(
            Kind::Charging,
            SUBJECT,
            "The voltage was recorded without the engine speed, so it is not known when the engine ran.".into(),
            "Record engine.speed beside battery.voltage for 5 minutes of driving.".into(),
        )];
    };
    let Some(factor) = system_factor(voltage) else {
        return vec![lacking(
            Kind::Charging,
            SUBJECT,
            "The recorded voltage is not that of a 12 V or 24 V battery (more than 2 % of the values cannot be)."
                .into(),
            "Measure at the battery terminals with a meter and compare with the recorded value.".into(),
        )];
    };
    let rows = Rows::new(voltage, &[Some(speed), recording.series("vehicle.speed")], 1.0);
    let blocks = blocks(&rows, factor);
    vec![judge(&blocks, &rows, factor, scatter_v(voltage, factor))]
}

/// Blocks of running engine.
fn blocks(rows: &Rows, factor: f64) -> Vec<Block> {
    let [volts, rpm, speed] = [&rows.columns[0], &rows.columns[1], &rows.columns[2]];
    let mut blocks = Vec::new();
    let mut members: Vec<usize> = Vec::new();
    let mut running_since_s = f64::NAN;
    let mut close = |members: &mut Vec<usize>| {
        if let (Some(&first), Some(&last)) = (members.first(), members.last()) {
            let mut values: Vec<f64> = members.iter().map(|&k| volts[k] / factor).collect();
            let n_driven = members.iter().filter(|&&k| rpm[k] >= DRIVEN_RPM || speed[k] > 5.0).count();
            blocks.push(Block {
                from_s: rows.t_s[first],
                to_s: rows.t_s[last] + rows.dwell_s[last],
                seconds: members.iter().map(|&k| rows.dwell_s[k]).sum(),
                volts: median(&mut values).unwrap_or(f64::NAN),
                is_driven: 2 * n_driven > members.len(),
            });
        }
        members.clear();
    };
    for (k, &t_s) in rows.t_s.iter().enumerate() {
        // Unknown speed ends a stretch like a stopped engine: what is not known is not judged.
        let is_running = rpm[k] >= RUNNING_RPM;
        if !is_running {
            running_since_s = f64::NAN;
        } else if running_since_s.is_nan() {
            running_since_s = t_s;
        }
        let is_settled = t_s - running_since_s >= SETTLED_S;
        if !is_settled || members.first().is_some_and(|&first| t_s - rows.t_s[first] >= BLOCK_S) {
            close(&mut members);
        }
        if is_settled {
            members.push(k);
        }
    }
    close(&mut members);
    blocks
}

/// Robust scatter of neighbouring values less than a tenth of a second apart, volts of a 12 V system; NaN without them.
fn scatter_v(voltage: &Series, factor: f64) -> f64 {
    let close = |k: &usize| seconds_from_nanos(voltage.t_ns[*k] - voltage.t_ns[k - 1]) <= 0.1;
    let mut changes: Vec<f64> = (1..voltage.len())
        .filter(close)
        .map(|k| (voltage.value[k] - voltage.value[k - 1]) / factor)
        .filter(|change| change.is_finite())
        .collect();
    if changes.len() < 100 {
        return f64::NAN;
    }
    median_and_sigma(&mut changes).map_or(f64::NAN, |(_, sigma)| sigma / std::f64::consts::SQRT_2)
}

/// Stretches of blocks that `is_beyond`; one that is not `is_back` does not end a stretch, it does not count either.
fn stretches(
    blocks: &[Block],
    is_beyond: impl Fn(&Block) -> bool,
    is_back: impl Fn(&Block) -> bool,
) -> Vec<Vec<&Block>> {
    let mut all = vec![Vec::new()];
    for block in blocks {
        if is_back(block) {
            all.push(Vec::new());
        } else if is_beyond(block)
            && let Some(last) = all.last_mut()
        {
            last.push(block);
        }
    }
    all.retain(|stretch| !stretch.is_empty());
    all
}

fn seconds(blocks: &[&Block]) -> f64 {
    blocks.iter().map(|block| block.seconds).sum()
}

/// Fall of the voltage over a stretch, volts, and how many standard errors the trend is from none.
fn fall(stretch: &[&Block]) -> (f64, f64) {
    let points: Vec<(f64, f64)> = stretch.iter().map(|block| (block.from_s, block.volts)).collect();
    let (Some(line), Some(first), Some(last)) = (theil_sen(&points), points.first(), points.last()) else {
        return (0.0, 0.0);
    };
    (-line.slope * (last.0 - first.0), -line.trend_sigmas)
}

/// The longest of several stretches.
struct Longest {
    span: Span,
    seconds: f64,
    /// Share of it below [`SURELY_LOW_V`].
    sure: f64,
    n_blocks: usize,
    /// See [`fall`].
    fall: (f64, f64),
}

fn longest(stretches: Vec<Vec<&Block>>) -> Option<Longest> {
    let stretch = stretches.into_iter().max_by(|a, b| seconds(a).total_cmp(&seconds(b)))?;
    Some(Longest {
        span: Span { from_s: stretch.first()?.from_s, to_s: stretch.last()?.to_s },
        seconds: seconds(&stretch),
        sure: stretch.iter().filter(|block| block.volts < SURELY_LOW_V).count() as f64 / stretch.len() as f64,
        n_blocks: stretch.len(),
        fall: fall(&stretch),
    })
}

/// Why a low voltage is not yet a fault of charging.
fn why_open(low_s: f64, is_falling: bool) -> String {
    let mut missing = Vec::new();
    if !is_falling {
        missing.push(
            "a battery that nothing charges goes on falling while the car uses it, and this is not shown".to_owned(),
        );
    }
    if low_s < 2.0 * DECADE_S {
        let needed = 2.0 * DECADE_S;
        missing.push(format!("a large consumer may take that much for a while, {needed:.0} s are needed"));
    }
    missing.push("the module that reports may lose some of the voltage on its own supply".to_owned());
    format!(". Not yet a verdict: {}", missing.join("; "))
}

fn judge(blocks: &[Block], rows: &Rows, factor: f64, scatter_v: f64) -> Finding {
    // Starting from +0: the sum of nothing is -0.
    let total_s = blocks.iter().fold(0.0, |sum, block| sum + block.seconds);
    let is_charged = |block: &&Block| (CHARGED_V..=REMARK_V).contains(&block.volts);
    let charged_s = blocks.iter().filter(is_charged).fold(0.0, |sum, block| sum + block.seconds);
    let low = longest(stretches(blocks, |b| b.volts < LOW_V && b.is_driven, |b| b.volts >= LOW_V + 0.2));
    let high = longest(stretches(blocks, |b| b.volts > HIGH_V, |b| b.volts <= HIGH_V));
    let mut volts: Vec<f64> = blocks.iter().map(|block| block.volts).collect();
    let middle = median(&mut volts).unwrap_or(f64::NAN) * factor;
    let resting = |k: &usize| rows.columns[1][*k] < 1.0;
    let rest = median(&mut (0..rows.len()).filter(resting).map(|k| rows.columns[0][k]).collect::<Vec<_>>());

    let mut odds = 0.0;
    let mut spans = Vec::new();
    let mut story = if blocks.is_empty() {
        "No voltage was recorded while the engine was known to run".to_owned()
    } else {
        format!("{middle:.2} V in the middle of {:.1} min with the engine running", total_s / 60.0)
    };
    let mut next = Vec::new();
    if let Some(Longest { span, seconds: low_s, sure, fall: (fall_v, errors), .. }) =
        low.filter(|low| low.seconds >= BLOCK_S)
    {
        // Three standard errors take seven blocks at least.
        let is_falling = fall_v >= 0.15 && errors >= 3.0;
        odds = (low_s * (0.5 + 0.5 * sure) / DECADE_S).min(if is_falling { MOST } else { 1.5 });
        spans = vec![span];
        story += &format!(
            "; below {:.1} V for {low_s:.0} s while driven, {}",
            LOW_V * factor,
            if is_falling { format!("falling by {:.2} V", fall_v * factor) } else { "not clearly falling".into() }
        );
        if odds < 2.0 {
            story += &why_open(low_s, is_falling);
        }
        next.push("Measure at the battery terminals with the engine at 2000 rpm: below 12.5 V (24 V system: 25 V) with the \
                   consumers on, the generator, its belt or its wiring is at fault; above 13 V, the module's own supply loses voltage.".to_owned());
    }
    if let Some(Longest { span, seconds: high_s, n_blocks: n, .. }) = high {
        let decades = (high_s / DECADE_S).min(if n < FEWEST_BLOCKS { 1.5 } else { MOST });
        if decades > odds {
            (odds, spans) = (decades, vec![span]);
        }
        story += &format!("; above {:.1} V for {high_s:.0} s", HIGH_V * factor);
        next.push("Measure at the battery terminals with the engine at 2000 rpm: above 15.5 V (31 V) the regulator or its sensing \
                   wire is at fault.".to_owned());
    }
    let is_short = total_s < 120.0;
    if next.is_empty() {
        let share = charged_s / total_s;
        if is_short {
            story += ": too short to judge";
            next.push(format!("Record {:.0} s more with the engine running above idle.", 120.0 - total_s));
        } else if share >= 0.8 {
            odds = -(charged_s / HEALTHY_DECADE_S).min(2.0);
            story += &format!(
                "; {:.0} % of it at {:.1} V and more, which no battery holds by itself",
                100.0 * share,
                CHARGED_V * factor
            );
        } else {
            odds = if charged_s >= 60.0 { -0.5 } else { 0.5 };
            story += &format!(
                "; only {:.0} % of it between {:.1} and {:.1} V (common practice, a warning only). Between {:.1} and {:.1} V a weak generator and controlled charging of a full battery look alike: controlled systems hold 12.5 V on purpose, and 15 V after slowing down",
                100.0 * share,
                CHARGED_V * factor,
                REMARK_V * factor,
                LOW_V * factor,
                CHARGED_V * factor
            );
            next.push(
                "Switch on headlamps, blower and rear window heater at 2000 rpm for 2 minutes: the voltage must \
                       rise above 13 V (24 V system: 26 V) or stay there."
                    .to_owned(),
            );
        }
    }
    if scatter_v > SCATTER_V {
        story += &format!(
            "; neighbouring values scatter by {:.2} V: a warning, recorded values cannot show the ripple itself",
            scatter_v * factor
        );
        odds = f64::max(odds, Verdict::LEAST_OPEN);
        next.push("Look at the ripple at the generator with an oscilloscope (AC, 2000 rpm, consumers on): regular arches or gaps.".to_owned());
    }
    let mut finding = answer(Kind::Charging, SUBJECT, odds, story + ".");
    finding.figures = figures([
        ("running_s", total_s),
        ("charged_s", charged_s),
        ("median_running_v", middle),
        ("rest_v", rest.unwrap_or(f64::NAN)),
        ("system_v", 12.0 * factor),
        ("scatter_v", scatter_v * factor),
    ]);
    finding.spans = spans;
    if finding.verdict == Verdict::Faulty {
        finding.alternatives.push("the module that reports the voltage has a bad supply or ground of its own".into());
    }
    finding.next = if finding.verdict == Verdict::Healthy { Vec::new() } else { next };
    finding
}

#[cfg(test)]
mod tests;
