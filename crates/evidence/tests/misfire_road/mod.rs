//! A made-up drive, firing by firing: the engine's course, who misses, and what counters of different styles show.
//! It shares nothing with the check: every firing is a chance of its own, or of a bad contact that comes and goes.
#![allow(dead_code, unreachable_pub, clippy::unwrap_used)]

use super::common::{Rng, Samples, recording};
use signal::Recording;

/// Chance that a cylinder misses a firing: cylinder (from 0), rpm, load, seconds.
pub type Chance<'a> = &'a dyn Fn(usize, f64, f64, f64) -> f64;

/// How the engine is driven.
#[derive(Clone, Copy, PartialEq)]
pub enum Course {
    /// Idle, cruising and hard acceleration in turn.
    Mixed,
    /// Idle and gentle driving: never above half load.
    Gentle,
}

/// What a counter shows of the misses so far.
#[derive(Clone, Copy, PartialEq)]
pub enum Shows {
    Sum,
    /// Runs over after so many.
    Modulo(u64),
    /// Stops there.
    Until(u64),
    /// Since the last window of so many revolutions began.
    InWindow(f64),
    /// In the last complete window of so many revolutions.
    LastWindow(f64),
    /// The sum up to the end of the last window of so many revolutions, modulo a number.
    AddedAfter(f64, u64),
}

/// One drive.
pub struct Road<'a> {
    pub seed: u64,
    pub seconds: f64,
    pub course: Course,
    pub n_cylinders: usize,
    pub chance: Chance<'a>,
    pub shows: Shows,
    /// Readings per second of speed and load, and of the counters.
    pub rate_hz: f64,
    pub counter_hz: f64,
    /// Counts at the start.
    pub start: u64,
}

pub const QUIET: Chance<'static> = &|_, _, _, _| 1e-5;

impl Default for Road<'_> {
    fn default() -> Self {
        Self {
            seed: 1,
            seconds: 600.0,
            course: Course::Mixed,
            n_cylinders: 4,
            chance: QUIET,
            shows: Shows::Sum,
            rate_hz: 5.0,
            counter_hz: 2.0,
            start: 0,
        }
    }
}

/// Misses that truly happened, beside what was recorded.
pub struct Driven {
    pub recording: Recording,
    pub misses: Vec<u64>,
    pub firings: f64,
}

impl Road<'_> {
    pub fn drive(&self) -> Driven {
        let mut rng = Rng(self.seed);
        let dt = 0.1;
        let n = (self.seconds / dt) as usize;
        let (mut rpm, mut load) = (800.0, 25.0);
        let (mut goal_rpm, mut goal_load, mut until) = (800.0, 25.0, 0.0);
        let mut misses = vec![0_u64; self.n_cylinders];
        let mut windows: Vec<(u64, u64)> = vec![(0, 0); self.n_cylinders];
        let (mut turns, mut angle, mut firings) = (0.0, 0.0, 0.0);
        let mut speeds: Samples = Vec::new();
        let mut loads: Samples = Vec::new();
        let mut counts: Vec<Samples> = vec![Vec::new(); self.n_cylinders];
        let (mut next_speed, mut next_count) = (0.0, 0.0);
        for k in 0..n {
            let t = k as f64 * dt;
            if t >= until {
                let kind = rng.uniform();
                until = t + 5.0 + 20.0 * rng.uniform();
                (goal_rpm, goal_load) = match self.course {
                    _ if kind < 0.25 => (750.0 + 50.0 * rng.uniform(), 18.0 + 10.0 * rng.uniform()),
                    Course::Mixed if kind < 0.5 => (2000.0 + 2500.0 * rng.uniform(), 65.0 + 30.0 * rng.uniform()),
                    _ => (1400.0 + 1600.0 * rng.uniform(), 25.0 + 24.0 * rng.uniform()),
                };
            }
            rpm += (goal_rpm - rpm) * 0.06 + 5.0 * rng.normal();
            load += (goal_load - load) * 0.2 + 0.5 * rng.normal();
            if t >= next_speed {
                speeds.push((t, (rpm * 4.0).round() / 4.0));
                loads.push((t + 0.02, (load * 2.55).round() / 2.55));
                next_speed += 1.0 / self.rate_hz;
            }
            if t >= next_count {
                for (cylinder, counts) in counts.iter_mut().enumerate() {
                    let (sum, window) = (misses[cylinder] + self.start, windows[cylinder]);
                    let shown = match self.shows {
                        Shows::Sum => sum,
                        Shows::Modulo(n) => sum % n,
                        Shows::Until(n) => sum.min(n),
                        Shows::AddedAfter(_, n) => (window.0 + self.start) % n,
                        Shows::InWindow(_) => misses[cylinder] - window.0,
                        Shows::LastWindow(_) => window.1,
                    };
                    counts.push((t + 0.04, shown as f64));
                }
                next_count += 1.0 / self.counter_hz;
            }
            turns += rpm * dt / 60.0;
            angle += rpm * dt / 120.0;
            while angle >= 1.0 {
                angle -= 1.0;
                firings += 1.0;
                for (cylinder, misses) in misses.iter_mut().enumerate() {
                    if rng.uniform() < (self.chance)(cylinder, rpm, load, t) {
                        *misses += 1;
                    }
                }
            }
            if let Shows::InWindow(window) | Shows::LastWindow(window) | Shows::AddedAfter(window, _) = self.shows
                && turns >= window
            {
                turns -= window;
                for (misses, at) in misses.iter().zip(&mut windows) {
                    *at = (*misses, *misses - at.0);
                }
            }
        }
        let names: Vec<String> = (1..=self.n_cylinders).map(|k| format!("misfire.cylinder_{k}")).collect();
        let mut signals = vec![("engine.speed", "rpm", speeds), ("engine.load", "%", loads)];
        signals.extend(names.iter().zip(counts).map(|(name, counts)| (name.as_str(), "count", counts)));
        Driven { recording: recording(&signals), misses, firings }
    }
}

/// A bad contact: in it for about `bad_s` at a time, out of it for about `good_s`.
pub fn bursts(seed: u64, seconds: f64, bad_s: f64, good_s: f64) -> Vec<(f64, f64)> {
    let mut rng = Rng(seed);
    let (mut t, mut list) = (0.0, Vec::new());
    let mut draw = |mean: f64| -mean * (1.0 - rng.uniform()).ln();
    while t < seconds {
        t += draw(good_s);
        let end = t + draw(bad_s);
        list.push((t, end));
        t = end;
    }
    list
}

/// Whether a moment lies in a burst.
pub fn is_in(bursts: &[(f64, f64)], t: f64) -> bool {
    let k = bursts.partition_point(|burst| burst.1 <= t);
    bursts.get(k).is_some_and(|burst| burst.0 <= t)
}
