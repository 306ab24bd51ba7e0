//! `pair`: do two tracks of one sensor disagree, and at which position?
//!
//! The tracks are read at common moments with a bound on how far the pedal may have moved in between ([`align`]), a
//! robust straight line relates them ([`relation`]: equal, scaled, offset or inverse), and what remains is looked at over
//! the position ([`spot`]) and over time ([`moments`]). What one track does while it stands still ([`stuck`]), and what both do
//! once their relation has changed ([`onset`]), is told by itself and kept out of the rest.

mod align;
mod bend;
mod culprit;
mod moments;
mod onset;
mod relation;
mod resolved;
mod spot;
mod stuck;
#[cfg(test)]
mod tests;
mod view;

use std::collections::BTreeMap;

use signal::Series;

use crate::examination::Examination;
use crate::finding::{Check, Finding, Kind, Span, Verdict};
use align::Aligned;
use moments::Moments;
use onset::Onset;
use relation::Relation;
use spot::{Bump, Sign, Spot, Visits};
use stuck::Stuck;

pub use view::{PairCell, PairError, pair_error};

/// The check.
pub(crate) const CHECK: Check = Check { kind: Kind::Pair, run };

/// Sensors with several tracks, and what to move to see the whole travel.
const FAMILIES: [Family; 2] = [
    Family {
        prefix: "pedal.position_",
        part: "pedal",
        move_it: "with the ignition on and the engine off press the pedal slowly from rest to the floor and let it come back, ten seconds each way",
    },
    Family {
        prefix: "throttle.position_",
        part: "throttle",
        move_it: "with the ignition on and the engine off let the throttle travel slowly from stop to stop, ten seconds each way",
    },
];

struct Family {
    prefix: &'static str,
    part: &'static str,
    move_it: &'static str,
}

/// Prior odds of a worn place against none: drives are examined because somebody complains.
const PRIOR: f64 = 0.25;

/// Odds are not reported beyond this.
const MAX_LOG10_ODDS: f64 = 6.0;

/// Odds from which on a fault is found, log10, see [`Verdict`].
const SURE_LOG10_ODDS: f64 = 2.0;

/// What something else could explain comes to at most, log10: below a fault.
const MOST_OF_OPEN: f64 = 1.9;

/// Travel that a healthy verdict must have seen, points of the track that moves more: half of a pedal's usual 60 to 70.
const LEAST_TRAVEL: f64 = 30.0;

/// Parts of the travel in which visits are counted: the width of the spot that a healthy verdict excludes.
const PARTS: usize = 10;

/// Fewer visits to a part of the travel say nothing of it.
const LEAST_VISITS: f64 = 3.0;

/// Share of the travel off the line, a spot aside, beyond which there is no line: half of what breaks the robust fit (29 %).
const MOST_OFF: f64 = 0.15;

/// What one pair of tracks showed.
struct Judged<'a> {
    family: &'static Family,
    tracks: [&'a Series; 2],
    number: [usize; 2],
    aligned: Option<Aligned>,
    seen: Option<Seen>,
    log10_odds: f64,
}

struct Seen {
    relation: Relation,
    spot: Option<Spot>,
    moments: Moments,
    parts: Vec<Visits>,
    is_line: bool,
    spot_odds: f64,
    bump: Option<Bump>,
    stuck: Option<Stuck>,
    onset: Option<Onset>,
    about: About,
}

/// What speaks most.
#[derive(Clone, Copy, PartialEq, Eq)]
enum About {
    Stuck,
    Onset,
    Place,
    Moments,
}

fn run(recording: &Examination<'_>) -> Vec<Finding> {
    let mut findings = Vec::new();
    for family in &FAMILIES {
        let tracks: Vec<(usize, &Series)> =
            (1..=3).filter_map(|n| Some((n, recording.series(&format!("{}{n}", family.prefix))?))).collect();
        let mut judged = Vec::new();
        for (k, &(i, first)) in tracks.iter().enumerate() {
            for &(j, second) in &tracks[k + 1..] {
                judged.push(judge(family, [first, second], [i, j]));
            }
        }
        let outvoted = outvoted(&judged);
        findings.extend(judged.iter().map(|pair| pair.finding(outvoted)));
    }
    findings
}

/// The track that disagrees with both others while they agree.
fn outvoted(judged: &[Judged<'_>]) -> Option<usize> {
    let with = |verdict: Verdict| {
        judged.iter().filter(move |pair| Verdict::from_log10_odds(pair.log10_odds) == verdict).map(|pair| pair.number)
    };
    let healthy = with(Verdict::Healthy).next()?;
    let faulty: Vec<_> = with(Verdict::Faulty).collect();
    let odd = (1..=3).find(|n| !healthy.contains(n))?;
    (judged.len() == 3 && faulty.len() == 2 && faulty.iter().all(|pair| pair.contains(&odd))).then_some(odd)
}

fn judge<'a>(family: &'static Family, tracks: [&'a Series; 2], number: [usize; 2]) -> Judged<'a> {
    let unseen = |aligned| Judged { family, tracks, number, aligned, seen: None, log10_odds: PRIOR.log10() };
    let Some(aligned) = align::align(tracks[0], tracks[1]) else { return unseen(None) };
    // What stood still, and what was otherwise for a time, teaches nothing of how the tracks relate.
    let (aligned, relation, stuck) = match stuck::find(&aligned) {
        Some((rest, relation, stuck)) => (rest, relation, Some(stuck)),
        None => match Relation::of(&aligned) {
            Some(relation) => (aligned, relation, None),
            None => return unseen(Some(aligned)),
        },
    };
    let onset = onset::find(&aligned, &relation).filter(|onset| onset.log10_odds > 0.0);
    let (aligned, relation) = match &onset {
        Some(onset) => {
            let is_usual = |t_s: f64| t_s < onset.span.from_s || t_s > onset.span.to_s;
            let rest = aligned.only(&aligned.points.iter().map(|p| is_usual(p.t_s)).collect::<Vec<_>>());
            Relation::of(&rest).map_or((aligned, relation), |relation| (rest, relation))
        }
        None => (aligned, relation),
    };
    if relation.usable.is_empty() {
        return unseen(Some(aligned));
    }
    let stuck_odds = stuck.as_ref().map_or(f64::NEG_INFINITY, |stuck| PRIOR.log10() + stuck.log10_lr);
    let onset_odds = onset.as_ref().map_or(f64::NEG_INFINITY, |onset| onset.log10_odds);
    let mut apart_odds = stuck_odds.max(onset_odds);
    let spot = spot::find(&relation);
    let mut spot_odds = spot.as_ref().map_or(f64::NEG_INFINITY, |spot| PRIOR.log10() + spot.log10_lr);
    let place = spot.as_ref().filter(|_| spot_odds > 0.0).map(|spot| (spot.from, spot.to));
    let bends = bend::find(&relation);
    let mut moments = moments::find(&aligned, &relation, place, &bends);
    let is_either_way = spot.as_ref().is_some_and(|spot| spot.sign == Sign::Both);
    let ends = |spot: &Spot| spot::is_at_stop(spot, relation.visited) || bends.explain(spot);
    if spot.as_ref().is_some_and(ends) {
        spot_odds = spot_odds.min(MOST_OF_OPEN);
    }
    if is_either_way && aligned.unresolved_s > resolved::ROUND_S {
        // Readings a second apart that carry one time scatter either way wherever the foot often moves.
        spot_odds = spot_odds.min(MOST_OF_OPEN);
    }
    if relation.is_parted_by_timing {
        // Over a hole in the answers a table may draw a line of any length.
        moments.log10_odds = moments.log10_odds.min(MOST_OF_OPEN);
        apart_odds = apart_odds.min(MOST_OF_OPEN);
    }
    let parts = spot::visits_per_part(&relation, PARTS);
    let total = parts.iter().fold(Visits::default(), |a, b| Visits { all: a.all + b.all, bad: a.bad + b.bad });
    let unseen = parts.iter().map(|&here| {
        if here.all < LEAST_VISITS {
            return 1.0;
        }
        let elsewhere = Visits { all: total.all - here.all, bad: total.bad - here.bad };
        10f64.powf(spot::log10_lr(here, elsewhere).min(0.0))
    });
    let floor = (PRIOR * unseen.sum::<f64>() / PARTS as f64).log10();
    let is_line = relation.share_off(place) <= MOST_OFF;
    // Where several are sure, the one that says most.
    let sure = stuck_odds.max(onset_odds).max(spot_odds).max(moments.log10_odds).min(SURE_LOG10_ODDS);
    let about = if stuck_odds >= sure {
        About::Stuck
    } else if onset_odds >= sure {
        About::Onset
    } else if spot.is_some() && spot_odds >= moments.log10_odds {
        About::Place
    } else {
        About::Moments
    };
    let mut log10_odds = floor.max(spot_odds).max(moments.log10_odds).max(apart_odds);
    let travel = (relation.visited.1 - relation.visited.0) * relation.slope.abs().max(1.0);
    if travel < LEAST_TRAVEL {
        log10_odds = log10_odds.max(Verdict::LEAST_OPEN);
    }
    let bump = spot::bump(&relation);
    // A bend by design, or a worn place that begins gently and reaches an end of the travel.
    if bump.is_some() || moments.bent != 0.0 {
        log10_odds = log10_odds.max(Verdict::LEAST_OPEN);
    }
    if !is_line {
        log10_odds = log10_odds.clamp(Verdict::LEAST_OPEN, MOST_OF_OPEN);
    }
    let log10_odds = log10_odds.clamp(-MAX_LOG10_ODDS, MAX_LOG10_ODDS);
    let seen = Seen { relation, spot, moments, parts, is_line, spot_odds, bump, stuck, onset, about };
    Judged { family, tracks, number, aligned: Some(aligned), seen: Some(seen), log10_odds }
}

/// Percent with one decimal.
fn percent(value: f64) -> String {
    format!("{value:.1} %")
}

impl Seen {
    /// Where the track stood still, if that is what speaks most.
    fn stuck(&self) -> Option<&Stuck> {
        self.stuck.as_ref().filter(|_| self.about == About::Stuck)
    }

    /// Where the relation of the tracks is another one, if that is what speaks most.
    fn onset(&self) -> Option<&Onset> {
        self.onset.as_ref().filter(|_| self.about == About::Onset)
    }

    /// The place where they disagree, if that is what speaks most.
    fn place(&self) -> Option<&Spot> {
        self.spot.as_ref().filter(|_| self.about == About::Place)
    }

    /// What is to be shown of the recording.
    fn spans(&self) -> Vec<Span> {
        if let Some(stuck) = self.stuck() {
            return stuck.spans.clone();
        }
        if let Some(onset) = self.onset() {
            return vec![onset.span];
        }
        match self.place() {
            _ if !self.is_line => Vec::new(),
            Some(spot) if self.spot_odds > PRIOR.log10() => spot.spans.clone(),
            _ => self.moments.spans.clone(),
        }
    }

    /// Readings of the first track where the travel was hardly visited.
    fn unvisited(&self) -> Vec<(f64, f64)> {
        let (from, to) = self.relation.visited;
        let width = (to - from) / PARTS as f64;
        let mut list: Vec<(f64, f64)> = Vec::new();
        for (k, _) in self.parts.iter().enumerate().filter(|(_, visits)| visits.all < LEAST_VISITS) {
            let part = (from + width * k as f64, from + width * (k + 1) as f64);
            match list.last_mut().filter(|last| (last.1 - part.0).abs() < 1e-9) {
                Some(last) => last.1 = part.1,
                None => list.push(part),
            }
        }
        list
    }
}

impl Judged<'_> {
    fn finding(&self, outvoted: Option<usize>) -> Finding {
        let verdict = Verdict::from_log10_odds(self.log10_odds);
        let culprit = self.culprit(verdict, outvoted);
        let spans = self.seen.as_ref().filter(|_| verdict != Verdict::Healthy).map_or_else(Vec::new, Seen::spans);
        Finding {
            kind: Kind::Pair,
            subject: self.tracks.iter().map(|track| track.id.as_str().to_owned()).collect(),
            verdict,
            log10_odds: self.log10_odds,
            statement: self.statement(verdict, culprit),
            figures: self.figures(culprit),
            spans,
            alternatives: self.alternatives(verdict),
            next: self.next(verdict, culprit),
        }
    }

    /// Number of the track at fault where the recording shows it.
    fn culprit(&self, verdict: Verdict, outvoted: Option<usize>) -> Option<usize> {
        if verdict != Verdict::Faulty {
            return None;
        }
        if let Some(odd) = outvoted.filter(|odd| self.number.contains(odd)) {
            return Some(odd);
        }
        let (seen, aligned) = (self.seen.as_ref()?, self.aligned.as_ref()?);
        if let Some(stuck) = seen.stuck() {
            return stuck.caught_up.then_some(self.number[stuck.track]);
        }
        culprit::jumps(&seen.relation, seen.place()?, aligned.interval_s).map(|k| self.number[k])
    }

    fn names(&self) -> String {
        format!("{} tracks {} and {}", self.family.part, self.number[0], self.number[1])
    }

    /// Part of the travel in readings of the first track.
    fn place(&self, from: f64, to: f64) -> String {
        format!("{from:.0} to {to:.0} % on track {}", self.number[0])
    }

    fn statement(&self, verdict: Verdict, culprit: Option<usize>) -> String {
        let names = self.names();
        let Some(seen) = &self.seen else { return self.unrelated() };
        let relation = &seen.relation;
        let whose = culprit.map_or_else(String::new, |n| format!("; track {n} is the one at fault"));
        if let Some(stuck) = seen.stuck() {
            return format!("{}{whose}.", self.stood_still(stuck));
        }
        if let Some(onset) = seen.onset() {
            let open = if culprit.is_some() { whose } else { "; which of the two is off is not shown".to_owned() };
            return format!("{}{open}.", self.since(onset));
        }
        if !seen.is_line {
            return format!(
                "The {names} follow no common straight line: they leave it in {} of the travel.",
                percent(100.0 * relation.share_off(None))
            );
        }
        let line = format!(
            "track {} = {:.3} x track {} {:+.1} %",
            self.number[1], relation.slope, self.number[0], relation.offset
        );
        match (verdict, seen.place()) {
            (Verdict::Healthy, _) => format!(
                "The {names} agree within {} over the visited travel of {} ({line}); a place worn by 4 % over a tenth of it would have shown.",
                percent(2.0 * relation.sigma.max(relation::FLOOR_PERCENT * relation.scale / 2.0)),
                self.place(relation.visited.0, relation.visited.1)
            ),
            (_, Some(spot)) if seen.spot_odds > PRIOR.log10() => format!(
                "The {names} disagree by {} between {}, in {:.0} of {:.0} visits there and in {:.0} of {:.0} elsewhere{whose}.",
                match spot.sign {
                    Sign::Both => format!("{} either way", percent(spot.depth)),
                    Sign::Low | Sign::High => format!("{:+.1} %", spot.depth),
                },
                self.place(spot.from, spot.to),
                spot.visits.bad,
                spot.visits.all,
                spot.elsewhere.bad,
                spot.elsewhere.all
            ),
            _ if !seen.moments.spans.is_empty() => format!(
                "The {names} disagree by up to {:+.1} % in {} moment{} at no one position{whose}.",
                seen.moments.worst,
                seen.moments.spans.len(),
                if seen.moments.spans.len() == 1 { "" } else { "s" }
            ),
            _ if seen.moments.bent != 0.0 => format!(
                "The {names} part by up to {:+.1} % towards an end of the travel at every visit, as where one of them ends early ({line}).",
                seen.moments.bent
            ),
            _ if seen.bump.is_some() => {
                let bump = seen.bump.unwrap_or(Bump { from: 0.0, to: 0.0, off: 0.0 });
                format!(
                    "The {names} bend apart by {:+.1} % between {} at every visit: more than their scatter, less than a fault ({line}).",
                    bump.off,
                    self.place(bump.from, bump.to)
                )
            }
            _ => format!(
                "The {names} agree where they could be compared ({}, {line}), but that was too little of the travel or too seldom to tell.",
                self.place(relation.visited.0, relation.visited.1)
            ),
        }
    }

    /// Tracks between which no line could be drawn.
    fn unrelated(&self) -> String {
        let kept = self.aligned.as_ref().and_then(|aligned| {
            let of = |value: fn(&align::Point) -> f64| relation::range(aligned.points.iter().map(value));
            let ranges = [of(|p| p.x), of(|p| p.y)];
            let moved = ranges.map(|(least, most)| most - least);
            let still = (0..2).find(|&k| moved[k] <= aligned.step[k] && moved[1 - k] >= relation::LEAST_MOVED)?;
            Some((still, ranges[still].0, ranges[1 - still]))
        });
        let names = self.names();
        let Some((still, value, (from, to))) = kept else {
            return format!("The {names} did not move together far enough, or never slowly enough, to be compared.");
        };
        format!(
            "The {names} cannot be compared: track {} kept {} throughout, while track {} moved between {from:.0} and {to:.0} %.",
            self.number[still],
            percent(value),
            self.number[1 - still]
        )
    }

    fn stood_still(&self, stuck: &Stuck) -> String {
        let (own, other) = (self.number[stuck.track], self.number[1 - stuck.track]);
        let lasted_s = |span: &Span| span.to_s - span.from_s;
        let longest = stuck.spans.iter().max_by(|a, b| lasted_s(a).total_cmp(&lasted_s(b)));
        let Some(longest) = longest else { return String::new() };
        let (from_s, lasts_s, names) = (longest.from_s, lasted_s(longest), self.names());
        let how = format!(
            "at {} for {lasts_s:.0} s from {from_s:.1} s on, while track {other} moved between {:.0} and {:.0} %",
            percent(stuck.value),
            stuck.other.0,
            stuck.other.1
        );
        match stuck.spans.len() {
            1 => format!("The {names} disagree: track {own} stood still {how}"),
            n => {
                let all_s: f64 = stuck.spans.iter().map(lasted_s).sum();
                format!(
                    "The {names} disagree: track {own} stood still {n} times, {all_s:.0} s in all; the longest {how}"
                )
            }
        }
    }

    fn since(&self, onset: &Onset) -> String {
        let Span { from_s, to_s } = onset.span;
        let when =
            if onset.is_over { format!("from {from_s:.1} to {to_s:.1} s") } else { format!("from {from_s:.1} s on") };
        let [low, high] = onset.at_ends;
        let floor = self.seen.as_ref().map_or(0.0, |seen| seen.relation.floor);
        let (first, second) = (self.number[0], self.number[1]);
        let by = if (high.1 - low.1).abs() > floor {
            format!("{:+.1} % at {:.0} % of track {first} to {:+.1} % at {:.0} %", low.1, low.0, high.1, high.0)
        } else {
            format!("{:+.1} %", onset.shift)
        };
        format!(
            "The {} disagree {when}: track {second} is off by {by} from what it shows at other times beside the same reading of track {first}, in {:.0} of {:.0} stretches of 5 s then and in {:.0} of {:.0} at other times",
            self.names(),
            onset.inside.bad,
            onset.inside.all,
            onset.outside.bad,
            onset.outside.all
        )
    }

    fn figures(&self, culprit: Option<usize>) -> BTreeMap<String, f64> {
        let mut figures = BTreeMap::new();
        let mut put = |name: &str, value: f64| {
            if value.is_finite() {
                figures.insert(name.to_owned(), value);
            }
        };
        let (Some(seen), Some(aligned)) = (&self.seen, &self.aligned) else { return figures };
        let relation = &seen.relation;
        put("slope", relation.slope);
        put("offset_percent", relation.offset);
        put("residual_sigma_percent", relation.sigma);
        put("skew_s", relation.skew_s);
        put("skew_bound_s", aligned.hidden_s);
        put("usable_share", relation.usable.len() as f64 / aligned.n_samples.max(1) as f64);
        put("visited_from_percent", relation.visited.0);
        put("visited_to_percent", relation.visited.1);
        put("share_of_travel_off", relation.share_off(None));
        for (k, visits) in seen.parts.iter().enumerate() {
            put(&format!("visits_in_tenth_{}", k + 1), visits.all);
        }
        put("moments", seen.moments.spans.len() as f64);
        put("is_parted_by_timing", f64::from(u8::from(relation.is_parted_by_timing)));
        if let Some(bump) = seen.bump {
            put("bend_from_percent", bump.from);
            put("bend_to_percent", bump.to);
            put("bend_percent", bump.off);
        }
        if let Some(spot) = seen.spot.as_ref().filter(|_| seen.spot_odds > PRIOR.log10()) {
            put("spot_from_percent", spot.from);
            put("spot_to_percent", spot.to);
            put("spot_centre_percent", f64::midpoint(spot.from, spot.to));
            put("spot_width_percent", spot.to - spot.from);
            put("spot_from_percent_of_visited_travel", relation.share_of_travel(spot.from));
            put("spot_to_percent_of_visited_travel", relation.share_of_travel(spot.to));
            put("spot_depth_percent", spot.depth);
            put("spot_visits", spot.visits.all);
            put("spot_bad_visits", spot.visits.bad);
        }
        if let Some(stuck) = &seen.stuck {
            put("stuck_track", self.number[stuck.track] as f64);
            put("stuck_stretches", stuck.spans.len() as f64);
            put("stuck_s", stuck.spans.iter().map(|span| span.to_s - span.from_s).sum());
            put("stuck_at_percent", stuck.value);
        }
        if let Some(onset) = &seen.onset {
            put("apart_from_s", onset.span.from_s);
            put("apart_to_s", onset.span.to_s);
            put("apart_percent", onset.shift);
            put("apart_stretches", onset.inside.all);
            put("apart_bad_stretches", onset.inside.bad);
        }
        if let Some(n) = culprit {
            put("track_at_fault", n as f64);
        }
        figures
    }

    fn alternatives(&self, verdict: Verdict) -> Vec<String> {
        let Some(seen) = &self.seen else { return Vec::new() };
        if verdict == Verdict::Healthy {
            return Vec::new();
        }
        if seen.stuck().is_some() {
            return vec![
                "a poor contact in plug or ground of one track".to_owned(),
                "a refresh that stalls in the module or in the recorder".to_owned(),
            ];
        }
        if seen.onset().is_some() {
            return vec![
                "a poor contact in plug or ground of one track".to_owned(),
                "a module that learned another rest position or scale of one track during the drive".to_owned(),
            ];
        }
        if !seen.is_line {
            return vec![
                "a relation that is bent by design, or signals that are not two tracks of one sensor".to_owned(),
            ];
        }
        if seen.about == About::Place || (seen.moments.bent != 0.0 && seen.moments.spans.is_empty()) {
            vec!["one track bent by design at that place: the same part of another car shows it".to_owned()]
        } else {
            vec!["a poor contact in plug or ground of one track".to_owned()]
        }
    }

    fn next(&self, verdict: Verdict, culprit: Option<usize>) -> Vec<String> {
        let move_it = format!(
            "{}, while tracks {} and {} are recorded as fast as the link allows",
            self.family.move_it, self.number[0], self.number[1]
        );
        let Some(seen) = &self.seen else { return vec![move_it] };
        let unvisited = seen.unvisited();
        let named = || unvisited.iter().map(|(from, to)| self.place(*from, *to)).collect::<Vec<_>>().join(", ");
        match verdict {
            Verdict::Faulty => {
                let track = culprit.map_or_else(|| "both tracks".to_owned(), |n| format!("track {n}"));
                if seen.stuck().is_some() {
                    return vec![format!(
                        "measure the voltage of {track} at the sensor while it is moved slowly and plug and wiring are moved by hand: where it follows there, the module or the recorder holds the value"
                    )];
                }
                if seen.onset().is_some() {
                    let its = if culprit.is_some() { "its" } else { "their" };
                    return vec![format!(
                        "measure the voltage of {track}, {its} supply and {its} ground at the sensor, at rest and moved, and hold them against the maker's values"
                    )];
                }
                vec![format!("measure the voltage of {track} at the sensor while it is moved slowly through the place")]
            }
            Verdict::Healthy if unvisited.is_empty() => vec![format!(
                "only {} was visited; for the rest {move_it}",
                self.place(seen.relation.visited.0, seen.relation.visited.1)
            )],
            Verdict::Healthy => vec![format!("hardly visited: {}; for these {move_it}", named())],
            Verdict::Undecided
                if seen.bump.is_some() && seen.is_line && seen.moments.spans.is_empty() && seen.moments.bent == 0.0 =>
            {
                let place = seen.bump.map_or_else(String::new, |bump| self.place(bump.from, bump.to));
                vec![format!("move slowly through {place} five times and more; for that {move_it}")]
            }
            Verdict::Undecided => {
                let timing = seen.relation.is_parted_by_timing.then(|| {
                    "import the samples with their own times: the tracks part wherever the movement bends, as in a table that was filled up between slow samples".to_owned()
                });
                let unvisited = (!unvisited.is_empty()).then(|| format!("hardly visited: {}", named()));
                timing.into_iter().chain(unvisited).chain([move_it]).collect()
            }
        }
    }
}
