//! Drives from tables, and tables from drives.

use std::path::{Path, PathBuf};

use drive::{ExportOptions, ImportOptions, Layout, MapEntry, Overwrite};

use crate::{Workshop, WorkshopError};

/// A table that is to become a drive.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Import {
    /// The table: first column `time_s`, other headers `SIGNAL [UNIT]`; or `time_s,signal,value` and perhaps `unit`.
    pub table: PathBuf,
    /// The drive to be made.
    pub out: PathBuf,
    /// What foreign columns or names mean, each `COLUMN=SIGNAL [UNIT]`.
    pub map: Vec<String>,
    /// Whether an existing drive may be replaced.
    pub replace: bool,
}

/// How a table is laid out.
pub type Shape = Layout;

fn overwrite(replace: bool) -> Overwrite {
    if replace { Overwrite::WhenDone } else { Overwrite::Never }
}

impl Workshop {
    /// Makes a drive from a table.
    ///
    /// # Errors
    /// [`WorkshopError::Map`], [`WorkshopError::Drive`].
    pub fn import(&self, import: &Import) -> Result<wire::Imported, WorkshopError> {
        let map = import.map.iter().map(|text| text.parse::<MapEntry>()).collect::<Result<Vec<_>, _>>()?;
        let info = drive::DriveInfo { software: Some(self.software.clone()), ..drive::DriveInfo::default() };
        let options = ImportOptions { map, overwrite: overwrite(import.replace), info };
        let imported = drive::import(&import.table, &import.out, &options)?;
        Ok(wire::Imported {
            file: import.out.display().to_string(),
            rows: imported.n_rows,
            samples: imported.n_samples,
            signals: imported.signals.iter().map(ToString::to_string).collect(),
            notes: imported.notes,
        })
    }

    /// Writes a drive as a table; the ending of `out` says the format.
    ///
    /// # Errors
    /// [`WorkshopError::Format`], [`WorkshopError::Drive`].
    pub fn export(
        &self,
        drive: &Path,
        out: &Path,
        shape: Shape,
        replace: bool,
    ) -> Result<wire::Exported, WorkshopError> {
        let ending = out.extension().map(|ending| ending.to_string_lossy().to_ascii_lowercase());
        if ending.as_deref() != Some("csv") {
            return Err(WorkshopError::Format(out.to_owned()));
        }
        let options = ExportOptions { layout: shape, overwrite: overwrite(replace) };
        let exported = drive::export(drive, out, options)?;
        Ok(wire::Exported {
            file: out.display().to_string(),
            rows: exported.n_rows,
            samples: exported.n_samples,
            left_out: exported.left_out,
            problems: exported.problems.iter().map(ToString::to_string).collect(),
        })
    }
}
