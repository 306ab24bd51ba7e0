//! `cranking`: does the battery hold its voltage while the starter turns the engine?
//!
//! A start is a step of the engine speed from standstill to running; the voltage samples in between that sag below the
//! rest voltage belong to the cranking. The threshold of 9.6 V is common practice, so it makes a warning; the verdict
//! comes from how a plateau that low compares with the spread of sound batteries at that temperature. What falls
//! between two samples is not seen, and the finding says with which odds.

use signal::{Series, seconds_from_nanos};

use crate::answer::{answer, figures, lacking};
use crate::charging::{RUNNING_RPM, system_factor};
use crate::examination::Examination;
use crate::stats::robust::median;
use crate::{Check, Finding, Kind, Span, Verdict};

/// The check's entry in the registry.
pub(crate) const CHECK: Check = Check { kind: Kind::Cranking, run };

const SUBJECT: &str = "battery";
/// Below it the crankshaft stands still, rpm.
const STILL_RPM: f64 = 30.0;
/// No starter turns an engine for longer without the driver giving up, seconds (common practice, no source).
const LONGEST_START_S: f64 = 15.0;
/// Longest distance between the engine speeds that enclose a start, seconds; farther apart nothing can be assigned.
const SLOWEST_S: f64 = 5.0;
/// A sample this far below rest is under the starter's load, volts of a 12 V system: a starter draws ten times what all
/// other consumers do.
const SAG_V: f64 = 0.5;
/// Common practice, no source: at least 9.6 V while cranking, a brief dip to about 10 V is normal.
const WARNING_V: f64 = 9.6;
/// Middle and spread of the plateau of sound batteries, volts of a 12 V system at 20 degC: centred between the "normal" dip
/// of 10 V and what a strong battery holds, so wide that the warning threshold is one spread away.
const SOUND_V: (f64, f64) = (10.4, 0.8);
/// What a cold battery gives less: the usual table of the threshold falls from 9.6 V at 21 degC to 8.5 V at -18 degC (from
/// memory), volts per kelvin.
const COLD_V_PER_K: f64 = 0.028;
/// Temperature assumed when none was recorded, degC: a winter's night, so that no cold battery is accused.
const ASSUMED_DEGC: f64 = -10.0;
/// A tired battery's plateau lies anywhere between here, where the modules fall silent, and the warning, volts.
const DEAD_V: f64 = 6.0;
/// The drop of the inrush lasts about this long, seconds (common practice, no source).
const INRUSH_S: f64 = 0.1;
/// One sample under load above the warning could lie on the rising flank of a deeper plateau: the flank lasts about 0.2 s of
/// 0.9 s (common practice, no source), so each such sample counts this many decades against a weak battery.
const FLANK_DECADES: f64 = 0.6;
/// Evidence of one drive is bounded.
const MOST: f64 = 4.0;

/// One start.
struct Start {
    /// Last standstill and first running sample, seconds.
    span: Span,
    is_started: bool,
    rest_v: f64,
    /// Voltages under load, volts of a 12 V system.
    loaded_v: Vec<f64>,
    /// Engine speeds between standstill and running.
    cranking_rpm: Vec<f64>,
    /// Chance that a sample fell into the inrush.
    p_inrush: f64,
    /// Voltage samples inside.
    n_inside: usize,
}

fn run(recording: &Examination<'_>) -> Vec<Finding> {
    let (Some(voltage), Some(speed)) = (recording.series("battery.voltage"), recording.series("engine.speed")) else {
        return Vec::new();
    };
    let Some(factor) = system_factor(voltage) else {
        return if voltage.is_empty() { Vec::new() } else { vec![not_a_battery()] };
    };
    let starts = starts(speed, voltage, factor);
    // The battery is as cold as the colder of the two: coolant may have been heated.
    let first = starts.first().map_or(0.0, |start| start.span.from_s);
    let temperatures = ["coolant.temperature", "intake.air_temperature"].map(|id| near(recording.series(id)?, first));
    let coldest = temperatures.into_iter().flatten().reduce(f64::min);
    vec![judge(&starts, factor, coldest)]
}

fn not_a_battery() -> Finding {
    let statement =
        "The recorded voltage is not that of a 12 V or 24 V battery (more than 2 % of the values cannot be).";
    let next = "Measure at the battery terminals with a meter while cranking and compare with the recorded value.";
    lacking(Kind::Cranking, SUBJECT, statement.into(), next.into())
}

/// The plausible temperature nearest in time, within a minute.
fn near(series: &Series, t_s: f64) -> Option<f64> {
    series
        .iter()
        .map(|s| ((seconds_from_nanos(s.t_ns) - t_s).abs(), s.value))
        .filter(|(away, value)| *away <= 60.0 && (-40.0..=130.0).contains(value))
        .min_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, value)| value)
}

/// Starts, also those that failed (turned by the starter for two seconds and then still).
fn starts(speed: &Series, voltage: &Series, factor: f64) -> Vec<Start> {
    let at = |k: usize| seconds_from_nanos(speed.t_ns[k]);
    let mut starts = Vec::new();
    let mut still: Option<usize> = None;
    for k in 0..speed.len() {
        let rpm = speed.value[k];
        if !rpm.is_finite() {
            continue;
        }
        let Some(from) = still else {
            still = (rpm < STILL_RPM).then_some(k);
            continue;
        };
        let is_turning = from + 1 < k;
        if k > 0 && at(k) - at(k - 1) > SLOWEST_S {
            still = (rpm < STILL_RPM).then_some(k);
        } else if rpm >= RUNNING_RPM {
            // A start needs the engine to go on running.
            let goes_on = speed.value.get(k + 1).is_some_and(|&next| next >= RUNNING_RPM);
            if goes_on && at(k) - at(from) <= LONGEST_START_S {
                starts.push(start(speed, voltage, factor, from, k, true));
            }
            still = None;
        } else if rpm < STILL_RPM {
            if is_turning && at(k) - at(from) >= 2.0 && at(k) - at(from) <= LONGEST_START_S {
                starts.push(start(speed, voltage, factor, from, k, false));
            }
            still = Some(k);
        }
    }
    starts
}

fn start(speed: &Series, voltage: &Series, factor: f64, from: usize, to: usize, is_started: bool) -> Start {
    let (from_ns, to_ns) = (speed.t_ns[from], speed.t_ns[to]);
    let first = voltage.t_ns.partition_point(|&t| t <= from_ns);
    let last = voltage.t_ns.partition_point(|&t| t <= to_ns);
    let volts = |range: std::ops::Range<usize>| -> Vec<f64> {
        range.map(|k| voltage.value[k] / factor).filter(|v| v.is_finite()).collect()
    };
    let ten_s_before = voltage.t_ns.partition_point(|&t| t <= from_ns.saturating_sub(10_000_000_000));
    let rest_v = median(&mut volts(ten_s_before..first)).unwrap_or(f64::NAN);
    let inside = volts(first..last);
    // Without a rest voltage, what a battery that cranks cannot have unloaded counts as loaded.
    let limit = if rest_v.is_finite() { rest_v - SAG_V } else { 11.5 };
    // Chance to catch an event of known length at an unknown place: the gaps' own mean of min(d, gap).
    let gaps: Vec<f64> = (first.max(1)..(last + 1).min(voltage.len()))
        .map(|k| seconds_from_nanos(voltage.t_ns[k] - voltage.t_ns[k - 1]))
        .collect();
    let caught: f64 = gaps.iter().map(|gap| gap.min(INRUSH_S)).sum();
    let total: f64 = gaps.iter().sum();
    Start {
        span: Span { from_s: seconds_from_nanos(from_ns), to_s: seconds_from_nanos(to_ns) },
        is_started,
        rest_v,
        n_inside: inside.len(),
        loaded_v: inside.into_iter().filter(|v| *v < limit).collect(),
        cranking_rpm: speed.value[from + 1..to].iter().copied().filter(|rpm| *rpm >= STILL_RPM).collect(),
        p_inrush: if total > 0.0 { caught / total } else { 0.0 },
    }
}

/// Decades for a weak battery of a plateau at `volts` and `degc`.
fn decades(volts: f64, degc: f64) -> f64 {
    let shift = COLD_V_PER_K * (20.0 - degc).max(0.0);
    let (middle, spread) = (SOUND_V.0 - shift, SOUND_V.1);
    let z = (volts - middle) / spread;
    if z > 0.0 {
        return 0.0;
    }
    let ln_sound = -0.5 * z * z - (spread * std::f64::consts::TAU.sqrt()).ln();
    let ln_weak = -(WARNING_V - DEAD_V).ln();
    ((ln_weak - ln_sound) / std::f64::consts::LN_10).clamp(-1.0, MOST)
}

fn judge(starts: &[Start], factor: f64, degc: Option<f64>) -> Finding {
    let loaded: Vec<f64> = starts.iter().flat_map(|start| start.loaded_v.iter().copied()).collect();
    if starts.is_empty() {
        return lacking(
            Kind::Cranking,
            SUBJECT,
            "No start of the engine is in the recording.".into(),
            "Record battery.voltage and engine.speed alone, as fast as the link allows, from before the key is turned until the \
             engine runs; three starts."
                .into(),
        );
    }
    let lowest = loaded.iter().copied().fold(f64::INFINITY, f64::min);
    // The plateau of each start is the middle of its loaded samples: the first inrush is deeper on purpose.
    let plateaus: Vec<f64> =
        starts.iter().filter(|s| s.loaded_v.len() >= 2).filter_map(|s| median(&mut s.loaded_v.clone())).collect();
    let plateau = median(&mut plateaus.clone()).unwrap_or(f64::NAN);
    let n_inside: usize = starts.iter().map(|start| start.n_inside).sum();
    let p_unseen: f64 = starts.iter().map(|start| 1.0 - start.p_inrush).product();
    let mut rpm: Vec<f64> = starts.iter().flat_map(|s| s.cranking_rpm.iter().copied()).collect();
    let cranking_rpm = median(&mut rpm).unwrap_or(f64::NAN);
    let started: Vec<&Start> = starts.iter().filter(|start| start.is_started).collect();
    let slowest_s = started.iter().map(|start| start.span.to_s - start.span.from_s).fold(0.0, f64::max);
    let n_failed = starts.len() - started.len();

    let mut story = format!("{} start{}", starts.len(), if starts.len() == 1 { "" } else { "s" });
    if n_failed > 0 {
        story += &format!(", {n_failed} of them without the engine catching");
    }
    if !started.is_empty() {
        story += &format!(", at most {slowest_s:.1} s from standstill to running");
    }
    if cranking_rpm.is_finite() {
        story += &format!(", turned at {cranking_rpm:.0} rpm");
    }
    let mut next = vec![
        "Record battery.voltage and engine.speed alone, as fast as the link allows, during three more starts."
            .to_owned(),
    ];
    let odds;
    if loaded.is_empty() {
        odds = 0.0;
        story += &format!(
            "; no voltage under the starter's load was caught ({n_inside} samples inside; a dip of {INRUSH_S} s at each start would have been seen with odds of {:.0} %)",
            100.0 * (1.0 - p_unseen)
        );
        next.push("If the engine is started by a traction motor or a belt generator, the 12 V battery is not loaded: test it with a battery tester.".to_owned());
    } else {
        story += &format!(
            "; lowest voltage seen {:.2} V (a dip of {INRUSH_S} s between the samples stays unseen with {:.0} %)",
            lowest * factor,
            100.0 * p_unseen
        );
        let temperature = degc.unwrap_or(ASSUMED_DEGC);
        if plateau < WARNING_V {
            odds = decades(plateau, temperature);
            story += &format!(
                "; held at {:.2} V, below the {:.1} V of common practice, at {}",
                plateau * factor,
                WARNING_V * factor,
                degc.map_or(format!("an unknown temperature ({ASSUMED_DEGC} degC assumed)"), |t| format!(
                    "{t:.0} degC"
                ))
            );
        } else {
            // The inrush dips for a moment; each such sample takes back what two others say.
            let n_low = loaded.iter().filter(|volts| **volts < WARNING_V).count() as f64;
            odds = 0.0 - (FLANK_DECADES * (loaded.len() as f64 - 3.0 * n_low)).clamp(0.0, 2.0);
            if n_low > 0.0 {
                story += &format!(
                    "; below the {:.1} V of common practice for a moment, as the inrush does",
                    WARNING_V * factor
                );
            }
        }
        if lowest < WARNING_V {
            if degc.is_none() {
                next.push("Record coolant.temperature too: a cold battery holds less.".to_owned());
            }
            next.push(
                "Charge the battery, test it with a battery tester, then measure the voltage drop of both starter \
                       cables while cranking (more than 0.5 V is a bad connection)."
                    .to_owned(),
            );
        }
    }
    let mut finding = answer(Kind::Cranking, SUBJECT, odds, story + ".");
    finding.figures = figures([
        ("starts", starts.len() as f64),
        ("failed_starts", n_failed as f64),
        ("lowest_v", lowest * factor),
        ("plateau_v", plateau * factor),
        ("rest_v", starts.iter().map(|s| s.rest_v).fold(f64::NAN, f64::min) * factor),
        ("samples_under_load", loaded.len() as f64),
        ("p_inrush_unseen", p_unseen),
        ("cranking_rpm", cranking_rpm),
        ("slowest_start_s", slowest_s),
    ]);
    finding.spans = starts.iter().map(|start| start.span).collect();
    match finding.verdict {
        Verdict::Healthy => {}
        Verdict::Undecided => finding.next = next,
        Verdict::Faulty => {
            finding
                .alternatives
                .push("a starter or engine that turns too hard, or a bad cable, loads a sound battery".into());
            finding.next = next;
        }
    }
    finding
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_warning_alone_convicts_nobody() {
        // 9.6 V at 21 degC and 8.5 V at -18 degC are the ends of the usual table (from memory).
        assert!(decades(9.6, 21.0) < 0.5 && decades(8.5, -18.0) < 0.5);
        assert!(decades(7.4, 21.0) > 2.0);
        assert!(decades(7.4, -18.0) < 2.0);
    }
}
