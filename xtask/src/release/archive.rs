//! The archives themselves: the same contents and the same time give the same bytes, whatever machine packs them.

use std::collections::BTreeMap;
use std::io::{Cursor, Result, Write};

use flate2::Compression;
use flate2::write::GzEncoder;
use zip::write::SimpleFileOptions;
use zip::{DateTime, ZipWriter};

/// What goes into an archive, by its path there, with `/` between folders.
pub(super) type Contents = BTreeMap<String, File>;

/// One file of an archive.
pub(super) struct File {
    pub(super) bytes: Vec<u8>,
    /// Whether it is a program.
    pub(super) can_run: bool,
}

impl File {
    pub(super) fn text(bytes: impl Into<Vec<u8>>) -> Self {
        Self { bytes: bytes.into(), can_run: false }
    }

    fn mode(&self) -> u32 {
        if self.can_run { 0o755 } else { 0o644 }
    }
}

/// When the files of an archive were written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Time {
    /// Seconds since 1970.
    pub(super) unix: u64,
    /// The same as date and time of day, UTC.
    civil: DateTime,
}

impl Time {
    /// What git prints of a commit for this.
    pub(super) const GIT: [&str; 2] = ["--format=%ct %cd", "--date=format-local:%Y %m %d %H %M %S"];

    /// Reads it; `None` if it is something else, or before 1980, where the times of zip begin.
    pub(super) fn of(printed: &str) -> Option<Self> {
        let numbers: Vec<u64> =
            printed.split_whitespace().map(str::parse).collect::<std::result::Result<_, _>>().ok()?;
        let [unix, year, rest @ ..] = numbers.as_slice() else { return None };
        let rest: Vec<u8> = rest.iter().map(|number| u8::try_from(*number).ok()).collect::<Option<_>>()?;
        let [month, day, hour, minute, second] = *rest else { return None };
        let civil = DateTime::from_date_and_time(u16::try_from(*year).ok()?, month, day, hour, minute, second).ok()?;
        Some(Self { unix: *unix, civil })
    }
}

/// A tape archive, compressed, with everything in a folder of that name. Nobody owns the files.
pub(super) fn tar_gz(folder: &str, contents: &Contents, time: Time) -> Result<Vec<u8>> {
    let mut tar = tar::Builder::new(GzEncoder::new(Vec::new(), Compression::best()));
    for (path, file) in contents {
        let mut header = tar::Header::new_gnu();
        header.set_size(file.bytes.len() as u64);
        header.set_mode(file.mode());
        header.set_mtime(time.unix);
        header.set_uid(0);
        header.set_gid(0);
        tar.append_data(&mut header, format!("{folder}/{path}"), file.bytes.as_slice())?;
    }
    tar.into_inner()?.finish()
}

/// A zip archive, with everything in a folder of that name.
pub(super) fn zip(folder: &str, contents: &Contents, time: Time) -> Result<Vec<u8>> {
    let mut zip = ZipWriter::new(Cursor::new(Vec::new()));
    for (path, file) in contents {
        let options = SimpleFileOptions::default()
            .last_modified_time(time.civil)
            .unix_permissions(file.mode())
            .compression_level(Some(9));
        zip.start_file(format!("{folder}/{path}"), options)?;
        zip.write_all(&file.bytes)?;
    }
    Ok(zip.finish()?.into_inner())
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test fails by panicking")]

    use std::io::Read;

    use super::*;

    fn contents() -> Contents {
        let program = File { bytes: b"program".to_vec(), can_run: true };
        [("witness".to_owned(), program), ("docs/README.md".to_owned(), File::text("read me"))].into()
    }

    fn time() -> Time {
        Time::of("1795676400 2026 11 26 07 00 00").unwrap()
    }

    #[test]
    fn a_time_is_what_git_prints() {
        assert_eq!(time().unix, 1_795_676_400);
        assert_eq!(time().civil.to_string(), "2026-11-26 07:00:00");
        assert_eq!(Time::of("1795676400 2026 11 26"), None);
        assert_eq!(Time::of("0 1970 01 01 00 00 00"), None);
        assert_eq!(Time::of("fatal"), None);
    }

    #[test]
    fn a_tape_archive_holds_contents_rights_and_time() {
        let bytes = tar_gz("witness-1", &contents(), time()).unwrap();
        let mut read = tar::Archive::new(flate2::read::GzDecoder::new(bytes.as_slice()));
        let mut seen = Vec::new();
        for entry in read.entries().unwrap() {
            let mut entry = entry.unwrap();
            let mut text = String::new();
            entry.read_to_string(&mut text).unwrap();
            let header = entry.header();
            let owner = header.uid().unwrap() + header.gid().unwrap();
            assert_eq!((header.mtime().unwrap(), owner), (1_795_676_400, 0));
            seen.push((entry.path().unwrap().display().to_string(), header.mode().unwrap(), text));
        }
        let wanted = [("witness-1/docs/README.md", 0o644, "read me"), ("witness-1/witness", 0o755, "program")];
        assert_eq!(seen, wanted.map(|(path, mode, text)| (path.to_owned(), mode, text.to_owned())));
    }

    #[test]
    fn a_zip_archive_holds_contents_and_time() {
        let bytes = zip("witness-1", &contents(), time()).unwrap();
        let mut read = zip::ZipArchive::new(Cursor::new(bytes)).unwrap();
        let names: Vec<String> =
            (0..read.len()).map(|idx| read.by_index(idx).unwrap().name().unwrap().into()).collect();
        assert_eq!(names, ["witness-1/docs/README.md", "witness-1/witness"]);
        let mut file = read.by_name("witness-1/witness").unwrap();
        assert_eq!(
            (file.last_modified(), file.unix_mode().map(|mode| mode & 0o777)),
            (Some(time().civil), Some(0o755))
        );
        let mut text = String::new();
        file.read_to_string(&mut text).unwrap();
        assert_eq!(text, "program");
    }
}
