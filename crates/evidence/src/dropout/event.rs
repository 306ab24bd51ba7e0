//! The losses of every signal, in one form, and which of them the recorder made.

use std::collections::BTreeMap;

use signal::Recording;

use super::excursion::{self, Excursion};
use super::track::Track;
use super::{assess, exposure, stuck};
use crate::Span;
use crate::physics::Family;

/// Share of the other signals that must do the same at the same moment to make it the recorder's doing.
const COMMON_SHARE: f64 = 0.8;

/// What was lost.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Shape {
    Zero,
    EndOfScale,
    Jump,
    Stuck,
}

/// One loss, in the unit of its track.
#[derive(Debug, Clone, Copy)]
pub(super) struct Event {
    pub(super) shape: Shape,
    /// First to last sample lost.
    pub(super) span: Span,
    /// Time between the good samples around it, seconds.
    pub(super) at_most_s: f64,
    pub(super) before: f64,
    /// The value farthest off.
    pub(super) level: f64,
    /// Rate of the slower edge and the rate allowed, per second; for what stuck 0, and how far the witnesses moved.
    pub(super) rate_per_s: f64,
    pub(super) allowed_per_s: f64,
    /// log10 of the likelihood ratio over a healthy machine.
    pub(super) log10_lr: f64,
    /// Whether the machine cannot do it at all.
    pub(super) is_impossible: bool,
    /// Whether the other signals did the same at the same moment.
    pub(super) is_common: bool,
}

/// All signals together, with all that leaves its level in them.
pub(super) struct Scene<'a> {
    recording: &'a Recording,
    tracks: &'a [Track<'a>],
    /// Per track; `None` where the limits do not describe the signal.
    excursions: Vec<Option<Vec<Excursion>>>,
    /// From the last good to the first good sample of each excursion.
    spans: Vec<Vec<Span>>,
}

impl<'a> Scene<'a> {
    pub(super) fn new(recording: &'a Recording, tracks: &'a [Track<'a>]) -> Self {
        let excursions: Vec<_> = tracks.iter().map(excursion::find).collect();
        let around = |track: &Track<'_>, found: &Option<Vec<Excursion>>| {
            let span = |e: &Excursion| Span { from_s: track.t_s(e.before), to_s: track.t_s(e.after) };
            found.iter().flatten().map(span).collect()
        };
        let spans = tracks.iter().zip(&excursions).map(|(track, found)| around(track, found)).collect();
        Self { recording, tracks, excursions, spans }
    }

    /// All losses of one signal in order of time; `None` where the limits do not describe it.
    pub(super) fn events(&self, own: usize) -> Option<Vec<Event>> {
        let track = &self.tracks[own];
        let excursions = self.excursions[own].as_ref()?;
        let mut events: Vec<Event> =
            excursions.iter().zip(&self.spans[own]).filter_map(|(e, span)| self.jumped(own, e, *span)).collect();
        let n_jumped = events.len();
        for found in stuck::find(track, self.tracks) {
            let span = Span { from_s: track.t_s(found.first), to_s: track.t_s(found.last) };
            let next = events[..n_jumped].partition_point(|event| event.span.to_s < span.from_s);
            let is_part_of_a_jump = events[..n_jumped].get(next).is_some_and(|event| overlap(event.span, span));
            if !is_part_of_a_jump && !self.crosses_gap(span) {
                events.push(Event {
                    shape: Shape::Stuck,
                    span,
                    at_most_s: track.t_s((found.last + 1).min(track.len() - 1)) - span.from_s,
                    before: track.value(found.first),
                    level: track.value(found.first),
                    rate_per_s: 0.0,
                    allowed_per_s: found.moved,
                    log10_lr: found.log10_lr,
                    is_impossible: true,
                    is_common: false,
                });
            }
        }
        events.sort_by(|a, b| a.span.from_s.total_cmp(&b.span.from_s));
        Some(events)
    }

    fn jumped(&self, own: usize, found: &Excursion, around: Span) -> Option<Event> {
        if self.crosses_gap(around) {
            return None;
        }
        let track = &self.tracks[own];
        let weight = assess::assess(track, self.tracks, found)?;
        let living = track.dynamics.map_or((f64::NEG_INFINITY, f64::INFINITY), |limits| limits.living);
        let shape = if found.level.abs() <= track.step.max(1e-9) {
            Shape::Zero
        } else if found.level < living.0 || found.level > living.1 {
            Shape::EndOfScale
        } else {
            Shape::Jump
        };
        Some(Event {
            shape,
            span: Span { from_s: track.t_s(found.first), to_s: track.t_s(found.last) },
            at_most_s: found.away_s(track),
            before: track.value(found.before),
            level: found.level,
            rate_per_s: found.rate_per_s,
            allowed_per_s: weight.allowed_per_s,
            log10_lr: weight.log10_lr,
            is_impossible: weight.is_impossible,
            is_common: self.is_common(own, around),
        })
    }

    fn crosses_gap(&self, span: Span) -> bool {
        let (from_ns, to_ns) = (signal::nanos_from_seconds(span.from_s), signal::nanos_from_seconds(span.to_s));
        self.recording.gaps.iter().any(|gap| gap.from_ns < to_ns && gap.to_ns > from_ns)
    }

    /// Whether the other signals did the same at the same moment. Each kind of quantity has one vote, so that four wheels
    /// do not outvote the engine; who could not have shown it (at rest, at zero) abstains.
    fn is_common(&self, own: usize, at: Span) -> bool {
        let mut votes: BTreeMap<(Option<Family>, usize), bool> = BTreeMap::new();
        for (k, track) in self.tracks.iter().enumerate().filter(|(k, _)| *k != own) {
            let before = track.after(at.from_s).checked_sub(1).map(|idx| track.value(idx));
            if !before.is_some_and(|value| exposure::would_show_at(track, value) > 0.0) {
                continue;
            }
            let spans = &self.spans[k];
            let next = spans.partition_point(|span| span.to_s < at.from_s);
            // The same moment, as far as signals that are polled in turn can tell.
            let apart_s = self.tracks[own].hold_s + track.hold_s;
            let is_same =
                |span: &Span| (span.from_s - at.from_s).abs() <= apart_s && (span.to_s - at.to_s).abs() <= apart_s;
            let shows = spans[next..].iter().take_while(|span| span.from_s <= at.to_s).any(is_same);
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
}

fn overlap(a: Span, b: Span) -> bool {
    a.from_s <= b.to_s && b.from_s <= a.to_s
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn spans_that_overlap() {
        let span = |from_s, to_s| Span { from_s, to_s };
        for (other, expected) in
            [((0.0, 0.9), false), ((0.0, 1.0), true), ((1.4, 1.6), true), ((2.0, 3.0), true), ((2.1, 3.0), false)]
        {
            assert_eq!(overlap(span(1.0, 2.0), span(other.0, other.1)), expected, "{other:?}");
            assert_eq!(overlap(span(other.0, other.1), span(1.0, 2.0)), expected, "{other:?}");
        }
    }
}
