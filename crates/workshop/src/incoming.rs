//! A file from elsewhere: a drive, a case, or a table that becomes a drive.

use std::io::{ErrorKind, Read};
use std::path::{Path, PathBuf};

use crate::examine::open_drive;
use crate::places::fresh;
use crate::tables::Import;
use crate::{Workshop, WorkshopError};

/// How every MCAP file begins (MCAP specification, "Magic").
const MCAP: &[u8] = b"\x89MCAP0\r\n";
/// How every zip with members begins (APPNOTE.TXT, 4.3.7).
const ZIP: &[u8] = b"PK\x03\x04";
/// Longest name that a drive is given.
const MAX_NAME: usize = 80;

impl Workshop {
    /// Takes a file in, by what is in it: a drive or a table among the drives, a case into the casebook. `name` is what it
    /// was called where it comes from. The file itself may be used up.
    ///
    /// # Errors
    /// [`WorkshopError::Drive`] and what [`Workshop::import`] and [`Workshop::import_case`] say; nothing is kept then.
    pub fn take_in(&self, file: &Path, name: &str) -> Result<wire::TakenIn, WorkshopError> {
        let mut start = Vec::new();
        let opened = std::fs::File::open(file).map_err(WorkshopError::read(file))?;
        opened.take(8).read_to_end(&mut start).map_err(WorkshopError::read(file))?;
        if start.starts_with(ZIP) {
            let moved = self.import_case(file)?;
            let wire::CaseMoved { case, notes, problems, .. } = moved;
            return Ok(wire::TakenIn { drive: None, case, notes, problems });
        }
        let folder = self.places().sub("drives")?;
        let (made, problems) = if start == MCAP {
            (file.to_owned(), open_drive(file)?.1)
        } else {
            let made = file.with_extension("made.mcap");
            (made.clone(), self.import(&Import { file: file.to_owned(), out: made, ..Import::default() })?.problems)
        };
        let to = put_away(&made, &folder, &plain(name)).inspect_err(|_| {
            if made != file {
                let _ = std::fs::remove_file(&made);
            }
        })?;
        let drive = to.file_stem().map(|stem| stem.to_string_lossy().into_owned());
        Ok(wire::TakenIn { drive, problems, ..wire::TakenIn::default() })
    }
}

/// Moves a drive into a folder, under a name that no other has. Several may come in at the same moment: a name is taken
/// before anything is moved to it.
fn put_away(drive: &Path, folder: &Path, stem: &str) -> Result<PathBuf, WorkshopError> {
    loop {
        let to = fresh(folder, stem, "mcap");
        match std::fs::File::create_new(&to) {
            Ok(_) => {
                return std::fs::rename(drive, &to).map(|()| to.clone()).map_err(|source| {
                    let _ = std::fs::remove_file(&to);
                    WorkshopError::write(&to)(source)
                });
            }
            Err(error) if error.kind() == ErrorKind::AlreadyExists => {}
            Err(error) => return Err(WorkshopError::write(&to)(error)),
        }
    }
}

/// A name that is safe in any folder.
fn plain(name: &str) -> String {
    let stem = name.rsplit(['/', '\\']).next().unwrap_or("").split('.').next().unwrap_or("");
    let is_plain = |c: &char| c.is_alphanumeric() || matches!(c, '-' | '_' | ' ');
    let stem: String = stem.chars().filter(is_plain).take(MAX_NAME).collect();
    if stem.trim().is_empty() { "drive".to_owned() } else { stem.trim().to_owned() }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test fails by panicking")]

    use super::*;
    use crate::Places;

    #[test]
    fn names_from_elsewhere_lead_nowhere() {
        assert_eq!(plain("../../etc/pass wd.mcap"), "pass wd");
        assert_eq!(plain("C:\\drives\\a:b.mcap"), "ab");
        assert_eq!(plain("..."), "drive");
        assert!(plain(&"x".repeat(500)).len() <= MAX_NAME);
    }

    #[test]
    fn a_table_becomes_a_drive_and_rubbish_leaves_nothing() {
        let folder = tempfile::tempdir().unwrap();
        let workshop = Workshop::new(Places::at(folder.path()).unwrap(), "test");
        let file = folder.path().join("upload");
        std::fs::write(&file, "time_s,engine.speed [rpm]\n0,800\n1,810\n").unwrap();
        let taken = workshop.take_in(&file, "idle run.csv").unwrap();
        assert_eq!(taken.drive.as_deref(), Some("idle run"));
        assert!(folder.path().join("drives/idle run.mcap").exists());
        for rubbish in [&b"\x89MCAP0\r\nno"[..], b"PK\x03\x04 no zip", b"\x00\x01\x02", b""] {
            std::fs::write(&file, rubbish).unwrap();
            assert!(workshop.take_in(&file, "other").is_err(), "{rubbish:?}");
        }
        assert_eq!(std::fs::read_dir(folder.path().join("drives")).unwrap().count(), 1);
    }

    #[test]
    fn drives_of_one_name_that_come_in_at_once_are_all_kept() {
        const N: usize = 8;
        let folder = tempfile::tempdir().unwrap();
        let workshop = Workshop::new(Places::at(folder.path()).unwrap(), "test");
        let table = folder.path().join("upload");
        let drives: Vec<_> = (0..N).map(|n| folder.path().join(format!("{n}.mcap"))).collect();
        for (n, drive) in drives.iter().enumerate() {
            std::fs::write(&table, format!("time_s,engine.speed [rpm]\n0,80{n}\n1,810\n")).unwrap();
            workshop.import(&Import { file: table.clone(), out: drive.clone(), ..Import::default() }).unwrap();
        }
        let together = std::sync::Barrier::new(N);
        let names: std::collections::BTreeSet<String> = std::thread::scope(|scope| {
            let take_in = |drive| {
                together.wait();
                workshop.take_in(drive, "idle.mcap").unwrap().drive.unwrap()
            };
            let taken: Vec<_> = drives.iter().map(|drive| scope.spawn(move || take_in(drive))).collect();
            taken.into_iter().map(|one| one.join().unwrap()).collect()
        });
        assert_eq!(names.len(), N, "{names:?}");
        let first = |name: &String| {
            let (recording, _) = open_drive(&folder.path().join(format!("drives/{name}.mcap"))).unwrap();
            recording.series[0].value[0] as usize
        };
        let kept: std::collections::BTreeSet<usize> = names.iter().map(first).collect();
        assert_eq!(kept, (800..800 + N).collect());
    }
}
