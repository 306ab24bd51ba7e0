//! Where a new file comes to lie, so that no file is ever replaced by half of another.

use std::fs::File;
use std::io;
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

/// The place of a new file: nobody sees it under its final name before [`Place::keep`] unless it is `open`ed in place.
pub(crate) struct Place {
    target: PathBuf,
    overwrite: Overwrite,
    temporary: Option<NamedTempFile>,
}

impl Place {
    /// A file that appears under its name only once it is complete, and otherwise leaves nothing behind.
    pub(crate) fn beside(target: &Path, overwrite: Overwrite) -> Result<(Self, File), DriveError> {
        if overwrite == Overwrite::Never && target.symlink_metadata().is_ok() {
            return Err(DriveError::Exists(target.to_owned()));
        }
        let error = || DriveError::io("cannot create a file beside", target);
        let name = target.file_name().unwrap_or_default().to_string_lossy().into_owned();
        let temporary = tempfile::Builder::new()
            .prefix(&format!(".{name}."))
            .suffix(".partial")
            .permissions_if_unix()
            .tempfile_in(folder_of(target))
            .map_err(error())?;
        let file = temporary.as_file().try_clone().map_err(error())?;
        Ok((Self { target: target.to_owned(), overwrite, temporary: Some(temporary) }, file))
    }

    /// A file under its final name from the start if that name is free; otherwise, if it may be overwritten, as
    /// [`Place::beside`], but kept under its temporary name if it is never completed.
    pub(crate) fn open(target: &Path, overwrite: Overwrite) -> Result<(Self, File), DriveError> {
        match File::options().write(true).create_new(true).open(target) {
            Ok(file) => {
                sync_folder(target);
                Ok((Self { target: target.to_owned(), overwrite, temporary: None }, file))
            }
            Err(error) if error.kind() == io::ErrorKind::AlreadyExists => match overwrite {
                Overwrite::Never => Err(DriveError::Exists(target.to_owned())),
                Overwrite::WhenDone => {
                    let (mut place, file) = Self::beside(target, overwrite)?;
                    if let Some(temporary) = &mut place.temporary {
                        temporary.disable_cleanup(true);
                    }
                    sync_folder(target);
                    Ok((place, file))
                }
            },
            Err(error) => Err(DriveError::io("cannot create", target)(error)),
        }
    }

    /// Where the bytes are until [`Place::keep`].
    pub(crate) fn current(&self) -> &Path {
        self.temporary.as_ref().map_or(&self.target, |temporary| temporary.path())
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

trait BuilderExt {
    /// A drive is as readable for others as any file its owner makes; temporary files are private by default.
    fn permissions_if_unix(&mut self) -> &mut Self;
}

impl BuilderExt for tempfile::Builder<'_, '_> {
    fn permissions_if_unix(&mut self) -> &mut Self {
        #[cfg(unix)]
        {
            use std::os::unix::fs::PermissionsExt as _;
            self.permissions(std::fs::Permissions::from_mode(0o666));
        }
        self
    }
}
