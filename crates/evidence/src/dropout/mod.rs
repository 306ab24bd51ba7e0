//! `dropout`: does one signal vanish, stick or jump for moments in a way the machine cannot?
//!
//! Three shapes of a lost value are looked for: the value jumps (to zero, to an end of its scale, to anywhere) and comes
//! back with edges that are steeper than the machine can move ([`excursion`], [`assess`]); the value stays the same while
//! witnesses or its own restless habit say that it should not ([`stuck`]). What every signal in the recording does at
//! the same moment is the recorder's doing and counts for none of them.
//!
//! The odds: [`PRIOR_LOG10_ODDS`], plus the weight of each event (bounded, see [`assess::STRONGEST`]); events that are
//! merely seldom count once per [`ONE_CAUSE_S`]. Without any event the odds fall with the exposure, which is the time in
//! which a loss of [`REFERENCE_LOSS_S`] would have been caught and recognised: a faulty contact that opens
//! [`REFERENCE_PER_S`] times a second would have stayed unseen with the probability exp(-rate * exposure).

mod assess;
mod exposure;
mod excursion;
mod stuck;
mod text;
mod track;

use std::collections::BTreeMap;

use signal::Recording;

use crate::physics::Family;
use crate::{Check, Finding, Kind, Span, Verdict};
use exposure::Exposure;
use track::Track;

/// The check's entry in the registry.
pub(crate) const CHECK: Check = Check { kind: Kind::Dropout, run };

/// Odds before the recording is looked at: even, because a drive is recorded for a complaint.
const PRIOR_LOG10_ODDS: f64 = 0.0;
/// The loss that a verdict "healthy" must have been able to see, seconds.
const REFERENCE_LOSS_S: f64 = 0.1;
/// How often it comes, per second of drive: four times a minute.
const REFERENCE_PER_S: f64 = 4.0 / 60.0;
/// Events that are merely seldom share one cause within this time, seconds (one braking, one patch of ice).
const ONE_CAUSE_S: f64 = 5.0;
/// The sum of all events counts no more than this.
const MOST: f64 = 8.0;
/// Signals of unknown physics never get beyond this: their own statistics are no proof.
const MOST_WITHOUT_PHYSICS: f64 = 1.5;
/// Share of the other signals that must do the same at the same moment to make it the recorder's doing.
const COMMON_SHARE: f64 = 0.8;

/// What was lost.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Shape {
    Zero,
    EndOfScale,
    Jump,
    Stuck,
}

/// One loss.
#[derive(Debug, Clone, Copy)]
struct Event {
    shape: Shape,
    span: Span,
    /// Time between the good samples around it, seconds.
    at_most_s: f64,
    before: f64,
    level: f64,
    rate_per_s: f64,
    allowed_per_s: f64,
    log10_lr: f64,
    is_impossible: bool,
    is_common: bool,
}

/// Examines every signal of a recording.
fn run(recording: &Recording) -> Vec<Finding> {
    let tracks: Vec<Track<'_>> = recording.series.iter().filter_map(Track::new).collect();
    let excursions: Vec<_> = tracks.iter().map(excursion::find).collect();
    let spans_of = |k: usize| {
        let track: &Track<'_> = &tracks[k];
        let own = excursions[k].as_deref().unwrap_or_default();
        own.iter().map(|e| Span { from_s: track.t_s(e.before), to_s: track.t_s(e.after) }).collect::<Vec<_>>()
    };
    let spans: Vec<Vec<Span>> = (0..tracks.len()).map(spans_of).collect();
    let mut findings = Vec::with_capacity(tracks.len());
    for (k, track) in tracks.iter().enumerate() {
        let own = excursions[k].as_deref();
        let mut events: Vec<Event> = own
            .unwrap_or_default()
            .iter()
            .filter(|event| !crosses_gap(recording, track.t_s(event.before), track.t_s(event.after)))
            .filter_map(|event| {
                let weight = assess::assess(track, &tracks, event)?;
                let shape = if event.level.abs() <= track.step.max(1e-9) {
                    Shape::Zero
                } else if weight.log10_lr >= 2.4 && event.is_flat && track.dynamics.is_some_and(|d| event.level < d.living.0 || event.level > d.living.1) {
                    Shape::EndOfScale
                } else {
                    Shape::Jump
                };
                Some(Event {
                    shape,
                    span: Span { from_s: track.t_s(event.first), to_s: track.t_s(event.last) },
                    at_most_s: event.away_s(track),
                    before: track.value(event.before),
                    level: event.level,
                    rate_per_s: event.rate_per_s,
                    allowed_per_s: weight.allowed_per_s,
                    log10_lr: weight.log10_lr,
                    is_impossible: weight.is_impossible,
                    is_common: is_common(&tracks, &spans, k, spans[k].iter().find(|s| s.to_s >= track.t_s(event.after))),
                })
            })
            .collect();
        if own.is_some() {
            for stuck in stuck::find(track, &tracks) {
                let span = Span { from_s: track.t_s(stuck.first), to_s: track.t_s(stuck.last) };
                if crosses_gap(recording, span.from_s, span.to_s) || events.iter().any(|e| overlaps(e.span, span)) {
                    continue;
                }
                events.push(Event {
                    shape: Shape::Stuck,
                    span,
                    at_most_s: track.t_s(stuck.last + 1) - span.from_s,
                    before: track.value(stuck.first),
                    level: track.value(stuck.first),
                    rate_per_s: 0.0,
                    allowed_per_s: stuck.moved,
                    log10_lr: stuck.log10_lr,
                    is_impossible: true,
                    is_common: false,
                });
            }
        }
        events.sort_by(|a, b| a.span.from_s.total_cmp(&b.span.from_s));
        findings.push(finding(track, &events, own.is_none(), &exposure::of(track)));
    }
    findings
}

fn crosses_gap(recording: &Recording, from_s: f64, to_s: f64) -> bool {
    let (from_ns, to_ns) = (signal::nanos_from_seconds(from_s), signal::nanos_from_seconds(to_s));
    recording.gaps.iter().any(|gap| gap.from_ns < to_ns && gap.to_ns > from_ns)
}

fn overlaps(a: Span, b: Span) -> bool {
    a.from_s <= b.to_s && b.from_s <= a.to_s
}

/// Whether the other signals did the same at the same moment. Each kind of quantity has one vote, so that four wheels do
/// not outvote the engine; who could not have shown it (at rest, at zero) abstains.
fn is_common(tracks: &[Track<'_>], spans: &[Vec<Span>], own: usize, at: Option<&Span>) -> bool {
    let Some(at) = at else { return false };
    let mut votes: BTreeMap<(Option<Family>, usize), bool> = BTreeMap::new();
    for (k, track) in tracks.iter().enumerate().filter(|(k, _)| *k != own) {
        let before = track.after(at.from_s).checked_sub(1).map(|idx| track.value(idx));
        if !before.is_some_and(|value| exposure::would_show_at(track, value) > 0.0) {
            continue;
        }
        let spans = &spans[k];
        let from = spans.partition_point(|s| s.to_s < at.from_s);
        let shows = spans.get(from).is_some_and(|s| overlaps(*s, *at));
        // Signals of the other kinds each vote for themselves.
        let seat = match track.family() {
            Some(Family::Other) | None => (track.family(), k),
            family => (family, 0),
        };
        *votes.entry(seat).or_insert(true) &= shows;
    }
    let n_for = votes.values().filter(|vote| **vote).count();
    n_for > 0 && n_for as f64 >= COMMON_SHARE * votes.len() as f64
}

/// Evidence of the events, in log10.
fn weigh(events: &[Event], has_physics: bool) -> f64 {
    let mut sum = 0.0;
    let mut last_seldom_s = f64::NEG_INFINITY;
    for event in events.iter().filter(|event| !event.is_common) {
        if event.is_impossible {
            sum += event.log10_lr;
        } else if event.span.from_s - last_seldom_s > ONE_CAUSE_S {
            sum += event.log10_lr;
            last_seldom_s = event.span.from_s;
        }
    }
    sum.min(if has_physics { MOST } else { MOST_WITHOUT_PHYSICS })
}

fn finding(track: &Track<'_>, events: &[Event], is_wild: bool, exposure: &Exposure) -> Finding {
    let n_common = events.iter().filter(|event| event.is_common).count();
    let own: Vec<Event> = events.iter().filter(|event| !event.is_common).copied().collect();
    let unseen = REFERENCE_PER_S * exposure.effective_s / std::f64::consts::LN_10;
    let mut log10_odds = PRIOR_LOG10_ODDS;
    if is_wild {
        log10_odds = 0.0;
    } else if !own.is_empty() {
        log10_odds += weigh(&own, track.dynamics.is_some());
    } else if n_common == 0 {
        log10_odds -= unseen.min(3.0);
    }
    let verdict = Verdict::from_log10_odds(log10_odds);
    let told = text::Told { track, own: &own, n_common, is_wild, exposure, verdict };
    let mut figures = BTreeMap::from([
        ("events".to_owned(), own.len() as f64),
        ("events_of_all_signals".to_owned(), n_common as f64),
        ("exposure_s".to_owned(), exposure.visible_s),
        ("effective_exposure_s".to_owned(), exposure.effective_s),
        ("shortest_always_caught_s".to_owned(), exposure.always_caught_s),
        ("odds_of_catching_100_ms".to_owned(), exposure.p_catch),
        ("prior_log10_odds".to_owned(), PRIOR_LOG10_ODDS),
    ]);
    if let Some(limits) = track.dynamics.filter(|limits| limits.fastest_per_s.is_finite()) {
        figures.insert("limit_per_s".to_owned(), limits.fastest_per_s);
    }
    if let Some(worst) = text::worst(&own) {
        let shortest = own.iter().map(|event| event.at_most_s).fold(f64::INFINITY, f64::min);
        figures.insert("shortest_event_at_most_s".to_owned(), shortest);
        let longest = own.iter().map(|event| event.span.to_s - event.span.from_s).fold(0.0, f64::max);
        figures.insert("longest_event_at_least_s".to_owned(), longest);
        figures.insert("worst_depth".to_owned(), worst.level - worst.before);
        figures.insert("worst_at_s".to_owned(), worst.span.from_s);
    }
    Finding {
        kind: Kind::Dropout,
        subject: vec![track.id().to_string()],
        verdict,
        log10_odds,
        statement: told.statement(),
        figures,
        spans: own.iter().map(|event| event.span).collect(),
        alternatives: told.alternatives(),
        next: told.next(),
    }
}
