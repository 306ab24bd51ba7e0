//! Whether a repaired misfire is gone: [`crate::proof`] with what the drives before it show.

use signal::Recording;

use super::engine::LoadSource;
use super::judge::OCCASIONAL;
use super::map::Region;
use super::{Cylinder, Cylinders, failing_condition, region_text};
use crate::poisson::Count;
use crate::proof::{Before, Bounds, Outcome, Proof, Sound};

/// Confidence of the proof.
const CONFIDENCE: f64 = 0.95;

/// Firings of one cylinder below which no count proves anything: modules add up misfires over windows of 200 and of 1000
/// revolutions (published by three makers), and a counter may stand still until the longer one is over; a cylinder fires in
/// every second revolution.
pub(crate) const LEAST_FIRINGS: f64 = 500.0;

/// A drive, and the cylinder to look at in it, from 1: a part that changed its place is looked for where it sat.
pub type Site<'a> = (&'a Recording, usize);

/// What must be driven to show that a misfire is gone.
#[derive(Debug, Clone, PartialEq)]
pub struct Repair {
    /// Where it misfired before; everywhere when no region stands out.
    pub condition: Region,
    /// Misfires and firings of the cylinder there, and how they cluster.
    pub before: Before,
    /// Mean engine speed there, rpm.
    pub speed_rpm: f64,
    /// Seconds there, without a misfire, that show at 95 % that the old rate is gone; never less than a counter's window of
    /// 1000 revolutions.
    pub needed_s: f64,
    /// The condition in words.
    pub condition_text: String,
    load: Option<LoadSource>,
}

/// What a drive after the repair shows.
#[derive(Debug, Clone, PartialEq)]
pub struct Progress {
    /// Verdict, share driven, exposure needed (firings of the cylinder in the condition).
    pub proof: Proof,
    /// Seconds driven in the condition, at the engine speed of [`Repair::speed_rpm`].
    pub collected_s: f64,
    /// Seconds still needed in the condition, at the engine speed of [`Repair::speed_rpm`]; infinite when none help.
    pub lacking_s: f64,
    /// One plain sentence.
    pub statement: String,
}

impl Repair {
    /// Reads the drives before the repair of one cylinder.
    ///
    /// `None` when none of them has the counter and the engine speed, or when the cylinder did not misfire in them.
    #[must_use]
    pub fn of(before: &[&Recording], cylinder: usize) -> Option<Self> {
        Self::over(&before.iter().map(|recording| (*recording, cylinder)).collect::<Vec<_>>())
    }

    /// The same for what sat on another cylinder in each drive.
    #[must_use]
    pub fn over(before: &[Site<'_>]) -> Option<Self> {
        let read: Vec<Cylinders> = before.iter().map(|(recording, _)| Cylinders::of(recording)).collect();
        let sites = read.iter().zip(before);
        let own: Vec<&Cylinder> = sites.filter_map(|(read, (_, cylinder))| read.find(*cylinder)).collect();
        let failing = failing_condition(&own);
        let count = own.iter().map(|c| c.laid.count_in(&failing.region)).reduce(sum)?;
        let before = Before { count, dispersion: failing.dispersion };
        let needed_s = before.needed_exposure(0, CONFIDENCE).max(LEAST_FIRINGS) * 120.0 / failing.mean_rpm;
        let load = read.iter().find_map(|read| read.load);
        needed_s.is_finite().then(|| Self {
            condition: failing.region,
            before,
            speed_rpm: failing.mean_rpm,
            needed_s,
            condition_text: region_text(&failing.region, load.as_ref()),
            load,
        })
    }

    /// The condition as ranges of signals that can be watched while driving; nothing where it is everywhere.
    #[must_use]
    pub fn bounds(&self) -> Vec<Bounds> {
        let speed = Some(("engine.speed", "rpm", self.condition.speed_rpm));
        let load = self.load.map(|load| (load.id, load.unit, self.condition.load_pct));
        let finite = |value: f64| value.is_finite().then_some(value);
        let bounds = speed.into_iter().chain(load).map(|(signal, unit, (from, to))| Bounds {
            signal: signal.to_owned(),
            unit: unit.to_owned(),
            from: finite(from),
            to: finite(to),
        });
        bounds.filter(|bounds| bounds.from.is_some() || bounds.to.is_some()).collect()
    }

    /// The signals beside the misfire counter that the condition is told from.
    #[must_use]
    pub fn signals(&self) -> Vec<String> {
        std::iter::once("engine.speed").chain(self.load.map(|load| load.id)).map(str::to_owned).collect()
    }

    /// What the drive after the repair shows so far of `cylinder`; may be asked again while it is recorded.
    #[must_use]
    pub fn progress(&self, after: &Recording, cylinder: usize) -> Progress {
        self.progress_over(&[(after, cylinder)])
    }

    /// What all drives after the repair show together.
    #[must_use]
    pub fn progress_over(&self, after: &[Site<'_>]) -> Progress {
        let counts = after.iter().filter_map(|(recording, cylinder)| {
            Cylinders::of(recording).find(*cylinder).map(|c| c.laid.count_in(&self.condition))
        });
        let count = counts.fold(Count::default(), sum);
        let sound = Sound { least_exposure: LEAST_FIRINGS, occasional_rate: OCCASIONAL };
        let proof = self.before.judge_beside(count, CONFIDENCE, sound);
        let seconds = |firings: f64| firings * 120.0 / self.speed_rpm;
        let lacking_s = seconds(proof.lacking);
        let mut cylinders: Vec<usize> = after.iter().map(|site| site.1).collect();
        cylinders.sort_unstable();
        cylinders.dedup();
        let cylinders: Vec<String> = cylinders.iter().map(ToString::to_string).collect();
        let of = if cylinders.is_empty() { String::new() } else { format!(" of cylinder {}", cylinders.join(" and ")) };
        let place = &self.condition_text;
        let old = 100.0 * self.before.count.rate();
        let seen = match count.events {
            1 => format!("1 misfire in {:.0} firings{of} {place}", count.exposure),
            n => format!("{n} misfires in {:.0} firings{of} {place}", count.exposure),
        };
        let statement = match proof.outcome {
            Outcome::Gone if count.events > 0 => {
                format!(
                    "{seen}: the old rate of {old:.2} % is gone (95 %); a sound engine misses as many now and then."
                )
            }
            Outcome::Gone => format!("{seen}: the old rate of {old:.2} % is gone (95 %)."),
            Outcome::Fewer => format!("{seen}: clearly fewer than the old {old:.2} %, but more than a sound engine."),
            Outcome::Still => format!("{seen}: it misfires as before ({old:.2} %)."),
            Outcome::NotYet if count.events > 0 => {
                format!("{seen}: {lacking_s:.0} more seconds there show whether more than a stray one is left.")
            }
            Outcome::NotYet => format!("{seen}: {lacking_s:.0} more seconds there without a misfire are needed."),
            Outcome::NothingBefore => format!("{seen}: there was no misfire before the repair."),
        };
        Progress { proof, collected_s: seconds(count.exposure), lacking_s, statement }
    }
}

fn sum(a: Count, b: Count) -> Count {
    Count { events: a.events + b.events, exposure: a.exposure + b.exposure }
}
