//! What `odd-wheel` says.

use super::road::Exchange;
use super::steady::{LEAST_BLOCKS, More};
use super::stretches::{STATED_S, Stretches};
use super::trend::Trend;
use super::{Case, STATED_FAULT, Way};
use crate::exposure;
use crate::finding::{Span, Verdict};
use crate::wheel_size::measure::When;
use crate::wheels::{MIN_SPEED_KMH, WORDS};

impl Case<'_> {
    pub(super) fn statement(
        &self,
        wheel: usize,
        verdict: Verdict,
        way: Way,
        stretches: &Stretches,
        greater: Option<When>,
    ) -> String {
        let word = WORDS[wheel];
        if self.steady.n_used() == 0 {
            return format!(
                "The {word} wheel could not be compared: the car never rolled steadily above {MIN_SPEED_KMH:.0} km/h with all recorded wheels in view."
            );
        }
        if let Some(exchange) = self.exchange {
            return format!("The {word} wheel cannot be judged: {}.", said(exchange));
        }
        let size = self.error(wheel);
        let (slowest, fastest) = self.speeds_kmh();
        let turn = self.reference.map_or_else(String::new, |reference| format!(", turns from {}", reference.signal));
        let range = format!("over {:.0} s at {slowest:.0} to {fastest:.0} km/h{turn}", self.seconds_used());
        let tolerance = 100.0 * self.tolerance(wheel);
        let side = if size < 0.0 { "low" } else { "high" };
        match (verdict, way) {
            (Verdict::Healthy, _) => {
                let now_and_then = stretches.least.map_or_else(String::new, |least| {
                    format!(", for {STATED_S:.0} s one of {:.0} %", (100.0 * least).ceil())
                });
                format!(
                    "The {word} wheel agrees with the others {range}: its difference of {:+.2} % is within the {tolerance:.1} % that sound tyres and this recording allow; a lasting one of {:.0} % would have shown{now_and_then}; {}.",
                    100.0 * size,
                    100.0 * STATED_FAULT,
                    self.delay_excluded(wheel)
                )
            }
            (_, Way::Stretches) if stretches.leaves_nothing() => format!(
                "The {word} wheel agrees with the others {range}, its difference is {:+.2} %; but less than {:.0} % for {STATED_S:.0} s would not have shown, in steps of {:.2} km/h at that speed.",
                100.0 * size,
                (100.0 * stretches.least.unwrap_or(0.0)).ceil(),
                self.rig.step_kmh
            ),
            (_, Way::Stretches) if stretches.spans.is_empty() => {
                let rivals: Vec<&str> = stretches.rivals.iter().map(|&i| WORDS[i]).collect();
                format!(
                    "One wheel leaves the others in {} of together {:.0} s while the car rolls gently, but this drive does not tell which one: {}.",
                    counted(stretches.open.len()),
                    seconds(&stretches.open),
                    rivals.join(" or ")
                )
            }
            (_, Way::Stretches) => format!(
                "The {word} wheel leaves the others in {} of together {:.0} s, {}, while the car rolls gently.",
                counted(stretches.spans.len()),
                seconds(&stretches.spans),
                stretches.mean_size().map_or_else(
                    || {
                        let (least, most) = stretches.sizes();
                        format!("by {:+.1} to {:+.1} %", 100.0 * least, 100.0 * most)
                    },
                    |mean| format!("by {:+.1} % on average", 100.0 * mean)
                )
            ),
            (_, Way::Late) => {
                let (delay, allowed) = self.late.map_or((0.0, 0.0), |late| (late.size[wheel], late.allowed));
                format!(
                    "The {word} wheel follows the others {delay:.2} s late {range}; polling explains at most {allowed:.2} s{}.",
                    self.late_as_well(wheel, verdict)
                )
            }
            (_, Way::Shifted) => {
                let constant = self.shifted.map_or(0.0, |shifted| shifted.size[wheel]);
                let side = if constant < 0.0 { "low" } else { "high" };
                format!(
                    "The {word} wheel reads {:.2} km/h too {side} at any speed {range}, {:.1} % on average against a tolerance of {tolerance:.1} %.",
                    constant.abs(),
                    100.0 * size.abs()
                )
            }
            (Verdict::Faulty, Way::Steady) if let Some(when) = greater => format!(
                "The {word} wheel reads {:.1} % {side} on average against the other wheels {range} (tolerance {tolerance:.1} %); it is further off {}.",
                100.0 * size.abs(),
                said_of(when)
            ),
            (Verdict::Faulty, Way::Steady) => format!(
                "The {word} wheel reads {:.1} % {side} against the other wheels {range} (ratio {:.4}, tolerance {tolerance:.1} %), straight on and in turns.",
                100.0 * size.abs(),
                1.0 + size
            ),
            (Verdict::Undecided, Way::Steady) => {
                let rivals = self.rivals();
                if self.steady.weighing.log10_any >= 1.0 && rivals.len() > 1 {
                    let names: Vec<&str> = rivals.iter().map(|&i| WORDS[i]).collect();
                    return format!(
                        "The wheels disagree {range}, but this drive does not tell which one is off: {}.",
                        names.join(" or ")
                    );
                }
                format!(
                    "The {word} wheel seems {:.1} % {side} {range}, which this drive cannot tell from tyres, turns and slip (tolerance {tolerance:.1} %).",
                    100.0 * size.abs()
                )
            }
        }
    }

    pub(super) fn alternatives(&self, wheel: usize, verdict: Verdict, way: Way, greater: Option<When>) -> Vec<String> {
        let mut list = Vec::new();
        if verdict == Verdict::Healthy || self.steady.n_used() == 0 {
            return list;
        }
        let size = self.error(wheel);
        match way {
            // A tyre is no other explanation of what is not always the same.
            Way::Steady if let Some(when) = greater => {
                list.extend((verdict == Verdict::Faulty).then(|| looks_like(when, size).to_owned()));
            }
            Way::Steady if size.abs() < 0.08 => {
                let tyre = if size < 0.0 {
                    "larger tyre or one much newer than the others"
                } else {
                    "space-saver spare, worn-out tyre or one with low pressure"
                };
                list.push(format!("a {tyre} instead of a fault of the sensor: its ratio is constant, too"));
            }
            Way::Steady => list.push("a dead or wrongly scaled sensor, or a wheel that does not turn".to_owned()),
            Way::Stretches => list.push("one wheel on a much looser surface than the others".to_owned()),
            Way::Shifted => list.push("a wheel speed that is computed with another zero than the others".to_owned()),
            Way::Late => {
                list.push("the control unit or gateway sends this wheel's value less often than the others".to_owned());
            }
        }
        if way == Way::Steady && verdict == Verdict::Undecided && self.rig.present != [true; 4] {
            list.push("other tyres or slip on one axle, or a turn that lasted the whole drive".to_owned());
        }
        list
    }

    pub(super) fn next(
        &self,
        wheel: usize,
        verdict: Verdict,
        way: Way,
        stretches: &Stretches,
        greater: Option<When>,
    ) -> Vec<String> {
        let word = WORDS[wheel];
        if let Some(exchange) = self.exchange {
            return vec![format!(
                "check which column belongs to which wheel ({}), map them anew and examine again",
                said(exchange)
            )];
        }
        match verdict {
            Verdict::Healthy => Vec::new(),
            Verdict::Faulty if let Some(when) = greater => {
                let leaks = may_leak(when, self.error(wheel));
                let pressure = leaks.then(|| format!("measure the pressure of the {word} tyre now, and again after an hour"));
                pressure.into_iter().chain([format!("look at sensor, air gap and tone ring of the {word} wheel")]).collect()
            }
            Verdict::Faulty => vec![
                format!("compare size, tread and pressure of the {word} tyre with the others"),
                format!("if the tyre is equal, look at sensor, air gap and tone ring of the {word} wheel"),
            ],
            Verdict::Undecided => match way {
                Way::Steady => self.exposure_needed(wheel),
                Way::Stretches if stretches.leaves_nothing() => vec![
                    "drive 5 minutes at 60 to 100 km/h, straight on and without hard braking, or record the wheels in finer steps".to_owned(),
                ],
                Way::Stretches if stretches.spans.is_empty() => {
                    let mut list =
                        vec!["drive over the same road again and look whether the wheels part at the same places: then it is the road".to_owned()];
                    if self.reference.is_none() {
                        list.push("record yaw.rate or steering.angle as well: it tells a turn from a wheel".to_owned());
                    }
                    list
                }
                Way::Stretches => vec![format!(
                    "drive over the same road again: the {word} wheel leaves the others again if it is at fault, at no fixed place"
                )],
                Way::Late => vec![
                    "speed up and slow down between 30 and 80 km/h ten times, straight on, with the four wheels recorded alone and as fast as they come".to_owned(),
                ],
                Way::Shifted => vec!["drive a minute each at 20, 50 and 80 km/h, straight on".to_owned()],
            },
        }
    }

    /// What the drive says against a late value.
    fn delay_excluded(&self, wheel: usize) -> String {
        match self.late {
            Some(late) if late.excluded_s(wheel) <= LONGEST_TOLD_S => {
                format!(
                    "a value that comes {:.1} s late would have shown, too",
                    (10.0 * late.excluded_s(wheel)).ceil() / 10.0
                )
            }
            _ => "whether its value comes late, this drive does not tell".to_owned(),
        }
    }

    /// Other wheels that may be the late one.
    fn late_as_well(&self, wheel: usize, verdict: Verdict) -> String {
        let others = |late: Trend| {
            let is_rival =
                |i: &usize| *i != wheel && (late.is_suspect(*i) || late.log10_odds[*i] > late.log10_odds[wheel] - 1.5);
            (0..4).filter(is_rival).map(|i| WORDS[i]).collect::<Vec<_>>()
        };
        let others = self.late.filter(|_| verdict == Verdict::Undecided).map(others).unwrap_or_default();
        if others.is_empty() { String::new() } else { format!("; it may as well be the {}", others.join(" or ")) }
    }

    /// How much more driving would decide, by asking the model itself.
    fn exposure_needed(&self, wheel: usize) -> Vec<String> {
        let block_s = (5.0 * self.rig.interval_s).max(1.0);
        let suspect = self.prime_suspect();
        let decides = |seconds: f64, kmh: f64, sigma: Option<f64>| {
            let speed_m_s = kmh / 3.6;
            let more = More { blocks: (seconds / block_s) as usize, distance_m: seconds * speed_m_s, speed_m_s };
            if self.steady.n_used() + more.blocks < LEAST_BLOCKS {
                return false;
            }
            if let Some(suspect) = suspect {
                let weighing = self.steady.foresee(self.rig.present, &self.steady.seen, more, sigma);
                return weighing.is_some_and(|w| w.log10_odds[suspect] >= 2.0 || w.log10_odds[suspect] <= -1.0);
            }
            let healthy = self.steady.foresee(self.rig.present, &self.steady.pure(wheel, 0.0), more, sigma);
            healthy.is_some_and(|w| w.log10_odds[wheel] <= -1.0) && self.sees_fault(wheel, more, sigma)
        };
        let seconds = [10.0, 20.0, 30.0, 60.0, 120.0, 300.0, 600.0];
        exposure::needed(self.rig, &seconds, self.sigma(), self.reference.is_some(), decides)
    }
}

/// Delays beyond this are not worth saying that they were excluded, seconds.
const LONGEST_TOLD_S: f64 = 0.5;

/// So many stretches, in words.
fn counted(n: usize) -> String {
    format!("{n} stretch{}", if n == 1 { "" } else { "es" })
}

fn seconds(spans: &[Span]) -> f64 {
    spans.iter().map(|span| span.to_s - span.from_s).sum()
}

/// When a wheel is further off, in words.
fn said_of(when: When) -> &'static str {
    match when {
        When::Slow => "when the car is slow",
        When::Fast => "when the car is fast",
        When::Early => "early in the drive",
        When::Late => "late in the drive",
    }
}

/// Whether a tyre that loses air in the drive, and becomes smaller, would look alike.
fn may_leak(when: When, size: f64) -> bool {
    when == When::Late && size > 0.0
}

/// What a difference looks like that is not always the same.
fn looks_like(when: When, size: f64) -> &'static str {
    match when {
        When::Slow => "a constant added to its speed; a tyre would be off by the same share at all speeds",
        When::Fast => "pulses lost or added at speed; a tyre would be off by the same share at all speeds",
        When::Late if may_leak(when, size) => "a value that drifts, or a tyre that loses air",
        When::Early | When::Late => "a value that drifts; a tyre would be off by the same share all the time",
    }
}

/// An exchange of columns in words.
fn said(exchange: Exchange) -> String {
    match exchange {
        Exchange::OneAxle => {
            "front and rear wheels turn opposite ways in every turn, as if left and right of one axle were exchanged"
                .to_owned()
        }
        Exchange::Sides(signal) => {
            format!("wheels and {signal} turn opposite ways, as if left and right were exchanged")
        }
        Exchange::Axles => "the rear wheels run the wider arc in turns, as if front and rear were exchanged".to_owned(),
    }
}
