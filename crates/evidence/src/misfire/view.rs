//! A signal over engine speed and load, for people to look at: where it is high, or where a cylinder misfires.

use signal::Recording;

use super::engine::{Engine, Held};
use super::map::{self, CELL_LOAD, CELL_RPM, Region};
use super::{Cylinders, PREFIX, failing_condition};

/// A signal over engine speed and load.
#[derive(Debug, Clone, PartialEq)]
pub struct LoadMap {
    /// Which signal stands for the load; `None`: there is none, and all cells lie at 0.
    pub load: Option<&'static str>,
    /// Whether the values are misfires per thousand firings; else they are means of the signal in its own unit.
    pub is_rate: bool,
    /// Where the engine was, in no order.
    pub cells: Vec<MapCell>,
    /// The part in which a cylinder misfires more often than elsewhere, if one stands out.
    pub region: Option<Region>,
}

/// One cell of a map, 375 rpm by 10 % load.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MapCell {
    /// Lower edge, rpm.
    pub speed_rpm: f64,
    /// Lower edge, percent (or what stands for it).
    pub load_pct: f64,
    /// How much was seen there: firings of the cylinder for a rate, else seconds.
    pub exposure: f64,
    /// Misfires per thousand firings, or the mean.
    pub value: f64,
}

/// How wide a cell is: rpm, and percent load.
pub const MAP_CELL: (f64, f64) = (CELL_RPM, CELL_LOAD);

/// A signal over engine speed and load; counters of misfires become rates over the firings that are judged, all others
/// their mean over time. `None` without engine speed or without the signal.
#[must_use]
pub fn load_map(recording: &Recording, signal: &str) -> Option<LoadMap> {
    let engine = Engine::of(recording)?;
    let load = engine.load.map(|source| source.id);
    if let Some(number) = signal.strip_prefix(PREFIX).and_then(|number| number.parse::<usize>().ok()) {
        let cylinders = Cylinders::of(recording);
        let cylinder = cylinders.list.iter().find(|cylinder| cylinder.number == number)?;
        let pieces = cylinder.laid.pieces.iter().map(|piece| (piece.rpm, piece.load, piece.firings, piece.events));
        let region = failing_condition(&[cylinder]).region;
        let region = (region != Region::EVERYWHERE).then_some(region);
        return Some(LoadMap { load, is_rate: true, cells: cells(pieces, 1000.0), region });
    }
    let mut held = Held::as_it_is(recording.series(signal)?)?;
    let segments = engine.segments.iter().map(|segment| {
        let seconds = signal::seconds_from_nanos(segment.to_ns - segment.from_ns);
        (segment.rpm, segment.load, seconds, seconds * held.at(segment.from_ns + (segment.to_ns - segment.from_ns) / 2))
    });
    Some(LoadMap { load, is_rate: false, cells: cells(segments, 1.0), region: None })
}

/// Sums of exposure and of what is counted, by engine speed and load.
fn cells(pieces: impl Iterator<Item = (f64, f64, f64, f64)>, scale: f64) -> Vec<MapCell> {
    let mut sums = vec![(0.0, 0.0); map::N_CELLS];
    for (rpm, load, exposure, amount) in pieces {
        let (all, sum) = &mut sums[map::cell_of(rpm, load)];
        *all += exposure;
        *sum += amount;
    }
    let visited = sums.into_iter().enumerate().filter(|(_, (exposure, _))| *exposure > 0.0);
    visited
        .map(|(cell, (exposure, amount))| {
            let (speed_rpm, load_pct) = map::corner_of(cell);
            MapCell { speed_rpm, load_pct, exposure, value: scale * amount / exposure }
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use signal::{Recording, Series, SignalId, Unit};

    use super::*;

    fn series(id: &str, unit: &str, value: impl Fn(i64) -> f64) -> Series {
        let t_ns: Vec<i64> = (0..1200).map(|k| k * 100_000_000).collect();
        let value = (0..1200).map(value).collect();
        let id = SignalId::new(id).unwrap();
        Series { id, unit: Unit::named(unit), t_ns, asked_ns: Vec::new(), exchange: Vec::new(), value }
    }

    /// A minute at 1000 rpm and 20 % load, then one at 3000 rpm and 60 %.
    fn recording() -> Recording {
        let late = |k: i64| f64::from(u8::from(k >= 600));
        let mut recording = Recording::default();
        recording.series.push(series("engine.speed", "rpm", |k| 1000.0 + 2000.0 * late(k)));
        recording.series.push(series("engine.load", "%", |k| 20.0 + 40.0 * late(k)));
        recording.series.push(series("fuel.pressure", "kPa", |k| 400.0 - 100.0 * late(k)));
        // One misfire a second, in the second minute only: 25 firings of a cylinder in each second at 3000 rpm.
        recording.series.push(series("misfire.cylinder_1", "count", |k| (((k - 600).max(0)) / 10) as f64));
        recording
    }

    fn at(map: &LoadMap, rpm: f64, load: f64) -> MapCell {
        let inside = |cell: &&MapCell| {
            (cell.speed_rpm..cell.speed_rpm + CELL_RPM).contains(&rpm)
                && (cell.load_pct..cell.load_pct + CELL_LOAD).contains(&load)
        };
        *map.cells.iter().find(inside).unwrap()
    }

    #[test]
    fn a_signal_is_averaged_where_the_engine_was() {
        let map = load_map(&recording(), "fuel.pressure").unwrap();
        assert_eq!((map.load, map.is_rate), (Some("engine.load"), false));
        assert!((at(&map, 1000.0, 20.0).exposure - 60.0).abs() < 0.2);
        assert!((at(&map, 1000.0, 20.0).value - 400.0).abs() < 1e-9);
        assert!((at(&map, 3000.0, 60.0).value - 300.0).abs() < 0.5);
        assert!(load_map(&recording(), "oil.pressure").is_none());
    }

    #[test]
    fn misfires_are_related_to_firings_and_their_region_is_named() {
        let map = load_map(&recording(), "misfire.cylinder_1").unwrap();
        assert!(map.is_rate);
        assert!((at(&map, 3000.0, 60.0).value - 1000.0 / 25.0).abs() < 2.0, "{map:?}");
        assert_eq!(at(&map, 1000.0, 20.0).value, 0.0);
        let region = map.region.unwrap();
        assert!(region.contains(3000.0, 60.0) && !region.contains(1000.0, 20.0));
    }
}
