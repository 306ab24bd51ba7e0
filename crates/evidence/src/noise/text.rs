//! What the finding says to a technician.

use signal::Unit;

use super::judge::{DECIDING_RATIO, Judged, LEAST_RATIO, LEAST_WINDOWS};
use super::windows::INTERVALS;
use super::{Beside, Case, FLICKER_STEPS, Lack, bursts};
use crate::answer::figures;
use crate::{Finding, Kind, Verdict};

/// A number with as many digits as it deserves.
fn short(value: f64) -> String {
    let digits = match value.abs() {
        size if size >= 100.0 => 0,
        size if size >= 1.0 => 1,
        size if size >= 0.1 => 2,
        _ => 3,
    };
    format!("{value:.digits$}")
}

impl Case<'_> {
    pub(super) fn finding(&self) -> Finding {
        let verdict = self.verdict();
        Finding {
            kind: Kind::Noise,
            subject: vec![self.member.id().to_owned()],
            verdict,
            log10_odds: self.log10_odds,
            statement: self.statement(),
            figures: self.judged.as_ref().map_or_else(Default::default, |judged| self.numbers(judged)),
            spans: self.spans(),
            alternatives: if verdict == Verdict::Healthy { Vec::new() } else { self.alternatives() },
            next: self.next(),
        }
    }

    fn numbers(&self, judged: &Judged) -> std::collections::BTreeMap<String, f64> {
        let shown_from = self.bursts_shown_from().filter(|shown_from| shown_from.is_finite());
        let mut figures = figures([
            ("ratio", judged.ln_ratio.exp()),
            ("ratio_low", (judged.ln_ratio - 1.96 * judged.error).exp()),
            ("ratio_high", (judged.ln_ratio + 1.96 * judged.error).exp()),
            ("roughness", judged.own),
            ("reference_roughness", judged.reference),
            ("usual_roughness", self.usual.at(judged.mean)),
            ("shown_from_roughness", self.shown_from(judged)),
            ("windows_compared", judged.n_compared as f64),
            ("windows", judged.n_windows as f64),
            ("window_s", self.length_s),
            ("rough_stretches", judged.rough.len() as f64),
            ("worst_ratio_in_a_stretch", judged.worst_ratio),
            ("step", self.member.step),
            ("median_interval_s", self.member.interval_s),
        ]);
        figures.extend(shown_from.map(|shown_from| ("bursts_shown_from_roughness".to_owned(), shown_from)));
        figures
    }

    /// Noise that would have been called faulty.
    fn shown_from(&self, judged: &Judged) -> f64 {
        DECIDING_RATIO * judged.reference
    }

    /// Whom it was compared with, in words.
    fn reference(&self) -> String {
        match &self.beside {
            Beside::Partners(names) if names.len() == 1 => names[0].clone(),
            Beside::Partners(names) => format!("the roughest of {}", names.join(", ")),
            Beside::Physics => "what its physics allow".to_owned(),
        }
    }

    fn statement(&self) -> String {
        let (id, unit) = (self.member.id(), Unit::named(&self.member.unit).of_difference());
        let Some(judged) = &self.judged else {
            return if self.member.moves {
                format!("{id} was never seen long enough in a condition in which noise would show.")
            } else {
                format!("{id} kept one value throughout: nothing shows whether it is quiet or dead.")
            };
        };
        let ratio = judged.ln_ratio.exp();
        let between = format!(
            "95 %: {} to {}",
            short((judged.ln_ratio - 1.96 * judged.error).exp()),
            short((judged.ln_ratio + 1.96 * judged.error).exp())
        );
        let sizes = format!("{} against {} {unit} from sample to sample", short(judged.own), short(judged.reference));
        let seconds = judged.n_compared as f64 * self.length_s;
        if let Some(shown_from) = self.bursts_shown_from().filter(|_| self.verdict() == Verdict::Healthy) {
            return format!(
                "{id} is no rougher than {} in {seconds:.0} s (ratio {}, {between}; {sizes}); lasting noise of {} {unit} would have shown, and bursts of {:.0} s from {} {unit} on.",
                self.reference(),
                short(ratio),
                short(self.shown_from(judged)),
                bursts::LENGTH_S,
                short(shown_from)
            );
        }
        if self.verdict() == Verdict::Healthy {
            return format!(
                "{id} is no rougher than {} in {seconds:.0} s (ratio {}, {between}; {sizes}); lasting noise of {} {unit} would have shown, bursts of it shorter than {:.0} s perhaps not.",
                self.reference(),
                short(ratio),
                short(self.shown_from(judged)),
                2.0 * self.length_s
            );
        }
        if self.is_about_bursts() {
            let n = judged.rough.len();
            let total_s: f64 = self.spans().iter().map(|span| span.to_s - span.from_s).sum();
            return format!(
                "{id} turns rough in {n} stretch{} of together {total_s:.0} s, up to {} times as rough as {}; else its ratio is {} ({between}).",
                if n == 1 { "" } else { "es" },
                short(judged.worst_ratio),
                self.reference(),
                short(ratio)
            );
        }
        if self.verdict() == Verdict::Faulty {
            let since = self
                .spans()
                .first()
                .filter(|span| span.from_s > 2.0 * self.length_s)
                .map_or_else(String::new, |span| format!(", from {:.0} s on", span.from_s));
            return format!(
                "{id} is {} times as rough as {} ({between}; {sizes}) in {seconds:.0} s of comparison{since}.",
                short(ratio),
                self.reference()
            );
        }
        let why = match self.lacks.last() {
            Some(Lack::Rate) => {
                format!("at an interval of {:.0} ms its motion cannot be told from noise", self.member.interval_s * 1e3)
            }
            Some(Lack::Time) => format!("{seconds:.0} s of comparison are too few"),
            Some(Lack::Quiet) => "the reference itself is too rough to show noise that matters".to_owned(),
            Some(Lack::Still) => "it hardly ever stood still, and a filter in its partner would look alike".to_owned(),
            Some(Lack::Uneven) => "its partners were sampled more quickly, and bend less between samples".to_owned(),
            Some(Lack::Motion) => "it kept one value throughout".to_owned(),
            Some(Lack::Common) => "unrelated signals are as rough, so it is no single sensor".to_owned(),
            Some(Lack::Quantity) => {
                "that is no noise on a measurement: it does not behave like its quantity".to_owned()
            }
            Some(Lack::Drawn) => {
                "straight lines were drawn between slower samples, which shows no noise and bends like some".to_owned()
            }
            Some(Lack::DrawnPartner) => {
                "straight lines were drawn between slower samples of a partner, so that it shows no road".to_owned()
            }
            Some(Lack::Bursts) => match self.bursts_shown_from().filter(|shown_from| shown_from.is_finite()) {
                Some(shown_from) => format!(
                    "lasting noise would have shown, but bursts of {:.0} s only from {} {unit} on",
                    bursts::LENGTH_S,
                    short(shown_from)
                ),
                None => format!("lasting noise would have shown, but bursts of {:.0} s would not", bursts::LENGTH_S),
            },
            Some(Lack::Partner) => "no partner that must be as smooth was recorded".to_owned(),
            None => "that is more than sound signals usually differ, and less than a fault would show".to_owned(),
        };
        format!("{id} has a ratio of {} ({between}) to {} ({sizes}): {why}.", short(ratio), self.reference())
    }

    fn alternatives(&self) -> Vec<String> {
        let id = self.member.id();
        let mut list: Vec<&str> = Vec::new();
        if id.starts_with("wheel.speed.") {
            list.push(
                "a wheel that is really rough: worn damper, bent rim, play in the bearing, one wheel on broken ground",
            );
            list.push("a tone ring with a damaged tooth: see whether tone-ring names the same wheel");
        } else if id == "engine.speed" {
            list.push("an engine that really runs rough: see misfire and mixture");
        } else if id == "battery.voltage" {
            list.push("ripple of the alternator itself (a failed diode), or a poor ground of the module that measures");
        } else if id.starts_with("pedal.") {
            list.push("a foot that trembles on a shaking pedal");
        } else if id == "intake.manifold_pressure" || id == "intake.air_flow" {
            list.push("strokes of intake of an engine with few cylinders, or a leaking valve");
        }
        list.push("plug, wiring, screen or ground of the sensor");
        list.push("another definition of the signal: a wrong byte looks like noise");
        list.into_iter().map(str::to_owned).collect()
    }

    /// In which condition more driving helps.
    fn condition(&self) -> &'static str {
        let id = self.member.id();
        if id.starts_with("wheel.speed.") || id == "vehicle.speed" {
            " at a steady 50 to 80 km/h on a smooth road"
        } else if id.starts_with("pedal.position_") || id.starts_with("throttle.position_") {
            " with the pedal held still in several places between rest and floor"
        } else if id == "engine.speed" {
            " with the engine held at 2000 rpm"
        } else if id.starts_with("intake.") || id == "battery.voltage" {
            " with the engine running steadily"
        } else {
            ""
        }
    }

    fn next(&self) -> Vec<String> {
        let id = self.member.id();
        match self.verdict() {
            Verdict::Healthy => Vec::new(),
            Verdict::Faulty => vec![
                format!(
                    "move plug and wiring of {id} by hand at standstill while it is recorded, and watch the roughness"
                ),
                format!("measure the sensor's own signal with a scope: the noise is there, or it comes in behind it"),
            ],
            Verdict::Undecided => {
                let condition = self.condition();
                let need_s = (2.0 * LEAST_WINDOWS as f64 * self.length_s).max(30.0);
                let mut next: Vec<String> = self
                    .lacks
                    .iter()
                    .map(|lack| match lack {
                        Lack::Rate => format!(
                            "record {id} at an interval of {:.0} ms or less{condition}, for {:.0} s",
                            self.usual.slowest_s * 1e3,
                            need_s.min(60.0)
                        ),
                        Lack::Still => format!("record {need_s:.0} s{condition}"),
                        Lack::Uneven => format!("record {id} and its partners at one rate, for {need_s:.0} s{condition}"),
                        Lack::Time => format!("record {need_s:.0} s more{condition}"),
                        Lack::Quiet => {
                            format!("record {need_s:.0} s{condition}, at shorter intervals if the link allows")
                        }
                        Lack::Motion => format!("record {id} while it changes{condition}"),
                        Lack::Common => "check the definitions, the adapter and the ground that the sensors share: several unrelated signals are rough".to_owned(),
                        Lack::Quantity => format!("check which request or column {id} was read from and with which scale, against the dashboard or a meter; then record it again"),
                        Lack::Drawn | Lack::DrawnPartner => format!("bring in the samples of {id} and its partners with their own times, not a table that was filled up between them"),
                        Lack::Bursts => self.to_see_bursts(need_s),
                        Lack::Partner => format!("record beside {id} the other wheel of its axle"),
                    })
                    .collect();
                if next.is_empty() && self.is_about_bursts() {
                    next.push(format!(
                        "record until it happens again: one more burst of {LEAST_RATIO:.0} times and more decides"
                    ));
                } else if next.is_empty() {
                    next.push(format!(
                        "record {need_s:.0} s more{condition}: a lasting ratio above {DECIDING_RATIO:.0} is a fault, one below {LEAST_RATIO:.0} is none"
                    ));
                }
                next
            }
        }
    }

    /// What would let bursts that matter show: quicker samples, a finer step, or a calmer drive.
    fn to_see_bursts(&self, need_s: f64) -> String {
        let (id, condition) = (self.member.id(), self.condition());
        let quick_s = 0.5 * bursts::LENGTH_S / INTERVALS;
        if self.length_s > INTERVALS * quick_s {
            format!(
                "record {id} and its partners at an interval of {:.0} ms or less, for {:.0} s{condition}",
                1e3 * quick_s,
                need_s.min(60.0)
            )
        } else if FLICKER_STEPS * self.member.step > self.usual.floor {
            format!(
                "record {id} and its partners with a finer step than {} {}, if the car offers one",
                short(self.member.step),
                Unit::named(&self.member.unit).of_difference()
            )
        } else {
            format!("record {need_s:.0} s{condition}")
        }
    }
}
