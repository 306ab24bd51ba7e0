//! What the engine did meanwhile: firings, speed and load, and whether misfires would have been counted.

use signal::{Recording, Series, Unit, seconds_from_nanos};

use crate::skew::taken_ns;
use crate::stats::robust::quantile;

/// Engine speeds between which misfires are judged, and the least coolant and intake temperature, as one maker publishes
/// them for its counters; outside, a count of zero means "not judged" and a count may be chance.
const JUDGED_RPM: (f64, f64) = (440.0, 6000.0);
const LEAST_TEMPERATURE_C: f64 = -10.0;

/// The same maker's limit of throttle movement, 0.059 V in 10 ms, on a sensor that spans 4 V: percent per second.
const HURRIED_PCT_PER_S: f64 = 147.5;

/// Gear changes and clutches move the speed faster than a car in gear does: first gear at 5 m/s2 is about 1500 rpm per
/// second (common practice, no source).
const SHIFT_RPM_PER_S: f64 = 2000.0;

/// Time after a start in which mixture and speed settle (common practice, no source).
const SETTLING_S: f64 = 5.0;

/// Overrun: pedal at rest, engine well above idle and slowing down.
const OVERRUN_RPM: f64 = 1200.0;

/// A piece of the drive between two samples of the engine speed.
#[derive(Debug, Clone, Copy)]
pub(super) struct Segment {
    pub(super) from_ns: i64,
    pub(super) to_ns: i64,
    /// Firings of one cylinder: revolutions / 2.
    pub(super) firings: f64,
    pub(super) rpm: f64,
    /// Percent; 0 where no signal stands for it.
    pub(super) load: f64,
    /// Whether misfires are counted and mean something here.
    pub(super) is_judged: bool,
}

/// What stands for the load.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct LoadSource {
    pub(crate) id: &'static str,
    /// How to speak of it.
    pub(crate) name: &'static str,
    pub(crate) unit: &'static str,
    /// It stands for the load only if it falls below this at times.
    must_fall_below: f64,
    /// Values below and above which a healthy verdict must have seen the engine: misfires of lean mixture and lost
    /// compression show at idle, those of the ignition under load (common practice, no source).
    pub(crate) low_high: (f64, f64),
}

impl LoadSource {
    /// What follows a number of it: nothing where its name says the unit.
    pub(super) fn spoken_unit(&self) -> &'static str {
        if self.unit == "%" { " %" } else { "" }
    }
}

/// Best first. One atmosphere is about 100 kPa, so that kilopascals read as percent of a full cylinder; but only behind a
/// throttle, where an idling engine draws down to 25 to 45 kPa: an unthrottled one (diesel) never falls below 60 kPa at
/// any altitude with roads (common practice, no source).
const LOAD_SOURCES: [LoadSource; 5] = [
    LoadSource { id: "engine.load", name: "load", ..PERCENT },
    LoadSource { id: "engine.absolute_load", name: "absolute load", ..PERCENT },
    LoadSource {
        id: "intake.manifold_pressure",
        name: "manifold pressure in kPa (for load)",
        unit: "kPa",
        must_fall_below: 60.0,
        low_high: (45.0, 70.0),
    },
    LoadSource { id: "pedal.position_1", name: "pedal position (for load)", low_high: (20.0, 40.0), ..PERCENT },
    LoadSource { id: "throttle.position_1", name: "throttle position (for load)", low_high: (20.0, 40.0), ..PERCENT },
];

const PERCENT: LoadSource =
    LoadSource { id: "", name: "", unit: "%", must_fall_below: f64::INFINITY, low_high: (35.0, 60.0) };

/// The engine's course through the drive.
pub(super) struct Engine {
    /// In order of time, without overlap; holes are where the engine speed is unknown.
    pub(super) segments: Vec<Segment>,
    /// Firings of one cylinder before each segment, and after the last.
    sum: Vec<f64>,
    pub(super) load: Option<LoadSource>,
}

/// A series held at its last value.
pub(super) struct Held<'a> {
    t_ns: &'a [i64],
    value: Vec<f64>,
    at: usize,
}

impl<'a> Held<'a> {
    fn of(series: &'a Series, unit: &str) -> Option<Self> {
        let convert = series.unit.conversion(&Unit::named(unit))?;
        let value: Vec<f64> = series.value.iter().map(|value| convert(*value)).collect();
        (!value.is_empty()).then_some(Self { t_ns: &series.t_ns, value, at: 0 })
    }

    /// In the unit that the series has.
    pub(super) fn as_it_is(series: &'a Series) -> Option<Self> {
        (!series.is_empty()).then(|| Self { t_ns: &series.t_ns, value: series.value.clone(), at: 0 })
    }

    fn least(&self) -> f64 {
        self.value.iter().copied().filter(|value| value.is_finite()).fold(f64::INFINITY, f64::min)
    }

    /// What one value in twenty does not exceed: a single wrong value decides nothing.
    fn low(&self) -> f64 {
        let mut finite: Vec<f64> = self.value.iter().copied().filter(|value| value.is_finite()).collect();
        quantile(&mut finite, 0.05).unwrap_or(f64::INFINITY)
    }

    /// Last value at or before `t_ns`, otherwise the first; moments must go forward.
    pub(super) fn at(&mut self, t_ns: i64) -> f64 {
        while self.at + 1 < self.t_ns.len() && self.t_ns[self.at + 1] <= t_ns {
            self.at += 1;
        }
        self.value[self.at]
    }

    /// Change per second around the sample in use.
    fn slope_per_s(&self) -> f64 {
        let Some(next) = self.t_ns.get(self.at + 1) else { return 0.0 };
        let dt = seconds_from_nanos(next - self.t_ns[self.at]).max(0.01);
        (self.value[self.at + 1] - self.value[self.at]) / dt
    }
}

impl Engine {
    /// `None` without engine speed.
    pub(super) fn of(recording: &Recording) -> Option<Self> {
        let series = recording.series("engine.speed").filter(|series| series.len() >= 2)?;
        let to_rpm = series.unit.conversion(&Unit::named("rpm"))?;
        let t_ns = taken_ns(series);
        let longest_s = (5.0 * series.median_interval_s()?).clamp(2.0, 30.0);
        let held = |id: &str, unit: &str| recording.series(id).and_then(|series| Held::of(series, unit));
        let (load, mut load_at) = LOAD_SOURCES
            .iter()
            .find_map(|source| {
                let held = held(source.id, source.unit)?;
                (held.low() < source.must_fall_below).then_some((Some(*source), Some(held)))
            })
            .unwrap_or_default();
        let mut pedal = held("pedal.position_1", "%").or_else(|| held("throttle.position_1", "%"));
        let rest = pedal.as_ref().map_or(0.0, Held::least);
        let least_load = load_at.as_ref().map_or(0.0, Held::least);
        let mut temperatures: Vec<Held<'_>> =
            ["coolant.temperature", "intake.air_temperature"].iter().filter_map(|id| held(id, "degC")).collect();

        let mut segments: Vec<Segment> = Vec::with_capacity(series.len());
        let mut sum = vec![0.0];
        // Running when the recording starts counts as settled; after standing still the engine has to settle first.
        let mut settled_ns = i64::MIN;
        for k in 1..t_ns.len() {
            let (from_ns, to_ns) = (t_ns[k - 1], t_ns[k]);
            let (a, b) = (to_rpm(series.value[k - 1]), to_rpm(series.value[k]));
            let dt = seconds_from_nanos(to_ns - from_ns);
            if !(dt > 0.0 && dt <= longest_s && a.is_finite() && b.is_finite()) {
                continue;
            }
            let rpm = (0.5 * (a + b)).max(0.0);
            if a.min(b) < JUDGED_RPM.0 {
                settled_ns = to_ns.saturating_add(signal::nanos_from_seconds(SETTLING_S));
            }
            let middle_ns = from_ns + (to_ns - from_ns) / 2;
            let load = load_at.as_mut().map_or(0.0, |load| load.at(middle_ns));
            let slope = (b - a) / dt.max(0.1);
            // Without a pedal the least load of the drive stands for the foot off it.
            let (at_rest, hurried) = match pedal.as_mut() {
                Some(pedal) => (pedal.at(middle_ns) <= rest + 1.0, pedal.slope_per_s().abs() > HURRIED_PCT_PER_S),
                None => (load_at.is_some() && load <= least_load + 1.0, false),
            };
            let warm = temperatures.iter_mut().all(|held| {
                let here = held.at(middle_ns);
                !here.is_finite() || here > LEAST_TEMPERATURE_C
            });
            let is_judged = (JUDGED_RPM.0..=JUDGED_RPM.1).contains(&rpm)
                && from_ns >= settled_ns
                && slope.abs() < SHIFT_RPM_PER_S
                && !(at_rest && rpm > OVERRUN_RPM && slope < 0.0)
                && !hurried
                && warm;
            let firings = rpm * dt / 120.0;
            sum.push(sum.last().copied().unwrap_or(0.0) + firings);
            let load = if load.is_finite() { load } else { 0.0 };
            segments.push(Segment { from_ns, to_ns, firings, rpm, load, is_judged });
        }
        (!segments.is_empty()).then_some(Self { segments, sum, load })
    }

    /// Firings of one cylinder from the start of the drive until `t_ns`.
    pub(super) fn firings_until(&self, t_ns: i64) -> f64 {
        let k = self.segments.partition_point(|segment| segment.to_ns <= t_ns);
        let part = self.segments.get(k).map_or(0.0, |segment| segment.firings * segment.share(segment.from_ns, t_ns));
        self.sum[k] + part
    }

    /// When the firings of one cylinder reach `firings`; inside the drive.
    pub(super) fn time_of(&self, firings: f64) -> i64 {
        let k = self.sum.partition_point(|sum| *sum <= firings).clamp(1, self.segments.len()) - 1;
        let segment = &self.segments[k];
        let share = if segment.firings > 0.0 { (firings - self.sum[k]) / segment.firings } else { 0.0 };
        segment.from_ns + ((segment.to_ns - segment.from_ns) as f64 * share.clamp(0.0, 1.0)) as i64
    }

    /// Whether the engine stood, or nobody knows that it ran, at some moment between.
    pub(super) fn stopped_between(&self, from_ns: i64, to_ns: i64) -> bool {
        let mut known_until = from_ns;
        let start = self.segments.partition_point(|segment| segment.to_ns <= from_ns);
        for segment in self.segments[start..].iter().take_while(|segment| segment.from_ns < to_ns) {
            if segment.rpm < JUDGED_RPM.0 || segment.from_ns > known_until.saturating_add(1_000_000_000) {
                return true;
            }
            known_until = segment.to_ns;
        }
        known_until.saturating_add(1_000_000_000) < to_ns
    }
}

impl Segment {
    /// Share of the segment that lies between two moments.
    pub(super) fn share(&self, from_ns: i64, to_ns: i64) -> f64 {
        let inside = self.to_ns.min(to_ns).saturating_sub(self.from_ns.max(from_ns)).max(0);
        inside as f64 / (self.to_ns - self.from_ns).max(1) as f64
    }
}

#[cfg(test)]
pub(super) mod tests {
    use signal::SignalId;

    use super::*;

    /// Name and unit of a signal, and its value at each second.
    pub(in crate::misfire) type Signal<'a> = (&'a str, &'a str, &'a dyn Fn(f64) -> f64);

    /// A signal by its values at so many seconds.
    pub(in crate::misfire) fn series(id: &str, unit: &str, at: impl IntoIterator<Item = (f64, f64)>) -> Series {
        let mut series = Series::new(SignalId::new(id).unwrap(), Unit::named(unit));
        at.into_iter().for_each(|(t_s, value)| series.push_value(signal::nanos_from_seconds(t_s), value));
        series
    }

    /// A drive of so many seconds with ten values of each signal a second.
    pub(in crate::misfire) fn drive(seconds: u32, signals: &[Signal<'_>]) -> Recording {
        let times = || (0..=10 * seconds).map(|k| f64::from(k) / 10.0);
        let column = |&(id, unit, value): &Signal<'_>| series(id, unit, times().map(|t| (t, value(t))));
        Recording { series: signals.iter().map(column).collect(), ..Recording::default() }
    }

    /// An engine that turns like this.
    pub(in crate::misfire) fn engine(seconds: u32, rpm: impl Fn(f64) -> f64) -> Engine {
        Engine::of(&drive(seconds, &[("engine.speed", "rpm", &rpm)])).unwrap()
    }

    fn ns(t_s: f64) -> i64 {
        signal::nanos_from_seconds(t_s)
    }

    /// One cylinder fires in every second revolution: 3000 rpm are 50 revolutions and 25 firings a second.
    #[test]
    fn firings_are_half_of_the_revolutions() {
        let even = engine(10, |_| 3000.0);
        for (t_s, firings) in [(-1.0, 0.0), (0.0, 0.0), (4.0, 100.0), (4.05, 101.25), (10.0, 250.0), (11.0, 250.0)] {
            assert!((even.firings_until(ns(t_s)) - firings).abs() < 1e-6, "{t_s}");
            let back_s = seconds_from_nanos(even.time_of(firings));
            assert!((back_s - f64::clamp(t_s, 0.0, 10.0)).abs() < 1e-6, "{t_s} {back_s}");
        }
        assert_eq!((even.time_of(-5.0), even.time_of(1e9)), (0, ns(10.0)));
        // From 1000 to 3000 rpm in 12 s: 2000 rpm in the middle, 400 revolutions; the first half has 150 of them.
        let rising = engine(12, |t| 1000.0 + t / 12.0 * 2000.0);
        assert!((rising.firings_until(ns(12.0)) - 200.0).abs() < 1e-6);
        assert!((rising.firings_until(ns(6.0)) - 75.0).abs() < 1e-6);
        assert!((seconds_from_nanos(rising.time_of(75.0)) - 6.0).abs() < 1e-6);
    }

    /// Where the engine speed was unknown for longer than five usual distances (at least 2 s, at most 30 s) nothing is known.
    #[test]
    fn holes_are_no_driving() {
        let last_s = |step_s: f64, hole_s: f64| {
            let times = (0..40).map(|k| f64::from(k) * step_s).chain([39.0 * step_s + hole_s]);
            let recording = Recording {
                series: vec![series("engine.speed", "rpm", times.map(|t| (t, 1200.0)))],
                ..Recording::default()
            };
            let engine = Engine::of(&recording).unwrap();
            (engine.firings_until(i64::MAX) / 10.0 - 39.0 * step_s).round()
        };
        assert_eq!((last_s(0.1, 1.9), last_s(0.1, 2.1)), (2.0, 0.0));
        assert_eq!((last_s(1.0, 4.9), last_s(1.0, 5.1)), (5.0, 0.0));
        assert_eq!((last_s(8.0, 29.0), last_s(8.0, 31.0)), (29.0, 0.0));
    }

    /// Whether misfires are judged at a moment of such a drive.
    fn is_judged(t_s: f64, signals: &[Signal<'_>]) -> bool {
        let engine = Engine::of(&drive(20, signals)).unwrap();
        engine.segments.iter().find(|segment| segment.to_ns > ns(t_s)).unwrap().is_judged
    }

    #[test]
    fn speeds_at_which_misfires_are_judged() {
        let at = |rpm: f64| is_judged(5.05, &[("engine.speed", "rpm", &move |_| rpm)]);
        assert_eq!([439.0, 441.0, 5999.0, 6001.0].map(at), [false, true, true, false]);
        // Standing until 5.0 s, running from 5.1 s: five seconds to settle.
        let started: &dyn Fn(f64) -> f64 = &|t| if t > 5.05 { 800.0 } else { 0.0 };
        let after = |t_s| is_judged(t_s, &[("engine.speed", "rpm", started)]);
        assert_eq!([4.95, 5.15, 10.0, 10.15].map(after), [false, false, false, true]);
        // A gear change: more than 2000 rpm per second, up or down.
        let changing = |per_s: f64| {
            is_judged(5.05, &[("engine.speed", "rpm", &move |t| 3000.0 + per_s * (t - 5.0).clamp(-1.0, 1.0))])
        };
        assert_eq!([-2050.0, -1950.0, 1950.0, 2050.0].map(changing), [false, true, true, false]);
    }

    /// On the overrun nothing burns: foot off, above 1200 rpm, slowing down.
    #[test]
    fn the_overrun_is_not_judged() {
        let at = |by: &str, foot: f64, rpm: f64, per_s: f64| {
            // Pedals rest at 15 %, which the first second shows.
            let foot = move |t: f64| if t < 1.0 { 15.0 } else { foot };
            is_judged(5.05, &[("engine.speed", "rpm", &move |t| rpm + per_s * (t - 5.0)), (by, "%", &foot)])
        };
        for by in ["pedal.position_1", "throttle.position_1", "engine.load"] {
            assert!(!at(by, 15.9, 2000.0, -50.0), "{by}");
            assert!(at(by, 16.1, 2000.0, -50.0) && at(by, 15.0, 1150.0, -20.0), "{by}");
            assert!(at(by, 15.0, 2000.0, 0.0) && at(by, 15.0, 2000.0, 50.0), "{by}: driven by nothing but the engine");
        }
    }

    /// A throttle that moves by more than 147.5 % per second (0.059 V of 4 V in 10 ms).
    #[test]
    fn a_hurried_throttle_is_not_judged() {
        let moving = |per_s: f64| {
            let foot = move |t: f64| 50.0 + (per_s * (t - 5.0)).clamp(-40.0, 40.0);
            is_judged(5.05, &[("engine.speed", "rpm", &|_| 2000.0), ("throttle.position_1", "%", &foot)])
        };
        assert_eq!([-150.0, -145.0, 145.0, 150.0].map(moving), [false, true, true, false]);
    }

    #[test]
    fn a_cold_engine_is_not_judged() {
        let at = |id: &str, degc: f64| {
            is_judged(5.05, &[("engine.speed", "rpm", &|_| 2000.0), (id, "degC", &move |_| degc)])
        };
        for id in ["coolant.temperature", "intake.air_temperature"] {
            assert_eq!([-11.0, -9.0, 90.0, f64::NAN].map(|degc| at(id, degc)), [false, true, true, true], "{id}");
        }
        let warm: &dyn Fn(f64) -> f64 = &|t| if t < 4.0 { -15.0 } else { -5.0 };
        assert!(is_judged(5.05, &[("engine.speed", "rpm", &|_| 2000.0), ("coolant.temperature", "degC", warm)]));
    }

    /// The pressure stands for the load behind a throttle only; one wrong value shows none.
    #[test]
    fn what_stands_for_the_load() {
        let load = |signals: &[Signal<'_>]| {
            let speed: Signal<'_> = ("engine.speed", "rpm", &|_| 2000.0);
            let engine = Engine::of(&drive(20, &[&[speed], signals].concat())).unwrap();
            (engine.load.map(|load| load.id), engine.segments[150].load)
        };
        let throttled: &dyn Fn(f64) -> f64 = &|t| if t < 5.0 { 35.0 } else { 80.0 };
        let open: &dyn Fn(f64) -> f64 = &|t| if t == 3.0 { 20.0 } else { 98.0 };
        let pedal: Signal<'_> = ("pedal.position_1", "%", &|_| 33.0);
        assert_eq!(
            load(&[("intake.manifold_pressure", "kPa", throttled), pedal]),
            (Some("intake.manifold_pressure"), 80.0)
        );
        assert_eq!(load(&[("intake.manifold_pressure", "kPa", open), pedal]), (Some("pedal.position_1"), 33.0));
        assert_eq!(load(&[pedal, ("engine.load", "%", &|_| 55.0)]), (Some("engine.load"), 55.0));
        assert_eq!(load(&[]), (None, 0.0));
    }

    #[test]
    fn a_stop_between_two_readings_is_seen() {
        let stopped = engine(20, |t| if (10.0..12.0).contains(&t) { 0.0 } else { 900.0 });
        let between = |from_s: f64, to_s: f64| stopped.stopped_between(ns(from_s), ns(to_s));
        assert!(!between(2.0, 8.0) && !between(13.0, 19.0) && !between(19.0, 20.5));
        assert!(between(8.0, 13.0) && between(8.0, 10.5) && between(11.0, 14.0));
        assert!(between(18.0, 21.5), "a second without speed is too long");
        // A hole of four seconds in what is known.
        let times = (0..200).map(|k| f64::from(k) / 10.0).filter(|t| !(5.05..9.0).contains(t));
        let speed = series("engine.speed", "rpm", times.map(|t| (t, 900.0)));
        let holed = Engine::of(&Recording { series: vec![speed], ..Recording::default() }).unwrap();
        let between = |from_s: f64, to_s: f64| holed.stopped_between(ns(from_s), ns(to_s));
        assert!(between(4.0, 10.0) && between(4.0, 6.5) && !between(4.0, 5.5) && !between(10.0, 15.0));
    }
}
