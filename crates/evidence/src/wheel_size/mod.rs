//! `wheel-size`: is a wheel's rolling radius steadily different?
//!
//! The same contrasts between the wheels and the same weighing as in [`crate::odd_wheel`], so that the two cannot contradict
//! each other; here only sizes that a tyre can have count, the difference must be there at all speeds and all the time, and
//! it is measured rather than judged: see [`measure`].

pub(crate) mod measure;
#[cfg(test)]
mod tests;
mod text;

use crate::examination::Examination;
use crate::finding::{Check, Finding, Kind, Span, Verdict};
use crate::odd_wheel::model::{self, Sizes, Weighing};
use crate::odd_wheel::road::{Exchange, Reference};
use crate::odd_wheel::steady::{self, LEAST_BLOCKS, Steady};
use crate::wheels::{Rig, WHEELS};
use measure::{Measured, Steadiness};

/// The check.
pub(crate) const CHECK: Check = Check { kind: Kind::WheelSize, run };

/// Difference that sound tyres have: up to 1 % on one axle (common practice, no source).
const TOLERANCE: f64 = 0.01;

/// Sizes that a wrong wheel may have: from beyond the tolerance to two tyre sizes; a space-saver or wrong size is 2 to 5 % off
/// (common practice, no source), all of 6.5 mm tread on 316 mm 2.1 %.
const SIZES: Sizes = Sizes { least: 0.012, greatest: 0.12, either_sign: true };

/// Difference that a healthy verdict excludes.
const STATED_FAULT: f64 = 0.025;

/// Difference between axles, or between sides, from which on it is told: beyond the wear of a third of the tread and the
/// slip of a driven axle together (0.7 % and 0.5 %).
const NOTABLE: f64 = 0.015;

/// Odds are not reported beyond this: no model of roads and cars is that good.
const MAX_LOG10_ODDS: f64 = 6.0;

/// One finding per wheel that was recorded, when at least two were.
fn run(examination: &Examination<'_>) -> Vec<Finding> {
    let (Some(rig), Some(rolling)) = (examination.rig(), examination.rolling()) else { return Vec::new() };
    let reference = rolling.reference.as_ref();
    let comes_and_goes = rolling.comes_and_goes(rig);
    let mut case =
        Case { rig, reference, exchange: rolling.exchange, steady: &rolling.steady, weighing: None, comes_and_goes };
    case.weighing = case.weighed(&case.steady.seen, More::default(), case.sigma());
    (0..4).filter(|&wheel| rig.present[wheel]).filter_map(|wheel| case.finding(wheel)).collect()
}

/// Driving still to be done.
#[derive(Clone, Copy, Default)]
struct More {
    seconds: f64,
    speed_m_s: f64,
}

/// Why an odd wheel is not of another size.
#[derive(Clone, Copy, PartialEq)]
enum Doubt {
    /// Columns are exchanged.
    Exchange(Exchange),
    /// No tyre is that different.
    TooMuch,
    /// It comes and goes.
    Wavers,
    /// It depends on speed.
    Shifts,
    /// Both wheels of an axle or side differ from the other two.
    Both(&'static str, f64),
    /// Some wheel is off, but which one is open.
    Contested,
}

struct Case<'a> {
    rig: &'a Rig,
    reference: Option<&'a Reference>,
    exchange: Option<Exchange>,
    steady: &'a Steady,
    weighing: Option<Weighing>,
    comes_and_goes: bool,
}

impl Case<'_> {
    /// Spread of the side difference that a turn sensor leaves.
    fn sigma(&self) -> Option<f64> {
        self.reference.map(|reference| reference.sigma)
    }

    /// What the contrasts `seen` tell after `more` driving.
    fn weighed(&self, seen: &[f64], more: More, sigma: Option<f64>) -> Option<Weighing> {
        let n = self.steady.n_used() as f64;
        let block_s = (5.0 * self.rig.interval_s).max(1.0);
        let shrink = (n.max(1.0) / (n + more.seconds / block_s).max(1.0)).sqrt();
        let errors: Vec<f64> = self.steady.errors.iter().map(|e| e * shrink).collect();
        let distance_m = self.steady.distance_m + more.seconds * more.speed_m_s;
        let nuisance = steady::nuisance(sigma, distance_m, self.steady.speed_m_s.max(more.speed_m_s));
        model::weigh(&self.steady.rows, self.rig.present, seen, &errors, &nuisance, SIZES)
    }

    /// Whether a wheel that is off by the stated size would be noticed.
    fn sees_fault(&self, wheel: usize, more: More, sigma: Option<f64>) -> bool {
        [STATED_FAULT, -STATED_FAULT].into_iter().all(|size| {
            let weighing = self.weighed(&self.steady.pure(wheel, size), more, sigma);
            weighing.is_some_and(|weighing| weighing.log10_any >= 1.5)
        })
    }

    fn finding(&self, wheel: usize) -> Option<Finding> {
        let weighing = self.weighing.as_ref()?;
        let measured = Measured::of(self.rig, self.steady, self.reference, wheel, weighing);
        let steadiness = Steadiness::of(self.rig, self.steady, self.reference, wheel);
        let doubt = self.doubt(wheel, weighing, &measured, &steadiness);
        let mut log10_odds = weighing.log10_odds[wheel];
        // An error beyond what tyres have makes other wheels look odd here, where it is no explanation.
        let of_any_size = &self.steady.weighing.log10_odds;
        if of_any_size[wheel] < 0.0 && of_any_size.iter().any(|odds| *odds >= 2.0) {
            log10_odds = log10_odds.min(of_any_size[wheel]);
        }
        let n_used = self.steady.n_used();
        let beyond = measured.size.abs() - 2.0 * measured.error > TOLERANCE;
        if n_used < LEAST_BLOCKS || !beyond {
            log10_odds = log10_odds.min(1.9);
        }
        if n_used < LEAST_BLOCKS || !self.sees_fault(wheel, More::default(), self.sigma()) {
            log10_odds = log10_odds.max(Verdict::LEAST_OPEN);
        }
        // More probably beyond the tolerance than within it is not healthy, whatever explains it better than this wheel alone.
        if measured.size.abs() - measured.error > TOLERANCE {
            log10_odds = log10_odds.max(Verdict::LEAST_OPEN);
        }
        if doubt.is_some() {
            log10_odds = log10_odds.clamp(Verdict::LEAST_OPEN, 1.9);
        }
        let log10_odds = log10_odds.clamp(-MAX_LOG10_ODDS, MAX_LOG10_ODDS);
        let verdict = Verdict::from_log10_odds(log10_odds);
        let spans = match verdict {
            Verdict::Faulty => self.span().into_iter().collect(),
            _ => Vec::new(),
        };
        Some(Finding {
            kind: Kind::WheelSize,
            subject: vec![WHEELS[wheel].to_owned()],
            verdict,
            log10_odds,
            statement: self.statement(wheel, verdict, doubt, &measured, &steadiness),
            figures: self.figures(&measured, &steadiness),
            spans,
            alternatives: self.alternatives(verdict, doubt, &measured),
            next: self.next(wheel, verdict, doubt),
        })
    }

    fn doubt(&self, wheel: usize, weighing: &Weighing, measured: &Measured, steadiness: &Steadiness) -> Option<Doubt> {
        if let Some(exchange) = self.exchange {
            return Some(Doubt::Exchange(exchange));
        }
        let is_odd = weighing.log10_odds[wheel] >= 0.0;
        if is_odd && measured.size.abs() > SIZES.greatest {
            return Some(Doubt::TooMuch);
        }
        // A wheel that is not odd on the whole may still be so for part of the drive; one that is shifts the mean that the
        // others are compared with by a third of it.
        let allowed = if is_odd { measure::change_of_odd(measured.size) } else { STATED_FAULT };
        // Where it agreed for a part of the drive that part tells when, not at which speed.
        if !self.steady.is_part && steadiness.shifts(allowed) {
            return Some(Doubt::Shifts);
        }
        if self.comes_and_goes || steadiness.wavers(allowed) {
            return Some(Doubt::Wavers);
        }
        let top = weighing.log10_odds.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let rivals = weighing.log10_any >= 0.5 && top < 2.0;
        if let Some((which, size)) = measured.both(self.reference.is_some()).filter(|_| top < 2.0) {
            return Some(Doubt::Both(which, size));
        }
        (rivals && weighing.log10_odds[wheel] > top - 3.5).then_some(Doubt::Contested)
    }

    fn used(&self) -> impl Iterator<Item = &crate::wheels::Block> {
        self.rig.blocks.iter().zip(&self.steady.ordinary).filter(|(_, used)| **used).map(|(block, _)| block)
    }

    fn span(&self) -> Option<Span> {
        let (first, last) = self.used().next().zip(self.used().last())?;
        Some(Span { from_s: first.from_s, to_s: last.to_s })
    }

    fn seconds_used(&self) -> f64 {
        self.used().map(|block| block.to_s - block.from_s + self.rig.interval_s).sum()
    }

    /// The wheel that is most probably off, if some wheel is rather than none.
    fn prime_suspect(&self) -> Option<usize> {
        let weighing = self.weighing.as_ref()?;
        let there = (0..4).filter(|&i| self.rig.present[i]);
        let best = there.max_by(|&i, &j| weighing.log10_odds[i].total_cmp(&weighing.log10_odds[j]))?;
        (weighing.log10_any > 0.5).then_some(best)
    }
}
