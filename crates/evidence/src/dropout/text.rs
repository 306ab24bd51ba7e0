//! What the finding says to a technician.

use std::collections::BTreeMap;

use signal::{Series, Unit};

use super::event::{Event, Shape};
use super::exposure::{Exposure, best_worth, stuck_needed_s, unseen};
use super::stuck::{AT_AN_END, Ends, Shown};
use super::track::Track;
use super::{REFERENCE_LOSS_S, REFERENCE_STUCK_S};
use crate::physics::Family;
use crate::{Finding, Kind, Verdict};

/// Everything that the texts need.
pub(super) struct Told<'a> {
    pub(super) track: &'a Track<'a>,
    pub(super) own: &'a [Event],
    pub(super) n_common: usize,
    pub(super) is_wild: bool,
    pub(super) exposure: &'a Exposure,
    pub(super) shown: Option<Shown>,
    /// Whether all that keeps it from healthy is that a value that sticks would not have shown.
    pub(super) lacks_only_stuck: bool,
    pub(super) verdict: Verdict,
}

/// The event that speaks loudest, the deepest of equals.
pub(super) fn worst(events: &[Event]) -> Option<&Event> {
    let depth = |event: &Event| (event.level - event.before).abs();
    events.iter().max_by(|a, b| a.log10_lr.total_cmp(&b.log10_lr).then(depth(a).total_cmp(&depth(b))))
}

/// The finding about a series in which nothing can leave its level and come back.
pub(super) fn too_short(series: &Series) -> Finding {
    let (id, n) = (&series.id, series.len());
    Finding {
        kind: Kind::Dropout,
        subject: vec![id.to_string()],
        verdict: Verdict::Undecided,
        log10_odds: 0.0,
        statement: format!("{id} has {n} samples: too few to leave a level and come back to it."),
        figures: BTreeMap::from([("samples".to_owned(), n as f64)]),
        spans: Vec::new(),
        alternatives: Vec::new(),
        next: vec![format!(
            "record {id} for a minute or more, at an interval of 50 ms or less if the car answers that fast"
        )],
    }
}

/// A number with as many digits as it deserves.
fn short(value: f64) -> String {
    let digits = if value.abs() >= 100.0 {
        0
    } else if value.abs() >= 1.0 {
        1
    } else {
        2
    };
    format!("{value:.digits$}")
}

fn times(n: usize) -> String {
    match n {
        1 => "once".into(),
        2 => "twice".into(),
        _ => format!("{n} times"),
    }
}

impl Told<'_> {
    pub(super) fn statement(&self) -> String {
        let (id, unit) = (self.track.id(), &self.track.unit);
        let change = Unit::named(unit).of_difference();
        if self.is_wild {
            return format!(
                "{id} does not behave like its quantity: it jumps from value to value, or shows values that it cannot have, throughout; this check cannot judge it."
            );
        }
        let Some(worst) = worst(self.own) else { return self.quiet() };
        let what = match worst.shape {
            Shape::Zero => "fell to zero",
            Shape::EndOfScale => "showed a value that no working sensor gives",
            Shape::Jump => "jumped away and came back",
            Shape::Stuck => "stood still while the machine moved on",
        };
        let shortest_ms = self.own.iter().map(|event| event.at_most_s).fold(f64::INFINITY, f64::min) * 1e3;
        let longest_ms = self.own.iter().map(|event| event.at_most_s).fold(0.0, f64::max) * 1e3;
        let lasted = if self.own.len() == 1 {
            format!("for at most {longest_ms:.0} ms")
        } else {
            format!("for at most {shortest_ms:.0} to {longest_ms:.0} ms")
        };
        let at = worst.span.from_s;
        let example = match worst.shape {
            Shape::Stuck => {
                let meanwhile = if worst.allowed_per_s > 0.0 {
                    format!("while its partners moved by {} {change}", short(worst.allowed_per_s))
                } else if worst.log10_lr > 0.0 {
                    "although it otherwise changes with nearly every sample".into()
                } else {
                    "longer by far than ever else in this drive".into()
                };
                format!("the clearest at {at:.2} s at {} {unit}, {meanwhile}", short(worst.level))
            }
            _ => {
                let (before, level, rate) = (short(worst.before), short(worst.level), short(worst.rate_per_s));
                let limit = if worst.allowed_per_s.is_finite() {
                    format!(", where about {} {change} is possible", short(worst.allowed_per_s))
                } else {
                    String::new()
                };
                format!(
                    "the clearest at {at:.2} s from {before} to {level} {unit} and back, at least {rate} {change} per second{limit}"
                )
            }
        };
        format!("{id} {what} {} {lasted}; {example}.", times(self.own.len()))
    }

    fn quiet(&self) -> String {
        let id = self.track.id();
        if self.n_common > 0 {
            return format!(
                "{id} was lost {}, but every other signal at the same moment: that is the recorder.",
                times(self.n_common)
            );
        }
        if !self.track.moves {
            return format!("{id} kept one value throughout: nothing shows whether it is alive.");
        }
        if self.track.dynamics.is_none() && self.exposure.visible_s == 0.0 {
            return format!("{id} cannot be judged by itself: nothing is known here of how it may move.");
        }
        if self.exposure.visible_s == 0.0 {
            return format!("{id} shows no loss, but never was where one would have shown.");
        }
        let (seen_s, p) = (self.exposure.visible_s, self.exposure.p_catch);
        let stuck = match self.shown.and_then(|shown| shown.from_s) {
            Some(from_s) => format!("have shown from about {} s on", short(from_s)),
            None => "not have shown".to_owned(),
        };
        format!(
            "{id} never left its course in {seen_s:.0} s in which a loss would have shown; a loss of 100 ms is caught with odds of {p:.2}, one of {} ms surely; a value that merely stuck would {stuck}.",
            short(self.exposure.always_caught_s * 1e3)
        )
    }

    pub(super) fn alternatives(&self) -> Vec<String> {
        if self.own.is_empty() {
            let unseen = match self.shown.and_then(|shown| shown.from_s) {
                Some(from_s) => format!(
                    "a value that merely stuck for less than about {} s: its partners moved too little meanwhile to show that",
                    short(from_s)
                ),
                None => "a value that merely stuck: no partner that was recorded moved enough meanwhile to show that"
                    .to_owned(),
            };
            let is_quiet = self.verdict == Verdict::Healthy || self.lacks_only_stuck;
            return if is_quiet { vec![unseen] } else { Vec::new() };
        }
        let mut found = vec![
            "plug, wiring or ground with a loose contact".to_owned(),
            "the module that sends the value restarted or filled in a substitute".to_owned(),
            "the adapter gave the answer to another request".to_owned(),
        ];
        if self.track.id().as_str().starts_with("wheel.speed.") {
            found.push("sensor too far from its ring, dirt on it, or worn bearing".to_owned());
        }
        if self.is_at_an_end() {
            found.push("the end of its range: it shows nothing beyond that value anywhere in this drive".to_owned());
        }
        if self.own.iter().any(|event| event.shape == Shape::Stuck) {
            found.push("a refresh that stalls in the module or in the recorder".to_owned());
        }
        found
    }

    pub(super) fn next(&self) -> Vec<String> {
        let mut next = Vec::new();
        if self.verdict == Verdict::Healthy {
            return next;
        }
        if self.is_wild {
            next.push(format!(
                "check which request or column {} was read from and with which scale, against the dashboard or a meter; then record it again",
                self.track.id()
            ));
            return next;
        }
        if self.n_common > 0 && self.own.is_empty() {
            next.push("record again with another adapter or fewer signals: at the moments in question all signals jump together".to_owned());
            return next;
        }
        if self.track.dynamics.is_none() {
            next.push(format!(
                "record beside {} a signal that must agree with it: its physics are not known here",
                self.track.id()
            ));
            return next;
        }
        if self.verdict == Verdict::Faulty {
            next.push(
                "record again while the plug and the wiring are moved by hand, then with the part's connection renewed"
                    .to_owned(),
            );
            return next;
        }
        if let Some(shown) = self.shown.filter(|_| self.lacks_only_stuck) {
            return vec![self.to_see_stuck(&shown)];
        }
        if self.is_at_an_end() {
            next.push(format!(
                "record {} and its partners at standstill, engine off and ignition on, while the pedal is pressed slowly to its end: a track that ends early stays there while its partners go on",
                self.track.id()
            ));
            return next;
        }
        if !self.own.is_empty() {
            next.push(format!(
                "record {} at an interval of {:.0} ms or less until it happens again: one more clear loss decides",
                self.track.id(),
                (self.wanted_interval_s() * 1e3).max(10.0)
            ));
            return next;
        }
        if !self.track.moves && self.exposure.visible_s > 0.0 {
            next.push(format!(
                "record {} again while what it measures changes: only then does it show that it is alive",
                self.track.id()
            ));
            return next;
        }
        let condition = match self.track.family() {
            Some(Family::Speed) => " above 30 km/h",
            Some(Family::Engine) => " with the engine above 1500 rpm",
            Some(Family::Pedal | Family::Throttle) => " with the pedal pressed",
            _ if best_worth(self.track) < 1.0 => " well away from zero",
            _ => "",
        };
        let lacking_s = self.exposure.lacking_s();
        let yields = self.exposure.effective_s / self.exposure.visible_s.max(1e-9);
        if self.exposure.visible_s > 0.0 && lacking_s / yields < 3600.0 {
            next.push(format!("{:.0} more seconds{condition} at the same rate", (lacking_s / yields).ceil()));
        }
        if yields < 0.9 * best_worth(self.track) {
            let or = if next.is_empty() { "" } else { "or " };
            let interval_ms = self.wanted_interval_s() * 1e3;
            next.push(format!(
                "{or}{:.0} s{condition} at an interval of {interval_ms:.0} ms or less",
                lacking_s.ceil()
            ));
        }
        next
    }

    /// Whether all that was found is a track that stayed at an end of what it shows.
    fn is_at_an_end(&self) -> bool {
        let stays = |event: &Event| event.shape == Shape::Stuck && event.log10_lr == AT_AN_END;
        !self.own.is_empty() && self.own.iter().all(stays) && {
            let ends = Ends::of(self.track);
            self.own.iter().all(|event| ends.has(event.level))
        }
    }

    /// What would let a value that sticks for the reference length show.
    fn to_see_stuck(&self, shown: &Shown) -> String {
        let (id, unit) = (self.track.id(), &self.track.unit);
        let lacking_s = (stuck_needed_s(unseen(self.exposure.effective_s)) - shown.for_s).max(1.0).ceil();
        let interval_ms = 0.1 * REFERENCE_STUCK_S * 1e3;
        let is_speed = self.track.family() == Some(Family::Speed);
        if !shown.rate_per_s.is_finite() {
            let moves = if is_speed { "the car speeds up and slows down" } else { "the pedal moves" };
            return format!(
                "record {id} and what moves with it for {lacking_s:.0} s in which {moves}, at an interval of {interval_ms:.0} ms or less: else a value that sticks for {REFERENCE_STUCK_S:.0} s does not show"
            );
        }
        let rate = short(shown.rate_per_s);
        if is_speed {
            return format!(
                "record {lacking_s:.0} s more in which the car speeds up or slows down by {rate} {unit} a second or more: a value that sticks for {REFERENCE_STUCK_S:.0} s shows only then"
            );
        }
        format!(
            "record {lacking_s:.0} s more at standstill, engine off and ignition on, in which the pedal moves up and down by {rate} {unit} a second or more: a value that sticks for {REFERENCE_STUCK_S:.0} s shows only then"
        )
    }

    /// Interval at which one loss of the reference length is caught and proves itself.
    fn wanted_interval_s(&self) -> f64 {
        let for_proof_s = match self.track.family() {
            Some(Family::Pedal | Family::Throttle) => 0.02,
            Some(Family::Engine | Family::Speed) => 0.05,
            _ => REFERENCE_LOSS_S,
        };
        self.track.interval_s.min(for_proof_s)
    }
}
