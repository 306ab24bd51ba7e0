//! Two tracks over their travel, for people to look at.

use signal::Recording;

use super::relation::{CELLS, Relation, cell};
use super::{align, spot};
use crate::stats::robust::quantile;

/// How far two tracks of one sensor disagree, by position.
#[derive(Debug, Clone, PartialEq)]
pub struct PairError {
    /// The straight line between them: the second is `offset` plus `slope` times the first.
    pub slope: f64,
    /// See `slope`.
    pub offset: f64,
    /// Parts of the visited travel in order of position; parts that could not be compared are left out.
    pub cells: Vec<PairCell>,
    /// The most suspicious place, in readings of the first track, if there is one.
    pub place: Option<(f64, f64)>,
}

/// A part of the travel.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PairCell {
    /// From this reading of the first track.
    pub from: f64,
    /// To this one.
    pub to: f64,
    /// Readings.
    pub n: usize,
    /// Second track less the line and its gentle bend, in its own unit: what one reading in twenty falls below, the
    /// middle, and what one in twenty exceeds.
    pub low: f64,
    /// See `low`.
    pub middle: f64,
    /// See `low`.
    pub high: f64,
    /// How far off a sound pair may be, middle of the readings.
    pub allowed: f64,
}

/// Compares two tracks over their travel; `None` when one is missing or they did not move together.
#[must_use]
pub fn pair_error(recording: &Recording, first: &str, second: &str) -> Option<PairError> {
    let (first, second) = (recording.series(first)?, recording.series(second)?);
    let relation = Relation::of(&align::align(first, second)?).filter(|relation| !relation.usable.is_empty())?;
    let (from, to) = relation.visited;
    let width = (to - from) / CELLS as f64;
    let mut readings: Vec<(Vec<f64>, Vec<f64>)> = vec![Default::default(); CELLS];
    for r in &relation.usable {
        let (off, allowed) = &mut readings[cell(r.at, relation.visited, CELLS)];
        off.push(r.off);
        allowed.push(r.allowed);
    }
    let cells = readings.iter_mut().enumerate().filter_map(|(k, (off, allowed))| {
        Some(PairCell {
            from: from + width * k as f64,
            to: from + width * (k + 1) as f64,
            n: off.len(),
            low: quantile(off, 0.05)?,
            middle: quantile(off, 0.5)?,
            high: quantile(off, 0.95)?,
            allowed: quantile(allowed, 0.5)?,
        })
    });
    let place = spot::find(&relation).filter(|spot| spot.log10_lr > 0.0).map(|spot| (spot.from, spot.to));
    Some(PairError { slope: relation.slope, offset: relation.offset, cells: cells.collect(), place })
}

#[cfg(test)]
mod tests {
    use signal::{Recording, Series, SignalId, Unit};

    use super::*;

    fn series(id: &str, value: impl Fn(f64) -> f64) -> Series {
        let t_ns: Vec<i64> = (0..4000).map(|k| k * 50_000_000).collect();
        // Slowly up and down, ten seconds each way.
        let place = |k: i32| 15.0 + 60.0 * (1.0 - (f64::from(k) * 0.05 / 10.0 * std::f64::consts::PI).cos()) / 2.0;
        let value = (0..4000).map(|k| value(place(k))).collect();
        let id = SignalId::new(id).unwrap();
        Series { id, unit: Unit::named("%"), t_ns, asked_ns: Vec::new(), exchange: Vec::new(), value }
    }

    #[test]
    fn a_worn_place_is_where_the_tracks_part() {
        let mut recording = Recording::default();
        recording.series.push(series("pedal.position_1", |x| x));
        recording
            .series
            .push(series("pedal.position_2", |x| x / 2.0 - if (40.0..46.0).contains(&x) { 4.0 } else { 0.0 }));
        let error = pair_error(&recording, "pedal.position_1", "pedal.position_2").unwrap();
        assert!((error.slope - 0.5).abs() < 0.02, "{error:?}");
        for cell in &error.cells {
            let is_worn = cell.from > 40.0 && cell.to < 43.0;
            let is_sound = cell.to < 38.0 || cell.from > 48.0;
            assert!(!is_worn || cell.middle < -2.0, "{cell:?}");
            assert!(!is_sound || cell.middle.abs() < cell.allowed, "{cell:?}");
        }
        let (from, to) = error.place.unwrap();
        assert!(from < 43.0 && to > 40.0, "{from} {to}");
        assert!(pair_error(&recording, "pedal.position_1", "pedal.position_3").is_none());
    }
}
