//! Misfire as a point process over the firings of each cylinder.

use super::state::State;
use super::{Setup, rise};
use crate::faults::{FaultKind, MisfirePart};
use crate::rng::Rng;

/// Cylinders in the order in which they fire.
const FIRING_ORDER: [usize; 4] = [0, 2, 3, 1];
/// A healthy engine misses one firing in a hundred thousand (this car's own number).
const HEALTHY: f64 = 1e-5;
/// Share of misfires that the module notices.
const NOTICED: f64 = 0.98;

#[derive(Debug)]
struct Source {
    part: MisfirePart,
    cylinder: usize,
    severity: f64,
    /// Bad-contact state: in it now, and until when, s. `None` for an even process.
    burst: Option<(bool, f64)>,
}

#[derive(Debug)]
pub(super) struct Misfires {
    rng: Rng,
    sources: Vec<Source>,
    angle_rev: f64,
    next: usize,
    /// The cylinder whose turn it is has not fired.
    missing: bool,
    /// Share of firings missed lately.
    pub(super) share: f64,
    previous_pedal: f64,
}

impl Misfires {
    pub(super) fn new(setup: &Setup) -> Self {
        let sources = setup.faults.iter().filter_map(|fault| match fault.kind {
            FaultKind::Misfire { part, number, clustered } => Some(Source {
                part,
                cylinder: setup.placement.cylinder(part, number)?,
                severity: fault.severity,
                burst: clustered.then_some((false, 0.0)),
            }),
            _ => None,
        });
        Self {
            sources: sources.collect(),
            rng: Rng::new(setup.seed, "misfire"),
            angle_rev: 0.0,
            next: 0,
            missing: false,
            share: 0.0,
            previous_pedal: 0.0,
        }
    }

    /// Turns the crank on; returns the share of its torque that the firing cylinder gives.
    pub(super) fn step(&mut self, revolutions: f64, fuel: bool, state: &mut State) -> f64 {
        // Two firings per revolution: one each half turn.
        self.angle_rev += revolutions;
        let hurried = (state.true_pedal_pct - self.previous_pedal).abs() > 1.5;
        self.previous_pedal = state.true_pedal_pct;
        while self.angle_rev >= 0.5 {
            self.angle_rev -= 0.5;
            let cylinder = FIRING_ORDER[self.next];
            self.next = (self.next + 1) % 4;
            let probability = self.probability(cylinder, state);
            self.missing = fuel && self.rng.chance(probability);
            self.share += (f64::from(u8::from(self.missing)) - self.share) * 0.02;
            // Not judged: overrun, gear change, sudden pedal, just started (reference page 6.3).
            let judged = fuel && !state.shifting && !hurried && state.engine_rpm > 440.0 && state.run_time_s > 1.0;
            if judged {
                state.judged_revolutions += 0.5;
                if self.missing && self.rng.chance(NOTICED) {
                    state.misfires[cylinder] += 1;
                }
            }
        }
        if self.missing { 0.0 } else { 1.0 }
    }

    fn probability(&mut self, cylinder: usize, state: &State) -> f64 {
        let (load, rpm) = (state.load_pct, state.engine_rpm);
        let mut p = HEALTHY;
        for source in self.sources.iter_mut().filter(|source| source.cylinder == cylinder) {
            let region = match source.part {
                // Breakdown under load, while there is still time to burn badly.
                MisfirePart::Coil => {
                    0.30 * rise((load - 62.0) / 5.0) * rise((rpm - 1300.0) / 120.0) * rise((4200.0 - rpm) / 200.0)
                }
                // A wide gap needs more voltage at high load and speed.
                MisfirePart::Plug => 0.30 * rise((load - 70.0) / 5.0) * rise((rpm - 2500.0) / 200.0),
                // A starved injector is felt where little is injected.
                MisfirePart::Injector => 0.18 * rise((36.0 - load) / 4.0),
                // Lost compression is felt at low speed, when there is time to leak.
                MisfirePart::Cylinder => 0.22 * rise((1500.0 - rpm) / 120.0),
            };
            let mut rate = region * source.severity;
            if let Some((bad, until)) = &mut source.burst {
                if state.time_s >= *until {
                    *bad = !*bad;
                    *until = state.time_s + self.rng.exponential(if *bad { 2.0 } else { 6.0 });
                }
                rate *= if *bad { 4.0 } else { 0.0 };
            }
            p += rate;
        }
        p.min(0.95)
    }
}
