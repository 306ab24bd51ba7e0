//! Whoever watches a recording of a trial: lets the machine go wrong as arranged, and keeps what the drive is said to hold.

use std::time::{Duration, Instant};

use signal::Sample;
use standin::Truth;
use workshop::Observer;

use crate::fault::Blow;
use crate::machine;
use crate::scene::{Face, Plan};
use crate::trial::seconds;

/// Lets the machine go wrong as arranged, and keeps what the drive is said to hold.
pub(crate) struct Watcher {
    truth: Truth,
    blows: Vec<(f64, Blow)>,
    /// See [`Plan::pace_s`], and when the drive began.
    pace: Option<(f64, Instant)>,
    /// The adapter takes one request at a time.
    pub(crate) is_serial: bool,
    pub(crate) start_ns: i64,
    /// How long the drive is to be, where that is known.
    pub(crate) length_s: Option<f64>,
    pub(crate) signals: Vec<wire::PlannedSignal>,
    pub(crate) samples: Vec<(usize, Sample)>,
}

impl Watcher {
    pub(crate) fn new(truth: Truth, plan: &Plan) -> Self {
        let mut watcher = Self {
            truth,
            blows: plan.arranged.blows.clone(),
            pace: plan.pace_s.map(|pace_s| (pace_s, Instant::now())),
            is_serial: matches!(plan.face, Face::At | Face::KLine),
            start_ns: 0,
            length_s: None,
            signals: Vec::new(),
            samples: Vec::new(),
        };
        watcher.strike(-0.5);
        watcher
    }

    /// What is due at this second of the operation; below zero: before it has begun.
    fn strike(&mut self, t_s: f64) {
        self.blows.retain(|(at_s, blow)| {
            if *at_s > t_s {
                return true;
            }
            match *blow {
                Blow::StepWallClock(seconds) => machine::step_wall_clock(seconds),
                Blow::DiskLeft(bytes) => machine::leave_on_disk(bytes),
                Blow::ReadOnly => machine::make_read_only(),
                Blow::SlowSyncs(ms) => machine::slow_down(Duration::from_millis(ms)),
            }
            false
        });
    }
}

impl Observer for Watcher {
    fn say(&mut self, _: &str) {
        self.strike(0.0);
    }

    fn begin(&mut self, signals: &[wire::PlannedSignal]) {
        self.start_ns = self.truth.now();
        self.pace = self.pace.map(|(pace_s, _)| (pace_s, Instant::now()));
        self.signals = signals.to_vec();
    }

    fn sample(&mut self, signal: usize, sample: Sample) {
        self.samples.push((signal, sample));
    }

    fn turn(&mut self, t_ns: i64) {
        let t_s = seconds(t_ns);
        if let Some((pace_s, began)) = self.pace {
            std::thread::sleep(Duration::from_secs_f64(t_s * pace_s).saturating_sub(began.elapsed()));
        }
        self.strike(t_s);
    }
}
