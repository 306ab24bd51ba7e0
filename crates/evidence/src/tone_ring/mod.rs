//! `tone-ring`: does an error repeat once per wheel revolution?
//!
//! A wheel is compared with the others ([`track`]); what remains is searched for a line at one repetition per wheel turn
//! in the domain of the way rolled ([`order`]). A ring with a flaw gives such a line with a size that is constant in per
//! cent; it must be chance neither by the noise beside it nor by its size, and the other wheels must not show it as well.

mod line;
mod order;
mod piece;
#[cfg(test)]
mod tests;
mod text;
mod track;
mod view;

use signal::Recording;
use statrs::distribution::{ContinuousCDF, Normal};

use crate::examination::Examination;
use crate::finding::{Check, Finding, Kind, Verdict};
use crate::wheels::WHEELS;
use line::Size;
use order::Order;

pub use view::{RING_TOLERANCE_PERCENT, TURNS_PER_M, WheelSpectrum, wheel_spectra};

/// The check.
pub(crate) const CHECK: Check = Check { kind: Kind::ToneRing, run };

/// Amplitude that sound rings show: 0.2 mm of runout on a ring of 40 mm radius is 0.5 % (common practice, no source; sound
/// rings of an open motorway drive show up to 0.13 %).
const TOLERANCE: f64 = 0.005;

/// Amplitude that a healthy verdict excludes. One missing tooth of 48 gives 4.2 % (twice its share of 1/48, the first
/// coefficient of a short pulse's Fourier series).
const STATED_FAULT: f64 = 0.01;

/// log10 prior odds: one ring in ten of the wheels that are examined (assumed, no source).
const LOG10_PRIOR: f64 = -1.0;

/// Odds are not reported beyond this: no model of roads and cars is that good.
const MAX_LOG10_ODDS: f64 = 6.0;

/// One wheel, looked at.
struct Looked {
    wheel: usize,
    order: Option<Order>,
    partners: usize,
    interval_s: f64,
    step_m_s: f64,
    log10_odds: f64,
    /// What else the error is, if it is no ring.
    otherwise: Option<Otherwise>,
}

/// Why an error of every turn is not the ring's.
#[derive(Clone, Copy, PartialEq)]
enum Otherwise {
    /// Other wheels show it as well.
    Shared,
    /// It grows with speed and is a plain wave.
    Grows,
    /// It repeats in time rather than with the turns: frequency in Hz.
    Timed(f64),
    /// There is no other wheel to compare with.
    Alone,
}

/// One finding per recorded wheel.
fn run(recording: &Examination<'_>) -> Vec<Finding> {
    let all = look_at_all(recording);
    all.iter().map(|looked| looked.finding(&all)).collect()
}

/// Every recorded wheel in their order, compared with those that are sound.
fn look_at_all(recording: &Recording) -> Vec<Looked> {
    let there: Vec<usize> = (0..4).filter(|&i| recording.series(WHEELS[i]).is_some()).collect();
    let mut accused: Vec<Looked> = Vec::new();
    // A wheel with an error is no partner: one at a time, the surest first, leaves the comparison.
    let rest = loop {
        let is_accused = |i: &usize| accused.iter().any(|looked| looked.wheel == *i);
        let free: Vec<usize> = there.iter().copied().filter(|i| !is_accused(i)).collect();
        let mut looked: Vec<Looked> = free.iter().filter_map(|&i| look(recording, i, &free)).collect();
        // What one wheel has its partners seem to have, too, a third as large.
        let explained = |k: &usize| looked[*k].order.as_ref().map_or(0.0, |order| order.explained);
        let suspects = (0..looked.len()).filter(|&k| looked[k].log10_odds >= 2.0);
        match suspects.max_by(|i, j| explained(i).total_cmp(&explained(j))) {
            Some(k) => accused.push(looked.swap_remove(k)),
            None => break looked,
        }
    };
    let mut all: Vec<Looked> = accused.into_iter().chain(rest).collect();
    for k in 0..all.len() {
        let otherwise = otherwise(&all[k], &all);
        all[k].otherwise = otherwise;
    }
    all.sort_by_key(|looked| looked.wheel);
    all
}

fn look(recording: &Recording, wheel: usize, free: &[usize]) -> Option<Looked> {
    let others: Vec<usize> = free.iter().copied().filter(|&i| i != wheel).collect();
    let track = track::of(recording, wheel, &others)?;
    let order = order::search(&track);
    let log10_odds = order.as_ref().map_or(0.0, log10_odds);
    let (partners, interval_s, step_m_s) = (track.partners, track.interval_s, track.step_m_s);
    Some(Looked { wheel, order, partners, interval_s, step_m_s, log10_odds, otherwise: None })
}

/// Evidence that the error is there and more than sound rings have, or that none of the stated size is.
fn log10_odds(order: &Order) -> f64 {
    let p = order.false_alarm.max(1e-300);
    // Least factor in favour of chance that a probability p leaves (Sellke, Bayarri and Berger 2001, Am. Stat. 55:62).
    let line = if p < (-1.0_f64).exp() { -(-p * p.ln()).log10() - std::f64::consts::LOG10_E } else { 0.0 };
    let Size { amplitude, error } = order.sizes[0];
    let excess = Normal::standard().cdf((TOLERANCE - amplitude) / error.max(1e-9)).max(1e-12);
    let fault = (line + LOG10_PRIOR).min(((1.0 - excess).max(1e-12) / excess).log10());
    if fault > 0.0 {
        return fault.min(MAX_LOG10_ODDS);
    }
    // What a wave of the stated size would have shown, with what averaging may hide of it.
    let missing = (STATED_FAULT - order.hidden.amplitude) / order.hidden.error.max(error).max(1e-9);
    if missing > 0.0 { (-0.5 * missing.powi(2) * std::f64::consts::LOG10_E).max(-MAX_LOG10_ODDS) } else { 0.0 }
}

/// What an error of every turn is, if it is not this wheel's ring.
fn otherwise(looked: &Looked, all: &[Looked]) -> Option<Otherwise> {
    let order = looked.order.as_ref().filter(|_| looked.log10_odds >= 2.0)?;
    let others: Vec<&Order> = all.iter().filter(|o| o.wheel != looked.wheel).filter_map(|o| o.order.as_ref()).collect();
    if others.is_empty() && looked.partners == 0 {
        return Some(Otherwise::Alone);
    }
    let size = order.sizes[0].amplitude;
    let alike = others.iter().filter(|other| {
        let theirs = other.size_near(order.circumference_m);
        theirs.amplitude > 0.5 * size && theirs.amplitude > 3.0 * theirs.error
    });
    // Two wheels may each have a bad ring; the road or the drive line shows in most.
    if alike.count() >= others.len().clamp(1, 2) {
        return Some(Otherwise::Shared);
    }
    if let Some(hz) = order.timed() {
        return Some(Otherwise::Timed(hz));
    }
    let grows = order.growth.is_some_and(|(power, error)| power - 2.0 * error > 0.5);
    (grows && !is_sharp(order)).then_some(Otherwise::Grows)
}

/// Whether the error is a short one within the turn: its second harmonic is at least half of the first.
fn is_sharp(order: &Order) -> bool {
    let [first, second, _] = order.sizes;
    second.amplitude > 0.5 * first.amplitude && second.amplitude > 4.0 * second.error
}

impl Looked {
    fn finding(&self, all: &[Looked]) -> Finding {
        let log10_odds = match self.otherwise {
            Some(_) => self.log10_odds.min(1.9),
            None => self.log10_odds,
        };
        let verdict = Verdict::from_log10_odds(log10_odds);
        let spans = match (&self.order, verdict) {
            (Some(order), Verdict::Faulty) => order.spans.clone(),
            _ => Vec::new(),
        };
        Finding {
            kind: Kind::ToneRing,
            subject: vec![WHEELS[self.wheel].to_owned()],
            verdict,
            log10_odds,
            statement: self.statement(verdict, all),
            figures: self.figures(),
            spans,
            alternatives: self.alternatives(verdict),
            next: self.next(verdict),
        }
    }
}
