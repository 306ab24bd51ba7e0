//! A file from elsewhere: a drive, a case, or a table that becomes a drive.

use std::io::Read;
use std::path::Path;

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
            return Ok(wire::TakenIn { case: moved.case, problems: moved.problems, ..wire::TakenIn::default() });
        }
        let to = fresh(&self.places().sub("drives")?, &plain(name), "mcap");
        let problems = if start == MCAP {
            let (_, problems) = open_drive(file)?;
            std::fs::rename(file, &to).map_err(WorkshopError::write(&to))?;
            problems
        } else {
            self.import(&Import { file: file.to_owned(), out: to.clone(), ..Import::default() })?.problems
        };
        let drive = to.file_stem().map(|stem| stem.to_string_lossy().into_owned());
        Ok(wire::TakenIn { drive, case: None, problems })
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
}
