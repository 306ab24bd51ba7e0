//! `odd-wheel`: does this wheel disagree with the other wheels after the turn is accounted for?
//!
//! Three ways to disagree are weighed: all the time ([`steady`]: wrong size, scale, offset), in stretches ([`stretches`])
//! and while the speed changes (late, constant added: [`trend`]). The turn needs no model of the car, see
//! [`crate::wheels`]; which of the four wheels is meant follows from the sign pattern of three contrasts, see [`model`].

pub(crate) mod model;
pub(crate) mod road;
pub(crate) mod steady;
mod stretches;
#[cfg(test)]
pub(crate) mod tests;
mod text;
mod trend;

use std::collections::BTreeMap;

use crate::examination::Examination;
use crate::finding::{Check, Finding, Kind, Span, Verdict};
use crate::wheel_size::measure::{Steadiness, When};
use crate::wheels::{Rig, WHEELS};
use road::{Exchange, Reference};
use steady::{LEAST_BLOCKS, More, Steady};
use stretches::Stretches;
use trend::Trend;

/// The check.
pub(crate) const CHECK: Check = Check { kind: Kind::OddWheel, run };

/// Size of the fault that a healthy verdict excludes.
const STATED_FAULT: f64 = 0.03;

/// The same for one that lasts [`stretches::STATED_S`].
const STATED_IN_STRETCH: f64 = 0.03;

/// Odds are not reported beyond this: no model of roads and cars is that good.
const MAX_LOG10_ODDS: f64 = 6.0;

/// Share of the drive in stretches of some wheel from which on "all the time" has no meaning.
const UNSTEADY: f64 = 0.2;

/// How the wheels of a drive rolled against each other: what this check and that of the size both need.
pub(crate) struct Rolling {
    /// Turns as another sensor saw them.
    pub(crate) reference: Option<Reference>,
    /// Contradiction between the names of the columns and the way the car moved.
    pub(crate) exchange: Option<Exchange>,
    /// What was there all the time.
    pub(crate) steady: Steady,
    /// What came and went, per wheel.
    pub(crate) stretches: [Stretches; 4],
}

impl Rolling {
    /// `None` when no wheel can be compared with another.
    pub(crate) fn of(rig: &Rig) -> Option<Self> {
        let (reference, sides) = road::reference(rig);
        let exchange = sides.or_else(|| road::exchange(rig));
        let steady = Steady::of(rig, reference.as_ref())?;
        let stretches = stretches::find(rig, &steady, reference.as_ref());
        Some(Self { reference, exchange, steady, stretches })
    }

    /// Whether another wheel leaves the others for so much of the drive that the ordinary state of this one is open.
    pub(crate) fn is_unsteady(&self, rig: &Rig, wheel: usize) -> bool {
        self.stretches[wheel].seconds_of_others > UNSTEADY * seconds(rig)
    }

    /// Whether some wheel does, this one or another.
    pub(crate) fn comes_and_goes(&self, rig: &Rig) -> bool {
        let of_wheel = &self.stretches[0];
        let own = of_wheel.spans.iter().chain(&of_wheel.open).map(|span| span.to_s - span.from_s);
        of_wheel.seconds_of_others + own.sum::<f64>() > UNSTEADY * seconds(rig)
    }
}

/// Seconds in which the wheels could be compared.
fn seconds(rig: &Rig) -> f64 {
    rig.blocks.iter().map(|block| block.to_s - block.from_s + rig.interval_s).sum()
}

/// One finding per wheel that was recorded, when at least two were.
fn run(examination: &Examination<'_>) -> Vec<Finding> {
    let (Some(rig), Some(rolling)) = (examination.rig(), examination.rolling()) else { return Vec::new() };
    let Rolling { reference, exchange, steady, stretches } = rolling;
    let (late, shifted) = (trend::late(rig, steady), trend::shifted(rig, steady));
    let is_unsteady = [0, 1, 2, 3].map(|wheel| rolling.is_unsteady(rig, wheel));
    let case = Case { rig, reference: reference.as_ref(), exchange: *exchange, steady, late, shifted, is_unsteady };
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
    is_unsteady: [bool; 4],
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
        // What belongs to a part of the drive is told of that part.
        let worst = if steady.is_part && stretches.log10_odds >= 2.0 { (Way::Stretches, worst.1) } else { worst };
        let mut log10_odds = worst.1;
        // What is no more than its own prior is not worth telling.
        let mut way = if log10_odds > -1.0 { worst.0 } else { Way::Steady };
        if log10_odds <= -1.0 && self.late.is_some_and(|late| late.is_suspect(wheel)) {
            (log10_odds, way) = (Verdict::LEAST_OPEN, Way::Late);
        }
        if log10_odds <= -1.0 && stretches.least.is_some_and(|least| least > STATED_IN_STRETCH) {
            (log10_odds, way) = (Verdict::LEAST_OPEN, Way::Stretches);
        }
        let n_used = steady.n_used();
        let has_power = n_used >= LEAST_BLOCKS && self.sees_fault(wheel, More::default(), self.sigma());
        if !has_power {
            log10_odds = log10_odds.max(Verdict::LEAST_OPEN);
        }
        if self.is_contested(wheel) {
            log10_odds = log10_odds.max(Verdict::LEAST_OPEN);
        }
        // What a wheel does all the time cannot be told while another comes and goes.
        if (n_used < LEAST_BLOCKS || self.is_unsteady[wheel]) && way != Way::Stretches {
            log10_odds = log10_odds.min(1.9);
        }
        if self.exchange.is_some() {
            log10_odds = log10_odds.clamp(Verdict::LEAST_OPEN, 1.9);
        }
        let log10_odds = log10_odds.clamp(-MAX_LOG10_ODDS, MAX_LOG10_ODDS);
        let verdict = Verdict::from_log10_odds(log10_odds);
        let is_told = verdict != Verdict::Healthy && way == Way::Steady;
        let greater = is_told.then(|| self.greater(wheel)).flatten();
        Finding {
            kind: Kind::OddWheel,
            subject: vec![WHEELS[wheel].to_owned()],
            verdict,
            log10_odds,
            statement: self.statement(wheel, verdict, way, stretches, greater),
            figures: self.figures(wheel, stretches),
            spans: self.spans(verdict, way, stretches),
            alternatives: self.alternatives(wheel, verdict, way, greater),
            next: self.next(wheel, verdict, way, stretches, greater),
        }
    }

    /// Where it shows: the stretches, or else all that was compared.
    fn spans(&self, verdict: Verdict, way: Way, stretches: &Stretches) -> Vec<Span> {
        match (verdict, way) {
            (Verdict::Healthy, _) | (Verdict::Undecided, Way::Steady | Way::Late | Way::Shifted) => Vec::new(),
            (_, Way::Stretches) if stretches.spans.is_empty() => stretches.open.clone(),
            (_, Way::Stretches) => stretches.spans.clone(),
            (Verdict::Faulty, _) => {
                let ends = self.used_blocks().next().zip(self.used_blocks().last());
                ends.map(|(first, last)| Span { from_s: first.from_s, to_s: last.to_s }).into_iter().collect()
            }
        }
    }

    /// When a wheel that is off is more so than at other times; a tyre always is by the same share.
    fn greater(&self, wheel: usize) -> Option<When> {
        Steadiness::of(self.rig, self.steady, self.reference, wheel).greater(self.error(wheel))
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

    /// How far a wheel is off all the time, as a share of its speed.
    fn error(&self, wheel: usize) -> f64 {
        self.rig.error_of(self.steady.weighing.size[wheel])
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
            put("ratio", 1.0 + self.error(wheel));
            put("difference_percent", 100.0 * self.error(wheel));
            put("tolerance_percent", 100.0 * self.tolerance(wheel));
            put("slowest_km_h", slowest);
            put("fastest_km_h", fastest);
        }
        put("log10_odds_of_any_wheel", weighing.log10_any.min(MAX_LOG10_ODDS));
        put("step_km_h", self.rig.step_kmh);
        put("stretches", stretches.spans.len() as f64);
        put("stretches_of_no_certain_wheel", stretches.open.len() as f64);
        if let Some(mean) = stretches.mean_size() {
            put("difference_in_stretches_percent", 100.0 * mean);
        }
        if let Some(least) = stretches.least {
            put("least_difference_in_stretches_percent", 100.0 * least);
        }
        if let Some(late) = self.late {
            put("delay_s", late.size[wheel]);
            put("delay_error_s", late.sigma[wheel]);
            put("delay_allowed_s", late.allowed);
        }
        if let Some(shifted) = self.shifted {
            put("constant_km_h", shifted.size[wheel]);
            put("constant_allowed_km_h", shifted.allowed);
        }
        figures
    }
}
