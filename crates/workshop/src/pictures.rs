//! What checks look at, as numbers that can be drawn.

use std::path::Path;

use evidence::views;
use signal::Recording;

use crate::examine::open_drive;
use crate::{Workshop, WorkshopError};

/// Which pictures of a drive are wanted.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct PictureWish {
    /// A signal over engine speed and load.
    pub map: Option<String>,
    /// Two tracks of one sensor over their travel.
    pub pair: Option<[String; 2]>,
    /// What repeats in the speed of each wheel.
    pub wheels: bool,
}

impl Workshop {
    /// Pictures of a drive.
    ///
    /// # Errors
    /// [`WorkshopError::Drive`]; what cannot be drawn stands in [`wire::Pictures::problems`].
    pub fn pictures(&self, drive: &Path, wish: &PictureWish) -> Result<wire::Pictures, WorkshopError> {
        let (recording, lost) = open_drive(drive)?;
        let mut pictures = pictures(&recording, wish);
        pictures.problems.splice(0..0, lost);
        Ok(pictures)
    }
}

/// Pictures of a recording.
#[must_use]
pub fn pictures(recording: &Recording, wish: &PictureWish) -> wire::Pictures {
    let mut pictures = wire::Pictures::default();
    if let Some(id) = &wish.map {
        pictures.map = map(recording, id);
        if pictures.map.is_none() {
            let why = format!("no map of `{id}`: it takes this signal and `engine.speed` in the drive");
            pictures.problems.push(why);
        }
    }
    if let Some([first, second]) = &wish.pair {
        pictures.pair = pair(recording, first, second);
        if pictures.pair.is_none() {
            let why =
                format!("`{first}` and `{second}` cannot be compared: they must both move in the drive, and together");
            pictures.problems.push(why);
        }
    }
    if wish.wheels {
        let wheels = wheels(recording);
        if wheels.spectra.is_empty() {
            pictures.problems.push("no wheel rolled far enough at a time to count its turns".to_owned());
        }
        pictures.wheels = Some(wheels);
    }
    pictures
}

fn unit_of(recording: &Recording, id: &str) -> String {
    recording.series(id).map(|series| series.unit.to_string()).unwrap_or_default()
}

fn map(recording: &Recording, id: &str) -> Option<wire::LoadMap> {
    let map = views::load_map(recording, id)?;
    let end = |value: f64| value.is_finite().then_some(value);
    let cell = |cell: views::MapCell| {
        let views::MapCell { speed_rpm, load_pct, exposure, value } = cell;
        wire::MapCell { rpm: speed_rpm, load: load_pct, exposure, value }
    };
    Some(wire::LoadMap {
        signal: id.to_owned(),
        load: map.load.map(ToOwned::to_owned),
        unit: if map.is_rate { "per 1000 firings".to_owned() } else { unit_of(recording, id) },
        cell_rpm: views::MAP_CELL.0,
        cell_load: views::MAP_CELL.1,
        cells: map.cells.into_iter().filter(|cell| cell.value.is_finite()).map(cell).collect(),
        region: map.region.map(|region| wire::MapRegion {
            from_rpm: end(region.speed_rpm.0),
            to_rpm: end(region.speed_rpm.1),
            from_load: end(region.load_pct.0),
            to_load: end(region.load_pct.1),
        }),
    })
}

fn pair(recording: &Recording, first: &str, second: &str) -> Option<wire::PairError> {
    let error = views::pair_error(recording, first, second)?;
    let cell = |cell: views::PairCell| {
        let views::PairCell { from, to, n, low, middle, high, allowed } = cell;
        wire::PairCell { from, to, n, low, middle, high, allowed }
    };
    Some(wire::PairError {
        signals: [first, second].map(ToOwned::to_owned),
        units: [first, second].map(|id| unit_of(recording, id)),
        slope: error.slope,
        offset: error.offset,
        cells: error.cells.into_iter().map(cell).collect(),
        place: error.place.map(Into::into),
    })
}

fn wheels(recording: &Recording) -> wire::Wheels {
    let spectrum = |one: views::WheelSpectrum| {
        let views::WheelSpectrum { wheel, metres, circumference_m, per_m, percent } = one;
        wire::WheelSpectrum { signal: wheel.to_owned(), metres, circumference_m, per_m, percent }
    };
    wire::Wheels {
        tolerance_percent: views::RING_TOLERANCE_PERCENT,
        turn_per_m: views::TURNS_PER_M.into(),
        spectra: views::wheel_spectra(recording).into_iter().map(spectrum).collect(),
    }
}
