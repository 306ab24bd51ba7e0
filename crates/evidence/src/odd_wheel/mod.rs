//! `odd-wheel`: does this wheel disagree with the other wheels after the turn is accounted for?
//!
//! Three ways to disagree are weighed: all the time ([`steady`]: wrong size, scale, offset), in stretches ([`stretches`])
//! and while the speed changes (late, constant added: [`trend`]). The turn needs no model of the car, see [`crate::wheels`]; which of the four wheels
//! is meant follows from the sign pattern of three contrasts, see [`model`].

pub(crate) mod model;
pub(crate) mod road;
pub(crate) mod steady;
mod stretches;
mod trend;

use std::collections::BTreeMap;

use crate::examination::Examination;
use crate::finding::{Check, Finding, Kind, Span, Verdict};
use crate::wheels::{MIN_SPEED_KMH, Rig, WHEELS, WORDS};
use road::{Exchange, Reference};
use steady::{LEAST_BLOCKS, More, Steady};
use stretches::Stretches;
use trend::Trend;

/// The check.
pub(crate) const CHECK: Check = Check { kind: Kind::OddWheel, run };

/// Size of the fault that a healthy verdict excludes.
const STATED_FAULT: f64 = 0.03;

/// Odds are not reported beyond this: no model of roads and cars is that good.
const MAX_LOG10_ODDS: f64 = 6.0;

/// One finding per wheel that was recorded, when at least two were.
fn run(recording: &Examination<'_>) -> Vec<Finding> {
    let Some(rig) = recording.rig() else { return Vec::new() };
    let (reference, sides) = road::reference(rig);
    let exchange = sides.or_else(|| road::exchange(rig));
    let Some(steady) = Steady::of(rig, reference.as_ref()) else { return Vec::new() };
    let stretches = stretches::find(rig, &steady);
    let (late, shifted) = (trend::late(rig, &steady), trend::shifted(rig, &steady));
    let case = Case { rig, reference: reference.as_ref(), exchange, steady: &steady, late, shifted };
    (0..4).filter(|&wheel| rig.present[wheel]).map(|wheel| case.finding(wheel, &stretches[wheel])).collect()
}

/// Everything that is known of a drive's wheels.
struct Case<'a> {
    rig: &'a Rig,
    reference: Option<&'a Reference>,
    exchange: Option<Exchange>,
    steady: &'a Steady,
    late: Option<Trend>,
    shifted: Option<Trend>,
}

/// The way in which a wheel disagrees.
#[derive(Clone, Copy, PartialEq)]
enum Way {
    Steady,
    Stretches,
    Late,
    Shifted,
}

impl Case<'_> {
    fn finding(&self, wheel: usize, stretches: &Stretches) -> Finding {
        let steady = self.steady;
        let odds_of = |trend: &Option<Trend>| trend.map_or(f64::NEG_INFINITY, |trend| trend.log10_odds[wheel]);
        let ways = [
            (Way::Steady, steady.weighing.log10_odds[wheel]),
            (Way::Stretches, stretches.log10_odds),
            (Way::Late, odds_of(&self.late)),
            (Way::Shifted, odds_of(&self.shifted)),
        ];
        let worst = ways.into_iter().fold(ways[0], |best, way| if way.1 > best.1 { way } else { best });
        let mut log10_odds = worst.1;
        // What is no more than its own prior is not worth telling.
        let way = if log10_odds > -1.0 { worst.0 } else { Way::Steady };
        let n_used = steady.n_used();
        let has_power = n_used >= LEAST_BLOCKS && self.sees_fault(wheel, More::default(), self.sigma());
        if !has_power {
            log10_odds = log10_odds.max(-0.9);
        }
        if self.is_contested(wheel) {
            log10_odds = log10_odds.max(-0.9);
        }
        if n_used < LEAST_BLOCKS && way != Way::Stretches {
            log10_odds = log10_odds.min(1.9);
        }
        if self.exchange.is_some() {
            log10_odds = log10_odds.clamp(-0.9, 1.9);
        }
        let log10_odds = log10_odds.clamp(-MAX_LOG10_ODDS, MAX_LOG10_ODDS);
        let verdict = Verdict::from_log10_odds(log10_odds);
        Finding {
            kind: Kind::OddWheel,
            subject: vec![WHEELS[wheel].to_owned()],
            verdict,
            log10_odds,
            statement: self.statement(wheel, verdict, way, stretches),
            figures: self.figures(wheel, stretches),
            spans: self.spans(verdict, way, stretches),
            alternatives: self.alternatives(wheel, verdict, way),
            next: self.next(wheel, verdict, way),
        }
    }

    /// Where it shows: the stretches, or else all that was compared.
    fn spans(&self, verdict: Verdict, way: Way, stretches: &Stretches) -> Vec<Span> {
        match (verdict, way) {
            (Verdict::Healthy, _) | (Verdict::Undecided, Way::Steady | Way::Late | Way::Shifted) => Vec::new(),
            (_, Way::Stretches) => stretches.spans.clone(),
            (Verdict::Faulty, _) => {
                let ends = self.used_blocks().next().zip(self.used_blocks().last());
                ends.map(|(first, last)| Span { from_s: first.from_s, to_s: last.to_s }).into_iter().collect()
            }
        }
    }

    /// Spread of the side difference that a turn sensor leaves.
    fn sigma(&self) -> Option<f64> {
        self.reference.map(|reference| reference.sigma)
    }

    /// Whether a wheel that is off by the stated size would be noticed.
    fn sees_fault(&self, wheel: usize, more: More, sigma: Option<f64>) -> bool {
        [STATED_FAULT, -STATED_FAULT].into_iter().all(|size| {
            let weighing = self.steady.foresee(self.rig.present, &self.steady.pure(wheel, size), more, sigma);
            weighing.is_some_and(|weighing| weighing.log10_any >= 2.0)
        })
    }

    /// Whether some wheel is off, none can be named, and this is one of those that may be.
    fn is_contested(&self, wheel: usize) -> bool {
        let weighing = &self.steady.weighing;
        let top = weighing.log10_odds.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        weighing.log10_any >= 0.5 && top < 2.0 && weighing.log10_odds[wheel] > top - 3.5
    }

    /// The wheel that is most probably off, if some wheel is rather than none.
    fn prime_suspect(&self) -> Option<usize> {
        let odds = &self.steady.weighing.log10_odds;
        let there = (0..4).filter(|&i| self.rig.present[i]);
        let best = there.max_by(|&i, &j| odds[i].total_cmp(&odds[j]))?;
        (self.steady.weighing.log10_any > 0.5).then_some(best)
    }

    /// Wheels that explain the drive about as well as any other, worst first.
    fn rivals(&self) -> Vec<usize> {
        let odds = &self.steady.weighing.log10_odds;
        let top = (0..4).filter(|&i| self.rig.present[i]).map(|i| odds[i]).fold(f64::NEG_INFINITY, f64::max);
        let mut rivals: Vec<usize> = (0..4).filter(|&i| self.rig.present[i] && odds[i] > top - 1.5).collect();
        rivals.sort_by(|&i, &j| odds[j].total_cmp(&odds[i]));
        rivals
    }

    fn used_blocks(&self) -> impl Iterator<Item = &crate::wheels::Block> {
        self.rig.blocks.iter().zip(&self.steady.used).filter(|(_, used)| **used).map(|(block, _)| block)
    }

    fn seconds_used(&self) -> f64 {
        self.used_blocks().map(|block| block.to_s - block.from_s + self.rig.interval_s).sum()
    }

    /// Slowest and fastest block used, km/h.
    fn speeds_kmh(&self) -> (f64, f64) {
        self.used_blocks()
            .fold((f64::INFINITY, 0.0), |(a, b), block| (a.min(3.6 * block.speed_m_s), b.max(3.6 * block.speed_m_s)))
    }

    /// What a wheel may be off without being called odd: tyres and the error of this drive, two standard deviations.
    fn tolerance(&self, wheel: usize) -> f64 {
        2.0 * self.steady.weighing.sigma[wheel]
    }

    fn figures(&self, wheel: usize, stretches: &Stretches) -> BTreeMap<String, f64> {
        let weighing = &self.steady.weighing;
        let mut figures = BTreeMap::new();
        let mut put = |name: &str, value: f64| {
            if value.is_finite() {
                figures.insert(name.to_owned(), value);
            }
        };
        put("seconds_used", self.seconds_used());
        put("blocks_used", self.steady.n_used() as f64);
        if self.steady.n_used() > 0 {
            let (slowest, fastest) = self.speeds_kmh();
            put("ratio", 1.0 + weighing.size[wheel]);
            put("difference_percent", 100.0 * weighing.size[wheel]);
            put("tolerance_percent", 100.0 * self.tolerance(wheel));
            put("slowest_km_h", slowest);
            put("fastest_km_h", fastest);
        }
        put("log10_odds_of_any_wheel", weighing.log10_any.min(MAX_LOG10_ODDS));
        put("step_km_h", self.rig.step_kmh);
        put("stretches", stretches.spans.len() as f64);
        if let Some(least) = stretches.least {
            put("least_difference_in_stretches_percent", 100.0 * least);
        }
        if let Some(late) = self.late {
            put("delay_s", late.size[wheel]);
            put("delay_allowed_s", late.allowed);
        }
        if let Some(shifted) = self.shifted {
            put("constant_km_h", shifted.size[wheel]);
            put("constant_allowed_km_h", shifted.allowed);
        }
        figures
    }

    fn statement(&self, wheel: usize, verdict: Verdict, way: Way, stretches: &Stretches) -> String {
        let word = WORDS[wheel];
        if self.steady.n_used() == 0 {
            return format!(
                "The {word} wheel could not be compared: the car never rolled steadily above {MIN_SPEED_KMH:.0} km/h with all recorded wheels in view."
            );
        }
        if let Some(exchange) = self.exchange {
            return format!("The {word} wheel cannot be judged: {}.", said(exchange));
        }
        let size = self.steady.weighing.size[wheel];
        let (slowest, fastest) = self.speeds_kmh();
        let turn = self.reference.map_or_else(String::new, |reference| format!(", turns from {}", reference.signal));
        let range = format!("over {:.0} s at {slowest:.0} to {fastest:.0} km/h{turn}", self.seconds_used());
        let tolerance = 100.0 * self.tolerance(wheel);
        let side = if size < 0.0 { "low" } else { "high" };
        match (verdict, way) {
            (Verdict::Healthy, _) => {
                let now_and_then = stretches
                    .least
                    .map_or_else(String::new, |least| format!(", now and then one of {:.0} %", (100.0 * least).ceil()));
                format!(
                    "The {word} wheel agrees with the others {range}: its difference of {:+.2} % is within the {tolerance:.1} % that sound tyres and this recording allow; a lasting one of {:.0} % would have shown{now_and_then}.",
                    100.0 * size,
                    100.0 * STATED_FAULT
                )
            }
            (_, Way::Stretches) => format!(
                "The {word} wheel leaves the others in {} stretch{} of together {:.0} s, by {:+.1} % on average, while the car rolls gently.",
                stretches.spans.len(),
                if stretches.spans.len() == 1 { "" } else { "es" },
                stretches.spans.iter().map(|span| span.to_s - span.from_s).sum::<f64>(),
                100.0 * stretches.size.iter().sum::<f64>() / stretches.size.len().max(1) as f64
            ),
            (_, Way::Late) => {
                let (delay, allowed) = self.late.map_or((0.0, 0.0), |late| (late.size[wheel], late.allowed));
                format!(
                    "The {word} wheel follows the others {delay:.2} s late {range}; polling one after another explains at most {allowed:.2} s."
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

    fn alternatives(&self, wheel: usize, verdict: Verdict, way: Way) -> Vec<String> {
        let mut list = Vec::new();
        if verdict == Verdict::Healthy || self.steady.n_used() == 0 {
            return list;
        }
        let size = self.steady.weighing.size[wheel];
        match way {
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

    fn next(&self, wheel: usize, verdict: Verdict, way: Way) -> Vec<String> {
        let word = WORDS[wheel];
        if let Some(exchange) = self.exchange {
            return vec![format!(
                "check which column belongs to which wheel ({}), map them anew and examine again",
                said(exchange)
            )];
        }
        match verdict {
            Verdict::Healthy => Vec::new(),
            Verdict::Faulty => vec![
                format!("compare size, tread and pressure of the {word} tyre with the others"),
                format!("if the tyre is equal, look at sensor, air gap and tone ring of the {word} wheel"),
            ],
            Verdict::Undecided => match way {
                Way::Steady => self.exposure_needed(wheel),
                Way::Stretches => vec![format!(
                    "drive over the same road again: the {word} wheel leaves the others again if it is at fault, at no fixed place"
                )],
                Way::Late => vec!["speed up and slow down between 30 and 80 km/h ten times, straight on".to_owned()],
                Way::Shifted => vec!["drive a minute each at 20, 50 and 80 km/h, straight on".to_owned()],
            },
        }
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
        let plans = [10.0, 20.0, 30.0, 60.0, 120.0, 300.0, 600.0].map(|s| [(s, 50.0), (s, 80.0)]);
        let own = plans.iter().flatten().find(|(s, v)| decides(*s, *v, self.sigma()));
        if let Some((seconds, kmh)) = own {
            return vec![format!("record {seconds:.0} s more, straight on at a steady {kmh:.0} km/h")];
        }
        let mut list = Vec::new();
        if self.rig.present != [true; 4] {
            let missing: Vec<&str> = (0..4).filter(|&i| !self.rig.present[i]).map(|i| WHEELS[i]).collect();
            list.push(format!("record all four wheels: {} missing", missing.join(", ")));
        }
        if self.reference.is_none() {
            // 0.15 % of side difference is what an ordinary yaw sensor leaves open, see `road`.
            let with_yaw = plans.iter().flatten().find(|(s, v)| decides(*s, *v, Some(0.0015)));
            if let Some((seconds, kmh)) = with_yaw {
                list.push(format!(
                    "record yaw.rate or steering.angle as well, {seconds:.0} s straight on at {kmh:.0} km/h"
                ));
            }
        }
        if list.is_empty() {
            list.push(
                "measure the rolling circumference of all four tyres: more driving of this kind does not decide"
                    .to_owned(),
            );
        }
        list
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
