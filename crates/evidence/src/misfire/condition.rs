//! Misfires beside a stored freeze frame: did the drive reach the condition in which the code was set?

use signal::Recording;

use super::map::{Region, mean_rpm};
use super::repair::LEAST_FIRINGS;
use super::{Cylinder, Cylinders, PREFIX, region_text};
use crate::finding::{Finding, Kind, Verdict};
use crate::poisson::{Count, compare};

/// Chance below which misfires are more frequent in the condition than elsewhere.
const SIGNIFICANT: f64 = 0.01;

/// An operating point, as a freeze frame stores it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Condition {
    /// Engine speed, rpm.
    pub speed_rpm: f64,
    /// Calculated load, percent; `None` when the frame does not hold it.
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

/// The freeze frame of a misfire code.
#[derive(Debug, Clone, PartialEq)]
pub struct MisfireFrame {
    /// Such as `P0302`.
    pub code: String,
    /// Cylinder that the code names, from 1; `None` for misfires of several or unknown cylinders.
    pub cylinder: Option<usize>,
    /// Where it was stored.
    pub condition: Condition,
}

impl MisfireFrame {
    /// The frame of a code, where that is about misfires: P0300 (several or unknown cylinders), P0301 to P0312 (ISO 15031-6).
    #[must_use]
    pub fn of(code: &str, condition: Condition) -> Option<Self> {
        let number: usize = code.strip_prefix("P03")?.parse().ok().filter(|number| *number <= 12)?;
        Some(Self { code: code.to_owned(), cylinder: (number > 0).then_some(number), condition })
    }
}

/// Lays the findings about misfires of a recording beside the freeze frames of their codes.
///
/// Each says how long the drive was near the frame of its own code (or of the code of any cylinder) and what the cylinder
/// missed there. A cylinder is healthy only if the drive was there long enough for the counters to tell; else it is
/// undecided, and `next` says what to drive. Nobody becomes faulty by this.
pub fn beside_freeze_frames(recording: &Recording, frames: &[MisfireFrame], findings: &mut [Finding]) {
    if frames.is_empty() || !findings.iter().any(|finding| finding.kind == Kind::Misfire) {
        return;
    }
    let cylinders = Cylinders::of(recording);
    for finding in findings.iter_mut().filter(|finding| finding.kind == Kind::Misfire) {
        let number = finding.subject.first().and_then(|id| id.strip_prefix(PREFIX)?.parse().ok());
        let Some(cylinder) = number.and_then(|number| cylinders.find(number)) else { continue };
        let own = frames.iter().find(|frame| frame.cylinder == Some(cylinder.number));
        if let Some(frame) = own.or_else(|| frames.iter().find(|frame| frame.cylinder.is_none())) {
            Beside::new(&cylinders, cylinder, frame).tell(finding);
        }
    }
}

/// One cylinder beside one frame.
struct Beside<'a> {
    cylinders: &'a Cylinders,
    frame: &'a MisfireFrame,
    /// Near the frame; at any load where the recorded one cannot be compared.
    region: Region,
    /// The frame holds a load, and the drive holds none that is calculated like it.
    lacks_load: bool,
    inside: Count,
    outside: Count,
    mean_rpm: f64,
}

impl<'a> Beside<'a> {
    fn new(cylinders: &'a Cylinders, cylinder: &Cylinder, frame: &'a MisfireFrame) -> Self {
        let lacks_load =
            frame.condition.load_pct.is_some() && cylinders.load.is_none_or(|load| load.id != "engine.load");
        let condition = if lacks_load { Condition { load_pct: None, ..frame.condition } } else { frame.condition };
        let region = condition.similar();
        let (inside, all) = (cylinder.laid.count_in(&region), cylinder.laid.count_in(&Region::EVERYWHERE));
        let outside = Count {
            events: all.events.saturating_sub(inside.events),
            exposure: (all.exposure - inside.exposure).max(0.0),
        };
        let seen_rpm = if inside.exposure > 0.0 { mean_rpm(&cylinder.laid.pieces, &region) } else { 0.0 };
        let mean_rpm = if seen_rpm > 0.0 { seen_rpm } else { frame.condition.speed_rpm.max(1.0) };
        Self { cylinders, frame, region, lacks_load, inside, outside, mean_rpm }
    }

    fn tell(&self, finding: &mut Finding) {
        let lacking = self.lacking();
        if finding.verdict == Verdict::Healthy && !lacking.is_empty() {
            finding.log10_odds = Verdict::LEAST_OPEN;
            finding.verdict = Verdict::from_log10_odds(Verdict::LEAST_OPEN);
            // What was asked for other conditions comes after this one.
            finding.next.splice(0..0, lacking);
        } else if finding.verdict == Verdict::Undecided {
            finding.next.extend(lacking);
        }
        let told = finding.statement.trim_end_matches('.');
        finding.statement = format!("{told}; {}.", self.clause());
        let mut put = |name: &str, value: f64| {
            finding.figures.insert(format!("freeze_frame_{name}"), value);
        };
        put("rpm", self.frame.condition.speed_rpm);
        if let Some(load) = self.frame.condition.load_pct {
            put("load_percent", load);
        }
        put("seconds", self.seconds());
        put("misfires", self.inside.events as f64);
        put("own_firings", self.inside.exposure);
    }

    /// Seconds near the frame.
    fn seconds(&self) -> f64 {
        self.inside.exposure * 120.0 / self.mean_rpm
    }

    /// The frame in words.
    fn point(&self) -> String {
        let Condition { speed_rpm, load_pct } = self.frame.condition;
        load_pct
            .map_or_else(|| format!("{speed_rpm:.0} rpm"), |load| format!("{speed_rpm:.0} rpm and load {load:.0} %"))
    }

    fn clause(&self) -> String {
        let (code, point, seconds) = (&self.frame.code, self.point(), self.seconds());
        let (inside, outside) = (self.inside, self.outside);
        if inside.exposure < 1.0 {
            return format!("the drive never came near the freeze frame of {code} ({point})");
        }
        let seen = format!("in {seconds:.0} s near the freeze frame of {code} ({point})");
        let seen = if self.lacks_load { format!("{seen}, at whatever load,") } else { seen };
        if inside.events == 0 {
            return format!("{seen} it missed none of {:.0} firings", inside.exposure);
        }
        let is_more = compare(inside, outside).is_some_and(|compared| compared.p_greater < SIGNIFICANT);
        let agrees = if is_more { "more often there, as the frame says" } else { "no more often there than by chance" };
        format!(
            "{seen} it missed {} of {:.0} firings, elsewhere {} of {:.0}: {agrees}",
            inside.events, inside.exposure, outside.events, outside.exposure
        )
    }

    /// What to drive and record so that the frame's condition can be judged; nothing where it can.
    fn lacking(&self) -> Vec<String> {
        let code = &self.frame.code;
        let mut next = Vec::new();
        if self.lacks_load {
            next.push(format!("record engine.load too: the freeze frame of {code} holds the load"));
        }
        let firings = LEAST_FIRINGS - self.inside.exposure;
        if firings > 0.0 {
            let seconds = (firings * 120.0 / self.mean_rpm).ceil();
            let load = self.cylinders.load.filter(|_| !self.lacks_load);
            next.push(format!(
                "{seconds:.0} more seconds {}, where {code} was set",
                region_text(&self.region, load.as_ref())
            ));
        }
        next
    }
}
