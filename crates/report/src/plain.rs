//! A finding in words for whoever does not read figures: by its kind, verdict and subject, with its one or two numbers.
//! It never claims more than the finding does.

use wire::Finding;

use crate::texts::Texts;
use crate::{Language, Units};

/// A finding in plain words of this language, with its numbers in these units.
///
/// ```
/// use report::{Language, Units, in_plain_words};
/// let finding = wire::Finding {
///     kind: "wheel-size".into(),
///     subject: vec!["wheel.speed.rear_left".into()],
///     verdict: "faulty".into(),
///     figures: [("difference_percent".to_owned(), -2.5)].into(),
///     ..wire::Finding::default()
/// };
/// let text = in_plain_words(&finding, Language::Spanish, Units::Metric);
/// assert!(text.contains("rueda trasera izquierda") && text.contains("2,5 %"), "{text}");
/// ```
#[must_use]
pub fn in_plain_words(finding: &Finding, language: Language, units: Units) -> String {
    Words { finding, texts: Texts::of(language), units }.sentences()
}

/// A finding that is being told.
pub(crate) struct Words<'f> {
    pub(crate) finding: &'f Finding,
    pub(crate) texts: &'f Texts,
    pub(crate) units: Units,
}

impl Words<'_> {
    pub(crate) fn sentences(&self) -> String {
        match self.finding.verdict.as_str() {
            "faulty" => self.fault(),
            verdict @ ("healthy" | "undecided") => self.fill("found", verdict, &[("asked", &self.question())]),
            _ => self.finding.statement.clone(),
        }
    }

    /// What its check asks.
    pub(crate) fn question(&self) -> String {
        self.fill("asked", self.kind("asked"), &[])
    }

    /// The key of the finding's kind in this section.
    fn kind(&self, section: &str) -> &str {
        if self.texts.has(section, &self.finding.kind) { &self.finding.kind } else { "other" }
    }

    /// A text with what it may name of the finding's subject, and with these values.
    fn fill(&self, section: &str, key: &str, values: &[(&str, &str)]) -> String {
        let subject = &self.finding.subject;
        let names: Vec<String> = subject.iter().map(|id| self.texts.signal(id)).collect();
        let signal = names.join(", ");
        let first = subject.first().map_or("", String::as_str);
        let wheel = self.texts.wheel(first);
        let n = first.rsplit('_').next().unwrap_or_default();
        let own = [("signal", signal.as_str()), ("wheel", &wheel), ("n", n), ("kind", &self.finding.kind)];
        self.texts.fill(section, key, &[values, &own].concat())
    }

    fn figure(&self, name: &str) -> Option<f64> {
        self.finding.figures.get(name).copied().filter(|value| value.is_finite())
    }

    fn shown(&self, name: &str) -> Option<String> {
        self.figure(name).map(|value| self.texts.number(value))
    }

    /// The value with its unit, as the reader wants it.
    fn measured(&self, name: &str, unit: &str) -> Option<String> {
        Some(self.texts.measured(self.figure(name)?, unit, self.units))
    }

    fn fault(&self) -> String {
        let plain = |key: &str| self.fill("found", key, &[]);
        // The sentence, and one with a number behind it where the finding has that number.
        let more = |key: &str, name: &str, value: Option<String>| match value {
            Some(value) => format!("{} {}", plain(&self.finding.kind), self.fill("found", key, &[(name, &value)])),
            None => plain(&self.finding.kind),
        };
        match self.finding.kind.as_str() {
            "misfire" => self.misfire(),
            "dropout" => match self.figure("events") {
                Some(events) if events > 1.5 => {
                    self.fill("found", "dropout", &[("events", &self.texts.number(events))])
                }
                _ => plain("dropout_once"),
            },
            "wheel-size" => {
                let percent = self.figure("difference_percent").map(|value| self.texts.number(value.abs()));
                more("wheel-size_by", "percent", percent)
            }
            "pair" => {
                let ends = ["spot_from_percent_of_visited_travel", "spot_to_percent_of_visited_travel"];
                match ends.map(|name| self.shown(name)) {
                    [Some(a), Some(b)] => {
                        format!("{} {}", plain("pair"), self.fill("found", "pair_spot", &[("a", &a), ("b", &b)]))
                    }
                    _ => plain("pair"),
                }
            }
            "mixture" => {
                let percent = self.figure("trim_at_least_flow_pct").map(|value| format!("{value:+.0}"));
                more("mixture_by", "percent", percent)
            }
            "noise" => more("noise_times", "ratio", self.shown("ratio").filter(|_| self.figure("ratio") > Some(1.0))),
            "charging" => more("charging_at", "value", self.measured("median_running_v", "V")),
            "cranking" => more("cranking_at", "value", self.measured("lowest_v", "V")),
            "warm-up" => more("warm-up_at", "value", self.measured("highest_degc", "degC")),
            _ => plain(self.kind("found")),
        }
    }

    fn misfire(&self) -> String {
        let Some(percent) = self.shown("missed_percent_of_own_firings") else {
            return self.fill("found", "misfire_plain", &[]);
        };
        let text = self.fill("found", "misfire", &[("percent", &percent)]);
        match (self.region(), self.shown("region_missed_percent_of_own_firings")) {
            (Some(place), Some(there)) => {
                let place = self.fill("found", "misfire_where", &[("where", &place), ("percent", &there)]);
                format!("{text} {place}")
            }
            _ => text,
        }
    }

    /// The condition that stands out.
    fn region(&self) -> Option<String> {
        let side = |what: &str, from: Option<f64>, to: Option<f64>| {
            let from = from.filter(|value| *value > 0.0);
            let [a, b] = [from, to].map(|value| value.map(|it| self.texts.number(it)).unwrap_or_default());
            let key = match (from, to) {
                (None, None) => return None,
                (Some(_), None) => "above",
                (None, Some(_)) => "below",
                (Some(_), Some(_)) => "between",
            };
            Some(self.texts.fill("found", &format!("where_{what}_{key}"), &[("a", &a), ("b", &b)]))
        };
        let speed = side("rpm", self.figure("region_from_rpm"), self.figure("region_to_rpm"));
        let load = side("load", self.figure("region_from_load_percent"), self.figure("region_to_load_percent"));
        match (speed, load) {
            (Some(one), Some(two)) => Some(self.texts.fill("found", "where_and", &[("one", &one), ("two", &two)])),
            (one, two) => one.or(two),
        }
    }
}
