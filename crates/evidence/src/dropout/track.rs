//! One signal made ready: its values in the catalogue's unit, its cadence, and what its physics allow.

use signal::{Catalogue, NANOS_PER_SECOND, Series, SignalId};

use crate::physics::{Dynamics, Family, dynamics};
use crate::stats::{quantum, robust, search};

/// At most this many numbers are kept to learn a quantile from: enough for 1 % of accuracy, whatever the drive's length.
const KEPT: usize = 8192;
/// Fewest changes that show a cadence.
const ENOUGH: usize = 20;
/// Signals with no more different values than this are counted as states (gear, on and off), not as quantities.
const STATES: usize = 12;
/// Slowest refresh inside a module that is reckoned with when a signal is polled more slowly than that, seconds
/// (common practice, no source).
const SLOWEST_REFRESH_S: f64 = 0.1;

/// Levels at which analogue tracks rest, % (typical: 7-40, common practice, no source).
const STOP_RANGE: std::ops::RangeInclusive<f64> = 5.0..=45.0;
/// How far below its usual rest a track may come to lie (temperature, an idle stop that gives), % (common practice, no
/// source).
const STOP_PLAY: f64 = 3.0;

/// A signal as this check sees it.
pub(super) struct Track<'a> {
    pub(super) series: &'a Series,
    /// Factor and offset from the series' unit to the catalogue's.
    scale: f64,
    offset: f64,
    /// Unit of all values below.
    pub(super) unit: String,
    /// What its physics allow; `None` for signals of unknown physics.
    pub(super) dynamics: Option<Dynamics>,
    /// Usual interval between samples, seconds.
    pub(super) interval_s: f64,
    /// How far stamps may be off because samples were stamped in batches or in coarse ticks, seconds; 0 where not.
    batch_s: f64,
    /// Cadence at which the value itself is renewed, seconds; the interval when every sample may be new.
    pub(super) hold_s: f64,
    /// Whether its rows were drawn between slower samples, see [`crate::drawn`]; `hold_s` is then the time between those.
    pub(super) is_drawn: bool,
    /// How long each value had stayed before the signal came back with several steps, seconds.
    holds_s: Vec<f64>,
    /// Step between neighbouring values.
    pub(super) step: f64,
    /// Median size of a change.
    pub(super) usual_change: f64,
    /// Change between samples that its own statistics call exceptional.
    pub(super) exceptional_change: f64,
    /// Lowest level at which it ever rested for a second.
    pub(super) rest: Option<f64>,
    /// For analogue pedal and throttle tracks that rest above zero: below this no position of the part can be.
    pub(super) stop: Option<f64>,
    /// Whether it has many values, as a quantity has.
    pub(super) is_quantity: bool,
    /// Whether it changes at all.
    pub(super) moves: bool,
}

impl<'a> Track<'a> {
    /// `None` for a series with fewer than three samples: there is nothing to leave and come back to.
    pub(super) fn new(series: &'a Series) -> Option<Self> {
        if series.len() < 3 {
            return None;
        }
        let (interval_s, batch_s) = stamps(series)?;
        let known = dynamics(&series.id).and_then(|limits| {
            let to = &Catalogue::standard().get(&series.id)?.unit;
            let offset = series.unit.convert(0.0, to)?;
            Some((limits, series.unit.convert(1.0, to)? - offset, offset, to.symbol().to_owned()))
        });
        let (dynamics, scale, offset, unit) = match known {
            Some((limits, scale, offset, unit)) => (Some(limits), scale, offset, unit),
            None => (None, 1.0, 0.0, series.unit.symbol().to_owned()),
        };
        // A signal that only ever moved to be lost shows no step of its own.
        let coarsest = dynamics.map_or(f64::INFINITY, |limits| 0.1 * limits.smallest);
        let step = (quantum::step_of(&series.value) * scale.abs()).min(coarsest);
        let mut track = Self {
            series,
            scale,
            offset,
            unit,
            dynamics,
            interval_s,
            batch_s,
            hold_s: interval_s,
            is_drawn: false,
            holds_s: Vec::new(),
            step,
            usual_change: 0.0,
            exceptional_change: f64::INFINITY,
            rest: None,
            stop: None,
            is_quantity: false,
            moves: false,
        };
        track.learn();
        Some(track)
    }

    pub(super) fn id(&self) -> &SignalId {
        &self.series.id
    }

    pub(super) fn len(&self) -> usize {
        self.series.len()
    }

    pub(super) fn t_s(&self, idx: usize) -> f64 {
        self.series.t_ns[idx] as f64 / NANOS_PER_SECOND
    }

    pub(super) fn value(&self, idx: usize) -> f64 {
        self.series.value[idx] * self.scale + self.offset
    }

    pub(super) fn family(&self) -> Option<Family> {
        self.dynamics.map(|limits| limits.family)
    }

    /// Index of the first sample after `t_s`.
    pub(super) fn after(&self, t_s: f64) -> usize {
        search::first_after(&self.series.t_ns, signal::nanos_from_seconds(t_s))
    }

    /// How old a value may be when its sample arrives, beyond what the stamps say.
    ///
    /// A held value is as old as its cadence; otherwise the stamp may be off by one interval (batches of messages read
    /// at once), or by the refresh inside the module if that is quicker.
    pub(super) fn age_s(&self) -> f64 {
        let age_s =
            if self.hold_s > 1.5 * self.interval_s { self.hold_s } else { self.interval_s.min(SLOWEST_REFRESH_S) };
        age_s.max(self.batch_s)
    }

    /// Longest time that the truth may have had between two samples.
    ///
    /// With request times it is the time from the earlier request to the later answer.
    pub(super) fn longest_between_s(&self, from: usize, to: usize) -> f64 {
        let asked = self.series.asked_ns.get(from).copied().unwrap_or(self.series.t_ns[from]);
        (self.series.t_ns[to] - asked).max(0) as f64 / NANOS_PER_SECOND + self.age_s()
    }

    /// The step between neighbouring values in the unit of the series.
    pub(super) fn series_step(&self) -> f64 {
        self.step / self.scale.abs()
    }

    /// Whether no working sensor in a working machine can give this value.
    pub(super) fn is_dead(&self, value: f64) -> bool {
        self.dynamics.is_some_and(|limits| value < self.stop.unwrap_or(limits.living.0) || value > limits.living.1)
    }

    /// How many samples show one value before it can be renewed.
    pub(super) fn samples_per_refresh(&self) -> f64 {
        (self.hold_s / self.interval_s.max(1e-6)).clamp(1.0, 1000.0)
    }

    /// Longest silence across which two samples still belong together.
    pub(super) fn longest_gap_s(&self) -> f64 {
        (10.0 * self.interval_s).clamp(1.0, 10.0).max(1.5 * self.interval_s)
    }

    /// Cadence, usual changes, rest level: one pass over the samples.
    fn learn(&mut self) {
        let n = self.len();
        let mut changes: Vec<f64> = Vec::with_capacity(KEPT);
        let mut values: Vec<f64> = Vec::with_capacity(STATES + 1);
        let mut holds: Vec<f64> = Vec::with_capacity(KEPT);
        let keep_every = (n / KEPT).max(1);
        let step = self.series_step();
        let (mut run_start, mut n_changes, mut rest) = (0, 0_usize, f64::INFINITY);
        for idx in 1..n {
            let (was, is) = (self.series.value[idx - 1], self.series.value[idx]);
            if was == is {
                continue;
            }
            if idx - run_start >= 3 && self.t_s(idx - 1) - self.t_s(run_start) >= 1.0 {
                rest = rest.min(was * self.scale + self.offset);
            }
            if n_changes % keep_every == 0 {
                let change = (is - was).abs();
                changes.push(change);
                // A slow quantity waits for its next step; only who comes back with several has been held. The first run
                // began before the recording.
                if n_changes > 0 && change > 1.5 * step {
                    holds.push(self.t_s(idx) - self.t_s(run_start));
                }
            }
            if values.len() <= STATES && is.is_finite() && !values.contains(&is) {
                values.push(is);
            }
            n_changes += 1;
            run_start = idx;
        }
        self.rest = rest.is_finite().then_some(rest);
        self.stop = self.rest.filter(|rest| STOP_RANGE.contains(rest)).and_then(|rest| self.stop_below(rest));
        self.is_quantity = values.len() > STATES;
        self.moves = !values.is_empty() && n_changes > 0;
        if let Some(drawn_s) = crate::drawn::interval_s(self.series) {
            self.is_drawn = true;
            self.hold_s = drawn_s.max(self.interval_s);
        } else if holds.len() >= ENOUGH {
            self.hold_for(&mut holds);
        } else {
            self.holds_s = holds;
        }
        changes.retain(|change| change.is_finite());
        self.usual_change = robust::median(&mut changes).unwrap_or(0.0) * self.scale.abs();
        // Eight times what all but 0.5 % of the changes keep: with exponential tails that is 42 times the mean change.
        if let Some(large) = robust::quantile(&mut changes, 0.995) {
            self.exceptional_change = 8.0 * large * self.scale.abs();
        }
    }

    /// The cadence at which values are renewed, from how long they stayed.
    fn hold_for(&mut self, holds: &mut [f64]) {
        let held = robust::quantile(holds, 0.05).unwrap_or(self.interval_s);
        self.hold_s = held.clamp(self.interval_s, self.interval_s.max(2.0));
    }

    /// The stop that a rest level shows: the part came back to it again and again, and was never seen on the way further
    /// down. A foot that holds still somewhere else passes the values below when it moves on.
    fn stop_below(&self, rest: f64) -> Option<f64> {
        if !matches!(self.family(), Some(Family::Pedal | Family::Throttle)) {
            return None;
        }
        let (mut visits, mut at_rest, mut below) = (0, 0_usize, 0_usize);
        let mut was_resting = false;
        for idx in 0..self.len() {
            let value = self.value(idx);
            let rests = (value - rest).abs() <= self.step.max(0.5) + 1e-9;
            visits += usize::from(rests && !was_resting);
            at_rest += usize::from(rests);
            below += usize::from(value > 0.2 * rest && value < rest - STOP_PLAY);
            was_resting = rests;
        }
        (visits >= 3 && 20 * at_rest > self.len() && below == 0).then_some(rest - STOP_PLAY)
    }
}

/// Where no signal of a family showed its cadence by itself, because a coarse step hides it, all of them together may: the
/// rows of one table repeat all of its values alike. What one of them alone shows may be its fault.
pub(super) fn share_cadence(tracks: &mut [Track<'_>]) {
    for family in [Family::Speed, Family::Pedal, Family::Throttle] {
        let lacks = |track: &Track<'_>| track.family() == Some(family) && !track.holds_s.is_empty();
        let members = tracks.iter().filter(|track| lacks(track));
        let fewest = members.clone().map(|track| track.holds_s.len()).min().unwrap_or(0);
        let n = members.count();
        if n < 2 || n * fewest < ENOUGH {
            continue;
        }
        let mut holds: Vec<f64> = tracks.iter().filter(|track| lacks(track)).flat_map(|t| t.holds_s.clone()).collect();
        tracks.iter_mut().filter(|track| lacks(track)).for_each(|track| track.hold_for(&mut holds));
    }
}

/// Usual interval, and error of the stamps, in seconds.
///
/// Where more than 3 % of the samples follow their neighbour within a fifth of the mean interval, they were stamped in batches
/// or in ticks: then the usual interval is the mean, and a stamp may be off by what 95 % of the intervals keep.
fn stamps(series: &Series) -> Option<(f64, f64)> {
    let stride = (series.len() / KEPT).max(1);
    let between = |pair: &[i64]| pair[1].saturating_sub(pair[0]) as f64 / NANOS_PER_SECOND;
    let mut intervals: Vec<f64> = series.t_ns.windows(2).step_by(stride).map(between).collect();
    let usual_s = robust::median(&mut intervals)?;
    let most_s = robust::quantile(&mut intervals, 0.95)?;
    let mean_s = intervals.iter().map(|interval| interval.min(most_s)).sum::<f64>() / intervals.len() as f64;
    let n_crowded = intervals.iter().filter(|interval| **interval < 0.2 * mean_s).count();
    let is_batched = 100 * n_crowded > 3 * intervals.len();
    Some(if is_batched { (mean_s, most_s) } else { (usual_s, 0.0) })
}
