//! A new file and its name, so that no file is ever replaced by half of another.

use std::fs::File;
use std::io::{self, Write};
use std::path::{Path, PathBuf};

use tempfile::NamedTempFile;

use crate::DriveError;

/// What to do when the file to be written exists already.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Overwrite {
    /// Leave it alone and report [`DriveError::Exists`].
    Never,
    /// Replace it, but only once the new file is complete; until then the old one stays where it is.
    WhenDone,
}

/// A file whose `flush` returns when everything written is on the disk.
pub(crate) struct DurableFile(File);

impl Write for DurableFile {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.0.write(bytes)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.0.sync_data()
    }
}

/// Whether a drive can be made under this name, as far as that can be known before: for asking before a car is.
///
/// # Errors
/// [`DriveError::NoFile`] if what is there is a folder, a device or a pipe, or leads to one; [`DriveError::Exists`], unless
/// it may be overwritten; [`DriveError::Io`] if its folder is none.
pub fn expect_room(target: &Path, overwrite: Overwrite) -> Result<(), DriveError> {
    if target.metadata().is_ok_and(|there| !there.is_file()) {
        return Err(DriveError::NoFile(target.to_owned()));
    }
    if overwrite == Overwrite::Never && target.symlink_metadata().is_ok() {
        return Err(DriveError::Exists(target.to_owned()));
    }
    let is_folder = folder_of(target).metadata().and_then(|folder| match folder.is_dir() {
        true => Ok(()),
        false => Err(io::ErrorKind::NotADirectory.into()),
    });
    is_folder.map_err(DriveError::io("cannot create", target))
}

/// A file that is being written. Nobody sees it under its final name before [`NewFile::keep`], unless it was made by
/// [`NewFile::open`] and that name was free.
pub(crate) struct NewFile {
    target: PathBuf,
    overwrite: Overwrite,
    temporary: Option<NamedTempFile>,
}

impl NewFile {
    /// A file that appears under its name only once it is complete, and otherwise leaves nothing behind.
    pub(crate) fn beside(target: &Path, overwrite: Overwrite) -> Result<(Self, DurableFile), DriveError> {
        expect_room(target, overwrite)?;
        let error = || DriveError::io("cannot create a file beside", target);
        let name = target.file_name().unwrap_or_default().to_string_lossy().into_owned();
        let prefix = format!(".{name}.");
        let mut builder = tempfile::Builder::new();
        builder.prefix(&prefix).suffix(".partial");
        // As readable for others as any file its owner makes; temporary files are private by default.
        #[cfg(unix)]
        builder.permissions(std::os::unix::fs::PermissionsExt::from_mode(0o666));
        let temporary = builder.tempfile_in(folder_of(target)).map_err(error())?;
        let file = DurableFile(temporary.as_file().try_clone().map_err(error())?);
        Ok((Self { target: target.to_owned(), overwrite, temporary: Some(temporary) }, file))
    }

    /// A file under its final name from the start if that name is free; otherwise, if it may be overwritten, as
    /// [`NewFile::beside`], but kept under its temporary name if it is never completed.
    pub(crate) fn open(target: &Path, overwrite: Overwrite) -> Result<(Self, DurableFile), DriveError> {
        expect_room(target, overwrite)?;
        match File::options().write(true).create_new(true).open(target) {
            Ok(file) => {
                sync_folder(target);
                Ok((Self { target: target.to_owned(), overwrite, temporary: None }, DurableFile(file)))
            }
            Err(error) if error.kind() == io::ErrorKind::AlreadyExists => match overwrite {
                Overwrite::Never => Err(DriveError::Exists(target.to_owned())),
                Overwrite::WhenDone => {
                    let (mut new, file) = Self::beside(target, overwrite)?;
                    if let Some(temporary) = &mut new.temporary {
                        temporary.disable_cleanup(true);
                    }
                    sync_folder(target);
                    Ok((new, file))
                }
            },
            Err(error) => Err(DriveError::io("cannot create", target)(error)),
        }
    }

    /// Where the bytes are until [`NewFile::keep`], in the words that name the target.
    pub(crate) fn current(&self) -> PathBuf {
        let name = self.temporary.as_ref().and_then(|temporary| temporary.path().file_name());
        name.map_or_else(|| self.target.clone(), |name| self.target.with_file_name(name))
    }

    /// Gives the complete file its name.
    pub(crate) fn keep(self) -> Result<PathBuf, DriveError> {
        let Some(temporary) = self.temporary else { return Ok(self.target) };
        let result = match self.overwrite {
            Overwrite::Never => temporary.persist_noclobber(&self.target),
            Overwrite::WhenDone => temporary.persist(&self.target),
        };
        match result {
            Ok(_) => {
                sync_folder(&self.target);
                Ok(self.target)
            }
            Err(error) if error.error.kind() == io::ErrorKind::AlreadyExists => Err(DriveError::Exists(self.target)),
            Err(error) => Err(DriveError::io("cannot create", &self.target)(error.error)),
        }
    }
}

fn folder_of(path: &Path) -> &Path {
    path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."))
}

/// Makes a new name durable. Not every file system can sync a folder; then the name is as safe as it gets.
fn sync_folder(path: &Path) {
    if let Ok(folder) = File::open(folder_of(path)) {
        let _ = folder.sync_all();
    }
}
