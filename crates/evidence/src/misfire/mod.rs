//! `misfire`: does a cylinder misfire, at which rate, and in which engine condition?
//!
//! Counters of any style become events between two readings (`counter`), the engine speed gives the firings they came
//! out of (`engine`), both are laid over speed and load (`map`), and each cylinder is weighed against what is
//! occasional and against its companions (`judge`).

mod condition;
mod counter;
mod engine;
mod judge;
mod map;
mod repair;
#[cfg(test)]
mod tests;
mod text;
mod view;

use signal::Recording;

use crate::examination::Examination;
use crate::finding::{Check, Finding, Kind};
use crate::poisson::Count;
use engine::Engine;
pub(crate) use engine::LoadSource;
use map::Laid;

pub use condition::{Condition, MisfireFrame, beside_freeze_frames};
pub use map::Region;
pub(crate) use repair::LEAST_FIRINGS;
pub use repair::{Progress, Repair, Site};
pub(crate) use text::region as region_text;
pub use view::{LoadMap, MAP_CELL, MapCell, load_map};

/// The check.
pub(crate) const CHECK: Check = Check { kind: Kind::Misfire, run };

/// What the names of the counters begin with.
const PREFIX: &str = "misfire.cylinder_";

/// One cylinder's events laid over the drive.
pub(crate) struct Cylinder {
    /// Number, from 1.
    pub(crate) number: usize,
    counter: counter::Counter,
    laid: Laid,
}

/// All cylinders whose counters could be read.
pub(crate) struct Cylinders {
    pub(crate) list: Vec<Cylinder>,
    /// Numbers of the cylinders whose counters could not be read.
    unreadable: Vec<usize>,
    pub(crate) load: Option<LoadSource>,
    has_engine_speed: bool,
}

impl Cylinders {
    /// Reads all counters of a recording.
    pub(crate) fn of(recording: &Recording) -> Self {
        let engine = Engine::of(recording);
        let mut numbered: Vec<(usize, &signal::Series)> = recording
            .series
            .iter()
            .filter_map(|series| Some((series.id.as_str().strip_prefix(PREFIX)?.parse().ok()?, series)))
            .filter(|(number, series)| *number > 0 && !series.is_empty())
            .collect();
        numbered.sort_by_key(|numbered| numbered.0);
        let mut read = Self {
            list: Vec::new(),
            unreadable: Vec::new(),
            load: engine.as_ref().and_then(|engine| engine.load),
            has_engine_speed: engine.is_some(),
        };
        for (number, series) in numbered {
            let Some((counter, engine)) =
                engine.as_ref().and_then(|engine| Some((counter::read(series, engine)?, engine)))
            else {
                read.unreadable.push(number);
                continue;
            };
            let laid = map::lay(&counter, engine);
            read.list.push(Cylinder { number, counter, laid });
        }
        read
    }

    /// The cylinder of a number, where its counter could be read.
    fn find(&self, number: usize) -> Option<&Cylinder> {
        self.list.iter().find(|cylinder| cylinder.number == number)
    }

    /// Cylinders of the engine: the highest number recorded; `None` while that may be a selection.
    fn n_cylinders(&self) -> Option<usize> {
        let numbers = self.list.iter().map(|cylinder| cylinder.number).chain(self.unreadable.iter().copied());
        let highest = numbers.max()?;
        (highest >= 3 && self.list.len() + self.unreadable.len() == highest).then_some(highest)
    }
}

impl Cylinder {
    /// Number of stretches of 200 revolutions in a region with so many events and firings each, in order of time.
    pub(crate) fn blocks_in(&self, region: &Region) -> Vec<Count> {
        judge::blocks(self.laid.pieces.iter().filter(|piece| region.contains(piece.rpm, piece.load)))
    }
}

/// Where one cylinder misfired in several drives: the region that stands out, the index of dispersion, the mean engine
/// speed there.
pub(crate) fn failing_condition(drives: &[&Cylinder]) -> FailingCondition {
    let pieces: Vec<map::Piece> = drives.iter().flat_map(|cylinder| cylinder.laid.pieces.iter().copied()).collect();
    let (standing, dispersion) = judge::region_and_dispersion(&pieces);
    let region = standing.map_or(Region::EVERYWHERE, |standing| standing.region);
    FailingCondition { region, dispersion, mean_rpm: map::mean_rpm(&pieces, &region) }
}

/// The condition in which a cylinder misfires.
#[derive(Debug, Clone, Copy)]
pub(crate) struct FailingCondition {
    pub(crate) region: Region,
    pub(crate) dispersion: f64,
    /// Engine speed averaged over the firings in the region, rpm.
    pub(crate) mean_rpm: f64,
}

fn run(recording: &Examination<'_>) -> Vec<Finding> {
    let cylinders = Cylinders::of(recording);
    let mut judged: Vec<(usize, judge::Judged)> = cylinders
        .list
        .iter()
        .enumerate()
        .map(|(k, cylinder)| {
            let others: Vec<&Cylinder> =
                cylinders.list.iter().enumerate().filter(|(j, _)| *j != k).map(|(_, other)| other).collect();
            (k, judge::judge(cylinder, &others, cylinders.n_cylinders(), cylinders.load))
        })
        .collect();
    let several = several(&judged);
    for (_, judged) in judged.iter_mut().filter(|_| several) {
        judged.log10_odds = judged.log10_odds.min(1.9);
        if judged.weighed.log10_rate > 0.0 {
            judged.log10_odds = judged.log10_odds.max(0.0);
        }
    }
    let told = judged.iter().map(|(k, judged)| text::finding(&cylinders, &cylinders.list[*k], judged, several));
    let mut findings: Vec<(usize, Finding)> = judged.iter().map(|(k, _)| cylinders.list[*k].number).zip(told).collect();
    let missing = cylinders.unreadable.iter().map(|&number| (number, text::unreadable(&cylinders, number)));
    findings.extend(missing);
    findings.sort_by_key(|finding| finding.0);
    findings.into_iter().map(|finding| finding.1).collect()
}

/// Whether misfires are spread over the engine: more than half of the cylinders misfire at a rate that matters, and none
/// has more than half of the misfires.
fn several(judged: &[(usize, judge::Judged)]) -> bool {
    let matter = judged.iter().filter(|(_, judged)| judged.weighed.log10_rate >= 2.0).count();
    let total: u64 = judged.iter().map(|(_, judged)| judged.all.events).sum();
    let most = judged.iter().map(|(_, judged)| judged.all.events).max().unwrap_or(0);
    judged.len() >= 2 && matter * 2 > judged.len() && most * 2 <= total.max(1)
}
