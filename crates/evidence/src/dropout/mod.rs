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
//! [`REFERENCE_PER_S`] times a second would have stayed unseen with the probability exp(-rate * exposure). Where a value that
//! sticks is looked for beside witnesses, the odds are averaged over both kinds of fault, each with its own exposure.

mod assess;
mod event;
mod excursion;
mod exposure;
mod stuck;
mod text;
mod track;

use std::collections::BTreeMap;

use crate::examination::Examination;
use crate::{Check, Finding, Kind, Verdict};
use event::{Event, Scene};
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
/// The value that sticks which a verdict "healthy" must have been able to see, seconds: a module that lost its sensor shows
/// the last value for about as long before it gives up (common practice, no source).
const REFERENCE_STUCK_S: f64 = 1.0;
/// Share of the faults that make a value stick and never lose it (common practice, no source). So losses that stayed away
/// alone never make a signal healthy that could also have stuck.
const STICK: f64 = 0.2;

/// Examines every signal of a recording.
fn run(recording: &Examination<'_>) -> Vec<Finding> {
    let (tracks, too_short): (Vec<_>, Vec<_>) =
        recording.series.iter().map(|s| Track::new(s).ok_or(s)).partition(Result::is_ok);
    let mut tracks: Vec<Track<'_>> = tracks.into_iter().flatten().collect();
    track::share_cadence(&mut tracks);
    let scene = Scene::new(recording, &tracks);
    let judged = (0..tracks.len()).filter(|&k| can_be_asked(&tracks[k])).map(|k| {
        let shown = stuck::shown(&tracks[k], &tracks, exposure::stuck_needed_s(0.0), REFERENCE_STUCK_S);
        finding(&tracks[k], scene.events(k), &exposure::of(&tracks[k]), shown)
    });
    let short = too_short.into_iter().filter_map(Result::err).map(text::too_short);
    judged.chain(short).collect()
}

/// Whether the question makes sense: a signal of unknown physics that is a counter, or that never changed, gives this check
/// nothing to judge, and saying so of each would only fill the page.
fn can_be_asked(track: &Track<'_>) -> bool {
    track.dynamics.is_some() || (track.moves && !track.id().as_str().starts_with("misfire."))
}

/// Evidence of the events, in log10.
fn weigh(events: &[Event], has_physics: bool) -> f64 {
    let mut sum = 0.0;
    let mut last_seldom_s = f64::NEG_INFINITY;
    for event in events.iter().filter(|event| !event.is_common) {
        if event.is_impossible {
            sum += event.log10_lr;
        } else if event.log10_lr > 0.0 && event.span.from_s - last_seldom_s > ONE_CAUSE_S {
            sum += event.log10_lr;
            last_seldom_s = event.span.from_s;
        }
    }
    sum.min(if has_physics { MOST } else { MOST_WITHOUT_PHYSICS })
}

/// `events`: `None` where the limits do not describe the signal.
fn finding(track: &Track<'_>, events: Option<Vec<Event>>, exposure: &Exposure, shown: Option<stuck::Shown>) -> Finding {
    let is_wild = events.is_none();
    let events = events.unwrap_or_default();
    let n_common = events.iter().filter(|event| event.is_common).count();
    let own: Vec<Event> = events.into_iter().filter(|event| !event.is_common).collect();
    let mut log10_odds = PRIOR_LOG10_ODDS;
    let mut lacks_only_stuck = false;
    if !own.is_empty() {
        log10_odds += weigh(&own, track.dynamics.is_some());
    } else if n_common == 0 && !is_wild {
        let unseen = exposure::unseen(exposure.effective_s);
        // Where nothing that moves with it was recorded, sticking is not part of the question, and the statement says so.
        let shown_for_s = shown.filter(|shown| shown.has_witnesses).map(|shown| shown.for_s);
        let with_stuck = shown_for_s.map_or(unseen, |for_s| (1.0 - STICK) * unseen + STICK * exposure::unseen(for_s));
        log10_odds += with_stuck.log10().max(-3.0);
        lacks_only_stuck = log10_odds > -1.0 && PRIOR_LOG10_ODDS + unseen.log10() <= -1.0;
    }
    let verdict = Verdict::from_log10_odds(log10_odds);
    let told = text::Told { track, own: &own, n_common, is_wild, exposure, shown, lacks_only_stuck, verdict };
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
    if let Some(from_s) = shown.and_then(|shown| shown.from_s) {
        figures.insert("stuck_shown_from_s".to_owned(), from_s);
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
