//! Inputs to begin with, and where they come from.

use std::io::{Cursor, Read as _};
use std::path::{Path, PathBuf};

use flate2::read::MultiGzDecoder;

/// Collects the seeds of one target.
#[derive(Debug, Default)]
pub struct Seeds {
    shared: PathBuf,
    all: Vec<Vec<u8>>,
}

impl Seeds {
    /// `shared`: folder of the open recordings; it may be missing.
    #[must_use]
    pub fn new(shared: &Path) -> Self {
        Self { shared: shared.to_owned(), all: Vec::new() }
    }

    /// What was collected.
    #[must_use]
    pub fn into_inner(self) -> Vec<Vec<u8>> {
        self.all
    }

    /// Adds one.
    pub fn add(&mut self, seed: impl AsRef<[u8]>) {
        self.all.push(seed.as_ref().to_vec());
    }

    /// Adds the files of a folder among the open recordings whose names end so, but for those that are longer.
    pub fn add_files(&mut self, folder: &str, ending: &str, max_len: u64) {
        for path in self.files(folder, ending) {
            if path.metadata().is_ok_and(|about| about.len() <= max_len) {
                self.all.extend(std::fs::read(path));
            }
        }
    }

    /// Adds the first bytes of such files, unpacked if they are gzipped.
    pub fn add_heads(&mut self, folder: &str, ending: &str, n_bytes: u64) {
        for path in self.files(folder, ending) {
            let Ok(file) = std::fs::File::open(&path) else { continue };
            let is_packed = path.extension().is_some_and(|ending| ending == "gz");
            let mut head = Vec::new();
            let read = if is_packed {
                MultiGzDecoder::new(file).take(n_bytes).read_to_end(&mut head)
            } else {
                file.take(n_bytes).read_to_end(&mut head)
            };
            if read.is_ok() {
                self.all.push(head);
            }
        }
    }

    /// Adds what is packed in such files (zip), each member of its own.
    pub fn add_members(&mut self, folder: &str, ending: &str) {
        for bytes in self.files(folder, ending).iter().filter_map(|path| std::fs::read(path).ok()) {
            let Ok(mut archive) = zip::ZipArchive::new(Cursor::new(bytes)) else { continue };
            for idx in 0..archive.len() {
                let mut content = Vec::new();
                if archive.by_index(idx).is_ok_and(|mut member| member.read_to_end(&mut content).is_ok()) {
                    self.all.push(content);
                }
            }
        }
    }

    fn files(&self, folder: &str, ending: &str) -> Vec<PathBuf> {
        let entries = std::fs::read_dir(self.shared.join(folder)).into_iter().flatten();
        let mut paths: Vec<PathBuf> = entries.filter_map(|entry| Some(entry.ok()?.path())).collect();
        paths.retain(|path| path.to_string_lossy().ends_with(ending));
        paths.sort();
        paths
    }
}
