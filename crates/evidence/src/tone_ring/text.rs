//! What the check says.

use std::collections::BTreeMap;

use super::order::Order;
use super::piece::{USUAL_CIRCUMFERENCE_M, countable_m};
use super::{Looked, Otherwise, STATED_FAULT, TOLERANCE, is_sharp};
use crate::answer;
use crate::finding::Verdict;
use crate::wheels::{MIN_SPEED_KMH, WHEELS, WORDS};

/// Error of the amplitude that decides: a sound ring then stays five of them below the stated fault, and the strongest
/// of the lines that noise makes, three, leaves two.
const DECIDING_ERROR: f64 = STATED_FAULT / 6.0;

impl Looked {
    pub(super) fn figures(&self) -> BTreeMap<String, f64> {
        let Some(order) = &self.order else {
            return answer::figures([("sampling_interval_s", self.interval_s), ("step_km_h", 3.6 * self.step_m_s)]);
        };
        let [first, second, third] = order.sizes;
        let (growth, growth_error) = order.growth.unwrap_or((f64::NAN, f64::NAN));
        answer::figures([
            ("amplitude_percent", 100.0 * first.amplitude),
            ("amplitude_error_percent", 100.0 * first.error),
            ("second_harmonic_percent", 100.0 * second.amplitude),
            ("third_harmonic_percent", 100.0 * third.amplitude),
            ("tolerance_percent", 100.0 * TOLERANCE),
            ("circumference_m", order.circumference_m),
            ("log10_false_alarm", order.false_alarm.max(1e-300).log10()),
            ("growth_with_speed", growth),
            ("growth_with_speed_error", growth_error),
            ("hidden_error_percent", 100.0 * order.hidden.error),
            ("metres_used", order.metres),
            ("sampling_interval_s", self.interval_s),
            ("step_km_h", 3.6 * self.step_m_s),
        ])
    }

    pub(super) fn statement(&self, verdict: Verdict, all: &[Looked]) -> String {
        let word = WORDS[self.wheel];
        let Some(order) = &self.order else {
            return format!(
                "The turns of the {word} wheel cannot be followed: too little rolling above {MIN_SPEED_KMH:.0} km/h for samples every {:.0} ms in steps of {:.2} km/h.",
                1000.0 * self.interval_s,
                3.6 * self.step_m_s
            );
        };
        let size = order.sizes[0];
        let seen = format!(
            "an error of {:.2} % (give or take {:.2} %) once per turn of {:.2} m over {:.0} m",
            100.0 * size.amplitude,
            200.0 * size.error,
            order.circumference_m,
            order.metres
        );
        match (verdict, self.otherwise) {
            (Verdict::Healthy, _) => format!(
                "The {word} wheel shows no more than {:.2} % of error once per turn over {:.0} m (sound rings: up to {:.1} %); {:.0} % would have shown.",
                100.0 * size.amplitude,
                order.metres,
                100.0 * TOLERANCE,
                100.0 * STATED_FAULT
            ),
            (Verdict::Faulty, _) => {
                let most = all
                    .iter()
                    .filter(|other| other.wheel != self.wheel)
                    .filter_map(|other| Some(other.order.as_ref()?.size_near(order.circumference_m).amplitude))
                    .fold(f64::NAN, f64::max);
                let others = if most.is_finite() {
                    format!(", the other wheels at most {:.2} % at the same order", 100.0 * most)
                } else {
                    String::new()
                };
                format!("The {word} wheel has {seen}{others}; {}.", nature(order))
            }
            (Verdict::Undecided, Some(Otherwise::Shared)) => {
                format!(
                    "The {word} wheel has {seen}, and so have other wheels: that is the road or the drive line rather than one ring."
                )
            }
            (Verdict::Undecided, Some(Otherwise::Grows)) => format!(
                "The {word} wheel has {seen}, which grows with speed and is a plain wave, as an unbalanced or bent wheel makes it rather than a ring."
            ),
            (Verdict::Undecided, Some(Otherwise::Timed(hz))) => format!(
                "The {word} wheel errs {hz:.2} times a second whatever its speed, which explains more than its turns do: no ring does that."
            ),
            (Verdict::Undecided, Some(Otherwise::Alone)) => {
                format!("The {word} wheel has {seen}, but no other wheel was recorded to tell its ring from the road.")
            }
            (Verdict::Undecided, None) => format!(
                "The {word} wheel may have {seen}; sound rings show up to {:.1} %, a fault from {:.0} % on.",
                100.0 * TOLERANCE,
                100.0 * STATED_FAULT
            ),
        }
    }

    pub(super) fn alternatives(&self, verdict: Verdict) -> Vec<String> {
        let Some(order) = &self.order else { return Vec::new() };
        if verdict == Verdict::Healthy {
            return Vec::new();
        }
        if is_sharp(order) {
            return vec!["dirt or a dent on the ring, or a loose press-on ring, instead of a missing tooth".to_owned()];
        }
        let mut list = vec!["play in the wheel bearing, or a ring that sits eccentrically".to_owned()];
        if order.growth.is_none() {
            list.push("a bent wheel, an eccentric tyre or imbalance: without other speeds they look alike".to_owned());
        }
        list
    }

    pub(super) fn next(&self, verdict: Verdict) -> Vec<String> {
        let word = WORDS[self.wheel];
        match (verdict, self.otherwise, &self.order) {
            (Verdict::Healthy, _, _) => Vec::new(),
            (Verdict::Faulty, _, Some(order)) => {
                let mut list = vec![format!("look at the tone ring, the air gap and the bearing of the {word} wheel")];
                if order.growth.is_none() && !is_sharp(order) {
                    list.push(
                        "record a minute each at 30 and 80 km/h: a ring errs by the same per cent at both".to_owned(),
                    );
                }
                list
            }
            (_, Some(Otherwise::Shared), _) => vec!["record the same on another, smooth road".to_owned()],
            (_, Some(Otherwise::Grows), _) => {
                vec![format!("have the {word} wheel balanced and its runout measured, then record again")]
            }
            (_, Some(Otherwise::Timed(_)), _) => vec![format!(
                "look at the wiring and the air gap of the {word} wheel's sensor; record a minute each at 30 and 80 km/h"
            )],
            (_, Some(Otherwise::Alone), _) => vec![format!("record {} as well", self.partners_to_add())],
            (_, None, _) => self.more(),
        }
    }

    fn partners_to_add(&self) -> String {
        let others: Vec<&str> = (0..4).filter(|&i| i != self.wheel).map(|i| WHEELS[i]).collect();
        others.join(", ")
    }

    /// The drive that would decide.
    fn more(&self) -> Vec<String> {
        let word = WORDS[self.wheel];
        if let Some(order) = &self.order {
            let size = order.sizes[0];
            if size.amplitude > TOLERANCE && size.error < DECIDING_ERROR / 2.0 && order.false_alarm < 1e-4 {
                return vec![format!(
                    "look at the tone ring and the air gap of the {word} wheel: the error is on the edge"
                )];
            }
        }
        // Averaged over half a turn an error of every turn is still seen by two thirds.
        let clear_kmh = 3.6 * 0.5 * USUAL_CIRCUMFERENCE_M / self.interval_s.clamp(0.01, 0.1);
        let spacing_kmh = 3.6 * USUAL_CIRCUMFERENCE_M / 3.0 / self.interval_s;
        let limit_kmh = if self.partners == 0 { clear_kmh.min(spacing_kmh) } else { clear_kmh };
        for kmh in [80.0, 60.0, 50.0, 40.0, 30.0, 20.0] {
            let speed_m_s = kmh / 3.6;
            let countable = countable_m(speed_m_s, self.step_m_s);
            if kmh > limit_kmh || countable < 20.0 || countable < 24.0 * speed_m_s * self.interval_s {
                continue;
            }
            // Rounding of the wheel and of the mean of its partners, and 0.1 km/h of the road.
            let noise = (self.step_m_s * (4.0 / 36.0_f64).sqrt()).hypot(0.03) / speed_m_s;
            let samples = 2.0 * (noise / DECIDING_ERROR).powi(2);
            let seconds = (samples.max(150.0) * self.interval_s).max(200.0 / speed_m_s).max(20.0);
            let known = self.order.as_ref().map_or(1.0, |o| (o.hidden.error / DECIDING_ERROR).powi(2).clamp(1.0, 10.0));
            let seconds = (2.0 * seconds * known / 10.0).ceil() * 10.0;
            return vec![format!("record {seconds:.0} s more at {kmh:.0} km/h, with the speed changing a little")];
        }
        let needed_hz = (24.0 * (30.0 / 3.6) / countable_m(30.0 / 3.6, self.step_m_s)).max(10.0).ceil();
        vec![format!(
            "record only the wheel speeds, each at least {needed_hz:.0} times a second, for 60 s at 20 to 40 km/h: {:.1} a second in steps of {:.1} km/h lose count of the turns",
            self.interval_s.recip(),
            3.6 * self.step_m_s
        )]
    }
}

/// What the harmonics and the growth with speed say of the cause.
fn nature(order: &Order) -> String {
    if is_sharp(order) {
        return "it is a short one within the turn, as a damaged or missing tooth makes it".to_owned();
    }
    match order.growth {
        Some((power, error)) if power + 2.0 * error < 0.7 => {
            "it is a plain wave of the same size at all speeds, as an eccentric ring makes it".to_owned()
        }
        _ => "it is a plain wave, and this drive does not tell an eccentric ring from a bent wheel or imbalance"
            .to_owned(),
    }
}
