//! Drives from recordings of other kinds (tables, open formats, logs of CAN frames), and drives written as such.

use std::io::Read;
use std::path::{Path, PathBuf};

use definition::{Definitions, FrameDecoder};
use drive::{DriveError, ExportOptions, FrameImport, FrameSignal, ImportOptions, Layout, MapEntry, Overwrite};
use interchange::Format;
use protocol::CanId;

use crate::{Workshop, WorkshopError};

/// A recording that is to become a drive.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Import {
    /// A table (first column `time_s`, other headers `SIGNAL [UNIT]`; or `time_s,signal,value` and perhaps `unit`), a
    /// Parquet or MDF 4 file, a log of CAN frames as text, or a drive that holds raw CAN frames.
    pub file: PathBuf,
    /// The drive to be made.
    pub out: PathBuf,
    /// What foreign columns or names mean, each `COLUMN=SIGNAL [UNIT]`.
    pub map: Vec<String>,
    /// Files that say what is in CAN frames.
    pub definitions: Vec<PathBuf>,
    /// The only CAN interface of a log to be read; `None`: all.
    pub bus: Option<String>,
    /// Whether an existing drive may be replaced.
    pub replace: bool,
}

/// How a table is laid out.
pub type Shape = Layout;

pub(crate) fn overwrite(replace: bool) -> Overwrite {
    if replace { Overwrite::WhenDone } else { Overwrite::Never }
}

/// Refuses to write over what is read, under whatever name or link: once it is replaced it is gone.
///
/// # Errors
/// [`WorkshopError::OverSource`].
pub(crate) fn expect_apart<'p>(
    out: &Path,
    sources: impl IntoIterator<Item = &'p PathBuf>,
) -> Result<(), WorkshopError> {
    // What is not there yet is none of the sources.
    let Ok(there) = out.canonicalize() else { return Ok(()) };
    match sources.into_iter().any(|source| source.canonicalize().is_ok_and(|source| source == there)) {
        true => Err(WorkshopError::OverSource(out.to_owned())),
        false => Ok(()),
    }
}

impl Workshop {
    /// Makes a drive from a recording of another kind; its content tells which kind it is.
    ///
    /// # Errors
    /// [`WorkshopError::Map`], [`WorkshopError::Drive`], [`WorkshopError::Interchange`], [`WorkshopError::Read`],
    /// [`WorkshopError::Definitions`], [`WorkshopError::NoMessages`], [`WorkshopError::MapNotUsed`],
    /// [`WorkshopError::OverSource`].
    pub fn import(&self, import: &Import) -> Result<wire::Imported, WorkshopError> {
        let definitions = crate::definitions::files(&import.definitions);
        expect_apart(&import.out, definitions.iter().chain([&import.file]))?;
        let map = import.map.iter().map(|text| text.parse::<MapEntry>()).collect::<Result<Vec<_>, _>>()?;
        let info = drive::DriveInfo { software: Some(self.software.clone()), ..drive::DriveInfo::default() };
        let overwrite = overwrite(import.replace);
        let mut start = Vec::new();
        let opened = std::fs::File::open(&import.file).map_err(|source| DriveError::Io {
            doing: "cannot open",
            path: import.file.clone(),
            source,
        })?;
        opened.take(8).read_to_end(&mut start).map_err(WorkshopError::read(&import.file))?;
        if let Some(format) = Format::of_content(&start) {
            if !map.is_empty() {
                return Err(WorkshopError::MapNotUsed(import.file.clone()));
            }
            let imported = interchange::import(&import.file, &import.out, format, &self.software, overwrite)?;
            return Ok(wire::Imported {
                file: import.out.display().to_string(),
                rows: imported.n_rows,
                samples: imported.n_samples,
                signals: imported.signals.iter().map(ToString::to_string).collect(),
                notes: imported.notes,
                problems: Vec::new(),
            });
        }
        if !import.definitions.is_empty() || import.bus.is_some() || drive::is_frame_log(&import.file)? {
            return frames(import, &FrameImport { map, bus: import.bus.clone(), overwrite, info });
        }
        let imported = drive::import(&import.file, &import.out, &ImportOptions { map, overwrite, info })?;
        Ok(wire::Imported {
            file: import.out.display().to_string(),
            rows: imported.n_rows,
            samples: imported.n_samples,
            signals: imported.signals.iter().map(ToString::to_string).collect(),
            notes: imported.notes,
            problems: Vec::new(),
        })
    }

    /// Writes a drive as a table (CSV), as Parquet or as MDF 4; the ending of `out` says which. `shape` is that of a CSV.
    ///
    /// # Errors
    /// [`WorkshopError::Format`], [`WorkshopError::Drive`], [`WorkshopError::Interchange`], [`WorkshopError::OverSource`].
    pub fn export(
        &self,
        drive: &Path,
        out: &Path,
        shape: Shape,
        replace: bool,
    ) -> Result<wire::Exported, WorkshopError> {
        expect_apart(out, [&drive.to_owned()])?;
        if let Some(format) = Format::of_name(out) {
            let exported = interchange::export(drive, out, format, overwrite(replace))?;
            return Ok(wire::Exported {
                file: out.display().to_string(),
                rows: exported.n_rows,
                samples: exported.n_samples,
                left_out: Vec::new(),
                problems: exported.problems.iter().map(ToString::to_string).collect(),
            });
        }
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

/// Raw CAN frames, by the messages of the definitions.
fn frames(import: &Import, options: &FrameImport) -> Result<wire::Imported, WorkshopError> {
    let mut definitions = Definitions::standard();
    let mut notes = Vec::new();
    for file in &import.definitions {
        let read = crate::definitions::load(&mut definitions, file)?;
        if read.messages.is_empty() {
            return Err(WorkshopError::NoMessages(file.clone()));
        }
        notes.extend(read.problems.iter().map(ToString::to_string));
    }
    if import.definitions.is_empty() {
        notes.push("no --definitions were given: the raw frames are kept, and nothing is decoded".to_owned());
    }
    // The files were named for this very log: for which vehicles they are does not matter.
    let of_files = || definitions.files().iter().flat_map(|file| file.messages.iter().map(move |row| (file, row)));
    let signals: Vec<FrameSignal> = of_files()
        .flat_map(|(file, message)| {
            message.signals.iter().map(|signal| FrameSignal {
                message: message.name.clone(),
                name: signal.name.clone(),
                id: signal.id.clone(),
                unit: signal.unit.clone(),
                definition: format!("message {} `{}` in {}", message.id, message.name, file.file),
            })
        })
        .collect();
    let decoder = FrameDecoder::new(of_files().map(|(_, message)| message));
    let decode = |frame: &drive::Frame<'_>, found: &mut Vec<(usize, f64)>| {
        let id = match u16::try_from(frame.number) {
            Ok(number) if !frame.is_extended => CanId::Standard(number),
            _ => CanId::Extended(frame.number),
        };
        decoder.decode(id, frame.data, |idx, value| found.push((idx, value)))
    };
    let imported = drive::import_frames(&import.file, &import.out, &signals, decode, options)?;
    notes.extend(imported.notes);
    Ok(wire::Imported {
        file: import.out.display().to_string(),
        rows: imported.n_frames,
        samples: imported.n_samples,
        signals: imported.signals.iter().map(ToString::to_string).collect(),
        notes,
        problems: imported.problems,
    })
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test fails by panicking")]

    use super::*;
    use crate::Places;

    #[test]
    fn what_is_read_is_not_written_over_by_whatever_name() {
        let folder = tempfile::tempdir().unwrap();
        let at = |name: &str| folder.path().join(name);
        let workshop = Workshop::new(Places::at(&at("home")).unwrap(), "test 1");
        let table = "time_s,engine.speed [rpm]\n0,800\n1,810\n";
        std::fs::write(at("table.csv"), table).unwrap();
        std::fs::create_dir(at("sub")).unwrap();
        let mut names = vec![at("table.csv"), at("sub/../table.csv"), at("./table.csv")];
        #[cfg(unix)]
        {
            std::os::unix::fs::symlink(at("table.csv"), at("link.csv")).unwrap();
            names.push(at("link.csv"));
        }
        let import = |file: &Path, out: &Path| {
            let import = Import { file: file.to_owned(), out: out.to_owned(), replace: true, ..Import::default() };
            workshop.import(&import)
        };
        for file in &names {
            for out in &names {
                let refused = import(file, out).unwrap_err();
                assert!(matches!(refused, WorkshopError::OverSource(_)), "{refused}");
                assert_eq!(refused.blame(), crate::Blame::Input);
            }
        }
        assert_eq!(std::fs::read_to_string(at("table.csv")).unwrap(), table);
        // Nor are definitions, and the name of one may carry a variant.
        std::fs::write(at("maker.toml"), "").unwrap();
        for named in [at("maker.toml"), at("maker.toml#ECU")] {
            let refused = workshop.expect_room(Some(&at("maker.toml")), true, &[named]).unwrap_err();
            assert!(matches!(refused, WorkshopError::OverSource(_)), "{refused}");
        }
        workshop.expect_room(Some(&at("drive.mcap")), false, &[at("maker.toml")]).unwrap();
        // Another file may be replaced, and the drive is not written over by what is made of it.
        import(&at("table.csv"), &at("drive.csv")).unwrap();
        import(&at("table.csv"), &at("drive.csv")).unwrap();
        for replace in [false, true] {
            let refused = workshop.export(&at("drive.csv"), &at("sub/../drive.csv"), Shape::Wide, replace).unwrap_err();
            assert!(matches!(refused, WorkshopError::OverSource(_)), "{refused}");
        }
        workshop.export(&at("drive.csv"), &at("again.csv"), Shape::Wide, false).unwrap();
    }
}
