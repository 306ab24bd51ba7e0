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
        // One alone has fewer than enough: it would show its cadence by itself.
        if members.count() * fewest < ENOUGH {
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::made::series;

    const WHEEL: &str = "wheel.speed.front_left";

    #[test]
    fn values_stand_in_the_catalogues_unit() {
        let fahrenheit = series("coolant.temperature", "degF", 1.0, 50, |k| 32.0 + 1.8 * (k % 9) as f64);
        let track = Track::new(&fahrenheit).unwrap();
        assert!((track.value(3) - 3.0).abs() < 1e-9 && track.unit == "degC", "{} {}", track.value(3), track.unit);
        assert!((track.step - 1.0).abs() < 1e-9 && (track.series_step() - 1.8).abs() < 1e-9, "{}", track.step);
        // Water does not freeze at -40 in a running engine, nor does a sensor read 215.
        assert!(track.is_dead(-40.0) && track.is_dead(215.0) && !track.is_dead(-39.0) && !track.is_dead(130.0));
        assert!(Track::new(&series(WHEEL, "km/h", 0.1, 2, |k| k as f64)).is_none());
    }

    /// A value that stays for five rows is renewed each 0.25 s; ages of values follow.
    #[test]
    fn how_old_a_value_may_be() {
        let held =
            |rows: usize| series(WHEEL, "km/h", 0.05, 1000, move |k| 50.0 + 20.0 * ((k / rows) as f64 * 2.3).sin());
        let (each, fifth) = (held(1), held(5));
        let (each, fifth) = (Track::new(&each).unwrap(), Track::new(&fifth).unwrap());
        let about = |found: f64, expected: f64| assert!((found - expected).abs() < 1e-9, "{found} for {expected}");
        about(each.hold_s, 0.05);
        about(each.age_s(), 0.05);
        about(fifth.hold_s, 0.25);
        about(fifth.age_s(), 0.25);
        about(fifth.samples_per_refresh(), 5.0);
        // From row to row an interval and the age; with request times from the earlier request on.
        about(each.longest_between_s(10, 12), 0.1 + 0.05);
        let mut asked = series(WHEEL, "km/h", 0.05, 1000, |k| 50.0 + k as f64);
        asked.asked_ns = asked.t_ns.iter().map(|t| t - 20_000_000).collect();
        about(Track::new(&asked).unwrap().longest_between_s(10, 12), 0.12 + 0.05);
        // A slow quantity waits for its next step, and is as young as its samples.
        let coarse = series(WHEEL, "km/h", 0.05, 1000, |k| 50.0 + (k / 5) as f64 * 0.1);
        about(Track::new(&coarse).unwrap().hold_s, 0.05);
        // Slowly polled values are renewed in the module each 0.1 s at least; silences of ten intervals, 1 to 10 s, part samples.
        let slow = |interval_s: f64| {
            let made = series(WHEEL, "km/h", interval_s, 50, |k| 50.0 + 3.0 * (k as f64 * 2.3).sin());
            let track = Track::new(&made).unwrap();
            (track.age_s(), track.longest_gap_s())
        };
        assert_eq!((slow(0.02), slow(0.5), slow(2.0), slow(8.0)), ((0.02, 1.0), (0.1, 5.0), (0.1, 10.0), (0.1, 12.0)));
        // Ten rows that came at once, twice a second: a stamp may be off by half a second.
        let mut batch = series(WHEEL, "km/h", 0.05, 1000, |k| 50.0 + 3.0 * (k as f64 * 2.3).sin());
        batch
            .t_ns
            .iter_mut()
            .enumerate()
            .for_each(|(k, t)| *t = (k as i64 / 10) * 500_000_000 + (k as i64 % 10) * 1000);
        let track = Track::new(&batch).unwrap();
        assert!((track.interval_s - 0.05).abs() < 0.005 && (track.age_s() - 0.5).abs() < 0.001, "{}", track.age_s());
    }

    /// What one coarse column does not show alone, two of a table show together.
    #[test]
    fn a_table_shows_its_cadence_in_all_of_its_columns() {
        // Steps of three each ten rows, few of them: 12 of each.
        let column = |id: &str| series(id, "km/h", 0.05, 130, |k| 50.0 + [0.0, 30.0][(k / 10) % 2]);
        let columns = [column(WHEEL), column("wheel.speed.front_right")];
        let mut alone = vec![Track::new(&columns[0]).unwrap()];
        share_cadence(&mut alone);
        assert!((alone[0].hold_s - 0.05).abs() < 1e-9);
        let mut both: Vec<Track<'_>> = columns.iter().map(|column| Track::new(column).unwrap()).collect();
        share_cadence(&mut both);
        assert!(both.iter().all(|track| (track.hold_s - 0.5).abs() < 1e-9), "{}", both[0].hold_s);
        let short = [0, 1].map(|k| Series {
            t_ns: columns[k].t_ns[..95].to_vec(),
            value: columns[k].value[..95].to_vec(),
            ..columns[k].clone()
        });
        let mut few: Vec<Track<'_>> = short.iter().map(|column| Track::new(column).unwrap()).collect();
        share_cadence(&mut few);
        assert!((few[0].hold_s - 0.05).abs() < 1e-9, "eight and eight are too few");
        let mut unlike = vec![Track::new(&columns[0]).unwrap(), Track::new(&columns[1]).unwrap()];
        unlike[1].holds_s.clear();
        share_cadence(&mut unlike);
        assert!((unlike[0].hold_s - 0.05).abs() < 1e-9, "one alone may be at fault");
    }

    /// A track that comes back to 15 % again and again has its stop there, 3 % lower at the most.
    #[test]
    fn where_the_stop_of_a_part_is() {
        let stop = |id: &str, value: &dyn Fn(usize) -> f64| Track::new(&series(id, "%", 0.1, 300, value)).unwrap().stop;
        let pedal = "pedal.position_1";
        let pressed = |rest: f64, visits: usize| {
            move |k: usize| {
                if k / 30 < 2 * visits && (k / 30).is_multiple_of(2) { rest } else { rest + 20.0 }
            }
        };
        assert_eq!(stop(pedal, &pressed(15.0, 3)), Some(12.0));
        assert_eq!(stop("throttle.position_2", &pressed(15.0, 3)), Some(12.0));
        assert_eq!(stop(pedal, &pressed(15.0, 2)), None, "a foot that stood there twice");
        assert_eq!((stop(pedal, &pressed(5.0, 3)), stop(pedal, &pressed(4.9, 3))), (Some(2.0), None));
        assert_eq!((stop(pedal, &pressed(45.0, 3)), stop(pedal, &pressed(45.1, 3))), (Some(42.0), None));
        assert_eq!(stop("wheel.speed.front_left", &pressed(15.0, 3)), None);
        // Seen on the way further down it is no stop; lost to zero it still is.
        let passes = |to: f64| move |k: usize| if k == 40 { to } else { pressed(15.0, 3)(k) };
        assert_eq!(stop(pedal, &passes(8.0)), None);
        assert_eq!((stop(pedal, &passes(2.0)), stop(pedal, &passes(12.5))), (Some(12.0), Some(12.0)));
    }

    #[test]
    fn what_is_usual_for_a_signal() {
        // Changes of 1, but for one in a hundred of 5: what all but 0.5 % keep, eight times, is exceptional.
        let made = series("custom.level", "1", 0.1, 2001, |k| (k % 2) as f64 * if k % 100 == 1 { 5.0 } else { 1.0 });
        let track = Track::new(&made).unwrap();
        assert_eq!((track.usual_change, track.exceptional_change), (1.0, 40.0));
        assert!(!track.is_quantity && track.moves);
        let states =
            |n: usize| Track::new(&series("custom.level", "1", 0.1, 500, |k| (k % n) as f64)).unwrap().is_quantity;
        assert!(!states(12) && states(13));
        let resting = |rows: usize| {
            let made = series(WHEEL, "km/h", 0.1, 300, move |k| {
                if (50..50 + rows).contains(&k) { 20.0 } else { 60.0 + (k % 3) as f64 }
            });
            Track::new(&made).unwrap().rest
        };
        assert_eq!((resting(11), resting(10)), (Some(20.0), None), "a second of it");
    }
}
