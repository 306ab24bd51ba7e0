//! Whether a repaired misfire is gone: [`crate::proof`] with what the drives before it show.

use signal::Recording;

use super::map::Region;
use super::{Cylinder, Cylinders, failing_condition, region_text};
use crate::poisson::Count;
use crate::proof::{Before, Outcome, Proof};

/// Confidence of the proof.
const CONFIDENCE: f64 = 0.95;

/// Firings of one cylinder below which no count proves anything: modules add up misfires over windows of 200 and of 1000
/// revolutions (published by three makers), and a counter may stand still until the longer one is over; a cylinder fires in
/// every second revolution.
pub(crate) const LEAST_FIRINGS: f64 = 500.0;

/// What must be driven to show that a misfire is gone.
#[derive(Debug, Clone, PartialEq)]
pub struct Repair {
    /// Number of the repaired cylinder, from 1.
    pub cylinder: usize,
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
}

/// What a drive after the repair shows.
#[derive(Debug, Clone, PartialEq)]
pub struct Progress {
    /// Verdict, share driven, exposure needed (firings of the cylinder in the condition).
    pub proof: Proof,
    /// Seconds still needed in the condition, at the engine speed of [`Repair::speed_rpm`]; infinite when none help.
    pub lacking_s: f64,
    /// One plain sentence.
    pub statement: String,
}

impl Repair {
    /// Reads the drives before the repair.
    ///
    /// `None` when none of them has the counter and the engine speed, or when the cylinder did not misfire in them.
    #[must_use]
    pub fn of(before: &[&Recording], cylinder: usize) -> Option<Self> {
        let read: Vec<Cylinders> = before.iter().map(|recording| Cylinders::of(recording)).collect();
        let own: Vec<&Cylinder> = read.iter().flat_map(|read| &read.list).filter(|c| c.number == cylinder).collect();
        let failing = failing_condition(&own);
        let count = own
            .iter()
            .map(|c| c.laid.count_in(&failing.region))
            .reduce(|a, b| Count { events: a.events + b.events, exposure: a.exposure + b.exposure })?;
        let before = Before { count, dispersion: failing.dispersion };
        let needed_s = before.needed_exposure(0, CONFIDENCE).max(LEAST_FIRINGS) * 120.0 / failing.mean_rpm;
        let load = read.iter().find_map(|read| read.load);
        needed_s.is_finite().then(|| Self {
            cylinder,
            condition: failing.region,
            before,
            speed_rpm: failing.mean_rpm,
            needed_s,
            condition_text: region_text(&failing.region, load.as_ref()),
        })
    }

    /// What the drive after the repair shows so far; may be asked again while it is recorded.
    #[must_use]
    pub fn progress(&self, after: &Recording) -> Progress {
        self.progress_over(&[after])
    }

    /// What all drives after the repair show together.
    #[must_use]
    pub fn progress_over(&self, after: &[&Recording]) -> Progress {
        let counts = after.iter().filter_map(|recording| {
            let read = Cylinders::of(recording);
            read.list.iter().find(|c| c.number == self.cylinder).map(|c| c.laid.count_in(&self.condition))
        });
        let count = counts
            .fold(Count::default(), |a, b| Count { events: a.events + b.events, exposure: a.exposure + b.exposure });
        let proof = self.before.judge_from(count, CONFIDENCE, LEAST_FIRINGS);
        let lacking_s = proof.lacking * 120.0 / self.speed_rpm;
        let (n, place) = (self.cylinder, &self.condition_text);
        let old = 100.0 * self.before.count.rate();
        let seen = format!("{} misfires in {:.0} firings of cylinder {n} {place}", count.events, count.exposure);
        let statement = match proof.outcome {
            Outcome::Gone => format!("{seen}: the old rate of {old:.2} % is gone (95 %)."),
            Outcome::Fewer => format!("{seen}: clearly fewer than the old {old:.2} %, but not none."),
            Outcome::Still => format!("{seen}: it misfires as before ({old:.2} %)."),
            Outcome::NotYet => format!("{seen}: {lacking_s:.0} more seconds there without a misfire are needed."),
            Outcome::NothingBefore => format!("{seen}: there was no misfire before the repair."),
        };
        Progress { proof, lacking_s, statement }
    }
}
