//! `cranking`: does the battery hold its voltage while the starter turns the engine?
//!
//! A start is a step of the engine speed from standstill to running; the voltage samples in between that sag below what
//! this battery showed at standstill, and below what any battery shows without a load, belong to the cranking. The
//! threshold of 9.6 V is common practice, so it makes a warning; the verdict comes from how a plateau that low compares with
//! the spread of sound batteries at that temperature. What falls between two samples is not seen, and the finding says with
//! which odds.

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
/// No battery that still starts an engine reads less than this without the starter's load, volts of a 12 V system: at 11.7 V
/// it rests discharged, and the ignition takes 0.2 V of it (common practice, no source). Between here and the rest voltage a
/// sample says nothing: the engine has just stopped, or a converter feeds the consumers.
const UNLOADED_V: f64 = 11.5;
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
        if at(k) - at(k - 1) > SLOWEST_S {
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
    // At rest is the battery only once the engine stands: before, the generator held the voltage.
    let earliest_ns = from_ns.saturating_sub(10_000_000_000);
    let stands = |k: &usize| speed.value[*k] < STILL_RPM && speed.t_ns[*k] >= earliest_ns;
    let stopped = (0..from).rev().take_while(stands).last().unwrap_or(from);
    let rests_from = voltage.t_ns.partition_point(|&t| t <= speed.t_ns[stopped]);
    let rest_v = median(&mut volts(rests_from..first)).unwrap_or(f64::NAN);
    let inside = volts(first..last);
    // Where the rest voltage is not known, the lesser of the two is the other.
    let limit = UNLOADED_V.min(rest_v - SAG_V);
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
    use signal::{SignalId, Unit};

    use super::*;

    #[test]
    fn the_warning_alone_convicts_nobody() {
        // 9.6 V at 21 degC and 8.5 V at -18 degC are the ends of the usual table (from memory).
        assert!(decades(9.6, 21.0) < 0.5 && decades(8.5, -18.0) < 0.5);
        assert!(decades(7.4, 21.0) > 2.0);
        assert!(decades(7.4, -18.0) < 2.0);
    }

    fn series(id: &str, at: impl IntoIterator<Item = (f64, f64)>) -> Series {
        let mut series = Series::new(SignalId::new(id).unwrap(), Unit::named("1"));
        at.into_iter().for_each(|(t_s, value)| series.push_value(signal::nanos_from_seconds(t_s), value));
        series
    }

    /// Two engine speeds a second: standing until 10 s, turned by the starter for so long, then as given.
    fn speeds(seconds: f64, then: f64) -> Series {
        let rpm = |t: f64| {
            if t <= 10.0 {
                0.0
            } else if t <= 10.0 + seconds {
                220.0
            } else {
                then
            }
        };
        series("engine.speed", (0..60).map(|k| f64::from(k) / 2.0).map(|t| (t, rpm(t))))
    }

    /// Voltage every `step_s` seconds: 12.6 V at rest, such a voltage while the starter turns.
    fn volts(step_s: f64, seconds: f64, loaded: f64) -> Series {
        let at = |t: f64| {
            if t > 10.0 && t <= 10.0 + seconds {
                loaded
            } else if t <= 10.0 {
                12.6
            } else {
                14.2
            }
        };
        let n = (30.0 / step_s) as u32;
        series("battery.voltage", (0..n).map(|k| f64::from(k) * step_s).map(|t| (t, at(t))))
    }

    /// From the last standstill to the first speed of a running engine.
    #[test]
    fn a_start_is_found_with_what_belongs_to_it() {
        let found = starts(&speeds(1.0, 900.0), &volts(0.25, 1.0, 10.2), 1.0);
        let start = &found[0];
        assert_eq!((found.len(), start.is_started, start.span.from_s, start.span.to_s), (1, true, 10.0, 11.5));
        assert_eq!((start.rest_v, start.n_inside, start.loaded_v.as_slice()), (12.6, 6, [10.2; 4].as_slice()));
        assert_eq!(start.cranking_rpm, [220.0, 220.0]);
        // Something that lasts 0.1 s falls onto a sample every 0.25 s with 40 %.
        assert!((start.p_inrush - 0.4).abs() < 1e-9, "{}", start.p_inrush);
        assert!((starts(&speeds(1.0, 900.0), &volts(0.05, 1.0, 10.2), 1.0)[0].p_inrush - 1.0).abs() < 1e-9);
        // In a 24 V system, and without a voltage before: what lies below 11.5 V is under load.
        let mut double = volts(0.25, 1.0, 10.2);
        double.value.iter_mut().for_each(|volts| *volts *= 2.0);
        assert_eq!(starts(&speeds(1.0, 900.0), &double, 2.0)[0].loaded_v, [10.2; 4]);
        let mut late = volts(0.25, 1.0, 11.4);
        late.t_ns.drain(..41);
        late.value.drain(..41);
        assert_eq!(starts(&speeds(1.0, 900.0), &late, 1.0)[0].loaded_v.len(), 4);
        // 11.6 V are also read without a starter; and half a volt below rest is what it takes at least.
        assert!(starts(&speeds(1.0, 900.0), &volts(0.25, 1.0, 11.6), 1.0)[0].loaded_v.is_empty());
        let mut tired = volts(0.25, 1.0, 11.4);
        tired.value.iter_mut().filter(|volts| **volts == 12.6).for_each(|volts| *volts = 11.8);
        assert!(starts(&speeds(1.0, 900.0), &tired, 1.0)[0].loaded_v.is_empty());
    }

    /// The engine runs until 6 s: the generator's 14.3 V are no rest voltage, and what lies half a volt below them no load.
    #[test]
    fn a_short_stop_is_no_load() {
        let mut speed = speeds(1.0, 900.0);
        speed.value.iter_mut().take(12).for_each(|rpm| *rpm = 800.0);
        let of = |running_v: f64, stopped_v: f64, cranking_v: f64| {
            let mut volts = volts(0.25, 1.0, cranking_v);
            volts.value.iter_mut().take(41).for_each(|volts| *volts = stopped_v);
            volts.value.iter_mut().take(24).for_each(|volts| *volts = running_v);
            let found = starts(&speed, &volts, 1.0);
            assert_eq!(found.len(), 1);
            (found[0].rest_v, found[0].loaded_v.len(), judge(&found, 1.0, Some(20.0)).verdict)
        };
        // The starter's load fell between the samples; a converter holds 13.5 V while a traction motor starts the engine.
        assert_eq!(of(14.3, 12.6, 12.6), (12.6, 0, Verdict::Undecided));
        assert_eq!(of(14.3, 14.2, 13.5), (14.2, 0, Verdict::Undecided));
        assert_eq!(of(14.3, 12.6, 10.4), (12.6, 4, Verdict::Healthy));
    }

    #[test]
    fn what_is_a_start_and_what_is_not() {
        let found = |seconds: f64, then: f64| {
            let found = starts(&speeds(seconds, then), &volts(0.25, seconds, 10.2), 1.0);
            found.iter().map(|start| start.is_started).collect::<Vec<_>>()
        };
        assert_eq!([found(0.0, 900.0), found(14.0, 900.0), found(15.5, 900.0)], [vec![true], vec![true], vec![]]);
        // Given up: turned for two seconds at least.
        assert_eq!(
            [found(1.5, 0.0), found(1.0, 0.0), found(14.5, 0.0), found(15.0, 0.0)],
            [vec![false], vec![], vec![false], vec![]]
        );
        // It must go on running, and the speeds around the start must not lie too far apart.
        let of =
            |at: &[(f64, f64)]| starts(&series("engine.speed", at.iter().copied()), &volts(0.25, 1.0, 10.2), 1.0).len();
        assert_eq!(of(&[(9.0, 0.0), (10.0, 0.0), (11.0, 500.0), (12.0, 300.0)]), 0);
        assert_eq!(of(&[(9.0, 0.0), (10.0, 0.0), (11.0, 500.0), (12.0, 700.0)]), 1);
        assert_eq!(of(&[(9.0, 0.0), (10.0, 0.0), (15.0, 500.0), (16.0, 700.0)]), 1);
        assert_eq!(of(&[(9.0, 0.0), (10.0, 0.0), (15.1, 500.0), (16.0, 700.0)]), 0);
        assert_eq!(of(&[(9.0, 0.0), (10.0, f64::NAN), (11.0, 500.0), (12.0, 700.0)]), 1);
        assert_eq!(of(&[(9.0, 800.0), (10.0, 900.0), (11.0, 950.0)]), 0);
        assert_eq!(of(&[(9.0, 0.0), (12.0, 0.0), (15.0, 0.0)]), 0, "nobody turned it");
    }

    /// Logarithms of a normal density about 10.4 V with 0.8 V, less 0.028 V for each kelvin below 20, and of an even one from
    /// 6.0 to 9.6 V, by `scipy.stats.norm.logpdf` 1.17.1.
    #[test]
    fn what_a_plateau_is_worth() {
        for (volts, degc, expected) in [
            (9.6, 20.0, -0.036_98),
            (8.0, 20.0, 1.700_20),
            (8.0, -10.0, 0.571_58),
            (7.4, 20.0, 2.799_51),
            (8.0, 35.0, 1.700_20),
        ] {
            assert!((decades(volts, degc) - expected).abs() < 1e-4, "{volts} {degc}: {}", decades(volts, degc));
        }
        assert_eq!((decades(10.5, 20.0), decades(9.7, -10.0), decades(5.0, 20.0)), (0.0, 0.0, MOST));
    }

    fn starting(loaded_v: &[f64], p_inrush: f64) -> Start {
        let span = Span { from_s: 10.0, to_s: 11.5 };
        let (loaded_v, cranking_rpm, n_inside) = (loaded_v.to_vec(), vec![200.0, 240.0], loaded_v.len() + 1);
        Start { span, is_started: true, rest_v: 12.6, loaded_v, cranking_rpm, p_inrush, n_inside }
    }

    #[test]
    fn the_plateau_decides_and_not_the_inrush() {
        let odds = |starts: &[Start]| judge(starts, 1.0, Some(20.0)).log10_odds;
        // The middle of each start, and of all starts: 8.0 V.
        assert!((odds(&[starting(&[6.5, 8.0, 8.2], 0.5)]) - 1.7002).abs() < 1e-4);
        assert!(
            (odds(&[starting(&[8.0, 8.0], 0.5), starting(&[10.0, 10.0], 0.5), starting(&[7.9, 8.1], 0.5)]) - 1.7002)
                .abs()
                < 1e-4
        );
        // Above the warning each sample takes back 0.6 decades, and one of an inrush gives three of them.
        assert!((odds(&[starting(&[10.2, 10.4], 0.5)]) + 1.2).abs() < 1e-9);
        assert!((odds(&[starting(&[10.2], 0.5)]) + 0.6).abs() < 1e-9);
        assert!((odds(&[starting(&[9.0, 10.2, 10.2, 10.3, 10.3], 0.5)]) + 1.2).abs() < 1e-9);
        assert_eq!((odds(&[starting(&[9.0, 10.2, 10.2], 0.5)]), odds(&[starting(&[10.2; 9], 0.5)])), (0.0, -2.0));
        assert_eq!(
            (odds(&[starting(&[], 0.5)]), odds(&[starting(&[8.0], 0.5)])),
            (0.0, 0.0),
            "one sample is no plateau"
        );
        let said = |loaded: &[f64]| judge(&[starting(loaded, 0.5)], 1.0, None).statement;
        assert!(said(&[9.0, 10.2, 10.2]).contains("for a moment, as the inrush does"), "{}", said(&[9.0, 10.2, 10.2]));
        assert!(!said(&[9.7, 10.2, 10.2]).contains("for a moment"));
        assert!(
            judge(&[starting(&[8.0, 8.0], 0.5)], 1.0, None).log10_odds < 1.0,
            "an unknown night may have been cold"
        );
        let found = judge(&[starting(&[9.0, 9.4], 0.4), starting(&[10.0, 10.2], 0.5)], 2.0, Some(20.0));
        for (name, value) in [
            ("starts", 2.0),
            ("failed_starts", 0.0),
            ("lowest_v", 18.0),
            ("plateau_v", 19.3),
            ("rest_v", 25.2),
            ("samples_under_load", 4.0),
            ("p_inrush_unseen", 0.3),
            ("cranking_rpm", 220.0),
            ("slowest_start_s", 1.5),
        ] {
            assert!((found.figures[name] - value).abs() < 1e-9, "{name}: {}", found.figures[name]);
        }
        assert!(found.statement.contains("stays unseen with 30 %"), "{}", found.statement);
        assert!(
            judge(&[starting(&[], 0.4)], 1.0, None)
                .statement
                .contains("(1 samples inside; a dip of 0.1 s at each start would have been seen with odds of 40 %)")
        );
        let failed = Start { is_started: false, ..starting(&[10.2, 10.2], 0.5) };
        let found = judge(&[failed, starting(&[10.2, 10.2], 0.5)], 1.0, None);
        assert!(
            found.statement.starts_with("2 starts, 1 of them without the engine catching, at most 1.5 s"),
            "{}",
            found.statement
        );
    }

    #[test]
    fn the_temperature_nearest_in_time() {
        let at = |at: &[(f64, f64)]| near(&series("coolant.temperature", at.iter().copied()), 100.0);
        assert_eq!(at(&[(50.0, 10.0), (99.0, 12.0), (102.0, 14.0)]), Some(12.0));
        assert_eq!((at(&[(40.0, 10.0)]), at(&[(39.0, 10.0)]), at(&[(161.0, 10.0)])), (Some(10.0), None, None));
        assert_eq!(at(&[(99.0, 150.0), (90.0, -41.0), (80.0, -39.0)]), Some(-39.0));
    }
}
