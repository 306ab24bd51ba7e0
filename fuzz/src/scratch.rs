//! A folder for readers that want a file.

use std::path::{Path, PathBuf};
use std::sync::OnceLock;

fn place() -> &'static Path {
    static PLACE: OnceLock<PathBuf> = OnceLock::new();
    PLACE.get_or_init(|| std::env::temp_dir().join(format!("witness-fuzz-{}", std::process::id())))
}

/// The folder of this process, emptied; `TMPDIR` says where it lies, best in memory.
pub(crate) fn folder() -> &'static Path {
    let _ = std::fs::remove_dir_all(place());
    std::fs::create_dir_all(place()).expect("a folder for files");
    place()
}

/// A file of this name and content in [`folder`].
pub(crate) fn file(name: &str, content: &[u8]) -> PathBuf {
    let path = folder().join(name);
    std::fs::write(&path, content).expect("a file in the folder");
    path
}

/// A place in the folder, which is left as it is.
pub(crate) fn path(name: &str) -> PathBuf {
    place().join(name)
}
