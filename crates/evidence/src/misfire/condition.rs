//! Misfires in a given condition: that of a freeze frame, or the one in which it failed before.

use signal::Recording;

use super::map::Region;
use super::{Cylinder, Cylinders};
use crate::poisson::{Comparison, Count, compare};

/// An operating point, as a freeze frame stores it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Condition {
    /// Engine speed, rpm.
    pub speed_rpm: f64,
    /// Load, percent; `None` when the frame does not hold it.
    pub load_pct: Option<f64>,
}

impl Condition {
    /// Engine speed within 375 rpm and load within 20 points: the rule's "similar conditions" (numbers from memory).
    #[must_use]
    pub fn similar(&self) -> Region {
        Region {
            speed_rpm: (self.speed_rpm - 375.0, self.speed_rpm + 375.0),
            load_pct: self.load_pct.map_or(Region::EVERYWHERE.load_pct, |load| (load - 20.0, load + 20.0)),
        }
    }
}

/// One cylinder inside and outside a condition.
#[derive(Debug, Clone, PartialEq)]
pub struct InCondition {
    /// Number of the cylinder, from 1.
    pub cylinder: usize,
    /// Misfires and firings of the cylinder in the condition.
    pub inside: Count,
    /// Misfires and firings of the cylinder in all other judged driving.
    pub outside: Count,
    /// The two compared, for independent misfires; `None` when the drive was never inside, or never outside.
    pub comparison: Option<Comparison>,
    /// One plain sentence.
    pub statement: String,
}

/// How often each cylinder misfired near the operating point of a freeze frame, and elsewhere.
///
/// Empty without counters or without engine speed.
#[must_use]
pub fn compare_with_freeze_frame(recording: &Recording, frame: &Condition) -> Vec<InCondition> {
    let region = frame.similar();
    Cylinders::of(recording).list.iter().map(|cylinder| in_condition(cylinder, &region)).collect()
}

fn in_condition(cylinder: &Cylinder, region: &Region) -> InCondition {
    let inside = cylinder.laid.count_in(region);
    let all = cylinder.laid.count_in(&Region::EVERYWHERE);
    let outside =
        Count { events: all.events.saturating_sub(inside.events), exposure: (all.exposure - inside.exposure).max(0.0) };
    let comparison = compare(inside, outside);
    let number = cylinder.number;
    let statement = match &comparison {
        _ if inside.exposure <= 0.0 => {
            format!(
                "The drive never came near the condition of the freeze frame, so it says nothing of cylinder {number} there."
            )
        }
        Some(compared) if compared.p_greater < 0.01 => format!(
            "Cylinder {number} misfired {} times in {:.0} firings near the condition of the freeze frame and {} times in {:.0} elsewhere: it agrees with the frame.",
            inside.events, inside.exposure, outside.events, outside.exposure
        ),
        _ => format!(
            "Cylinder {number} misfired {} times in {:.0} firings near the condition of the freeze frame and {} times in {:.0} elsewhere: no more often there than chance allows.",
            inside.events, inside.exposure, outside.events, outside.exposure
        ),
    };
    InCondition { cylinder: number, inside, outside, comparison, statement }
}
