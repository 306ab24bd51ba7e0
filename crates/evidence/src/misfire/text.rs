//! What the check says.

use std::collections::BTreeMap;

use super::counter::Style;
use super::engine::LoadSource;
use super::judge::{Basis, Judged};
use super::map::{Region, mean_rpm};
use super::{Cylinder, Cylinders, PREFIX};
use crate::finding::{Finding, Kind, Span, Verdict};
use crate::poisson::{Count, interval};

/// Most spans that a finding lists.
const MOST_SPANS: usize = 100;

/// Firings without a misfire that bound the rate at three in a thousand: 95 %, rule of three.
const ENOUGH: f64 = 1000.0;

/// What is lacking where nobody knows whether the others misfire as much.
const OTHERS: &str = "record the counters of the other cylinders";

/// Engine speeds at which the driving that is asked for is reckoned, rpm: at idle, and under way.
const IDLING_RPM: f64 = 800.0;
const UNDER_WAY_RPM: f64 = 2000.0;

/// Seconds in which one cylinder fires so often.
fn seconds(firings: f64, rpm: f64) -> f64 {
    (firings * 120.0 / rpm).ceil()
}

/// Percent of so many firings, with its exact 95 % interval.
fn percent(count: Count, dispersion: f64) -> [f64; 3] {
    let (low, high) = interval(count.events as f64 / dispersion, 0.95);
    let per = 100.0 / count.exposure.max(1e-9);
    [count.events as f64 * per, low * dispersion * per, (high * dispersion * per).min(100.0)]
}

/// A number with the digits that it deserves.
fn short(value: f64) -> String {
    let digits = if value >= 10.0 {
        0
    } else if value >= 1.0 {
        1
    } else if value >= 0.1 {
        2
    } else {
        3
    };
    format!("{value:.digits$}")
}

fn times(n: u64) -> String {
    match n {
        0 => "never".into(),
        1 => "once".into(),
        _ => format!("{n} times"),
    }
}

/// A region in words.
pub(crate) fn region(region: &Region, load: Option<&LoadSource>) -> String {
    let (low, high) = region.speed_rpm;
    let speed = match (low.is_finite(), high.is_finite()) {
        (true, true) => format!("at {low:.0} to {high:.0} rpm"),
        (true, false) => format!("above {low:.0} rpm"),
        (false, true) => format!("below {high:.0} rpm"),
        (false, false) => "at any speed".into(),
    };
    let Some(load) = load else { return speed };
    let (low, high) = region.load_pct;
    let unit = load.spoken_unit();
    match (low.is_finite(), high.is_finite()) {
        (true, true) => format!("{speed} and {} {low:.0} to {high:.0}{unit}", load.name),
        (true, false) => format!("{speed} and {} above {low:.0}{unit}", load.name),
        (false, true) => format!("{speed} and {} below {high:.0}{unit}", load.name),
        (false, false) => speed,
    }
}

/// The finding about a counter that could not be used.
pub(super) fn unreadable(cylinders: &Cylinders, number: usize) -> Finding {
    let (why, next) = if cylinders.has_engine_speed {
        (
            "its counter shows no whole counts, or one reading only",
            format!("record {PREFIX}{number} as a count, at least twice, while the engine runs"),
        )
    } else {
        (
            "without the engine speed nobody knows out of how many firings they came",
            format!("record engine.speed (and engine.load) beside {PREFIX}{number}"),
        )
    };
    Finding {
        kind: Kind::Misfire,
        subject: vec![format!("{PREFIX}{number}")],
        verdict: Verdict::Undecided,
        log10_odds: 0.0,
        statement: format!("The misfires of cylinder {number} cannot be judged: {why}."),
        figures: BTreeMap::new(),
        spans: Vec::new(),
        alternatives: Vec::new(),
        next: vec![next],
    }
}

/// The finding about one cylinder.
pub(super) fn finding(cylinders: &Cylinders, cylinder: &Cylinder, judged: &Judged, several: bool) -> Finding {
    let told = Told { cylinders, cylinder, judged, several, verdict: Verdict::from_log10_odds(judged.log10_odds) };
    let mut spans = if told.verdict == Verdict::Healthy { Vec::new() } else { cylinder.laid.spans.clone() };
    if let (Verdict::Faulty, Basis::Stretch(from, to)) = (told.verdict, judged.weighed.basis) {
        let at = |t_ns| signal::seconds_from_nanos(t_ns);
        spans.retain(|span: &Span| span.to_s >= at(from) && span.from_s <= at(to));
    }
    spans.truncate(MOST_SPANS);
    Finding {
        kind: Kind::Misfire,
        subject: vec![format!("{PREFIX}{}", cylinder.number)],
        verdict: told.verdict,
        log10_odds: judged.log10_odds,
        statement: told.statement(),
        figures: told.figures(),
        spans,
        alternatives: told.alternatives(),
        next: told.next(),
    }
}

struct Told<'a> {
    cylinders: &'a Cylinders,
    cylinder: &'a Cylinder,
    judged: &'a Judged,
    several: bool,
    verdict: Verdict,
}

impl Told<'_> {
    fn load(&self) -> Option<&LoadSource> {
        self.cylinders.load.as_ref()
    }

    fn statement(&self) -> String {
        let (number, all) = (self.cylinder.number, self.judged.all);
        let [rate, low, high] = percent(all, self.judged.dispersion);
        if all.exposure < 1.0 {
            return format!("Cylinder {number} was never seen in a condition in which its misfires are counted.");
        }
        if all.events == 0 {
            let bound = short(100.0 * self.judged.bound());
            return format!(
                "Cylinder {number} missed none of {:.0} firings: it misses at most {bound} % of them (95 %){}.",
                all.exposure,
                self.seen()
            );
        }
        let counted = format!("Cylinder {number} misfired {} in {:.0} of its firings", times(all.events), all.exposure);
        let counted = format!("{counted} ({} %, 95 % interval {} to {} %)", short(rate), short(low), short(high));
        let place = self.place();
        if self.several {
            return format!("{counted}{place}; most cylinders misfire alike, so that the cause is common to several.");
        }
        match self.verdict {
            Verdict::Faulty => format!("{counted}{place}{}.", self.companions()),
            Verdict::Healthy => {
                format!("{counted}: occasional counts that a healthy engine shows too{}.", self.seen())
            }
            Verdict::Undecided if self.judged.stands_out => {
                format!("{counted}{place}{}: clearly more than they, but seldom.", self.companions())
            }
            Verdict::Undecided => format!("{counted}{place}{}: not enough to tell.", self.companions()),
        }
    }

    /// Where it happened, when that is certain.
    fn place(&self) -> String {
        if let Basis::Stretch(from, to) = self.judged.weighed.basis {
            let own = self.judged.weighed.own;
            return format!(
                ", {} of them in one stretch of {:.0} firings from {:.0} to {:.0} s",
                own.events,
                own.exposure,
                signal::seconds_from_nanos(from),
                signal::seconds_from_nanos(to)
            );
        }
        let Some(standing) = &self.judged.standing else { return String::new() };
        let inside = self.cylinder.laid.count_in(&standing.region);
        format!(
            ", {} of them {}, which was {} % of the drive and where it misses {} % of its firings",
            inside.events,
            region(&standing.region, self.load()),
            short(100.0 * inside.exposure / self.judged.all.exposure.max(1e-9)),
            short(percent(inside, 1.0)[0])
        )
    }

    fn companions(&self) -> String {
        self.judged.weighed.others.map_or_else(
            || "; the other cylinders were not recorded".into(),
            |others| format!("; the other cylinders together {} in {:.0}", times(others.events), others.exposure),
        )
    }

    /// Loads that a healthy verdict covers, and those that it does not.
    fn seen(&self) -> String {
        let (Some(load), Some((low, high))) = (self.load(), self.judged.low_high) else {
            return "; the load was not recorded, so that this holds for the drive as it was driven".into();
        };
        let (unit, (from, to)) = (load.spoken_unit(), load.low_high);
        let seen = format!(
            "; {low:.0} of them were at idle or {} below {from:.0}{unit}, {high:.0} above {to:.0}{unit}",
            load.name
        );
        let few = |lacking: f64, seen: f64| (lacking > 0.0).then_some(if seen < 1.0 { "nothing" } else { "little" });
        let (lack_low, lack_high) = self.judged.lacking_low_high().unwrap_or_default();
        let not_said = [
            few(lack_low, low).map(|few| format!("{few} of idle")),
            few(lack_high, high).map(|few| format!("{few} of {} above {to:.0}{unit}", load.name)),
        ];
        let not_said: Vec<String> = not_said.into_iter().flatten().collect();
        if not_said.is_empty() { seen } else { format!("{seen}, so that this says {}", not_said.join(" and ")) }
    }

    fn figures(&self) -> BTreeMap<String, f64> {
        let judged = self.judged;
        let mut figures = BTreeMap::new();
        let mut put = |name: &str, value: f64| {
            if value.is_finite() {
                figures.insert(name.to_owned(), value);
            }
        };
        put("misfires", judged.all.events as f64);
        put("own_firings", judged.all.exposure);
        if judged.all.exposure >= 1.0 {
            let [rate, low, high] = percent(judged.all, judged.dispersion);
            put("missed_percent_of_own_firings", rate);
            put("missed_percent_of_own_firings_low", low);
            put("missed_percent_of_own_firings_high", high);
            put("missed_percent_bound", 100.0 * judged.bound());
            if let Some(n) = self.cylinders.n_cylinders().map(|n| n as f64) {
                put("firings", judged.all.exposure * n);
                put("rate_per_1000_firings", rate * 10.0 / n);
                put("rate_per_1000_firings_low", low * 10.0 / n);
                put("rate_per_1000_firings_high", high * 10.0 / n);
                let cylinder_share = |events: f64, firings: f64| 100.0 * events / (firings * n);
                put(
                    "worst_1000_revolutions_percent_of_engine",
                    cylinder_share(judged.most.0, super::judge::EMISSION_WINDOW),
                );
                put(
                    "worst_200_revolutions_percent_of_engine",
                    cylinder_share(judged.most.1, super::judge::CATALYST_WINDOW),
                );
            }
        }
        put("most_in_1000_revolutions", judged.most.0);
        put("most_in_200_revolutions", judged.most.1);
        put("dispersion", judged.dispersion);
        put("misfires_not_judged", self.cylinder.laid.unjudged_events + self.cylinder.laid.unplaced_events as f64);
        put("own_firings_not_judged", self.cylinder.laid.unjudged_firings);
        if let Some(standing) = &judged.standing {
            let inside = self.cylinder.laid.count_in(&standing.region);
            put("region_from_rpm", standing.region.speed_rpm.0);
            put("region_to_rpm", standing.region.speed_rpm.1);
            put("region_from_load_percent", standing.region.load_pct.0);
            put("region_to_load_percent", standing.region.load_pct.1);
            put("region_misfires", inside.events as f64);
            put("region_own_firings", inside.exposure);
            put("region_missed_percent_of_own_firings", percent(inside, 1.0)[0]);
            put("region_share_of_drive", inside.exposure / judged.all.exposure.max(1e-9));
            put("region_p", standing.p);
        }
        figures
    }

    fn alternatives(&self) -> Vec<String> {
        let mut list: Vec<String> = Vec::new();
        let mut say = |text: &str| list.push(text.to_owned());
        if self.judged.all.events > 0 && self.verdict != Verdict::Healthy {
            say("a rough road shakes the crankshaft as misfires do; then several cylinders count at the same moments");
            say(
                "coil, plug, injector, compression or wiring of the cylinder: the counter cannot tell them apart, a swap can",
            );
            if self.judged.weighed.others.is_none() {
                say("the other cylinders may misfire as much: their counters were not recorded");
            }
            if self.cylinder.laid.longest_step_s > 5.0 {
                say("the counter was read so seldom that the condition of a misfire is known only roughly");
            }
        }
        match self.cylinder.counter.style {
            Style::HeldWindow(n) => list.push(format!("the counter was read as the count of the last {n} revolutions")),
            Style::Window(n) => list.push(format!("the counter was read as starting again every {n} revolutions; what it counted between the last reading and the end of a window is lost")),
            Style::Added(n) => list.push(format!("the counter was read as brought up to date every {n} revolutions")),
            Style::Wrapping(bits) => list.push(format!("the counter was read as running over after {bits} bits")),
            Style::Restarting => list.push("the counter fell to a lower value and was read as started again".into()),
            Style::Still | Style::Cumulative => {}
        }
        if self.cylinder.counter.is_saturated {
            list.push("the counter stood at its end of scale: there may be more".into());
        }
        if self.cylinder.counter.is_doubtful() {
            list.push(format!(
                "the counter changed {} times by more than can be missed between two readings, which was left out: it may count in windows too few of which were recorded",
                self.cylinder.counter.n_impossible
            ));
        }
        list
    }

    /// Conditions of which the drive holds too little, with the firings lacking and what to drive.
    fn not_covered(&self) -> Vec<(f64, String)> {
        let (Some(load), Some((low, high))) = (self.load(), self.judged.lacking_low_high()) else { return Vec::new() };
        let idle = format!("{:.0} more seconds at {IDLING_RPM:.0} rpm (idle)", seconds(low, IDLING_RPM));
        let above = format!("{} above {:.0}{}", load.name, load.low_high.1, load.spoken_unit());
        let loaded = format!("{:.0} more seconds at {UNDER_WAY_RPM:.0} rpm with {above}", seconds(high, UNDER_WAY_RPM));
        [(low, idle), (high, loaded)].into_iter().filter(|(firings, _)| *firings > 0.0).collect()
    }

    fn next(&self) -> Vec<String> {
        let mut next = Vec::new();
        let (n, judged) = (self.cylinder.number, self.judged);
        if self.several {
            return vec![
                "look for what the cylinders share: fuel pressure, air leaks, exhaust back pressure, supply and ground of the ignition; record fuel trims and fuel.pressure".into(),
            ];
        }
        if self.verdict == Verdict::Faulty {
            let catalyst = self.cylinders.n_cylinders().is_some_and(|n| judged.most.1 >= 5.0 * n as f64);
            if catalyst {
                next.push("keep the load low: five percent of all firings missed within 200 revolutions can overheat the catalyst".into());
            }
            next.push(format!("exchange coil and plug of cylinder {n} with two different other cylinders, drive the same condition again, and have the swap judged"));
            return next;
        }
        if self.verdict == Verdict::Healthy {
            return self
                .not_covered()
                .into_iter()
                .map(|(_, what)| format!("if the complaint belongs there: {what}"))
                .collect();
        }
        if self.cylinder.counter.is_saturated {
            return vec![
                "stop the engine and start it again, so that the counter begins anew, then record from the start"
                    .into(),
            ];
        }
        if self.cylinder.counter.is_doubtful() {
            return vec![
                "record 10 minutes and more in one piece, so that it shows whether the counter begins anew every 200 or 1000 revolutions"
                    .into(),
            ];
        }
        if judged.lacks_companions && judged.weighed.log10_rate <= -1.0 && judged.is_bounded() {
            return vec![OTHERS.into()];
        }
        if judged.stands_out && judged.weighed.log10_rate < 0.0 {
            // As many firings as bound an occasional rate, or as many again.
            let place = judged.standing.map_or(Region::EVERYWHERE, |standing| standing.region);
            let seen = self.cylinder.laid.count_in(&place).exposure;
            let firings = if seen < ENOUGH { ENOUGH - seen } else { seen };
            let rpm = mean_rpm(&self.cylinder.laid.pieces, &place);
            let at = region(&place, self.load());
            return vec![format!(
                "{:.0} more seconds {at} (about {rpm:.0} rpm) show whether the rate there matters",
                seconds(firings, rpm)
            )];
        }
        if judged.weighed.log10_rate <= -1.0 || judged.all.events == 0 {
            let (in_all, above_idle) = judged.lacking();
            let rest = self.not_covered().into_iter().fold(in_all, |rest, (firings, what)| {
                next.push(what);
                rest - firings
            });
            let high = judged.lacking_low_high().map_or(0.0, |(_, high)| high);
            let rest = rest.max(above_idle - high);
            if rest > 0.0 || next.is_empty() {
                next.push(format!(
                    "{:.0} more seconds at {UNDER_WAY_RPM:.0} rpm",
                    seconds(rest.max(1.0), UNDER_WAY_RPM)
                ));
            }
            if self.load().is_none() {
                next.push("record engine.load too, so that the condition can be named".into());
            }
            return next;
        }
        let place = judged.standing.filter(|_| judged.weighed.basis == Basis::Region);
        let at = place.map_or_else(|| "driven as before".into(), |standing| region(&standing.region, self.load()));
        let mean_rpm =
            mean_rpm(&self.cylinder.laid.pieces, &place.map_or(Region::EVERYWHERE, |standing| standing.region));
        match judged.times_to_decide(self.cylinders.list.len()) {
            Some(times) => {
                let lacking = seconds(judged.weighed.own.exposure * (times - 1.0), mean_rpm);
                next.push(format!(
                    "{lacking:.0} more seconds {at} (about {mean_rpm:.0} rpm), if it goes on at this rate"
                ));
            }
            None => next.push(format!(
                "drive until the complaint shows again and mark it: at this rate more driving {at} does not decide"
            )),
        }
        if judged.weighed.others.is_none() {
            next.push(OTHERS.into());
        }
        next
    }
}
