//! Where the tool keeps its own files, and how it writes times.

use std::path::{Path, PathBuf};

use crate::WorkshopError;

/// Space on the disk that what comes from elsewhere must leave for recordings, bytes: a hundred hours of a usual drive.
pub const RESERVE: u64 = 1 << 30;

/// The folder in which the tool keeps what was given no other place.
#[derive(Debug, Clone)]
pub struct Places {
    folder: PathBuf,
}

impl Places {
    /// `WITNESS_HOME`, or the usual data folder of the system; made if it is not there.
    ///
    /// # Errors
    /// [`WorkshopError::NoFolder`]; [`WorkshopError::Write`] when it cannot be made.
    pub fn usual() -> Result<Self, WorkshopError> {
        let folder = env_path("WITNESS_HOME")
            .or_else(|| env_path("XDG_DATA_HOME").map(|base| base.join("witnessmark")))
            .or_else(|| env_path("LOCALAPPDATA").map(|base| base.join("Witnessmark")))
            .or_else(|| env_path("HOME").map(|home| home.join(".local/share/witnessmark")))
            .ok_or(WorkshopError::NoFolder)?;
        Self::at(&folder)
    }

    /// A folder of one's own choice; made if it is not there.
    ///
    /// # Errors
    /// [`WorkshopError::Write`].
    pub fn at(folder: &Path) -> Result<Self, WorkshopError> {
        make_folder(folder)?;
        Ok(Self { folder: folder.to_owned() })
    }

    /// The folder.
    #[must_use]
    pub fn folder(&self) -> &Path {
        &self.folder
    }

    /// Space left on the disk that holds it, bytes.
    #[cfg(unix)]
    #[must_use]
    pub fn disk_left(&self) -> Option<u64> {
        let about = rustix::fs::statvfs(&self.folder).ok()?;
        Some(about.f_bavail.saturating_mul(about.f_frsize))
    }

    /// Space left on the disk that holds it: not known on this system.
    #[cfg(not(unix))]
    #[must_use]
    pub fn disk_left(&self) -> Option<u64> {
        None
    }

    /// A folder in it; made if it is not there.
    ///
    /// # Errors
    /// [`WorkshopError::Write`].
    pub fn sub(&self, name: &str) -> Result<PathBuf, WorkshopError> {
        let folder = self.folder.join(name);
        make_folder(&folder)?;
        Ok(folder)
    }
}

/// Makes a folder and those above it that are not there. What is made is the user's alone: it tells of customers.
pub(crate) fn make_folder(folder: &Path) -> Result<(), WorkshopError> {
    let mut maker = std::fs::DirBuilder::new();
    #[cfg(unix)]
    std::os::unix::fs::DirBuilderExt::mode(&mut maker, 0o700);
    maker.recursive(true).create(folder).map_err(WorkshopError::write(folder))
}

/// A name in `folder` that no file has yet: `stem`, or with a number behind it.
pub(crate) fn fresh(folder: &Path, stem: &str, ending: &str) -> PathBuf {
    let numbered = (2..).map(|number| folder.join(format!("{stem}-{number}.{ending}")));
    let mut names = std::iter::once(folder.join(format!("{stem}.{ending}"))).chain(numbered);
    names.find(|name| !name.exists()).unwrap_or_default()
}

fn env_path(name: &str) -> Option<PathBuf> {
    std::env::var_os(name).filter(|value| !value.is_empty()).map(PathBuf::from)
}

/// The current wall-clock time in nanoseconds since 1970-01-01 UTC.
#[must_use]
pub fn unix_now_ns() -> i64 {
    std::time::SystemTime::now()
        .duration_since(std::time::UNIX_EPOCH)
        .ok()
        .and_then(|since| i64::try_from(since.as_nanos()).ok())
        .unwrap_or(0)
}

/// A time as `2026-03-01T10-20-30Z`: sorts by time and may stand in a file name on every system.
pub(crate) fn time_for_name(unix_ns: i64) -> String {
    utc(unix_ns, "%Y-%m-%dT%H-%M-%SZ")
}

/// A time as `2026-03-01 10:20:30 UTC`.
#[must_use]
pub fn time_for_people(unix_ns: i64) -> String {
    utc(unix_ns, "%Y-%m-%d %H:%M:%S UTC")
}

fn utc(unix_ns: i64, format: &str) -> String {
    jiff::Timestamp::from_nanosecond(i128::from(unix_ns)).unwrap_or_default().strftime(format).to_string()
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test fails by panicking")]

    use super::*;

    #[cfg(unix)]
    #[test]
    fn other_users_of_the_machine_see_nothing() {
        use std::os::unix::fs::PermissionsExt;
        let outside = tempfile::tempdir().unwrap();
        let home = outside.path().join("share/witnessmark");
        let workshop = crate::Workshop::new(Places::at(&home).unwrap(), "test");
        workshop.new_case(&crate::NewCase::default()).unwrap();
        workshop.places().sub("drives").unwrap();
        let mode = |path: &Path| path.metadata().unwrap().permissions().mode() & 0o777;
        assert_eq!(mode(&home), 0o700);
        assert_eq!(mode(&home.join("drives")), 0o700);
        assert_eq!(mode(&home.join("casebook.sqlite")), 0o600);
        // Also where the folder itself was made by somebody else, for all to see.
        let open = outside.path().join("open");
        std::fs::create_dir(&open).unwrap();
        std::fs::set_permissions(&open, PermissionsExt::from_mode(0o755)).unwrap();
        let workshop = crate::Workshop::new(Places::at(&open).unwrap(), "test");
        workshop.new_case(&crate::NewCase::default()).unwrap();
        assert_eq!(mode(&open), 0o755, "what was there stays as it is");
        assert_eq!(mode(&open.join("casebook.sqlite")), 0o600);
        assert_eq!(mode(&workshop.places().sub("drives").unwrap()), 0o700);
    }

    #[test]
    fn known_dates() {
        // POSIX.1-2017, 4.16 defines Unix time; the second value is the one `date -u -d @1234567890` prints.
        for (seconds, expected) in [(0, "1970-01-01 00:00:00 UTC"), (1_234_567_890, "2009-02-13 23:31:30 UTC")] {
            assert_eq!(time_for_people(seconds * 1_000_000_000), expected);
        }
        assert_eq!(time_for_name(1_234_567_890_000_000_000), "2009-02-13T23-31-30Z");
    }
}
